package rig

import (
	"fmt"
	"slices"

	"wheelplane/pose"
	"wheelplane/pose/align"
	"wheelplane/vision"
)

// State is a value for every unknown of a job's chain:
//
//	cameraFromFloor(photo) · floorFromBody(station) · steer(wheel, station) · bodyFromHub(axis) · spin(hang, station) · hubFromBoard(hang) · corner on board
//
// The frames are those of the measurement model. The hub's y runs along the
// spin axis, outboard; its origin is the wheel's centre. Body and floor
// coincide at the first station.
type State struct {
	Camera         vision.Camera
	PrintScale     [2]float64      // true over nominal, on top of the boards' own scale
	Shapes         []Shape         // by board; nil: all flat and alike
	FloorFromBody  []pose.SE3      // by station; the first is the identity
	BodyFromHub    []pose.SE3      // by axis of Cast.Axes
	BodyFromLine   []pose.SE3      // by axis: the steering axis, up along z; only where it is swept
	Steer          [][]float64     // by wheel of Cast.Wheels and station, about the line, rad; 0 straight ahead
	HubFromBoard   []pose.SE3      // by hang
	Spin           [][]float64     // by hang and station, about the hub's y, rad; 0 at its first
	FloorFromBoard []pose.SE3      // by floor board (Job.Floor)
	BodyFromBoard  []pose.SE3      // by body board (Job.Body)
	Cameras        []pose.SE3      // cameraFromFloor by photo
	Wanders        []vision.Wander // of the camera by photo; nil: none
	Drifts         []Drift         // of the camera while a photo is read, by photo; nil: none
}

// Axis is a wheel's spin axis over the stations at which it holds still in the
// body.
type Axis struct {
	Wheel  int // index into Cast.Wheels
	Epoch  int // the epoch it came about in
	Lifted bool
}

// Cast is a job's cast list, worked out once: who stands where in a State.
type Cast struct {
	Wheels []Wheel
	Axes   []Axis
	AxisAt [][]int // by wheel and station: index into Axes

	epochOf []int   // by station: index into Job.Epochs
	hangAt  [][]int // by board and station: index into Job.Hangs, or -1
	floorAt [][]int // by board and station: index into Job.Floor, or -1
	bodyOf  []int   // by board: index into Job.Body, or -1
	wheelOf []int   // by hang: index into Wheels
	steered []bool  // by wheel
}

// Cast works out the cast list.
func (j *Job) Cast() *Cast {
	c := &Cast{Wheels: j.Wheels()}
	for _, w := range c.Wheels {
		c.steered = append(c.steered, j.Vehicle.Axles[w.Axle-1].Steered)
	}
	for _, s := range j.Stations {
		c.epochOf = append(c.epochOf, j.epoch(s.Epoch))
	}
	at := func(stations Stations, list []int, value int) {
		for st := range list {
			if stations.Has(st) {
				list[st] = value
			}
		}
	}
	for b := range j.Boards {
		hang, floor := make([]int, len(j.Stations)), make([]int, len(j.Stations))
		at(nil, hang, -1)
		at(nil, floor, -1)
		for i, h := range j.Hangs {
			if h.Board == b {
				at(h.Stations, hang, i)
			}
		}
		for i, l := range j.Floor {
			if l.Board == b {
				at(l.Stations, floor, i)
			}
		}
		c.hangAt, c.floorAt = append(c.hangAt, hang), append(c.floorAt, floor)
		c.bodyOf = append(c.bodyOf, slices.Index(j.Body, b))
	}
	for _, h := range j.Hangs {
		c.wheelOf = append(c.wheelOf, slices.Index(c.Wheels, h.Wheel))
	}

	type key struct {
		wheel, epoch, split int
		lifted              string
	}
	known := map[key]int{}
	for w, wheel := range c.Wheels {
		var list []int
		run, before := 0, ""
		for st, s := range j.Stations {
			k := key{wheel: w, epoch: j.movedIn(wheel, c.epochOf[st]), split: j.splitsOf(wheel, st)}
			for _, up := range s.Lifted {
				if up.Axle == wheel.Axle {
					k.lifted += fmt.Sprint(" ", up)
				}
			}
			// Lifting a wheel once more is another axis.
			if k.lifted != before {
				run, before = run+1, k.lifted
			}
			if k.lifted != "" {
				k.lifted += fmt.Sprint(" ", run)
			}
			a, ok := known[k]
			if !ok {
				a = len(c.Axes)
				known[k] = a
				c.Axes = append(c.Axes, Axis{w, k.epoch, k.lifted != ""})
			}
			list = append(list, a)
		}
		c.AxisAt = append(c.AxisAt, list)
	}
	return c
}

