package rig

import (
	"math"

	"wheelplane/pose"
	"wheelplane/pose/bundle"
	"wheelplane/vision"
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

// linkKind is a kind of link in the chain from the camera to a board.
type linkKind int

const (
	poseLink  linkKind = iota // a rigid transform; block on bundle.PoseManifold
	hubLink                   // bodyFromHub; block on hubManifold
	spinLink                  // a turn about y; block of one angle
	steerLink                 // a turn about a line; block on lineManifold, then a block of one angle
)

// boardView is one board in one photograph: a residual pair per corner,
// whitened with the corner's covariance.
//
// Its blocks are those of its links, from the camera to the board, then the
// camera's intrinsics and the print scale.
type boardView struct {
	corners []vision.Corner
	points  [][3]float64 // on the board as printed to nominal scale
	white   [][3]float64 // lower triangular whitening: l00, l10, l11
	links   []linkKind
}

func newBoardView(b *vision.Board, corners []vision.Corner, links ...linkKind) *boardView {
	v := &boardView{corners: corners, links: links}
	for _, c := range corners {
		v.points = append(v.points, b.Corner(c.Index))
		v.white = append(v.white, whiten(c.Cov))
	}
	return v
}

// whiten returns W, lower triangular, with W·cov·Wᵀ = 1.
func whiten(cov [3]float64) [3]float64 {
	// cov = L·Lᵀ with L = [a 0; b c].
	a := math.Sqrt(cov[0])
	b := cov[1] / a
	c := math.Sqrt(cov[2] - b*b)
	return [3]float64{1 / a, -b / (a * c), 1 / c}
}

func (v *boardView) dim() int { return 2 * len(v.corners) }

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
	t     pose.SE3
	// Of a steerLink: the line, and the turn in the line's own frame.
	line pose.SE3
	turn pose.SO3
}

func (v *boardView) joints(x [][]float64) (list [maxLinks]joint, next int) {
	for i, k := range v.links {
		j := joint{kind: k, block: next}
		switch k {
		case poseLink, hubLink:
			j.t = bundle.GetPose(x[next])
		case spinLink:
			j.t = pose.SE3{R: pose.RotY(x[next][0])}
		case steerLink:
			j.line, j.turn = bundle.GetPose(x[next]), pose.RotZ(x[next+1][0])
			j.t = steerBy(j.line, x[next+1][0])
			next++
		}
		next++
		list[i] = j
	}
	return
}

// steerBy is the turn by an angle about a line of the body.
func steerBy(bodyFromLine pose.SE3, angle float64) pose.SE3 {
	return bodyFromLine.Mul(pose.SE3{R: pose.RotZ(angle)}).Mul(bodyFromLine.Inverse())
}

// stepRow writes a row of the Jacobian by a step (ω, τ) of [pose.SE3.Plus]: it
// moves a point that was rx before translation by ω × rx + τ.
func stepRow(row []float64, g, rx pose.Vec) {
	c := pose.Cross(rx, g)
	*(*[6]float64)(row) = [6]float64{c[0], c[1], c[2], g[0], g[1], g[2]}
}

func (v *boardView) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	chain, camBlock := v.joints(x)
	links := chain[:len(v.links)]
	camera, scale := cameraAt(x[camBlock]), x[camBlock+1]
	want := func(block int) []float64 {
		if jac == nil {
			return nil
		}
		return jac[block]
	}
	for i, p := range v.points {
		// at[k] is the point outside link k: at[0] in the camera.
		var at [maxLinks + 1]pose.Vec
		at[len(links)] = pose.Vec{p[0] * scale[0], p[1] * scale[1], 0}
		for k := len(links) - 1; k >= 0; k-- {
			carry(&links[k].t, &at[k+1], &at[k])
		}
		px, dPoint, dIntrinsics, ok := camera.ProjectJacobian(at[0])
		if !ok {
			return false
		}
		w := v.white[i]
		ex, ey := px[0]-v.corners[i].Px[0], px[1]-v.corners[i].Px[1]
		r[2*i], r[2*i+1] = w[0]*ex, w[1]*ex+w[2]*ey
		if jac == nil {
			continue
		}
		for row := 2 * i; row < 2*i+2; row++ {
			w0, w1 := w[0], 0.0
			if row == 2*i+1 {
				w0, w1 = w[1], w[2]
			}
			// g is the whitened derivative by the point, outside the link at hand.
			var g, inner pose.Vec
			for k := range g {
				g[k] = w0*dPoint[0][k] + w1*dPoint[1][k]
			}
			for k := range links {
				l := &links[k]
				carryBack(&l.t.R, &g, &inner)
				if j := want(l.block); j != nil {
					switch l.kind {
					case poseLink:
						stepRow(j[6*row:], g, pose.Sub(at[k], l.t.T))
					case hubLink:
						turn := pose.Cross(at[k+1], inner)
						*(*[5]float64)(j[5*row:]) = [5]float64{turn[0], turn[2], g[0], g[1], g[2]}
					case spinLink:
						j[row] = pose.Cross(at[k], g)[1]
					case steerLink:
						// A·E·Rz·E⁻¹·A⁻¹ with E a small step in the line's frame.
						before := l.line.Inverse().Apply(at[k+1])
						after := l.turn.Apply(before)
						gA := l.line.R.Transpose().Apply(g)
						gB := l.turn.Transpose().Apply(gA)
						turn := pose.Sub(pose.Cross(after, gA), pose.Cross(before, gB))
						*(*[4]float64)(j[4*row:]) = [4]float64{turn[0], turn[1], gA[0] - gB[0], gA[1] - gB[1]}
					}
				}
				if l.kind == steerLink {
					if j := want(l.block + 1); j != nil {
						after := l.line.Inverse().Apply(at[k])
						j[row] = pose.Cross(after, l.line.R.Transpose().Apply(g))[2]
					}
				}
				g = inner
			}
			if j := want(camBlock); j != nil {
				to := (*[vision.NumIntrinsics]float64)(j[vision.NumIntrinsics*row:])
				for n := range to {
					to[n] = w0*dIntrinsics[0][n] + w1*dIntrinsics[1][n]
				}
			}
			if j := want(camBlock + 1); j != nil {
				j[2*row], j[2*row+1] = g[0]*p[0], g[1]*p[1]
			}
		}
	}
	return true
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
	mean  []float64
	white []float64 // n × n, row by row
}

func (p *prior) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	n := len(p.mean)
	for i := range n {
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
