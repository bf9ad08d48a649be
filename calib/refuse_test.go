package calib

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"wheelplane/vision"
)

// Photographs that cannot fix a camera are refused, and what to add is said.
func TestTooWeak(t *testing.T) {
	plain := simulation{camera: phone(), board: a3Board(), views: 12, noisePx: 0.1}
	views := func(change func(*simulation)) []View {
		s := plain
		change(&s)
		v, _ := s.run(3)
		return v
	}
	for _, c := range []struct {
		name   string
		views  []View
		reason string // in the error
		advice string
	}{
		{"none", nil, "0 photographs", "10 to 20 times"},
		{"one", views(func(s *simulation) { s.views = 1 }), "1 photograph", "10 to 20 times"},
		{"two", views(func(s *simulation) { s.views = 2 }), "2 photographs, at least 3", "10 to 20 times"},
		{"straight on", views(func(s *simulation) { s.flat = true; s.noisePx = 1e-6 }), "straight on", "tilted by 20 to 45 degrees"},
		{"straight on, with noise", views(func(s *simulation) { s.flat = true; s.noisePx = 0.3 }), "", "tilted"},
		{"one tilt", views(func(s *simulation) { s.sameTilt = true; s.views = 3; s.noisePx = 20 }), "focal length stays uncertain", "tilted 20 to 45 degrees to the left"},
		{"three corners each", first(views(func(*simulation) {}), 3), "0 photographs", "10 to 20 times"},
		{"one line each", line(views(func(*simulation) {})), "0 photographs", "10 to 20 times"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := Calibrate(t.Context(), c.views, 4000, 3000, Options{})
			var weak *TooWeak
			if !errors.As(err, &weak) || r != nil {
				t.Fatalf("got %v, want a refusal", err)
			}
			if !strings.Contains(weak.Reason, c.reason) || !strings.Contains(weak.Advice, c.advice) {
				t.Errorf("reason %q, advice %q; want %q and %q in them", weak.Reason, weak.Advice, c.reason, c.advice)
			}
			if strings.Contains(err.Error(), "\n") {
				t.Errorf("more than one line: %q", err)
			}
		})
	}
}

// first keeps the first n corners of each view.
func first(views []View, n int) []View {
	for i := range views {
		views[i].Corners = views[i].Corners[:min(n, len(views[i].Corners))]
	}
	return views
}

// line keeps one row of corners of each view.
func line(views []View) []View {
	for i := range views {
		var keep []vision.Corner
		for _, c := range views[i].Corners {
			if c.Index < views[i].Board.Cols-1 {
				keep = append(keep, c)
			}
		}
		views[i].Corners = keep
	}
	return views
}

// A view with impossible numbers is left out by name; the others calibrate.
func TestBadView(t *testing.T) {
	s := simulation{camera: phone(), board: a3Board(), views: 10, noisePx: 0.1}
	for name, spoil := range map[string]func(c []vision.Corner){
		"corner 99 is not on the board": func(c []vision.Corner) { c[2].Index = 99 },
		"twice":                         func(c []vision.Corner) { c[2].Index = c[3].Index },
		"no usable covariance":          func(c []vision.Corner) { c[2].Cov = [3]float64{} },
		"no position":                   func(c []vision.Corner) { c[2].Px[0] = math.NaN() },
		"do not lie as on the board": func(c []vision.Corner) { // of another world
			rng := rand.New(rand.NewPCG(1, 2))
			for i := range c {
				c[i].Px = [2]float64{4000 * rng.Float64(), 3000 * rng.Float64()}
			}
		},
	} {
		views, _ := s.run(6)
		spoil(views[4].Corners)
		r, err := Calibrate(t.Context(), views, 4000, 3000, Options{})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if len(r.Views) != 9 || len(r.Warnings) != 1 || !strings.Contains(r.Warnings[0], "photo04.jpg") || !strings.Contains(r.Warnings[0], name) {
			t.Errorf("%s: %d views, warnings %q", name, len(r.Views), r.Warnings)
		}
	}
}

// A view that is right by itself but of another lens loses its corners, and is
// left out.
func TestForeignView(t *testing.T) {
	s := simulation{camera: phone(), board: a3Board(), views: 12, noisePx: 0.1}
	views, _ := s.run(6)
	for i := range views[4].Corners {
		px := &views[4].Corners[i].Px
		dx, dy := (px[0]-2000)/1000, (px[1]-1500)/1000
		r2 := dx*dx + dy*dy
		px[0] += 300 * dx * r2 * dx
		px[1] += 300 * dy * r2 * dx
	}
	r, err := Calibrate(t.Context(), views, 4000, 3000, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Views) != 11 || len(r.Warnings) != 1 || !strings.Contains(r.Warnings[0], "photo04.jpg: fewer than 6 of its corners fit") {
		t.Errorf("%d views, warnings %q", len(r.Views), r.Warnings)
	}
	if z := (r.Camera.FX - 2920) / math.Sqrt(r.Camera.Cov[0][0]); math.Abs(z) > 3.5 {
		t.Errorf("fx is off by %.1f of its uncertainty", z)
	}
}

