package cli

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"image/jpeg"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"wheelplane/cmd/wheelplane/internal/bay"
	"wheelplane/cmd/wheelplane/internal/record"
	"wheelplane/cmd/wheelplane/internal/visit"
	"wheelplane/cmd/wheelplane/internal/work"
	"wheelplane/fixtures"
	"wheelplane/pose/rig"
)

// safeBuffer is output that a test reads while it is written.
type safeBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *safeBuffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *safeBuffer) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// The server tells its addresses, keeps a second one off, ends on Ctrl-C, and can be
// started again; a port in use is told.
func TestServe(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "new")
	start := func(listen string) (out *safeBuffer, end func() error) {
		ctx, cancel := context.WithCancel(t.Context())
		out = &safeBuffer{}
		app := &App{Stdout: out, Stderr: io.Discard, JSON: true}
		done := make(chan error, 1)
		go func() {
			done <- app.serve(ctx, serveOptions{dir: dir, listen: listen, units: "metric"})
		}()
		return out, func() error { cancel(); return <-done }
	}
	out, end := start("127.0.0.1:0")
	var told served
	for wait := time.Now().Add(30 * time.Second); json.Unmarshal([]byte(out.String()), &told) != nil; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(wait) {
			t.Fatalf("no address: %q", out.String())
		}
	}
	if !strings.HasPrefix(told.Bay, "http://127.0.0.1:") || !strings.Contains(told.Bay, "code=") || len(told.Phones) != 0 {
		t.Errorf("told %+v", told)
	}
	a, err := http.Get(told.Bay)
	if err != nil || a.StatusCode != 200 {
		t.Fatalf("%v %v", a, err)
	}
	a.Body.Close()

	quiet := &App{Stdout: io.Discard, Stderr: io.Discard, Quiet: true}
	err = quiet.serve(t.Context(), serveOptions{dir: dir, listen: "127.0.0.1:0", units: "metric"})
	if exitCode(err) != ExitInput || !strings.Contains(err.Error(), "served already") {
		t.Errorf("a second server: %v", err)
	}
	port := strings.TrimPrefix(strings.SplitN(told.Bay, "/enter", 2)[0], "http://")
	err = quiet.serve(t.Context(), serveOptions{dir: t.TempDir(), listen: port, units: "metric"})
	if exitCode(err) != ExitFailed || !strings.Contains(err.Error(), "choose another address") || strings.Contains(err.Error(), "\n") {
		t.Errorf("a port in use: %v", err)
	}
	if err := end(); err != nil {
		t.Errorf("ended with %v", err)
	}
	if _, err := net.DialTimeout("tcp", port, time.Second); err == nil {
		t.Error("it listens still")
	}
	out, end = start("127.0.0.1:0")
	for wait := time.Now().Add(30 * time.Second); !strings.Contains(out.String(), "code="); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(wait) {
			t.Fatal("not started again")
		}
	}
	if err := end(); err != nil {
		t.Error(err)
	}
}

func act(t *testing.T, b *bench, do string, kv ...string) {
	t.Helper()
	a := bay.Action{Do: do, With: map[string]string{}}
	for i := 0; i+1 < len(kv); i += 2 {
		a.With[kv[i]] = kv[i+1]
	}
	if err := b.Act(a); err != nil {
		t.Fatalf("%s %v: %v", do, kv, err)
	}
}

func jobAt(t *testing.T, dir string) *rig.Job {
	t.Helper()
	f, err := rig.Read(dir)
	if err != nil {
		t.Fatal(err)
	}
	return f.Job
}

