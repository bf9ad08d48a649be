package vision

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestHomographyOfPlanes: a homography drawn at random is found again from the
// points it moves; points in a line and too few are refused. The outside check
// of what is built on it is in pose/rig (OpenCV's solvePnP) and calib (OpenCV's
// calibrateCamera).
func TestHomographyOfPlanes(t *testing.T) {
	r := rand.New(rand.NewPCG(21, 22))
	found := 0
	for range 100 {
		want := [3][3]float64{
			{800 + 100*r.NormFloat64(), 100 * r.NormFloat64(), 2000},
			{100 * r.NormFloat64(), -800 + 100*r.NormFloat64(), 1500},
			{0.3 * r.NormFloat64(), 0.3 * r.NormFloat64(), 1},
		}
		var from, to [][2]float64
		for range 4 + r.IntN(20) {
			p := [2]float64{r.Float64() - 0.5, r.Float64() - 0.5}
			var q [3]float64
			for i := range q {
				q[i] = want[i][0]*p[0] + want[i][1]*p[1] + want[i][2]
			}
			from, to = append(from, p), append(to, [2]float64{q[0] / q[2], q[1] / q[2]})
		}
		got, ok := Homography(from, to)
		if !ok {
			continue // four points drawn nearly in a line
		}
		found++
		for i := range got {
			for j := range got[i] {
				if d := got[i][j]/got[2][2] - want[i][j]; math.Abs(d) > 1e-5*(1+math.Abs(want[i][j])) {
					t.Fatalf("element %d, %d is %g, want %g, from %d points", i, j, got[i][j]/got[2][2], want[i][j], len(from))
				}
			}
		}
		if _, ok := Homography(from[:3], to[:3]); ok {
			t.Error("three points fix no homography")
		}
	}
	if found < 95 {
		t.Errorf("only %d of 100 homographies were found", found)
	}
	var line [][2]float64
	for i := range 8 {
		line = append(line, [2]float64{float64(i), 2 * float64(i)})
	}
	if _, ok := Homography(line, line); ok {
		t.Error("points in a line fix no homography")
	}
}

func TestSpread(t *testing.T) {
	centre, rms := Spread([][2]float64{{1, 1}, {3, 1}, {1, 5}, {3, 5}})
	if centre != [2]float64{2, 3} || math.Abs(rms-math.Sqrt(5)) > 1e-15 {
		t.Errorf("centre %v, rms %g; want (2, 3), √5", centre, rms)
	}
}
