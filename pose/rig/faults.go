package rig

import (
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"sort"
	"strings"

	"wheelplane/pose"
	"wheelplane/pose/align"
	"wheelplane/pose/bundle"
	"wheelplane/vision"
)

// Fault is something that went wrong in the bay, as the photographs tell it.
type Fault struct {
	Kind    FaultKind `json:"kind"`
	Board   string    `json:"board,omitempty"`
	Axle    int       `json:"axle,omitempty"`
	Photo   string    `json:"photo,omitempty"`
	Station string    `json:"station"` // from which on, or at which
	Text    string    `json:"text"`    // what happened, what is done about it, what to do
}

// FaultKind names what can go wrong.
type FaultKind string

// The faults that are looked for.
const (
	BoardSlipped    FaultKind = "board slipped"
	FloorKicked     FaultKind = "floor board moved"
	WheelsSteered   FaultKind = "wheels steered"
	VehicleMoved    FaultKind = "vehicle moved"
	PhotoMisfiled   FaultKind = "photo misfiled"
	BoardMisprinted FaultKind = "board misprinted"
	CameraMistaken  FaultKind = "camera file mistaken"
)

// A job whose photographs contradict each other is explained by one of a few
// ordinary mishaps, or by none. Each mishap is the same chain with one part set
// free: a second hang for a board that slipped, a second place for a floor board
// that was kicked, a second axis for wheels that were steered, a second station
// for a vehicle that moved, one photo less. So every explanation is tried as a
// job of its own, and the one after which the rest fits is taken.

// trial is a job with one more part set free.
type trial struct {
	fault  Fault
	job    *Job
	camera *vision.Camera
	state  *State
	used   []bool
	off    map[int]bool // observations left out: boards in photographs that do not fit as a whole
	loose  bool         // the camera's file is let go

	part, at int // of the mishap: hang or axle, and the station; of a move: station and photo
	stride   int // of a move: how many photos lie between the moments looked at

	cost             float64
	rows, parameters int // of the views, and free numbers
}

// What is believed.
const (
	// A mishap shows where it happened: at some place (a board at a station) the
	// robust cost per coordinate is this much above what is usual in the job.
	suspicious = 1.6
	// An explanation is believed if the cost it takes away, for each number it
	// sets free, is this many times the cost per coordinate that stays (an F
	// ratio; corners that are all worse than they say scale both).
	convincing = 25
	// And if nothing explains it: with a place so much worse than the good ones,
	// and so many pixels off, no reading means anything. Fine pictures show a
	// board's dent or the lens's last hundredth of a pixel as clearly.
	hopeless   = 6
	hopelessPx = 0.3
	maxFaults  = 3
	// The robust cost per coordinate of corners as good as they say.
	cleanCost = 0.47
)

// explain looks for mishaps until the rest fits. It returns a trial with the job
// that describes what happened, a state near its solution, and what is still
// used; and the mishaps found.
func explain(ctx context.Context, job *Job, camera *vision.Camera, obs []Observation, state *State, used []bool) (*trial, []Fault, error) {
	now := &trial{job: job, camera: camera, state: state, used: used}
	if now.places(obs).usual() && now.strained(obs) == nil {
		return now, nil, nil
	}
	if err := now.solve(ctx, obs); err != nil {
		return nil, nil, err
	}
	var found []Fault
	for {
		trials := now.strained(obs)
		if !now.places(obs).usual() {
			trials = slices.Concat(now.offViews(obs), now.mishaps(obs), now.moves(), now.misprints(obs), now.mistaken())
		}
		if trials == nil {
			break
		}
		best, err := now.bestOf(ctx, obs, trials)
		if err != nil {
			return nil, nil, err
		}
		if best == now {
			break
		}
		if len(best.off) > len(now.off) {
			now = best
			continue
		}
		if len(found) == maxFaults {
			p := now.places(obs)
			return nil, nil, fmt.Errorf("the photographs contradict each other in more than %d ways, most of all board %s at station %s: check squares, hangs, stations, clamps and the camera file, and photograph again", maxFaults, now.job.Boards[p.board].Name, now.job.Stations[p.station].Name)
		}
		if best, err = now.closer(ctx, obs, best); err != nil {
			return nil, nil, err
		}
		if best, err = now.whenever(ctx, obs, best, trials); err != nil {
			return nil, nil, err
		}
		if best.fault.Kind == PhotoMisfiled {
			best.whereItBelongs(ctx, obs, now.job)
		}
		now = best
		found = append(found, now.fault)
	}
	if p := now.places(obs); p.worst > hopeless*p.good+0.25 && p.offPx > hopelessPx {
		return nil, nil, fmt.Errorf("the photographs contradict each other, most of all board %s at station %s: check hangs, stations and the camera file, and photograph that station again", now.job.Boards[p.board].Name, now.job.Stations[p.station].Name)
	}
	return now, found, nil
}

