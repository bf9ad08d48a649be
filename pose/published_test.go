package pose_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"wheelplane/pose"
)

// Source of this test: the examples in the software that goes with Lynch and
// Park, Modern Robotics, 2017, ch. 3 (github.com/NxRLab/ModernRobotics, commit
// cbd41fd, packages/MATLAB/mr: MatrixExp3, MatrixLog3, MatrixLog6, AxisAng3),
// printed to four decimals.
func TestModernRobotics(t *testing.T) {
	const printed = 0.5e-4 + 1e-12
	r := pose.Exp(pose.Vec{1, 2, 3})
	want := pose.SO3{{-0.6949, 0.7135, 0.0893}, {-0.1920, -0.3038, 0.9332}, {0.6930, 0.6313, 0.3481}}
	if d := rotationDistance(r, want); d > printed {
		t.Errorf("MatrixExp3 is off by %g", d)
	}

	w := pose.SO3{{0, 0, 1}, {1, 0, 0}, {0, 1, 0}}.Log()
	for _, c := range w {
		if math.Abs(c-1.2092) > printed {
			t.Errorf("MatrixLog3 gives %v", w)
		}
	}

	v := pose.Vec{1, 2, 3}
	if n := pose.Norm(v); math.Abs(n-3.7417) > printed {
		t.Errorf("AxisAng3 gives an angle of %v", n)
	}
	for i, c := range []float64{0.2673, 0.5345, 0.8018} {
		if math.Abs(pose.Unit(v)[i]-c) > printed {
			t.Errorf("AxisAng3 gives the axis %v", pose.Unit(v))
		}
	}

	screw := pose.SE3{R: pose.SO3{{1, 0, 0}, {0, 0, -1}, {0, 1, 0}}, T: pose.Vec{0, 0, 3}}
	xi := screw.LogSE3()
	for i, c := range [6]float64{1.5708, 0, 0, 0, 2.3562, 2.3562} {
		if math.Abs(xi[i]-c) > printed {
			t.Errorf("MatrixLog6 gives %v", xi)
			break
		}
	}
	if d := distance(pose.ExpSE3([6]float64{math.Pi / 2, 0, 0, 0, 0.75 * math.Pi, 0.75 * math.Pi}), screw); d > 4e-15 {
		t.Errorf("MatrixExp6 is off by %g", d)
	}
}

// The same book, example 3.26, from memory and recomputed: the screw from one
// planar pose to another turns by 30 degrees about (3.37, 3.37).
func TestPlanarScrew(t *testing.T) {
	b := pose.SE3{R: pose.RotZ(math.Pi / 6), T: pose.Vec{1, 2, 0}}
	c := pose.SE3{R: pose.RotZ(math.Pi / 3), T: pose.Vec{2, 1, 0}}
	xi := c.Mul(b.Inverse()).LogSE3()
	theta := xi[2]
	if math.Abs(theta-math.Pi/6) > 1e-14 || xi[0] != 0 || xi[1] != 0 {
		t.Errorf("the turn is %v", xi[:3])
	}
	// q = ω × v for a unit ω without pitch.
	q := pose.Cross(pose.Vec{0, 0, 1}, pose.Scale(1/theta, pose.Vec{xi[3], xi[4], xi[5]}))
	if math.Abs(q[0]-3.366025) > 1e-6 || math.Abs(q[1]-3.366025) > 1e-6 {
		t.Errorf("the axis passes through %v", q)
	}
}