// epoch returns the number of an epoch by name, or -1.
func (j *Job) epoch(name string) int {
	return slices.IndexFunc(j.Epochs, func(e Epoch) bool { return e.Name == name })
}

// movedIn returns the latest epoch up to this one in which the wheel's axis
// changed.
func (j *Job) movedIn(w Wheel, epoch int) int {
	for e := epoch; e > 0; e-- {
		if m := j.Epochs[e].Moved; m == nil || slices.Contains(m, w) {
			return e
		}
	}
	return 0
}

// standing returns the axis of a wheel on the ground in an epoch, or -1.
func (c *Cast) standing(j *Job, wheel, epoch int) int {
	from := j.movedIn(c.Wheels[wheel], epoch)
	for a, x := range c.Axes {
		if x.Wheel == wheel && x.Epoch == from && !x.Lifted {
			return a
		}
	}
	return -1
}

// seat is what a board is fixed to at a station.
type seat struct {
	kind  seatKind
	index int // hang, floor board or body board
}

type seatKind int

const (
	nowhere seatKind = iota
	onWheel
	onFloor
	onBody
)

func (c *Cast) seatOf(board, station int) seat {
	switch {
	case c.hangAt[board][station] >= 0:
		return seat{onWheel, c.hangAt[board][station]}
	case c.floorAt[board][station] >= 0:
		return seat{onFloor, c.floorAt[board][station]}
	case c.bodyOf[board] >= 0:
		return seat{onBody, c.bodyOf[board]}
	}
	return seat{}
}

// FloorFromHub returns where a hang's wheel is at a station, its hub turned by
// the spin of its board.
func (c *Cast) FloorFromHub(s *State, hang, station int) pose.SE3 {
	w := c.wheelOf[hang]
	axis := c.AxisAt[w][station]
	t := s.FloorFromBody[station]
	if a := s.Steer[w][station]; a != 0 {
		t = t.Mul(steerBy(s.BodyFromLine[axis], a))
	}
	return t.Mul(s.BodyFromHub[axis]).Mul(pose.SE3{R: pose.RotY(s.Spin[hang][station])})
}

// FloorFromBoard returns where a board is at a station: the chain without the
// camera. ok is false for a board that is nowhere then.
func (c *Cast) FloorFromBoard(s *State, board, station int) (floorFromBoard pose.SE3, ok bool) {
	switch at := c.seatOf(board, station); at.kind {
	case onWheel:
		return c.FloorFromHub(s, at.index, station).Mul(s.HubFromBoard[at.index]), true
	case onFloor:
		return s.FloorFromBoard[at.index], true
	case onBody:
		return s.FloorFromBody[station].Mul(s.BodyFromBoard[at.index]), true
	}
	return pose.SE3{}, false
}

// Shape returns the shape of a board.
func (s *State) Shape(board int) Shape {
	if board < len(s.Shapes) {
		return s.Shapes[board]
	}
	return Shape{}
}

// CameraOf returns the camera as it was for a photo.
func (s *State) CameraOf(photo int) vision.Camera {
	if photo < len(s.Wanders) {
		return s.Camera.Wandered(s.Wanders[photo])
	}
	return s.Camera
}

// Corner returns corner i of board number board, which is b, as it truly is in
// the state: printed to scale, stretched and bowed.
func (s *State) Corner(b vision.Board, board, i int) pose.Vec {
	w, h := b.Size()
	at := b.Corner(i)
	shape := s.Shape(board)
	p := s.Printed(b)
	out := pose.Vec(p.Corner(i))
	out[0] *= 1 + shape.Stretch[0]
	out[1] *= 1 + shape.Stretch[1]
	out[2] = shape.At(2*at[0]/w, 2*at[1]/h)
	return out
}

// Printed returns a board as it is in the state with the print scale that all
// boards share.
func (s *State) Printed(b vision.Board) vision.Board {
	k := s.PrintScale
	if k[0] == 0 {
		k[0] = 1
	}
	if k[1] == 0 {
		k[1] = 1
	}
	if b.ScaleX == 0 {
		b.ScaleX = 1
	}
	if b.ScaleY == 0 {
		b.ScaleY = 1
	}
	b.ScaleX *= k[0]
	b.ScaleY *= k[1]
	return b
}

func alignWheel(w Wheel, bodyFromHub pose.SE3) align.Wheel {
	return align.Wheel{Axle: w.Axle, Side: w.Side, Axis: bodyFromHub.R.Column(1), Centre: bodyFromHub.T}
}

// boardTilt returns the two components of a board's normal across the spin
// axis, in the hub's x and z.
func boardTilt(hubFromBoard pose.SE3) [2]float64 {
	n := hubFromBoard.R.Column(2)
	return [2]float64{n[0], n[2]}
}
