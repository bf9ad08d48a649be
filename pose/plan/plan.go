// Package plan chooses photographs before they are taken. A plan is a job without
// photographs, whose observations are predicted and go through the chain that
// solves: nothing is computed another way.
package plan

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sync"

	"wheelplane/pose"
	"wheelplane/pose/align"
	"wheelplane/pose/bundle"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

// Options steer [Make]; the zero value works.
type Options struct {
	// Wanted is the standard uncertainty wanted of camber, toe, thrust and scrub
	// angles, rad. 0: 0.015 degrees.
	Wanted float64
	// Turn is how far the wheels turn from station to station, rad. 0: 30 degrees.
	Turn float64
	// MostPhotos is where to stop at each station, wanted or not. 0: 20.
	MostPhotos int
	Detector   Detector
	// Steady has a shot name only boards that are in the picture from half a metre
	// beside too, and the plan hang on these alone.
	Steady bool
	// Where the boards on the floor and the body are. nil: FloorPlaces, BodyPlaces.
	FloorFromBoard, BodyFromBoard []pose.SE3
	// Stations, where not nil, are those that [Next] may photograph: the vehicle
	// has left the others.
	Stations []int
}

func (o Options) withDefaults(job *rig.Job) Options {
	if o.Wanted == 0 {
		o.Wanted = 0.015 * math.Pi / 180
	}
	if o.Turn == 0 {
		o.Turn = 30 * math.Pi / 180
	}
	if o.MostPhotos == 0 {
		o.MostPhotos = 20
	}
	if o.FloorFromBoard == nil {
		o.FloorFromBoard = FloorPlaces(job, len(job.Floor))
	}
	if o.BodyFromBoard == nil {
		o.BodyFromBoard = BodyPlaces(job)
	}
	return o
}

// Share is how many times as uncertain as camber, toe, thrust and scrub a reading
// may be; 0 for those that no plan works for. Steering axes are wanted where the
// job steers, and less well: their tolerances are so much wider (common practice,
// no source).
func Share(q align.Quantity) float64 {
	switch q {
	case align.Camber, align.Toe, align.ThrustAngle, align.ScrubAngle:
		return 1
	case align.Caster:
		return 4
	case align.Kingpin:
		return 10
	}
	return 0
}

// IsWanted tells whether a plan works for a reading.
func IsWanted(r align.Reading) bool { return Share(r.Quantity) > 0 }

// Plan is what to photograph, and what to expect of it.
type Plan struct {
	Job      *rig.Job   // its photos are the shots
	State    *rig.State // as it would be
	Shots    []Shot
	Obs      []rig.Observation
	Readings []rig.EpochReadings
	Rolled   []float64 // by station, from the first, m
	Worst    float64   // largest uncertainty of a wanted reading over its Share, rad
	Met      bool      // no more than wanted
	// Trade is Worst by number of photographs, as they were chosen; the first
	// entries are infinite.
	Trade []float64
}

// Rolls tells how far the vehicle has rolled by each station, m, and how far
// lifted wheels were spun, rad: by turn each time.
func Rolls(job *rig.Job, turn float64) (rolled, spun []float64) {
	way := turn * radius(job.Vehicle.Axles[0])
	at, hand := 0.0, 0.0
	for st, s := range job.Stations {
		switch {
		case rollsTo(job, st):
			at += way
		case st > 0 && len(s.Lifted) > 0 && len(job.Stations[st-1].Lifted) > 0:
			hand += 75 * math.Pi / 180
		}
		rolled, spun = append(rolled, at), append(spun, hand)
	}
	return rolled, spun
}

