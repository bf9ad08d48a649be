package rig_test

import (
	"math"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// The shares of a budget come from single rows, the uncertainty from the inverse
// of their sum: squares must agree to rounding, for every scene.
func TestBudgetAddsUp(t *testing.T) {
	for k, name := range fixtures.SceneNames() {
		seed := uint64(700 + k)
		s := newScene(t, name[0], seed)
		s.Shape(0.0003, 0.0003)
		s.Wander(0.0005, 2)
		obs := s.DrawCorners(0.03, maxOblique, seed)
		epochs, shares, err := rig.Budget(s.Job, s.Camera, obs, s.Truth)
		if err != nil {
			t.Fatalf("scene %s seed %d: %v", name[0], seed, err)
		}
		bound, err := rig.Bound(s.Job, s.Camera, obs, s.Truth)
		if err != nil {
			t.Fatal(err)
		}
		used := make([]bool, len(rig.Sources))
		for e, set := range epochs {
			for i, r := range set.Readings {
				sum := 0.0
				for x, u := range shares[e][i] {
					sum += u * u
					used[x] = used[x] || u > 1e-3*set.U(i)
				}
				if u := bound[e].U(i); math.Abs(math.Sqrt(sum)-u) > 1e-5*u {
					t.Errorf("scene %s seed %d: %v: shares add up to %g, its uncertainty is %g", name[0], seed, r, math.Sqrt(sum), u)
				}
			}
		}
		if (s.Job.Kingpin != nil) != used[9] {
			t.Errorf("scene %s: a share of the kingpin: %v", name[0], used[9])
		}
	}
}

// By another road: a source made smaller takes its share of the variance away
// with it, to first order. Here by a part in a thousand.
func TestBudgetIsWhatGoesAway(t *testing.T) {
	s := newScene(t, "yard-truck", 5)
	s.Shape(0.0003, 0.0003)
	s.Wander(0.0005, 2)
	obs := s.DrawCorners(0.03, maxOblique, 5)
	now, shares, err := rig.Budget(s.Job, s.Camera, obs, s.Truth)
	if err != nil {
		t.Fatal(err)
	}
	const less = 1 - 1e-3
	for x, source := range rig.Sources {
		job, camera := s.Job.Clone(), s.Camera
		p := &job.Priors
		switch source {
		case rig.FromCamera:
			cov := *camera.Cov
			for i := range cov {
				for k := range cov {
					cov[i][k] *= less * less
				}
			}
			camera.Cov = &cov
		case rig.FromWander:
			p.WanderFocal, p.WanderCentre = p.WanderFocal*less, p.WanderCentre*less
		case rig.FromPrint:
			p.PrintScale, p.PrintSpread = p.PrintScale*less, p.PrintSpread*less
		case rig.FromFlatness:
			p.BoardFlatness *= less
		case rig.FromFloor:
			p.FloorFlatness, p.FloorTilt = p.FloorFlatness*less, p.FloorTilt*less
		case rig.FromMount:
			p.MountTilt, p.MountOffset = p.MountTilt*less, p.MountOffset*less
		case rig.FromStandoff:
			p.StandoffU *= less
		default:
			continue
		}
		then, err := rig.Bound(job, camera, obs, s.Truth)
		if err != nil {
			t.Fatal(err)
		}
		for i, r := range now[0].Readings {
			if r.Quantity == align.Runout {
				continue
			}
			u, v := now[0].U(i), then[0].U(i)
			got, want := (u*u-v*v)/(2e-3*u*u), shares[0][i][x]*shares[0][i][x]/(u*u)
			if math.Abs(got-want) > 0.003 {
				t.Errorf("%s of %v: %.4f of the variance goes away with it, its share is %.4f", source, r, got, want)
			}
		}
	}
}
