package rig

import (
	"math"
	"sync"

	"wheelplane/pose"
	"wheelplane/pose/bundle"
	"wheelplane/vision"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
)

// hubManifold moves a bodyFromHub with five numbers: two rotations about the
// hub's own x and z (rad), and a translation in the body (m). Turning a hub
// about its own spin axis changes nothing that is measured, so it is not
// among them.
type hubManifold struct{}

func (hubManifold) Dim() int { return 5 }

func (hubManifold) Plus(x, d, out []float64) {
	t := bundle.GetPose(x)
	t.R = t.R.Mul(pose.Exp(pose.Vec{d[0], 0, d[1]})).Orthonormal()
	t.T = pose.Add(t.T, pose.Vec{d[2], d[3], d[4]})
	bundle.PutPose(out, t)
}

// hubStep returns the 6 × 5 matrix that takes a step of [hubManifold] to the
// step (ω, τ) of [pose.SE3.Plus] in the body.
func hubStep(bodyFromHub pose.SE3) [6][5]float64 {
	var m [6][5]float64
	x, z := bodyFromHub.R.Column(0), bodyFromHub.R.Column(2)
	for i := range 3 {
		m[i][0], m[i][1] = x[i], z[i]
		m[3+i][2+i] = 1
	}
	return m
}

// lineManifold moves a line, the z axis of a frame: two rotations about the
// frame's own x and y (rad) and two shifts along them (m). Sliding along the
// line and turning about it change nothing.
type lineManifold struct{}

func (lineManifold) Dim() int { return 4 }

func (lineManifold) Plus(x, d, out []float64) {
	t := bundle.GetPose(x)
	t.T = pose.Add(t.T, t.R.Apply(pose.Vec{d[2], d[3], 0}))
	t.R = t.R.Mul(pose.Exp(pose.Vec{d[0], d[1], 0})).Orthonormal()
	bundle.PutPose(out, t)
}

// photoManifold moves a photo's cameraFromFloor and its camera's
// [vision.Wander].
var photoManifold = bundle.PoseWith(vision.WanderSize)

// rollManifold moves these and the photo's [Drift].
var rollManifold = bundle.PoseWith(vision.WanderSize + driftSize)

// drift reads it from the photo's block.
func drift(x []float64) Drift {
	d := x[bundle.PoseSize+vision.WanderSize:]
	return Drift{Turn: pose.Vec(d[:3]), Shift: pose.Vec(d[3:6])}
}

// wander reads it from the photo's block.
func wander(x []float64) vision.Wander {
	w := x[bundle.PoseSize:]
	return vision.Wander{Focal: w[0], Centre: [2]float64{w[1], w[2]}}
}

// linkKind is a kind of link in the chain from the camera to a board.
type linkKind int

const (
	poseLink  linkKind = iota // a rigid transform; block on bundle.PoseManifold
	photoLink                 // the same with the camera's wander; block on photoManifold, first in the chain
	rollLink                  // the same with its drift besides; block on rollManifold, first in the chain
	hubLink                   // bodyFromHub; block on hubManifold
	spinLink                  // a turn about y; block of one angle
	steerLink                 // a turn about a line; block on lineManifold, then a block of one angle
)

// boardView is one board in one photograph. Where its corners were measured one
// by one it is a residual pair per corner, whitened with the corner's
// covariance; where the whole board was fitted, the rows of [vision.Joint].
//
// Its blocks are those of its links, from the camera to the board, then the
// camera's intrinsics, the print scale of all boards and, where shaped, the
// board's shape.
type boardView struct {
	corners []vision.Corner
	points  [][3]float64 // on the board as printed to nominal scale
	half    [2]float64   // half the board's width and height, likewise
	white   [][3]float64 // lower triangular whitening: l00, l10, l11; of corners by themselves
	rows    []float64    // r × 2n, row by row; of corners together
	r       int
	shaped  bool
	read    []float64 // of a photo that drifts, when each corner's row is read: see Drift
	// intrinsics is how many of the camera's may be free: all, or those of a plain
	// lens.
	intrinsics int
	links      []linkKind
}