// Make plans the photographs of a job; those it has do not count.
func Make(job *rig.Job, camera vision.Camera, o Options) (*Plan, error) {
	o = o.withDefaults(job)
	rolled, spun := Rolls(job, o.Turn)
	s := job.Nominal(camera, rolled, spun, o.FloorFromBoard, o.BodyFromBoard)
	e, err := newEngine(job, camera, s, nil, nil, o)
	if err != nil {
		return nil, err
	}
	var trade []float64
	e.grow(o.MostPhotos*len(job.Stations), true, func(n int, worst float64) {
		for len(trade) < n-1 {
			trade = append(trade, math.Inf(1))
		}
		trade = append(trade, worst)
	})
	e.control()
	e.thin()
	p := &Plan{Rolled: rolled, Trade: trade}
	for _, k := range e.chosen {
		p.Shots = append(p.Shots, e.shots[k-e.given])
	}
	// As one walks round the vehicle, from its left front corner rearwards.
	around := func(s Shot) float64 { return math.Atan2(s.At[1], -(s.At[0] - e.middle())) }
	slices.SortStableFunc(p.Shots, func(a, b Shot) int {
		return cmp.Or(cmp.Compare(a.Station, b.Station), cmp.Compare(walk(around(a)), walk(around(b))))
	})
	return p, p.predict(job, camera, s, o)
}

// grow chooses photographs by what each adds, until all readings are known as
// wanted, where that is enough, or more do not help, or there are most of them.
// tell is called with their number and the worst uncertainty, from when all boards
// are tied together on.
func (e *engine) grow(most int, enough bool, tell func(n int, worst float64)) {
	e.ring()
	tell(len(e.chosen), e.worst())
	for len(e.chosen) < most && !(enough && e.met()) {
		k, gain := e.best()
		if k < 0 || enough && gain < 0.002*e.cost() {
			break
		}
		e.add(k)
		tell(len(e.chosen), e.worst())
	}
}

// walk turns a direction from the middle, left = π/2, into the way walked: 0 at the
// front left, growing rearwards along the left side.
func walk(direction float64) float64 {
	return math.Mod(math.Pi-direction+2*math.Pi, 2*math.Pi)
}

// middle is half way along the vehicle, in the body.
func (e *engine) middle() float64 {
	return (axleX(e.job, 0) + axleX(e.job, len(e.job.Vehicle.Axles)-1)) / 2
}

// predict fills in what is to be expected of the shots: of all boards in their
// pictures, for what a steady shot names is only what it shows for certain.
func (p *Plan) predict(job *rig.Job, camera vision.Camera, s *rig.State, o Options) (err error) {
	p.Job, p.State, p.Obs = WithShots(job, s, inFull(job, camera, s, p.Shots, o.Detector))
	if p.Readings, err = rig.Predict(p.Job, camera, p.Obs, p.State); err != nil {
		return err
	}
	p.Worst = Worst(p.Readings)
	p.Met = p.Worst <= o.Wanted*(1+1e-6)
	return nil
}

// Worst is the largest uncertainty of a wanted reading over its [Share], rad.
func Worst(list []rig.EpochReadings) (u float64) {
	for _, set := range list {
		for i, r := range set.Readings {
			if IsWanted(r) {
				u = math.Max(u, set.U(i)/Share(r.Quantity))
			}
		}
	}
	return u
}

// WithShots returns a job whose photos are these shots, its state, and what they
// would hold.
func WithShots(job *rig.Job, s *rig.State, shots []Shot) (*rig.Job, *rig.State, []rig.Observation) {
	j, state := job.Clone(), *s
	j.Photos, state.Cameras, state.Wanders = nil, nil, nil
	var obs []rig.Observation
	for k, shot := range shots {
		j.Photos = append(j.Photos, rig.Photo{Path: fmt.Sprintf("photos/%s/%02d.jpg", j.Stations[shot.Station].Name, k+1), Station: shot.Station})
		state.Cameras = append(state.Cameras, shot.CameraFromFloor)
		for _, v := range shot.views {
			v.Photo = k
			obs = append(obs, v)
		}
	}
	return j, &state, obs
}

