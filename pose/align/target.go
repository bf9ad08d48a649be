package align

import (
	"fmt"
	"math"
)

// Target is what one reading should be: the wish and the limits of tolerance,
// rad or m. A limit that does not exist is infinite.
type Target struct {
	Quantity Quantity
	Axle     int // from the front, the first is 1
	Side     Side

	Wish      float64 // what to adjust to, between the limits
	Low, High float64
	Source    string // where the numbers come from
}

// Validate tells what is wrong with the target's numbers, if anything.
func (t Target) Validate() error {
	switch {
	case math.IsNaN(t.Wish) || math.IsInf(t.Wish, 0) || math.IsNaN(t.Low) || math.IsNaN(t.High):
		return fmt.Errorf("target and limits must be numbers")
	case t.Low > t.High:
		return fmt.Errorf("the lowest value is above the highest")
	case t.Wish < t.Low || t.Wish > t.High:
		return fmt.Errorf("the target lies outside its own limits")
	case math.IsInf(t.Low, 0) && math.IsInf(t.High, 0):
		return fmt.Errorf("no limit is given")
	}
	return nil
}

// Of tells whether the target is one for this reading.
func (t Target) Of(r Reading) bool {
	return t.Quantity == r.Quantity && t.Axle == r.Axle && t.Side == r.Side
}

// Verdict is what may be said of a reading against its limits.
type Verdict string

// The verdicts.
const (
	Within    Verdict = "within"
	Outside   Verdict = "outside"
	Undecided Verdict = "undecided" // the uncertainty allows both
)

// Rule says how sure a verdict must be. The zero value asks for 95 %.
type Rule struct {
	// Confidence is the probability that a verdict of within, or of outside, must
	// have; 0: 0.95. With a guard band it is not used.
	Confidence float64

	// Guard, if above 0, sets guard bands of this many expanded uncertainties
	// U = 2 u inside both limits for within, and outside both for outside
	// (JCGM 106:2012, 8.3.2 and 8.3.3; 1 is the full band w = U).
	Guard float64
}

// Judgement is a verdict with the probability behind it.
type Judgement struct {
	Verdict     Verdict
	Conformance float64 // probability that the true value lies within the limits
}

// Conformance is the probability that the true value lies within the target's
// limits, given a value with standard uncertainty u and nothing known
// beforehand (normal distribution; JCGM 106:2012, 7.2 to 7.4). Without
// uncertainty it is 1 or 0.
func (t Target) Conformance(value, u float64) float64 {
	if !(u > 0) {
		if value >= t.Low && value <= t.High {
			return 1
		}
		return 0
	}
	// Both tails by their own complement, or a small one is lost in rounding.
	below := 0.5 * math.Erfc((value-t.Low)/(u*math.Sqrt2))
	above := 0.5 * math.Erfc((t.High-value)/(u*math.Sqrt2))
	return math.Max(0, 1-below-above)
}

// Judge says whether a value with standard uncertainty u is within the
// target's limits.
func (t Target) Judge(value, u float64, rule Rule) Judgement {
	j := Judgement{Undecided, t.Conformance(value, u)}
	if rule.Guard > 0 {
		w := rule.Guard * 2 * u
		switch {
		case value >= t.Low+w && value <= t.High-w:
			j.Verdict = Within
		case value <= t.Low-w || value >= t.High+w:
			j.Verdict = Outside
		}
		return j
	}
	sure := rule.Confidence
	if sure == 0 {
		sure = 0.95
	}
	switch {
	case j.Conformance >= sure:
		j.Verdict = Within
	case j.Conformance <= 1-sure:
		j.Verdict = Outside
	}
	return j
}
