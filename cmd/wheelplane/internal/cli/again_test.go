package cli

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"wheelplane/pose/rig"
)

// Two estimates of the same data: all of it weighed rightly, and all of it with
// equal weights. Their difference must keep to what is allowed as often as a
// normal distribution keeps within two of its standard deviations, 95.4 %
// (NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.1).
func TestAllowedDifference(t *testing.T) {
	sd := []float64{1, 1, 4, 4}
	best, plain := 0.0, 0.0 // variances
	for _, s := range sd {
		best += 1 / (s * s)
		plain += s * s / 16
	}
	best = 1 / best
	r := rand.New(rand.NewPCG(7, 1))
	within, n := 0, 20000
	for range n {
		a, b := 0.0, 0.0
		for _, s := range sd {
			x := s * r.NormFloat64()
			a += x / (s * s) * best
			b += x / 4
		}
		if math.Abs(a-b) <= allowed(math.Sqrt(best), math.Sqrt(plain), true) {
			within++
		}
	}
	if share := float64(within) / float64(n); math.Abs(share-0.9545) > 0.006 {
		t.Errorf("%.4f of differences are within what is allowed, want 0.9545", share)
	}
	// GUM, JCGM 100:2008, 5.1.2: variances of independent measurements add.
	if got := allowed(3, 4, false); got != 10 {
		t.Errorf("of different photographs %g is allowed, want 10", got)
	}
	if got := allowed(0.3, 0.3, true); math.Abs(got-0.1) > 1e-12 {
		t.Errorf("of equal uncertainties %g is allowed, want a third of 0.3", got)
	}
}

// What is only in one of two results counts as different.
func TestRepeatTellsWhatIsMissing(t *testing.T) {
	a := rig.Reading{Epoch: "as found", Quantity: "toe", Axle: 1, Side: "left", Value: 0.1, U: 0.01, Unit: "deg"}
	b, c := a, a
	b.Axle, c.Axle = 2, 3
	near := a
	near.Value += 0.002
	r := repeat(&rig.Result{Readings: []rig.Reading{a, b}}, &rig.Result{Readings: []rig.Reading{near, c}})
	if len(r.Readings) != 3 || r.More != 2 || r.Readings[0].More || r.verdict("d") == nil {
		t.Errorf("got %+v", r)
	}
	text := r.text(&rig.Job{Vehicle: rig.Vehicle{Axles: []rig.Axle{{Name: "front"}}}})
	if want := "axle 3"; !strings.Contains(text, want) {
		t.Errorf("axles that job.yaml no longer has are not told: %s", text)
	}
}
