package cli

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"wheelplane/cmd/wheelplane/internal/bay/baytest"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
	"wheelplane/vision"
)

// serving runs serve on a folder, as the shop would: a program of its own, which may
// be killed.
type serving struct {
	t   *testing.T
	run *exec.Cmd
	log bytes.Buffer
	served
}

func startServing(t *testing.T, dir, at string) *serving {
	t.Helper()
	s := &serving{t: t, run: exec.Command("wheelplane", "serve", dir, "--listen", at, "--json")}
	s.run.Stderr = &s.log
	out, err := s.run.StdoutPipe()
	if err == nil {
		err = s.run.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.kill)
	if err := json.NewDecoder(bufio.NewReader(out)).Decode(&s.served); err != nil {
		s.kill()
		t.Fatalf("serve tells no address: %v: %s", err, s.log.String())
	}
	return s
}

// kill ends it as a power cut does.
func (s *serving) kill() {
	_ = s.run.Process.Kill() // it may have ended
	_ = s.run.Wait()
}

// A whole job from an empty folder to its record: a laptop and a phone in two browsers,
// photographs rendered with known truth and sent as a phone does, the line cut in the
// middle of one, the phone's page closed, the server killed.
func TestWalk(t *testing.T) {
	if testing.Short() {
		t.Skip("renders photographs")
	}
	program := baytest.Start(t)
	demo, dir := filepath.Join(t.TempDir(), "demo"), filepath.Join(t.TempDir(), "bay-3")
	// Its boards A to G are those that a new job of a car calls B1 to F3; the others
	// lie there unasked.
	if out, err := exec.Command("wheelplane", "demo", demo, "--scene", "harbour-car", "--size", "1280", "--plain").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	photos := func(station string) []string {
		list, err := filepath.Glob(filepath.Join(demo, "photos", station, "*.jpg"))
		if err != nil || len(list) < 6 {
			t.Fatalf("photographs of station %s: %v, %v", station, list, err)
		}
		return list
	}
	kept := func(station string) int {
		list, err := filepath.Glob(filepath.Join(dir, "photos", station, "*"))
		if err != nil {
			t.Fatal(err)
		}
		return len(list)
	}

	probe, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	at := probe.Addr().String()
	probe.Close()
	server := startServing(t, dir, at)
	line := baytest.NewLine(t, at)

	// The laptop: a new job.
	laptop := program.Open(t, baytest.Laptop)
	laptop.Look(false)
	laptop.Go(server.Bay)
	laptop.Wait("the page of a new job", `document.querySelector("form.setup")`)
	laptop.Judge("setup", false)
	laptop.Press(".setup", "Begin") // the car is the first of the vehicles
	laptop.Wait("to be asked who works", `document.querySelector(".answer.who")`)
	laptop.Fill(".answer.who input[name=value]", "R. Marsh")
	laptop.Press("#now", "That is me")
	laptop.Wait("the camera to be asked for", `document.querySelector(".answer.camera input[type=file]")`)
	laptop.Send(".answer.camera input[type=file]", filepath.Join(demo, "camera.yaml"))
	laptop.Press("#now", "Take this camera file")

	// The phone, let in by the code that the laptop shows.
	phone := program.Open(t, baytest.Phone)
	phone.Look(true)
	laptop.Wait("the camera file to be taken", `!document.querySelector(".answer.camera")`)
	code := ""
	laptop.Eval(`fetch("/code").then((r) => r.text()).then((t) => new DOMParser().parseFromString(t, "text/html").querySelector(".letters").textContent)`, &code)
	phone.Go("http://" + line.Addr + "/enter?to=/phone&code=" + code)
	phone.Wait("the phone's page", `document.querySelector("#camera")`)

	title := func() string { return laptop.Text("#now-title") }
	// on presses through the checks, as somebody who looks at the vehicle would.
	on := func(until string) {
		t.Helper()
		for range 40 {
			now := title()
			if strings.Contains(now, until) {
				return
			}
			for _, b := range []string{"Done, good", "Take these target values", "Leave it as it is", "Does not apply", "Enough photographs here"} {
				var there bool
				laptop.Eval(fmt.Sprintf(`[...document.querySelectorAll("#now button")].some((b) => b.textContent.trim() === %q)`, b), &there)
				if there {
					laptop.Press("#now", b)
					break
				}
			}
			laptop.Wait("what comes after "+now, fmt.Sprintf(`document.getElementById("now-title").textContent.trim() !== %q || document.querySelector("#said:not([hidden])")`, now))
			if said := laptop.Text("#said"); said != "" {
				t.Fatalf("%s: %s", now, said)
			}
		}
		t.Fatalf("the work does not come to %q: it stands at %q; all steps: %s", until, title(), laptop.Text("main"))
	}
	arrived := func(n int) {
		t.Helper()
		phone.Wait(fmt.Sprintf("%d photographs to arrive", n), fmt.Sprintf(`document.querySelectorAll("#queue .taken, #queue .refused").length >= %d && !document.querySelector("#queue .waits")`, n))
	}
	shown := func(station string) string {
		return fmt.Sprintf(`([...document.querySelectorAll(".station")].find((s) => s.querySelector("h3").textContent.trim().startsWith("Station %s")) || document.body).querySelectorAll(".photos li").length`, station)
	}

	on("hotograph")
	first := photos("1")
	phone.Send("#camera", first[0])
	arrived(1)
	phone.Wait("the photograph to come back with what it shows", `document.querySelector(".latest img") && document.querySelector(".latest img").naturalWidth > 300`)
	if text := phone.Text(".latest"); !strings.Contains(text, "It shows") {
		t.Errorf("the phone is not told what the photograph shows: %q", text)
	}
	laptop.Wait("the laptop to show it", shown("s1")+" === 1")
	phone.Judge("the phone with a photograph", false)
	phone.Fits("the phone with a photograph")
	// Undone, it may be sent again; sent again once more, it was there already.
	laptop.Press("header", "Undo")
	laptop.Wait("the photograph to be gone", shown("s1")+" === 0")
	phone.Send("#camera", first[0])
	arrived(2)
	phone.Send("#camera", first[0])
	arrived(3)
	if text := phone.Text("#queue"); !strings.Contains(text, "was there already") {
		t.Errorf("the same photograph is taken twice: %q", text)
	}
	phone.Send("#gallery", first[1:]...)
	phone.Wait("the rest of station 1", `document.querySelectorAll("#queue li").length === 12 && !document.querySelector("#queue li:not(.taken):not(.refused)")`)
	if !strings.Contains(phone.Text("#queue"), "not taken") {
		t.Error("a photograph without a board of the job was taken")
	}
	n1 := kept("s1")
	laptop.Wait("all of station 1", fmt.Sprintf("%s === %d", shown("s1"), n1))

	// The second place, the line cut in the middle of a photograph, the page closed.
	laptop.Press("#stations", "Next station")
	laptop.Wait("station 2", `document.querySelector(".station.here h3").textContent.includes("s2")`)
	phone.Wait("the phone to know", `document.querySelector("[data-station=s2]")`)
	line.CutAfter(300e3)
	phone.Send("#gallery", photos("2")...)
	phone.Wait("to be told of the lost connection", `document.querySelector("#queue .waits")`)
	if !line.IsCut() {
		t.Fatal("the line was not cut: the test proves nothing")
	}
	before := kept("s2")
	if before >= 6 {
		t.Fatalf("%d photographs came through: the line was cut too late", before)
	}
	line.Mend()
	phone.Go("http://" + line.Addr + "/phone")
	phone.Wait("the rest of station 2", `document.querySelectorAll("#queue li").length > 0 && !document.querySelector("#queue li:not(.taken):not(.refused)")`)
	n2 := kept("s2")
	laptop.Wait("all of station 2", fmt.Sprintf("%s === %d", shown("s2"), n2))

	// The third, the server killed in the middle.
	laptop.Press("#stations", "Next station")
	phone.Wait("station 3", `document.querySelector("[data-station=s3]")`)
	phone.Send("#gallery", photos("3")...)
	phone.Wait("some of station 3", `document.querySelectorAll("#queue .taken").length > 1`)
	acknowledged := 0
	server.kill()
	phone.Eval(`document.querySelectorAll("#queue .taken").length`, &acknowledged)
	server = startServing(t, dir, at)
	phone.Wait("the rest of station 3", `!document.querySelector("#queue li:not(.taken):not(.refused)")`)
	n3 := kept("s3")
	if n1 < 8 || n2 < 8 || n3 < 8 {
		t.Errorf("%d, %d and %d photographs are in the job; each station has eight or more with its boards", n1, n2, n3)
	}
	laptop.Wait("all of station 3", fmt.Sprintf("%s === %d", shown("s3"), n3))
	sums := map[string]string{}
	for _, s := range []string{"s1", "s2", "s3"} {
		list, _ := filepath.Glob(filepath.Join(dir, "photos", s, "*"))
		for _, f := range list {
			text, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			if other := sums[string(text)]; other != "" {
				t.Errorf("%s and %s are the same photograph", f, other)
			}
			sums[string(text)] = f
		}
	}

	// To the record.
	laptop.Wait("readings", `document.querySelectorAll("#readings .reading").length > 4 && document.querySelector(".status").textContent.trim() === ""`)
	laptop.Judge("measured", false)
	laptop.Fits("measured")
	on("ecord")
	laptop.Press("#now", "Write the record")
	laptop.Wait("the record", `document.querySelector("a[href='/record.pdf']")`)
	head := ""
	laptop.Eval(`fetch("/record.pdf").then((r) => r.blob()).then((b) => b.slice(0, 5).text())`, &head)
	if head != "%PDF-" {
		t.Errorf("the record begins with %q", head)
	}
	phone.Wait("the phone to see the same", `document.querySelector("[data-station=s3]")`)

	// What was measured is true.
	result, truth := readTold(t, filepath.Join(dir, rig.ResultFile)), readTold(t, filepath.Join(demo, rig.TruthFile))
	n := 0
	for _, r := range compare(result, truth).Readings {
		if r.Quantity != align.Toe && r.Quantity != align.Camber && r.Quantity != align.ThrustAngle {
			continue
		}
		n++
		if !(math.Abs(r.Normalised) < 4) || !(r.U < 0.1) {
			t.Errorf("axle %d %s %s is %.3f ± %.3f, in truth %.3f", r.Axle, r.Side, r.Quantity, r.Value, r.U, r.Truth)
		}
	}
	if n < 9 {
		t.Errorf("compared %d readings", n)
	}
	if t.Failed() {
		t.Logf("the server's log: %s", server.log.String())
	}
	server.kill()
	t.Run("film", func(t *testing.T) { walkFilmed(t, program, demo) })
}

