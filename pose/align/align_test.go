package align_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"wheelplane/pose"
	"wheelplane/pose/align"

	"gonum.org/v1/gonum/mat"
)

const degree = math.Pi / 180

// wheelAt is a wheel made by hand: turn the straight axis by a camber that
// leans the top outward and a toe that turns the front inward. Side by side
// with the definitions: camber turns about x, toe about z.
func wheelAt(axle int, side align.Side, x, halfTrack, camber, toe float64) align.Wheel {
	straight, out := pose.Vec{0, 1, 0}, 1.0
	if side == align.Right {
		straight, out = pose.Vec{0, -1, 0}, -1
	}
	// Seen from the rear, a left wheel whose top leans out (to +y) has turned
	// about x (forward) by a negative angle: z goes to +y.
	axis := pose.RotX(-out * camber).Apply(straight)
	// The front of a left wheel moves to the right (-y) for toe-in: a turn about
	// z by a negative angle.
	axis = pose.RotZ(-out * toe).Apply(axis)
	return align.Wheel{Axle: axle, Side: side, Axis: axis, Centre: pose.Vec{x, out * halfTrack, 0.5}}
}

func zero(n int) *mat.SymDense { return mat.NewSymDense(6*n, nil) }

func value(t *testing.T, s *align.Set, q align.Quantity, axle int, side align.Side) float64 {
	t.Helper()
	i := s.Find(q, axle, side)
	if i < 0 {
		t.Fatalf("no reading %s axle %d %s", q, axle, side)
	}
	return s.Readings[i].Value
}

// TestSigns holds every sign convention against wheels made by hand: the
// directions are those of ISO 8855 (x forward, y left, z up).
func TestSigns(t *testing.T) {
	// Axle 1: left leans out and toes in, right straight. Axle 2 turned to the
	// left as a whole and 10 mm to the left of the line. Axle 3: reference, turned right.
	turned := func(w align.Wheel, a float64) align.Wheel {
		w.Axis = pose.RotZ(a).Apply(w.Axis)
		return w
	}
	shift := func(w align.Wheel) align.Wheel { w.Centre[1] += 0.010; return w }
	wheels := []align.Wheel{
		wheelAt(1, align.Left, 5, 1, 0.8*degree, 0.3*degree),
		wheelAt(1, align.Right, 5, 1, 0, 0),
		shift(turned(wheelAt(2, align.Left, 1.3, 0.9, 0, 0), 0.2*degree)),
		shift(turned(wheelAt(2, align.Right, 1.3, 0.9, -0.5*degree, 0), 0.2*degree)),
		turned(wheelAt(3, align.Left, 0, 0.9, 0, 0), -0.1*degree),
		turned(wheelAt(3, align.Right, 0, 0.9, 0, 0), -0.1*degree),
	}
	s, err := align.Derive(wheels, nil, zero(6), 3)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		q    align.Quantity
		axle int
		side align.Side
		want float64
		what string
	}{
		{align.Camber, 1, align.Left, 0.8 * degree, "top leans outward: positive"},
		{align.Camber, 1, align.Right, 0, "straight"},
		{align.Camber, 2, align.Right, -0.5 * degree, "top leans inward: negative"},
		{align.Toe, 1, align.Left, 0.3 * degree, "toe-in: positive"},
		{align.Toe, 1, align.Right, 0, "straight"},
		{align.TotalToe, 1, align.NoSide, 0.3 * degree, "sum"},
		{align.AxleHeading, 1, align.NoSide, -0.15 * degree, "left wheel toed in points the axle right"},
		{align.Toe, 2, align.Left, -0.2 * degree, "axle turned left: its left wheel toes out"},
		{align.Toe, 2, align.Right, 0.2 * degree, "and its right wheel in"},
		{align.AxleHeading, 2, align.NoSide, 0.2 * degree, "positive to the left"},
		{align.ThrustAngle, 3, align.NoSide, -0.1 * degree, "reference axle turned right"},
		{align.ScrubAngle, 2, align.NoSide, 0.3 * degree, "against the reference axle"},
		{align.ScrubAngle, 1, align.NoSide, -0.05 * degree, "against the reference axle"},
		{align.AxleOffset, 2, align.NoSide, 0.010, "positive to the left"},
		{align.Wheelbase, 2, align.NoSide, 3.7, "from axle 1 rearwards"},
		{align.Wheelbase, 3, align.NoSide, 5, "from axle 1 rearwards"},
		{align.Track, 1, align.NoSide, 2, "between the centres"},
	} {
		if got := value(t, s, c.q, c.axle, c.side); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%s axle %d %s: got %g, want %g (%s)", c.q, c.axle, c.side, got, c.want, c.what)
		}
	}
	if s.Find(align.ScrubAngle, 3, align.NoSide) >= 0 || s.Find(align.ThrustAngle, 2, align.NoSide) >= 0 {
		t.Error("thrust belongs to the reference axle only, scrub to the others")
	}
}

