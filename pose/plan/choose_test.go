package plan_test

import (
	"math"
	"slices"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose/plan"
)

func sceneOf(t testing.TB, name string) *fixtures.Scene {
	t.Helper()
	s, err := fixtures.NewScene(name, 3, 4000)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// Where the vehicle rolls, and where not: as the scenes' stops were made.
func TestRuns(t *testing.T) {
	for name, want := range map[string][][2]int{
		"yard-truck":    {{0, 2}},
		"first-look":    {{0, 0}},
		"gravel-tipper": {{0, 2}, {3, 5}}, // a pair is taken off and hung elsewhere
		"jacked":        {{0, 2}, {3, 3}, {4, 4}, {5, 5}},
		"adjusted":      {{0, 2}, {3, 3}, {4, 4}},
		"sweep":         {{0, 2}, {3, 3}, {4, 4}, {5, 5}, {6, 6}},
	} {
		if got := plan.Runs(sceneOf(t, name).Job); !slices.Equal(got, want) {
			t.Errorf("%s: runs %v, want %v", name, got, want)
		}
	}
}

// Boards hang where they hung when stations are added or left out.
func TestWithStations(t *testing.T) {
	job := sceneOf(t, "gravel-tipper").Job
	for n := 2; n <= 4; n++ {
		j := plan.WithStations(job, n)
		if err := j.Validate(); err != nil {
			t.Errorf("%d stations: %v", n, err)
		}
		if got, want := plan.Runs(j), [][2]int{{0, n - 1}, {n, 2*n - 1}}; !slices.Equal(got, want) {
			t.Errorf("%d stations: runs %v, want %v", n, got, want)
		}
		for i, h := range j.Hangs {
			for st := range j.Stations {
				if was := job.Hangs[i].Stations.Has(3 * (st / n)); h.Stations.Has(st) != was {
					t.Errorf("%d stations: board %d hangs at station %d: %v, want %v", n, h.Board, st, !was, was)
				}
			}
		}
	}
	if job = plan.WithStations(sceneOf(t, "first-look").Job, 3); len(job.Stations) != 3 || job.Stations[1].Name == job.Stations[2].Name {
		t.Errorf("a job of one station grows to %v", job.Stations)
	}
	if job = plan.WithStations(sceneOf(t, "adjusted").Job, 2); len(job.Stations) != 4 || job.Stations[2].Epoch != "tag axle squared" {
		t.Errorf("adjusted: %v", job.Stations)
	}
}

// A plan keeps what it is told, and chooses the rest: no more photographs than for
// a harder wish, boards along the sides rather than about the ends.
func TestChoose(t *testing.T) {
	s := sceneOf(t, "harbour-car")
	choose := func(stations int, o plan.Options) *plan.Choice {
		t.Helper()
		c, err := plan.Choose(s.Job, s.Camera, stations, o)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(c.Worst-plan.Worst(c.Readings)) > 1e-12 || c.Met != (c.Worst <= o.Wanted*(1+1e-6)) {
			t.Errorf("worst %g, met %v, of readings %g", c.Worst, c.Met, plan.Worst(c.Readings))
		}
		for i, u := range c.Trade[1:] {
			if u > c.Trade[i]*(1+1e-9) {
				t.Errorf("photograph %d makes the worst reading worse: %g after %g", i+2, u, c.Trade[i])
			}
		}
		return c
	}
	free := choose(0, plan.Options{Wanted: 0.015 * degree})
	if !free.Met || free.Stations != 3 || len(free.Job.Stations) != 3 {
		t.Errorf("met %v with %d stations, want 3: two leave open whether the car turned between them", free.Met, free.Stations)
	}
	easy := choose(0, plan.Options{Wanted: 0.1 * degree})
	if !easy.Met || easy.Stations != 2 || len(easy.Shots) >= len(free.Shots) {
		t.Errorf("0.1 degrees: met %v with %d stations and %d photographs, want 2 and fewer than %d", easy.Met, easy.Stations, len(easy.Shots), len(free.Shots))
	}
	told := choose(4, plan.Options{Wanted: 0.015 * degree, Turn: 45 * degree})
	if told.Stations != 4 || len(told.Job.Stations) != 4 || math.Abs(told.Turn-45*degree) > 1e-12 {
		t.Errorf("told 4 stations and 45 degrees: %d and %g", len(told.Job.Stations), told.Turn/degree)
	}
	if want := 45 * degree * s.Job.Vehicle.Axles[0].TyreDiameter / 2; math.Abs(told.Rolled[3]-3*want) > 1e-9 {
		t.Errorf("rolled %v, want thrice %g", told.Rolled, want)
	}
	around, err := plan.Make(s.Job, s.Camera, plan.Options{Wanted: 0.015 * degree})
	if err != nil {
		t.Fatal(err)
	}
	if free.Worst > 0.8*around.Worst {
		t.Errorf("floor boards along the sides leave %.4f, about the ends %.4f degrees: no reason to choose", free.Worst/degree, around.Worst/degree)
	}
	if len(told.Tried) == 0 || len(free.Tried) < 3 {
		t.Errorf("tried %v", free.Tried)
	}
	hard := choose(3, plan.Options{Wanted: 1e-5 * degree, Turn: 30 * degree, MostPhotos: 5})
	if hard.Met {
		t.Error("a hundred-thousandth of a degree is not reached by anything")
	}
}

// What is level across the vehicle is known from boards at its sides as a line's
// slope from points (Gauss): the height's uncertainty over √Σy².
func TestFloorAcross(t *testing.T) {
	s := sceneOf(t, "yard-truck")
	for ends := range 3 {
		places := plan.BesidePlaces(s.Job, len(s.Job.Floor), ends)
		if len(places) != len(s.Job.Floor) {
			t.Fatalf("%d ends: %d places for %d boards", ends, len(places), len(s.Job.Floor))
		}
		p, err := plan.Make(s.Job, s.Camera, plan.Options{Wanted: 0.01 * degree, FloorFromBoard: places})
		if err != nil {
			t.Fatal(err)
		}
		sum := 0.0
		for _, at := range places {
			sum += at.T[1] * at.T[1]
		}
		want := s.Job.Priors.FloorFlatness / math.Sqrt(sum)
		camber := 0.0
		for i, r := range p.Readings[0].Readings {
			if r.Quantity == "camber" {
				camber = math.Max(camber, p.Readings[0].U(i))
			}
		}
		if camber < 0.95*want || camber > 1.15*want {
			t.Errorf("%d ends: u of camber %.4f, want the floor's %.4f degrees", ends, camber/degree, want/degree)
		}
	}
}

// Steering axes are planned for where the job steers, as well as stated.
func TestShare(t *testing.T) {
	if testing.Short() {
		t.Skip("a sweep has seven stations")
	}
	s := sceneOf(t, "sweep")
	p, err := plan.Make(s.Job, s.Camera, plan.Options{Wanted: 0.015 * degree})
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	for i, r := range p.Readings[0].Readings {
		if r.Quantity == "caster" || r.Quantity == "kingpin_inclination" {
			seen++
			if u := p.Readings[0].U(i); u > plan.Share(r.Quantity)*p.Worst*(1+1e-9) {
				t.Errorf("%s: u %.4f is more than its share of the worst, %.4f", r.Quantity, u/degree, p.Worst/degree)
			}
		}
	}
	if seen != 4 {
		t.Errorf("%d readings of steering axes, want 4", seen)
	}
}

// Planning five axles, the choice of stations, roll and floor included, is to take
// less than five seconds on two cores.
func BenchmarkChooseFiveAxles(b *testing.B) {
	s := sceneOf(b, "five-axle")
	for b.Loop() {
		if _, err := plan.Choose(s.Job, s.Camera, 0, plan.Options{Steady: true}); err != nil {
			b.Fatal(err)
		}
	}
}