// Buttons do to the job's files what their words say, and every one is undone to the
// last byte.
func TestBayButtons(t *testing.T) {
	dir := t.TempDir()
	b, err := newBench(dir, record.Metric)
	if err != nil {
		t.Fatal(err)
	}
	v, err := b.View()
	if err != nil || v.Setup == nil || len(v.Setup.Layouts) != len(layouts) {
		t.Fatalf("an empty folder: %+v, %v", v, err)
	}
	scene, err := fixtures.NewScene("harbour-car", 1, 1000)
	if err != nil {
		t.Fatal(err)
	}
	lens := filepath.Join(t.TempDir(), "camera.yaml")
	if err := scene.Camera.Save(lens); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(lens)
	if err != nil {
		t.Fatal(err)
	}
	state := func() string {
		var out strings.Builder
		for _, name := range []string{rig.JobFile, "visit.yaml", "spec.yaml", "camera.yaml", "record.pdf"} {
			file, err := os.ReadFile(filepath.Join(dir, name))
			fmt.Fprintf(&out, "%s %v %x\n", name, err == nil, sha256.Sum256(file))
		}
		return out.String()
	}
	before := []string{state()}
	step := func(do string, kv ...string) {
		t.Helper()
		act(t, b, do, kv...)
		before = append(before, state())
		if n := len(before); before[n-1] == before[n-2] {
			t.Errorf("%s changed nothing", do)
		}
	}
	step("begin", "layout", "truck-3", "name", "a job")
	step("camera", "file", string(text))
	step("visit", "key", "technician", "value", "N. Berg")
	step("targets", "spec", "heavy-truck")
	step("tell", "what", "tyre-pressures", "result", "ok")
	step("station", "epoch", "as left", "moved", "3,1:left")
	job := jobAt(t, dir)
	if n := len(job.Stations); n != 4 || job.Stations[3].Epoch != "as left" || len(job.Epochs[1].Moved) != 3 {
		t.Errorf("a new epoch: %+v %+v", job.Stations, job.Epochs)
	}
	step("station", "steer", "-20")
	if s := jobAt(t, dir).Stations[4]; !s.Sweep || s.Steer > -0.34 || s.Epoch != "as left" {
		t.Errorf("a steer: %+v", s)
	}
	// Board B5 leaves axle 3 for a wheel that another leaves: both in turn.
	if err := b.Act(bay.Action{Do: "hang", With: map[string]string{"board": "B5", "wheel": "2:left"}}); err == nil || !strings.Contains(err.Error(), "carries one board") {
		t.Errorf("two boards on a wheel: %v", err)
	}
	for _, bad := range []bay.Action{
		{Do: "steal"}, {Do: "begin", With: map[string]string{"layout": "car"}}, {Do: "begin", With: map[string]string{"layout": "cart"}},
		{Do: "tell", With: map[string]string{"what": "nothing", "result": "ok"}}, {Do: "tell", With: map[string]string{"what": "load", "result": "perhaps"}},
		{Do: "targets", With: map[string]string{"spec": "../../etc/passwd"}}, {Do: "camera", With: map[string]string{"file": "no camera"}},
		{Do: "visit", With: map[string]string{"key": "colour", "value": "blue"}}, {Do: "station", With: map[string]string{"steer": "200"}},
		{Do: "station", With: map[string]string{"epoch": "x", "moved": "9"}}, {Do: "station"}, {Do: "forget", With: map[string]string{"photo": "../job.yaml"}},
		{Do: "hang", With: map[string]string{"board": "Z", "wheel": "1:left"}}, {Do: "record"},
	} {
		if err := b.Act(bad); err == nil || strings.Contains(err.Error(), "\n") {
			t.Errorf("%+v: %v", bad, err)
		}
	}
	if now := state(); now != before[len(before)-1] {
		t.Error("what was refused has changed something")
	}
	// Another start, and all back.
	if b, err = newBench(dir, record.Metric); err != nil {
		t.Fatal(err)
	}
	for n := len(before) - 2; n >= 0; n-- {
		what, err := b.Undo()
		if err != nil || state() != before[n] {
			t.Errorf("undoing %q: %v", what, err)
		}
	}
	if _, err := b.Undo(); err == nil {
		t.Error("undone what was never done")
	}
}

// bomb is a small PNG that says it is large.
func bomb(side uint32) []byte {
	out := []byte("\x89PNG\r\n\x1a\n")
	chunk := func(kind string, data []byte) {
		out = binary.BigEndian.AppendUint32(out, uint32(len(data)))
		body := append([]byte(kind), data...)
		out = append(out, body...)
		out = binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE(body))
	}
	head := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, side), side)
	chunk("IHDR", append(head, 8, 0, 0, 0, 0))
	chunk("IDAT", []byte("\x78\x9c\x03\x00\x00\x00\x00\x01"))
	chunk("IEND", nil)
	return out
}

