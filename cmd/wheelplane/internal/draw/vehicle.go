package draw

import "math"

// Vehicle is what is drawn of one seen from above, metres: x forward, y left.
type Vehicle struct {
	Axles       []Axle   // from the front
	Kingpin     *float64 // its x
	Front, Rear float64  // ends of the body, x
	Half        float64  // half its width
}

// Axle is one of a vehicle: its midpoint, half its track, its tyres' diameter and
// width, m.
type Axle struct{ X, Y, Half, Tyre, Width float64 }

// Enclose works out the ends and the width from the axles, as bodies usually are.
func (v *Vehicle) Enclose() {
	v.Half = 0
	for _, a := range v.Axles {
		v.Half = math.Max(v.Half, a.Half+a.Width*0.62)
	}
	first, last := v.Axles[0], v.Axles[len(v.Axles)-1]
	v.Front, v.Rear = first.X+1.25*first.Tyre, last.X-0.95*last.Tyre
	if v.Kingpin != nil && *v.Kingpin > first.X {
		v.Front = *v.Kingpin + 0.9
	}
}

// Above looks at the ground from above, front up: x forward and y left of a point,
// m, are (X, Y) in a picture, mm, drawn Scale mm a metre.
type Above struct{ X, Y, Scale float64 }

// At returns where a place on the ground is drawn.
func (a Above) At(x, y float64) [2]float64 { return [2]float64{a.X - y*a.Scale, a.Y - x*a.Scale} }

// Wheel is the outline of a wheel that points straight ahead, at (x, y) on the
// ground.
func (a Above) Wheel(x, y, tyre, width float64) []Segment {
	c := a.At(x, y)
	return Rounded(c[0]-width*a.Scale/2, c[1]-tyre*a.Scale/2, width*a.Scale, tyre*a.Scale, math.Min(1.4, 0.3*width*a.Scale))
}

// Body draws what carries the axles, only to show where the front is: a vehicle
// with a windscreen's edge, a trailer with its kingpin, or both.
func (p *Picture) Body(v *Vehicle, a Above, words bool) {
	s := a.Scale
	box := func(front, rear float64) (x, y, w float64) {
		c := a.At(front, v.Half*0.93)
		w = 2 * v.Half * 0.93 * s
		p.Add(Shape{Path: Rounded(c[0], c[1], w, (front-rear)*s, math.Min(4, 0.35*s)), Fill: Tint, Stroke: Hairline, Width: 0.25})
		return c[0], c[1], w
	}
	cab := func(x, y, w float64) {
		h := 0.35 * s
		p.Add(Shape{Path: []Segment{
			{Op: 'M', P: [3][2]float64{{x + 0.08*w, y + h*1.35}}},
			{Op: 'C', P: [3][2]float64{{x + 0.3*w, y + h*0.7}, {x + 0.7*w, y + h*0.7}, {x + 0.92*w, y + h*1.35}}},
		}, Stroke: Hairline, Width: 0.35})
	}
	if v.Kingpin == nil {
		cab(box(v.Front, v.Rear))
		return
	}
	pin, trailer := *v.Kingpin, v.Front
	if towing := v.Axles[0]; towing.X > pin {
		last := towing
		for _, x := range v.Axles {
			if x.X > pin-1 {
				last = x
			}
		}
		trailer = math.Min(pin+0.9, v.Front)
		cab(box(v.Front, last.X-0.9*last.Tyre))
	}
	box(trailer, v.Rear)
	k := a.At(pin, 0)
	p.Circle(k[0], k[1], math.Max(1.1, 0.09*s), White, Ink, 0.35)
	p.Circle(k[0], k[1], 0.35, Ink, "", 0)
	if words {
		p.Write(k[0]+2.4, k[1]-1.2, "kingpin", 6.5, Soft, false, Start)
	}
}