// whenever widens an explanation whose time cannot be told: with few stations a
// board that slipped before the second fits as well as one that slipped before
// the third. Then it is set free at each.
func (t *trial) whenever(ctx context.Context, obs []Observation, best *trial, trials []*trial) (*trial, error) {
	if best.fault.Kind != BoardSlipped && best.fault.Kind != WheelsSteered {
		return best, nil
	}
	// A likelihood ratio of e^12, if the corners are as good as they say.
	margin := 12 * best.cost / float64(best.rows) / cleanCost
	first, last := best.at, best.at
	for _, x := range trials {
		if x.fault.Kind == best.fault.Kind && x.part == best.part && x.cost < best.cost+margin {
			first, last = min(first, x.at), max(last, x.at)
		}
	}
	if first == last {
		return best, nil
	}
	name := func(st int) string { return t.job.Stations[st].Name }
	wide, part := t, best.part
	for st := first; st <= last; st++ {
		if best.fault.Kind == BoardSlipped {
			if x := wide.slip(part, st, obs); x != nil {
				wide, part = x, len(x.job.Hangs)-1
			}
		} else if x := wide.steer(part, st); x != nil {
			wide = x
		}
	}
	wide.fault = best.fault
	wide.fault.Station = name(first)
	when := fmt.Sprintf("between stations %s and %s, the photographs do not tell when", name(max(0, first-1)), name(last))
	if best.fault.Kind == BoardSlipped {
		h := t.job.Hangs[best.part]
		wide.fault.Text = fmt.Sprintf("board %s slipped on %s %s: its runout there is not compensated; clamp it tighter and roll again if these wheels matter", best.fault.Board, h.Wheel, when)
	} else {
		wide.fault.Text = fmt.Sprintf("the wheels of axle %d were steered %s: their runout is not compensated; keep the steering wheel still and roll again", best.fault.Axle, when)
	}
	return wide, wide.solve(ctx, obs)
}

// fit tells how places fit: the robust cost per coordinate of the worst one,
// which it is, and of the one that a quarter of all fit better than.
type fit struct {
	worst, good    float64
	board, station int
	offPx          float64 // its corners, root mean square of each coordinate
}

// usual tells whether no place fits much worse than the good ones.
func (f fit) usual() bool { return f.worst < suspicious*f.good+0.25 }

func (t *trial) places(obs []Observation) fit {
	type sum struct {
		cost, rows float64
		off        [][2]float64
	}
	at := map[place]*sum{}
	n, costs := t.misfits(obs)
	for v, cost := range costs {
		o := obs[v]
		if n.views[v].id < 0 {
			continue
		}
		pl := place{o.Board, t.job.Photos[o.Photo].Station}
		if at[pl] == nil {
			at[pl] = &sum{}
		}
		at[pl].cost += cost
		at[pl].rows += float64(n.views[v].f.dim())
		e, _ := n.offsets(n.views[v])
		at[pl].off = append(at[pl].off, e...)
	}
	var f fit
	var all []float64
	for _, pl := range slices.SortedFunc(maps.Keys(at), comparePlaces) {
		s := at[pl]
		// A place seen once, partly, is worse than the others by chance.
		mean := s.cost / s.rows
		all = append(all, mean)
		if bound := mean - 2/math.Sqrt(s.rows); bound > f.worst {
			f.worst, f.board, f.station, f.offPx = bound, pl.board, pl.station, rms(s.off)
		}
	}
	if len(all) == 0 {
		return f
	}
	slices.Sort(all)
	f.good = all[len(all)/4]
	return f
}

