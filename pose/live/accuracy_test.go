package live_test

import (
	"math"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose/align"
	"wheelplane/pose/live"
)

// Over drawn vehicles, clamps, floors, cameras and their places, adjustments and
// noise, the readings' errors are as stated: their squares over u² have mean 1.
func TestErrorsAreAsStated(t *testing.T) {
	runs := 8
	if *accuracy {
		runs = 150
	}
	scenes := []struct {
		name string
		axle int
		side align.Side
	}{{"yard-truck", 1, align.Left}, {"harbour-car", 2, align.Right}, {"island-bus", 1, align.Right}, {"yard-truck", 3, align.Left}, {"harbour-car", 1, align.Left}}
	for _, untouched := range []bool{false, true} {
		sum, n := 0.0, 0.0
		var toe []float64
		for run := range runs {
			s := scenes[run%len(scenes)]
			b := newBay(t, s.name, s.axle, s.side, uint64(run+1), live.Options{Untouched: untouched})
			b.w.Turns = []fixtures.Turn{{From: 1, To: 1.6, Left: 0.004 * float64(run%7-3), Right: 0.003 * float64(run%5-2)}}
			m := b.run(0, 72, 0.03, uint64(run+1))
			if m.State != live.Settled || len(m.Readings) < 2 {
				t.Errorf("%s, seed %d: %s: %v", s.name, run+1, m.Say, m.Readings)
				continue
			}
			for i, e := range b.errors(t, m) {
				if m.Readings[i].Quantity == align.Toe {
					toe = append(toe, m.Readings[i].U*180/math.Pi)
				}
				if math.Abs(e) > 4 {
					t.Errorf("%s, seed %d: %s is off by %.1f u", s.name, run+1, m.Readings[i].Quantity, e)
				}
				sum += e * e
				n++
			}
		}
		least, most := 0.3, 2.2 // of some two dozen
		if *accuracy {
			least, most = 0.7, 1.3
		}
		ms := sum / n
		t.Logf("untouched %t: mean square of %g readings %.2f; u of toe %.4f degrees in the middle", untouched, n, ms, middle(toe))
		if ms < least || ms > most {
			t.Errorf("untouched %t: mean square of %g readings %.2f", untouched, n, ms)
		}
	}
}

// From run to run with fresh noise, all else being equal, settled readings scatter by
// the part of their uncertainty that is stated to be noise.
func TestNoiseIsAsStated(t *testing.T) {
	b := newBay(t, "yard-truck", 1, align.Left, 3, live.Options{})
	const runs = 60
	var values [2][]float64
	var stated [2]float64
	for run := range runs {
		b.again(t, live.Options{})
		m := b.run(0, 20, 0.03, uint64(1000+run))
		for i := range values {
			values[i] = append(values[i], m.Readings[i].Value)
			stated[i] += m.Readings[i].UNoise / runs
		}
	}
	for i, v := range values {
		if r := spread(v) / stated[i]; r < 0.75 || r > 1.25 {
			t.Errorf("reading %d scatters by %.2f of what is stated", i, r)
		} else {
			t.Logf("reading %d scatters by %.2f of %.5f degrees", i, r, stated[i]*180/math.Pi)
		}
	}
}

func spread(v []float64) float64 {
	mean, sum := 0.0, 0.0
	for _, x := range v {
		mean += x / float64(len(v))
	}
	for _, x := range v {
		sum += (x - mean) * (x - mean)
	}
	return math.Sqrt(sum / float64(len(v)-1))
}

func middle(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	best := v[0]
	for _, x := range v {
		below := 0
		for _, y := range v {
			if y < x {
				below++
			}
		}
		if below == len(v)/2 {
			best = x
		}
	}
	return best
}
