package live

import (
	"math"
	"slices"

	"wheelplane/pose"
	"wheelplane/pose/align"
	"wheelplane/vision"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// solver works out the cameras' places and the wheels from the runs.
type solver struct {
	considered *mat.SymDense // covariance of the job's parameters and the cameras' own
	dim        int
	lensCol    []int // by camera, of its intrinsics
	wanderCol  []int // by camera, of its wander; -1: none

	key    []int // of the rows
	of     []int // the key that the derivatives below are of, and the places
	places []pose.SE3
	rows   []row
	unk    []unknown
	hx     *mat.Dense
	sx     *mat.Dense // stance by unknowns
	joint  *mat.Dense // covariance of [hp; sp]·considered
}

// row is a run as a measurement of six numbers: of a board that moves, or of one
// that is where the job has it.
type row struct {
	cam, board int
	run        *run
	wheel      int  // index into Watch.wheels, or -1
	x          int  // its board's unknown, or -1
	zero       bool // of frames before it was touched or kicked
}

// unknown is a transform of six unknowns: a camera's place or a wheel's board.
type unknown struct {
	cam, wheel int // one is -1
}

// prepare lays out what is considered.
func (s *solver) prepare(w *Watch) {
	n := w.f.Cov.SymmetricDim()
	s.dim = n
	for _, c := range w.cams {
		if c.spec.Lens == nil {
			s.lensCol = append(s.lensCol, w.f.CameraCol)
		} else {
			s.lensCol = append(s.lensCol, s.dim)
			s.dim += vision.NumIntrinsics
		}
		s.wanderCol = append(s.wanderCol, -1)
		if c.spec.WanderFocal > 0 || c.spec.WanderCentre > 0 {
			s.wanderCol[len(s.wanderCol)-1] = s.dim
			s.dim += vision.WanderSize
		}
	}
	s.considered = mat.NewSymDense(s.dim, nil)
	for i := range n {
		for j := i; j < n; j++ {
			s.considered.SetSym(i, j, w.f.Cov.At(i, j))
		}
	}
	for i, c := range w.cams {
		if c.spec.Lens != nil && c.lens.Cov != nil {
			for a := range vision.NumIntrinsics {
				for b := a; b < vision.NumIntrinsics; b++ {
					s.considered.SetSym(s.lensCol[i]+a, s.lensCol[i]+b, c.lens.Cov[a][b])
				}
			}
		}
		if k := s.wanderCol[i]; k >= 0 {
			f, p := c.spec.WanderFocal, c.spec.WanderCentre
			s.considered.SetSym(k, k, f*f)
			s.considered.SetSym(k+1, k+1, p*p)
			s.considered.SetSym(k+2, k+2, p*p)
		}
	}
}

// layout lists the rows and unknowns of the present runs; changed tells that the
// derivatives do not belong to them.
func (w *Watch) layout() (changed bool) {
	s := &w.solver
	var key []int
	s.rows, s.unk = s.rows[:0], s.unk[:0]
	wheelAt := make([]int, len(w.wheels))
	for i := range wheelAt {
		wheelAt[i] = -1
	}
	for ci, c := range w.cams {
		if !c.located {
			continue
		}
		s.unk = append(s.unk, unknown{ci, -1})
		for k := range c.boards {
			if t := &c.boards[k]; t.run != nil && !w.latched[k] {
				r := row{cam: ci, board: k, run: t.run, wheel: -1, x: -1}
				if w.onAxle(k) {
					r.wheel = slices.IndexFunc(w.wheels, func(x *watched) bool { return x.board == k })
				}
				s.rows = append(s.rows, r)
				key = append(key, ci*1000+k)
			}
			if zero := c.boards[k].zero; zero != nil {
				s.rows = append(s.rows, row{cam: ci, board: k, run: zero, wheel: -1, x: -1, zero: true})
				key = append(key, -ci*1000-k-1)
			}
		}
	}
	for i := range s.rows {
		if x := s.rows[i].wheel; x >= 0 {
			if wheelAt[x] < 0 {
				wheelAt[x] = len(s.unk)
				s.unk = append(s.unk, unknown{-1, x})
			}
			s.rows[i].x = wheelAt[x]
		}
	}
	changed = !slices.Equal(key, s.of) || len(s.places) != len(s.unk)
	s.key = key
	for i := range s.unk {
		if !changed {
			d := w.placeOf(s.unk[i]).Minus(s.places[i])
			turn, shift := pose.Norm(pose.Vec(d[:3])), pose.Norm(pose.Vec(d[3:]))
			changed = turn > 3e-3 || shift > 3e-3
		}
	}
	return changed
}

func (w *Watch) placeOf(u unknown) pose.SE3 {
	if u.cam >= 0 {
		return w.cams[u.cam].at
	}
	return w.wheels[u.wheel].place
}

func (w *Watch) setPlace(u unknown, t pose.SE3) {
	if u.cam >= 0 {
		w.cams[u.cam].at = t
		return
	}
	w.wheels[u.wheel].place, w.wheels[u.wheel].known = t, true
}

// boardAt is where a row's board is on the floor's frame, as now thought.
func (w *Watch) boardAt(r row) pose.SE3 {
	if r.wheel >= 0 {
		return w.wheels[r.wheel].place
	}
	return w.f.Boards[r.board].Place
}

// start places wheels that were not seen before.
func (w *Watch) start() {
	for _, r := range w.solver.rows {
		if r.wheel < 0 {
			continue
		}
		x := w.wheels[r.wheel]
		m, _ := r.run.mean()
		now := w.cams[r.cam].at.Inverse().Mul(r.run.ref.Plus(m))
		if d := now.Minus(x.place); !x.known || pose.Norm(pose.Vec(d[:3])) > 0.02 || pose.Norm(pose.Vec(d[3:])) > 0.02 {
			x.place, x.known = now, true
		}
	}
}

// setBlock writes k·b into m at (i, j), 3 × 3.
func setBlock(m *mat.Dense, i, j int, k float64, b [3][3]float64) {
	for a := range 3 {
		for c := range 3 {
			m.Set(i+a, j+c, m.At(i+a, j+c)+k*b[a][c])
		}
	}
}

// derive works out the derivatives at the present places.
func (w *Watch) derive() {
	s := &w.solver
	m, nx := 6*len(s.rows), 6*len(s.unk)
	stance := w.stanceSize()
	one := pose.IdentityRotation()
	s.hx = mat.NewDense(m, max(nx, 1), nil)
	s.sx = mat.NewDense(stance, max(nx, 1), nil)
	p := mat.NewDense(m+stance, s.dim, nil)
	camAt := map[int]int{}
	for i, u := range s.unk {
		if u.cam >= 0 {
			camAt[u.cam] = 6 * i
		}
	}
	for i, r := range s.rows {
		c := w.cams[r.cam]
		at := w.boardAt(r)
		// A camera's step turns what it sees about its own place.
		setBlock(s.hx, 6*i, camAt[r.cam], 1, one)
		setBlock(s.hx, 6*i+3, camAt[r.cam], -1, pose.Skew(c.at.R.Apply(at.T)))
		setBlock(s.hx, 6*i+3, camAt[r.cam]+3, 1, one)
		b := &w.f.Boards[r.board]
		if r.wheel >= 0 {
			setBlock(s.hx, 6*i, 6*r.x, 1, c.at.R)
			setBlock(s.hx, 6*i+3, 6*r.x+3, 1, c.at.R)
		} else {
			setBlock(p, 6*i, b.Col, 1, c.at.R)
			setBlock(p, 6*i+3, b.Col+3, 1, c.at.R)
		}
		by := &r.run.by
		for a := range 6 {
			add := func(col int, v float64) { p.Set(6*i+a, col, p.At(6*i+a, col)-v) }
			for k := range vision.NumIntrinsics {
				add(s.lensCol[r.cam]+k, by[a][k])
			}
			if k := s.wanderCol[r.cam]; k >= 0 {
				add(k, by[a][0]*c.lens.FX+by[a][1]*c.lens.FY)
				add(k+1, by[a][2])
				add(k+2, by[a][3])
			}
			for k := range 2 {
				add(w.f.ScaleCol+k, by[a][takenScale+k])
			}
			if b.ShapeCol >= 0 {
				for k := takenShape; k < numTaken; k++ {
					add(b.ShapeCol+k-takenShape, by[a][k])
				}
			}
		}
	}
	// The stance: of each wheel the step of its hub in the body.
	for i := range w.f.Wheels {
		wheel := &w.f.Wheels[i]
		x := w.liveWheel(i)
		if x < 0 {
			for k := range 6 {
				p.Set(m+6*i+k, wheel.Col+k, 1)
			}
			continue
		}
		k := slices.IndexFunc(s.unk, func(u unknown) bool { return u.wheel == x && u.cam < 0 })
		b := &w.f.Boards[w.wheels[x].board]
		at := w.wheels[x].place
		body, hang := w.f.Body, b.Hang
		toBody := body.R.Transpose()
		hub := w.hubNow(x)
		origin := pose.Scale(-1, hang.R.Transpose().Apply(hang.T)) // of the hub on the board
		arm := at.R.Apply(origin)
		fromBody := pose.Sub(pose.Add(arm, at.T), body.T)
		row := m + 6*i
		// By the board's place.
		setBlock(s.sx, 6*i, 6*k, 1, toBody)
		setBlock(s.sx, 6*i+3, 6*k, -1, product(toBody, pose.Skew(arm)))
		setBlock(s.sx, 6*i+3, 6*k+3, 1, toBody)
		// By the body's.
		setBlock(p, row, w.f.BodyCol, -1, toBody)
		setBlock(p, row+3, w.f.BodyCol, 1, product(toBody, pose.Skew(fromBody)))
		setBlock(p, row+3, w.f.BodyCol+3, -1, toBody)
		// By the clamp: its turn moves the hub's axis and, about the board, its place.
		setBlock(p, row, b.HangCol, -1, hub.R)
		back := toBody.Mul(at.R).Mul(hang.R.Transpose())
		setBlock(p, row+3, b.HangCol, -1, product(back, pose.Skew(hang.T)))
		setBlock(p, row+3, b.HangCol+3, -1, back)
	}
	if w.f.Kingpin != nil {
		for k := range 3 {
			p.Set(m+6*len(w.f.Wheels)+k, w.f.KingpinCol+k, 1)
		}
	}
	var t mat.Dense
	t.Mul(p, s.considered)
	s.joint = new(mat.Dense)
	s.joint.Mul(&t, p.T())
	s.of = slices.Clone(s.key)
	s.places = s.places[:0]
	for _, u := range s.unk {
		s.places = append(s.places, w.placeOf(u))
	}
}

func product(a pose.SO3, b [3][3]float64) [3][3]float64 { return a.Mul(pose.SO3(b)) }

func (w *Watch) stanceSize() int {
	n := 6 * len(w.f.Wheels)
	if w.f.Kingpin != nil {
		n += 3
	}
	return n
}

// liveWheel is the index into wheels of a wheel that is being solved for, or -1.
func (w *Watch) liveWheel(wheel int) int {
	for x := range w.wheels {
		if w.wheels[x].wheel == wheel && slices.ContainsFunc(w.solver.unk, func(u unknown) bool { return u.cam < 0 && u.wheel == x }) {
			return x
		}
	}
	return -1
}

// hubNow is bodyFromHub of a watched wheel as its board stands.
func (w *Watch) hubNow(x int) pose.SE3 {
	return w.f.Body.Inverse().Mul(w.wheels[x].place).Mul(w.f.Boards[w.wheels[x].board].Hang.Inverse())
}

// solve finds cameras and wheels from all runs, and derives the readings.
func (w *Watch) solve() {
	s := &w.solver
	w.moment.Readings = nil
	if !slices.ContainsFunc(w.cams, func(c *camera) bool { return c.located }) {
		return
	}
	w.layout()
	w.start()
	var gain *mat.Dense
	noise := w.noise()
	for round := range 6 {
		if w.layout() || round == 0 && s.joint == nil {
			w.derive()
		}
		var ok bool
		var largest float64
		if gain, largest, ok = w.step(noise); !ok {
			return
		}
		if largest < 1e-7 {
			break
		}
	}
	if w.frames%doubtEvery == 0 && w.doubt(noise[1]) {
		w.solve()
		return
	}
	w.derived(gain, noise)
}

// noise is, of each row, the covariance of its run's mean: what further frames
// make smaller, and all of it without the job's.
func (w *Watch) noise() (parts [2][]sym6) {
	share := math.Min(1.5, w.spread.share())
	common := math.Max(commonShare, 1-share)
	for _, r := range w.solver.rows {
		_, falls := r.run.mean()
		falls.scale(math.Max(share, 0.05))
		all := r.run.frameCov()
		all.scale(common)
		all.add(1, &falls)
		parts[0], parts[1] = append(parts[0], falls), append(parts[1], all)
	}
	return parts
}

// total is the covariance of the rows.
func (s *solver) total(noise []sym6) *mat.SymDense {
	m := 6 * len(s.rows)
	v := mat.NewSymDense(m, nil)
	for i := range m {
		for j := i; j < m; j++ {
			x := (s.joint.At(i, j) + s.joint.At(j, i)) / 2
			if i/6 == j/6 {
				x += noise[i/6][i%6][j%6]
			}
			v.SetSym(i, j, x)
		}
	}
	return v
}

// innovation is how far the rows lie from where the present places have them.
func (w *Watch) innovation() *mat.VecDense {
	rows := w.solver.rows
	y := mat.NewVecDense(6*len(rows), nil)
	for i, r := range rows {
		m, _ := r.run.mean()
		for k, d := range r.run.ref.Plus(m).Minus(w.cams[r.cam].at.Mul(w.boardAt(r))) {
			y.SetVec(6*i+k, d)
		}
	}
	return y
}

// step moves to the solution of the linear problem; gain takes rows to unknowns.
func (w *Watch) step(noise [2][]sym6) (gain *mat.Dense, largest float64, ok bool) {
	s := &w.solver
	v := s.total(noise[1])
	var chol mat.Cholesky
	if !chol.Factorize(v) {
		return nil, 0, false
	}
	var vh, n mat.Dense
	if chol.SolveTo(&vh, s.hx) != nil {
		return nil, 0, false
	}
	n.Mul(s.hx.T(), &vh)
	gain = new(mat.Dense)
	if gain.Solve(&n, vh.T()) != nil {
		return nil, 0, false
	}
	var d mat.VecDense
	d.MulVec(gain, w.innovation())
	for i, u := range s.unk {
		var step [6]float64
		for k := range step {
			step[k] = d.AtVec(6*i + k)
			largest = math.Max(largest, math.Abs(step[k]))
		}
		w.setPlace(u, w.placeOf(u).Plus(step))
	}
	return gain, largest, !math.IsNaN(largest)
}

// derived makes the readings. The estimate's error is gain·(hp·e + noise) of the
// unknowns, with e what the considered parameters are off.
func (w *Watch) derived(gain *mat.Dense, noise [2][]sym6) {
	s := &w.solver
	m, stance := 6*len(s.rows), w.stanceSize()
	var t mat.Dense // stance by rows
	t.Mul(s.sx, gain)
	// [t −1]·joint·[t −1]ᵀ is the job's part.
	a := mat.NewDense(stance, m+stance, nil)
	for i := range stance {
		for j := range m {
			a.Set(i, j, t.At(i, j))
		}
		a.Set(i, m+i, -1)
	}
	covOf := func(job bool, part []sym6) *mat.SymDense {
		var c mat.Dense
		if job {
			var aj mat.Dense
			aj.Mul(a, s.joint)
			c.Mul(&aj, a.T())
		} else {
			c.ReuseAs(stance, stance)
		}
		scaled := mat.NewDense(stance, m, nil)
		for i := range stance {
			for j := range m {
				sum := 0.0
				for k := range 6 {
					sum += t.At(i, j/6*6+k) * part[j/6][k][j%6]
				}
				scaled.Set(i, j, sum)
			}
		}
		var n mat.Dense
		n.Mul(scaled, t.T())
		c.Add(&c, &n)
		out := mat.NewSymDense(stance, nil)
		for i := range stance {
			for j := i; j < stance; j++ {
				out.SetSym(i, j, (c.At(i, j)+c.At(j, i))/2)
			}
		}
		return out
	}
	var wheels []align.Wheel
	live, held := map[align.Side]bool{}, map[align.Side]bool{}
	for i := range w.f.Wheels {
		x := &w.f.Wheels[i]
		hub := x.Hub
		if k := w.liveWheel(i); k >= 0 {
			hub = w.hubNow(k)
			live[x.Side] = true
			held[x.Side] = w.hidden(w.wheels[k])
		}
		wheels = append(wheels, align.Wheel{Axle: x.Axle, Side: x.Side, Axis: hub.R.Column(1), Centre: hub.T})
	}
	ref := w.f.Job.Vehicle.Reference
	all, err := align.Derive(wheels, w.f.Kingpin, covOf(true, noise[1]), ref)
	if err != nil {
		return
	}
	falls, err := align.Derive(wheels, w.f.Kingpin, covOf(false, noise[0]), ref)
	if err != nil {
		return
	}
	both := live[align.Left] && live[align.Right]
	for i, r := range all.Readings {
		if r.Axle != w.axle || r.Quantity.IsLength() {
			continue
		}
		if r.Side == align.NoSide && !both || r.Side != align.NoSide && !live[r.Side] {
			continue
		}
		h := held[r.Side]
		if r.Side == align.NoSide {
			h = held[align.Left] || held[align.Right]
		}
		w.moment.Readings = append(w.moment.Readings, Reading{Reading: r, U: all.U(i), UNoise: falls.U(i), Held: h})
	}
}

// hidden tells whether no camera sees a wheel's board now.
func (w *Watch) hidden(x *watched) bool {
	for _, c := range w.cams {
		if s := c.boards[x.board].sight; s == Whole || s == Partly {
			return false
		}
	}
	return true
}

// doubtEvery is how many frames go by between such looks.
const doubtEvery = 6

// How unlikely a disagreement is before something that does not move is said to have
// been moved, and how likely what is left must be.
const (
	doubtFrom  = 1e-5
	doubtUntil = 1e-3
)

// doubt finds what is not where the job has it: a floor board that was moved since it
// was photographed, a wheel that was touched. It tests what does not move against
// each other, camera by camera, and leaves out the one without which the others
// agree. It tells whether anything was left out.
func (w *Watch) doubt(noise []sym6) (dropped bool) {
	s := &w.solver
	w.disagree = ""
	v, y := s.total(noise), w.innovation()
	for ci := range w.cams {
		var fixed []int
		for i, r := range s.rows {
			if r.cam == ci && r.wheel < 0 && r.run.count+r.run.before >= w.o.SettleFrames {
				fixed = append(fixed, i)
			}
		}
		if len(fixed) < 2 {
			continue
		}
		all := w.misfit(v, y, fixed, ci)
		if chance(all, 6*len(fixed)-6) > doubtFrom {
			continue
		}
		best, bestAt := math.Inf(1), -1
		for i := range fixed {
			left := slices.Delete(slices.Clone(fixed), i, i+1)
			if m := w.misfit(v, y, left, ci); len(left) > 1 && m < best {
				best, bestAt = m, i
			}
		}
		if len(fixed) == 2 { // a wheel is touched more easily than a floor board
			bestAt = slices.IndexFunc(fixed, func(i int) bool { return w.onAxle(s.rows[i].board) })
			best = 0
		}
		if bestAt < 0 || chance(best, 6*len(fixed)-12) < doubtUntil {
			w.disagree = "the floor boards in view do not lie to each other as they were photographed: one was moved, or the camera file is of another lens"
			continue
		}
		r := s.rows[fixed[bestAt]]
		t := &w.cams[ci].boards[r.board]
		if t.zero = nil; w.onAxle(r.board) {
			t.touched = true
		} else {
			w.latched[r.board] = true
		}
		dropped = true
	}
	return dropped
}

// misfit is the squared misfit of some rows of what does not move, in units of their
// covariance, with the camera where it fits them best.
func (w *Watch) misfit(v *mat.SymDense, y *mat.VecDense, rows []int, cam int) float64 {
	s := &w.solver
	n := 6 * len(rows)
	at := func(i int) int { return 6*rows[i/6] + i%6 }
	col := 6 * slices.IndexFunc(s.unk, func(u unknown) bool { return u.cam == cam })
	vv, h, r := mat.NewSymDense(n, nil), mat.NewDense(n, 6, nil), mat.NewVecDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			vv.SetSym(i, j, v.At(at(i), at(j)))
		}
		for j := range 6 {
			h.Set(i, j, s.hx.At(at(i), col+j))
		}
		r.SetVec(i, y.AtVec(at(i)))
	}
	var chol mat.Cholesky
	var vh, a mat.Dense
	var vr, b, x mat.VecDense
	if !chol.Factorize(vv) || chol.SolveTo(&vh, h) != nil || chol.SolveVecTo(&vr, r) != nil {
		return math.Inf(1)
	}
	a.Mul(h.T(), &vh)
	b.MulVec(h.T(), &vr)
	if x.SolveVec(&a, &b) != nil {
		return math.Inf(1)
	}
	return mat.Dot(r, &vr) - mat.Dot(&b, &x)
}

// chance is how likely a squared misfit of so many numbers is to be as large.
func chance(square float64, n int) float64 {
	if n <= 0 {
		return 1
	}
	return distuv.ChiSquared{K: float64(n)}.Survival(math.Max(0, square))
}