// solve fits the trial robustly and keeps its cost.
func (t *trial) solve(ctx context.Context, obs []Observation) error {
	n := build(t.job, t.camera, t.kept(obs), t.state, t.used, robustWidth)
	sum, err := n.p.Solve(ctx, bundle.Options{MaxIterations: 25, CostTolerance: 1e-4, AcceptLimit: true, Workers: 1})
	if ctx.Err() != nil {
		return ctx.Err()
	}
	t.rows, t.parameters = n.rows, sum.Parameters
	if err != nil && !(sum.FinalCost < sum.InitialCost) {
		t.cost = math.Inf(1) // this explanation explains nothing
		return nil
	}
	t.state, t.cost = n.state(t.camera), sum.FinalCost
	return nil
}

// bestOf solves all trials and returns the one with the lowest cost, of those
// almost as good the first, for the trials come with the simplest first; or t
// itself if none is convincing. No photo after which the vehicle may have moved
// is simpler than another: of those the best.
func (t *trial) bestOf(ctx context.Context, obs []Observation, trials []*trial) (*trial, error) {
	if err := onAllCores(len(trials), func(i int) error { return trials[i].solve(ctx, obs) }); err != nil {
		return nil, err
	}
	gain := 0.0
	for _, x := range trials {
		if t.convincedBy(x) {
			gain = math.Max(gain, t.cost-x.cost)
		}
	}
	best := t
	for _, x := range trials {
		// Almost as good: of what is explained, nine tenths.
		switch {
		case !t.convincedBy(x):
		case best == t && t.cost-x.cost >= 0.9*gain, best != t && best.fault.Kind == VehicleMoved && x.fault.Kind == VehicleMoved && x.cost < best.cost:
			best = x
		}
	}
	return best, nil
}

// convincedBy tells whether x explains much more than numbers set free at
// random would.
func (t *trial) convincedBy(x *trial) bool {
	free := float64(x.parameters - t.parameters)
	if x.rows < t.rows { // a photo less: its corners count, less its own pose
		free += float64(t.rows - x.rows)
	}
	return x.cost < t.cost && (t.cost-x.cost)/math.Max(1, free) > convincing*x.cost/float64(x.rows)
}

// copy is the trial with a job and state of its own to change.
func (t *trial) copy(f Fault) *trial {
	s := *t.state
	s.FloorFromBody, s.HubFromBoard, s.FloorFromBoard = slices.Clone(s.FloorFromBody), slices.Clone(s.HubFromBoard), slices.Clone(s.FloorFromBoard)
	s.Steer, s.Spin = cloneRows(s.Steer), cloneRows(s.Spin)
	return &trial{fault: f, job: t.job.Clone(), camera: t.camera, state: &s, used: slices.Clone(t.used), off: maps.Clone(t.off), loose: t.loose}
}

func cloneRows(m [][]float64) [][]float64 {
	out := make([][]float64, len(m))
	for i := range m {
		out[i] = slices.Clone(m[i])
	}
	return out
}

// kept returns the observations without those left out.
func (t *trial) kept(obs []Observation) []Observation {
	if len(t.off) == 0 {
		return obs
	}
	obs = slices.Clone(obs)
	for v := range t.off {
		obs[v].Corners, obs[v].Joint = nil, nil
	}
	return obs
}

