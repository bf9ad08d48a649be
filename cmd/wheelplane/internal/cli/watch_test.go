package cli

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"wheelplane/cmd/wheelplane/internal/watching"
	"wheelplane/fixtures"
	"wheelplane/pose/align"
	"wheelplane/pose/live"
	"wheelplane/pose/rig"
)

// filmed is a job solved from drawn corners and a small film of an adjustment.
func filmed(t *testing.T) (*rig.Footing, *fixtures.Watching, string) {
	t.Helper()
	s, err := fixtures.NewScene("harbour-car", 4, 2000)
	if err != nil {
		t.Fatal(err)
	}
	solution, err := rig.Solve(t.Context(), s.Job, s.Camera, s.DrawCorners(0.02, drawnOblique, 5), rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	footing, err := solution.Footing(len(s.Job.Stations) - 1)
	if err != nil {
		t.Fatal(err)
	}
	w, err := s.Watch(1, align.Left, 4)
	if err != nil {
		t.Fatal(err)
	}
	w.Scale(960)
	w.FPS = 15
	w.Turns = []fixtures.Turn{{From: 1.1, To: 1.3, Left: 0.01}}
	film := filepath.Join(t.TempDir(), "watch.avi")
	if err := w.NewReel(fixtures.WebcamOptics(), 1).Write(t.Context(), film, "MJPG", 34, nil); err != nil {
		t.Fatal(err)
	}
	return footing, w, film
}

// A film is watched frame by frame: JSON lines that come near the truth, and text.
func TestWatchFilm(t *testing.T) {
	footing, w, film := filmed(t)
	cameras := func() []watching.Camera {
		src, err := watching.Film(film, &w.Lens, true)
		if err != nil {
			t.Fatal(err)
		}
		return []watching.Camera{{Source: src, CameraSpec: live.CameraSpec{Lens: &w.Lens}}}
	}
	var out, errs bytes.Buffer
	app := &App{Stdout: &out, Stderr: &errs, JSON: true}
	watch := func(o watchOptions) error {
		each, done := app.tellFrames(footing.Job, o)
		defer done()
		return watchFrom(t.Context(), footing, cameras(), o, nil, align.Rule{}, each)
	}
	if err := watch(watchOptions{axle: 1}); err != nil {
		t.Fatal(err)
	}
	frames, settled := 0, 0
	for d := json.NewDecoder(&out); d.More(); frames++ {
		var f watchedFrame
		if err := d.Decode(&f); err != nil {
			t.Fatal(err)
		}
		if f.State != live.Settled {
			continue
		}
		settled++
		truth, err := w.Truth(f.Seconds)
		if err != nil {
			t.Fatal(err)
		}
		if len(f.Readings) != 2 {
			t.Errorf("at %.2f s: %d readings", f.Seconds, len(f.Readings))
		}
		for _, r := range f.Readings {
			x := truth.Readings[truth.Find(r.Quantity, r.Axle, r.Side)].Value * 180 / math.Pi
			if math.Abs(r.Value-x) > 4*r.U || !(r.U > 0 && r.UNoise < r.U) {
				t.Errorf("at %.2f s: %s is %.3f ± %.3f (noise %.3f), not %.3f", f.Seconds, r.Quantity, r.Value, r.U, r.UNoise, x)
			}
		}
	}
	if frames != 34 || settled < 10 {
		t.Errorf("%d frames, %d of them settled", frames, settled)
	}

	// Where no screen is, a line when something changes.
	out.Reset()
	app = &App{Stdout: &out, Stderr: &errs}
	if err := watch(watchOptions{axle: 1, frames: 20}); err != errEnough {
		t.Fatal(err)
	}
	text := out.String()
	if !strings.Contains(text, "settled") || !strings.Contains(text, "toe left") || strings.Count(text, "\n") > 8 {
		t.Errorf("text:\n%s", text)
	}
}

// A camera that is unplugged while it is watched through is told and waited for; its
// boards are found again once it is back. Here it is one in the network, which sends
// as such cameras do (a part of multipart/x-mixed-replace a frame) and breaks off.
func TestWatchUnplugged(t *testing.T) {
	footing, w, _ := filmed(t)
	w.Turns = nil
	reel := w.NewReel(fixtures.WebcamOptics(), 9)
	var parts bytes.Buffer
	for k := range 6 {
		text, err := fixtures.EncodeJPEG(reel.Frame(k), fixtures.Exif{}, 95)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&parts, "--frame\r\nContent-Type: image/jpeg\r\nContent-Length: %d\r\n\r\n%s\r\n", len(text), text)
	}
	var asked atomic.Int32
	web := httptest.NewServer(http.HandlerFunc(func(out http.ResponseWriter, _ *http.Request) {
		if asked.Add(1) == 2 { // still unplugged
			http.Error(out, "no camera", http.StatusServiceUnavailable)
			return
		}
		out.Header().Set("Content-Type", "multipart/x-mixed-replace; boundary=frame")
		for range 10 {
			out.Write(parts.Bytes())
		}
	}))
	defer web.Close()
	src, err := watching.Stream(web.URL+"/camera", &w.Lens)
	if err != nil {
		t.Fatal(err)
	}
	var silent string
	before, after := 0, 0
	setup := watching.Setup{Footing: footing, Axle: 1, Cameras: []watching.Camera{{Source: src, CameraSpec: live.CameraSpec{Lens: &w.Lens}}}}
	if err := watching.Run(t.Context(), setup, func(f watching.Frame) error {
		switch {
		case f.Lost != "":
			silent = f.Lost
		case silent == "":
			before++
		default:
			if after++; f.State == live.Settled && len(f.Readings) == 2 {
				return errEnough
			}
		}
		return nil
	}); err != errEnough {
		t.Fatal(err)
	}
	if before == 0 || asked.Load() < 3 || !strings.Contains(silent, "unplugged or switched off; waiting for it") {
		t.Errorf("%d frames, then %q, %d after; asked for %d times", before, silent, after, asked.Load())
	}
}

