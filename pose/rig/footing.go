package rig

import (
	"fmt"

	"wheelplane/pose"
	"wheelplane/pose/bundle"
	"wheelplane/vision"

	"gonum.org/v1/gonum/mat"
)

// Footing is what a solved job knows of the vehicle as it stands at one of its
// stations, jointly: what whoever goes on watching it from there starts from.
// Nothing of it changes until somebody moves something.
//
// Cov is the joint covariance of the steps of all its parts, each at its own
// column: six numbers of [pose.SE3.Plus] for a transform, rad and m; a board's
// shape as [Shape] lists it; the intrinsics; the print scale.
type Footing struct {
	Job     *Job // as it was solved, mishaps worked in
	Station int

	Body    pose.SE3 // floorFromBody
	BodyCol int
	Wheels  []FootingWheel // those with an axis in the station's epoch
	Boards  []FootingBoard // those that the photographs place at the station
	Kingpin *pose.Vec      // of a semi-trailer, in the body; its place, at KingpinCol, m

	KingpinCol int
	Camera     vision.Camera // as the job found it, wander aside
	CameraCol  int
	Scale      [2]float64 // print scale of all boards
	ScaleCol   int
	Cov        *mat.SymDense
}

// FootingWheel is a wheel at the station.
type FootingWheel struct {
	Wheel
	Hub pose.SE3 // bodyFromHub
	Col int
}

// FootingBoard is a board at the station.
type FootingBoard struct {
	Board int // index into Job.Boards
	Place pose.SE3
	Col   int // of floorFromBoard's step
	Shape Shape
	// ShapeCol is where the shape's numbers are; -1: flat and like the others.
	ShapeCol int

	Lies    bool // on the floor
	OnWheel int  // index into Wheels, or -1
	// Hang is hubFromBoard of a board on a wheel, the spin of the station set
	// aside: the wheel's axis is seen through it.
	Hang    pose.SE3
	HangCol int // -1: not on a wheel
}

