package bundle

import (
	"fmt"
	"math"
	"math/rand/v2"

	"wheelplane/pose"
)

// network is an invented bundle much like the real one: a vehicle at several
// stations, with boards on it and others on the floor, photographed through a
// lens with unknown focal length and centre. Every photograph sees boards of
// the vehicle and, last, one on the floor. Its points are 24 to a board, as of a board of 7 by 5 squares.
type network struct {
	p       Problem
	lens    BlockID
	body    []BlockID // by station
	boards  []BlockID // in the body
	floor   []BlockID // boards in the floor
	photos  []BlockID
	views   []ResidualID
	truth   []pose.SE3 // of photos
	sigmaPx float64
}

type networkOptions struct {
	photos, views, boards, stations int // boards on the vehicle; views in a photograph
	seed                            uint64
	keepPhotos                      bool // do not eliminate
	sigmaPx                         float64
	start                           float64 // how far the start is off, in radians and tenths of metres
}

// view is one board in one photograph:
//
//	pixel = lens(cameraFromFloor · floorFromBody · bodyFromBoard · point)
type view struct {
	points []pose.Vec
	px     [][2]float64
	sigma  float64
}

func (v *view) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	camera, body, board, lens := GetPose(x[0]), GetPose(x[1]), GetPose(x[2]), x[3]
	cameraFromBody := camera.Mul(body)
	for i, p := range v.points {
		inBody := board.Apply(p)
		inFloor := body.Apply(inBody)
		c := camera.Apply(inFloor)
		if c[2] < 0.05 {
			return false
		}
		u, w := c[0]/c[2], c[1]/c[2]
		r2 := u*u + w*w
		q := 1 + lens[3]*r2
		f := lens[0]
		r[2*i] = (f*u*q + lens[1] - v.px[i][0]) / v.sigma
		r[2*i+1] = (f*w*q + lens[2] - v.px[i][1]) / v.sigma

		// With respect to the point in the camera.
		var d [2][3]float64
		dq := 2 * lens[3]
		duu, duw, dww := f*(q+dq*u*u), f*dq*u*w, f*(q+dq*w*w)
		for k, e := range [2][2]float64{{duu, duw}, {duw, dww}} {
			d[k] = [3]float64{e[0] / c[2], e[1] / c[2], -(e[0]*u + e[1]*w) / c[2]}
		}
		// A transform aFromB = (R, T) in a chain left·(R·p + T): turning by ω
		// moves the point by ω × (R·p), seen through left's rotation.
		chain := func(j []float64, left pose.SO3, turned pose.Vec) {
			for k := range 2 {
				row := pose.Scale(1/v.sigma, left.Transpose().Apply(d[k]))
				turn := pose.Cross(turned, row)
				copy(j[(2*i+k)*6:], turn[:])
				copy(j[(2*i+k)*6+3:], row[:])
			}
		}
		if jac[0] != nil {
			chain(jac[0], pose.IdentityRotation(), camera.R.Apply(inFloor))
		}
		if jac[1] != nil {
			chain(jac[1], camera.R, body.R.Apply(inBody))
		}
		if jac[2] != nil {
			chain(jac[2], cameraFromBody.R, board.R.Apply(p))
		}
		if jac[3] != nil {
			j := jac[3][8*i:]
			j[0], j[1], j[3] = u*q/v.sigma, 1/v.sigma, f*u*r2/v.sigma
			j[4], j[6], j[7] = w*q/v.sigma, 1/v.sigma, f*w*r2/v.sigma
		}
	}
	return true
}

// inPicture reports whether all pixels, in units of sigma, are in a picture of
// 12 megapixels.
func inPicture(r []float64, sigma float64) bool {
	for j := 0; j < len(r); j += 2 {
		if u, v := r[j]*sigma, r[j+1]*sigma; u < 0 || u > 4000 || v < 0 || v > 3000 {
			return false
		}
	}
	return true
}

// tie holds a vector to a value, or a transform near one, each component with
// its own standard uncertainty.
type tie struct {
	at    pose.SE3
	sigma [6]float64
}

