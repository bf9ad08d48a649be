package rig

import (
	"fmt"
	"math"
	"slices"

	"wheelplane/pose"
	"wheelplane/pose/align"
	"wheelplane/pose/bundle"
	"wheelplane/vision"

	"gonum.org/v1/gonum/mat"
)

// allReadings derives the readings of every epoch.
func (n *network) allReadings(s *State, cov covariance) ([]EpochReadings, error) {
	var out []EpochReadings
	for e, epoch := range n.job.Epochs {
		if n.stationsOf(e) == nil {
			continue
		}
		set, stance, err := n.readings(s, cov, e)
		if err != nil {
			return nil, fmt.Errorf("epoch %q: %w", epoch.Name, err)
		}
		out = append(out, EpochReadings{Epoch: epoch.Name, Set: *set, Stance: *stance})
	}
	return out, nil
}

// stationsOf lists the stations of an epoch.
func (n *network) stationsOf(epoch int) []int { return n.cast.stationsOf(epoch) }

func (c *Cast) stationsOf(epoch int) []int {
	var out []int
	for st, e := range c.epochOf {
		if e == epoch {
			out = append(out, st)
		}
	}
	return out
}

// readings derives the readings of one epoch, and tells the stance they are
// derived from.
func (n *network) readings(s *State, cov covariance, epoch int) (*align.Set, *align.Stance, error) {
	j, c := n.job, n.cast
	if err := c.joined(j, n.seen, epoch); err != nil {
		return nil, nil, err
	}
	level := n.level(s, epoch)
	var wheels []align.Wheel
	var axes []int
	for w := range c.Wheels {
		a := c.standing(j, w, epoch)
		if a < 0 || !n.seen.axis[a] {
			continue
		}
		axes = append(axes, a)
		wheels = append(wheels, alignWheel(c.Wheels[w], level.Mul(s.BodyFromHub[a])))
	}
	// The joint covariance of the hubs' steps in the body, and of the kingpin.
	var ids []bundle.BlockID
	for _, a := range axes {
		ids = append(ids, n.hubs[a])
	}
	rows, cols := 6*len(axes), 5*len(axes)
	var kingpin *pose.Vec
	if k := j.Kingpin; k != nil {
		b := slices.Index(j.Body, k.Board)
		if !slices.Contains(n.seen.body[b], true) {
			return nil, nil, fmt.Errorf("board %s, which marks the kingpin, is in no photograph that ties to the others: photograph it together with a wheel's board", j.Boards[k.Board].Name)
		}
		p := level.Apply(s.BodyFromBoard[b].Apply(k.Point))
		kingpin = &p
		ids = append(ids, n.body[b])
		rows, cols = rows+3, cols+6
	}
	m := mat.NewDense(rows, cols, nil)
	for i, a := range axes {
		step := hubStep(level.Mul(s.BodyFromHub[a]))
		for r := range 6 {
			for k := range 5 {
				m.Set(6*i+r, 5*i+k, step[r][k])
			}
		}
	}
	if kingpin != nil {
		// A step (ω, τ) of bodyFromBoard moves the point by ω × (R·x) + τ.
		b := slices.Index(j.Body, j.Kingpin.Board)
		x := pose.Skew(s.BodyFromBoard[b].R.Apply(j.Kingpin.Point))
		for r := range 3 {
			for k := range 3 {
				m.Set(rows-3+r, cols-6+k, -x[r][k])
			}
			m.Set(rows-3+r, cols-3+r, 1)
		}
	}
	sym := align.Propagate(m, cov.Joint(ids))
	if kingpin != nil {
		for r := rows - 3; r < rows; r++ {
			sym.SetSym(r, r, sym.At(r, r)+j.Kingpin.U*j.Kingpin.U)
		}
	}
	set, err := align.Derive(wheels, kingpin, sym, j.Vehicle.Reference)
	if err != nil {
		return nil, nil, err
	}
	n.appendRunout(set, s, cov, epoch)
	n.appendRolling(set, s, cov, epoch)
	n.appendSweep(set, level, cov, epoch)
	if j.frontless(wheels) {
		set = set.Without(func(r align.Reading) bool { return slices.Contains(alongCentreline, r.Quantity) })
	}
	return set, &align.Stance{Wheels: wheels, Kingpin: kingpin, Cov: sym, Reference: j.Vehicle.Reference}, nil
}

// alongCentreline lists what is read against the centreline: of an epoch that does not
// show the job's front axle it would be read against another line than in the others,
// and is not told.
var alongCentreline = []align.Quantity{align.Toe, align.AxleHeading, align.ThrustAngle, align.AxleOffset, align.Wheelbase, align.TravelDirection}