// TestFormulas holds camber and toe against the formulas of the definitions
// applied to an axis with no small angles.
func TestFormulas(t *testing.T) {
	axis := pose.Unit(pose.Vec{0.2, 0.9, -0.3})
	wheels := []align.Wheel{
		{Axle: 1, Side: align.Left, Axis: axis, Centre: pose.Vec{4, 1, 0.5}},
		{Axle: 1, Side: align.Right, Axis: pose.Vec{axis[0], -axis[1], axis[2]}, Centre: pose.Vec{4, -1, 0.5}},
		wheelAt(2, align.Left, 0, 1, 0, 0), wheelAt(2, align.Right, 0, 1, 0, 0),
	}
	s, err := align.Derive(wheels, nil, zero(4), 2)
	if err != nil {
		t.Fatal(err)
	}
	for _, side := range []align.Side{align.Left, align.Right} {
		if got, want := value(t, s, align.Camber, 1, side), math.Atan2(0.3, math.Hypot(0.2, 0.9)); math.Abs(got-want) > 1e-12 {
			t.Errorf("camber %s: %g, want %g", side, got, want)
		}
		if got, want := value(t, s, align.Toe, 1, side), math.Atan2(0.2, 0.9); math.Abs(got-want) > 1e-12 {
			t.Errorf("toe %s: %g, want %g", side, got, want)
		}
	}
}

func randomWheels(r *rand.Rand) []align.Wheel {
	var out []align.Wheel
	for axle, x := range []float64{5.5, 4.1, 1.2, 0} {
		for _, side := range []align.Side{align.Right, align.Left} {
			w := wheelAt(axle+1, side, x+0.02*r.NormFloat64(), 1+0.02*r.NormFloat64(), 0.05*r.NormFloat64(), 0.05*r.NormFloat64())
			out = append(out, w)
		}
	}
	return out
}

func step(w align.Wheel, d []float64) align.Wheel {
	w.Axis = pose.Exp(pose.Vec{d[0], d[1], d[2]}).Apply(w.Axis)
	w.Centre = pose.Add(w.Centre, pose.Vec{d[3], d[4], d[5]})
	return w
}

// TestCovariance compares the propagated covariance with one made from
// numerical derivatives, for a full random input covariance.
func TestCovariance(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	wheels := randomWheels(r)
	n := 6 * len(wheels)
	a := mat.NewDense(n, n, nil)
	for i := range n {
		for k := range n {
			a.Set(i, k, 1e-3*r.NormFloat64())
		}
	}
	cov := mat.NewSymDense(n, nil)
	cov.SymOuterK(1, a)
	s, err := align.Derive(wheels, nil, cov, 3)
	if err != nil {
		t.Fatal(err)
	}
	j := mat.NewDense(len(s.Readings), n, nil)
	const h = 1e-5
	for k := range n {
		var v [2][]align.Reading
		for e, sign := range []float64{1, -1} {
			moved := append([]align.Wheel(nil), wheels...)
			d := make([]float64, 6)
			d[k%6] = sign * h
			moved[k/6] = step(moved[k/6], d)
			m, err := align.Derive(moved, nil, zero(len(wheels)), 3)
			if err != nil {
				t.Fatal(err)
			}
			v[e] = m.Readings
		}
		for i := range s.Readings {
			j.Set(i, k, (v[0][i].Value-v[1][i].Value)/(2*h))
		}
	}
	var tmp, want mat.Dense
	tmp.Mul(j, cov)
	want.Mul(&tmp, j.T())
	for i := range s.Readings {
		for k := range s.Readings {
			scale := math.Sqrt(want.At(i, i)*want.At(k, k)) + 1e-12
			if math.Abs(want.At(i, k)-s.Cov.At(i, k)) > 1e-6*scale {
				t.Fatalf("covariance of %v and %v: %g, numerically %g", s.Readings[i], s.Readings[k], s.Cov.At(i, k), want.At(i, k))
			}
		}
	}
}

