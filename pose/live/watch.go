package live

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"wheelplane/pose"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
	"wheelplane/vision"
)

// State is what goes on, in a word.
type State string

// The states.
const (
	Waiting State = "waiting" // not enough was seen yet: a floor board and a wheel's board
	Moving  State = "moving"  // a wheel moves: a reading is of this moment alone
	Settled State = "settled" // nothing moves: readings are of all frames since
	Hidden  State = "hidden"  // no board of the axle is in view
	Knocked State = "knocked" // a camera moves, or was moved and is finding its place anew
)

// Sight is how much of a board a frame shows.
type Sight string

// The sights.
const (
	Whole   Sight = "seen"
	Partly  Sight = "partly hidden"
	Covered Sight = "hidden"
	Kicked  Sight = "moved" // a floor board that is not where the job has it: left out
)

// Board is a board as the latest frames show it.
type Board struct {
	Board  int // index into the job's
	Camera int
	Sight  Sight
	Since  float64 // s
	Wheel  bool    // on the watched axle
}

// Reading is a reading of the watched axle.
type Reading struct {
	align.Reading
	U      float64 // standard uncertainty, rad
	UNoise float64 // its part that further frames make smaller
	// Held: a wheel that it needs is hidden, and was so when last seen.
	Held bool
}

// Moment is what is known after a frame.
type Moment struct {
	Seconds  float64
	State    State
	Since    float64 // when the state began, s; of settled, the first frame that counts
	Frames   int     // that the readings are of
	Readings []Reading
	Boards   []Board
	Knocks   int    // so far
	Say      string // the state in a sentence
}

// CameraSpec is a camera that watches.
type CameraSpec struct {
	// Lens is the camera as calibrated; nil: the job's own camera, as the job found
	// it.
	Lens *vision.Camera
	// WanderFocal and WanderCentre are how much it may differ from its calibration,
	// relative and px (see [vision.Wander]); 0: not.
	WanderFocal, WanderCentre float64
}

// Options steer [New]; the zero value works for films.
type Options struct {
	// SettleFrames is how many frames in a row must agree before nothing is said to
	// move. 0: 12; 2 is right for single photographs.
	SettleFrames int
	// Untouched: nothing of the axle was touched since the station was photographed.
	// Readings then tell how far its wheels have moved from there.
	Untouched bool
}

// commonShare is the least share of a fit's stated variance that frames from one
// place have in common.
const commonShare = 0.17

// Watch follows an axle.
type Watch struct {
	f       *rig.Footing
	axle    int
	o       Options
	cams    []*camera
	wheels  []*watched
	spread  scatter
	now     float64
	state   State
	since   float64
	knocks  int
	solver  solver
	moment  Moment
	frames  int
	latched map[int]bool // floor boards that were moved
	// disagree: what does not move does not agree, and nothing tells which of it is
	// wrong.
	disagree string
}

// watched is a wheel of the axle with its board.
type watched struct {
	board int // index into Footing.Boards
	wheel int // index into Footing.Wheels
	place pose.SE3
	known bool
}

type camera struct {
	spec CameraSpec
	lens vision.Camera
	at   pose.SE3 // cameraFromFloor
	// located: at is known.
	located bool
	boards  []track // by board of the footing

	rest    int // frames since it last moved
	moving  bool
	knocked float64 // when it was last knocked; NaN: never
	frames  int
}

// track is a board in a camera's pictures.
type track struct {
	run   *run
	last  *glance
	seen  float64 // when last seen, s; NaN: never
	gone  int     // frames since
	sight Sight
	since float64

	// zero are the frames in which it was still where the job has it: of a wheel's
	// board its first, if nobody had touched it; of a floor board those before it was
	// kicked. touched: the wheel was touched, after all.
	zero    *run
	touched bool
}

// New begins to watch an axle. It is an error where no wheel of it carries a board
// that the job placed.
func New(f *rig.Footing, axle int, cameras []CameraSpec, o Options) (*Watch, error) {
	if o.SettleFrames == 0 {
		o.SettleFrames = 12
	}
	w := &Watch{f: f, axle: axle, o: o, state: Waiting, latched: map[int]bool{}}
	for i, b := range f.Boards {
		if b.OnWheel >= 0 && f.Wheels[b.OnWheel].Axle == axle {
			w.wheels = append(w.wheels, &watched{board: i, wheel: b.OnWheel, place: b.Place})
		}
	}
	if len(w.wheels) == 0 {
		return nil, fmt.Errorf("axle %d: no board on its wheels was photographed at station %s: name another axle", axle, f.Job.Stations[f.Station].Name)
	}
	if len(cameras) == 0 {
		return nil, fmt.Errorf("no camera to watch with")
	}
	for _, spec := range cameras {
		c := &camera{spec: spec, lens: f.Camera, knocked: math.NaN(), boards: make([]track, len(f.Boards))}
		if spec.Lens != nil {
			c.lens = *spec.Lens
		}
		for i := range c.boards {
			c.boards[i].seen = math.NaN()
		}
		w.cams = append(w.cams, c)
	}
	w.solver.prepare(w)
	return w, nil
}