// frontless tells whether the wheels of an epoch lack the job's front axle, through
// which the centreline is drawn.
func (j *Job) frontless(wheels []align.Wheel) bool {
	return j.Kingpin == nil && frontOf(wheels) != j.front()
}

// front is the first axle that carries boards on both sides at some time, 0 for none.
func (j *Job) front() int {
	var wheels []align.Wheel
	for _, h := range j.Hangs {
		wheels = append(wheels, align.Wheel{Axle: h.Wheel.Axle, Side: h.Wheel.Side})
	}
	return frontOf(wheels)
}

// frontOf is the first axle of which both wheels are there, 0 for none.
func frontOf(wheels []align.Wheel) int {
	front := 0
	for _, l := range wheels {
		for _, r := range wheels {
			if l.Axle == r.Axle && l.Side == align.Left && r.Side == align.Right && (front == 0 || l.Axle < front) {
				front = l.Axle
			}
		}
	}
	return front
}

// level turns the body of an epoch so that its z is the floor's where this body
// first stood: a vehicle of which every axle was adjusted is another body to the
// solution, and stands level where that begins. Solutions have it so by
// themselves; states known exactly (of scenes) follow one body all along, whose
// floor is not level everywhere.
func (n *network) level(s *State, epoch int) pose.SE3 {
	floorFromBody := s.FloorFromBody[n.seen.frame[n.stationsOf(epoch)[0]]]
	x := floorFromBody.R.Column(0)
	r := pose.RotZ(-math.Atan2(x[1], x[0])).Mul(floorFromBody.R)
	if pose.Norm(r.Log()) < 1e-12 {
		return pose.Identity()
	}
	return pose.SE3{R: r}
}

// inEpoch tells whether a hang is photographed in an epoch.
func (n *network) inEpoch(h, epoch int) bool {
	for _, st := range n.stationsOf(epoch) {
		if n.seen.hang[h][st] {
			return true
		}
	}
	return false
}

// appendRunout adds the boards' runout. It belongs to a hang, which an epoch
// does not end; its covariance with the angles is not needed and left at zero.
func (n *network) appendRunout(set *align.Set, s *State, cov covariance, epoch int) {
	for h, hang := range n.job.Hangs {
		if !n.inEpoch(h, epoch) || set.Find(align.Runout, hang.Wheel.Axle, hang.Wheel.Side) >= 0 {
			continue
		}
		normal := s.HubFromBoard[h].R.Column(2)
		// d(normal) = ω × normal, of which x and z.
		m := mat.NewDense(2, 6, []float64{0, normal[2], -normal[1], 0, 0, 0, normal[1], -normal[0], 0, 0, 0, 0})
		ct := align.Propagate(m, cov.Joint([]bundle.BlockID{n.hangs[h]}))
		v, u := align.RunoutOf(boardTilt(s.HubFromBoard[h]), [2][2]float64{{ct.At(0, 0), ct.At(0, 1)}, {ct.At(0, 1), ct.At(1, 1)}})
		set.Append(align.Reading{Quantity: align.Runout, Axle: hang.Wheel.Axle, Side: hang.Wheel.Side, Value: v}, u)
	}
}

// derive propagates the covariance of some blocks through f, which is given
// their values, by central differences of their steps.
func (n *network) derive(cov covariance, l list, f func(x [][]float64) []float64) (value, u []float64) {
	c, value := n.spreadTo(cov, l, f)
	for r := range value {
		u = append(u, math.Sqrt(math.Max(0, c.At(r, r))))
	}
	return value, u
}

// spreadTo is derive with the joint covariance of what f gives.
func (n *network) spreadTo(cov covariance, l list, f func(x [][]float64) []float64) (*mat.SymDense, []float64) {
	blocks, manifolds := l.ids, l.m
	x := make([][]float64, len(blocks))
	dims := 0
	for i, id := range blocks {
		x[i] = n.p.Value(id)
		dims += manifolds[i].Dim()
	}
	value := f(x)
	m := mat.NewDense(len(value), dims, nil)
	col := 0
	const h = 1e-6 // rad or m; the functions are smooth on the scale of 1
	for i := range blocks {
		centre := x[i]
		for k := range manifolds[i].Dim() {
			var v [2][]float64
			for e, sign := range []float64{1, -1} {
				d := make([]float64, manifolds[i].Dim())
				d[k] = sign * h
				x[i] = make([]float64, len(centre))
				manifolds[i].Plus(centre, d, x[i])
				v[e] = f(x)
			}
			for r := range value {
				m.Set(r, col, (v[0][r]-v[1][r])/(2*h))
			}
			col++
		}
		x[i] = centre
	}
	return align.Propagate(m, cov.Joint(blocks)), value
}