// Photographs that drop into a folder are taken as they arrive, whole; what is no
// photograph is told and left.
func TestWatchFolder(t *testing.T) {
	footing, w, _ := filmed(t)
	dir := t.TempDir()
	var warned []string
	src, err := watching.Folder(dir, &w.Lens, func(format string, args ...any) { warned = append(warned, format) })
	if err != nil {
		t.Fatal(err)
	}
	reel := w.NewReel(fixtures.WebcamOptics(), 9)
	files := map[string][]byte{"a.jpg": []byte("not a picture")}
	for k, name := range []string{"b.jpg", "c.jpg", "d.jpg"} {
		if files[name], err = fixtures.EncodeJPEG(reel.Frame(k), fixtures.Exif{}, 95); err != nil {
			t.Fatal(err)
		}
	}
	go func() {
		for _, name := range []string{"a.jpg", "b.jpg", "c.jpg", "d.jpg"} {
			text := files[name]
			f, err := os.Create(filepath.Join(dir, name))
			if err != nil {
				return
			}
			f.Write(text[:len(text)/2])
			time.Sleep(50 * time.Millisecond)
			f.Write(text[len(text)/2:])
			f.Close()
		}
	}()
	var last watching.Frame
	n := 0
	setup := watching.Setup{Footing: footing, Axle: 1, Cameras: []watching.Camera{{Source: src, CameraSpec: live.CameraSpec{Lens: &w.Lens}}}}
	setup.SettleFrames = 2
	if err := watching.Run(t.Context(), setup, func(f watching.Frame) error {
		last = f
		if n++; n == 3 {
			return errEnough
		}
		return nil
	}); err != errEnough {
		t.Fatal(err)
	}
	if last.State != live.Settled || len(last.Readings) != 2 || len(warned) != 1 {
		t.Errorf("%+v, warned %q", last, warned)
	}
}

// The screen shows every reading large where there is room, its band, verdict and
// state in words and shapes, and fits.
func TestWatchScreen(t *testing.T) {
	low, high := 0.0, 0.2
	w := watchedFrame{State: live.Settled, Say: "settled for 12 s", Rate: 29.8, Readings: []watchedReading{
		{Quantity: align.Toe, Axle: 1, Side: align.Left, Value: -0.0421, U: 0.011, Unit: "deg", Target: &targetJSON{Target: 0.1, Low: &low, High: &high}, Verdict: align.Outside},
		{Quantity: align.Camber, Axle: 1, Side: align.Left, Value: 0.5, U: 0.02, Unit: "deg", Held: true},
	}, Boards: []watchedBoard{{"A", 0, live.Covered, 1}}}
	for _, size := range [][2]int{{80, 24}, {60, 12}, {120, 50}} {
		text := screenText("axle 1, front", w, size[0], size[1])
		for _, want := range []string{"SETTLED", "[#]", "toe left", "X OUTSIDE", "± 0.011 deg", "hidden: as last seen", "A hidden", "settled for 12 s"} {
			if !strings.Contains(text, want) {
				t.Errorf("%v: no %q in\n%s", size, want, text)
			}
		}
		if n := strings.Count(text, "\n"); n > size[1] {
			t.Errorf("%v: %d lines", size, n)
		}
		if large := strings.Contains(text, "█"); large != (size[1] >= 21) {
			t.Errorf("%v: large %t", size, large)
		}
	}
}