// A photo that drifts is height pixels high.
func newBoardView(b *vision.Board, o Observation, shaped bool, height int, links ...linkKind) *boardView {
	v := &boardView{corners: o.Corners, r: 2 * len(o.Corners), shaped: shaped, intrinsics: vision.NumIntrinsics, links: links}
	if links[0] == rollLink {
		for _, c := range o.Corners {
			v.read = append(v.read, whenRead(c.Px[1], height))
		}
	}
	w, h := b.Size()
	v.half = [2]float64{w / 2, h / 2}
	for _, c := range o.Corners {
		v.points = append(v.points, b.Corner(c.Index))
	}
	if o.Joint == nil {
		for _, c := range o.Corners {
			v.white = append(v.white, Whiten(c.Cov))
		}
		return v
	}
	v.r = len(o.Joint.Rows)
	for _, row := range o.Joint.Rows {
		v.rows = append(v.rows, row...)
	}
	return v
}

// Whiten returns W, lower triangular, with W·cov·Wᵀ = 1.
func Whiten(cov [3]float64) [3]float64 {
	// cov = L·Lᵀ with L = [a 0; b c].
	a := math.Sqrt(cov[0])
	b := cov[1] / a
	c := math.Sqrt(cov[2] - b*b)
	return [3]float64{1 / a, -b / (a * c), 1 / c}
}

func (v *boardView) dim() int { return v.r }

// group is how many rows a loss acts on together.
func (v *boardView) group() int {
	if v.rows != nil {
		return v.r
	}
	return 2
}

// cameraAt reads the intrinsics from their block.
func cameraAt(x []float64) vision.Camera {
	var c vision.Camera
	c.SetIntrinsics([vision.NumIntrinsics]float64(x))
	return c
}

// maxLinks of a chain: photo, station, steer, hub, spin, hang.
const maxLinks = 6

// joint is one link at given values: outer from inner coordinates.
type joint struct {
	kind  linkKind
	block int // of its first block
	// cameraFromOuter and cameraFromInner are the chain up to the link and with
	// it.
	cameraFromOuter, cameraFromInner pose.SE3
	// Of a steerLink: the line's frame in the camera's, and the turn in it.
	cameraFromLine pose.SE3
	turn           pose.SO3
}

// chain works out the links at the values x, and which block is the camera's.
func (v *boardView) chain(x [][]float64) (list [maxLinks]joint, next int) {
	at := pose.Identity()
	for i, k := range v.links {
		j := &list[i]
		j.kind, j.block, j.cameraFromOuter = k, next, at
		switch k {
		case poseLink, photoLink, rollLink, hubLink:
			at = at.Mul(bundle.GetPose(x[next]))
		case spinLink:
			at.R = at.R.Mul(pose.RotY(x[next][0]))
		case steerLink:
			line := bundle.GetPose(x[next])
			j.cameraFromLine, j.turn = at.Mul(line), pose.RotZ(x[next+1][0])
			at = at.Mul(steerBy(line, x[next+1][0]))
			next++
		}
		j.cameraFromInner = at
		next++
	}
	return
}

// steerBy is the turn by an angle about a line of the body.
func steerBy(bodyFromLine pose.SE3, angle float64) pose.SE3 {
	return bodyFromLine.Mul(pose.SE3{R: pose.RotZ(angle)}).Mul(bodyFromLine.Inverse())
}

// What a view's residuals depend on, whatever the chain: the columns of flat.jac.
const (
	toPose       = 0                   // a step (ω, τ) in the camera: p → p + ω × p + τ
	toShape      = toPose + 6          // X and Y stretched, then the bow
	toIntrinsics = toShape + shapeSize // as in [vision.IntrinsicNames], as many as may be free; then, of a photo that drifts, its drift
)

// flat is room for a view's residuals and Jacobian before the chain is
// attended to.
type flat struct {
	e, jac []float64 // of the corners, pixels
	white  []float64 // jac whitened
}

var flats = sync.Pool{New: func() any { return new(flat) }}

func grown(s []float64, n int) []float64 {
	if cap(s) < n {
		return make([]float64, n)
	}
	return s[:n]
}

