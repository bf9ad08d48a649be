package align

import (
	"fmt"
	"math"

	"wheelplane/pose"
)

// Kind is a way of adjusting.
type Kind string

// The kinds, each with the unit of its amount.
const (
	// AxleSlide moves an axle's end forward (positive), m: Side names the end. For
	// NoSide the right end goes forward by half the amount and the left end back
	// by the other half. Turns the axle's heading.
	AxleSlide Kind = "axle_slide"
	// AxleShift moves an axle to the left (positive), m.
	AxleShift Kind = "axle_shift"
	// TieRod lengthens (positive) the rod between both wheels of an axle, or with
	// a Side the rod of that wheel, by turns of its sleeve.
	TieRod Kind = "tie_rod"
	// DragLink turns both wheels of an axle to the left (positive) by turns of the
	// link that steers the axle.
	DragLink Kind = "drag_link"
	// ToeCam toes a wheel in (positive) by an eccentric or shims, rad.
	ToeCam Kind = "toe_cam"
	// CasterShim leans the steering axes of an axle, or of a Side, rearward
	// (positive), rad.
	CasterShim Kind = "caster_shim"
	// CamberCam leans the top of a wheel outward (positive), rad.
	CamberCam Kind = "camber_cam"
)

// Adjuster is something on the vehicle that can be adjusted, and its
// dimensions.
type Adjuster struct {
	Kind Kind
	Axle int
	Side Side

	// Lever, m, of an AxleSlide: across the vehicle between the points where the
	// axle is located, such as the spring seats. 0: the track.
	Lever float64

	// Step is the least amount the bay can set, in the unit of the kind: that of
	// a shim, or of a mark of an eccentric. 0: 0.5 mm; of a sleeve the coarsest
	// common fraction of a turn that serves; 0.1 degrees.
	Step  float64
	Steps bool // whether amounts are told as a number of steps

	Pitch float64 // of a rod's thread, m
	Arm   float64 // of the steering arm the rod acts on, m
	// BothThreads tells that the sleeve has a left and a right thread, so that a
	// turn moves the ends by two pitches; else by one.
	BothThreads bool
	// Ahead tells that the rod lies ahead of the axle: longer is then toe-out.
	Ahead bool
	// Held is the wheel whose arm the drag link holds while the tie rod is
	// turned: the other wheel turns. NoSide: both turn by half.
	Held Side
}

// Validate tells what is wrong with an adjuster on a vehicle of so many axles.
func (a Adjuster) Validate() error {
	positive := func(v float64, name string) error {
		if !(v > 0) || math.IsInf(v, 0) {
			return fmt.Errorf("%s must be above 0", name)
		}
		return nil
	}
	if a.Step < 0 || math.IsNaN(a.Step) || math.IsInf(a.Step, 0) {
		return fmt.Errorf("a step must be above 0")
	}
	switch a.Kind {
	case AxleSlide:
		if a.Lever != 0 && !(a.Lever > 0.2 && a.Lever < 5) {
			return fmt.Errorf("the lever must be the distance between the points that locate the axle, 0.2 to 5 m")
		}
	case AxleShift:
	case TieRod, DragLink:
		if err := positive(a.Pitch, "the thread's pitch"); err != nil {
			return err
		}
		if err := positive(a.Arm, "the steering arm's length"); err != nil {
			return err
		}
		if a.Pitch > 0.02 {
			return fmt.Errorf("a thread's pitch of %g mm is no rod's", a.Pitch*1e3)
		}
		if a.Arm < 0.03 || a.Arm > 1 {
			return fmt.Errorf("a steering arm %g mm long is none", a.Arm*1e3)
		}
	case ToeCam, CamberCam:
		if a.Side == NoSide {
			return fmt.Errorf("it belongs to one wheel: name the side")
		}
	case CasterShim:
	default:
		return fmt.Errorf("there is no such way of adjusting")
	}
	return nil
}

// PerTurn is by how much a turn of a rod's sleeve moves its ends apart, m.
func (a Adjuster) PerTurn() float64 {
	if a.BothThreads {
		return 2 * a.Pitch
	}
	return a.Pitch
}

// lever is the distance over which a slide turns the axle, m.
func (a Adjuster) lever(f *figure) float64 {
	if a.Lever > 0 {
		return a.Lever
	}
	w := f.axle(a.Axle)
	return pose.Norm(pose.Sub(f.wheels[w[0]].Centre, f.wheels[w[1]].Centre))
}

// LeverOf returns the distance over which an AxleSlide turns the axle, m: as
// given, or the track.
func (s *Stance) LeverOf(a Adjuster) float64 {
	return a.lever(&figure{wheels: s.Wheels})
}

// isAngle, isTurns tell the unit of an amount; else it is m.
func (k Kind) isAngle() bool { return k == ToeCam || k == CasterShim || k == CamberCam }
func (k Kind) isTurns() bool { return k == TieRod || k == DragLink }

// Move is an adjuster turned by an amount, in the unit of its kind.
type Move struct {
	Adjuster Adjuster
	Amount   float64
}

// How exactly a bay carries out what it is told, standard uncertainties (common
// practice, no source; stated so that the foreseen readings can be honest).
const (
	slideU    = 0.3e-3               // m, with a rule or dial gauge at the axle's end
	shiftU    = 0.5e-3               // m
	turnsU    = 1.0 / 72             // turns: 5 degrees of a sleeve
	camU      = 0.02 * math.Pi / 180 // of an eccentric or camber shim
	casterU   = 0.1 * math.Pi / 180
	leverU    = 0.03                 // relative: lever, arm's length and its angle to the rod
	steeringU = 0.02 * math.Pi / 180 // where the steering comes to rest after its rods were turned, at the wheels
	camPivotU = 0.1                  // m: how far the point a camber adjustment turns about lies off the wheel's centre
)

