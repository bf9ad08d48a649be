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
	"gonum.org/v1/gonum/mathext"
)

// Observation is one board in one photograph.
type Observation struct {
	Photo   int // index into Job.Photos
	Board   int // index into Job.Boards
	Corners []vision.Corner
	Joint   *vision.Joint // of these corners, or nil: independent
}

// network is the bundle of a job: its blocks by their part in the chain.
type network struct {
	job  *Job
	cast *Cast
	p    bundle.Problem

	camera, scale bundle.BlockID
	intrinsics    int              // that may be free, from the first
	height        int              // of the photos, pixels
	shapes        []bundle.BlockID // by board; -1: flat and like the others
	stations      []bundle.BlockID
	hubs          []bundle.BlockID   // by axis
	lines         []bundle.BlockID   // by axis; -1 where it is not swept
	steers        [][]bundle.BlockID // by wheel and station
	hangs         []bundle.BlockID
	spins         [][]bundle.BlockID // by hang and station
	floor         []bundle.BlockID
	body          []bundle.BlockID
	photos        []bundle.BlockID

	flat []bundle.Row // of the residuals, those that say how flat the floor is
	// Residuals of what is stated beforehand (see tensions): of the print scale, the
	// camera file (-1: none), by board of its own print (-1: none), by hang, by floor
	// board, by station (-1: none), by photo (those that take part).
	wanders, drifts                 []bundle.ResidualID
	file                            bundle.ResidualID
	scaled                          bundle.ResidualID
	prints, mounts, heights, levels []bundle.ResidualID
	seen                            *seen
	views                           []view // by observation
	corners                         int    // in these views
	rows                            int    // likewise
}

// view is an observation's part in the bundle.
type view struct {
	id     bundle.ResidualID // -1: takes no part
	f      *boardView
	blocks []bundle.BlockID
}

// robustWidth is where the loss against wrong corners begins to count less
// while the solution is being found: a group is one corner, whitened, so 3 is
// about the 99 % circle. A view whose corners hang together is one group, see
// widthFor.
const robustWidth = 3

// widthFor is the width of a loss on a group of so many rows that lets as many
// sound groups pass as width does of pairs.
func widthFor(rows int, width float64) float64 {
	if rows == 2 {
		return width
	}
	// Far wider ones than robustWidth, of which the probability means nothing,
	// keep their proportion.
	return width / robustWidth * math.Sqrt(chiSquared(rows, math.Exp(-robustWidth*robustWidth/2.)))
}

// chiSquared is what a sum of so many squared standard normal numbers exceeds
// with probability p.
func chiSquared(rows int, p float64) float64 {
	return 2 * mathext.GammaIncRegCompInv(float64(rows)/2, p)
}

// seen tells which parts of the chain the photographs show.
type seen struct {
	hang  [][]bool // by hang and station
	axis  []bool   // by axis
	lay   []bool   // by floor board
	board []bool
	body  [][]bool // by body board and station
	// frame numbers the bodies: stations that share a wheel axis or a body board
	// are one rigid body, others have nothing in common but the floor.
	frame []int
}

func (j *Job) whatIsSeen(c *Cast, obs []Observation, used []bool) *seen {
	s := &seen{axis: make([]bool, len(c.Axes)), lay: make([]bool, len(j.Floor)), board: make([]bool, len(j.Boards))}
	for range j.Hangs {
		s.hang = append(s.hang, make([]bool, len(j.Stations)))
	}
	for range j.Body {
		s.body = append(s.body, make([]bool, len(j.Stations)))
	}
	for _, o := range obs {
		if !used[o.Photo] || len(o.Corners) == 0 {
			continue
		}
		st := j.Photos[o.Photo].Station
		at := c.seatOf(o.Board, st)
		s.board[o.Board] = s.board[o.Board] || at.kind != nowhere
		switch at.kind {
		case onWheel:
			s.hang[at.index][st] = true
			s.axis[c.AxisAt[c.wheelOf[at.index]][st]] = true
		case onFloor:
			s.lay[at.index] = true
		case onBody:
			s.body[at.index][st] = true
		}
	}
	for st := range j.Stations {
		s.frame = append(s.frame, st)
		for before := range st {
			if s.frame[before] != s.frame[st] && s.share(j, c, before, st) {
				from, to := max(s.frame[st], s.frame[before]), min(s.frame[st], s.frame[before])
				for k := range s.frame {
					if s.frame[k] == from {
						s.frame[k] = to
					}
				}
			}
		}
	}
	return s
}

