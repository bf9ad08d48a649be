// Package align turns wheel axes into the angles of wheel alignment, with
// their covariance. It is pure geometry: no files, no photographs.
//
// In goes, for each wheel, the outboard spin axis and the wheel's centre in a
// frame whose z is up (any heading), and the joint covariance of all of them.
// Out come the readings, each defined against the vehicle's own geometric
// centreline, with their joint covariance.
//
// Directions are those of ISO 8855: x forward, y left, z up. Signs: camber is
// positive when the top of the wheel leans outward, toe is positive for
// toe-in, an axle's heading is positive to the left.
package align

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"wheelplane/pose"

	"gonum.org/v1/gonum/mat"
)

// Side of the vehicle, or of neither for a quantity of an axle or the vehicle.
type Side string

// The sides.
const (
	Left   Side = "left"
	Right  Side = "right"
	NoSide Side = ""
)

// Quantity names what a reading tells.
type Quantity string

// The quantities. Angles are radians, lengths metres.
const (
	Camber      Quantity = "camber"       // per wheel
	Toe         Quantity = "toe"          // per wheel, against the centreline
	TotalToe    Quantity = "total_toe"    // per axle: left + right
	AxleHeading Quantity = "axle_heading" // per axle, against the centreline
	ThrustAngle Quantity = "thrust_angle" // of the reference axle
	ScrubAngle  Quantity = "scrub_angle"  // per axle, against the reference axle
	AxleOffset  Quantity = "axle_offset"  // per axle: sideways from the centreline, positive to the left
	Wheelbase   Quantity = "wheelbase"    // per axle: along the centreline from axle 1 or the kingpin
	Track       Quantity = "track"        // per axle: between the wheel centres
	Runout      Quantity = "runout"       // per wheel: board's normal against the spin axis

	CrossCamber Quantity = "cross_camber" // per axle: left − right

	RollingRadius     Quantity = "rolling_radius"      // per wheel: rolled distance over rotated angle
	TravelDirection   Quantity = "travel_direction"    // of the vehicle: where it rolled, against the centreline
	TravelMinusThrust Quantity = "travel_minus_thrust" // of the vehicle: travel direction − thrust angle

	Caster       Quantity = "caster"                    // per steered wheel
	CrossCaster  Quantity = "cross_caster"              // per steered axle: left − right
	Kingpin      Quantity = "kingpin_inclination"       // per steered wheel
	CrossKingpin Quantity = "cross_kingpin_inclination" // per steered axle: left − right
	ScrubRadius  Quantity = "scrub_radius"              // per steered wheel, on the ground
	Trail        Quantity = "trail"                     // per steered wheel, on the ground

	SteerAngle    Quantity = "steer_angle"      // per steered wheel and station, from straight ahead
	ToeOutOnTurns Quantity = "toe_out_on_turns" // per steered axle and station: inner − outer
	MaxSteer      Quantity = "max_steer"        // per steered wheel: the largest of its stations, either way
	SteerRatio    Quantity = "steer_ratio"      // per further steered axle and station: its steer over that of the first
)

// IsLength tells whether a quantity is a length (metres) and not an angle.
func (q Quantity) IsLength() bool {
	switch q {
	case AxleOffset, Wheelbase, Track, RollingRadius, ScrubRadius, Trail:
		return true
	}
	return false
}

// Wheel is one wheel as measured.
type Wheel struct {
	Axle   int // from the front, the first is 1
	Side   Side
	Axis   pose.Vec // unit vector along the spin axis, outboard
	Centre pose.Vec // on the axis, metres
}

// Reading is one quantity of one axle, wheel or vehicle.
type Reading struct {
	Quantity Quantity
	Axle     int
	Side     Side
	Station  string  // of a quantity that differs from station to station
	Value    float64 // rad, m, or 1 for a ratio
}

// Set is a list of readings with their joint covariance, rad² and m².
type Set struct {
	Readings []Reading
	Cov      *mat.SymDense
}

// U returns the standard uncertainty of reading i, rad or m.
func (s *Set) U(i int) float64 { return math.Sqrt(math.Max(0, s.Cov.At(i, i))) }

