package plan_test

import (
	"context"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"wheelplane/pose/plan"
	"wheelplane/pose/rig"
)

// Photographs from one place tell of each other's errors, and a plan counts them as
// the solver does: each shot of a plan is taken three times within some centimetres,
// and what is foretold of them is what solving them states.
func TestFromOnePlace(t *testing.T) {
	s, p := planned(t, "harbour-car", 35, 0.02)
	once, err := plan.Expect(s.Job, s.Camera, p.State, p.Shots)
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(3, 3))
	var shots []plan.Shot
	for _, shot := range p.Shots {
		for range 3 {
			camera := shot.CameraFromFloor
			for i := range camera.T {
				camera.T[i] += 0.01 * r.NormFloat64()
			}
			shots = append(shots, plan.Through(s.Job, p.State, s.Camera, plan.Detector{}, shot.Station, camera))
		}
	}
	thrice, err := plan.Expect(s.Job, s.Camera, p.State, shots)
	if err != nil {
		t.Fatal(err)
	}
	job, _, obs := plan.WithShots(s.Job, p.State, shots)
	sol, err := rig.Solve(context.Background(), job, s.Camera, shaken(obs, r), rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for quantity, list := range agreement(thrice, sol.Readings) {
		lo, hi := slices.Min(list), slices.Max(list)
		t.Logf("%s: foretold over found %.3f to %.3f", quantity, lo, hi)
		if lo < 0.93 || hi > 1.07 {
			t.Errorf("%s: foretold over found %.3f to %.3f", quantity, lo, hi)
		}
	}
	// Scrub hangs on the photographs alone: three are worth 3 / (1 + 2/4) = 2.
	scrub := func(list []rig.EpochReadings) (u float64) {
		for i, x := range list[0].Readings {
			if x.Quantity == "scrub_angle" {
				u = math.Max(u, list[0].U(i))
			}
		}
		return u
	}
	gain := scrub(once) / scrub(thrice)
	t.Logf("scrub: %.5f degrees, thrice %.5f, %.3f times as well known", scrub(once)/degree, scrub(thrice)/degree, gain)
	if math.Abs(gain-math.Sqrt2) > 0.06 {
		t.Errorf("three photographs from each place tell scrub %.3f times as well as one, not %.3f", gain, math.Sqrt2)
	}
}

// What is foretold of the next best photographs is what a job with them states, where
// some were taken three times from one place, and clamps and floor leave it to the
// photographs.
func TestNextFromOnePlace(t *testing.T) {
	s, p := planned(t, "harbour-car", 35, 0.02)
	s.Job.Priors.FloorFlatness, s.Job.Priors.StandoffU = 1e-5, 1e-5
	var shots []plan.Shot
	for i, shot := range p.Shots {
		if shots = append(shots, shot); i%2 == 0 {
			shots = append(shots, shot, shot)
		}
	}
	job, state, obs := plan.WithShots(s.Job, p.State, shots)
	used := make([]bool, len(job.Photos))
	for i := range used {
		used[i] = true
	}
	next, then, err := plan.Next(job, s.Camera, state, obs, used, 6, plan.Options{Wanted: 0.0001 * degree})
	if err != nil {
		t.Fatal(err)
	}
	for i, shot := range next {
		shots = append(shots, shot)
		list, err := plan.Expect(s.Job, s.Camera, p.State, shots)
		if err != nil {
			t.Fatal(err)
		}
		found := plan.Worst(list) / degree
		t.Logf("%d photographs: foretold %.6f degrees, a job with them has %.6f", len(shots), then[i]/degree, found)
		if math.Abs(then[i]/degree/found-1) > 0.005 {
			t.Errorf("%d photographs: foretold %.6f degrees, a job with them has %.6f", len(shots), then[i]/degree, found)
		}
	}
}
