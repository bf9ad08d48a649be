package plan_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"wheelplane/pose"
	"wheelplane/pose/plan"
)

// Whoever stands half a metre beside each place, in any direction, and aims at the
// boards that a steady plan names gets what was wanted, and nearly what the plan
// promises: a plan that tears loses several times as much.
func TestHalfAMetre(t *testing.T) {
	for _, name := range []string{"yard-truck", "semi-trailer"} {
		s := sceneOf(t, name)
		c, err := plan.Choose(s.Job, s.Camera, 0, plan.Options{Steady: true})
		if err != nil {
			t.Fatal(err)
		}
		r := rand.New(rand.NewPCG(4, 4))
		for range 5 {
			named, lost := 0, 0
			var shots []plan.Shot
			for _, x := range c.Shots {
				a := 2 * math.Pi * r.Float64()
				again, ok := plan.Retake(c.Job, c.State, s.Camera, plan.Detector{}, x, pose.Vec{0.5 * math.Cos(a), 0.5 * math.Sin(a), 0})
				if ok {
					shots = append(shots, again)
				}
				got := map[int]bool{}
				for _, b := range again.Boards {
					got[b] = true
				}
				for _, b := range x.Boards {
					named++
					if !got[b] {
						lost++
					}
				}
			}
			list, err := plan.Expect(c.Job, s.Camera, c.State, shots)
			if err != nil {
				t.Errorf("%s: %v", name, err)
				continue
			}
			worst := plan.Worst(list)
			t.Logf("%s: %d of %d boards lost, worst %.4f, planned %.4f", name, lost, named, worst/degree, c.Worst/degree)
			if 25*lost > named || worst > 1.2*c.Worst || worst > 0.015*degree {
				t.Errorf("%s: from half a metre beside %d of %d boards are lost; worst %.4f instead of %.4f degrees", name, lost, named, worst/degree, c.Worst/degree)
			}
		}
	}
}