// Find returns the index of a reading that is the same at all stations, or -1.
func (s *Set) Find(q Quantity, axle int, side Side) int {
	return s.FindLike(Reading{Quantity: q, Axle: axle, Side: side})
}

// FindLike returns the index of the reading of the same thing, whatever its
// value, or -1.
func (s *Set) FindLike(like Reading) int {
	for i, r := range s.Readings {
		r.Value = like.Value
		if r == like {
			return i
		}
	}
	return -1
}

// Without is the set without some readings.
func (s *Set) Without(drop func(Reading) bool) *Set {
	out := &Set{}
	var kept []int
	for i, r := range s.Readings {
		if !drop(r) {
			out.Readings, kept = append(out.Readings, r), append(kept, i)
		}
	}
	if len(kept) == 0 {
		return out
	}
	out.Cov = mat.NewSymDense(len(kept), nil)
	for a, i := range kept {
		for b, k := range kept[:a+1] {
			out.Cov.SetSym(a, b, s.Cov.At(i, k))
		}
	}
	return out
}

// linear is a value with its gradient with respect to all wheels' steps.
type linear struct {
	v float64
	g []float64
}

func (a linear) plus(k float64, b linear) linear {
	out := linear{a.v + k*b.v, make([]float64, len(a.g))}
	for i := range out.g {
		out.g[i] = a.g[i] + k*b.g[i]
	}
	return out
}

func (a linear) times(k float64) linear { return linear{g: make([]float64, len(a.g))}.plus(k, a) }

// function returns f(a, b) given its value and partial derivatives.
func function(v, da float64, a linear, db float64, b linear) linear {
	out := linear{v, make([]float64, len(a.g))}
	for i := range out.g {
		out.g[i] = da*a.g[i] + db*b.g[i]
	}
	return out
}

// atan2 of two linear forms.
func atan2(y, x linear) linear {
	r2 := x.v*x.v + y.v*y.v
	return function(math.Atan2(y.v, x.v), x.v/r2, y, -y.v/r2, x)
}

func hypot(x, y linear) linear {
	r := math.Hypot(x.v, y.v)
	return function(r, x.v/r, x, y.v/r, y)
}

func product(a, b linear) linear { return function(a.v*b.v, b.v, a, a.v, b) }

// geometry is one wheel's axis and centre as linear forms.
type geometry struct{ axis, centre [3]linear }

// Outboard is the sign of y outboard: 1 on the left, −1 on the right.
func (s Side) Outboard() float64 {
	if s == Right {
		return -1
	}
	return 1
}

// heading is the angle of the wheel plane in the frame, positive to the left.
func (g geometry) heading(s Side) linear {
	k := s.Outboard()
	return atan2(g.axis[0].times(-k), g.axis[1].times(k))
}

// camber = atan2(−sz, hypot(sx, sy)), positive when the top leans outward.
func (g geometry) camber() linear {
	return atan2(g.axis[2].times(-1), hypot(g.axis[0], g.axis[1]))
}

// pair is an axle with both its wheels, left first.
type pair struct {
	number int
	w      [2]geometry
}

// middle is the point half way between the wheels' centres.
func (a pair) middle() (m [3]linear) {
	for i := range m {
		m[i] = a.w[0].centre[i].plus(1, a.w[1].centre[i]).times(0.5)
	}
	return
}

// pairs lists the axles that have both their wheels, from the front, as linear
// forms of n numbers.
func pairs(wheels []Wheel, n int) []pair {
	var out []pair
	for l, left := range wheels {
		for r, right := range wheels {
			if left.Axle == right.Axle && left.Side == Left && right.Side == Right {
				out = append(out, pair{left.Axle, [2]geometry{linearize(left, l, n), linearize(right, r, n)}})
			}
		}
	}
	slices.SortFunc(out, func(a, b pair) int { return cmp.Compare(a.number, b.number) })
	return out
}

