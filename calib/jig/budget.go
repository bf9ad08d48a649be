package jig

import "math"

// Shape is the distribution of what is known of an input.
type Shape string

// The shapes: limits with everything between them equally likely, limits of a
// turning or repeated effect that is mostly near them, a standard uncertainty, and
// an expanded one with k = 2.
const (
	Rectangular Shape = "rectangular"
	UShaped     Shape = "U-shaped"
	Normal      Shape = "normal"
	Expanded    Shape = "k = 2"
)

// divisor turns limits or an uncertainty into a standard uncertainty (GUM, JCGM
// 100:2008, 4.3.7 and 4.3.3; the U shape is the arc sine distribution of JCGM
// 101:2008, 6.4.6).
func (s Shape) divisor() float64 {
	switch s {
	case Rectangular:
		return math.Sqrt(3)
	case UShaped:
		return math.Sqrt2
	case Expanded:
		return 2
	}
	return 1
}

// Input is a line of an uncertainty budget.
type Input struct {
	Name        string
	Limit       float64 // half width, or uncertainty, in Unit
	Unit        string
	Shape       Shape
	Sensitivity float64 // the result's unit over Unit
}

// U is the input's part of the result's standard uncertainty.
func (i Input) U() float64 { return math.Abs(i.Sensitivity) * i.Limit / i.Shape.divisor() }

// Budget is an uncertainty budget of independent inputs (GUM, 5.1.2).
type Budget struct {
	Name   string
	Unit   string // of the result
	Inputs []Input
}

// U is the result's expanded uncertainty, k = 2.
func (b Budget) U() float64 {
	sum := 0.0
	for _, i := range b.Inputs {
		sum += sq(i.U())
	}
	return 2 * math.Sqrt(sum)
}

// perMicrometre is the angle, deg, that a micrometre makes over a base in mm, and
// perMillimetre that of a millimetre.
func perMicrometre(baseMM float64) float64 { return math.Atan(1e-3/baseMM) * 180 / math.Pi }
func perMillimetre(baseMM float64) float64 { return math.Atan(1/baseMM) * 180 / math.Pi }

// Budgets are the worked examples of the guide. Limits are of usual workshop
// tools: common practice, no source; what a certificate says comes first.
func Budgets() []Budget {
	const angle = 3 * math.Pi / 180 // the largest that is set
	// A sine bar of 200 mm: sin(angle) = blocks / 200 mm. Its length makes
	// tan(angle) / 200 mm of an error.
	bar := 180 / math.Pi * math.Tan(angle) / 200
	// A frame 120 mm deep and 1 m long bends by expansion × length / depth for each
	// kelvin between its faces; steel expands by 11.5e-6 per kelvin.
	bend := 180 / math.Pi * 11.5e-6 * 1000 / 120
	return []Budget{
		{"camber or toe of a wheel plane by sine bar and angle blocks on a surface plate", "deg", []Input{
			{"gauge blocks under the bar", 0.5, "µm", Rectangular, perMicrometre(200)},
			{"distance of the bar's rollers, at 3 degrees", 2, "µm", Rectangular, bar * 1e-3},
			{"rollers parallel to the bar's face", 2, "µm", Rectangular, perMicrometre(200)},
			{"surface plate, flatness over the bar", 3, "µm", Rectangular, perMicrometre(200)},
			{"dial indicator along 150 mm of the plane, each end", 2 * math.Sqrt2, "µm", Rectangular, perMicrometre(150)},
			{"plane's own flatness over 400 mm", 10, "µm", Rectangular, perMicrometre(400)},
			{"plane to its spin axis, wobble over 400 mm", 10, "µm", UShaped, perMicrometre(400)},
			{"frame bent by warmth between its faces", 0.3, "K", Rectangular, bend},
		}},
		{"toe of a wheel plane by a straight beam and feeler gauges, base 500 mm", "deg", []Input{
			{"feeler gauge, each of two gaps", 0.02 * math.Sqrt2, "mm", Rectangular, perMillimetre(500)},
			{"beam's straightness over the base", 0.03, "mm", Rectangular, perMillimetre(500)},
			{"the base's length, at 1 degree", 1, "mm", Rectangular, 180 / math.Pi * math.Tan(math.Pi/180) / 500},
			{"beam to the centreline, 0.3 mm over 2500 mm", 0.3, "mm", Rectangular, perMillimetre(2500)},
			{"plane's own flatness over 500 mm", 0.03, "mm", Rectangular, perMillimetre(500)},
			{"plane to its spin axis, wobble over 500 mm", 0.03, "mm", UShaped, perMillimetre(500)},
			{"frame bent by warmth between its faces", 0.5, "K", Rectangular, bend},
		}},
		{"camber of a wheel plane by a square and feeler gauges, base 500 mm, on a levelled floor", "deg", []Input{
			{"feeler gauge, each of two gaps", 0.02 * math.Sqrt2, "mm", Rectangular, perMillimetre(500)},
			{"the square's upright over 500 mm", 0.05, "mm", Rectangular, perMillimetre(500)},
			{"floor below the square, 0.2 mm over 500 mm", 0.2, "mm", Rectangular, perMillimetre(500)},
			{"plane's own flatness over 500 mm", 0.03, "mm", Rectangular, perMillimetre(500)},
			{"plane to its spin axis, wobble over 500 mm", 0.03, "mm", UShaped, perMillimetre(500)},
		}},
		{"place of a wheel's centre by steel tape and plumb bob", "mm", []Input{
			{"tape, class II of 2 to 5 m", 0.7, "mm", Rectangular, 1},
			{"plumb bob at each end", 0.3 * math.Sqrt2, "mm", Rectangular, 1},
			{"reading", 0.5, "mm", Rectangular, 1},
			{"warmth, 5 K over 2500 mm", 5 * 11.5e-6 * 2500, "mm", Rectangular, 1},
		}},
		{"a disc's centre sideways from a stretched wire, by depth gauge", "mm", []Input{
			{"depth gauge", 0.05, "mm", Rectangular, 1},
			{"touching the wire", 0.1, "mm", Rectangular, 1},
			{"wire straight, 0.3 mm thick", 0.1, "mm", Rectangular, 1},
			{"centre of the disc's face", 0.1, "mm", Rectangular, 1},
			{"warmth, 5 K over 760 mm", 5 * 11.5e-6 * 760, "mm", Rectangular, 1},
		}},
	}
}
