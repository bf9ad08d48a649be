package align

import (
	"math"

	"wheelplane/pose"

	"gonum.org/v1/gonum/mat"
)

// Stance is how a vehicle stands on its wheels: all that [Derive] takes, and
// what is known of its steering axes. The frame's z is up and its ground z = 0.
type Stance struct {
	Wheels    []Wheel
	Kingpin   *pose.Vec     // of a semi-trailer
	Cov       mat.Symmetric // as [Derive] wants it
	Reference int
	Steered   []int // axles, from 1
	Pins      []Pin // steering axes as measured; those of other steered wheels are taken to be [AssumedPin]

	// FloorTilt is by how much the vehicle may lean on an uneven floor elsewhere,
	// about each direction, rad; 0 where body boards tell its upright. It counts
	// where every axle is moved: nothing then tells how it stood before.
	FloorTilt float64
}

// Pin is what is known of a wheel's steering axis: readings with their standard
// uncertainties, rad and m.
type Pin struct {
	Axle int
	Side Side

	Caster, UCaster           float64
	Inclination, UInclination float64
	ScrubRadius, UScrubRadius float64
	Trail, UTrail             float64

	// Correlations with the same reading of the axle's other wheel.
	WithCaster, WithInclination float64
}

// AssumedPin stands for a steering axis that was not measured: usual values and
// how far makers differ (common practice, no source). They only say how much
// camber follows when a wheel is turned about its axis.
var AssumedPin = Pin{
	Caster: 4 * math.Pi / 180, UCaster: 2 * math.Pi / 180,
	Inclination: 8 * math.Pi / 180, UInclination: 3 * math.Pi / 180,
	ScrubRadius: 0.05, UScrubRadius: 0.05, Trail: 0.03, UTrail: 0.03,
}

// steers tells whether an axle's wheels are steered.
func (s *Stance) steers(axle int) bool {
	for _, a := range s.Steered {
		if a == axle {
			return true
		}
	}
	return false
}

// figure is a stance in values alone, for trying moves on.
type figure struct {
	wheels   []Wheel
	pins     []*Pivot // by wheel; nil: not steered
	measured []bool   // by wheel: its pin is a measured one
	kingpin  *pose.Vec
	ref      int
}

// pinOf is what is known of a wheel's pin; ok is false for one that is assumed.
func (s *Stance) pinOf(w Wheel) (p Pin, ok bool) {
	for _, p := range s.Pins {
		if p.Axle == w.Axle && p.Side == w.Side {
			return p, true
		}
	}
	p = AssumedPin
	p.Axle, p.Side = w.Axle, w.Side
	return p, false
}

// figure makes the values; pinShift, by wheel, changes caster, inclination,
// scrub radius and trail by so much (nil: as they are).
func (s *Stance) figure(pinShift func(wheel int) [4]float64) (*figure, error) {
	f := &figure{kingpin: s.Kingpin, ref: s.Reference}
	f.wheels = append(f.wheels, s.Wheels...)
	f.pins, f.measured = make([]*Pivot, len(f.wheels)), make([]bool, len(f.wheels))
	set, err := f.derive()
	if err != nil {
		return nil, err
	}
	line := f.centreline(set)
	for i, w := range f.wheels {
		p, ok := s.pinOf(w)
		if !ok && !s.steers(w.Axle) {
			continue
		}
		d := [4]float64{}
		if pinShift != nil {
			d = pinShift(i)
		}
		out := w.Side.Outboard()
		up := pose.Unit(pose.Vec{-math.Tan(p.Caster + d[0]), -out * math.Tan(p.Inclination+d[1]), 1})
		ahead := w.forward()
		outboard := pose.Scale(out, pose.Cross(pose.Vec{0, 0, 1}, ahead))
		ground := pose.Add(w.contact(), pose.Add(pose.Scale(-(p.ScrubRadius+d[2]), outboard), pose.Scale(p.Trail+d[3], ahead)))
		f.pins[i], f.measured[i] = &Pivot{Up: pose.RotZ(line).Apply(up), Point: ground}, ok
	}
	return f, nil
}