// Execution returns the standard uncertainty of carrying out a move, in its
// unit.
func (m Move) Execution() float64 {
	switch {
	case m.Amount == 0:
		return 0
	case m.Adjuster.Kind.isTurns():
		return math.Hypot(turnsU, leverU*m.Amount)
	case m.Adjuster.Kind == CasterShim:
		return math.Hypot(casterU, leverU*m.Amount)
	case m.Adjuster.Kind.isAngle():
		return math.Hypot(camU, leverU*m.Amount)
	case m.Adjuster.Kind == AxleShift:
		return shiftU
	}
	return math.Hypot(slideU, leverU*m.Amount)
}

// inputs are what the effect of a move depends on: its amount, then what else
// its kind brings. The steering of an axle comes to rest once, whatever was
// turned of it before.
func (m Move) inputs(before []Move) []input {
	if m.Amount == 0 {
		return nil
	}
	in := []input{{m.Execution(), 1e-5}}
	switch m.Adjuster.Kind {
	case TieRod, DragLink:
		in[0].step = 1e-3
		rest := steeringU
		for _, b := range before {
			if b.Amount != 0 && b.Adjuster.Kind.isTurns() && b.Adjuster.Axle == m.Adjuster.Axle {
				rest = 0
			}
		}
		in = append(in, input{rest, 1e-5})
	case CasterShim:
		if m.Adjuster.Side == NoSide { // a shim on either side
			in = append(in, in[0])
		}
	case CamberCam:
		in = append(in, input{camPivotU, 1e-3}, input{camPivotU, 1e-3})
	}
	return in
}

// apply moves the wheels; d changes the inputs.
func (m Move) apply(f *figure, d []float64) {
	if len(d) == 0 {
		return
	}
	a, v := m.Adjuster, m.Amount+d[0]
	both := f.axle(a.Axle)
	own := both
	switch a.Side {
	case Left:
		own[1] = -1
	case Right:
		own[0] = -1
	}
	outboard := [2]float64{1, -1}
	// steer turns wheels about their steering axes (or upright through the wheel
	// where there is none), positive to the left.
	steer := func(k int, angle float64) {
		i := both[k]
		if p := f.pins[i]; p != nil {
			f.turnWheel(i, pose.Exp(pose.Scale(angle, p.Up)), p.Point)
		} else {
			f.turnWheel(i, pose.RotZ(angle), f.wheels[i].Centre)
		}
	}
	if a.Kind.isTurns() && f.pins[both[0]] != nil {
		steer(0, d[1])
		steer(1, d[1])
	}
	switch a.Kind {
	case AxleSlide:
		lever := a.lever(f)
		l, r := f.wheels[both[0]].Centre, f.wheels[both[1]].Centre
		across := pose.Unit(pose.Sub(l, r))
		about := pose.Scale(0.5, pose.Add(l, r)) // for both ends: the middle
		angle := math.Asin(math.Max(-1, math.Min(1, v/lever)))
		switch a.Side {
		case Left: // about the right end, to the right
			about, angle = pose.Sub(about, pose.Scale(lever/2, across)), -angle
		case Right:
			about = pose.Add(about, pose.Scale(lever/2, across))
		}
		for _, i := range both {
			f.turn(i, pose.RotZ(angle), about)
		}
	case AxleShift:
		left := pose.Unit(pose.Sub(f.wheels[both[0]].Centre, f.wheels[both[1]].Centre))
		for _, i := range both {
			f.shift(i, pose.Scale(v, left))
		}
	case TieRod:
		// A rod behind the axle pushes the arms' ends apart: toe-in.
		in := v * a.PerTurn() / a.Arm
		if a.Ahead {
			in = -in
		}
		switch {
		case a.Side == Left:
			steer(0, -in)
		case a.Side == Right:
			steer(1, in)
		case a.Held == Left:
			steer(1, in)
		case a.Held == Right:
			steer(0, -in)
		default:
			steer(0, -in/2)
			steer(1, in/2)
		}
	case DragLink:
		left := v * a.PerTurn() / a.Arm
		steer(0, left)
		steer(1, left)
	case ToeCam:
		for k, i := range own {
			if i >= 0 {
				f.turnWheel(i, pose.RotZ(-outboard[k]*v), f.wheels[i].Centre)
			}
		}
	case CasterShim:
		// The axle's end turns about the wheel's centre line, top rearward: about
		// the vehicle's left by a negative angle.
		l, r := f.wheels[both[0]].Centre, f.wheels[both[1]].Centre
		across := pose.Unit(pose.Sub(l, r))
		for k, i := range own {
			if i < 0 {
				continue
			}
			if k == 1 && a.Side == NoSide {
				v = m.Amount + d[1]
			}
			f.turn(i, pose.Exp(pose.Scale(-v, across)), f.wheels[i].Centre)
		}
	case CamberCam:
		for k, i := range own {
			if i < 0 {
				continue
			}
			// About a line along the vehicle: a left wheel's top goes to the left,
			// about x by a negative angle. Its place is known roughly.
			about := pose.Add(f.wheels[i].Centre, pose.Vec{0, d[1], d[2]})
			f.turn(i, pose.Exp(pose.Scale(-outboard[k]*v, f.wheels[i].forward())), about)
		}
	}
}