// Source: Umeyama, IEEE TPAMI 13(4), 1991, the example of a mirrored triangle,
// R printed to three decimals; translation and residual without the scale are
// recomputed. The example is planar. It is lifted to space by two more points
// far above and below the centroid, which hold the plane but do not enter the
// turn in it.
func TestFitUmeyama(t *testing.T) {
	x := []pose.Vec{{0, 0, 0}, {1, 0, 0}, {0, 2, 0}}
	y := []pose.Vec{{0, 0, 0}, {-1, 0, 0}, {0, 2, 0}}
	const third = 1.0 / 3
	for _, z := range []float64{100, -100} {
		x = append(x, pose.Vec{third, 2 * third, z})
		y = append(y, pose.Vec{-third, 2 * third, z})
	}
	fit, err := pose.Fit(y, x)
	if err != nil {
		t.Fatal(err)
	}
	printed := pose.SO3{{0.832, 0.555, 0}, {-0.555, 0.832, 0}, {0, 0, 1}}
	if d := rotationDistance(fit.R, printed); d > 0.5e-3 {
		t.Errorf("R is off by %g:\n%v", d, fit.R)
	}
	if d := pose.Norm(pose.Sub(fit.T, pose.Vec{-0.98048356, 0.29686654, 0})); d > 1e-8 {
		t.Errorf("T is %v", fit.T)
	}
	var sum float64
	for i := range x {
		d := pose.Sub(fit.Apply(x[i]), y[i])
		sum += pose.Dot(d, d)
	}
	if math.Abs(sum-1.85926497) > 1e-8 {
		t.Errorf("the sum of squares is %v", sum)
	}
}

func TestFitRecovers(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 1))
	for _, n := range []int{3, 4, 24} {
		for range 50 {
			aFromB := random(rng)
			var inA, inB []pose.Vec
			for range n {
				p := pose.Vec{rng.NormFloat64(), rng.NormFloat64(), 0} // a board
				inB = append(inB, p)
				inA = append(inA, aFromB.Apply(p))
			}
			fit, err := pose.Fit(inA, inB)
			if err != nil {
				t.Fatal(err)
			}
			if d := distance(fit, aFromB); d > 1e-11 {
				t.Errorf("%d points: off by %g", n, d)
			}
		}
	}
}

// With noise the answer must be a minimum: no small step may lower the sum.
func TestFitIsMinimum(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 1))
	var inA, inB []pose.Vec
	for range 10 {
		p := pose.Scale(2*rng.Float64(), direction(rng))
		inB = append(inB, p)
		inA = append(inA, pose.Add(p, pose.Scale(0.3, direction(rng))))
	}
	sum := func(a pose.SE3) (s float64) {
		for i := range inA {
			d := pose.Sub(a.Apply(inB[i]), inA[i])
			s += pose.Dot(d, d)
		}
		return s
	}
	fit, err := pose.Fit(inA, inB)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 6 {
		for _, h := range []float64{1e-4, -1e-4} {
			var step [6]float64
			step[i] = h
			if sum(fit.Plus(step)) <= sum(fit) {
				t.Errorf("a step of %g along %d lowers the sum", h, i)
			}
		}
	}
}

func TestFitRefuses(t *testing.T) {
	line := []pose.Vec{{0, 0, 0}, {1, 1, 0}, {2, 2, 0}, {5, 5, 0}}
	for name, c := range map[string]struct {
		points []pose.Vec
		want   string
	}{
		"two points": {line[:2], "at least three"},
		"a line":     {line, "on a line"},
		"one place":  {[]pose.Vec{{1, 2, 3}, {1, 2, 3}, {1, 2, 3}}, "on a line"},
		"not finite": {[]pose.Vec{{1, 2, 3}, {math.NaN(), 2, 3}, {1, 0, 3}}, "finite"},
	} {
		if _, err := pose.Fit(c.points, c.points); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
	// A mirrored cube has no best rotation.
	var cube, mirrored []pose.Vec
	for i := range 8 {
		p := pose.Vec{float64(i & 1), float64(i >> 1 & 1), float64(i >> 2)}
		cube = append(cube, p)
		mirrored = append(mirrored, pose.Vec{-p[0], p[1], p[2]})
	}
	if got, err := pose.Fit(mirrored, cube); err == nil {
		t.Errorf("a mirrored cube was fitted by %v", got)
	}
}