// Wrong corners are rejected, right ones are not.
func TestRejects(t *testing.T) {
	s := simulation{camera: phone(), board: a3Board(), views: 12, noisePx: 0.1}
	views, _ := s.run(8)
	wrong := map[[2]int]bool{}
	for k := range 15 {
		v, c := k%12, (5*k)%len(views[k%12].Corners)
		views[v].Corners[c].Px[k%2] += 1.5 + 0.5*float64(k)
		wrong[[2]int{v, c}] = true
	}
	r, err := Calibrate(t.Context(), views, 4000, 3000, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for v := range r.Views {
		for c, res := range r.Views[v].Residuals {
			if res.Rejected != wrong[[2]int{v, c}] {
				t.Errorf("view %d corner %d: rejected %v", v, c, res.Rejected)
			}
		}
	}
	if r.Rejected != len(wrong) {
		t.Errorf("%d rejected, want %d", r.Rejected, len(wrong))
	}
}

// Whatever the corners, the answer is a camera or an error: OpenCV ends the
// program on what it cannot digest.
func TestNonsense(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	board := a3Board()
	for n := range 36 {
		var views []View
		for range 3 + rng.IntN(3) {
			v := View{Name: "x", Board: board}
			for i := range board.NumCorners() {
				px := [2]float64{4000 * rng.Float64(), 3000 * rng.Float64()}
				q := board.Corner(i)
				switch n % 6 {
				case 1: // all on one spot
					px = [2]float64{2000, 1500}
				case 2: // all on one line
					px[1] = 2*px[0] + 3
				case 3: // a map with a pole inside the board
					px = [2]float64{2000 + 100*q[0]/(q[1]+0.003), 1500 + 100/(q[1]+0.003)}
				case 4: // mirrored
					px = [2]float64{2000 - 9000*q[0] + rng.Float64(), 1500 - 9000*q[1] + rng.Float64()}
				case 5: // huge
					px = [2]float64{1e12 * rng.Float64(), 1e12 * rng.Float64()}
				}
				v.Corners = append(v.Corners, vision.Corner{Index: i, Px: px, Cov: [3]float64{0.01, 0, 0.01}})
			}
			views = append(views, v)
		}
		if _, _, err := Start(views, 4000, 3000); err == nil && n%6 == 1 {
			t.Error("a start from corners on one spot")
		}
		r, err := Calibrate(context.Background(), views, 4000, 3000, Options{})
		if err == nil {
			for _, v := range r.Camera.Intrinsics() {
				if math.IsNaN(v) {
					t.Errorf("case %d: a camera that is not a number", n%6)
				}
			}
		}
	}
}

// OpenCV's last digits differ from run to run; what goes on from them does not.
func TestStartIsSinglePrecision(t *testing.T) {
	s := simulation{camera: phone(), board: a3Board(), views: 6, noisePx: 0.1}
	views, _ := s.run(1)
	cam, poses, err := Start(views, s.camera.Width, s.camera.Height)
	if err != nil {
		t.Fatal(err)
	}
	k := cam.Intrinsics()
	all := slices.Clone(k[:])
	for _, p := range poses {
		all = append(all, p.T[:]...)
	}
	for i, v := range all {
		if v != float64(float32(v)) {
			t.Errorf("value %d of the start, %v, has more digits than single precision", i, v)
		}
	}
}

func TestVerdict(t *testing.T) {
	s := simulation{camera: phone(), board: a3Board(), views: 40, noisePx: 0.1}
	views, poses := s.run(2)
	r, err := calibrateFrom(t.Context(), views, s.camera, poses, Options{}, &Result{})
	if err != nil {
		t.Fatal(err)
	}
	if v := r.Variety; v.Views != 40 || !v.Good() || v.Verdict() != "the photographs are varied enough" {
		t.Errorf("40 views all over the place: %q, %+v", v.Verdict(), v.Checks)
	}
	// Only those in the left half of the frame, upright, from afar.
	var half []View
	for i, v := range views {
		right := false
		for _, c := range v.Corners {
			right = right || c.Px[0] > 2300
		}
		if !right {
			half = append(half, views[i])
		}
	}
	r, err = Calibrate(t.Context(), half, 4000, 3000, Options{MaxFocalError: 1})
	if err != nil {
		t.Fatal(err)
	}
	if v := r.Variety; v.Good() || v.Covered > 0.6 || !strings.Contains(v.Verdict(), "coverage") || !strings.Contains(v.Advice(), "where it was not yet") {
		t.Errorf("%d views on the left: %q, %+v", len(half), v.Verdict(), v.Checks)
	}
}