// derive returns the readings that wheels alone tell, without uncertainty.
func (f *figure) derive() (*Set, error) {
	n := 6 * len(f.wheels)
	if f.kingpin != nil {
		n += 3
	}
	return Derive(f.wheels, f.kingpin, mat.NewSymDense(n, nil), f.ref)
}

// centreline is the heading of the centreline in the frame: a wheel's heading
// in the frame less that against the centreline.
func (f *figure) centreline(set *Set) float64 {
	for _, w := range f.wheels {
		if i := set.Find(Toe, w.Axle, w.Side); i >= 0 {
			return w.HeadingOf() + w.Side.Outboard()*set.Readings[i].Value
		}
	}
	return 0
}

// appendPins adds the readings of measured steering axes, without uncertainty.
func (f *figure) appendPins(set *Set) {
	line := f.centreline(set)
	caster, inclination := map[int][2]float64{}, map[int][2]float64{}
	count := map[int]int{}
	var more []Reading
	for i, w := range f.wheels {
		if !f.measured[i] {
			continue
		}
		side := 0
		if w.Side == Right {
			side = 1
		}
		p := *f.pins[i]
		scrub, trail := ScrubRadiusAndTrail(w, p)
		c, k := caster[w.Axle], inclination[w.Axle]
		c[side], k[side] = p.CasterOf(line), p.InclinationOf(w.Side, line)
		caster[w.Axle], inclination[w.Axle] = c, k
		count[w.Axle]++
		for _, x := range []struct {
			q Quantity
			v float64
		}{{Caster, c[side]}, {Kingpin, k[side]}, {ScrubRadius, scrub}, {Trail, trail}} {
			more = append(more, Reading{Quantity: x.q, Axle: w.Axle, Side: w.Side, Value: x.v})
		}
		if count[w.Axle] == 2 {
			more = append(more, Reading{Quantity: CrossCaster, Axle: w.Axle, Value: c[0] - c[1]},
				Reading{Quantity: CrossKingpin, Axle: w.Axle, Value: k[0] - k[1]})
		}
	}
	n := len(set.Readings)
	cov := mat.NewSymDense(n+len(more), nil)
	for a := range n {
		for b := a; b < n; b++ {
			cov.SetSym(a, b, set.Cov.At(a, b))
		}
	}
	set.Readings, set.Cov = append(set.Readings, more...), cov
}

// readings are all readings of the figure, without uncertainty.
func (f *figure) readings() (*Set, error) {
	set, err := f.derive()
	if err != nil {
		return nil, err
	}
	f.appendPins(set)
	return set, nil
}

// turn moves a wheel, with its steering axis, as a rigid body: turned by r about
// a point.
func (f *figure) turn(i int, r pose.SO3, about pose.Vec) {
	f.turnWheel(i, r, about)
	if p := f.pins[i]; p != nil {
		f.pins[i] = &Pivot{Up: r.Apply(p.Up), Point: pose.Add(about, r.Apply(pose.Sub(p.Point, about)))}
	}
}

// turnWheel moves a wheel and leaves its steering axis.
func (f *figure) turnWheel(i int, r pose.SO3, about pose.Vec) {
	w := &f.wheels[i]
	w.Axis = r.Apply(w.Axis)
	w.Centre = pose.Add(about, r.Apply(pose.Sub(w.Centre, about)))
}

// shift moves a wheel with its steering axis.
func (f *figure) shift(i int, by pose.Vec) {
	f.wheels[i].Centre = pose.Add(f.wheels[i].Centre, by)
	if p := f.pins[i]; p != nil {
		f.pins[i] = &Pivot{Up: p.Up, Point: pose.Add(p.Point, by)}
	}
}

// axle returns the indices of an axle's wheels, left and right; -1: none.
func (f *figure) axle(axle int) (out [2]int) {
	out = [2]int{-1, -1}
	for i, w := range f.wheels {
		if w.Axle == axle {
			if w.Side == Left {
				out[0] = i
			} else {
				out[1] = i
			}
		}
	}
	return out
}

// allMoved tells whether every axle is.
func (s *Stance) allMoved(moves []Move) bool {
	for _, w := range s.Wheels {
		moved := false
		for _, m := range moves {
			moved = moved || m.Amount != 0 && m.Adjuster.Axle == w.Axle
		}
		if !moved {
			return false
		}
	}
	return true
}