// Lens is the camera that a camera's pictures are taken with.
func (w *Watch) Lens(camera int) *vision.Camera { return &w.cams[camera].lens }

// onAxle tells whether a board of the footing is on the watched axle.
func (w *Watch) onAxle(board int) bool {
	return slices.ContainsFunc(w.wheels, func(x *watched) bool { return x.board == board })
}

// Step takes a camera's frame: the views of boards, by their index in the job's
// list. seconds do not go back.
func (w *Watch) Step(camera int, seconds float64, views []vision.View) Moment {
	c := w.cams[camera]
	w.now = seconds
	c.frames++
	w.frames++
	glances := make([]*glance, len(w.f.Boards))
	partly := make([]bool, len(w.f.Boards))
	for i := range views {
		v := &views[i]
		k := slices.IndexFunc(w.f.Boards, func(b rig.FootingBoard) bool { return b.Board == v.Board })
		if k < 0 {
			continue
		}
		glances[k] = w.glanceAt(c, k, v)
		partly[k] = 4*len(v.Corners) < 3*w.f.Job.Boards[v.Board].NumCorners()
	}
	w.follow(c, glances)
	for k := range c.boards {
		w.sightOf(c, k, glances[k] != nil, partly[k])
	}
	w.locate(c)
	w.solve()
	w.tell()
	return w.moment
}

// glanceAt makes a glance of a view, from where its board is thought to be.
func (w *Watch) glanceAt(c *camera, k int, v *vision.View) *glance {
	b := &w.f.Boards[k]
	board := &w.f.Job.Boards[b.Board]
	t := &c.boards[k]
	var starts []pose.SE3
	if t.last != nil && t.gone < 30 {
		starts = append(starts, t.last.place)
	} else {
		if c.located {
			starts = append(starts, c.at.Mul(b.Place))
		}
		if p, ok := rig.BoardPose(&c.lens, board, v.Corners); ok {
			starts = append(starts, p)
		}
	}
	g, ok := see(v, board, &c.lens, w.f.Scale, &b.Shape, starts)
	if !ok && t.last != nil {
		if p, good := rig.BoardPose(&c.lens, board, v.Corners); good {
			g, ok = see(v, board, &c.lens, w.f.Scale, &b.Shape, []pose.SE3{p})
		}
	}
	if !ok {
		return nil
	}
	return &g
}

// scale is that of frames' covariances in tests of whether something moved: as
// stated, or as they scatter if that is more.
func (w *Watch) scale() float64 { return math.Max(1, w.spread.share()) }

// follow tests a frame against the runs and goes on with them: it says what moved.
func (w *Watch) follow(c *camera, glances []*glance) {
	scale := w.scale()
	var changed, anchors []int // boards that do not fit; floor boards in view, of runs of some length
	patient := false
	for k, g := range glances {
		t := &c.boards[k]
		if g == nil {
			continue
		}
		if t.run == nil {
			continue
		}
		fits := t.run.fits(g, scale)
		if !w.onAxle(k) && !w.latched[k] {
			anchors = append(anchors, k)
		}
		if fits {
			continue
		}
		t.run.off++
		// One frame alone may be a shadow's or a finger's; in motion there is nothing
		// to be lost.
		if t.run.off < 2 && t.run.count+t.run.before >= w.o.SettleFrames && w.o.SettleFrames > 2 {
			patient = true
			glances[k] = nil
			t.seen, t.gone, t.last = w.now, 0, g
			continue
		}
		changed = append(changed, k)
	}
	knocked := false
	if len(changed) > 0 && !patient {
		knocked = w.whatMoved(c, glances, changed, anchors)
	}
	if knocked {
		if !c.moving {
			w.knocks++
		}
		c.moving, c.rest, c.knocked, c.located = true, 0, w.now, false
		for k := range c.boards {
			// The zeros belong to where the camera was.
			c.boards[k].touched = c.boards[k].touched || w.onAxle(k) && c.boards[k].zero != nil
			c.boards[k].run, c.boards[k].zero = nil, nil
		}
	}
	for k, g := range glances {
		if g == nil {
			continue
		}
		t := &c.boards[k]
		t.last, t.seen, t.gone = g, w.now, 0
		switch {
		case t.run == nil || slices.Contains(changed, k):
			if t.run != nil && t.zero == nil {
				t.touched = true // before it was seen at rest for long enough
			}
			t.run = begin(g, w.now)
		default:
			t.run.take(g, w.now, &w.spread)
			if w.o.Untouched && w.onAxle(k) && t.zero == nil && !t.touched && t.run.count >= 2*w.o.SettleFrames && c.located {
				t.zero = t.run
				t.run = begin(g, w.now)
				t.run.first, t.run.before = t.zero.first, t.zero.count
				continue
			}
			if t.run.drifted(scale) {
				if !w.onAxle(k) && !w.latched[k] && w.drift(c, k) {
					continue
				}
				t.run = begin(g, w.now)
			}
		}
	}
	if c.rest++; c.moving && c.rest >= w.o.SettleFrames {
		c.moving = false
	}
}

