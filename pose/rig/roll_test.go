package rig_test

import (
	"context"
	"math"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose/rig"
)

// whenTaken says at which moment of a film the frame of each stop is taken.
type whenTaken func(f *fixtures.Filming, stop fixtures.FilmStop, obs []rig.Observation) float64

// inPause is the middle of each stop.
func inPause(_ *fixtures.Filming, stop fixtures.FilmStop, _ []rig.Observation) float64 {
	return (stop.From + stop.To) / 2
}

// stillest is the frame of a stop after which a board's first corner moves least
// until the next frame, and before which.
func stillest(f *fixtures.Filming, stop fixtures.FilmStop, obs []rig.Observation) float64 {
	step, best, least := 1/f.FPS, 0.0, math.Inf(1)
	for t := stop.From + step; t < stop.To-step; t += step {
		most := 0.0
		for _, o := range obs {
			if o.Photo != stop.Photo {
				continue
			}
			a, _ := f.Corner(o.Board, o.Corners[0].Index, t-step)
			b, _ := f.Corner(o.Board, o.Corners[0].Index, t)
			c, _ := f.Corner(o.Board, o.Corners[0].Index, t+step)
			most = max(most, math.Hypot(b[0]-a[0], b[1]-a[1]), math.Hypot(c[0]-b[0], c[1]-b[1]))
		}
		if most < least {
			best, least = t, most
		}
	}
	return best
}

// walking is on the way to the next stop, a tenth of the way.
func walking(f *fixtures.Filming, stop fixtures.FilmStop, _ []rig.Observation) float64 {
	return stop.To + 0.3*f.Walk
}

// filmed draws whole boards good to sigmaPx in frames of films of a scene, as a
// rolling shutter shows them. Leaning is how far corners are, root mean square, from
// where a photograph of that moment would have them.
func filmed(s *fixtures.Scene, o fixtures.FilmOptions, when whenTaken, sigmaPx float64, seed uint64) (obs []rig.Observation, leaningPx float64) {
	s.FilmCamera(o.Width)
	planned := together(s, sigmaPx, seed)
	films := make([]*fixtures.Filming, len(s.Job.Stations))
	taken := make([]float64, len(s.Job.Photos))
	for st := range films {
		films[st] = s.Filming(st, o)
	}
	for _, f := range films {
		for _, stop := range f.Stops {
			taken[stop.Photo] = when(f, stop, planned)
		}
	}
	for _, f := range films {
		for _, stop := range f.Stops {
			s.Truth.Cameras[stop.Photo] = f.Camera(taken[stop.Photo])
		}
	}
	obs = together(s, sigmaPx, seed)
	sum, n := 0.0, 0.0
	for v := range obs {
		b := obs[v].Board
		f, still := films[s.Job.Photos[obs[v].Photo].Station], o
		still.Shutter.Readout = 0
		at := *f
		at.FilmOptions = still
		for i := range obs[v].Corners {
			c := &obs[v].Corners[i]
			was, _ := at.Corner(b, c.Index, taken[obs[v].Photo])
			is, _ := f.Corner(b, c.Index, taken[obs[v].Photo])
			for k := range 2 {
				c.Px[k] += is[k] - was[k]
				sum, n = sum+(is[k]-was[k])*(is[k]-was[k]), n+1
			}
		}
	}
	return obs, math.Sqrt(sum / n)
}

// TestRollingShutter: what a rolling shutter costs, and that readings from films are
// true. Taken for photographs, even the stillest frames make what is stated too
// small; with the motion allowed for they do not. With -accuracy as a table.
func TestRollingShutter(t *testing.T) {
	still, onTheWay := [2]float64{0.00017, 0.0003}, [2]float64{0.005, 0.01}
	type row struct {
		name    string
		when    whenTaken
		readout float64
		allow   [2]float64
	}
	rows := []row{
		{"stillest of each stop", stillest, 0.020, [2]float64{}},
		{"stillest of each stop", stillest, 0.030, still},
	}
	count := uint64(2)
	if *allJobs {
		rows, count = nil, 4
		for _, readout := range []float64{0, 0.010, 0.020, 0.030} {
			rows = append(rows, row{"stillest of each stop", stillest, readout, [2]float64{}}, row{"stillest of each stop", stillest, readout, still},
				row{"middle of each stop", inPause, readout, [2]float64{}}, row{"middle of each stop", inPause, readout, still})
		}
		for _, readout := range []float64{0.010, 0.020, 0.030} {
			rows = append(rows, row{"walking", walking, readout, [2]float64{}}, row{"walking", walking, readout, onTheWay})
		}
	}
	for _, x := range rows {
		ms, u, leans, n, failed := 0.0, [3]float64{}, 0.0, 0, 0
		for seed := range seeds(count) {
			s := newScene(t, "yard-truck", seed)
			o := fixtures.HandFilm()
			o.Walk = 6 // half a metre a second
			o.Shutter.Readout = x.readout
			obs, lean := filmed(s, o, x.when, 0.005, seed)
			leans += lean * lean / float64(count)
			s.Job.Priors.RollTurn, s.Job.Priors.RollShift = x.allow[0], x.allow[1]
			sol, err := rig.Solve(context.Background(), s.Job, s.Camera, obs, rig.Options{})
			if err != nil {
				failed++
				continue
			}
			for _, e := range normalised(t, s, sol) {
				ms, n = ms+e*e, n+1
			}
			for k, v := range angleU(sol) {
				u[k] += v
			}
			if x.allow[0] > 0 {
				holds(t, s, sol, 4)
				if r := sol.Network.RollingShutter; r == nil || r.TurnDeg.Value > 2*x.allow[0]/degree {
					t.Errorf("seed %d: the camera is found to move by %+v", seed, r)
				}
			}
		}
		allowed := x.allow[0] > 0
		solved := float64(count) - float64(failed)
		ms /= float64(n)
		t.Logf("%s, read in %.0f ms, corners lean by %.3f px, allowed for %v: u of toe, camber, scrub %.4f %.4f %.4f degrees; mean square %.2f; %d of %d refused", x.name, 1e3*x.readout, math.Sqrt(leans), allowed, u[0]/solved, u[1]/solved, u[2]/solved, ms, failed, count)
		if allowed && (failed > 0 || ms > 1.8) {
			t.Errorf("%s, %.0f ms: mean square %.2f, %d refused", x.name, 1e3*x.readout, ms, failed)
		}
		if !allowed && x.readout == 0.020 && failed == 0 && ms < 1.3 {
			t.Errorf("%s: a rolling shutter that nobody allows for does no harm: mean square %.2f", x.name, ms)
		}
	}
}