// lean tilts the whole vehicle about x and y.
func (f *figure) lean(x, y float64) {
	r := pose.Exp(pose.Vec{x, y, 0})
	for i := range f.wheels {
		f.turn(i, r, pose.Vec{})
	}
	if f.kingpin != nil {
		p := r.Apply(*f.kingpin)
		f.kingpin = &p
	}
}

// input is something the foreseen readings depend on besides the wheels as
// measured, known to a standard uncertainty.
type input struct {
	u    float64
	step float64 // for the difference quotient
}

// Foresee returns the readings after some moves, with their joint covariance:
// that of the wheels as measured, of the steering axes, and of how exactly the
// moves are carried out. No moves: the readings as they are.
func (s *Stance) Foresee(moves []Move) (*Set, error) {
	// The inputs in order: four per steered wheel, then those of each move.
	var inputs []input
	var steered []int
	for i, w := range s.Wheels {
		p, ok := s.pinOf(w)
		if !ok && !s.steers(w.Axle) {
			continue
		}
		steered = append(steered, i)
		for _, u := range []float64{p.UCaster, p.UInclination, p.UScrubRadius, p.UTrail} {
			inputs = append(inputs, input{u, 1e-5})
		}
	}
	first := len(inputs)
	for k, m := range moves {
		inputs = append(inputs, m.inputs(moves[:k])...)
	}
	lean := len(inputs)
	if s.allMoved(moves) {
		inputs = append(inputs, input{s.FloorTilt, 1e-5}, input{s.FloorTilt, 1e-5})
	}
	at := func(d []float64) (*figure, error) {
		f, err := s.figure(func(wheel int) (shift [4]float64) {
			for k, i := range steered {
				if i == wheel {
					copy(shift[:], d[4*k:4*k+4])
				}
			}
			return
		})
		if err != nil {
			return nil, err
		}
		k := first
		for i, m := range moves {
			n := len(m.inputs(moves[:i]))
			m.apply(f, d[k:k+n])
			k += n
		}
		if lean < len(d) {
			f.lean(d[lean], d[lean+1])
		}
		return f, nil
	}
	d := make([]float64, len(inputs))
	f, err := at(d)
	if err != nil {
		return nil, err
	}
	// Moving a wheel turns its step along; by so small angles that the step of
	// the wheel as it was serves as well.
	set, err := Derive(f.wheels, f.kingpin, s.Cov, s.Reference)
	if err != nil {
		return nil, err
	}
	wheels := len(set.Readings)
	base := set.Cov
	f.appendPins(set)
	for a := range wheels {
		for b := a; b < wheels; b++ {
			set.Cov.SetSym(a, b, base.At(a, b))
		}
	}
	j := mat.NewDense(len(set.Readings), max(1, len(inputs)), nil)
	cov := mat.NewSymDense(max(1, len(inputs)), nil)
	for k, i := range steered {
		for l, o := range steered[:k] {
			if s.Wheels[i].Axle == s.Wheels[o].Axle {
				p, _ := s.pinOf(s.Wheels[i])
				cov.SetSym(4*l, 4*k, p.WithCaster*inputs[4*l].u*inputs[4*k].u)
				cov.SetSym(4*l+1, 4*k+1, p.WithInclination*inputs[4*l+1].u*inputs[4*k+1].u)
			}
		}
	}
	for k, in := range inputs {
		cov.SetSym(k, k, in.u*in.u)
		if in.u == 0 {
			continue
		}
		var v [2]*Set
		for e, sign := range []float64{1, -1} {
			d[k] = sign * in.step
			f, err := at(d)
			if err == nil {
				v[e], err = f.readings()
			}
			if err != nil {
				return nil, err
			}
		}
		d[k] = 0
		for i := range v[0].Readings {
			j.Set(i, k, (v[0].Readings[i].Value-v[1].Readings[i].Value)/(2*in.step))
		}
	}
	set.Cov.AddSym(set.Cov, Propagate(j, cov))
	return set, nil
}

// Readings returns the readings as they are, with their joint covariance.
func (s *Stance) Readings() (*Set, error) { return s.Foresee(nil) }