// share tells whether two stations show the same axis or the same body board.
func (s *seen) share(j *Job, c *Cast, a, b int) bool {
	axes := map[int]bool{}
	for h := range j.Hangs {
		if s.hang[h][a] {
			axes[c.AxisAt[c.wheelOf[h]][a]] = true
		}
	}
	for h := range j.Hangs {
		if s.hang[h][b] && axes[c.AxisAt[c.wheelOf[h]][b]] {
			return true
		}
	}
	for k := range j.Body {
		if s.body[k][a] && s.body[k][b] {
			return true
		}
	}
	return false
}

// build lays the job out as one least-squares problem that starts at s. camera
// is the calibrated one, a prior. Photos with used false take no part. width is that
// of the loss on the views, 0 for none; see robustWidth.
func build(job *Job, camera *vision.Camera, obs []Observation, s *State, used []bool, width float64) *network {
	n := &network{job: job, cast: job.Cast(), file: -1}
	n.seen = job.whatIsSeen(n.cast, obs, used)

	intr := s.Camera.Intrinsics()
	n.camera = n.p.AddBlock("camera", intr[:], bundle.Euclidean(vision.NumIntrinsics))
	n.intrinsics, n.height = freeIntrinsics(camera), camera.Height
	n.scale = n.p.AddBlock("print scale", s.PrintScale[:], bundle.Euclidean(2))
	u := job.Priors.PrintScale
	n.scaled = n.addPrior("print scale prior", &prior{[]float64{1, 1}, []float64{1 / u, 0, 0, 1 / u}}, 2, n.scale)
	n.addShapes(s)
	n.addStations(s)
	n.addAxes(s)
	n.addSteers(s)
	for h := range job.Hangs {
		n.addHang(s, h)
	}
	n.addFloorAndBody(s)
	n.addPhotos(s, used)
	n.gauge()

	for _, o := range obs {
		v := view{id: -1}
		if used[o.Photo] && len(o.Corners) > 0 && n.cast.seatOf(o.Board, job.Photos[o.Photo].Station).kind != nowhere {
			v = n.addView(o, width)
		}
		n.views = append(n.views, v)
	}
	n.cameraPrior(camera)
	return n
}

// addShapes adds how the boards that are seen differ from flat and alike ones.
func (n *network) addShapes(s *State) {
	pr := n.job.Priors
	var held []int
	for c := range shapeSize {
		if c < 2 && pr.PrintSpread == 0 || c >= 2 && pr.BoardFlatness == 0 {
			held = append(held, c)
		}
	}
	for b := range n.job.Boards {
		id, stated := bundle.BlockID(-1), bundle.ResidualID(-1)
		held, spread := held, pr.PrintSpread
		if slices.Contains(n.job.Misprinted, b) {
			held, spread = slices.DeleteFunc(slices.Clone(held), func(c int) bool { return c < 2 }), misprint
		}
		if n.seen.board[b] && len(held) < shapeSize {
			shape := s.Shape(b)
			id = n.p.AddBlock("shape of board "+n.job.Boards[b].Name, shape.value(), bundle.Euclidean(shapeSize))
			n.p.Hold(id, held...)
			u := [shapeSize]float64{spread, spread, pr.BoardFlatness, pr.BoardFlatness, pr.BoardFlatness}
			f := &prior{mean: make([]float64, shapeSize)}
			for c, u := range u {
				if u > 0 {
					row := make([]float64, shapeSize)
					row[c] = 1 / u
					f.white = append(f.white, row...)
				}
			}
			stated = n.addPrior("shape prior of board "+n.job.Boards[b].Name, f, shapeSize-len(held), id)
		}
		n.shapes, n.prints = append(n.shapes, id), append(n.prints, stated)
	}
}