func (t *tie) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	d := GetPose(x[0]).Minus(t.at)
	jr := logJacobian(pose.Vec{d[0], d[1], d[2]})
	for i := range 6 {
		r[i] = d[i] / t.sigma[i]
		if jac[0] == nil {
			continue
		}
		if i < 3 {
			for k := range 3 {
				jac[0][6*i+k] = jr[i][k] / t.sigma[i]
			}
		} else {
			jac[0][6*i+i] = 1 / t.sigma[i]
		}
	}
	return true
}

// logJacobian is the derivative of Log(Exp(ω)·Exp(w)) with respect to ω at 0:
// the inverse of the left Jacobian of SO(3).
func logJacobian(w pose.Vec) [3][3]float64 {
	t := pose.Norm(w)
	k := 1.0 / 12
	if t > 1e-4 {
		k = (1 - t/2/math.Tan(t/2)) / (t * t)
	}
	s := pose.Skew(w)
	var j [3][3]float64
	for a := range 3 {
		for b := range 3 {
			for c := range 3 {
				j[a][b] += k * s[a][c] * s[c][b]
			}
			j[a][b] -= s[a][b] / 2
		}
		j[a][a]++
	}
	return j
}

type vectorTie struct{ at, sigma []float64 }

func (t *vectorTie) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	for i := range r {
		r[i] = (x[0][i] - t.at[i]) / t.sigma[i]
		if jac[0] != nil {
			jac[0][i*len(r)+i] = 1 / t.sigma[i]
		}
	}
	return true
}