// A walk-around filmed with the phone, here one that stands still before each of a
// station's photographs: its frames are picked, measured and true.
func walkFilmed(t *testing.T, program *baytest.Program, demo string) {
	dir := filepath.Join(t.TempDir(), "bay-4")
	if err := os.CopyFS(dir, os.DirFS(demo)); err != nil {
		t.Fatal(err)
	}
	os.Remove(filepath.Join(dir, rig.ResultFile))
	list, err := filepath.Glob(filepath.Join(dir, "photos", "3", "*.jpg"))
	if err != nil || len(list) < 6 {
		t.Fatal(err, list)
	}
	path := filepath.Join(t.TempDir(), "walk.avi")
	var film *vision.Film
	for _, name := range list {
		photo, err := vision.Load(name)
		if err == nil && film == nil {
			film, err = vision.CreateFilm(path, "MJPG", 10, photo.Pix.Rect.Dx(), photo.Pix.Rect.Dy())
		}
		for range 6 {
			if err == nil {
				err = film.Add(photo.Pix)
			}
		}
		if err != nil {
			t.Fatal(err)
		}
		os.Remove(name)
	}
	film.Close()

	server := startServing(t, dir, "127.0.0.1:0")
	phone := program.Open(t, baytest.Phone)
	phone.Go(server.Bay)
	phone.Wait("the bay's page", `document.querySelector("#stations")`)
	phone.Eval(`void (location.href = "/phone")`, nil)
	phone.Wait("the phone's page", `document.querySelector("#film")`)
	phone.Eval(`void (document.querySelector("[data-station]").dataset.station = "3")`, nil)
	phone.Send("#film", path)
	phone.Wait("the film to be taken", `document.querySelectorAll("#queue .taken, #queue .refused").length === 1`)
	if text := phone.Text("#queue"); strings.Contains(text, "not taken") {
		t.Fatalf("the film: %s; the server's log: %s", text, server.log.String())
	}
	frames, err := filepath.Glob(filepath.Join(dir, "photos", "3", "*"))
	if err != nil || len(frames) < 6 {
		t.Errorf("of %d places %d frames were picked", len(list), len(frames))
	}
	phone.Size(baytest.Laptop)
	phone.Eval(`void (location.href = "/")`, nil)
	phone.Wait("readings", `document.querySelectorAll("#readings .reading").length > 4 && document.querySelector(".status").textContent.trim() === ""`)
	phone.Fits("filmed")
	result, truth := readTold(t, filepath.Join(dir, rig.ResultFile)), readTold(t, filepath.Join(dir, rig.TruthFile))
	for _, r := range compare(result, truth).Readings {
		if (r.Quantity == align.Toe || r.Quantity == align.Camber) && (!(math.Abs(r.Normalised) < 4) || !(r.U < 0.1)) {
			t.Errorf("axle %d %s %s is %.3f ± %.3f, in truth %.3f", r.Axle, r.Side, r.Quantity, r.Value, r.U, r.Truth)
		}
	}
}

func readTold(t *testing.T, path string) *rig.Result {
	t.Helper()
	var r rig.Result
	text, err := os.ReadFile(path)
	if err == nil {
		err = json.Unmarshal(text, &r)
	}
	if err != nil {
		t.Fatal(err)
	}
	return &r
}