// Next returns the photographs, up to count, that would help most the wanted
// readings of a job that has some: s is where everything is, with a camera for
// each photo, obs what they hold (of a job that was solved [rig.Solution.Observations]),
// used which of them count. The first helps most;
// each counts with those before it. Worst is what is left after each, rad.
func Next(job *rig.Job, camera vision.Camera, s *rig.State, obs []rig.Observation, used []bool, count int, o Options) (shots []Shot, worst []float64, err error) {
	o = o.withDefaults(job)
	o.Detector = o.Detector.As(job, &camera, obs, used)
	s = rolledOn(job, s, obs, used, o.Turn)
	e, err := newEngine(job, camera, s, obs, used, o)
	if err != nil {
		return nil, nil, err
	}
	for k := range e.given {
		e.add(k)
	}
	for range count {
		k, _ := e.best()
		if k < 0 {
			break
		}
		e.add(k)
		shots, worst = append(shots, e.shots[k-e.given]), append(worst, e.worst())
	}
	return shots, worst, nil
}

// rolledOn returns a state in which wheels have turned, too, that no photograph shows
// at a station: by as much as the vehicle has rolled since one that shows them, or as
// lifted wheels are spun by hand. A solution leaves them as they were, and a
// photograph of a wheel that has not turned would tell nothing of its runout.
func rolledOn(job *rig.Job, s *rig.State, obs []rig.Observation, used []bool, turn float64) *rig.State {
	out := *s
	out.Spin = slices.Clone(s.Spin)
	_, spun := Rolls(job, turn)
	for h, hang := range job.Hangs {
		shown := make([]bool, len(job.Stations))
		for _, ob := range obs {
			if st := job.Photos[ob.Photo].Station; ob.Board == hang.Board && used[ob.Photo] && hang.Stations.Has(st) {
				shown[st] = true
			}
		}
		from := slices.Index(shown, true)
		if from < 0 {
			for from = 0; !hang.Stations.Has(from); from++ {
			}
		}
		out.Spin[h] = slices.Clone(s.Spin[h])
		start := s.FloorFromBody[from]
		for st, stop := range job.Stations {
			if shown[st] || st == from || !hang.Stations.Has(st) {
				continue
			}
			turned := spun[st] - spun[from]
			if !slices.Contains(stop.Lifted, hang.Wheel) && !slices.Contains(job.Stations[from].Lifted, hang.Wheel) {
				way := pose.Dot(start.R.Column(0), pose.Sub(s.FloorFromBody[st].T, start.T))
				turned = way / radius(job.Vehicle.Axles[hang.Wheel.Axle-1])
			}
			// Forward is about the body's +y, which is outboard on the left only.
			out.Spin[h][st] = s.Spin[h][from] + hang.Wheel.Side.Outboard()*turned
		}
	}
	return &out
}

// engine chooses among photographs by what they add.
type engine struct {
	o     Options
	job   *rig.Job
	given int    // photographs that are there, before the shots
	shots []Shot // to choose from
	shares
	repeats
	alone  []*mat.Dense  // what each photograph tells by itself, as rows
	priors *mat.SymDense // information beforehand
	q      *mat.Dense    // G·C of the wanted readings
	g      *mat.Dense
	wanted []align.Reading // by rows of q and g
	chosen []int
	bound  []float64 // on the gain, by photograph
}

