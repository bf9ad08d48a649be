package plan_test

import (
	"math"
	"testing"
	"time"

	"wheelplane/fixtures"
	"wheelplane/pose/plan"
	"wheelplane/pose/rig"
)

const degree = math.Pi / 180

// drawn takes the photographs of a plan in a scene: from about where it says, a
// hand's breadth off, of a vehicle that is not nominal; and solves.
func drawn(t *testing.T, s *fixtures.Scene, p *plan.Plan) (u, expected float64, ratios []float64) {
	t.Helper()
	s.Job.Photos, s.Truth.Cameras = p.Job.Photos, nil
	for i := range p.Shots {
		s.Truth.Cameras = append(s.Truth.Cameras, p.State.Cameras[i])
	}
	s.Truth.FloorFromBoard = p.State.FloorFromBoard
	obs := s.DrawCorners(0.01, 70*degree, 3)
	predicted := p.Obs
	size := map[[2]int]float64{} // as the plan says the corners would be known
	for _, o := range predicted {
		size[[2]int{o.Photo, o.Board}] = o.Corners[0].Cov[0]
	}
	kept := obs[:0]
	for _, o := range obs {
		if v, ok := size[[2]int{o.Photo, o.Board}]; ok {
			for i := range o.Corners {
				o.Corners[i].Cov = [3]float64{v, 0, v}
			}
			kept = append(kept, o)
		}
	}
	real, err := rig.Predict(s.Job, s.Camera, kept, s.Truth)
	if err != nil {
		t.Fatal(err)
	}
	for e, set := range real {
		for i, r := range set.Readings {
			if k := p.Readings[e].FindLike(r); k >= 0 && plan.IsWanted(r) {
				ratios = append(ratios, p.Readings[e].U(k)/set.U(i))
			}
		}
	}
	return plan.Worst(real), p.Worst, ratios
}

func TestPlan(t *testing.T) {
	for name, turn := range map[string]float64{"yard-truck": 30, "harbour-car": 35, "five-axle": 30} {
		s, err := fixtures.NewScene(name, 11, 4000)
		if err != nil {
			t.Fatal(err)
		}
		begin := time.Now()
		p, err := plan.Make(s.Job, s.Camera, plan.Options{Wanted: 0.02 * degree, Turn: turn * degree})
		if err != nil {
			t.Fatal(err)
		}
		took := time.Since(begin)
		u, expected, ratios := drawn(t, s, p)
		t.Logf("%s: %d photographs, u %.4f, wanted 0.02 %v; in the scene %.4f; %.1f s", name, len(p.Shots), expected/degree, p.Met, u/degree, took.Seconds())
		for _, r := range ratios {
			if r < 0.85 || r > 1.15 {
				t.Errorf("%s: predicted over found %.3f", name, r)
			}
		}
	}
}