// Derive computes the readings of a vehicle.
//
// cov is 6n × 6n for n wheels, with three more rows and columns where there is
// a kingpin: for each wheel, in order, the step (ω, τ) of [pose.SE3.Plus] of its
// bodyFromHub in the wheels' frame, rad and m (the axis changes by ω × axis, the
// centre by τ), then the kingpin's place, m; any other size panics. reference is
// the number of the reference axle.
//
// The geometric centreline runs in the ground plane through the midpoints of
// axle 1 and of the reference axle; where the reference is axle 1 itself,
// through the midpoint of the last measured axle; where kingpin is not nil (a
// semi-trailer), through it and the midpoint of the reference axle. Axles
// without both wheels are left out; it is an error when the reference axle or
// the axle that closes the centreline is among them. Where axle 1 is left out, the
// first axle that is not takes its place, and no wheelbases are told.
//
// Definitions: individual toe = atan2(sx, |sy|) in the centreline's frame;
// heading = (toe right − toe left)/2; thrust angle = heading of the reference
// axle; scrub angle = heading − heading of the reference axle.
func Derive(wheels []Wheel, kingpin *pose.Vec, cov mat.Symmetric, reference int) (*Set, error) {
	n := 6 * len(wheels)
	if kingpin != nil {
		n += 3
	}
	if cov.SymmetricDim() != n {
		panic(fmt.Sprintf("align: covariance is %d × %d for %d wheels", cov.SymmetricDim(), cov.SymmetricDim(), len(wheels)))
	}
	axles := pairs(wheels, n)
	if len(axles) < 2 && (kingpin == nil || len(axles) < 1) {
		return nil, fmt.Errorf("only %d axles have boards read on both wheels: the centreline needs two; hang a pair on one more axle and photograph it", len(axles))
	}
	first, last := 0, len(axles)-1
	ref := slices.IndexFunc(axles, func(a pair) bool { return a.number == reference })
	if ref < 0 {
		return nil, fmt.Errorf("the reference axle %d has no board read on both wheels: photograph both, or choose another reference_axle", reference)
	}
	front, rear := first, ref
	if ref == first {
		rear = last
	}

	mf, mr := axles[front].middle(), axles[rear].middle()
	if kingpin != nil {
		front, rear = -1, ref
		mr = axles[ref].middle()
		for i := range mf {
			mf[i] = linear{kingpin[i], make([]float64, n)}
			mf[i].g[n-3+i] = 1
		}
	}
	dx, dy := mf[0].plus(-1, mr[0]), mf[1].plus(-1, mr[1])
	if math.Hypot(dx.v, dy.v) < 1e-6 {
		return nil, fmt.Errorf("the ends of the centreline (the reference axle and axle 1, or the kingpin) are in the same place: check the hangs in job.yaml")
	}
	centreline := atan2(dy, dx) // heading of the centreline in the frame
	length := hypot(dx, dy)
	// Unit vector along the centreline.
	ux := function(dx.v/length.v, 1/length.v, dx, -dx.v/(length.v*length.v), length)
	uy := function(dy.v/length.v, 1/length.v, dy, -dy.v/(length.v*length.v), length)

	out := &Set{}
	var grads [][]float64
	add := func(q Quantity, axle int, s Side, l linear) {
		out.Readings = append(out.Readings, Reading{Quantity: q, Axle: axle, Side: s, Value: l.v})
		grads = append(grads, l.g)
	}
	heading := make([]linear, len(axles))
	toe := make([][2]linear, len(axles))
	for k, a := range axles {
		l, r := a.w[0].heading(Left).plus(-1, centreline), a.w[1].heading(Right).plus(-1, centreline)
		toe[k] = [2]linear{wrap(l).times(-1), wrap(r)}
		heading[k] = toe[k][1].plus(-1, toe[k][0]).times(0.5)
	}
	for k, a := range axles {
		cl, cr := a.w[0].camber(), a.w[1].camber()
		add(Camber, a.number, Left, cl)
		add(Camber, a.number, Right, cr)
		add(CrossCamber, a.number, NoSide, cl.plus(-1, cr))
		add(Toe, a.number, Left, toe[k][0])
		add(Toe, a.number, Right, toe[k][1])
		add(TotalToe, a.number, NoSide, toe[k][0].plus(1, toe[k][1]))
		add(AxleHeading, a.number, NoSide, heading[k])
		if k == ref {
			add(ThrustAngle, a.number, NoSide, heading[k])
		} else {
			add(ScrubAngle, a.number, NoSide, heading[k].plus(-1, heading[ref]))
		}
		m := a.middle()
		ex, ey := m[0].plus(-1, mf[0]), m[1].plus(-1, mf[1])
		if k != front && k != rear {
			add(AxleOffset, a.number, NoSide, product(ux, ey).plus(-1, product(uy, ex)))
		}
		if k != first && axles[first].number == 1 || kingpin != nil {
			add(Wheelbase, a.number, NoSide, product(ux, ex).plus(1, product(uy, ey)).times(-1))
		}
		l, r := a.w[0].centre, a.w[1].centre
		add(Track, a.number, NoSide, hypot(l[0].plus(-1, r[0]), l[1].plus(-1, r[1])))
	}

	j := mat.NewDense(len(grads), n, nil)
	for i, g := range grads {
		j.SetRow(i, g)
	}
	out.Cov = Propagate(j, cov)
	return out, nil
}

