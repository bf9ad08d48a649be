package live_test

import (
	"context"
	"flag"
	"math"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose/align"
	"wheelplane/pose/live"
	"wheelplane/pose/rig"
)

var accuracy = flag.Bool("accuracy", false, "draw many runs, and hold their errors to tighter bounds")

// bay is a scene solved, with a camera beside an axle.
type bay struct {
	scene *fixtures.Scene
	w     *fixtures.Watching
	watch *live.Watch
}

func newBay(t *testing.T, scene string, axle int, side align.Side, seed uint64) *bay {
	t.Helper()
	s, err := fixtures.NewScene(scene, seed, 4000)
	if err != nil {
		t.Fatal(err)
	}
	obs := s.DrawCorners(0.02, 75*math.Pi/180, seed+1)
	sol, err := rig.Solve(context.Background(), s.Job, s.Camera, obs, rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	w, err := s.Watch(axle, side, seed)
	if err != nil {
		t.Fatal(err)
	}
	f, err := sol.Footing(len(s.Job.Stations) - 1)
	if err != nil {
		t.Fatal(err)
	}
	watch, err := live.New(f, axle, []live.CameraSpec{{Lens: &w.Lens}}, live.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return &bay{s, w, watch}
}

func (b *bay) frame(k int, sigma float64, seed uint64) live.Moment {
	at := b.w.Time(k)
	return b.watch.Step(0, at, b.w.DrawViews(at, sigma, seed*1_000_003+uint64(k)))
}

// settledAt runs frames up to a number and returns the last moment.
func (b *bay) run(from, to int, sigma float64, seed uint64) (m live.Moment) {
	for k := from; k < to; k++ {
		m = b.frame(k, sigma, seed)
	}
	return m
}

// errors are those of a moment's readings over their uncertainty.
func (b *bay) errors(t *testing.T, m live.Moment) (out []float64) {
	t.Helper()
	truth, err := b.w.Truth(m.Seconds)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range m.Readings {
		i := truth.FindLike(r.Reading)
		if i < 0 {
			t.Fatalf("the truth has no %v", r)
		}
		out = append(out, (r.Value-truth.Readings[i].Value)/r.U)
	}
	return out
}

// A wheel that is turned moves, and settles again where it then stands.
func TestSettles(t *testing.T) {
	b := newBay(t, "yard-truck", 1, align.Left, 1)
	b.w.Turns = []fixtures.Turn{{From: 1, To: 2, Left: 0.01}}
	m := b.run(0, 30, 0.03, 1)
	if m.State != live.Settled || m.Since > 0.01 || m.Frames != 30 {
		t.Errorf("at rest: %+v", m)
	}
	for k := 30; k < 90; k++ {
		m = b.frame(k, 0.03, 1)
		if at := b.w.Time(k); at > 1.2 && at < 1.8 && m.State != live.Moving {
			t.Errorf("while turned, at %.2f s: %s", at, m.Say)
		}
		for i, e := range b.errors(t, m) {
			if m.State == live.Settled && math.Abs(e) > 3 || math.Abs(e) > 6 {
				t.Errorf("%d, %s: %s is off by %.1f u", k, m.State, m.Readings[i].Quantity, e)
			}
		}
	}
	if m.State != live.Settled || m.Since < 1.7 || m.Since > 2.1 {
		t.Errorf("turned: %+v", m)
	}
}
