package rig

import (
	"fmt"
	"math"
	"slices"

	"wheelplane/pose"
	"wheelplane/pose/align"

	"gonum.org/v1/gonum/mat"
)

// Stance is how the wheels stand in an epoch, as files see it: what all
// readings of that epoch follow from, jointly. Toe and camber are those of the
// definitions, read in the body's frame (x forward, y left, z up from the
// ground), which lies along the centreline but for their uncertainty.
type Stance struct {
	Epoch         string        `json:"epoch"`
	ReferenceAxle int           `json:"reference_axle"`
	Steered       []int         `json:"steered_axles"`
	Wheels        []StanceWheel `json:"wheels"`
	Kingpin       *Place        `json:"kingpin,omitempty"`

	// Covariance is the lower triangle of the joint covariance, a row a string:
	// of each wheel in order toe, camber, x, y, z, then x, y, z of the kingpin;
	// deg and mm. Left out where everything is exact.
	Covariance []string `json:"covariance,omitempty"`
}

// StanceWheel is one wheel's plane and centre.
type StanceWheel struct {
	Axle      int        `json:"axle"`
	Side      align.Side `json:"side"`
	ToeDeg    float64    `json:"toe_deg"`
	CamberDeg float64    `json:"camber_deg"`
	Place
}

// Place is a point in the body's frame.
type Place struct {
	XMM float64 `json:"x_mm"`
	YMM float64 `json:"y_mm"`
	ZMM float64 `json:"z_mm"`
}

func placeOf(p pose.Vec) Place  { return Place{p[0] * 1e3, p[1] * 1e3, p[2] * 1e3} }
func (p Place) point() pose.Vec { return pose.Vec{p.XMM / 1e3, p.YMM / 1e3, p.ZMM / 1e3} }

const perDegree = math.Pi / 180

// axisOf is the outboard axis of a wheel with this toe and camber, and its
// derivatives by both (see [align.Derive]).
func axisOf(side align.Side, toe, camber float64) (axis, byToe, byCamber pose.Vec) {
	out := side.Outboard()
	st, ct := math.Sincos(toe)
	sc, cc := math.Sincos(camber)
	return pose.Vec{st * cc, out * ct * cc, -sc}, pose.Vec{ct * cc, -out * st * cc, 0}, pose.Vec{-st * sc, -out * ct * sc, -cc}
}

// StancesForFiles turns the stances of epochs into degrees and millimetres.
func StancesForFiles(v *Vehicle, epochs []EpochReadings) []Stance {
	var out []Stance
	for _, e := range epochs {
		s := Stance{Epoch: e.Epoch, ReferenceAxle: e.Stance.Reference, Steered: []int{}}
		for i, a := range v.Axles {
			if a.Steered {
				s.Steered = append(s.Steered, i+1)
			}
		}
		n := len(e.Stance.Wheels)
		rows, cols := 5*n, 6*n
		if e.Stance.Kingpin != nil {
			p := placeOf(*e.Stance.Kingpin)
			s.Kingpin = &p
			rows, cols = rows+3, cols+3
		}
		m := mat.NewDense(rows, cols, nil)
		for i, w := range e.Stance.Wheels {
			toe := math.Atan2(w.Axis[0], math.Abs(w.Axis[1]))
			camber := math.Atan2(-w.Axis[2], math.Hypot(w.Axis[0], w.Axis[1]))
			s.Wheels = append(s.Wheels, StanceWheel{w.Axle, w.Side, toe / perDegree, camber / perDegree, placeOf(w.Centre)})
			// The axis changes by ω × axis; toe and camber by its part along their
			// own directions, which are at right angles.
			_, byToe, byCamber := axisOf(w.Side, toe, camber)
			for r, d := range []pose.Vec{byToe, byCamber} {
				g := pose.Scale(1/(pose.Dot(d, d)*perDegree), pose.Cross(w.Axis, d)) // d·(ω × axis) = ω·(axis × d)
				for k := range 3 {
					m.Set(5*i+r, 6*i+k, g[k])
				}
			}
			for k := range 3 {
				m.Set(5*i+2+k, 6*i+3+k, 1e3)
			}
		}
		for k := range rows - 5*n {
			m.Set(5*n+k, 6*n+k, 1e3)
		}
		cov := align.Propagate(m, e.Stance.Cov)
		if mat.Norm(cov, 2) > 0 {
			s.Covariance = triangle(cov, 8)
		}
		out = append(out, s)
	}
	return out
}