// boardPoint is corner i on the board as it is: stretched and bowed.
func (v *boardView) boardPoint(i int, scale, shape []float64) (p pose.Vec, bow [bowSize]float64) {
	q := v.points[i]
	p = pose.Vec{q[0] * scale[0], q[1] * scale[1], 0}
	if shape != nil {
		p[0] *= 1 + shape[0]
		p[1] *= 1 + shape[1]
		bow = bowAt(q[0]/v.half[0], q[1]/v.half[1])
		for k, b := range bow {
			p[2] += b * shape[2+k]
		}
	}
	return p, bow
}

// offsets writes to e how far each corner's projection lies from where it was
// measured, in pixels, and to jac, unless it is nil, the derivatives by what the
// constants above name.
func (v *boardView) offsets(x [][]float64, e, jac []float64) (chain [maxLinks]joint, camBlock int, ok bool) {
	chain, camBlock = v.chain(x)
	camera, scale := cameraAt(x[camBlock]), x[camBlock+1]
	if v.wanders() {
		camera = camera.Wandered(wander(x[0]))
	}
	var moves Drift
	if v.read != nil {
		moves = drift(x[0])
	}
	var shape []float64
	if v.shaped {
		shape = x[camBlock+2]
	}
	cameraFromBoard := &chain[len(v.links)-1].cameraFromInner
	columns := v.columns()
	var px [2]float64
	var dPoint [2][3]float64
	var dIntrinsics *[2][vision.NumIntrinsics]float64
	if jac != nil {
		dIntrinsics = new([2][vision.NumIntrinsics]float64)
	}
	for i := range v.points {
		b, bow := v.boardPoint(i, scale, shape)
		var p pose.Vec
		carry(cameraFromBoard, &b, &p)
		still := p
		if v.read != nil {
			p = moves.at(v.read[i], p)
		}
		if !camera.ProjectTo((*[3]float64)(&p), &px, &dPoint, dIntrinsics, v.intrinsics) {
			return chain, camBlock, false
		}
		e[2*i], e[2*i+1] = px[0]-v.corners[i].Px[0], px[1]-v.corners[i].Px[1]
		if jac == nil {
			continue
		}
		for k := range 2 {
			row := jac[(2*i+k)*columns : (2*i+k+1)*columns]
			g := (*pose.Vec)(&dPoint[k])
			if v.read != nil {
				s := v.read[i]
				turn, shift := pose.Scale(s, pose.Cross(still, *g)), pose.Scale(s, *g)
				copy(row[toIntrinsics+v.intrinsics:], turn[:])
				copy(row[toIntrinsics+v.intrinsics+3:], shift[:])
				*g = pose.Add(*g, pose.Scale(s, pose.Cross(*g, moves.Turn)))
			}
			var onBoard pose.Vec
			carryBack(&cameraFromBoard.R, g, &onBoard)
			*(*[toIntrinsics]float64)(row) = [toIntrinsics]float64{
				still[1]*g[2] - still[2]*g[1], still[2]*g[0] - still[0]*g[2], still[0]*g[1] - still[1]*g[0], g[0], g[1], g[2],
				onBoard[0] * b[0], onBoard[1] * b[1], onBoard[2] * bow[0], onBoard[2] * bow[1], onBoard[2] * bow[2],
			}
			copy(row[toIntrinsics:toIntrinsics+v.intrinsics], dIntrinsics[k][:v.intrinsics])
		}
	}
	return chain, camBlock, true
}

// columns is how many columns the flat Jacobian has.
func (v *boardView) columns() int {
	if v.read != nil {
		return toIntrinsics + v.intrinsics + driftSize
	}
	return toIntrinsics + v.intrinsics
}

// wanders tells whether the photo's block holds its camera's wander.
func (v *boardView) wanders() bool { return v.links[0] == photoLink || v.links[0] == rollLink }