// TestFrameDoesNotMatter: turning and shifting everything in the ground plane
// changes no reading.
func TestFrameDoesNotMatter(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	wheels := randomWheels(r)
	want, err := align.Derive(wheels, nil, zero(len(wheels)), 4)
	if err != nil {
		t.Fatal(err)
	}
	for range 20 {
		turn := pose.SE3{R: pose.RotZ(2 * math.Pi * r.Float64()), T: pose.Vec{r.NormFloat64(), r.NormFloat64(), r.NormFloat64()}}
		var moved []align.Wheel
		for _, w := range wheels {
			w.Axis, w.Centre = turn.R.Apply(w.Axis), turn.Apply(w.Centre)
			moved = append(moved, w)
		}
		got, err := align.Derive(moved, nil, zero(len(wheels)), 4)
		if err != nil {
			t.Fatal(err)
		}
		for i := range want.Readings {
			if math.Abs(got.Readings[i].Value-want.Readings[i].Value) > 1e-12 {
				t.Errorf("%v became %v", want.Readings[i], got.Readings[i])
			}
		}
	}
}

// TestReferenceIsFirst: with axle 1 as reference the centreline runs to the
// last axle, and still points forward.
func TestReferenceIsFirst(t *testing.T) {
	wheels := []align.Wheel{
		wheelAt(1, align.Left, 4, 1, 0, 0.1*degree), wheelAt(1, align.Right, 4, 1, 0, 0.3*degree),
		wheelAt(2, align.Left, 0, 1, 0, 0), wheelAt(2, align.Right, 0, 1, 0, 0),
	}
	s, err := align.Derive(wheels, nil, zero(4), 1)
	if err != nil {
		t.Fatal(err)
	}
	if got := value(t, s, align.ThrustAngle, 1, align.NoSide); math.Abs(got-0.1*degree) > 1e-12 {
		t.Errorf("thrust %g, want %g", got, 0.1*degree)
	}
	if got := value(t, s, align.Wheelbase, 2, align.NoSide); math.Abs(got-4) > 1e-12 {
		t.Errorf("wheelbase %g, want 4", got)
	}
}

func TestDeriveErrors(t *testing.T) {
	all := []align.Wheel{
		wheelAt(1, align.Left, 4, 1, 0, 0), wheelAt(1, align.Right, 4, 1, 0, 0),
		wheelAt(2, align.Left, 0, 1, 0, 0), wheelAt(2, align.Right, 0, 1, 0, 0),
	}
	if _, err := align.Derive(all[:3], nil, zero(3), 1); err == nil {
		t.Error("an axle with one wheel gives no centreline, and no error came")
	}
	if _, err := align.Derive(all, nil, zero(4), 3); err == nil {
		t.Error("the reference axle is missing, and no error came")
	}
}

// TestToeDistance: toe as a distance is the reference diameter times sin(toe).
// Source: plain trigonometry; the worked figure, 1/16 in of total toe on a tyre
// of 39 in is 0.0918 degrees, is common practice, no source.
func TestToeDistance(t *testing.T) {
	toe := math.Asin(1.0 / 16 / 39)
	if got := toe / degree; math.Abs(got-0.0918) > 5e-5 {
		t.Fatalf("the figure itself is off: %g", got)
	}
	half := toe / 2
	wheels := []align.Wheel{
		wheelAt(1, align.Left, 4, 1, 0, half), wheelAt(1, align.Right, 4, 1, 0, half),
		wheelAt(2, align.Left, 0, 1, 0, 0), wheelAt(2, align.Right, 0, 1, 0, 0),
	}
	s, err := align.Derive(wheels, nil, zero(4), 2)
	if err != nil {
		t.Fatal(err)
	}
	// Measure the distance across the tyres' front and rear ends by hand.
	const r = 39 * 0.0254 / 2
	front := func(w align.Wheel, forward float64) float64 {
		fwd := pose.Unit(pose.Cross(w.Axis, pose.Vec{0, 0, 1}))
		if fwd[0] < 0 {
			fwd = pose.Scale(-1, fwd)
		}
		return pose.Add(w.Centre, pose.Scale(forward*r, fwd))[1]
	}
	atFront := front(wheels[0], 1) - front(wheels[1], 1)
	atRear := front(wheels[0], -1) - front(wheels[1], -1)
	if got := (atRear - atFront) / 0.0254; math.Abs(got-1.0/16) > 1e-6 {
		t.Errorf("toe across the tyres is %g in, want 1/16", got)
	}
	if got := value(t, s, align.TotalToe, 1, align.NoSide) / degree; math.Abs(got-0.0918) > 5e-5 {
		t.Errorf("total toe %g degrees, want 0.0918", got)
	}
}

func TestRunout(t *testing.T) {
	v, u := align.RunoutOf([2]float64{0.03, 0.04}, [2][2]float64{{1e-6, 0}, {0, 1e-6}})
	if math.Abs(v-math.Asin(0.05)) > 1e-12 {
		t.Errorf("runout %g", v)
	}
	if want := 1e-3 / math.Sqrt(1-0.0025); math.Abs(u-want) > 1e-9 {
		t.Errorf("u %g, want %g", u, want)
	}
}