// linearize writes a wheel's axis and centre as linear forms of its step.
func linearize(w Wheel, index, n int) (g geometry) {
	x := pose.Skew(w.Axis)
	for i := 0; i < 3; i++ {
		g.axis[i] = linear{w.Axis[i], make([]float64, n)}
		g.centre[i] = linear{w.Centre[i], make([]float64, n)}
		for k := 0; k < 3; k++ {
			g.axis[i].g[6*index+k] = -x[i][k] // d(axis) = ω × axis = −[axis]× ω
		}
		g.centre[i].g[6*index+3+i] = 1
	}
	return
}

// wrap brings an angle into (−π, π].
func wrap(a linear) linear {
	a.v = math.Remainder(a.v, 2*math.Pi)
	return a
}

// Propagate returns J·cov·Jᵀ, the covariance of outputs with the Jacobian J,
// outputs × inputs (GUM, JCGM 100:2008, 5.2.2, for several outputs JCGM
// 102:2011, 6.2.1.3). Sizes that do not fit panic.
func Propagate(j *mat.Dense, cov mat.Symmetric) *mat.SymDense {
	var t, full mat.Dense
	t.Mul(j, cov)
	full.Mul(&t, j.T())
	r, _ := full.Dims()
	out := mat.NewSymDense(r, nil)
	for a := 0; a < r; a++ {
		for b := a; b < r; b++ {
			out.SetSym(a, b, (full.At(a, b)+full.At(b, a))/2)
		}
	}
	return out
}

// RunoutOf returns the angle between a board's normal and the spin axis, rad,
// and its standard uncertainty, from the normal's two components across the
// axis and their covariance.
//
// It is a length of a two-vector: near zero its error is no longer Gaussian.
func RunoutOf(tilt [2]float64, cov [2][2]float64) (value, u float64) {
	s := math.Hypot(tilt[0], tilt[1])
	value = math.Asin(math.Min(1, s))
	if s == 0 {
		return 0, math.Sqrt((cov[0][0] + cov[1][1]) / 2)
	}
	gx, gz := tilt[0]/s, tilt[1]/s
	v := gx*gx*cov[0][0] + 2*gx*gz*cov[0][1] + gz*gz*cov[1][1]
	return value, math.Sqrt(math.Max(0, v)) / math.Sqrt(1-math.Min(s*s, 0.99))
}

// Append adds a reading that is uncorrelated with the others.
func (s *Set) Append(r Reading, u float64) {
	n := len(s.Readings)
	cov := mat.NewSymDense(n+1, nil)
	for a := 0; a < n; a++ {
		for b := a; b < n; b++ {
			cov.SetSym(a, b, s.Cov.At(a, b))
		}
	}
	cov.SetSym(n, n, u*u)
	s.Readings, s.Cov = append(s.Readings, r), cov
}