func (v *boardView) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	f := flats.Get().(*flat)
	defer flats.Put(f)
	n, columns := 2*len(v.corners), v.columns()
	f.e = grown(f.e, n)
	wanted := false
	for _, j := range jac {
		wanted = wanted || j != nil
	}
	var flatJac []float64
	if wanted {
		f.jac = grown(f.jac, n*columns)
		flatJac = f.jac
	}
	chain, camBlock, ok := v.offsets(x, f.e, flatJac)
	if !ok {
		return false
	}
	white := flatJac
	if v.rows == nil {
		for i, w := range v.white {
			ex, ey := f.e[2*i], f.e[2*i+1]
			r[2*i], r[2*i+1] = w[0]*ex, w[1]*ex+w[2]*ey
			if wanted {
				upper, lower := flatJac[2*i*columns:(2*i+1)*columns], flatJac[(2*i+1)*columns:(2*i+2)*columns]
				for c, u := range upper {
					upper[c], lower[c] = w[0]*u, w[1]*u+w[2]*lower[c]
				}
			}
		}
	} else {
		rows := blas64.General{Rows: v.r, Cols: n, Stride: n, Data: v.rows}
		blas64.Gemv(blas.NoTrans, 1, rows, blas64.Vector{N: n, Inc: 1, Data: f.e}, 0, blas64.Vector{N: v.r, Inc: 1, Data: r})
		if wanted {
			f.white = grown(f.white, v.r*columns)
			white = f.white
			blas64.Gemm(blas.NoTrans, blas.NoTrans, 1, rows, blas64.General{Rows: n, Cols: columns, Stride: columns, Data: flatJac},
				0, blas64.General{Rows: v.r, Cols: columns, Stride: columns, Data: white})
		}
	}
	if wanted {
		v.spread(x, chain[:len(v.links)], camBlock, white, jac)
	}
	return true
}

// spread writes the Jacobians of the blocks, given the whitened one by what the
// blocks do to the board in the camera.
//
// A row's derivative by a step (ω, τ) in the camera is (a, g). A turn about a
// point c, ω × (p − c), then counts a − c × g, and what happens in another frame
// is turned there.
func (v *boardView) spread(x [][]float64, links []joint, camBlock int, white []float64, jac [][]float64) {
	intrinsics, scale := x[camBlock], x[camBlock+1]
	columns := v.columns()
	for row := range v.r {
		w := white[row*columns : (row+1)*columns]
		a, g := pose.Vec(w[toPose:toPose+3]), pose.Vec(w[toPose+3:toPose+6])
		in := func(frame *pose.SE3, c *pose.Vec) (turn, shift pose.Vec) {
			m := pose.Sub(a, pose.Cross(*c, g))
			carryBack(&frame.R, &m, &turn)
			carryBack(&frame.R, &g, &shift)
			return
		}
		focal := w[toIntrinsics : toIntrinsics+v.intrinsics]
		for k := range links {
			l := &links[k]
			j := jac[l.block]
			switch {
			case l.kind == steerLink:
				// A·E·Rz·E⁻¹·A⁻¹ with E a small step in the line's frame.
				turn, shift := in(&l.cameraFromLine, &l.cameraFromLine.T)
				if j != nil {
					var turnB, shiftB pose.Vec
					carryBack(&l.turn, &turn, &turnB)
					carryBack(&l.turn, &shift, &shiftB)
					*(*[4]float64)(j[4*row:]) = [4]float64{turn[0] - turnB[0], turn[1] - turnB[1], shift[0] - shiftB[0], shift[1] - shiftB[1]}
				}
				if j := jac[l.block+1]; j != nil {
					j[row] = turn[2]
				}
			case j == nil:
			case l.kind == poseLink:
				turn, shift := in(&l.cameraFromOuter, &l.cameraFromInner.T)
				*(*[6]float64)(j[6*row:]) = [6]float64{turn[0], turn[1], turn[2], shift[0], shift[1], shift[2]}
			case l.kind == photoLink || l.kind == rollLink:
				turn, shift := in(&l.cameraFromOuter, &l.cameraFromInner.T)
				// The wander acts as the first four intrinsics do.
				f := intrinsics[0]*focal[0] + intrinsics[1]*focal[1]
				to := j[9*row:]
				if l.kind == rollLink {
					to = j[(9+driftSize)*row:]
					copy(to[9:9+driftSize], w[toIntrinsics+v.intrinsics:])
				}
				*(*[9]float64)(to) = [9]float64{turn[0], turn[1], turn[2], shift[0], shift[1], shift[2], f, focal[2], focal[3]}
			case l.kind == hubLink:
				turn, _ := in(&l.cameraFromInner, &l.cameraFromInner.T)
				_, shift := in(&l.cameraFromOuter, &l.cameraFromInner.T)
				*(*[5]float64)(j[5*row:]) = [5]float64{turn[0], turn[2], shift[0], shift[1], shift[2]}
			case l.kind == spinLink:
				turn, _ := in(&l.cameraFromOuter, &l.cameraFromInner.T)
				j[row] = turn[1]
			}
		}
		if j := jac[camBlock]; j != nil {
			to := j[vision.NumIntrinsics*row : vision.NumIntrinsics*(row+1)]
			copy(to, focal)
			if v.wanders() {
				grows := 1 + x[0][bundle.PoseSize]
				to[0] *= grows
				to[1] *= grows
			}
		}
		if j := jac[camBlock+1]; j != nil {
			j[2*row], j[2*row+1] = w[toShape]/scale[0], w[toShape+1]/scale[1]
		}
		if v.shaped {
			if j := jac[camBlock+2]; j != nil {
				shape := x[camBlock+2]
				to := j[shapeSize*row : shapeSize*(row+1)]
				copy(to, w[toShape:toShape+shapeSize])
				to[0] /= 1 + shape[0]
				to[1] /= 1 + shape[1]
			}
		}
	}
}