// misprint is how far a board found to be printed to another size may be off,
// relative.
const misprint = 0.05

// wandering tells whether the camera may differ from photo to photo.
func (p *Priors) wandering() bool { return p.WanderFocal > 0 || p.WanderCentre > 0 }

// rolling tells whether the camera may move while a photo is read.
func (p *Priors) rolling() bool { return p.RollTurn > 0 || p.RollShift > 0 }

// addPhotos adds where each photo was taken from, and how its camera differed and
// moved.
func (n *network) addPhotos(s *State, used []bool) {
	pr := n.job.Priors
	for i, t := range s.Cameras {
		name, x, m := n.job.Photos[i].Path, bundle.PoseValue(t), bundle.PoseManifold
		var held []int
		hold := func(u float64, components ...int) {
			if u == 0 {
				held = append(held, components...)
			}
		}
		if pr.wandering() || pr.rolling() {
			var w vision.Wander
			if i < len(s.Wanders) {
				w = s.Wanders[i]
			}
			x, m = append(x, w.Focal, w.Centre[0], w.Centre[1]), photoManifold
			hold(pr.WanderFocal, 6)
			hold(pr.WanderCentre, 7, 8)
		}
		if pr.rolling() {
			var d Drift
			if i < len(s.Drifts) {
				d = s.Drifts[i]
			}
			x, m = append(append(x, d.Turn[:]...), d.Shift[:]...), rollManifold
			hold(pr.RollTurn, 9, 10, 11)
			hold(pr.RollShift, 12, 13, 14)
		}
		b := n.p.AddBlock("photo "+name, x, m)
		n.p.Eliminate(b)
		n.p.SetConstant(b, !used[i])
		n.photos = append(n.photos, b)
		if !used[i] {
			continue
		}
		n.p.Hold(b, held...)
		if pr.wandering() {
			f := wanderPrior{pr.WanderFocal, pr.WanderCentre}
			n.wanders = append(n.wanders, n.addPrior("wander prior of photo "+name, f, f.rows(), b))
		}
		if pr.rolling() {
			f := driftPrior{pr.RollTurn, pr.RollShift}
			n.drifts = append(n.drifts, n.addPrior("drift prior of photo "+name, f, f.rows(), b))
		}
	}
}

// addStations adds where the body is at each station.
func (n *network) addStations(s *State) {
	pr, bodyTilt := n.job.Priors, n.job.BodyTilt()
	for st, t := range s.FloorFromBody {
		stop := n.job.Stations[st]
		n.levels = append(n.levels, -1)
		b := n.p.AddBlock("body at station "+stop.Name, bundle.PoseValue(t), bundle.PoseManifold)
		n.stations = append(n.stations, b)
		switch {
		case n.seen.frame[st] == st:
			// Body and floor coincide at a body's first station: the gauge, with
			// centrelineGauge.
			n.p.SetConstant(b, true)
		case len(stop.Lifted) > 0:
			n.addPrior("lifted body at station "+stop.Name, levelPrior{0, pr.LiftHeight, pr.LiftTilt}, 3, b)
		default:
			name, id := "floor flatness at station "+stop.Name, bundle.ResidualID(0)
			if base := n.turnedOnTheSpot(st); base >= 0 {
				id = n.addPrior(name, sameLevel{pr.FloorFlatness, bodyTilt}, 3, n.stations[base], b)
			} else {
				id = n.addPrior(name, levelPrior{0, pr.FloorFlatness, bodyTilt}, 3, b)
			}
			n.levels[st] = id
			n.flat = append(n.flat, bundle.Row{Residual: id, Row: 0}, bundle.Row{Residual: id, Row: 1}, bundle.Row{Residual: id, Row: 2})
		}
	}
}

