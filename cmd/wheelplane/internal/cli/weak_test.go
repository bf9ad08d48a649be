package cli

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"wheelplane/cmd/wheelplane/internal/spec"
	"wheelplane/fixtures"
	"wheelplane/pose/align"
	"wheelplane/pose/plan"
	"wheelplane/pose/rig"
)

// weakIn solves a scene from drawn corners, those that keep does not drop, and
// tells what is weak.
func weakIn(t *testing.T, name string, targets func([]rig.Reading) string, keep func(s *fixtures.Scene, o rig.Observation) bool) *rig.Weak {
	t.Helper()
	s, err := fixtures.NewScene(name, 3, 4000)
	if err != nil {
		t.Fatal(err)
	}
	obs := slices.DeleteFunc(s.DrawCorners(0.005, drawnOblique, 3), func(o rig.Observation) bool { return keep != nil && !keep(s, o) })
	solution, err := rig.Solve(context.Background(), s.Job, s.Camera, obs, rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if targets != nil {
		if err := os.WriteFile(filepath.Join(dir, spec.File), []byte(targets(rig.ForFiles(solution.Readings))), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	w, err := weakOf(&rig.Folder{Dir: dir, Job: s.Job}, &s.Camera, obs, solution, rig.ForFiles(solution.Readings))
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// Nothing is told of jobs that are fine.
func TestNothingWeak(t *testing.T) {
	for _, name := range []string{"yard-truck", "gravel-tipper", "semi-trailer", "sweep", "adjusted"} {
		if w := weakIn(t, name, nil, nil); w != nil {
			t.Errorf("%s: %s", name, weakText(w))
		}
	}
}

// A station with few photographs: what is weak, and the photographs that mend it,
// which are of that station and reach what is wanted.
func TestWeakStation(t *testing.T) {
	few := func(stations ...int) func(s *fixtures.Scene, o rig.Observation) bool {
		return func(s *fixtures.Scene, o rig.Observation) bool {
			st := s.Job.Photos[o.Photo].Station
			first := slices.IndexFunc(s.Job.Photos, func(p rig.Photo) bool { return p.Station == st })
			return !slices.Contains(stations, st) || o.Photo == first || o.Photo == first+6
		}
	}
	w := weakIn(t, "yard-truck", nil, few(2))
	if w == nil || len(w.Readings) == 0 || len(w.Photos) == 0 || w.Instead != "" {
		t.Fatalf("two photographs of the last station: %+v", w)
	}
	for _, r := range w.Readings {
		if r.WantedU != wantedDeg || r.U <= r.WantedU {
			t.Errorf("weak: %+v", r)
		}
	}
	for i, p := range w.Photos {
		if p.Station != "3" || len(p.Boards) < 2 || p.Where == "" || p.ThenU > w.WorstU || i > 1 {
			t.Errorf("photograph next: %+v", p)
		}
	}
	if text := weakText(w); !strings.Contains(text, "what is still weak: ") || !strings.Contains(text, "photograph next, station 3: stand ") || strings.Count(text, "\n") > 12 {
		t.Error(text)
	}
	// Axles that no photograph of it shows come before all, and with them in the next
	// photographs the readings are there again.
	w = weakIn(t, "yard-truck", nil, few(0, 2))
	if w == nil || !strings.Contains(w.Unchecked[0], "in no photograph of station 3") || len(w.Photos) != 2 || !(w.Photos[1].ThenU < 0.1*w.WorstU) {
		t.Errorf("axles not photographed: %+v", w)
	}
	// A wheel that one photograph alone shows comes first.
	seen := 0
	w = weakIn(t, "yard-truck", nil, func(s *fixtures.Scene, o rig.Observation) bool {
		if s.Job.Photos[o.Photo].Station == 2 && o.Board == s.Job.Hangs[0].Board {
			seen++
			return seen == 1
		}
		return true
	})
	if w == nil || len(w.Unchecked) != 1 || !strings.Contains(w.Unchecked[0], "in one photograph only at station 3") {
		t.Errorf("one photograph of a wheel: %+v", w)
	}
}

// Where photographs do not help, what does; with target values only what they leave
// undecided counts.
func TestWeakOtherwise(t *testing.T) {
	if w := weakIn(t, "first-look", nil, nil); w == nil || !strings.Contains(w.Instead, "roll the vehicle") || w.Photos != nil {
		t.Errorf("one station: %+v", w)
	}
	if w := weakIn(t, "harbour-car", nil, nil); w == nil || !strings.Contains(w.Instead, "floor") {
		t.Errorf("a floor that is not flat: %+v", w)
	}
	camber := func(tolerance func(r rig.Reading) float64) func([]rig.Reading) string {
		return func(list []rig.Reading) string {
			for _, r := range list {
				if r.Quantity == align.Camber && r.Axle == 1 && r.Side == align.Left {
					return fmt.Sprintf("name: x\nsource: made up\ntargets:\n  - {quantity: camber, axle: 1, side: left, target: 0 deg, tolerance: %.4f deg}\n", tolerance(r))
				}
			}
			return ""
		}
	}
	if w := weakIn(t, "harbour-car", camber(func(rig.Reading) float64 { return 8 }), nil); w != nil {
		t.Errorf("all decided: %+v", w)
	}
	// One standard uncertainty inside: 0.6 of it would decide, which half does.
	w := weakIn(t, "harbour-car", camber(func(r rig.Reading) float64 { return math.Abs(r.Value) + r.U }), nil)
	if w == nil || len(w.Readings) != 1 || math.Abs(w.Readings[0].WantedU/w.Readings[0].U-0.5) > 1e-9 {
		t.Errorf("undecided: %+v", w)
	}
	// At the limit nothing decides.
	w = weakIn(t, "harbour-car", camber(func(r rig.Reading) float64 { return math.Abs(r.Value) }), nil)
	if w == nil || w.Readings[0].WantedU != 0 || !strings.Contains(w.Instead, "at its limit") {
		t.Errorf("at the limit: %+v", w)
	}
}

// Only stations that the vehicle stands at are photographed next.
func TestNextAtStation(t *testing.T) {
	s, err := fixtures.NewScene("yard-truck", 3, 4000)
	if err != nil {
		t.Fatal(err)
	}
	obs := s.DrawCorners(0.03, drawnOblique, 3)
	used := make([]bool, len(s.Job.Photos))
	for p, photo := range s.Job.Photos {
		used[p] = photo.Station > 0 || p < 4 // the first station lacks photographs
	}
	for _, only := range [][]int{nil, {1}} {
		shots, _, err := plan.Next(s.Job, s.Camera, s.Truth, obs, used, 2, plan.Options{Stations: only})
		if err != nil || len(shots) != 2 {
			t.Fatalf("%d photographs, %v", len(shots), err)
		}
		for _, shot := range shots {
			if (shot.Station == 1) != (only != nil) {
				t.Errorf("stations %v: a photograph at %d", only, shot.Station)
			}
		}
	}
}