// list collects distinct blocks for derive and remembers where each went.
type list struct {
	ids []bundle.BlockID
	m   []bundle.Manifold
}

func (l *list) add(id bundle.BlockID, m bundle.Manifold) int {
	if i := slices.Index(l.ids, id); i >= 0 {
		return i
	}
	l.ids, l.m = append(l.ids, id), append(l.m, m)
	return len(l.ids) - 1
}

// appendRolling adds, for an epoch in which the vehicle rolled, each wheel's
// rolling radius (way of its centre over turned angle), the direction in which
// the vehicle travelled, and its difference from the thrust angle: two
// independent measures of the thrust line.
func (n *network) appendRolling(set *align.Set, s *State, cov covariance, epoch int) {
	j, c := n.job, n.cast
	rolled := func(st int) bool { return !j.Stations[st].Sweep && len(j.Stations[st].Lifted) == 0 }
	for h, hang := range j.Hangs {
		w := c.wheelOf[h]
		// The two stations between which it turned farthest.
		first, last := -1, -1
		for _, st := range n.stationsOf(epoch) {
			if !n.seen.hang[h][st] || !rolled(st) || first >= 0 && c.AxisAt[w][st] != c.AxisAt[w][first] {
				continue
			}
			if first < 0 {
				first, last = st, st
			}
			if s.Spin[h][st] < s.Spin[h][first] {
				first = st
			}
			if s.Spin[h][st] > s.Spin[h][last] {
				last = st
			}
		}
		if first < 0 || s.Spin[h][last]-s.Spin[h][first] < LeastTurn || set.Find(align.RollingRadius, hang.Wheel.Axle, hang.Wheel.Side) >= 0 {
			continue
		}
		var l list
		a, b := l.add(n.stations[first], bundle.PoseManifold), l.add(n.stations[last], bundle.PoseManifold)
		hub := l.add(n.hubs[c.AxisAt[w][first]], hubManifold{})
		sa, sb := l.add(n.spins[h][first], bundle.Euclidean(1)), l.add(n.spins[h][last], bundle.Euclidean(1))
		v, u := n.derive(cov, l, func(x [][]float64) []float64 {
			centre := bundle.GetPose(x[hub]).T
			d := pose.Sub(bundle.GetPose(x[b]).Apply(centre), bundle.GetPose(x[a]).Apply(centre))
			return []float64{math.Hypot(d[0], d[1]) / math.Abs(x[sb][0]-x[sa][0])}
		})
		set.Append(align.Reading{Quantity: align.RollingRadius, Axle: hang.Wheel.Axle, Side: hang.Wheel.Side, Value: v[0]}, u[0])
	}

	// The way of the centreline's rear point over the floor, seen in the body
	// half way.
	if set.Find(align.ThrustAngle, j.Vehicle.Reference, align.NoSide) < 0 {
		return
	}
	first, last := -1, -1
	way := func(st int) float64 { return pose.Norm(pose.Sub(s.FloorFromBody[st].T, s.FloorFromBody[first].T)) }
	for _, st := range n.stationsOf(epoch) {
		if !rolled(st) || n.seen.frame[st] != n.seen.frame[n.stationsOf(epoch)[0]] {
			continue
		}
		if first < 0 {
			first, last = st, st
		}
		if way(st) > way(last) {
			last = st
		}
	}
	const leastWay = 0.05 // m
	if first < 0 || way(last) < leastWay {
		return
	}
	var l list
	a, b := l.add(n.stations[first], bundle.PoseManifold), l.add(n.stations[last], bundle.PoseManifold)
	line := n.centrelineOf(epoch, &l)
	ref := [2]int{}
	for i, side := range []align.Side{align.Left, align.Right} {
		w := slices.Index(c.Wheels, Wheel{j.Vehicle.Reference, side})
		ref[i] = l.add(n.hubs[c.standing(j, w, epoch)], hubManifold{})
	}
	v, u := n.derive(cov, l, func(x [][]float64) []float64 {
		line := line(x)
		refMid := midpoint(x, ref[0], ref[1])
		t0, t1 := bundle.GetPose(x[a]), bundle.GetPose(x[b])
		way := pose.Sub(t1.Apply(refMid), t0.Apply(refMid))
		// The chord of an arc points along the body half way.
		h0, h1 := t0.R.Apply(pose.RotZ(line).Column(0)), t1.R.Apply(pose.RotZ(line).Column(0))
		half := (math.Atan2(h0[1], h0[0]) + math.Atan2(h1[1], h1[0])) / 2
		direction := math.Remainder(math.Atan2(way[1], way[0])-half, math.Pi) // rolled forward or back
		heading := 0.0
		for i, side := range []align.Side{align.Left, align.Right} {
			heading += alignWheel(Wheel{0, side}, bundle.GetPose(x[ref[i]])).HeadingOf() / 2
		}
		return []float64{direction, direction - (heading - line)}
	})
	set.Append(align.Reading{Quantity: align.TravelDirection, Axle: j.Vehicle.Reference, Value: v[0]}, u[0])
	set.Append(align.Reading{Quantity: align.TravelMinusThrust, Axle: j.Vehicle.Reference, Value: v[1]}, u[1])
}