// offViews lists the simplest explanations of all: one of the views that fit
// worst, of those judged as a whole, was measured wrongly. (Corners measured one
// by one are judged later, one by one.) No more than a tenth of all
// can be. Of a photo with two views nobody can tell which is wrong: the photo is.
func (t *trial) offViews(obs []Observation) []*trial {
	n, costs := t.misfits(obs)
	var list []int
	inPhoto := map[int]int{}
	for v, part := range n.views {
		if part.id >= 0 {
			inPhoto[obs[v].Photo]++
		}
	}
	for v, part := range n.views {
		if part.id >= 0 && part.f.rows != nil && inPhoto[obs[v].Photo] > 2 {
			list = append(list, v)
		}
	}
	if len(t.off) > len(list)/10 {
		return nil
	}
	sort.SliceStable(list, func(a, b int) bool { return costs[list[a]] > costs[list[b]] })
	var out []*trial
	for _, v := range list[:min(6, len(list))] {
		x := t.copy(Fault{})
		if x.off == nil {
			x.off = map[int]bool{}
		}
		x.off[v] = true
		out = append(out, x)
	}
	return out
}

// mishaps lists what may have happened, the simpler first.
func (t *trial) mishaps(obs []Observation) []*trial {
	j, c := t.job, t.job.Cast()
	var out []*trial
	name := func(st int) string { return j.Stations[st].Name }
	for _, p := range t.worstPhotos(obs, 6) {
		x := t.copy(Fault{Kind: PhotoMisfiled, Photo: j.Photos[p].Path, Station: name(j.Photos[p].Station),
			Text: fmt.Sprintf("%s does not fit the other photographs of station %s and is left out", j.Photos[p].Path, name(j.Photos[p].Station))})
		x.used[p] = false
		out = append(out, x)
	}
	laySeen := func(f int, stations []int) bool {
		for v, o := range obs {
			st := j.Photos[o.Photo].Station
			if t.used[o.Photo] && !t.off[v] && c.floorAt[o.Board][st] == f && slices.Contains(stations, st) {
				return true
			}
		}
		return false
	}
	for f, lay := range j.Floor {
		for st := 1; st < len(j.Stations); st++ {
			before, after := lay.Stations.Cut(st, len(j.Stations))
			if !slices.Contains(after, st) || !laySeen(f, before) || !laySeen(f, after) {
				continue
			}
			board := j.Boards[lay.Board].Name
			x := t.copy(Fault{Kind: FloorKicked, Board: board, Station: name(st),
				Text: fmt.Sprintf("floor board %s was moved before station %s: it is taken as another board from there on, and does not tie the stations together", board, name(st))})
			x.job.Floor[f].Stations = before
			x.job.Floor = append(x.job.Floor, Lay{lay.Board, after})
			x.state.FloorFromBoard = append(x.state.FloorFromBoard, t.state.FloorFromBoard[f])
			out = append(out, x)
		}
	}
	for h := range j.Hangs {
		for st := 1; st < len(j.Stations); st++ {
			if x := t.slip(h, st, obs); x != nil {
				out = append(out, x)
			}
		}
	}
	for axle, a := range j.Vehicle.Axles {
		for st := 1; a.Steered && st < len(j.Stations); st++ {
			if x := t.steer(axle+1, st); x != nil {
				out = append(out, x)
			}
		}
	}
	return out
}

// strained is what explains that statements yield where the corners fit: trials
// for those whose residuals are larger than any chance makes them. A statement
// that was let go is not looked at again.
func (t *trial) strained(obs []Observation) (out []*trial) {
	n := build(t.job, t.camera, t.kept(obs), t.state, t.used, 0)
	large := func(ids []bundle.ResidualID, rows int) bool {
		sum, count := 0.0, 0
		for _, id := range ids {
			if id < 0 {
				continue
			}
			r, _ := n.p.EvalResidual(id)
			for _, v := range r[:min(len(r), rows)] {
				sum, count = sum+v*v, count+1
			}
		}
		return count > 0 && survival(sum, count) < hardly
	}
	if n.file >= 0 && large([]bundle.ResidualID{n.file}, vision.NumIntrinsics) {
		out = append(out, t.mistaken()...)
	}
	if t.job.Priors.PrintSpread > 0 && (large(n.prints, 2) || slices.ContainsFunc(n.prints, func(id bundle.ResidualID) bool { return large([]bundle.ResidualID{id}, 2) })) {
		out = append(out, t.misprints(obs)...)
	}
	return out
}

