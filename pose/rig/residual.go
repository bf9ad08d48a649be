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
	for i := 0; i < 3; i++ {
		m[i][0], m[i][1] = x[i], z[i]
		m[3+i][2+i] = 1
	}
	return m
}

// boardView is one board in one photograph: a residual pair per corner, whitened
// with the corner's covariance.
//
// Blocks of a board on a wheel: photo, station, hub, hang, spin, camera,
// print scale. Of a board on the floor: photo, floor board, camera, print scale.
type boardView struct {
	corners []vision.Corner
	points  [][3]float64 // on the board as printed to nominal scale
	white   [][3]float64 // lower triangular whitening: l00, l10, l11
	onWheel bool
}

func newBoardView(b *vision.Board, corners []vision.Corner, onWheel bool) *boardView {
	v := &boardView{corners: corners, onWheel: onWheel}
	for _, c := range corners {
		v.points = append(v.points, b.Corner(c.Index))
		v.white = append(v.white, whiten(c.Cov))
	}
	return v
}

// whiten returns W, lower triangular, with W·cov·Wᵀ = 1.
func whiten(cov [3]float64) [3]float64 {
	a := math.Sqrt(cov[0])       // L = [a 0; b c]
	b := cov[1] / a              //
	c := math.Sqrt(cov[2] - b*b) //
	return [3]float64{1 / a, -b / (a * c), 1 / c}
}

func (v *boardView) dim() int { return 2 * len(v.corners) }

// Positions of the blocks in the residual's list.
const (
	wheelPhoto = iota
	wheelStation
	wheelHub
	wheelHang
	wheelSpin
	wheelCamera
	wheelScale
)

const (
	floorPhoto = iota
	floorBoard
	floorCamera
	floorScale
)

// cameraAt reads the intrinsics from their block.
func cameraAt(x []float64) vision.Camera {
	var c vision.Camera
	c.SetIntrinsics([vision.NumIntrinsics]float64(x))
	return c
}

