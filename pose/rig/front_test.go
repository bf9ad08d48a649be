package rig_test

import (
	"slices"
	"strings"
	"testing"

	"wheelplane/pose/align"
)

// An epoch whose photographs do not show the front axle has no centreline: what is read
// against it is not told, and the result says why. What needs none is as in an epoch
// that shows all.
func TestEpochWithoutFrontAxle(t *testing.T) {
	s := newScene(t, "adjusted", 1)
	obs := s.DrawCorners(0.03, maxOblique, 1)
	whole := solve(t, s, obs)
	last := len(s.Job.Epochs) - 1
	if last < 1 {
		t.Fatal("the scene has one epoch")
	}
	front := map[int]bool{}
	for _, h := range s.Job.Hangs {
		if h.Wheel.Axle == 1 {
			front[h.Board] = true
		}
	}
	kept := obs[:0]
	for _, o := range obs {
		if s.Job.Stations[s.Job.Photos[o.Photo].Station].Epoch != s.Job.Epochs[last].Name || !front[o.Board] {
			kept = append(kept, o)
		}
	}
	sol := solve(t, s, kept)
	dependent := []align.Quantity{align.Toe, align.AxleHeading, align.ThrustAngle, align.AxleOffset, align.Wheelbase, align.TravelDirection}
	n := 0
	for i, r := range sol.Readings[last].Readings {
		if slices.Contains(dependent, r.Quantity) {
			t.Errorf("told without a centreline: %v", r)
		}
		if r.Quantity == align.TotalToe || r.Quantity == align.ScrubAngle {
			n++
			k := whole.Readings[last].FindLike(r)
			if d := r.Value - whole.Readings[last].Readings[k].Value; d*d > 4*sol.Readings[last].Cov.At(i, i) {
				t.Errorf("%v is %g off what all photographs tell", r, d)
			}
		}
	}
	if n < 2 {
		t.Errorf("%d readings that need no centreline: %v", n, sol.Readings[last].Readings)
	}
	if said := strings.Join(sol.Warnings, "\n"); !strings.Contains(said, "axle 1 is not read on both sides") {
		t.Errorf("it does not say why: %s", said)
	}
	if said := strings.Join(whole.Warnings, "\n"); strings.Contains(said, "not read on both sides") {
		t.Errorf("all photographs: %s", said)
	}
}
