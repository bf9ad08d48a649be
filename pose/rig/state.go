package rig

import (
	"wheelplane/pose"
	"wheelplane/pose/align"
	"wheelplane/vision"
)

// State is a value for every unknown of a job's chain:
//
//	cameraFromFloor(photo) · floorFromBody(station) · bodyFromHub(wheel, epoch) · spin(hang, station) · hubFromBoard(hang) · corner on board
//
// The frames are those of the measurement model. The hub's y runs along the
// spin axis, outboard; its origin is the wheel's centre. Body and floor
// coincide at the first station.
type State struct {
	Camera         vision.Camera
	PrintScale     [2]float64   // true over nominal, on top of the boards' own scale
	FloorFromBody  []pose.SE3   // by station; the first is the identity
	BodyFromHub    [][]pose.SE3 // by wheel of Job.Wheels and epoch of Job.Epochs
	HubFromBoard   []pose.SE3   // by hang
	Spin           [][]float64  // by hang and station, about the hub's y, rad; 0 at the first
	FloorFromBoard []pose.SE3   // by floor board
	Cameras        []pose.SE3   // cameraFromFloor by photo
}

// cast is the job's cast list, worked out once: who stands where in a State.
type cast struct {
	wheels       []Wheel
	wheelOfHang  []int
	epochOf      []int // by station
	epochs       []string
	hangOfBoard  []int // or -1
	floorOfBoard []int // or -1
}

func (j *Job) cast() *cast {
	c := &cast{wheels: j.Wheels(), epochs: j.Epochs()}
	for _, h := range j.Hangs {
		c.wheelOfHang = append(c.wheelOfHang, index(c.wheels, h.Wheel))
	}
	for _, s := range j.Stations {
		c.epochOf = append(c.epochOf, index(c.epochs, s.Epoch))
	}
	for b := range j.Boards {
		c.hangOfBoard = append(c.hangOfBoard, j.hangOf(b))
		c.floorOfBoard = append(c.floorOfBoard, j.floorOf(b))
	}
	return c
}

// FloorFromBoardAt returns where a board is at a station: the chain without
// the camera. ok is false for a board that neither hangs nor lies.
func (j *Job) FloorFromBoardAt(s *State, board, station int) (floorFromBoard pose.SE3, ok bool) {
	if f := j.floorOf(board); f >= 0 {
		return s.FloorFromBoard[f], true
	}
	h := j.hangOf(board)
	if h < 0 {
		return pose.SE3{}, false
	}
	c := j.cast()
	bodyFromHub := s.BodyFromHub[c.wheelOfHang[h]][c.epochOf[station]]
	spin := pose.SE3{R: pose.RotY(s.Spin[h][station])}
	return s.FloorFromBody[station].Mul(bodyFromHub).Mul(spin).Mul(s.HubFromBoard[h]), true
}

// FloorFromHubAt returns where a wheel is at a station, its hub turned by the
// spin of its board.
func (j *Job) FloorFromHubAt(s *State, hang, station int) pose.SE3 {
	c := j.cast()
	return s.FloorFromBody[station].Mul(s.BodyFromHub[c.wheelOfHang[hang]][c.epochOf[station]]).Mul(pose.SE3{R: pose.RotY(s.Spin[hang][station])})
}

// Printed returns a board as it truly is in the state: with the print scale.
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

// alignWheels hands the hubs of one epoch to the geometry of angles.
func (s *State) alignWheels(c *cast, epoch int) []align.Wheel {
	var out []align.Wheel
	for w, wheel := range c.wheels {
		hub := s.BodyFromHub[w][epoch]
		out = append(out, align.Wheel{Axle: wheel.Axle, Side: wheel.Side, Axis: hub.R.Column(1), Centre: hub.T})
	}
	return out
}

// boardTilt returns the two components of a board's normal across the spin
// axis, in the hub's x and z.
func boardTilt(hubFromBoard pose.SE3) [2]float64 {
	n := hubFromBoard.R.Column(2)
	return [2]float64{n[0], n[2]}
}
