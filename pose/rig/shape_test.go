package rig_test

import (
	"math"
	"strings"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// angleU is the mean of the standard uncertainties of toe, camber and scrub,
// degrees.
func angleU(sol *rig.Solution) (u [3]float64) {
	for k, q := range []align.Quantity{align.Toe, align.Camber, align.ScrubAngle} {
		n := 0.0
		for i, r := range sol.Readings[0].Readings {
			if r.Quantity == q {
				u[k] += sol.Readings[0].U(i) / degree
				n++
			}
		}
		u[k] /= n
	}
	return u
}

// trial solves scenes of some seeds from whole boards good to sigmaPx and returns
// the mean square of their normalised errors, the mean u of toe, camber and scrub,
// and the last solution with its scene.
func trials(t *testing.T, count uint64, sigmaPx float64, change func(s *fixtures.Scene)) (ms float64, u [3]float64, s *fixtures.Scene, sol *rig.Solution) {
	t.Helper()
	n := 0
	for seed := range seeds(count) {
		s = newScene(t, "yard-truck", seed)
		change(s)
		sol = solve(t, s, together(s, sigmaPx, seed))
		holds(t, s, sol, 4)
		for _, e := range normalised(t, s, sol) {
			ms += e * e
			n++
		}
		for k, x := range angleU(sol) {
			u[k] += x / float64(count)
		}
	}
	return ms / float64(n), u, s, sol
}

// TestShapes: boards bowed by 0.3 mm and printed 0.2 % too long in one direction
// are found to be, and readings stay true; and what it costs to allow for it where
// boards are flat and right.
func TestShapes(t *testing.T) {
	const count, sigmaPx = 4, 0.01
	_, flat, _, _ := trials(t, count, sigmaPx, func(s *fixtures.Scene) {})
	allow := func(s *fixtures.Scene) {
		s.Job.Priors.PrintScale = rig.DefaultPriors().PrintScale
		s.Job.Priors.PrintSpread, s.Job.Priors.BoardFlatness = 0.0003, 0.0003
	}
	_, allowed, _, _ := trials(t, count, sigmaPx, allow)
	ms, bowed, s, sol := trials(t, count, sigmaPx, func(s *fixtures.Scene) {
		s.Shape(0.0003, 0.0003)
		s.Truth.PrintScale[0] += 0.002
		allow(s)
	})
	t.Logf("u of toe, camber, scrub (degrees): %.4f of flat boards taken as flat, %.4f with shapes allowed for, %.4f of bowed boards; mean square %.2f", flat, allowed, bowed, ms)
	for k := range flat {
		if allowed[k] > 1.06*flat[k] || bowed[k] > 1.08*flat[k] {
			t.Errorf("u %v becomes %v where shapes are allowed for and %v where they are there", flat, allowed, bowed)
		}
	}
	if ms > 2 {
		t.Errorf("mean square of normalised errors %.2f", ms)
	}
	if p := sol.Network.PrintScale[0]; math.Abs(p.Value-s.Truth.PrintScale[0]) > 4*p.U {
		t.Errorf("print scale %+v, want %.5f", p, s.Truth.PrintScale[0])
	}
	if len(sol.Network.Boards) != len(s.Job.Boards) {
		t.Fatalf("the result tells of %d boards of %d", len(sol.Network.Boards), len(s.Job.Boards))
	}
	sum := 0.0
	for b, found := range sol.Network.Boards {
		for i, x := range found.BowMM {
			e := (x.Value - 1e3*s.Truth.Shapes[b].Bow[i]) / x.U
			if sum += e * e; !(math.Abs(e) < 4) || x.U > 0.15 {
				t.Errorf("board %s is bowed by %+v, truly by %.3f mm", found.Board, x, 1e3*s.Truth.Shapes[b].Bow[i])
			}
		}
	}
	if ms := sum / float64(3*len(s.Job.Boards)); ms < 0.5 || ms > 1.7 {
		t.Errorf("mean square of the normalised errors of bows %.2f", ms)
	}
	if strings.Contains(strings.Join(sol.Warnings, "\n"), "bowed") {
		t.Errorf("warnings: %q", sol.Warnings)
	}
}

// TestBowedBoard: a board that is bowed by more than it should be is named.
func TestBowedBoard(t *testing.T) {
	_, _, _, sol := trials(t, 1, 0.02, func(s *fixtures.Scene) {
		s.Shape(0.0003, 0.0003)
		s.Truth.Shapes[2].Bow = [3]float64{0.0018, 0.0002, -0.0004}
	})
	w := strings.Join(sol.Warnings, "\n")
	if !strings.Contains(w, "boards that are bowed: C by 1.8 mm;") || !strings.Contains(w, "straighten C") {
		t.Errorf("warnings: %q", sol.Warnings)
	}
}

// TestUnseenShapes: one station, few photographs: the priors keep every board's
// shape from running away, and the readings are as uncertain as without.
func TestUnseenShapes(t *testing.T) {
	var u [2]float64
	for k := range u {
		s := newScene(t, "first-look", 1)
		if k == 1 {
			s.Shape(0.0003, 0.0003)
			s.Wander(0.0005, 2)
		}
		sol := solve(t, s, together(s, 0.02, 1))
		holds(t, s, sol, 3.5)
		u[k] = sol.Readings[0].U(sol.Readings[0].Find(align.Toe, 2, align.Left))
	}
	if math.Abs(u[1]/u[0]-1) > 0.02 {
		t.Errorf("u of toe %.4f degrees becomes %.4f", u[0]/degree, u[1]/degree)
	}
}

// TestWander: a camera whose centre and focal length change from photo to photo is
// found to do so; readings stay true, and allowing for it costs little where it is
// steady. Not allowing for it where it is there is told.
func TestWander(t *testing.T) {
	const count, sigmaPx, focal, centre = 4, 0.01, 0.0005, 2.0
	_, steady, _, _ := trials(t, count, sigmaPx, func(s *fixtures.Scene) {})
	_, allowed, _, sol := trials(t, count, sigmaPx, func(s *fixtures.Scene) {
		s.Job.Priors.WanderFocal, s.Job.Priors.WanderCentre = focal, centre
	})
	if w := sol.Network.CameraWander; w.CentrePx.Value > 0.3 || w.Focal.Value > 0.0002 {
		t.Errorf("a steady camera is found to wander by %+v", w)
	}
	ms, wandering, s, sol := trials(t, count, sigmaPx, func(s *fixtures.Scene) { s.Wander(focal, centre) })
	t.Logf("u of toe, camber, scrub (degrees): %.4f of a steady camera, %.4f where wander is allowed for, %.4f where it is there; mean square %.2f, found %+v", steady, allowed, wandering, ms, *sol.Network.CameraWander)
	for k := range steady {
		if allowed[k] > 1.7*steady[k] || wandering[k] > 1.8*steady[k] {
			t.Errorf("u %v becomes %v where wander is allowed for and %v where it is there", steady, allowed, wandering)
		}
	}
	if ms > 2 {
		t.Errorf("mean square of normalised errors %.2f", ms)
	}
	if w := sol.Network.CameraWander; math.Abs(w.CentrePx.Value/centre-1) > 0.3 || math.Abs(w.Focal.Value/focal-1) > 0.3 {
		t.Errorf("found %+v, drawn with %g and %g px", w, focal, centre)
	}
	// Of one photo.
	for p, w := range sol.State.Wanders {
		if d := math.Abs(w.Centre[0] - s.Truth.Wanders[p].Centre[0]); d > 6*sol.Network.CameraWander.CentrePx.U+0.5 {
			t.Errorf("photo %d: centre %.2f px off, truly %.2f", p, w.Centre[0], s.Truth.Wanders[p].Centre[0])
		}
	}
	_, _, _, sol = trials(t, 1, sigmaPx, func(s *fixtures.Scene) {
		s.Wander(focal, 3*centre)
		s.Job.Priors.WanderCentre = centre
	})
	if w := strings.Join(sol.Warnings, "\n"); !strings.Contains(w, "the camera changed from photo to photo, its centre by ") || !strings.Contains(w, "enter camera_wander: centre_px") {
		t.Errorf("warnings: %q", sol.Warnings)
	}
}

// TestStateCorner: a corner of a board as it is, by hand.
func TestStateCorner(t *testing.T) {
	s := newScene(t, "yard-truck", 1)
	b := s.Job.Boards[1]
	state := rig.State{PrintScale: [2]float64{1.01, 0.98}, Shapes: []rig.Shape{{}, {Stretch: [2]float64{0.001, -0.002}, Bow: [3]float64{0.003, 0.001, 0.002}}}}
	// 7 × 5 squares of 55 mm: the first corner is 2.5 squares left of the middle
	// and 1.5 above it, u = −5/7, v = 3/5.
	u, v := -5./7, 3./5
	want := pose.Vec{-2.5 * 0.055 * 1.01 * 1.001, 1.5 * 0.055 * 0.98 * 0.998, 0.003*(u*u-1./3) + 0.001*(v*v-1./3) + 0.002*u*v}
	if got := state.Corner(b, 1, 0); pose.Norm(pose.Sub(got, want)) > 1e-15 {
		t.Errorf("corner at %v, want %v", got, want)
	}
	if got := state.Corner(b, 0, 0); got[2] != 0 || math.Abs(got[0]+2.5*0.055*1.01) > 1e-15 {
		t.Errorf("corner of a flat board at %v", got)
	}
}