// carry sets to, which is not p, to what [pose.SE3.Apply] gives, without copying
// the transform: most of a solution's time goes here.
func carry(t *pose.SE3, p, to *pose.Vec) {
	for i := range to {
		to[i] = t.R[i][0]*p[0] + t.R[i][1]*p[1] + t.R[i][2]*p[2] + t.T[i]
	}
}

// carryBack sets to, which is not g, to Rᵀ·g.
func carryBack(r *pose.SO3, g, to *pose.Vec) {
	for i := range to {
		to[i] = r[0][i]*g[0] + r[1][i]*g[1] + r[2][i]*g[2]
	}
}

// prior is a Gaussian prior on a Euclidean block: r = W·(x − mean).
type prior struct {
	mean  []float64 // n numbers
	white []float64 // r × n, row by row
}

func (p *prior) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	n := len(p.mean)
	for i := range r {
		r[i] = 0
		for k := range n {
			r[i] += p.white[i*n+k] * (x[0][k] - p.mean[k])
		}
	}
	if jac != nil && jac[0] != nil {
		copy(jac[0], p.white)
	}
	return true
}

// wanderPrior says how much a photo's camera wanders: its focal lengths by a
// factor 1 ± focal, its principal point by centre each way; 0: not at all, and no
// rows.
type wanderPrior struct{ focal, centre float64 }

func (p wanderPrior) rows() (n int) {
	if p.focal > 0 {
		n++
	}
	if p.centre > 0 {
		n += 2
	}
	return n
}

func (p wanderPrior) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	size := len(x[0]) - bundle.PoseSize + 6
	w := x[0][bundle.PoseSize:]
	row := 0
	for i, u := range [vision.WanderSize]float64{p.focal, p.centre, p.centre} {
		if u == 0 {
			continue
		}
		r[row] = w[i] / u
		if jac != nil && jac[0] != nil {
			jac[0][row*size+6+i] = 1 / u
		}
		row++
	}
	return true
}

// same is a prior that two angles are equal within sigma: spins under held
// brakes.
type same struct{ sigma float64 }

func (p same) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	r[0] = (x[1][0] - x[0][0]) / p.sigma
	for i, sign := range []float64{-1, 1} {
		if jac != nil && jac[i] != nil {
			jac[i][0] = sign / p.sigma
		}
	}
	return true
}

// mountPrior says how well a board is clamped: its normal along the spin axis
// within tilt, its centre on the axis within offset and standoff outboard of
// the wheel's centre within standoffU. Five rows; the turn about the axis is
// free.
type mountPrior struct{ tilt, offset, standoff, standoffU float64 }