// Footing tells how the vehicle stands at a station. It is an error where the
// vehicle does not stand straight on its wheels there, or no board is placed.
func (s *Solution) Footing(station int) (*Footing, error) {
	n, c := s.net, s.net.cast
	j := n.job
	stop := j.Stations[station]
	switch {
	case stop.Sweep:
		return nil, fmt.Errorf("station %s is one of a steering sweep: the wheels are not straight ahead there; name another station, or photograph one more straight ahead", stop.Name)
	case len(stop.Lifted) > 0:
		return nil, fmt.Errorf("station %s has wheels off the ground: name another station, or lower the vehicle and photograph one more", stop.Name)
	}
	cov, err := n.p.Covariance()
	if err != nil {
		return nil, solveError(err)
	}
	f := &Footing{Job: j, Station: station, Body: s.State.FloorFromBody[station], Camera: s.State.Camera, Scale: s.State.PrintScale, KingpinCol: -1}
	var l list
	body := l.add(n.stations[station], bundle.PoseManifold)
	// What each column is of, as a function of the blocks' values.
	var parts []func(x [][]float64) []float64
	dim := 0
	add := func(size int, of func(x [][]float64) []float64) (col int) {
		col, dim = dim, dim+size
		parts = append(parts, of)
		return col
	}
	stepOf := func(at pose.SE3, of func(x [][]float64) pose.SE3) int {
		return add(6, func(x [][]float64) []float64 {
			d := of(x).Minus(at)
			return d[:]
		})
	}
	block := func(i int) func(x [][]float64) pose.SE3 {
		return func(x [][]float64) pose.SE3 { return bundle.GetPose(x[i]) }
	}
	f.BodyCol = stepOf(f.Body, block(body))
	epoch := c.epochOf[station]
	wheelAt := make([]int, len(c.Wheels))
	for w := range c.Wheels {
		wheelAt[w] = -1
		a := c.standing(j, w, epoch)
		if a < 0 || !n.seen.axis[a] || n.seen.frame[c.stationsOf(epoch)[0]] != n.seen.frame[station] {
			continue
		}
		wheelAt[w] = len(f.Wheels)
		hub := s.State.BodyFromHub[a]
		f.Wheels = append(f.Wheels, FootingWheel{Wheel: c.Wheels[w], Hub: hub, Col: stepOf(hub, block(l.add(n.hubs[a], hubManifold{})))})
	}
	if k := j.Kingpin; k != nil {
		for i, b := range j.Body {
			if b == k.Board {
				at := l.add(n.body[i], bundle.PoseManifold)
				p := s.State.BodyFromBoard[i].Apply(k.Point)
				f.Kingpin = &p
				f.KingpinCol = add(3, func(x [][]float64) []float64 {
					q := bundle.GetPose(x[at]).Apply(k.Point)
					return q[:]
				})
			}
		}
	}
	cam := l.add(n.camera, bundle.Euclidean(vision.NumIntrinsics))
	f.CameraCol = add(vision.NumIntrinsics, func(x [][]float64) []float64 { return x[cam] })
	scale := l.add(n.scale, bundle.Euclidean(2))
	f.ScaleCol = add(2, func(x [][]float64) []float64 { return x[scale] })
	for b := range j.Boards {
		at := c.seatOf(b, station)
		fb := FootingBoard{Board: b, OnWheel: -1, HangCol: -1, ShapeCol: -1, Lies: at.kind == onFloor}
		var of func(x [][]float64) pose.SE3
		switch at.kind {
		case onWheel:
			w := c.wheelOf[at.index]
			if !n.seen.hang[at.index][station] || wheelAt[w] < 0 {
				continue
			}
			fb.OnWheel, fb.Hang = wheelAt[w], s.State.HubFromBoard[at.index]
			hub := l.add(n.hubs[c.AxisAt[w][station]], hubManifold{})
			spin := l.add(n.spins[at.index][station], bundle.Euclidean(1))
			hang := l.add(n.hangs[at.index], bundle.PoseManifold)
			of = func(x [][]float64) pose.SE3 {
				return bundle.GetPose(x[body]).Mul(bundle.GetPose(x[hub])).Mul(pose.SE3{R: pose.RotY(x[spin][0])}).Mul(bundle.GetPose(x[hang]))
			}
			fb.HangCol = stepOf(fb.Hang, block(hang))
		case onFloor:
			if !n.seen.lay[at.index] {
				continue
			}
			of = block(l.add(n.floor[at.index], bundle.PoseManifold))
		case onBody:
			if !n.seen.body[at.index][station] {
				continue
			}
			k := l.add(n.body[at.index], bundle.PoseManifold)
			of = func(x [][]float64) pose.SE3 { return bundle.GetPose(x[body]).Mul(bundle.GetPose(x[k])) }
		default:
			continue
		}
		fb.Place, _ = c.FloorFromBoard(s.State, b, station)
		fb.Col = stepOf(fb.Place, of)
		if id := n.shapes[b]; id >= 0 {
			k := l.add(id, bundle.Euclidean(shapeSize))
			fb.Shape = s.State.Shape(b)
			fb.ShapeCol = add(shapeSize, func(x [][]float64) []float64 { return x[k] })
		}
		f.Boards = append(f.Boards, fb)
	}
	if len(f.Boards) == 0 {
		return nil, fmt.Errorf("station %s: no board is placed there", stop.Name)
	}
	f.Cov = n.jointly(cov, l, dim, parts)
	if f.Kingpin != nil {
		for i := range 3 {
			f.Cov.SetSym(f.KingpinCol+i, f.KingpinCol+i, f.Cov.At(f.KingpinCol+i, f.KingpinCol+i)+j.Kingpin.U*j.Kingpin.U)
		}
	}
	return f, nil
}

// jointly propagates the covariance of some blocks to functions of their values,
// dim numbers in all.
func (n *network) jointly(cov covariance, l list, dim int, parts []func(x [][]float64) []float64) *mat.SymDense {
	all := func(x [][]float64) []float64 {
		out := make([]float64, 0, dim)
		for _, f := range parts {
			out = append(out, f(x)...)
		}
		return out
	}
	c, _ := n.spreadTo(cov, l, all)
	return c
}

// ShapeSize is how many numbers a [Shape] has, in the order of [Shape.Numbers].
const ShapeSize = shapeSize

// Numbers are the stretches and the bow.
func (s *Shape) Numbers() [ShapeSize]float64 { return [ShapeSize]float64(s.value()) }

// CornerJacobian returns corner i of a board as it is, and its derivatives by the
// scale and by the shape's numbers, m.
func CornerJacobian(b *vision.Board, i int, scale [2]float64, shape *Shape) (p pose.Vec, byScale [2]pose.Vec, byShape [ShapeSize]pose.Vec) {
	w, h := b.Size()
	q := b.Corner(i)
	x, y := q[0]*scale[0], q[1]*scale[1]
	sx, sy := 1+shape.Stretch[0], 1+shape.Stretch[1]
	bow := bowAt(2*q[0]/w, 2*q[1]/h)
	p = pose.Vec{x * sx, y * sy, shape.At(2*q[0]/w, 2*q[1]/h)}
	byScale = [2]pose.Vec{{q[0] * sx, 0, 0}, {0, q[1] * sy, 0}}
	byShape[0], byShape[1] = pose.Vec{x, 0, 0}, pose.Vec{0, y, 0}
	for k := range bow {
		byShape[2+k] = pose.Vec{0, 0, bow[k]}
	}
	return p, byScale, byShape
}
