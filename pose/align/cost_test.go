package align_test

import (
	"math"
	"testing"

	"wheelplane/pose/align"
)

const inch = 0.0254

// TestToeDistance holds the conversion against published pairs and common
// practice.
func TestToeConversions(t *testing.T) {
	for _, c := range []struct {
		distance, diameter float64 // m
		deg, tolerance     float64
		source             string
	}{
		{inch / 16, 39 * inch, 0.0918, 0.00005, "common practice, no source: a 39 in front tyre and wheel"},
		{1.5e-3, 1, 0.0859, 0.00005, "1.5 mm/m, the metric form of TMC RP 642A's steer axle target as reproduced in a truck tyre service manual"},
		{inch / 16, 1.13696, 0.08, 0.00005, "the same table's +1/16 in = 0.08 deg, which implies 1137 mm"},
		{3.2e-3, 0.55003, 20.0 / 60, 0.0005, "a 2005 small car's service manual: 0 deg 20 min is 3.2 mm, which implies 550 mm"},
	} {
		if got := align.ToeFromDistance(c.distance, c.diameter) / degree; math.Abs(got-c.deg) > c.tolerance {
			t.Errorf("%s: %.5f deg, want %.4f", c.source, got, c.deg)
		}
		if back := align.ToeDistance(align.ToeFromDistance(c.distance, c.diameter), c.diameter); math.Abs(back-c.distance) > 1e-12 {
			t.Errorf("%s: %g m comes back as %g", c.source, c.distance, back)
		}
	}
	if !math.IsNaN(align.ToeFromDistance(1.1, 1)) {
		t.Error("a distance above the diameter has no angle")
	}
	// Differences between an axle's ends: 1/8 in over 1820, 2000 and 2400 mm (the
	// limits are TMC's for truck tandems, at second hand; plane trigonometry).
	for apart, deg := range map[float64]float64{1.820: 0.099953, 2.000: 0.090957, 2.400: 0.075797} {
		if got := align.AngleFromEnds(inch/8, apart) / degree; math.Abs(got-deg) > 1e-6 {
			t.Errorf("1/8 in over %g m: %.6f deg, want %.6f", apart, got, deg)
		}
	}
}

// TestSidewaysPublished: what tyre makers and manuals say a wrong toe drags a
// tyre sideways.
func TestSidewaysPublished(t *testing.T) {
	for _, c := range []struct {
		toe, diameter float64 // m; the diameter the figures imply, or as said
		feetPerMile   float64
		tolerance     float64
		source        string
	}{
		{inch / 32, 1.19743, 3.5, 0.01, "truck-tyre maker's maintenance page: 1/32 in is almost 3.5 ft a mile; on one wheel it implies 1197 mm"},
		{inch / 64, 0.598714, 3.5, 0.01, "the same shared by two wheels"},
		{0.17 * inch, 30 * inch, 68.0 / 12000 * align.FeetPerMile, 0.01, "general car-repair article: 0.17 in is 68 miles in 12 000; implies 30 in"},
	} {
		got := align.FeetPerMile * align.SidewaysPerWay(align.ToeFromDistance(c.toe, c.diameter))
		if math.Abs(got-c.feetPerMile) > c.tolerance {
			t.Errorf("%s: %.3f ft a mile, want %.3f", c.source, got, c.feetPerMile)
		}
	}
	// 16 ft a mile, the limit of a scuff gauge (trailer operator's manual), and 5
	// mm a metre of a side-slip tester (light-truck service manual).
	for deg, per := range map[float64]float64{0.173624: 16.0 / 5280, 0.28648: 5e-3} {
		if got := align.SidewaysPerWay(deg * degree); math.Abs(got-per) > 1e-7 {
			t.Errorf("%g deg: %g, want %g", deg, got, per)
		}
	}
}

// TestSlips: where each wheel points when the vehicle drives straight.
func TestSlips(t *testing.T) {
	s := known(truck(0.2*degree, 0, 0.3*degree, -0.1*degree), 1e-4)
	set, err := s.Readings()
	if err != nil {
		t.Fatal(err)
	}
	slips := align.Slips(set, s.Steered)
	if len(slips) != 6 {
		t.Fatalf("%d wheels", len(slips))
	}
	for _, x := range slips {
		var want, u float64
		switch {
		case x.Axle == 1 && x.Side == align.Left: // half the total toe of 0.2, inward is right
			want, u = -0.1, 1e-4*math.Sqrt(0.5)
		case x.Axle == 1:
			want, u = 0.1, 1e-4*math.Sqrt(0.5)
		case x.Axle == 2: // the vehicle goes between its axles' headings
			want, u = 0.1, 1e-4*math.Sqrt(0.75)
		default:
			want, u = -0.1, 1e-4*math.Sqrt(0.75)
		}
		if math.Abs(x.Angle/degree-want) > 1e-4 || math.Abs(x.U-u) > 0.01*u {
			t.Errorf("axle %d %s: %.5f deg ± %.3g, want %.5f ± %.3g", x.Axle, x.Side, x.Angle/degree, x.U, want, u)
		}
		way, _ := x.PerKilometre()
		if math.Abs(way-1000*math.Tan(want*degree)) > 1e-3 {
			t.Errorf("axle %d %s: %.3f m/km", x.Axle, x.Side, way)
		}
	}
}