// turnedOnTheSpot returns the station at whose place the wheels are steered at
// this one, or -1: the ground is the one that the wheels stand on there already,
// and tells nothing new of what is level.
func (n *network) turnedOnTheSpot(st int) int {
	if !n.job.Stations[st].Sweep {
		return -1
	}
	for base := st - 1; base >= 0; base-- {
		if stop := n.job.Stations[base]; n.seen.frame[base] == n.seen.frame[st] && !stop.Sweep && len(stop.Lifted) == 0 {
			return base
		}
	}
	return -1
}

// addAxes adds the wheels' axes, and a steering axis to each that is swept.
func (n *network) addAxes(s *State) {
	c, pr := n.cast, n.job.Priors
	swept := make([]bool, len(c.Axes))
	for w := range c.Wheels {
		for st := range n.job.Stations {
			a := c.AxisAt[w][st]
			swept[a] = swept[a] || n.sweptAt(w, st)
		}
	}
	for a, axis := range c.Axes {
		name := fmt.Sprintf("%s, %s", c.Wheels[axis.Wheel], n.job.Epochs[axis.Epoch].Name)
		if axis.Lifted {
			name += ", lifted"
		}
		b := n.p.AddBlock("axis of "+name, bundle.PoseValue(s.BodyFromHub[a]), hubManifold{})
		n.p.SetConstant(b, !n.seen.axis[a])
		n.hubs = append(n.hubs, b)
		line := bundle.BlockID(-1)
		if swept[a] {
			line = n.p.AddBlock("steering axis of "+name, bundle.PoseValue(s.BodyFromLine[a]), lineManifold{})
			n.addPrior("steering axis prior of "+name, steerPrior{s.BodyFromHub[a].T, pr.SteerTilt, pr.SteerOffset}, 4, line)
		}
		n.lines = append(n.lines, line)
	}
}

// addSteers adds how far each wheel is steered at the stations of a sweep.
func (n *network) addSteers(s *State) {
	for w, wheel := range n.cast.Wheels {
		var list []bundle.BlockID
		for st, stop := range n.job.Stations {
			id := bundle.BlockID(-1)
			if n.sweptAt(w, st) {
				id = n.p.AddBlock(fmt.Sprintf("steer of %s at station %s", wheel, stop.Name), []float64{s.Steer[w][st]}, bundle.Euclidean(1))
			}
			list = append(list, id)
		}
		n.steers = append(n.steers, list)
	}
}

// addHang adds how a board is clamped to its wheel, and the wheel's spin at
// each station, which counts from the first that shows the board.
func (n *network) addHang(s *State, h int) {
	hang, pr := n.job.Hangs[h], n.job.Priors
	board := n.job.Boards[hang.Board].Name
	mount := n.p.AddBlock(fmt.Sprintf("mount of board %s on %s", board, hang.Wheel), bundle.PoseValue(s.HubFromBoard[h]), bundle.PoseManifold)
	n.mounts = append(n.mounts, n.addPrior("mount prior of board "+board, mountPrior{pr.MountTilt, pr.MountOffset, pr.Standoff, pr.StandoffU}, 5, mount))
	n.hangs = append(n.hangs, mount)
	n.p.SetConstant(mount, !slices.Contains(n.seen.hang[h], true))

	w := n.cast.wheelOf[h]
	axisAt := n.cast.AxisAt[w]
	var spins []bundle.BlockID
	before := false // a station before shows the board
	straight := -1  // the last one outside a sweep that does
	for st, stop := range n.job.Stations {
		id := n.p.AddBlock(fmt.Sprintf("spin of board %s at station %s", board, stop.Name), []float64{s.Spin[h][st]}, bundle.Euclidean(1))
		spins = append(spins, id)
		shown := n.seen.hang[h][st]
		n.p.SetConstant(id, !before || !shown)
		before = before || shown
		switch {
		case !shown:
		case !stop.Sweep:
			straight = st
		case straight >= 0 && n.cast.steered[w] && axisAt[straight] == axisAt[st]:
			n.addPrior(fmt.Sprintf("held brakes, board %s at station %s", board, stop.Name), same{pr.BrakeSlip}, 1, spins[straight], id)
		}
	}
	n.spins = append(n.spins, spins)
}

