package align_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"wheelplane/pose"
	"wheelplane/pose/align"

	"gonum.org/v1/gonum/mat"
)

// truck stands on three axles: the front one steered, the last the reference.
// Headings (rad, to the left) of axles 2 and 3, toe of both front wheels.
func truck(drive, tag, toeLeft, toeRight float64) *align.Stance {
	turned := func(w align.Wheel, a float64) align.Wheel {
		w.Axis = pose.RotZ(a).Apply(w.Axis)
		return w
	}
	s := &align.Stance{Reference: 3, Steered: []int{1}, Cov: zero(6), Wheels: []align.Wheel{
		wheelAt(1, align.Left, 5.65, 1.02, 0.5*degree, toeLeft), wheelAt(1, align.Right, 5.65, 1.02, 0.5*degree, toeRight),
		turned(wheelAt(2, align.Left, 1.35, 0.925, 0, 0), drive), turned(wheelAt(2, align.Right, 1.35, 0.925, 0, 0), drive),
		turned(wheelAt(3, align.Left, 0, 0.925, 0, 0), tag), turned(wheelAt(3, align.Right, 0, 0.925, 0, 0), tag),
	}}
	return s
}

// known gives every wheel step the same small, independent uncertainty.
func known(s *align.Stance, u float64) *align.Stance {
	n := 6 * len(s.Wheels)
	if s.Kingpin != nil {
		n += 3
	}
	cov := mat.NewSymDense(n, nil)
	for i := range n {
		cov.SetSym(i, i, u*u)
	}
	s.Cov = cov
	return s
}

func within(q align.Quantity, axle int, side align.Side, wish, tolerance float64) align.Target {
	return align.Target{Quantity: q, Axle: axle, Side: side, Wish: wish, Low: wish - tolerance, High: wish + tolerance}
}

