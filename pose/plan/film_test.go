package plan_test

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"wheelplane/pose/plan"
	"wheelplane/pose/rig"
)

// What is foretold of more frames of a film knows how far its codec draws boards off:
// boards displaced as H.264 was measured to (DEVELOPERS.md, Films), solved, the next
// frames taken where they are said to help most, and solved again.
func TestNextOfFilm(t *testing.T) {
	const shift, warp = 0.026, 0.0125 // px
	s, p := planned(t, "harbour-car", 35, 0.02)
	s.FilmCamera(1920)
	state := *p.State
	state.Camera = s.Camera
	shoot := func(shots []plan.Shot) (out []plan.Shot) {
		for _, shot := range shots {
			out = append(out, plan.Through(s.Job, &state, s.Camera, plan.Detector{}, shot.Station, shot.CameraFromFloor))
		}
		return out
	}
	measured := func(shots []plan.Shot) (*rig.Job, *rig.Solution) {
		t.Helper()
		r := rand.New(rand.NewPCG(5, 5))
		job, _, obs := plan.WithShots(s.Job, &state, shots)
		for i := range job.Photos {
			job.Photos[i].Film = true
		}
		obs = shaken(obs, r)
		for _, o := range obs {
			b := &job.Boards[o.Board]
			w, h := b.Size()
			var a [6]float64
			for k := range a {
				if a[k] = r.NormFloat64() * warp; k < 2 {
					a[k] *= shift / warp
				}
			}
			for i := range o.Corners {
				q := b.Corner(o.Corners[i].Index)
				for k := range 2 {
					o.Corners[i].Px[k] += a[k] + a[2+k]*2*q[0]/w + a[4+k]*2*q[1]/h
				}
			}
		}
		sol, err := rig.Solve(context.Background(), job, s.Camera, obs, rig.Options{})
		if err != nil {
			t.Fatal(err)
		}
		return job, sol
	}
	shots := shoot(p.Shots)
	job, before := measured(shots)
	next, then, err := plan.Next(job, s.Camera, before.State, before.Observations(), before.Used, 6, plan.Options{Wanted: 0.001 * degree})
	if err != nil {
		t.Fatal(err)
	}
	_, after := measured(append(shots, shoot(next)...))
	was, told, found := plan.Worst(before.Readings)/degree, then[len(then)-1]/degree, plan.Worst(after.Readings)/degree
	t.Logf("%.4f degrees of %d frames; %d more: foretold %.4f, found %.4f (ratio %.2f); codec %+v", was, len(shots), len(next), told, found, told/found, *after.Network.Codec)
	if math.Abs(told/found-1) > 0.15 {
		t.Errorf("foretold %.4f degrees, found %.4f", told, found)
	}
}