// drift deals with a floor board of which the latest frames say something else than
// those before: a camera that sinks takes all boards along, so begin all runs anew.
// It tells whether that was done.
func (w *Watch) drift(c *camera, k int) bool {
	for i := range c.boards {
		if t := &c.boards[i]; t.run != nil && t.last != nil {
			t.run = begin(t.last, w.now)
		}
	}
	return true
}

// whatMoved tells whether the camera moved, or else notes which floor boards did.
// changed do not fit their runs; anchors are the floor boards in view.
func (w *Watch) whatMoved(c *camera, glances []*glance, changed, anchors []int) (knocked bool) {
	var moved []int
	for _, k := range changed {
		if slices.Contains(anchors, k) {
			moved = append(moved, k)
		}
	}
	if len(moved) == 0 {
		return false // a wheel, or a board left out
	}
	if c.moving { // still on its way
		return true
	}
	// Each board that moved tells how the camera would have had to move.
	against := func(motion pose.SE3) (off, wheelsOff int) {
		for k, g := range glances {
			t := &c.boards[k]
			if g == nil || t.run == nil || w.latched[k] {
				continue
			}
			m, cov := t.run.mean()
			was := motion.Mul(t.run.ref.Plus(m))
			cov.add(3, &g.cov) // the motion is itself of one board's
			// What one board's place says of the camera's motion is uncertain by how far
			// away it turns the others.
			d := vec6(g.place.Minus(was))
			loose := cov
			far := pose.Norm(g.place.T)
			for i := range 3 {
				loose[i][i] += 4e-6
				loose[3+i][3+i] += 4e-6 * far * far
			}
			if square(d, &loose) > changeLimit {
				if w.onAxle(k) {
					wheelsOff++
				} else {
					off++
				}
			}
		}
		return off, wheelsOff
	}
	stillOff, stillWheels := len(moved), 0
	for _, k := range changed {
		if w.onAxle(k) {
			stillWheels++
		}
	}
	bestOff, bestWheels := math.MaxInt, 0
	for _, k := range moved {
		m, _ := c.boards[k].run.mean()
		motion := glances[k].place.Mul(c.boards[k].run.ref.Plus(m).Inverse())
		if off, wheels := against(motion); off < bestOff || off == bestOff && wheels < bestWheels {
			bestOff, bestWheels = off, wheels
		}
	}
	knocked = bestOff < stillOff || bestOff == stillOff && bestWheels < stillWheels
	if len(anchors) == 1 && bestOff < stillOff {
		// One floor board alone: the wheels decide; without one in view it was the
		// camera, for boards on the floor are rarely touched.
		wheels := 0
		for k, g := range glances {
			if g != nil && c.boards[k].run != nil && w.onAxle(k) {
				wheels++
			}
		}
		knocked = wheels == 0 || stillWheels > 0 && bestWheels == 0 || bestWheels < wheels
	}
	if !knocked {
		for _, k := range moved {
			// Until then it told where the camera is, and that still stands there.
			w.latched[k] = true
			if t := &c.boards[k]; t.run.count >= w.o.SettleFrames {
				t.zero = t.run
			}
		}
	}
	return knocked
}