func newEngine(job *rig.Job, camera vision.Camera, s *rig.State, obs []rig.Observation, used []bool, o Options) (*engine, error) {
	e := &engine{o: o, job: job}
	cast := job.Cast()
	around := make([][]Shot, len(job.Stations))
	var all sync.WaitGroup
	for st := range around {
		if o.Stations != nil && !slices.Contains(o.Stations, st) {
			continue
		}
		all.Go(func() {
			around[st] = sceneAt(job, cast, s, &camera, o.Detector, st).shotsAt(st, s.FloorFromBody[st], o.Steady)
		})
	}
	all.Wait()
	e.shots = slices.Concat(around...)
	wide, state, list := WithShots(job, s, e.shots)
	if obs != nil {
		wide, state, list = job.Clone(), new(rig.State), nil
		*state = *s
		e.given = len(job.Photos)
		for _, ob := range obs {
			if used[ob.Photo] {
				list = append(list, ob)
			}
		}
		state.Cameras, state.Wanders = slices.Clone(s.Cameras), nil
		for k, shot := range e.shots {
			wide.Photos = append(wide.Photos, rig.Photo{Path: fmt.Sprintf("next %d", k), Station: shot.Station})
			state.Cameras = append(state.Cameras, shot.CameraFromFloor)
			for _, v := range shot.views {
				v.Photo = e.given + k
				list = append(list, v)
			}
		}
	}
	if len(list) == 0 {
		return nil, fmt.Errorf("no place around the vehicle shows two boards together: lay floor boards between those on the wheels, or print larger ones")
	}
	out, err := rig.NewOutlook(wide, camera, list, state)
	if err != nil {
		return nil, err
	}
	e.repeats = newRepeats(out, list, e.given+len(e.shots))
	h := out.Priors()
	for _, col := range out.Loose() {
		// A tape measure and the eye: 0.3 m, 17 degrees. Next to nothing, but no
		// selection is without an answer.
		h.SetSym(col, col, h.At(col, col)+1/(0.3*0.3))
	}
	e.priors = h
	var chol mat.Cholesky
	if !chol.Factorize(h) {
		return nil, fmt.Errorf("internal: the priors do not fix the plan")
	}
	e.c = new(mat.SymDense)
	if err := chol.InverseTo(e.c); err != nil {
		return nil, fmt.Errorf("internal: %w", err)
	}
	for p := range e.given + len(e.shots) {
		var f *mat.Dense
		cols, info := out.Photo(p)
		if info != nil {
			f = bundle.Rows(info)
		}
		e.cols, e.rows = append(e.cols, cols), append(e.rows, f)
	}
	e.alone = slices.Clone(e.rows)
	wanted, err := out.Gradients(IsWanted)
	if err != nil {
		return nil, err
	}
	if len(wanted) == 0 {
		return nil, fmt.Errorf("no wheel has readings to plan for: hang boards on both wheels of two axles")
	}
	e.g = mat.NewDense(len(wanted), out.Size(), nil)
	for i, w := range wanted {
		e.wanted = append(e.wanted, w.Like)
		floats.Scale(1/Share(w.Like.Quantity), w.G)
		e.g.SetRow(i, w.G)
	}
	e.q = new(mat.Dense)
	e.q.Mul(e.g, e.c)
	e.bound = make([]float64, e.given+len(e.shots))
	for k := range e.bound {
		e.bound[k] = math.Inf(1)
	}
	return e, nil
}

// variance of wanted reading r.
func (e *engine) variance(r int) float64 {
	return mat.Dot(e.q.RowView(r), e.g.RowView(r))
}

func (e *engine) worst() (u float64) {
	n, _ := e.g.Dims()
	for r := range n {
		u = math.Max(u, math.Sqrt(math.Max(0, e.variance(r))))
	}
	return u
}

func (e *engine) met() bool { return e.worst() <= e.o.Wanted }

// weight of a reading's variance: those that are good enough count little.
func (e *engine) weight(variance float64) float64 {
	w := 1 / (e.o.Wanted * e.o.Wanted)
	if variance*w <= 1 {
		return 0.05 * w
	}
	return w
}

// cost is what is made small: the wanted readings' variances over that wanted
// (A-optimal).
func (e *engine) cost() (sum float64) {
	n, _ := e.g.Dims()
	for r := range n {
		v := e.variance(r)
		sum += v * e.weight(v)
	}
	return sum
}

// change returns by how much the wanted variances fall if photograph k is added
// (sign 1), or rise if it goes (sign −1); nil where that leaves nothing. What it shares
// with others counts nearly (see [repeats.worth]); if it goes, not that they are then
// worth more.
func (e *engine) change(k int, sign float64) []float64 {
	f := e.rows[k]
	if f == nil {
		return nil
	}
	if sign > 0 {
		if w := e.worth(k); w < 1 {
			f = mat.DenseCopyOf(f)
			f.Scale(math.Sqrt(w), f)
		}
	}
	chol, ok := e.factor(f, e.cols[k], sign)
	if !ok {
		return nil
	}
	r, _ := e.q.Dims()
	q := mat.NewDense(len(e.cols[k]), r, nil)
	for i, a := range e.cols[k] {
		for j := range r {
			q.Set(i, j, e.q.At(j, int(a)))
		}
	}
	var d, solved mat.Dense
	d.Mul(f, q)
	if chol.SolveTo(&solved, &d) != nil {
		return nil
	}
	out := make([]float64, r)
	for j := range r {
		for i := range chol.SymmetricDim() {
			out[j] += d.At(i, j) * solved.At(i, j)
		}
	}
	return out
}