// addFloorAndBody adds where the boards on the floor and on the body are.
func (n *network) addFloorAndBody(s *State) {
	pr := n.job.Priors
	for f, lay := range n.job.Floor {
		name := n.job.Boards[lay.Board].Name
		b := n.p.AddBlock("floor board "+name, bundle.PoseValue(s.FloorFromBoard[f]), bundle.PoseManifold)
		n.p.SetConstant(b, !n.seen.lay[f])
		id := n.addPrior("floor prior of board "+name, levelPrior{pr.FloorThickness, pr.FloorFlatness, pr.FloorTilt}, 3, b)
		n.heights = append(n.heights, id)
		n.flat = append(n.flat, bundle.Row{Residual: id, Row: 2})
		n.floor = append(n.floor, b)
	}
	for k, board := range n.job.Body {
		b := n.p.AddBlock("body board "+n.job.Boards[board].Name, bundle.PoseValue(s.BodyFromBoard[k]), bundle.PoseManifold)
		n.p.SetConstant(b, !slices.Contains(n.seen.body[k], true))
		n.body = append(n.body, b)
	}
}

// sweptAt tells whether a wheel is steered at a station and a photograph shows
// it there.
func (n *network) sweptAt(wheel, st int) bool {
	if !n.job.Stations[st].Sweep || !n.cast.steered[wheel] {
		return false
	}
	for h := range n.job.Hangs {
		if n.cast.wheelOf[h] == wheel && n.seen.hang[h][st] {
			return true
		}
	}
	return false
}

// addPrior adds what is known beforehand.
func (n *network) addPrior(name string, f bundle.Residual, rows int, blocks ...bundle.BlockID) bundle.ResidualID {
	return n.p.AddResidual(name, f, rows, 0, nil, blocks...)
}

// BodyTilt is how much the body may roll or pitch from one station to the
// next (standard uncertainty, rad): two wheels of the narrowest axle on ground
// of the stated flatness.
func (j *Job) BodyTilt() float64 {
	track := math.Inf(1)
	for _, a := range j.Vehicle.Axles {
		track = math.Min(track, a.Track)
	}
	return math.Sqrt2 * j.Priors.FloorFlatness / track
}

// freeIntrinsics is how many intrinsics, from the first, a camera file may leave
// free: all, or those of a plain lens.
func freeIntrinsics(c *vision.Camera) int {
	for i := vision.PlainIntrinsics; c.Cov != nil && i < vision.NumIntrinsics; i++ {
		if c.Cov[i][i] > 0 {
			return vision.NumIntrinsics
		}
	}
	return vision.PlainIntrinsics
}

// cameraPrior brings in what the calibration knows. Without a covariance in
// the camera file its numbers are taken as exact.
func (n *network) cameraPrior(c *vision.Camera) {
	if c.Cov == nil {
		n.p.SetConstant(n.camera, true)
		return
	}
	white, held := whitenMatrix(c.Cov)
	if len(held) == vision.NumIntrinsics {
		n.p.SetConstant(n.camera, true)
		return
	}
	n.p.Hold(n.camera, held...)
	mean := c.Intrinsics()
	n.file = n.addPrior("camera file", &prior{mean[:], white}, len(mean)-len(held), n.camera)
}

