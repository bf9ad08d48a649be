package live_test

import (
	"context"
	"flag"
	"math"
	"slices"
	"strings"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose/align"
	"wheelplane/pose/live"
	"wheelplane/pose/rig"
	"wheelplane/vision"
)

var accuracy = flag.Bool("accuracy", false, "draw many runs, and hold their errors to tighter bounds")

// bay is a scene solved, with a camera beside an axle.
type bay struct {
	scene *fixtures.Scene
	foot  *rig.Footing
	w     *fixtures.Watching
	watch *live.Watch

	wheelBoardNow int
	asked         int
}

// solved are jobs that tests share.
var solved = map[key]bay{}

type key struct {
	scene string
	seed  uint64
}

func newBay(t *testing.T, scene string, axle int, side align.Side, seed uint64, o live.Options) *bay {
	t.Helper()
	k := key{scene, seed}
	if solved[k].foot == nil {
		s, err := fixtures.NewScene(scene, seed, 4000)
		if err != nil {
			t.Fatal(err)
		}
		sol, err := rig.Solve(context.Background(), s.Job, s.Camera, s.DrawCorners(0.02, 75*math.Pi/180, seed+1), rig.Options{})
		if err != nil {
			t.Fatal(err)
		}
		f, err := sol.Footing(len(s.Job.Stations) - 1)
		if err != nil {
			t.Fatal(err)
		}
		solved[k] = bay{scene: s, foot: f}
	}
	s, f := solved[k].scene, solved[k].foot
	w, err := s.Watch(axle, side, seed)
	if err != nil {
		t.Fatal(err)
	}
	b := &bay{scene: s, foot: f, w: w}
	b.wheelBoardNow = b.wheelBoard()
	b.again(t, o)
	return b
}

// again begins to watch anew.
func (b *bay) again(t *testing.T, o live.Options) {
	t.Helper()
	var err error
	if b.watch, err = live.New(b.foot, b.w.Axle, []live.CameraSpec{{Lens: &b.w.Lens}}, o); err != nil {
		t.Fatal(err)
	}
}

func (b *bay) frame(k int, sigma float64, seed uint64) live.Moment {
	at := b.w.Time(k)
	return b.watch.Step(0, at, b.w.DrawViews(at, sigma, seed*1_000_003+uint64(k)))
}

// run watches frames up to a number and returns the last moment.
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
	b := newBay(t, "yard-truck", 1, align.Left, 1, live.Options{})
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

// A camera on each side tells total toe, also while only one of them sees its wheel
// turned; and what both tell of their own wheels stays as it is stated.
func TestBothSides(t *testing.T) {
	left := newBay(t, "yard-truck", 1, align.Left, 1, live.Options{})
	right, err := left.scene.Watch(1, align.Right, 5)
	if err != nil {
		t.Fatal(err)
	}
	turns := []fixtures.Turn{{From: 1, To: 1.5, Left: 0.006}, {From: 3, To: 3.5, Right: -0.004}}
	left.w.Turns, right.Turns = turns, turns
	both, err := live.New(left.foot, 1, []live.CameraSpec{{Lens: &left.w.Lens}, {Lens: &right.Lens}}, live.Options{})
	if err != nil {
		t.Fatal(err)
	}
	left.watch = both
	settled := 0
	var before, after float64
	for k := range 150 {
		at := left.w.Time(k)
		var m live.Moment
		for camera, w := range []*fixtures.Watching{left.w, right} {
			m = both.Step(camera, at, w.DrawViews(at, 0.03, uint64(2*k+camera)))
		}
		toe := slices.IndexFunc(m.Readings, func(r live.Reading) bool { return r.Quantity == align.TotalToe })
		if m.State != live.Settled {
			continue
		}
		settled++
		if toe < 0 {
			t.Fatalf("at %.2f s no total toe: %v", at, m.Readings)
		}
		for i, e := range left.errors(t, m) {
			if math.Abs(e) > 3 {
				t.Errorf("at %.2f s: %v is off by %.1f u", at, m.Readings[i].Reading, e)
			}
		}
		if at < 1 {
			before = m.Readings[toe].Value
		}
		after = m.Readings[toe].Value
	}
	if settled < 60 || math.Abs(after-before-0.002) > 0.0005 {
		t.Errorf("settled in %d frames; total toe went by %.5f, the wheels were turned in by 0.002", settled, after-before)
	}
}