func (p mountPrior) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	hubFromBoard := bundle.GetPose(x[0])
	n := hubFromBoard.R.Column(2)
	t := hubFromBoard.T
	r[0], r[1] = n[0]/p.tilt, n[2]/p.tilt
	r[2], r[3], r[4] = t[0]/p.offset, (t[1]-p.standoff)/p.standoffU, t[2]/p.offset
	if jac != nil && jac[0] != nil {
		j := jac[0]
		// dn = ω × n
		j[1], j[2] = n[2]/p.tilt, -n[1]/p.tilt
		j[6], j[7] = n[1]/p.tilt, -n[0]/p.tilt
		j[2*6+3], j[3*6+4], j[4*6+5] = 1/p.offset, 1/p.standoffU, 1/p.offset
	}
	return true
}

// levelPrior says that something is level and at a known height on the floor:
// its z axis upright within tilt (two rows) and its origin at height within
// sigma (one row).
type levelPrior struct{ height, sigma, tilt float64 }

func (p levelPrior) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	t := bundle.GetPose(x[0])
	n := t.R.Column(2)
	r[0], r[1], r[2] = n[0]/p.tilt, n[1]/p.tilt, (t.T[2]-p.height)/p.sigma
	if jac != nil && jac[0] != nil {
		j := jac[0]
		j[1], j[2] = n[2]/p.tilt, -n[1]/p.tilt
		j[6], j[8] = -n[2]/p.tilt, n[0]/p.tilt
		j[2*6+5] = 1 / p.sigma
	}
	return true
}

// sameLevel says that two bodies are level alike within tilt (two rows) and
// equally high within sigma (one row), on the same ground.
type sameLevel struct{ sigma, tilt float64 }

func (p sameLevel) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	for i := range 3 {
		r[i] = 0
	}
	for k, sign := range []float64{-1, 1} {
		var one [3]float64
		var j [][]float64
		if jac != nil && jac[k] != nil {
			j = jac[k : k+1]
		}
		levelPrior{0, p.sigma, p.tilt}.Eval(x[k:k+1], one[:], j)
		for i := range one {
			r[i] += sign * one[i]
		}
		if j != nil && sign < 0 {
			for i := range j[0] {
				j[0][i] = -j[0][i]
			}
		}
	}
	return true
}

// steerPrior keeps a steering axis near where any vehicle has it, weakly, so
// that a sweep with two stations is solvable and says how little it tells: the
// axis upright within tilt, and through a point of the body within offset.
type steerPrior struct {
	at           pose.Vec
	tilt, offset float64
}

func (p steerPrior) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	t := bundle.GetPose(x[0])
	// The body's upright and the point, in the line's frame.
	up := t.R.Transpose().Apply(pose.Vec{0, 0, 1})
	q := t.Inverse().Apply(p.at)
	r[0], r[1], r[2], r[3] = up[0]/p.tilt, up[1]/p.tilt, q[0]/p.offset, q[1]/p.offset
	if jac != nil && jac[0] != nil {
		// A vector seen from a frame that turns by ω in itself changes by −ω × v.
		for k, e := range []pose.Vec{{1, 0, 0}, {0, 1, 0}} {
			du, dq := pose.Cross(up, e), pose.Cross(q, e)
			for i := range 2 {
				jac[0][4*i+k] = du[i] / p.tilt
				jac[0][4*(2+i)+k] = dq[i] / p.offset
			}
		}
		jac[0][4*2+2], jac[0][4*3+3] = -1/p.offset, -1/p.offset
	}
	return true
}

// centrelineGauge chooses the body's heading and place in the ground plane,
// which no photograph tells: its x axis runs through the midpoints of two
// axles, its origin lies below the rear one. Blocks: hubs front left, front
// right, rear left, rear right. The residuals reach zero exactly, so how tight
// they are changes no reading.
type centrelineGauge struct{}

const gaugeSigma = 1e-5 // m

func (centrelineGauge) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	mid := func(a, b, k int) float64 {
		return (bundle.GetPose(x[a]).T[k] + bundle.GetPose(x[b]).T[k]) / 2
	}
	r[0], r[1], r[2] = mid(0, 1, 1)/gaugeSigma, mid(2, 3, 0)/gaugeSigma, mid(2, 3, 1)/gaugeSigma
	for i, j := range jac {
		switch {
		case j == nil:
		case i < 2:
			j[0*5+3] = 0.5 / gaugeSigma
		default:
			j[1*5+2], j[2*5+3] = 0.5/gaugeSigma, 0.5/gaugeSigma
		}
	}
	return true
}
