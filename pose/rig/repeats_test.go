package rig_test

import (
	"math"
	"testing"

	"wheelplane/pose"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// Every photograph taken once more from its place tells less than another from
// elsewhere would: of a board's variance, a quarter is common to both, so that two are
// worth 2/1.25 of one. From half a metre beside they are worth two. Held in runout,
// which hangs on corners alone.
func TestRepeatedPhotographs(t *testing.T) {
	runout := func(again bool, apart float64) float64 {
		s := newScene(t, "yard-truck", 2)
		if again {
			for p := range s.Job.Photos {
				photo, camera := s.Job.Photos[p], s.Truth.Cameras[p]
				photo.Path += ".again"
				// The camera's place moves along its own x.
				camera = pose.SE3{R: pose.Identity().R, T: pose.Vec{-apart, 0, 0}}.Mul(camera)
				s.Job.Photos, s.Truth.Cameras = append(s.Job.Photos, photo), append(s.Truth.Cameras, camera)
			}
		}
		sol, err := rig.Solve(t.Context(), s.Job, s.Camera, s.DrawCorners(0.03, maxOblique, 2), rig.Options{})
		if err != nil {
			t.Fatal(err)
		}
		sum, n := 0.0, 0.0
		for i, r := range sol.Readings[0].Readings {
			if r.Quantity == align.Runout {
				u := sol.Readings[0].U(i)
				sum, n = sum+u*u, n+1
			}
		}
		return sum / n
	}
	once := runout(false, 0)
	for _, c := range []struct{ apart, want float64 }{{0, 1.25 / 2}, {0.5, 1.0 / 2}} {
		got := runout(true, c.apart) / once
		t.Logf("%.1f m apart: variance %.3f of that of one photograph each, expected %.3f", c.apart, got, c.want)
		if math.Abs(got-c.want) > 0.05 {
			t.Errorf("%.1f m apart: variance is %.3f of that of one photograph each, want %.3f", c.apart, got, c.want)
		}
	}
}