// hardly is how unlikely residuals are by chance that ask for an explanation.
const hardly = 1e-9

// mistaken lists that the camera is another than its file's.
func (t *trial) mistaken() []*trial {
	if t.camera.Cov == nil || t.loose {
		return nil
	}
	x := t.copy(Fault{Kind: CameraMistaken,
		Text: "the camera is not what its file says: what it is is found from the photographs; use the file of this camera as it was used here (zoom, lens, focus), or calibrate it again with 'wheelplane camera'"})
	c := *t.camera
	cov := *c.Cov
	for i := range cov {
		for k := range cov[i] {
			cov[i][k] *= letGo * letGo
		}
	}
	c.Cov = &cov
	x.camera, x.loose = &c, true
	return []*trial{x}
}

// letGo is how many times less a camera file counts that was found mistaken.
const letGo = 100

// misprints lists that a board is of another size than the others, or all on the
// floor are.
func (t *trial) misprints(obs []Observation) (out []*trial) {
	j := t.job
	seen := j.whatIsSeen(j.Cast(), t.kept(obs), t.used).board
	add := func(f Fault, boards []int) {
		boards = slices.DeleteFunc(slices.Clone(boards), func(b int) bool { return !seen[b] || slices.Contains(j.Misprinted, b) })
		if len(boards) == 0 {
			return
		}
		x := t.copy(f)
		x.job.Misprinted = append(x.job.Misprinted, boards...)
		out = append(out, x)
	}
	for b, board := range j.Boards {
		add(Fault{Kind: BoardMisprinted, Board: board.Name,
			Text: fmt.Sprintf("board %s is not printed to the size of the others: its size is found from the photographs; print it anew with the others' printer and settings, or enter its own square_mm", board.Name)}, []int{b})
	}
	var floor []int
	for _, l := range j.Floor {
		floor = append(floor, l.Board)
	}
	add(Fault{Kind: BoardMisprinted,
		Text: "the boards on the floor are not printed to the size of those on wheels: each one's own is found from the photographs; print all with one printer and the same settings, or enter their own square_mm"}, floor)
	return out
}

// slip is the trial with the board of a hang slipped before a station, or nil
// if no photograph shows it both before and after.
func (t *trial) slip(h, st int, obs []Observation) *trial {
	j := t.job
	seen := j.whatIsSeen(j.Cast(), t.kept(obs), t.used).hang[h]
	hang := j.Hangs[h]
	before, after := hang.Stations.Cut(st, len(j.Stations))
	shown := func(st int) bool { return seen[st] }
	if !slices.Contains(after, st) || !slices.ContainsFunc(before, shown) || !slices.ContainsFunc(after, shown) {
		return nil
	}
	board, name := j.Boards[hang.Board].Name, j.Stations[st].Name
	x := t.copy(Fault{Kind: BoardSlipped, Board: board, Axle: hang.Wheel.Axle, Station: name,
		Text: fmt.Sprintf("board %s slipped on %s before station %s: before and after are taken as two hangs, each with its own runout; clamp it tighter and roll again if these wheels matter", board, hang.Wheel, name)})
	x.part, x.at = h, st
	x.job.Hangs[h].Stations = before
	x.job.Hangs = append(x.job.Hangs, Hang{hang.Board, hang.Wheel, after})
	// The new hang counts its spin from its first station.
	zero := t.state.Spin[h][after[slices.IndexFunc(after, shown)]]
	x.state.HubFromBoard = append(x.state.HubFromBoard, pose.SE3{R: pose.RotY(zero)}.Mul(t.state.HubFromBoard[h]))
	spin := slices.Clone(t.state.Spin[h])
	for k := range spin {
		spin[k] -= zero
	}
	x.state.Spin = append(x.state.Spin, spin)
	return x
}