func newNetwork(o networkOptions) *network {
	rng := rand.New(rand.NewPCG(o.seed, 1))
	if o.sigmaPx == 0 {
		o.sigmaPx = 0.1
	}
	normal6 := func(turn, move float64) (d [6]float64) {
		for i := range d {
			d[i] = rng.NormFloat64() * turn
			if i > 2 {
				d[i] = rng.NormFloat64() * move
			}
		}
		return d
	}
	n := &network{sigmaPx: o.sigmaPx}
	off := func(t pose.SE3) pose.SE3 { return t.Plus(normal6(o.start, o.start/10)) }
	lens := []float64{2900, 2000, 1500, -0.05}
	start := []float64{lens[0] * (1 + 0.01*o.start), lens[1], lens[2], 0}
	n.lens = n.p.AddBlock("lens", start, Euclidean(4))
	calibrated, sigma := make([]float64, 4), []float64{100, 50, 50, 0.5}
	for i := range calibrated {
		calibrated[i] = lens[i] + sigma[i]*rng.NormFloat64()
	}
	n.p.AddResidual("lens from calibration", &vectorTie{calibrated, sigma}, 4, 0, nil, n.lens)

	var bodies, boards []pose.SE3
	for s := range o.stations {
		b := pose.SE3{R: pose.RotZ(0.02 * float64(s)), T: pose.Vec{0.8 * float64(s), 0.01, 0}}
		id := n.p.AddBlock(fmt.Sprintf("station %d", s+1), PoseValue(b), PoseManifold)
		if s == 0 { // the body's own frame
			n.p.SetConstant(id, true)
		} else {
			n.p.SetValue(id, PoseValue(off(b)))
		}
		bodies, n.body = append(bodies, b), append(n.body, id)
	}
	for b := range o.boards {
		t := pose.SE3{T: pose.Vec{1.2 * float64(b), 0, 0.6 + 0.1*rng.Float64()}}.Plus(normal6(0.2, 0.05))
		t.R = pose.Exp(pose.Vec{0.1 * rng.NormFloat64(), 0.3 * rng.NormFloat64(), 0.1 * rng.NormFloat64()}).Mul(pose.RotX(math.Pi / 2))
		id := n.p.AddBlock(fmt.Sprintf("board %d", b+1), PoseValue(off(t)), PoseManifold)
		near := t.Plus(normal6(0.01, 0.01))
		n.p.AddResidual(fmt.Sprintf("board %d as mounted", b+1), &tie{near, [6]float64{1, 1, 1, 1, 1, 1}}, 6, 0, nil, id)
		boards, n.boards = append(boards, t), append(n.boards, id)
	}
	still := n.p.AddBlock("floor", PoseValue(pose.Identity()), PoseManifold)
	n.p.SetConstant(still, true)
	var floor []pose.SE3
	for b := range o.boards {
		t := pose.SE3{R: pose.RotZ(rng.NormFloat64()), T: pose.Vec{1.2 * (float64(b) + 0.5), -0.6, 0}}
		id := n.p.AddBlock(fmt.Sprintf("floor board %d", b+1), PoseValue(t), PoseManifold)
		if b > 0 {
			n.p.SetValue(id, PoseValue(off(t)))
		}
		flat := t.Plus([6]float64{2e-3 * rng.NormFloat64(), 2e-3 * rng.NormFloat64(), 0, 0, 0, 2e-3 * rng.NormFloat64()})
		n.p.AddResidual(fmt.Sprintf("floor board %d lies flat", b+1), &tie{flat, [6]float64{2e-3, 2e-3, 2, 2, 2, 2e-3}}, 6, 0, nil, id)
		if b == 0 { // the floor's own frame
			n.p.Hold(id, 2, 3, 4)
		}
		floor, n.floor = append(floor, t), append(n.floor, id)
	}

	var points []pose.Vec
	for row := range 4 {
		for col := range 6 {
			points = append(points, pose.Vec{0.055 * (float64(col) - 2.5), 0.055 * (1.5 - float64(row)), 0})
		}
	}
	for i := range o.photos {
		station := i % o.stations
		first := rng.IntN(max(1, o.boards-o.views+2)) // the last view is of the floor
		// Looks along +y at the boards from 4 metres, with its own tilt.
		look := bodies[station].Apply(pose.Vec{1.2 * (float64(first) + float64(o.views-1)/2), 0, 0.6})
		r := pose.SO3{{1, 0, 0}, {0, 0, -1}, {0, 1, 0}}
		cameraFromFloor := pose.SE3{R: pose.Exp(pose.Vec{0.1 * rng.NormFloat64(), 0.1 * rng.NormFloat64(), 0.1 * rng.NormFloat64()}).Mul(r)}
		cameraFromFloor.T = pose.Sub(pose.Vec{0, 0, 3 + float64(o.views)*0.5 + rng.Float64()}, cameraFromFloor.R.Apply(look))
		id := n.p.AddBlock(fmt.Sprintf("photo %d", i+1), PoseValue(off(cameraFromFloor)), PoseManifold)
		if !o.keepPhotos {
			n.p.Eliminate(id)
		}
		n.photos, n.truth = append(n.photos, id), append(n.truth, cameraFromFloor)
		for k := range o.views {
			b := (first + k) % o.boards
			kind, chain := "", [3]BlockID{id, n.body[station], n.boards[b]}
			body, board := bodies[station], boards[b]
			if k == o.views-1 {
				b = (first + i/o.stations%o.views) % o.boards
				kind, chain[1], chain[2] = "floor ", still, n.floor[b]
				body, board = pose.Identity(), floor[b]
			}
			v := &view{points: points, sigma: o.sigmaPx, px: make([][2]float64, len(points))}
			r := make([]float64, 2*len(points))
			x := [][]float64{PoseValue(cameraFromFloor), PoseValue(body), PoseValue(board), lens}
			if !v.Eval(x, r, make([][]float64, 4)) || !inPicture(r, v.sigma) {
				continue
			}
			for j := range v.px {
				v.px[j] = [2]float64{r[2*j]*v.sigma + v.sigma*rng.NormFloat64(), r[2*j+1]*v.sigma + v.sigma*rng.NormFloat64()}
			}
			n.views = append(n.views, n.p.AddResidual(fmt.Sprintf("%sboard %d in photo %d", kind, b+1, i+1), v, len(r), 2, nil,
				chain[0], chain[1], chain[2], n.lens))
		}
	}
	return n
}