// midpoint of two hubs in a list of values.
func midpoint(x [][]float64, a, b int) pose.Vec {
	return pose.Scale(0.5, pose.Add(bundle.GetPose(x[a]).T, bundle.GetPose(x[b]).T))
}

// centrelineOf adds to the list what an epoch's centreline depends on, and
// returns its heading as a function of the list's values (see [align.Derive]).
func (n *network) centrelineOf(epoch int, l *list) func(x [][]float64) float64 {
	hubs := func(axle int) (out []int) {
		var ids []bundle.BlockID
		for _, side := range []align.Side{align.Left, align.Right} {
			if w := slices.Index(n.cast.Wheels, Wheel{axle, side}); w >= 0 {
				if a := n.cast.standing(n.job, w, epoch); a >= 0 && n.seen.axis[a] {
					ids = append(ids, n.hubs[a])
				}
			}
		}
		if len(ids) == 2 {
			out = []int{l.add(ids[0], hubManifold{}), l.add(ids[1], hubManifold{})}
		}
		return
	}
	ref := n.job.Vehicle.Reference
	rear := hubs(ref)
	if k := n.job.Kingpin; k != nil {
		b := l.add(n.body[slices.Index(n.job.Body, k.Board)], bundle.PoseManifold)
		return func(x [][]float64) float64 {
			return align.Centreline(midpoint(x, rear[0], rear[1]), bundle.GetPose(x[b]).Apply(k.Point))
		}
	}
	var front []int
	for axle := 1; axle <= len(n.job.Vehicle.Axles) && front == nil; axle++ {
		if front = hubs(axle); front != nil && axle == ref {
			rear = nil
			for last := len(n.job.Vehicle.Axles); last > axle && rear == nil; last-- {
				rear = hubs(last)
			}
		}
	}
	return func(x [][]float64) float64 {
		return align.Centreline(midpoint(x, rear[0], rear[1]), midpoint(x, front[0], front[1]))
	}
}