// floorBoards are those that the camera sees, by their index in the job's list.
func (b *bay) floorBoards() (out []int) {
	for _, v := range b.w.DrawViews(0, 0.01, 1) {
		for _, lay := range b.scene.Job.Floor {
			if lay.Board == v.Board {
				out = append(out, v.Board)
			}
		}
	}
	return out
}

func (b *bay) wheelBoard() int {
	for _, h := range b.scene.Job.Hangs {
		for _, v := range b.w.DrawViews(0, 0.01, 1) {
			if v.Board == h.Board && h.Wheel.Axle == b.w.Axle {
				return h.Board
			}
		}
	}
	return -1
}

// near holds readings to the truth, of every seventh frame: truth costs more than they.
func (b *bay) near(t *testing.T, what string, m live.Moment) {
	t.Helper()
	if b.asked++; b.asked%7 != 1 {
		return
	}
	if len(m.Readings) < 2 {
		t.Errorf("%s: %d readings: %s", what, len(m.Readings), m.Say)
	}
	for i, e := range b.errors(t, m) {
		if math.Abs(e) > 3.5 {
			t.Errorf("%s: %s is off by %.1f u: %s", what, m.Readings[i].Quantity, e, m.Say)
		}
	}
}

// A camera that is knocked says so, and finds its place again by itself.
func TestKnocked(t *testing.T) {
	for _, boards := range []int{3, 1} {
		b := newBay(t, "yard-truck", 1, align.Left, 5, live.Options{})
		only := b.floorBoards()[:min(boards, len(b.floorBoards()))]
		b.w.Knocks = []fixtures.Knock{{From: 1, To: 1.3, Step: [6]float64{0.01, -0.02, 0.005, 0.02, 0.01, -0.03}}}
		said := false
		var m live.Moment
		for k := range 75 {
			m = b.frameOf(k, only)
			said = said || m.State == live.Knocked
			if at := b.w.Time(k); at > 1.1 && at < 1.3 && m.State != live.Knocked {
				t.Errorf("%d floor boards: knocked, at %.2f s: %s", boards, at, m.Say)
			}
			if m.State == live.Settled {
				b.near(t, "knocked", m)
			}
		}
		if !said || m.State != live.Settled || m.Knocks != 1 || m.Since < 1.2 {
			t.Errorf("%d floor boards: knocked %d times, then: %s since %.2f", boards, m.Knocks, m.Say, m.Since)
		}
	}
}

// frameOf is a frame that shows some floor boards only.
func (b *bay) frameOf(k int, floor []int) live.Moment {
	at := b.w.Time(k)
	var views []vision.View
	for _, v := range b.w.DrawViews(at, 0.03, uint64(k)+77) {
		if slices.Contains(floor, v.Board) || v.Board == b.wheelBoardNow {
			views = append(views, v)
		}
	}
	return b.watch.Step(0, at, views)
}

// A floor board that is kicked is left out, and readings stay true; so they do where
// it is the only one, which the wheels show.
func TestKicked(t *testing.T) {
	for _, boards := range []int{3, 2, 1} {
		b := newBay(t, "yard-truck", 1, align.Left, 5, live.Options{})
		floor := b.floorBoards()
		if len(floor) < boards {
			t.Logf("%d floor boards in view only", len(floor))
			continue
		}
		floor = floor[:boards]
		b.w.Kicks = []fixtures.Kick{{At: 1, Board: floor[0], Step: [6]float64{0, 0, 0.02, 0.01, 0.02, 0}}}
		b.w.Turns = []fixtures.Turn{{From: 1.5, To: 2, Left: 0.01}}
		var m live.Moment
		for k := range 80 {
			m = b.frameOf(k, floor)
			if m.State == live.Settled {
				b.near(t, "kicked", m)
			}
		}
		if m.State != live.Settled || m.Knocks != 0 || !strings.Contains(m.Say, "is not where it was photographed") {
			t.Errorf("%d floor boards: %d knocks: %s", boards, m.Knocks, m.Say)
		}
	}
}

