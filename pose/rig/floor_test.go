package rig_test

import (
	"math"
	"testing"

	"wheelplane/pose/rig"
)

// TestFloorShare: what a reading owes to the floor is what goes away if the whole
// network is built again with a floor thirty times flatter.
func TestFloorShare(t *testing.T) {
	for _, scene := range []string{"yard-truck", "jacked"} {
		s := newScene(t, scene, 2)
		obs := s.DrawCorners(0.02, maxOblique, 2)
		got, err := rig.FloorShares(s.Job, s.Camera, obs, s.Truth)
		if err != nil {
			t.Fatal(err)
		}
		flat, err := rig.Flatter(s.Job, s.Camera, obs, s.Truth, 30)
		if err != nil {
			t.Fatal(err)
		}
		most := 0.0
		for e := range got {
			for i := range got[e].Readings {
				u, v := got[e].U(i), flat[e].U(i)
				want := math.Sqrt(math.Max(0, u*u-v*v))
				most = math.Max(most, want/u)
				if math.Abs(got[e].UFloor[i]-want) > 1e-5*u+1e-4*want {
					t.Errorf("%s: %v: %g of u %g, want %g", scene, got[e].Readings[i], got[e].UFloor[i], u, want)
				}
			}
		}
		if most < 0.5 {
			t.Errorf("%s: the floor matters to no reading: at most %.2f", scene, most)
		}
	}
}