// whitenMatrix returns W (row by row, a row for each intrinsic that the file
// leaves uncertain) with W·cov·Wᵀ = 1, and the list of those it holds exactly
// (variance zero).
func whitenMatrix(cov *[vision.NumIntrinsics][vision.NumIntrinsics]float64) (white []float64, held []int) {
	const n = vision.NumIntrinsics
	var free []int
	for i := 0; i < n; i++ {
		if cov[i][i] > 0 {
			free = append(free, i)
		} else {
			held = append(held, i)
		}
	}
	white = make([]float64, len(free)*n)
	if len(free) == 0 {
		return white, held
	}
	c := mat.NewSymDense(len(free), nil)
	for a, i := range free {
		for b, k := range free[:a+1] {
			c.SetSym(a, b, cov[i][k])
		}
	}
	w := whitener(c)
	for k := range free {
		for a, i := range free {
			white[k*n+i] = w.At(k, a)
		}
	}
	return white, held
}

// whitener returns W with W·cov·Wᵀ = 1; no variance is zero.
func whitener(cov mat.Symmetric) *mat.Dense {
	// Scaled to unit diagonal first: variances span twenty orders of magnitude.
	n := cov.SymmetricDim()
	s := mat.NewSymDense(n, nil)
	sd := make([]float64, n)
	for i := range n {
		sd[i] = math.Sqrt(cov.At(i, i))
		for k := range i + 1 {
			s.SetSym(i, k, cov.At(i, k)/(sd[i]*sd[k]))
		}
	}
	var eig mat.EigenSym
	eig.Factorize(s, true)
	var v mat.Dense
	eig.VectorsTo(&v)
	white := mat.NewDense(n, n, nil)
	for k, l := range eig.Values(nil) {
		l = math.Max(l, 1e-12) // rounding in a printed covariance
		for i := range n {
			white.Set(k, i, v.At(i, k)/(math.Sqrt(l)*sd[i]))
		}
	}
	return white
}

// gauge fixes the heading and place in the ground plane of the first body,
// whose frame is the floor's too. Where its axles do not carry a centreline, a
// floor board is held instead.
func (n *network) gauge() {
	front, rear := n.job.centrelineAxles()
	var hubs []bundle.BlockID
	for _, axle := range []int{front, rear} {
		for _, side := range []align.Side{align.Left, align.Right} {
			if w := slices.Index(n.cast.Wheels, Wheel{axle, side}); w >= 0 {
				for st := range n.job.Stations {
					if a := n.cast.AxisAt[w][st]; n.seen.frame[st] == 0 && n.seen.axis[a] && !n.cast.Axes[a].Lifted {
						hubs = append(hubs, n.hubs[a])
						break
					}
				}
			}
		}
	}
	if front != rear && len(hubs) == 4 {
		n.addPrior("centreline", centrelineGauge{}, 3, hubs...)
		return
	}
	for f := range n.floor {
		if n.seen.lay[f] {
			n.p.Hold(n.floor[f], 2, 3, 4) // turn about z, x and y
			return
		}
	}
}

// centrelineAxles returns the axles with boards whose midpoints carry the
// centreline (see [align.Derive]).
func (j *Job) centrelineAxles() (front, rear int) {
	first, last := math.MaxInt, 0
	for _, h := range j.Hangs {
		first, last = min(first, h.Wheel.Axle), max(last, h.Wheel.Axle)
	}
	if j.Vehicle.Reference == first {
		return first, last
	}
	return first, j.Vehicle.Reference
}