// appendSweep adds what the steering sweep of an epoch tells: for each swept
// wheel the steering axis and the steer angle at each station, and what follows
// for axles from both their wheels.
func (n *network) appendSweep(set *align.Set, level pose.SE3, cov covariance, epoch int) {
	j, c := n.job, n.cast
	var l list
	line := n.centrelineOf(epoch, &l)
	type swept struct {
		wheel    Wheel
		hub, pin int
		stations []int
		angle    []int // where the steer of each station is in the list
	}
	var wheels []swept
	for w, wheel := range c.Wheels {
		a := c.standing(j, w, epoch)
		if a < 0 || n.lines[a] < 0 || !n.seen.axis[a] {
			continue
		}
		x := swept{wheel: wheel, hub: l.add(n.hubs[a], hubManifold{}), pin: l.add(n.lines[a], lineManifold{})}
		for st := range j.Stations {
			if n.steers[w][st] >= 0 && c.AxisAt[w][st] == a {
				x.stations = append(x.stations, st)
				x.angle = append(x.angle, l.add(n.steers[w][st], bundle.Euclidean(1)))
			}
		}
		wheels = append(wheels, x)
	}
	if len(wheels) == 0 {
		return
	}
	var names []align.Reading
	v, u := n.derive(cov, l, func(x [][]float64) []float64 {
		names = names[:0]
		var out []float64
		add := func(q align.Quantity, axle int, side align.Side, station string, v float64) {
			names = append(names, align.Reading{Quantity: q, Axle: axle, Side: side, Station: station})
			out = append(out, v)
		}
		centreline := line(x)
		type told struct {
			caster, inclination float64
			steer               map[int]float64 // by station
		}
		by := map[Wheel]told{}
		for _, k := range wheels {
			bodyFromLine, bodyFromHub := level.Mul(bundle.GetPose(x[k.pin])), level.Mul(bundle.GetPose(x[k.hub]))
			pivot := align.Pivot{Up: bodyFromLine.R.Column(2), Point: bodyFromLine.T}
			straight := alignWheel(k.wheel, bodyFromHub)
			scrub, trail := align.ScrubRadiusAndTrail(straight, pivot)
			t := told{pivot.CasterOf(centreline), pivot.InclinationOf(k.wheel.Side, centreline), map[int]float64{}}
			add(align.Caster, k.wheel.Axle, k.wheel.Side, "", t.caster)
			add(align.Kingpin, k.wheel.Axle, k.wheel.Side, "", t.inclination)
			add(align.ScrubRadius, k.wheel.Axle, k.wheel.Side, "", scrub)
			add(align.Trail, k.wheel.Axle, k.wheel.Side, "", trail)
			most := 0.0
			for i, st := range k.stations {
				now := alignWheel(k.wheel, steerBy(bodyFromLine, x[k.angle[i]][0]).Mul(bodyFromHub))
				a := math.Remainder(now.HeadingOf()-straight.HeadingOf(), 2*math.Pi)
				t.steer[st] = a
				most = math.Max(most, math.Abs(a))
				add(align.SteerAngle, k.wheel.Axle, k.wheel.Side, j.Stations[st].Name, a)
			}
			if len(k.stations) > 0 {
				add(align.MaxSteer, k.wheel.Axle, k.wheel.Side, "", most)
			}
			by[k.wheel] = t
		}
		mean := func(axle, st int) (m float64, ok bool) {
			l, okl := by[Wheel{axle, align.Left}].steer[st]
			r, okr := by[Wheel{axle, align.Right}].steer[st]
			return (l + r) / 2, okl && okr
		}
		first := 0
		for axle := 1; axle <= len(j.Vehicle.Axles); axle++ {
			left, okl := by[Wheel{axle, align.Left}]
			right, okr := by[Wheel{axle, align.Right}]
			if !okl || !okr {
				continue
			}
			if first == 0 {
				first = axle
			}
			add(align.CrossCaster, axle, align.NoSide, "", left.caster-right.caster)
			add(align.CrossKingpin, axle, align.NoSide, "", left.inclination-right.inclination)
			for st, stop := range j.Stations {
				m, ok := mean(axle, st)
				if !ok {
					continue
				}
				// To the left the left wheel is the inner one, to the right the
				// right one, whose angle is then the more negative.
				add(align.ToeOutOnTurns, axle, align.NoSide, stop.Name, left.steer[st]-right.steer[st])
				if f, ok := mean(first, st); ok && axle > first {
					add(align.SteerRatio, axle, align.NoSide, stop.Name, m/f)
				}
			}
		}
		return out
	})
	for i, r := range names {
		r.Value = v[i]
		set.Append(r, u[i])
	}
}

// covariance is the joint covariance of blocks, or of a state that is known
// exactly.
type covariance interface {
	Joint(ids []bundle.BlockID) *mat.SymDense
}

// exactly has no uncertainty.
type exactly struct{ p *bundle.Problem }

func (e exactly) Joint(ids []bundle.BlockID) *mat.SymDense {
	n := 0
	for _, id := range ids {
		n += e.p.Dim(id)
	}
	return mat.NewSymDense(n, nil)
}

// everything is what photographs would hold that showed every board.
func (j *Job) everything(c *Cast) (obs []Observation, used []bool) {
	corner := []vision.Corner{{Cov: [3]float64{1, 0, 1}}} // that it is there is all that counts
	used = make([]bool, len(j.Photos))
	for p, photo := range j.Photos {
		used[p] = true
		for b := range j.Boards {
			if c.seatOf(b, photo.Station).kind != nowhere {
				obs = append(obs, Observation{Photo: p, Board: b, Corners: corner})
			}
		}
	}
	return obs, used
}

// Truth returns the readings of a state that is known exactly, with
// uncertainty zero: all that a solution could have, as if every photograph
// showed every board.
func (j *Job) Truth(s *State) ([]EpochReadings, error) {
	obs, used := j.everything(j.Cast())
	n := build(j, &s.Camera, obs, s, used, 0)
	return n.allReadings(s, exactly{&n.p})
}
