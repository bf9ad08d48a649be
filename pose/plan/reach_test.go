package plan_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose"
	"wheelplane/pose/plan"
)

var layouts = []struct {
	name string
	turn float64 // deg, as the scene rolls
}{{"yard-truck", 30}, {"harbour-car", 35}, {"island-bus", 30}, {"five-axle", 30}}

func planned(t *testing.T, name string, turn, wanted float64) (*fixtures.Scene, *plan.Plan) {
	t.Helper()
	s, err := fixtures.NewScene(name, 21, 4000)
	if err != nil {
		t.Fatal(err)
	}
	p, err := plan.Make(s.Job, s.Camera, plan.Options{Wanted: wanted * degree, Turn: turn * degree})
	if err != nil {
		t.Fatal(err)
	}
	return s, p
}

// wander takes n photographs at each station from anywhere around the vehicle,
// aimed at any board that faces the camera: as one who was told nothing.
func wander(s *fixtures.Scene, p *plan.Plan, n int, r *rand.Rand) []plan.Shot {
	var out []plan.Shot
	axles := s.Job.Vehicle.Axles
	length := axles[len(axles)-1].Position
	middle := axles[s.Job.Vehicle.Reference-1].Position - length/2
	for st := range s.Job.Stations {
		for taken := 0; taken < n; {
			a, d := 2*math.Pi*r.Float64(), 1.5+2.5*r.Float64()
			at := pose.Vec{middle + (length/2+1+d)*math.Cos(a), (1 + d) * math.Sin(a), 0.8 + 1.2*r.Float64()}
			aim := pose.Vec{middle + (r.Float64()-0.5)*(length+2), math.Copysign(1, at[1]), 0.5}
			if shot, ok := plan.Look(p.Job, p.State, p.State.Camera, plan.Detector{}, st, at, aim, r.Float64() < 0.3); ok {
				out = append(out, shot)
				taken++
			}
		}
	}
	return out
}

// A plan reaches what it reaches; twice as many photographs from anywhere, of
// which each shows two boards or more, do not.
func TestPlanAgainstWalk(t *testing.T) {
	for _, l := range layouts {
		s, p := planned(t, l.name, l.turn, 0.02)
		r := rand.New(rand.NewPCG(8, 8))
		reached, walks := 0, 5
		var got []float64
		for range walks {
			n := int(math.Ceil(2 * float64(len(p.Shots)) / float64(len(s.Job.Stations))))
			u, err := plan.Expect(s.Job, s.Camera, p.State, wander(s, p, n, r))
			if err != nil { // torn apart: no answer at all
				got = append(got, math.Inf(1))
				continue
			}
			got = append(got, plan.Worst(u)/degree)
			if plan.Worst(u) <= p.Worst {
				reached++
			}
		}
		t.Logf("%s: planned %d photographs, %.4f deg; twice as many anywhere: %.4f", l.name, len(p.Shots), p.Worst/degree, got)
		if reached > 0 {
			t.Errorf("%s: %d of %d walks of twice as many photographs are as good as the plan", l.name, reached, walks)
		}
	}
}

// From a quarter of the photographs, taken anywhere, the next best ones lead to
// what the plan reaches with 1.3 times its number at most.
func TestNextBest(t *testing.T) {
	list := layouts
	if testing.Short() {
		list = list[:1]
	}
	for _, l := range list {
		s, p := planned(t, l.name, l.turn, 0.02)
		n := max(1, len(p.Shots)/4/len(s.Job.Stations))
		start := wander(s, p, n, rand.New(rand.NewPCG(5, 5)))
		job, state, obs := plan.WithShots(s.Job, p.State, start)
		used := make([]bool, len(start))
		for i := range used {
			used[i] = true
		}
		most := int(1.3 * float64(len(p.Shots)))
		_, worst, err := plan.Next(job, s.Camera, state, obs, used, most, plan.Options{Wanted: p.Worst, Turn: l.turn * degree})
		if err != nil {
			t.Fatal(err)
		}
		count := -1
		for i, u := range worst {
			if u <= p.Worst*1.0001 {
				count = len(start) + i + 1
				break
			}
		}
		t.Logf("%s: planned %d; from %d anywhere by the next best: %d", l.name, len(p.Shots), len(start), count)
		if count < 0 || count > most {
			t.Errorf("%s: next best does not reach the plan's %.4f deg with %d photographs", l.name, p.Worst/degree, most)
		}
	}
}

// Planning five axles is to take less than five seconds on two cores.
func BenchmarkPlanFiveAxles(b *testing.B) {
	s, err := fixtures.NewScene("five-axle", 3, 4000)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := plan.Make(s.Job, s.Camera, plan.Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
