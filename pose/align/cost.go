package align

import "math"

// ToeDistance is a toe angle (rad) as the distance it makes at a reference
// diameter, m: diameter × sin(toe).
func ToeDistance(toe, diameter float64) float64 { return diameter * math.Sin(toe) }

// ToeFromDistance is the toe angle (rad) of a distance at a reference diameter,
// both m. NaN where the distance is larger than the diameter.
func ToeFromDistance(distance, diameter float64) float64 { return math.Asin(distance / diameter) }

// AngleFromEnds is the angle (rad) of an axle whose ends differ by so much
// along the vehicle over a distance across it, both m.
func AngleFromEnds(difference, apart float64) float64 { return math.Atan2(difference, apart) }

// SidewaysPerWay is how far a tyre is dragged sideways for each metre driven,
// when its plane stands at an angle (rad) to the way it goes.
func SidewaysPerWay(angle float64) float64 { return math.Tan(angle) }

// FeetPerMile is the same as feet in a mile.
const FeetPerMile = 5280

// Slip is how a wheel stands to the way it goes when the vehicle drives
// straight ahead.
type Slip struct {
	Axle  int
	Side  Side
	Angle float64 // rad, positive where the wheel points left of its way
	U     float64 // standard uncertainty
}

// PerKilometre is the sideways drag in metres for each kilometre, and its
// standard uncertainty.
func (s Slip) PerKilometre() (way, u float64) {
	c := math.Cos(s.Angle)
	return 1e3 * SidewaysPerWay(s.Angle), 1e3 * s.U / (c * c)
}

// Slips tells of every wheel how it is dragged when the vehicle drives straight
// ahead. The way is the mean heading of the axles that are not steered: they
// pull on each other until the vehicle goes between them. The steered axles'
// mean heading is taken to follow it, since the driver steers them so; of
// several steered axles what differs between them stays.
//
// set holds the toe of both wheels of every axle (see [Derive]).
func Slips(set *Set, steered []int) []Slip {
	is := map[int]bool{}
	for _, a := range steered {
		is[a] = true
	}
	type wheel struct {
		i       int // its toe in set
		r       Reading
		heading float64 // sign that turns its toe into a heading
	}
	var list []wheel
	count := map[bool]float64{} // wheels, by whether they are steered
	for i, r := range set.Readings {
		if r.Quantity == Toe {
			list = append(list, wheel{i, r, -r.Side.Outboard()})
			count[is[r.Axle]]++
		}
	}
	var out []Slip
	for _, w := range list {
		// Its heading less the mean of those of its kind: a linear form of the toes.
		// Where every axle is steered, or none, there is only one kind.
		slip := Slip{Axle: w.r.Axle, Side: w.r.Side}
		g := make([]float64, len(list))
		for k, v := range list {
			if v.i == w.i {
				g[k] += v.heading
			}
			if is[v.r.Axle] == is[w.r.Axle] {
				g[k] -= v.heading / count[is[w.r.Axle]]
			}
			slip.Angle += g[k] * v.r.Value
		}
		variance := 0.0
		for a, x := range list {
			for b, y := range list {
				variance += g[a] * g[b] * set.Cov.At(x.i, y.i)
			}
		}
		slip.U = math.Sqrt(math.Max(0, variance))
		out = append(out, slip)
	}
	return out
}