// steer is the trial with an axle's wheels steered before a station, or nil if
// that sets nothing free.
func (t *trial) steer(axle, st int) *trial {
	j := t.job
	if j.Stations[st].Epoch != j.Stations[st-1].Epoch {
		return nil
	}
	before, name := j.Stations[st-1].Name, j.Stations[st].Name
	x := t.copy(Fault{Kind: WheelsSteered, Axle: axle, Station: name,
		Text: fmt.Sprintf("the wheels of axle %d were steered between stations %s and %s: their readings are those before; keep the steering wheel still while rolling", axle, before, name)})
	x.part, x.at = axle, st
	x.job.Splits = append(x.job.Splits, Split{Station: st, Wheels: []Wheel{{axle, align.Left}, {axle, align.Right}}})
	x.recast(j, t.state)
	if len(x.state.BodyFromHub) == len(t.state.BodyFromHub) {
		return nil
	}
	return x
}

// recast gives the axes of a changed job the values they had in the old one.
func (t *trial) recast(old *Job, s *State) {
	was, is := old.Cast(), t.job.Cast()
	t.state.BodyFromHub, t.state.BodyFromLine = make([]pose.SE3, len(is.Axes)), make([]pose.SE3, len(is.Axes))
	for w := range is.Wheels {
		for st := range old.Stations {
			t.state.BodyFromHub[is.AxisAt[w][st]] = s.BodyFromHub[was.AxisAt[w][st]]
			t.state.BodyFromLine[is.AxisAt[w][st]] = s.BodyFromLine[was.AxisAt[w][st]]
		}
	}
}

// mostMoves is how many moments a station is searched for at once.
const mostMoves = 24

// moves lists, for every station, that the vehicle moved after one of its
// photographs; of a station with very many, after some of them (see closer).
func (t *trial) moves() []*trial {
	var out []*trial
	for st := range t.job.Stations {
		photos := t.photosOf(st)
		stride := (len(photos) + mostMoves - 1) / mostMoves
		for k := stride; k >= 1 && k < len(photos); k += stride {
			out = append(out, t.move(st, photos, k, stride))
		}
	}
	return out
}

// closer finds the moment at which the vehicle moved where only some were looked
// at: photographs on the wrong side of it still contradict.
func (t *trial) closer(ctx context.Context, obs []Observation, best *trial) (*trial, error) {
	for best.stride > 1 {
		photos := t.photosOf(best.part)
		from, to := max(1, best.at-best.stride+1), min(len(photos), best.at+best.stride)
		stride := (to - from + mostMoves - 1) / mostMoves
		trials := []*trial{}
		for k := from; k < to; k += stride {
			trials = append(trials, t.move(best.part, photos, k, stride))
		}
		next, err := t.bestOf(ctx, obs, trials)
		if err != nil || next == t {
			return best, err
		}
		best = next
	}
	return best, nil
}

// photosOf lists a station's photos that take part.
func (t *trial) photosOf(st int) (photos []int) {
	for p, photo := range t.job.Photos {
		if photo.Station == st && t.used[p] {
			photos = append(photos, p)
		}
	}
	return photos
}

const afterMove = " after it moved"

