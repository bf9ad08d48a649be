package align

import (
	"math"
	"testing"
)

// Source: JCGM 106:2012, examples in clause 7 (one limit: a voltage; two
// limits: a viscosity), from memory; the arithmetic was done again elsewhere.
func TestConformanceOfTheStandard(t *testing.T) {
	inf := math.Inf(1)
	for _, c := range []struct {
		name       string
		t          Target
		y, u       float64
		published  float64
		recomputed float64
	}{
		{"voltage with an upper limit", Target{Low: -inf, High: -5.40}, -5.47, 0.05, 0.92, 0.9192433},
		{"viscosity between limits", Target{Low: 12.5, High: 16.3}, 13.6, 1.8, 0.66, 0.6626298},
	} {
		got := c.t.Conformance(c.y, c.u)
		if math.Abs(got-c.recomputed) > 5e-8 || math.Abs(got-c.published) > 0.005 {
			t.Errorf("%s: %.7f, want %.7f, published %.2f", c.name, got, c.recomputed, c.published)
		}
	}
}

// The probabilities to either side. Source: suncal, a public measurement
// library, tests of its specific risk, compared there with a spreadsheet
// (limits 9 to 11).
func TestRiskOfASpreadsheet(t *testing.T) {
	limits := Target{Low: 9, High: 11}
	for _, c := range []struct{ mean, out float64 }{{10, 0.01242}, {10.5, 0.10574}, {12, 0.99379}} {
		if got := 1 - limits.Conformance(c.mean, 0.4); math.Abs(got-c.out) > 5e-6 {
			t.Errorf("mean %g: outside with probability %.5f, published %.5f", c.mean, got, c.out)
		}
	}
}

// JCGM 106:2012, table 1: the value that is this many u inside one limit
// conforms with this probability. The table's two decimals are from memory.
func TestQuantilesOfTheStandard(t *testing.T) {
	limit := Target{Low: math.Inf(-1), High: 0}
	for _, c := range []struct{ p, z float64 }{{0.80, 0.84}, {0.90, 1.28}, {0.95, 1.64}, {0.99, 2.33}, {0.999, 3.09}} {
		got := limit.Conformance(-c.z, 1)
		// Half a unit of the second decimal of z.
		slack := 0.005 * math.Exp(-c.z*c.z/2) / math.Sqrt(2*math.Pi)
		if math.Abs(got-c.p) > 1.01*slack {
			t.Errorf("%.2f u inside: %.4f, want %.3f", c.z, got, c.p)
		}
	}
}

// A guard band that a standard works out: speed limit 100, relative u 0.02,
// conforming to 99.9 % from a reading of 100 / (1 − 3.09·0.02) on: 106.6.
// Source: JCGM 106:2012, 8.3.3 example, from memory, where it is rounded to 107.
func TestGuardedRejection(t *testing.T) {
	// Speeding is certain where the probability of at most 100 is below 0.001.
	limit := Target{Low: math.Inf(-1), High: 100}
	sure := func(v float64) bool {
		return limit.Judge(v, 0.02*v, Rule{Confidence: 0.999}).Verdict == Outside
	}
	if sure(106.55) || !sure(106.6) {
		t.Errorf("the limit of certain speeding is not 106.59: %v %v", sure(106.55), sure(106.6))
	}
}

func TestVerdicts(t *testing.T) {
	inf := math.Inf(1)
	limits := Target{Low: -1, High: 1}
	for _, c := range []struct {
		t     Target
		v, u  float64
		rule  Rule
		want  Verdict
		about string
	}{
		{limits, 0, 0.1, Rule{}, Within, "well inside"},
		{limits, 0.9, 0.1, Rule{}, Undecided, "one u inside"},
		{limits, 0.83, 0.1, Rule{}, Within, "1.7 u inside"},
		{limits, 1.17, 0.1, Rule{}, Outside, "1.7 u outside"},
		{limits, -1.17, 0.1, Rule{}, Outside, "the same below"},
		{limits, 1.05, 0.1, Rule{}, Undecided, "half a u outside"},
		{limits, 0, 1, Rule{}, Undecided, "an uncertainty as wide as the limits"},
		{limits, 0.83, 0.1, Rule{Guard: 1}, Undecided, "inside, in the guard band"},
		{limits, 0.79, 0.1, Rule{Guard: 1}, Within, "inside the guard band"},
		{limits, 1.19, 0.1, Rule{Guard: 1}, Undecided, "outside, in the guard band"},
		{limits, 1.21, 0.1, Rule{Guard: 1}, Outside, "beyond it"},
		{limits, 0.83, 0.1, Rule{Confidence: 0.99}, Undecided, "not sure enough"},
		{limits, 1, 0, Rule{}, Within, "exact, on the limit"},
		{limits, 1.0000001, 0, Rule{}, Outside, "exact, beyond it"},
		{Target{Low: 0, High: inf}, 1e9, 1, Rule{}, Within, "one limit only"},
		{Target{Low: 0, High: inf}, 1e9, 1, Rule{Guard: 1}, Within, "one limit only, guarded"},
	} {
		if got := c.t.Judge(c.v, c.u, c.rule); got.Verdict != c.want {
			t.Errorf("%s: %v", c.about, got)
		}
	}
}

func TestTargetsThatContradictThemselves(t *testing.T) {
	inf := math.Inf(1)
	for _, x := range []Target{
		{Low: 1, High: -1}, {Wish: 2, Low: -1, High: 1}, {Low: -inf, High: inf}, {Wish: math.NaN(), Low: 0, High: 1}, {Low: math.NaN(), High: 1}, {Wish: inf, Low: 0, High: inf},
	} {
		if x.Validate() == nil {
			t.Errorf("%+v is taken", x)
		}
	}
	if err := (Target{Wish: 0, Low: -inf, High: 1}).Validate(); err != nil {
		t.Error(err)
	}
}