// update adds photograph k (sign 1) or takes it out (sign −1).
func (e *engine) update(k int, sign float64) {
	if changed := e.join(k, sign); len(changed) > 0 {
		e.retell(append(changed, k))
	} else {
		e.shares.update(k, sign)
	}
	e.q.Mul(e.g, e.c)
}

func (e *engine) add(k int) {
	if e.rows[k] == nil {
		return
	}
	e.update(k, 1)
	if k >= e.given {
		e.chosen = append(e.chosen, k)
	}
	e.bound[k] = 0
}

// retell works out anew what photographs tell, and adds up those that are there.
func (e *engine) retell(list []int) {
	for _, k := range list {
		factor, in := e.counts[k]
		if !in {
			e.rows[k] = e.alone[k]
			continue
		}
		e.rows[k] = nil
		if _, info := e.out.PhotoOf(k, func(board int) float64 { return factor[board] }); info != nil {
			e.rows[k] = bundle.Rows(info)
		}
	}
	h := mat.NewSymDense(e.priors.SymmetricDim(), nil)
	h.CopySym(e.priors)
	for _, k := range e.in {
		if e.rows[k] == nil {
			continue
		}
		var info mat.SymDense
		info.SymOuterK(1, e.rows[k].T())
		for i, a := range e.cols[k] {
			for j := i; j < len(e.cols[k]); j++ {
				b := int(e.cols[k][j])
				h.SetSym(int(a), b, h.At(int(a), b)+info.At(i, j))
			}
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(h) {
		panic("plan: the photographs chosen do not fix the plan")
	}
	if err := chol.InverseTo(e.c); err != nil {
		if _, poor := err.(mat.Condition); !poor {
			panic(err)
		}
	}
}

// gain is how much photograph k takes off the cost.
func (e *engine) gain(k int) (sum float64) {
	for r, d := range e.change(k, 1) {
		sum += d * e.weight(e.variance(r))
	}
	return sum
}

// best returns the shot that helps most, or -1. What one helped earlier bounds
// what it helps now, nearly: gains fall as others are added, so few are worked out
// again.
func (e *engine) best() (k int, gain float64) {
	order := make([]int, 0, len(e.bound))
	for i := e.given; i < len(e.bound); i++ {
		if !slices.Contains(e.chosen, i) {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case e.bound[a] > e.bound[b]:
			return -1
		case e.bound[a] < e.bound[b]:
			return 1
		}
		return 0
	})
	k = -1
	for _, i := range order {
		if k >= 0 && e.bound[i] <= gain {
			break
		}
		g := e.gain(i)
		e.bound[i] = g
		if g > gain {
			k, gain = i, g
		}
	}
	return k, gain
}

// ring begins at each station with the photographs that tie all its boards
// together, as few as may be.
func (e *engine) ring() {
	for st := range e.job.Stations {
		part := map[int]int{}
		for _, s := range e.shots {
			if s.Station == st {
				for _, b := range s.Boards {
					part[b] = b
				}
			}
		}
		for {
			best, merged, gain := -1, 0, 0.0
			for i, s := range e.shots {
				if s.Station != st {
					continue
				}
				parts := map[int]bool{}
				for _, b := range s.Boards {
					parts[part[b]] = true
				}
				if len(parts) < 2 || len(parts) < merged {
					continue
				}
				g := e.gain(e.given + i)
				if len(parts) > merged || g > gain {
					best, merged, gain = i, len(parts), g
				}
			}
			if best < 0 {
				break
			}
			to := part[e.shots[best].Boards[0]]
			for _, b := range e.shots[best].Boards {
				from := part[b]
				for x, p := range part {
					if p == from {
						part[x] = to
					}
				}
			}
			e.add(e.given + best)
		}
	}
	for k := range e.bound { // what was worked out before is far too much
		e.bound[k] = math.Inf(1)
	}
}

// leastViews is in how many photographs of a station a wheel's board is to be: one
// alone is not checked by anything (geodetic practice).
const leastViews = 2

// views counts the photographs of wheel boards chosen, by station and board.
func (e *engine) views() map[[2]int]int {
	out := map[[2]int]int{}
	for _, k := range e.chosen {
		s := e.shots[k-e.given]
		for _, b := range s.Boards {
			out[[2]int{s.Station, b}]++
		}
	}
	return out
}

// lacking counts the wheel boards of a shot that are in fewer photographs than
// leastViews, less of them.
func (e *engine) lacking(k int, views map[[2]int]int, less int) (n int) {
	s := e.shots[k-e.given]
	for _, b := range s.Boards {
		hung := slices.ContainsFunc(e.job.Hangs, func(h rig.Hang) bool { return h.Board == b && h.Stations.Has(s.Station) })
		if hung && views[[2]int{s.Station, b}]-less < leastViews {
			n++
		}
	}
	return n
}

// control adds photographs until every wheel's board is in leastViews of them at
// each station, where there are so many to choose from.
func (e *engine) control() {
	for {
		views, best, most, gain := e.views(), -1, 0, 0.0
		for k := e.given; k < e.given+len(e.shots); k++ {
			if e.rows[k] == nil || slices.Contains(e.chosen, k) {
				continue
			}
			if n := e.lacking(k, views, 0); n > 0 && n >= most {
				if g := e.gain(k); n > most || g > gain {
					best, most, gain = k, n, g
				}
			}
		}
		if best < 0 {
			return
		}
		e.add(best)
	}
}

// thin takes out what is of no use once the others are there.
func (e *engine) thin() {
	for {
		best, least := -1, math.Inf(1)
		met := e.met()
		views := e.views()
		for _, k := range e.chosen {
			if e.lacking(k, views, 1) > 0 {
				continue
			}
			rise := e.change(k, -1)
			if rise == nil {
				continue
			}
			sum, ok := 0.0, true
			for r, d := range rise {
				v := e.variance(r)
				ok = ok && (!met || v+d <= e.o.Wanted*e.o.Wanted)
				sum += d * e.weight(v)
			}
			if !met {
				ok = sum < 0.001*e.cost()
			}
			if ok && sum < least {
				best, least = k, sum
			}
		}
		if best < 0 {
			return
		}
		e.update(best, -1)
		e.chosen = slices.DeleteFunc(e.chosen, func(k int) bool { return k == best })
	}
}

// Expect returns the readings to be expected of shots.
func Expect(job *rig.Job, camera vision.Camera, s *rig.State, shots []Shot) ([]rig.EpochReadings, error) {
	j, state, obs := WithShots(job, s, shots)
	return rig.Predict(j, camera, obs, state)
}

// Look returns the shot taken at a station from one place at another, both in the
// body there, m; ok is false where it shows fewer than two boards.
func Look(job *rig.Job, s *rig.State, camera vision.Camera, d Detector, station int, at, aim pose.Vec, upright bool) (shot Shot, ok bool) {
	t := s.FloorFromBody[station]
	shot = Through(job, s, camera, d, station, lookAt(t.Apply(at), t.Apply(aim), upright))
	shot.At, shot.Aim, shot.Upright = at, aim, upright
	return shot, len(shot.Boards) >= 2
}

// Through returns what a camera shows at a station.
func Through(job *rig.Job, s *rig.State, camera vision.Camera, d Detector, station int, cameraFromFloor pose.SE3) Shot {
	shot := Shot{Station: station, CameraFromFloor: cameraFromFloor}
	sc := sceneAt(job, job.Cast(), s, &camera, d, station)
	sc.look(&shot, cameraFromFloor.Inverse().T)
	sc.expect(&shot)
	return shot
}