// move is the trial with the vehicle moved before photo k of a station's.
func (t *trial) move(st int, photos []int, k, stride int) *trial {
	j := t.job
	station := j.Stations[st]
	from, to := j.Photos[photos[k-1]].Path, j.Photos[photos[k]].Path
	x := t.copy(Fault{Kind: VehicleMoved, Station: station.Name, Photo: to,
		Text: fmt.Sprintf("the vehicle moved while station %s was photographed, between %s and %s: the rest is taken as a station of its own; chock the wheels before photographing", station.Name, from, to)})
	x.part, x.at, x.stride = st, k, stride
	again := station
	if strings.Contains(again.Name, afterMove) {
		again.Name += " again"
	} else {
		again.Name += afterMove
	}
	x.job.Stations = append(x.job.Stations, again)
	extra := len(j.Stations)
	for _, p := range photos[k:] {
		x.job.Photos[p].Station = extra
	}
	for h := range x.job.Hangs {
		if l := x.job.Hangs[h].Stations; l != nil && slices.Contains(l, st) {
			x.job.Hangs[h].Stations = append(slices.Clone(l), extra)
		}
	}
	for f := range x.job.Floor {
		if l := x.job.Floor[f].Stations; l != nil && slices.Contains(l, st) {
			x.job.Floor[f].Stations = append(slices.Clone(l), extra)
		}
	}
	x.state.FloorFromBody = append(x.state.FloorFromBody, t.state.FloorFromBody[st])
	for h := range x.state.Spin {
		x.state.Spin[h] = append(x.state.Spin[h], t.state.Spin[h][st])
	}
	for w := range x.state.Steer {
		x.state.Steer[w] = append(x.state.Steer[w], t.state.Steer[w][st])
	}
	x.recast(j, t.state)
	return x
}

// whereItBelongs tries the photo that was left out at every other station.
func (t *trial) whereItBelongs(ctx context.Context, obs []Observation, job *Job) {
	p := slices.IndexFunc(job.Photos, func(p Photo) bool { return p.Path == t.fault.Photo })
	for st := range job.Stations {
		if st == job.Photos[p].Station {
			continue
		}
		x := t.copy(t.fault)
		x.used[p] = true
		x.job.Photos[p].Station = st
		if x.solve(ctx, obs); x.cost < 1.1*t.cost {
			t.fault.Text += fmt.Sprintf("; it fits station %s: file it there", job.Stations[st].Name)
			return
		}
	}
}

// misfits is the cost of each view at the trial's state. No corner counts for
// more than some of the usual ones together, and no row of a view whose corners
// hang together: wrong corners are dealt with later, a mishap moves all corners
// of a place.
func (t *trial) misfits(obs []Observation) (*network, []float64) {
	n := build(t.job, t.camera, t.kept(obs), t.state, t.used, 0)
	var all [2][]float64 // per row, of pairs and of views
	kind, costs := make([]int, len(obs)), make([][]float64, len(obs))
	for v, part := range n.views {
		if part.id < 0 {
			continue
		}
		if part.f.rows != nil {
			kind[v] = 1
		}
		size := part.f.group()
		loss := bundle.Huber(widthFor(size, robustWidth))
		for _, square := range n.squares(part) {
			rho, _ := loss.Rho(square)
			costs[v] = append(costs[v], rho/2/float64(size))
		}
		all[kind[v]] = append(all[kind[v]], costs[v]...)
	}
	var limit [2]float64
	for k, list := range all {
		if len(list) > 0 {
			slices.Sort(list)
			limit[k] = 15 * list[len(list)/2]
		}
	}
	out := make([]float64, len(obs))
	for v := range costs {
		for _, c := range costs[v] {
			out[v] += math.Min(c, limit[kind[v]]) * float64(n.views[v].f.group())
		}
	}
	return n, out
}

// worstPhotos returns the photos that fit worst.
func (t *trial) worstPhotos(obs []Observation, count int) []int {
	sum := map[int]float64{}
	_, costs := t.misfits(obs)
	for v, cost := range costs {
		if t.used[obs[v].Photo] {
			sum[obs[v].Photo] += cost
		}
	}
	list := slices.Sorted(maps.Keys(sum))
	sort.SliceStable(list, func(a, b int) bool { return sum[list[a]] > sum[list[b]] })
	return list[:min(count, len(list))]
}