func (n *network) addView(o Observation, width float64) view {
	board := &n.job.Boards[o.Board]
	st := n.job.Photos[o.Photo].Station
	links, blocks := []linkKind{poseLink}, []bundle.BlockID{n.photos[o.Photo]}
	switch {
	case n.job.Priors.rolling():
		links[0] = rollLink
	case n.job.Priors.wandering():
		links[0] = photoLink
	}
	link := func(kind linkKind, ids ...bundle.BlockID) {
		links, blocks = append(links, kind), append(blocks, ids...)
	}
	switch at := n.cast.seatOf(o.Board, st); at.kind {
	case onWheel:
		w := n.cast.wheelOf[at.index]
		axis := n.cast.AxisAt[w][st]
		link(poseLink, n.stations[st])
		if id := n.steers[w][st]; id >= 0 {
			link(steerLink, n.lines[axis], id)
		}
		link(hubLink, n.hubs[axis])
		link(spinLink, n.spins[at.index][st])
		link(poseLink, n.hangs[at.index])
	case onFloor:
		link(poseLink, n.floor[at.index])
	case onBody:
		link(poseLink, n.stations[st])
		link(poseLink, n.body[at.index])
	}
	shape := n.shapes[o.Board]
	f := newBoardView(board, o, shape >= 0, n.height, links...)
	f.intrinsics = n.intrinsics
	n.corners += len(o.Corners)
	n.rows += f.dim()
	var loss bundle.Loss
	if width > 0 {
		loss = bundle.Huber(widthFor(f.group(), width))
	}
	name := fmt.Sprintf("board %s in photo %s", board.Name, n.job.Photos[o.Photo].Path)
	blocks = append(blocks, n.camera, n.scale)
	if shape >= 0 {
		blocks = append(blocks, shape)
	}
	return view{n.p.AddResidual(name, f, f.dim(), f.group(), loss, blocks...), f, blocks}
}

// offsets returns how far a view's corners lie from where they were measured at
// the current values, pixels; ok is false where the view is not defined.
func (n *network) offsets(v view) (e [][2]float64, ok bool) {
	x := make([][]float64, len(v.blocks))
	for i, b := range v.blocks {
		x[i] = n.p.Value(b)
	}
	out := make([]float64, 2*len(v.f.corners))
	_, _, ok = v.f.offsets(x, out, nil)
	for i := range v.f.corners {
		e = append(e, [2]float64(out[2*i:]))
	}
	return e, ok
}

// squares returns the squared length of each group of a view's rows: of each
// corner, or of the view as a whole. Where it is not defined they are infinite.
func (n *network) squares(v view) []float64 {
	r, ok := n.p.EvalResidual(v.id)
	size := v.f.group()
	out := make([]float64, len(r)/size)
	for i := range out {
		for _, a := range r[i*size : (i+1)*size] {
			out[i] += a * a
		}
		if !ok {
			out[i] = math.Inf(1)
		}
	}
	return out
}

// state reads the current values back.
func (n *network) state(camera *vision.Camera) *State {
	s := &State{Camera: *camera}
	s.Camera.SetIntrinsics([vision.NumIntrinsics]float64(n.p.Value(n.camera)))
	s.PrintScale = [2]float64(n.p.Value(n.scale))
	poses := func(ids []bundle.BlockID) []pose.SE3 {
		out := make([]pose.SE3, len(ids))
		for i, id := range ids {
			out[i] = pose.Identity()
			if id >= 0 {
				out[i] = bundle.GetPose(n.p.Value(id))
			}
		}
		return out
	}
	angles := func(ids [][]bundle.BlockID) [][]float64 {
		out := make([][]float64, len(ids))
		for i := range ids {
			out[i] = make([]float64, len(ids[i]))
			for k, id := range ids[i] {
				if id >= 0 {
					out[i][k] = n.p.Value(id)[0]
				}
			}
		}
		return out
	}
	s.FloorFromBody, s.BodyFromHub, s.BodyFromLine = poses(n.stations), poses(n.hubs), poses(n.lines)
	s.HubFromBoard, s.FloorFromBoard, s.BodyFromBoard, s.Cameras = poses(n.hangs), poses(n.floor), poses(n.body), poses(n.photos)
	s.Steer, s.Spin = angles(n.steers), angles(n.spins)
	for _, id := range n.shapes {
		var shape Shape
		if id >= 0 {
			shape = shapeOf(n.p.Value(id))
		}
		s.Shapes = append(s.Shapes, shape)
	}
	for _, id := range n.photos {
		if n.job.Priors.wandering() {
			s.Wanders = append(s.Wanders, wander(n.p.Value(id)))
		}
		if n.job.Priors.rolling() {
			s.Drifts = append(s.Drifts, drift(n.p.Value(id)))
		}
	}
	return s
}