// sightOf notes how much is seen of a board.
func (w *Watch) sightOf(c *camera, k int, seen, partly bool) {
	t := &c.boards[k]
	if !seen && w.now != t.seen {
		t.gone++
	}
	sight := t.sight
	switch {
	case math.IsNaN(t.seen):
		return
	case w.latched[k]:
		sight = Kicked
	case seen && partly:
		sight = Partly
	case seen:
		sight = Whole
	case t.gone >= 3 || w.o.SettleFrames <= 2:
		sight = Covered
	}
	if sight != t.sight {
		t.sight, t.since = sight, w.now
	}
}

// locate starts a camera's place from the floor board that tells it best.
func (w *Watch) locate(c *camera) {
	if c.located {
		return
	}
	best := math.Inf(1)
	for k := range c.boards {
		t := &c.boards[k]
		if t.run == nil || w.onAxle(k) || w.latched[k] {
			continue
		}
		cov := t.run.frameCov()
		if turn := cov[0][0] + cov[1][1] + cov[2][2]; turn < best {
			m, _ := t.run.mean()
			best = turn
			c.at, c.located = t.run.ref.Plus(m).Mul(w.f.Boards[k].Place.Inverse()), true
		}
	}
}

// atRest tells whether a wheel's board rests in a camera's picture.
func (w *Watch) atRest(c *camera, k int) bool {
	r := c.boards[k].run
	return r != nil && r.count+r.before >= w.o.SettleFrames && !c.moving
}

// tell sums up.
func (w *Watch) tell() {
	m := &w.moment
	m.Seconds, m.Knocks = w.now, w.knocks
	m.Boards = nil
	for ci, c := range w.cams {
		for k := range c.boards {
			if t := &c.boards[k]; t.sight != "" {
				m.Boards = append(m.Boards, Board{Board: w.f.Boards[k].Board, Camera: ci, Sight: t.sight, Since: t.since, Wheel: w.onAxle(k)})
			}
		}
	}
	located, moving, seen, known := false, false, 0, 0
	settled, rest, frames := 0, 0.0, math.MaxInt
	for _, c := range w.cams {
		located = located || c.located
		moving = moving || c.moving
		for _, x := range w.wheels {
			t := &c.boards[x.board]
			if t.run == nil || !c.located {
				continue
			}
			known++
			if t.sight == Covered {
				continue
			}
			seen++
			if w.atRest(c, x.board) {
				settled++
				rest = math.Max(rest, t.run.first)
				frames = min(frames, t.run.count)
			} else {
				frames = min(frames, max(1, t.run.count))
			}
		}
	}
	m.Frames = 0
	if seen > 0 {
		m.Frames = frames
	}
	state, since := Waiting, w.now
	switch {
	case moving:
		state = Knocked
	case !located || known == 0:
	case seen == 0:
		state = Hidden
	case settled == seen:
		state, since = Settled, rest
	default:
		state = Moving
	}
	if state != w.state {
		w.state, w.since = state, since
	}
	if state == Settled {
		w.since = since
	}
	m.State, m.Since = w.state, w.since
	m.Say = w.say()
}

// say is the state in a sentence.
func (w *Watch) say() string {
	name := func(k int) string { return w.f.Job.Boards[w.f.Boards[k].Board].Name }
	var text string
	switch w.state {
	case Waiting:
		text = "waiting for a floor board and a board on the axle's wheels"
		for _, c := range w.cams {
			if c.located {
				text = "waiting for a board on the axle's wheels"
			}
		}
	case Knocked:
		text = "the camera was moved; it is finding its place again"
	case Hidden:
		text = "hidden:"
		lead := ""
		for _, x := range w.wheels {
			if x.known {
				text += lead + " board " + name(x.board) + " on " + w.f.Wheels[x.wheel].Wheel.String()
				lead = ","
			}
		}
	case Moving:
		text = "moving"
	case Settled:
		text = fmt.Sprintf("settled for %.0f s", w.now-w.since)
	}
	for _, k := range slices.Sorted(maps.Keys(w.latched)) {
		text += fmt.Sprintf("; board %s is not where it was photographed and is left out", name(k))
	}
	if w.disagree != "" {
		text += "; " + w.disagree
	}
	if w.o.Untouched {
		for _, x := range w.wheels {
			for _, c := range w.cams {
				if t := &c.boards[x.board]; t.touched && t.zero == nil {
					text += fmt.Sprintf("; %s does not stand as it was photographed, or the camera was moved since: its readings come from the floor boards alone", w.f.Wheels[x.wheel].Wheel)
				}
			}
		}
	}
	return text
}

// Now is what was last known.
func (w *Watch) Now() Moment { return w.moment }