// A floor board that was moved after it was photographed, before the watch began, is
// found where there are others to tell.
func TestMovedBefore(t *testing.T) {
	b := newBay(t, "yard-truck", 1, align.Left, 5, live.Options{})
	floor := b.floorBoards()
	b.w.Kicks = []fixtures.Kick{{At: 0, Board: floor[len(floor)-1], Step: [6]float64{0, 0, 0.03, 0.02, 0.03, 0}}}
	m := b.run(0, 40, 0.03, 5)
	if len(floor) > 2 {
		b.near(t, "moved before", m)
	}
	if !strings.Contains(m.Say, "photographed") {
		t.Errorf("%d floor boards, one of them moved: %s", len(floor), m.Say)
	}
	// And a wheel that was touched although --untouched says that it was not.
	b = newBay(t, "yard-truck", 1, align.Left, 5, live.Options{Untouched: true})
	b.w.Turns = []fixtures.Turn{{From: -2, To: -1, Left: 0.01}}
	m = b.run(0, 60, 0.03, 5)
	b.near(t, "touched before", m)
	if !strings.Contains(m.Say, "does not stand as it was photographed") {
		t.Errorf("a wheel was touched: %s", m.Say)
	}
}

// A hand in front of a board hides it in part, then whole: the state says so, no
// reading is false, and it goes on as it was once the hand has gone.
func TestHidden(t *testing.T) {
	b := newBay(t, "yard-truck", 1, align.Left, 5, live.Options{})
	b.w.Hands = []fixtures.Hand{{From: 1, To: 1.5, Board: b.wheelBoard(), Share: 0.5}, {From: 1.5, To: 2, Board: b.wheelBoard(), Share: 1}}
	for k := range 75 {
		m := b.frame(k, 0.03, 9)
		at := b.w.Time(k)
		var sight live.Sight
		for _, x := range m.Boards {
			if x.Wheel {
				sight = x.Sight
			}
		}
		want, state := live.Whole, live.Settled
		switch {
		case at >= 1.5 && at < 2:
			want, state = live.Covered, live.Hidden
		case at >= 1 && at < 1.5:
			want = live.Partly
		}
		if at > 0.5 && math.Abs(at-1) > 0.15 && math.Abs(at-1.5) > 0.15 && math.Abs(at-2) > 0.15 && (sight != want || m.State != state) {
			t.Errorf("at %.2f s: %s, %s", at, sight, m.Say)
		}
		b.near(t, "hidden", m)
		if held := m.Readings[0].Held; held != (sight == live.Covered) {
			t.Errorf("at %.2f s: held %t", at, held)
		}
		if k == 74 && m.Since > 0.1 {
			t.Errorf("after the hand: settled since %.2f s", m.Since)
		}
	}
}

// A pull at the tie rod so slow that no two frames show it is a motion all the same.
func TestSlow(t *testing.T) {
	b := newBay(t, "yard-truck", 1, align.Left, 5, live.Options{})
	b.w.Turns = []fixtures.Turn{{From: 2, To: 8, Left: 0.004}}
	moving := 0
	for k := range 300 {
		m := b.frame(k, 0.03, 9)
		if at := b.w.Time(k); at > 3 && at < 7 && m.State == live.Moving {
			moving++
		}
		b.near(t, "slow", m)
	}
	if moving < 60 {
		t.Errorf("of four seconds of slow motion %d frames say so", moving)
	}
	m := b.frame(300, 0.03, 9)
	if m.State != live.Settled || m.Since < 7 {
		t.Errorf("after it: %s since %.2f", m.Say, m.Since)
	}
}

// Nothing moves: nothing is said to move, over some minutes of frames.
func TestNoFalseAlarm(t *testing.T) {
	b := newBay(t, "yard-truck", 1, align.Left, 5, live.Options{})
	frames := 900
	if *accuracy {
		frames = 18000
	}
	for k := range frames {
		if m := b.frame(k, 0.03, 21); k > 12 && (m.State != live.Settled || m.Since > 0 || strings.Contains(m.Say, ";")) {
			t.Fatalf("frame %d: %s since %.2f", k, m.Say, m.Since)
		}
	}
}