func advise(t *testing.T, s *align.Stance, adjusters []align.Adjuster, targets ...align.Target) *align.Advice {
	t.Helper()
	a, err := align.Advise(s, adjusters, targets, align.Rule{})
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// TestSlideEnds holds each end's direction against a sketch: to turn an axle to
// the right its left end goes forward, its right end back.
func TestSlideEnds(t *testing.T) {
	const off = 0.2 * degree // to the left
	for _, c := range []struct {
		side align.Side
		want float64 // m forward of that end
	}{
		{align.Right, -1.8 * math.Sin(off)},
		{align.Left, 1.8 * math.Sin(off)},
		{align.NoSide, -1.8 * math.Sin(off)}, // right end back by half of it
	} {
		a := advise(t, truck(0, off, 0.05*degree, 0.05*degree), []align.Adjuster{{Kind: align.AxleSlide, Axle: 3, Side: c.side, Lever: 1.8, Step: 1e-6}},
			within(align.ThrustAngle, 3, "", 0, 0.05*degree))
		if len(a.Steps) != 1 || a.Steps[0].Decision != align.Adjust {
			t.Fatalf("%s end: %+v", c.side, a.Steps)
		}
		if got := a.Steps[0].Amount; math.Abs(got-c.want) > 4e-6 {
			t.Errorf("%s end: %.3f mm, want %.3f", c.side, got*1e3, c.want*1e3)
		}
		if v := value(t, a.After, align.ThrustAngle, 3, ""); math.Abs(v) > 1e-4*degree {
			t.Errorf("%s end: thrust left %.5f deg", c.side, v/degree)
		}
		// The drive axle was straight and stays so; against the reference axle it
		// was 0.2 to the right.
		if now, after := value(t, a.Now, align.ScrubAngle, 2, ""), value(t, a.After, align.ScrubAngle, 2, ""); math.Abs(now+off) > 1e-9 || math.Abs(after) > 1e-4*degree {
			t.Errorf("%s end: scrub of axle 2 from %.4f to %.4f deg", c.side, now/degree, after/degree)
		}
	}
}

// TestSquaringRule: the change each end of a trailer's axle needs is half the
// difference of the distances from the kingpin to its ends (rule of US Army TM
// 5-2330-325-13P, to the cosine of the angle to the axle's end).
func TestSquaringRule(t *testing.T) {
	pin := pose.Vec{7, 0, 1}
	s := &align.Stance{Reference: 1, Cov: mat.NewSymDense(15, nil), Kingpin: &pin}
	const off = 0.25 * degree
	for _, side := range []align.Side{align.Left, align.Right} {
		w := wheelAt(1, side, 0, 1, 0, 0)
		w.Axis, w.Centre = pose.RotZ(off).Apply(w.Axis), pose.RotZ(off).Apply(w.Centre)
		s.Wheels = append(s.Wheels, w)
	}
	distance := func(w align.Wheel) float64 { return math.Hypot(pin[0]-w.Centre[0], pin[1]-w.Centre[1]) }
	difference := distance(s.Wheels[0]) - distance(s.Wheels[1]) // its left end is farther back
	a := advise(t, s, []align.Adjuster{{Kind: align.AxleSlide, Axle: 1, Step: 1e-6}}, within(align.ThrustAngle, 1, "", 0, 0.05*degree))
	leftForward := -a.Steps[0].Amount / 2
	if want := difference / 2; math.Abs(leftForward-want) > 0.015*want {
		t.Errorf("each end by %.3f mm, the rule says %.3f", leftForward*1e3, want*1e3)
	}
}

// TestTieRodTurns: a sleeve with a left and a right thread moves the rod's ends
// by two pitches a turn, and an arm of length a turns by that over a (plane
// geometry; upright steering axes, so that nothing else moves).
func TestTieRodTurns(t *testing.T) {
	s := truck(0, 0, 0.4*degree, 0.4*degree)
	s.Pins = []align.Pin{{Axle: 1, Side: align.Left}, {Axle: 1, Side: align.Right}}
	rod := align.Adjuster{Kind: align.TieRod, Axle: 1, Pitch: 1.5e-3, Arm: 0.18, BothThreads: true, Held: align.Left, Step: 1e-4}
	link := align.Adjuster{Kind: align.DragLink, Axle: 1, Pitch: 1.5e-3, Arm: 0.2, Step: 1e-4}
	wish := 0.1 * degree
	a := advise(t, s, []align.Adjuster{rod, link}, within(align.TotalToe, 1, "", wish, 0.05*degree), within(align.ScrubAngle, 1, "", 0, 0.05*degree))
	if len(a.Steps) != 2 {
		t.Fatalf("%+v", a.Steps)
	}
	// Toe-in has to shrink by 0.7 degrees: shorter, by 0.7 deg × 180 mm / 3 mm.
	if got, want := a.Steps[0].Amount, -0.7*degree*0.18/3e-3; math.Abs(got-want) > 2e-3 {
		t.Errorf("tie rod: %.4f turns, want %.4f", got, want)
	}
	// The right wheel, which alone turned, turned right by 0.7: the axle by half
	// of it, which the drag link takes back.
	if got, want := a.Steps[1].Amount, 0.35*degree*0.2/1.5e-3; math.Abs(got-want) > 2e-3 {
		t.Errorf("drag link: %.4f turns, want %.4f", got, want)
	}
	for _, side := range []align.Side{align.Left, align.Right} {
		if v := value(t, a.After, align.Toe, 1, side); math.Abs(v-0.05*degree) > 2e-4*degree {
			t.Errorf("toe %s %.4f deg after", side, v/degree)
		}
	}
	ahead := rod
	ahead.Ahead = true
	b := advise(t, s, []align.Adjuster{ahead}, within(align.TotalToe, 1, "", wish, 0.05*degree))
	if b.Steps[0].Amount <= 0 {
		t.Error("a rod ahead of the axle is lengthened for less toe-in")
	}
}

// TestCamberFollowsSteering: turning a wheel about an axis with caster leans
// it, by exact rotation about the axis; the numbers are those of the published
// relation sin(camber) = cos g sin ψ tan T − cos g cos ψ tan S + constant.
func TestCamberFollowsSteering(t *testing.T) {
	s := truck(0, 0, 1*degree, 0)
	const caster, inclination = 5 * degree, 9 * degree
	for _, side := range []align.Side{align.Left, align.Right} {
		s.Pins = append(s.Pins, align.Pin{Axle: 1, Side: side, Caster: caster, Inclination: inclination, ScrubRadius: 0.05, Trail: 0.03})
	}
	rod := align.Adjuster{Kind: align.TieRod, Axle: 1, Side: align.Left, Pitch: 1e-3, Arm: 0.15, Step: 1e-5}
	a := advise(t, s, []align.Adjuster{rod}, within(align.Toe, 1, align.Left, 0, 0.05*degree))
	invariant := func(set *align.Set) float64 {
		g, psi := value(t, set, align.Camber, 1, align.Left), -value(t, set, align.Toe, 1, align.Left)
		return math.Cos(g)*math.Sin(psi)*math.Tan(caster) - math.Cos(g)*math.Cos(psi)*math.Tan(inclination) - math.Sin(g)
	}
	if d := invariant(a.After) - invariant(a.Now); math.Abs(d) > 1e-5 {
		t.Errorf("the relation is off by %.2g", d)
	}
	if d := value(t, a.After, align.Camber, 1, align.Left) - value(t, a.Now, align.Camber, 1, align.Left); math.Abs(d) < 0.05*degree {
		t.Errorf("camber changes by %.4f deg only: nothing was tested", d/degree)
	}
	for _, side := range []align.Side{align.Left, align.Right} {
		if now, after := value(t, a.Now, align.Caster, 1, side), value(t, a.After, align.Caster, 1, side); math.Abs(now-caster) > 1e-9 || math.Abs(after-now) > 1e-3*degree {
			t.Errorf("caster %s from %.4f to %.4f deg: the axis does not move", side, now/degree, after/degree)
		}
	}
}

// TestCasterShim leans both axes by the shim and leaves what they differ by.
func TestCasterShim(t *testing.T) {
	s := truck(0, 0, 0, 0)
	s.Pins = []align.Pin{{Axle: 1, Side: align.Left, Caster: 2.8 * degree, Inclination: 7 * degree, ScrubRadius: 0.05}, {Axle: 1, Side: align.Right, Caster: 3.2 * degree, Inclination: 7 * degree, ScrubRadius: 0.05}}
	a := advise(t, s, []align.Adjuster{{Kind: align.CasterShim, Axle: 1}}, within(align.Caster, 1, align.Left, 4, 0.5*degree))
	if len(a.Steps) != 1 {
		t.Fatalf("%+v", a)
	}
	a = advise(t, s, []align.Adjuster{{Kind: align.CasterShim, Axle: 1}},
		within(align.Caster, 1, align.Left, 4*degree, 0.5*degree), within(align.Caster, 1, align.Right, 4*degree, 0.5*degree), within(align.CrossCaster, 1, "", 0, 0.1*degree))
	if got := a.Steps[0].Amount; math.Abs(got-1*degree) > 1e-9 {
		t.Errorf("shim %.3f deg, want 1", got/degree)
	}
	if got := value(t, a.After, align.Caster, 1, align.Left); math.Abs(got-3.8*degree) > 0.01*degree {
		t.Errorf("caster left %.3f deg after, want 3.8", got/degree)
	}
	if len(a.Refer) != 1 || a.Refer[0].Quantity != align.CrossCaster {
		t.Errorf("cross caster cannot be shimmed away with both sides: %+v", a.Refer)
	}
}

// TestDecisions: what is within stays, what is outside is adjusted, what may be
// right as it is wants photographs.
func TestDecisions(t *testing.T) {
	slide := []align.Adjuster{{Kind: align.AxleSlide, Axle: 2, Side: align.Right}}
	target := within(align.ScrubAngle, 2, "", 0, 0.1*degree)
	for _, c := range []struct {
		off, u float64 // deg; u of each wheel's direction
		want   align.Decision
	}{
		{0.03, 0.005, align.Leave},
		{0.3, 0.02, align.Adjust},
		{0.11, 0.01, align.Adjust},         // undecided, yet surely not the wish
		{0.06, 0.08, align.PhotographMore}, // undecided, and may be zero
		{0.5, 3, align.PhotographMore},     // outside by the limits' narrowness alone
		{0.0999, 0.00001, align.Leave},
	} {
		s := known(truck(c.off*degree, 0, 0, 0), c.u*degree)
		a := advise(t, s, slide, target)
		if got := a.Steps[0].Decision; got != c.want {
			t.Errorf("off by %g ± %g: %s, want %s (judged %+v)", c.off, c.u, got, c.want, a.Steps[0].Now)
		}
		if a.Steps[0].Decision != align.Adjust && len(a.Moves()) != 0 {
			t.Error("moves without a decision to adjust")
		}
	}
	// What nothing adjusts is referred; what was asked of nothing is not a step.
	s := known(truck(0, 0, 0, 0), 0.001*degree)
	a := advise(t, s, slide, within(align.Camber, 1, align.Left, -1*degree, 0.5*degree))
	if len(a.Steps) != 0 || len(a.Refer) != 1 || a.Refer[0].Quantity != align.Camber {
		t.Errorf("%+v", a)
	}
}

// TestOrder: the reference axle first, then the others away from it, the
// steered axle's toe last, whatever the order they are listed in.
func TestOrder(t *testing.T) {
	adjusters := []align.Adjuster{
		{Kind: align.TieRod, Axle: 1, Pitch: 1.5e-3, Arm: 0.18, BothThreads: true},
		{Kind: align.CamberCam, Axle: 1, Side: align.Left},
		{Kind: align.AxleSlide, Axle: 2, Side: align.Right}, {Kind: align.AxleSlide, Axle: 3, Side: align.Right},
	}
	a := advise(t, known(truck(-0.2*degree, 0.3*degree, 0.4*degree, 0.1*degree), 0.005*degree), adjusters,
		within(align.TotalToe, 1, "", 0.1*degree, 0.08*degree), within(align.Camber, 1, align.Left, -0.5*degree, 0.4*degree),
		within(align.ScrubAngle, 2, "", 0, 0.1*degree), within(align.ThrustAngle, 3, "", 0, 0.1*degree))
	want := []align.Kind{align.AxleSlide, align.AxleSlide, align.CamberCam, align.TieRod}
	if len(a.Steps) != 4 || a.Steps[0].Adjuster.Axle != 3 || a.Steps[1].Adjuster.Axle != 2 {
		t.Fatalf("%+v", a.Steps)
	}
	for i, k := range want {
		if a.Steps[i].Adjuster.Kind != k {
			t.Errorf("step %d is %s, want %s", i, a.Steps[i].Adjuster.Kind, k)
		}
	}
	// Scrub is read against the squared reference axle: -0.2 to straight, not -0.5.
	if got, want := a.Steps[1].Exact, 0.2*degree*1.85; math.Abs(got-want) > 0.3e-3 {
		t.Errorf("axle 2: %.2f mm, want %.2f", got*1e3, want*1e3)
	}
}

// TestForeseenUncertainty draws the measurement and the execution and compares
// the spread of what comes of it with the uncertainties foreseen.
func TestForeseenUncertainty(t *testing.T) {
	const seed = 11
	r := rand.New(rand.NewPCG(seed, 1))
	base := truck(-0.2*degree, 0.3*degree, 0.4*degree, 0.1*degree)
	base.Pins = []align.Pin{{Axle: 1, Side: align.Left, Caster: 4 * degree, UCaster: 1 * degree, Inclination: 7 * degree, ScrubRadius: 0.06, Trail: 0.03},
		{Axle: 1, Side: align.Right, Caster: 4 * degree, UCaster: 1 * degree, Inclination: 7 * degree, ScrubRadius: 0.06, Trail: 0.03}}
	known(base, 2e-4)
	moves := []align.Move{
		{Adjuster: align.Adjuster{Kind: align.AxleSlide, Axle: 3, Side: align.Right}, Amount: -9e-3},
		{Adjuster: align.Adjuster{Kind: align.AxleSlide, Axle: 2, Side: align.Left, Lever: 1.2}, Amount: -4e-3},
		{Adjuster: align.Adjuster{Kind: align.TieRod, Axle: 1, Pitch: 1.5e-3, Arm: 0.18, BothThreads: true, Held: align.Left}, Amount: -1.5},
	}
	foreseen, err := base.Foresee(moves)
	if err != nil {
		t.Fatal(err)
	}
	const n = 800
	sum, squares := make([]float64, len(foreseen.Readings)), make([]float64, len(foreseen.Readings))
	for range n {
		s := *base
		s.Cov = zero(6)
		s.Wheels = nil
		for _, w := range base.Wheels {
			d := make([]float64, 6)
			for i := range d {
				d[i] = 2e-4 * r.NormFloat64()
			}
			s.Wheels = append(s.Wheels, step(w, d))
		}
		s.Pins = append([]align.Pin(nil), base.Pins...)
		for i := range s.Pins {
			s.Pins[i].Caster += s.Pins[i].UCaster * r.NormFloat64()
			s.Pins[i].UCaster = 0 // saves time
		}
		done := append([]align.Move(nil), moves...)
		for i := range done {
			done[i].Amount += moves[i].Execution() * r.NormFloat64()
		}
		// Where the steering comes to rest: a drag link without error turns both
		// wheels alike.
		rest := 0.02 * degree * r.NormFloat64()
		done = append(done, align.Move{Adjuster: align.Adjuster{Kind: align.DragLink, Axle: 1, Pitch: 1e-3, Arm: 1}, Amount: rest / 1e-3})
		got, err := s.Foresee(done)
		if err != nil {
			t.Fatal(err)
		}
		for i := range sum {
			d := got.Readings[i].Value - foreseen.Readings[i].Value
			sum[i] += d
			squares[i] += d * d
		}
	}
	for i, x := range foreseen.Readings {
		u, got := foreseen.U(i), math.Sqrt(squares[i]/n)
		if math.Abs(got-u) > 0.1*u+1e-6 {
			t.Errorf("seed %d: %s axle %d %s: foreseen u %.3g, drawn %.3g", seed, x.Quantity, x.Axle, x.Side, u, got)
		}
		if math.Abs(sum[i]/n) > 5*u/math.Sqrt(n)+1e-6 {
			t.Errorf("seed %d: %s axle %d %s: mean off by %.2g", seed, x.Quantity, x.Axle, x.Side, sum[i]/n)
		}
	}
}

// TestAdjusterRefuses names what is wrong with a vehicle's dimensions.
func TestAdjusterRefuses(t *testing.T) {
	for _, a := range []align.Adjuster{
		{Kind: align.TieRod, Axle: 1, Arm: 0.2},
		{Kind: align.TieRod, Axle: 1, Pitch: 1.5e-3},
		{Kind: align.TieRod, Axle: 1, Pitch: 1.5, Arm: 180},
		{Kind: align.AxleSlide, Axle: 2, Lever: 1840},
		{Kind: align.AxleSlide, Axle: 2, Step: -1},
		{Kind: align.CamberCam, Axle: 1},
		{Kind: "hammer", Axle: 1},
		{Kind: align.AxleSlide, Axle: 4},
	} {
		if _, err := align.Advise(truck(0, 0, 0, 0), []align.Adjuster{a}, nil, align.Rule{}); err == nil {
			t.Errorf("%+v is taken", a)
		}
	}
}
