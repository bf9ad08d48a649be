package live_test

import (
	"math"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose/align"
	"wheelplane/pose/live"
	"wheelplane/vision"
)

// In rendered frames with fresh noise, tracked, settled readings scatter from run to
// run by what is stated to be noise, and lie as near to the truth as stated.
func TestRendered(t *testing.T) {
	runs, frames := 4, 12
	if *accuracy {
		runs, frames = 40, 30
	}
	b := newBay(t, "yard-truck", 1, align.Left, 3, live.Options{})
	var values [2][]float64
	var stated [2]float64
	reel := b.w.NewReel(fixtures.WebcamOptics(), 1)
	for run := range runs {
		b.again(t, live.Options{})
		reel.Again(uint64(run + 1))
		tr, err := vision.NewTracker(b.w.Boards(), vision.DetectOptions{Camera: b.watch.Lens(0)})
		if err != nil {
			t.Fatal(err)
		}
		var m live.Moment
		for k := range frames {
			seen, err := tr.Track(reel.Frame(k))
			if err != nil {
				t.Fatal(err)
			}
			m = b.watch.Step(0, b.w.Time(k), seen.Views)
		}
		if m.State != live.Settled {
			t.Fatalf("run %d: %s", run, m.Say)
		}
		b.near(t, "rendered", m)
		for i := range values {
			values[i] = append(values[i], m.Readings[i].Value)
			stated[i] += m.Readings[i].UNoise / float64(runs)
		}
		if run == 0 {
			t.Logf("u %.4f and %.4f degrees, noise %.5f and %.5f", m.Readings[0].U*180/math.Pi, m.Readings[1].U*180/math.Pi, m.Readings[0].UNoise*180/math.Pi, m.Readings[1].UNoise*180/math.Pi)
		}
	}
	sum := 0.0
	for i, v := range values {
		r := spread(v) / stated[i]
		t.Logf("%s scatters by %.2f of %.5f degrees", []string{"camber", "toe"}[i], r, stated[i]*180/math.Pi)
		sum += r * r / 2
	}
	least, most := 0.45, 1.6
	if *accuracy {
		least, most = 0.8, 1.2
	}
	if r := math.Sqrt(sum); r < least || r > most {
		t.Errorf("readings scatter by %.2f of what is stated", r)
	}
}