func (v *boardView) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	want := func(i int) []float64 {
		if jac == nil {
			return nil
		}
		return jac[i]
	}
	var (
		cameraFromFloor, floorFromBody, bodyFromHub, bFromBoard pose.SE3 // b: hub before spin, or floor
		spin                                                    pose.SO3
		camera                                                  vision.Camera
		scale                                                   []float64
	)
	if v.onWheel {
		cameraFromFloor, floorFromBody = bundle.GetPose(x[wheelPhoto]), bundle.GetPose(x[wheelStation])
		bodyFromHub, bFromBoard = bundle.GetPose(x[wheelHub]), bundle.GetPose(x[wheelHang])
		spin = pose.RotY(x[wheelSpin][0])
		camera, scale = cameraAt(x[wheelCamera]), x[wheelScale]
	} else {
		cameraFromFloor, bFromBoard = bundle.GetPose(x[floorPhoto]), bundle.GetPose(x[floorBoard])
		camera, scale = cameraAt(x[floorCamera]), x[floorScale]
	}
	cameraFromBody := cameraFromFloor.R
	cameraFromHub := pose.SO3{}
	cameraFromB := cameraFromFloor.R
	if v.onWheel {
		cameraFromBody = cameraFromFloor.R.Mul(floorFromBody.R)
		cameraFromHub = cameraFromBody.Mul(bodyFromHub.R)
		cameraFromB = cameraFromHub.Mul(spin)
	}
	cameraFromBoard := cameraFromB.Mul(bFromBoard.R)

	for i, p := range v.points {
		onBoard := pose.Vec{p[0] * scale[0], p[1] * scale[1], 0}
		inB := bFromBoard.Apply(onBoard)
		inFloor := inB
		var inHub, inBody pose.Vec
		if v.onWheel {
			inHub = spin.Apply(inB)
			inBody = bodyFromHub.Apply(inHub)
			inFloor = floorFromBody.Apply(inBody)
		}
		px, dPoint, dIntrinsics, ok := camera.ProjectJacobian(cameraFromFloor.Apply(inFloor))
		if !ok {
			return false
		}
		w := v.white[i]
		ex, ey := px[0]-v.corners[i].Px[0], px[1]-v.corners[i].Px[1]
		r[2*i], r[2*i+1] = w[0]*ex, w[1]*ex+w[2]*ey
		if jac == nil {
			continue
		}
		// g is the whitened derivative of the pixel by the point in the camera.
		var g [2]pose.Vec
		for k := 0; k < 3; k++ {
			g[0][k] = w[0] * dPoint[0][k]
			g[1][k] = w[1]*dPoint[0][k] + w[2]*dPoint[1][k]
		}
		// A step (ω, τ) of aFromB moves the point by ω × (R·x) + τ in a, so a row
		// g in a's coordinates gives (R·x) × g for ω and g for τ.
		step := func(j []float64, row int, g, rx pose.Vec) {
			c := pose.Cross(rx, g)
			copy(j[6*row:], []float64{c[0], c[1], c[2], g[0], g[1], g[2]})
		}
		for k := 0; k < 2; k++ {
			row := 2*i + k
			if j := want(0); j != nil {
				step(j, row, g[k], cameraFromFloor.R.Apply(inFloor))
			}
			gB := cameraFromB.Transpose().Apply(g[k])
			if v.onWheel {
				if j := want(wheelStation); j != nil {
					step(j, row, cameraFromFloor.R.Transpose().Apply(g[k]), floorFromBody.R.Apply(inBody))
				}
				if j := want(wheelHub); j != nil {
					gHub := cameraFromHub.Transpose().Apply(g[k])
					gBody := cameraFromBody.Transpose().Apply(g[k])
					turn := pose.Cross(inHub, gHub)
					copy(j[5*row:], []float64{turn[0], turn[2], gBody[0], gBody[1], gBody[2]})
				}
				if j := want(wheelHang); j != nil {
					step(j, row, gB, bFromBoard.R.Apply(onBoard))
				}
				if j := want(wheelSpin); j != nil {
					j[row] = pose.Cross(inHub, cameraFromHub.Transpose().Apply(g[k]))[1]
				}
			} else if j := want(floorBoard); j != nil {
				step(j, row, gB, bFromBoard.R.Apply(onBoard))
			}
			cam, sc := floorCamera, floorScale
			if v.onWheel {
				cam, sc = wheelCamera, wheelScale
			}
			if j := want(cam); j != nil {
				for n := 0; n < vision.NumIntrinsics; n++ {
					d := w[0] * dIntrinsics[0][n]
					if k == 1 {
						d = w[1]*dIntrinsics[0][n] + w[2]*dIntrinsics[1][n]
					}
					j[vision.NumIntrinsics*row+n] = d
				}
			}
			if j := want(sc); j != nil {
				gBoard := cameraFromBoard.Transpose().Apply(g[k])
				j[2*row], j[2*row+1] = gBoard[0]*p[0], gBoard[1]*p[1]
			}
		}
	}
	return true
}

// prior is a Gaussian prior on a Euclidean block: r = W·(x − mean).
type prior struct {
	mean  []float64
	white []float64 // n × n, row by row
}

func (p *prior) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	n := len(p.mean)
	for i := 0; i < n; i++ {
		r[i] = 0
		for k := 0; k < n; k++ {
			r[i] += p.white[i*n+k] * (x[0][k] - p.mean[k])
		}
	}
	if jac != nil && jac[0] != nil {
		copy(jac[0], p.white)
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
		clear(j)
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
		clear(j)
		j[1], j[2] = n[2]/p.tilt, -n[1]/p.tilt
		j[6], j[8] = -n[2]/p.tilt, n[0]/p.tilt
		j[2*6+5] = 1 / p.sigma
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
		if j == nil {
			continue
		}
		clear(j)
		if i < 2 {
			j[0*5+3] = 0.5 / gaugeSigma
		} else {
			j[1*5+2], j[2*5+3] = 0.5/gaugeSigma, 0.5/gaugeSigma
		}
	}
	return true
}