// A photograph is taken in once, at its station, and comes back with what it shows;
// what is none, or none of this camera, or shows nothing, is refused in words for
// whoever sent it, and the job stays as it was.
func TestBayPhotographs(t *testing.T) {
	if testing.Short() {
		t.Skip("renders photographs")
	}
	from, folder, _ := photographedJob(t)
	dir := t.TempDir()
	for _, name := range []string{rig.JobFile, "camera.yaml"} {
		text, err := os.ReadFile(filepath.Join(from, name))
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, name), text, 0o644)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	b, err := newBench(dir, record.Metric)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	take := func(data []byte, kind, station string) *bay.Taken {
		t.Helper()
		n++
		path := filepath.Join(dir, ".wheelplane", fmt.Sprintf("%032x", n))
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		taken, err := b.Take(t.Context(), bay.Upload{Path: path, Kind: kind, Station: station, SHA256: fmt.Sprintf("%x", sha256.Sum256(data)), Size: int64(len(data))})
		if err != nil {
			t.Fatal(err)
		}
		if taken.Refused != "" && (strings.Contains(taken.Refused, dir) || strings.Contains(taken.Refused, "\n")) {
			t.Errorf("told of our folders: %q", taken.Refused)
		}
		os.Remove(path)
		return taken
	}
	var good []byte
	for i, p := range folder.Job.Photos[:3] {
		data, err := os.ReadFile(filepath.Join(from, filepath.FromSlash(p.Path)))
		if err != nil {
			t.Fatal(err)
		}
		good = data
		taken := take(data, "photo", "")
		if taken.Refused != "" || taken.Before || taken.Photo == nil || len(taken.Photo.Boards) == 0 {
			t.Fatalf("photograph %d: %+v", i, taken)
		}
		for _, small := range []bool{false, true} {
			if path, ok := b.Picture(taken.Photo.ID, small); !ok {
				t.Errorf("no picture %s", path)
			}
		}
	}
	if again := take(good, "photo", ""); !again.Before || again.Photo == nil {
		t.Errorf("sent twice: %+v", again)
	}
	if job := jobAt(t, dir); len(job.Photos) != 3 || job.Photos[0].Path != "photos/"+job.Stations[0].Name+"/001.jpg" {
		t.Errorf("%+v", job.Photos)
	}

	cat := image.NewGray(image.Rect(0, 0, 1000, 750))
	for i := range cat.Pix {
		cat.Pix[i] = uint8(120 + 60*((i/7+i/9000)%3))
	}
	var picture, small bytes.Buffer
	if err := errors.Join(jpeg.Encode(&picture, cat, nil), jpeg.Encode(&small, image.NewGray(image.Rect(0, 0, 640, 480)), nil)); err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		what, kind string
		data       []byte
		say        string
	}{
		{"a cat", "photo", picture.Bytes(), "no board"},
		{"another camera's", "photo", small.Bytes(), "640 x 480"},
		{"a bomb", "photo", bomb(60000), "too many"},
		{"a text", "photo", []byte("hello, this is no photograph at all, hello"), "not a JPEG or PNG"},
		{"an HEIC", "photo", []byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic"), "HEIC"},
		{"one cut short", "photo", good[:len(good)/2], "cut short"},
		{"a film that is none", "film", []byte("no film"), ""},
		{"no camera file", "camera", []byte("image_width: x"), ""},
	} {
		if taken := take(x.data, x.kind, ""); taken.Refused == "" || !strings.Contains(taken.Refused, x.say) {
			t.Errorf("%s: %+v", x.what, taken)
		}
	}
	if job := jobAt(t, dir); len(job.Photos) != 3 {
		t.Errorf("refused, and taken in: %+v", job.Photos)
	}

	// Measured as far as there is something; too little is no trouble.
	err = b.Measure(t.Context())
	if lacks := (bay.NotYet{}); err != nil && !errors.As(err, &lacks) {
		t.Errorf("measured: %v", err)
	}
	if b.Due() {
		t.Error("due again at once")
	}
	v, err := b.View()
	if err != nil || len(v.Stations) == 0 || len(v.Stations[0].Photos) != 3 || len(v.Stations[0].Missing) == 0 {
		t.Fatalf("%+v, %v", v, err)
	}
	act(t, b, "forget", "photo", v.Stations[0].Photos[1].ID)
	if !b.Due() || len(jobAt(t, dir).Photos) != 2 {
		t.Error("not taken out, or not due")
	}
	if what, err := b.Undo(); err != nil || len(jobAt(t, dir).Photos) != 3 {
		t.Errorf("%q is not there again: %v", what, err)
	}
	for range 3 {
		if _, err := b.Undo(); err != nil {
			t.Error(err)
		}
	}
	if n := len(jobAt(t, dir).Photos); n != 0 {
		t.Errorf("%d photographs after all was undone", n)
	}
}

// A result accepted in the second in which it came is accepted: the times of day are
// kept finer than that.
func TestAcceptedAtOnce(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "bay")
	for _, args := range [][]string{{"demo", dir, "--scene", "harbour-car", "--no-pictures", "--quiet"}, {"spec", "use", dir, "example-harbour-car"}} {
		if code, _, stderr := told(t, args...); code != 0 {
			t.Fatalf("%v: %s", args, stderr)
		}
	}
	measured := time.Now().Truncate(time.Second).Add(3 * time.Second / 2)
	if err := os.Chtimes(filepath.Join(dir, rig.ResultFile), measured, measured); err != nil {
		t.Fatal(err)
	}
	app := &App{Stdout: io.Discard, Stderr: io.Discard, Quiet: true}
	left := func() (open, skipped int) {
		f, err := app.workFolder(dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range work.Steps(f) {
			if strings.HasPrefix(s.ID, "adjust-") && s.State == work.Skipped {
				skipped++
			} else if strings.HasPrefix(s.ID, "adjust-") {
				open++
			}
		}
		return open, skipped
	}
	open, _ := left()
	if open == 0 {
		t.Fatal("nothing is to be adjusted: the test proves nothing")
	}
	for after, want := range map[time.Duration]int{-time.Second: 0, 5 * time.Millisecond: open} {
		if err := os.RemoveAll(filepath.Join(dir, visit.File)); err != nil {
			t.Fatal(err)
		}
		o := checkOptions{dir: dir, what: "accept", result: string(visit.OK), by: "R. Vell", now: measured.Add(after)}
		if err := app.check(o); err != nil {
			t.Fatal(err)
		}
		if _, skipped := left(); skipped != want {
			t.Errorf("accepted %v after the result, %d of %d adjustments are left as they are", after, skipped, open)
		}
	}
}