// StanceOf returns how the wheels of a job stand in an epoch, with the steering
// axes as far as they were measured. A result without it is an error.
func (r *Result) StanceOf(job *Job, epoch string) (*align.Stance, error) {
	i := slices.IndexFunc(r.Stances, func(s Stance) bool { return s.Epoch == epoch })
	if i < 0 {
		return nil, fmt.Errorf("it does not tell how the wheels stand in epoch %q: measure the job again with this version", epoch)
	}
	out, err := r.Stances[i].Resolve()
	if err != nil {
		return nil, fmt.Errorf("stance of epoch %q: %w: measure the job again", epoch, err)
	}
	for _, w := range out.Wheels {
		if w.Axle < 1 || w.Axle > len(job.Vehicle.Axles) {
			return nil, fmt.Errorf("it tells of an axle %d, which %s does not: measure the job again", w.Axle, JobFile)
		}
	}
	if len(job.Body) == 0 {
		out.FloorTilt = job.BodyTilt()
	}
	for _, w := range out.Wheels {
		pin := align.Pin{Axle: w.Axle, Side: w.Side}
		complete := true
		for _, x := range []struct {
			q     align.Quantity
			v, u  *float64
			scale float64
		}{
			{align.Caster, &pin.Caster, &pin.UCaster, perDegree}, {align.Kingpin, &pin.Inclination, &pin.UInclination, perDegree},
			{align.ScrubRadius, &pin.ScrubRadius, &pin.UScrubRadius, 1e-3}, {align.Trail, &pin.Trail, &pin.UTrail, 1e-3},
		} {
			found, ok := Find(r.Readings, Reading{Epoch: epoch, Quantity: x.q, Axle: w.Axle, Side: w.Side})
			complete = complete && ok
			*x.v, *x.u = found.Value*x.scale, found.U*x.scale
		}
		if complete {
			pin.WithCaster = r.correlation(epoch, align.Caster, align.CrossCaster, w.Axle)
			pin.WithInclination = r.correlation(epoch, align.Kingpin, align.CrossKingpin, w.Axle)
			out.Pins = append(out.Pins, pin)
		}
	}
	return out, nil
}

// correlation of the left and right reading of an axle, from the uncertainty of
// their difference.
func (r *Result) correlation(epoch string, each, difference align.Quantity, axle int) float64 {
	left, _ := Find(r.Readings, Reading{Epoch: epoch, Quantity: each, Axle: axle, Side: align.Left})
	right, _ := Find(r.Readings, Reading{Epoch: epoch, Quantity: each, Axle: axle, Side: align.Right})
	cross, ok := Find(r.Readings, Reading{Epoch: epoch, Quantity: difference, Axle: axle})
	if !ok || !(left.U > 0 && right.U > 0) {
		return 0
	}
	return math.Max(-1, math.Min(1, (left.U*left.U+right.U*right.U-cross.U*cross.U)/(2*left.U*right.U)))
}

// Resolve turns a stance of a file into radians and metres.
func (s *Stance) Resolve() (*align.Stance, error) {
	out := &align.Stance{Reference: s.ReferenceAxle, Steered: s.Steered}
	n := len(s.Wheels)
	rows, cols := 5*n, 6*n
	if s.Kingpin != nil {
		p := s.Kingpin.point()
		out.Kingpin = &p
		rows, cols = rows+3, cols+3
	}
	m := mat.NewDense(cols, rows, nil)
	for i, w := range s.Wheels {
		if w.Side != align.Left && w.Side != align.Right {
			return nil, fmt.Errorf("wheel %d has side %q", i+1, w.Side)
		}
		axis, byToe, byCamber := axisOf(w.Side, w.ToeDeg*perDegree, w.CamberDeg*perDegree)
		out.Wheels = append(out.Wheels, align.Wheel{Axle: w.Axle, Side: w.Side, Axis: axis, Centre: w.point()})
		// ω = axis × d turns the axis by d.
		for k, d := range []pose.Vec{byToe, byCamber} {
			omega := pose.Scale(perDegree, pose.Cross(axis, d))
			for r := range 3 {
				m.Set(6*i+r, 5*i+k, omega[r])
			}
		}
		for k := range 3 {
			m.Set(6*i+3+k, 5*i+2+k, 1e-3)
		}
	}
	for k := range rows - 5*n {
		m.Set(6*n+k, 5*n+k, 1e-3)
	}
	cov := mat.NewSymDense(rows, nil)
	if len(s.Covariance) > 0 {
		var err error
		if cov, err = symmetric(s.Covariance, rows); err != nil {
			return nil, err
		}
	}
	out.Cov = align.Propagate(m, cov)
	return out, nil
}
