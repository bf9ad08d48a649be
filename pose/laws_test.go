package pose_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"wheelplane/pose"
)

// turns yields rotation vectors of every length that could make trouble: tiny,
// at the switch of the series, ordinary, and on both sides of a half turn.
func turns(rng *rand.Rand) []pose.Vec {
	lengths := []float64{0, 1e-300, 1e-12, 1e-9, 1e-6, 0.99e-4, 1.01e-4, 0.99e-3, 1.01e-3, 0.01, 0.5, 1, 2, 3,
		math.Pi - 1e-3, math.Pi - 1e-6, math.Pi - 1e-9, math.Pi - 1e-12}
	var out []pose.Vec
	for _, l := range lengths {
		for range 20 {
			out = append(out, pose.Scale(l, direction(rng)))
		}
		for k := range 3 { // along an axis, where components are zero
			var v pose.Vec
			v[k] = l
			out = append(out, v, pose.Scale(-1, v))
		}
	}
	return out
}

func direction(rng *rand.Rand) pose.Vec {
	return pose.Unit(pose.Vec{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()})
}

func random(rng *rand.Rand) pose.SE3 {
	return pose.SE3{R: pose.Exp(pose.Scale(3*rng.Float64(), direction(rng))),
		T: pose.Scale(5*rng.Float64(), direction(rng))}
}

func distance(a, b pose.SE3) float64 {
	return math.Max(rotationDistance(a.R, b.R), pose.Norm(pose.Sub(a.T, b.T)))
}

func rotationDistance(a, b pose.SO3) float64 {
	worst := 0.0
	for i := range 3 {
		for j := range 3 {
			worst = math.Max(worst, math.Abs(a[i][j]-b[i][j]))
		}
	}
	return worst
}

func determinant(r pose.SO3) float64 {
	return pose.Dot(r.Column(0), pose.Cross(r.Column(1), r.Column(2)))
}

func TestRotationIsRotation(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for _, w := range turns(rng) {
		r := pose.Exp(w)
		if d := rotationDistance(r.Mul(r.Transpose()), pose.IdentityRotation()); d > 1e-14 {
			t.Errorf("Exp(%v) is off a rotation by %g", w, d)
		}
		if d := determinant(r); math.Abs(d-1) > 1e-14 {
			t.Errorf("Exp(%v) has determinant %v", w, d)
		}
	}
}

// The exponential of the skew matrix itself, by gonum's general matrix
// exponential (scaling and squaring, Higham 2005), is the independent value.
func TestExpAgainstMatrixExponential(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 1))
	for _, w := range turns(rng) {
		v := pose.Scale(2, direction(rng))
		s := pose.Skew(w)
		twist := mat.NewDense(4, 4, []float64{
			s[0][0], s[0][1], s[0][2], v[0],
			s[1][0], s[1][1], s[1][2], v[1],
			s[2][0], s[2][1], s[2][2], v[2],
			0, 0, 0, 0,
		})
		var want mat.Dense
		want.Exp(twist)
		got := pose.ExpSE3([6]float64{w[0], w[1], w[2], v[0], v[1], v[2]})
		for i := range 3 {
			for j := range 3 {
				if d := math.Abs(got.R[i][j] - want.At(i, j)); d > 1e-13 {
					t.Errorf("twist %v %v: rotation differs by %g", w, v, d)
				}
			}
			if d := math.Abs(got.T[i] - want.At(i, 3)); d > 1e-13 {
				t.Errorf("twist %v %v: translation differs by %g", w, v, d)
			}
		}
		if d := rotationDistance(got.R, pose.Exp(w)); d > 0 {
			t.Errorf("ExpSE3 and Exp differ by %g", d)
		}
	}
}

// gonum's rotation is a unit quaternion.
func TestExpAgainstQuaternion(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 1))
	for _, w := range turns(rng) {
		if pose.Norm(w) < 1e-12 {
			continue // gonum normalises the axis
		}
		q := r3.NewRotation(pose.Norm(w), r3.Vec{X: w[0], Y: w[1], Z: w[2]})
		v := direction(rng)
		want := q.Rotate(r3.Vec{X: v[0], Y: v[1], Z: v[2]})
		got := pose.Exp(w).Apply(v)
		if d := pose.Norm(pose.Sub(got, pose.Vec{want.X, want.Y, want.Z})); d > 1e-14 {
			t.Errorf("turned by %v, %v differs by %g", w, v, d)
		}
		// And back: the vector part of the quaternion's logarithm is half the
		// rotation vector.
		l := quat.Log(quat.Number(q))
		back := pose.Exp(w).Log()
		if d := pose.Norm(pose.Sub(back, pose.Vec{2 * l.Imag, 2 * l.Jmag, 2 * l.Kmag})); d > 1e-13 {
			t.Errorf("logarithm of the turn by %v differs by %g", w, d)
		}
	}
}

func TestLogUndoesExp(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 1))
	for _, w := range turns(rng) {
		// Near a half turn the axis is as good as ever.
		if d := pose.Norm(pose.Sub(pose.Exp(w).Log(), w)); d > 1e-14*pose.Norm(w) {
			t.Errorf("Log(Exp(%v)) is off by %g", w, d)
		}
		// Tiny turns keep their relative precision.
		if n := pose.Norm(w); n > 0 && n < 1e-5 {
			if d := pose.Norm(pose.Sub(pose.Exp(w).Log(), w)); d > 1e-12*n {
				t.Errorf("Log(Exp(%v)) is off by %g of itself", w, d/n)
			}
		}
		xi := [6]float64{w[0], w[1], w[2], rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}
		back := pose.ExpSE3(xi).LogSE3()
		for i := range xi {
			if d := math.Abs(back[i] - xi[i]); d > 1e-12 {
				t.Errorf("LogSE3(ExpSE3(%v)) is off by %g", xi, d)
			}
		}
	}
	// Exactly a half turn: either sense of the axis is right.
	for range 100 {
		w := pose.Scale(math.Pi, direction(rng))
		got := pose.Exp(w).Log()
		d := math.Min(pose.Norm(pose.Sub(got, w)), pose.Norm(pose.Add(got, w)))
		if d > 1e-13 {
			t.Errorf("half turn %v came back as %v", w, got)
		}
	}
	// Beyond a half turn the short way round comes back.
	w := pose.Scale(4, direction(rng))
	if d := pose.Norm(pose.Sub(pose.Exp(w).Log(), pose.Scale(1-2*math.Pi/4, w))); d > 1e-14 {
		t.Errorf("a turn by 4 is off by %g", d)
	}
}

func TestGroupLaws(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 1))
	for range 200 {
		a, b, c := random(rng), random(rng), random(rng)
		p := pose.Scale(3, direction(rng))
		if d := distance(a.Mul(b).Mul(c), a.Mul(b.Mul(c))); d > 1e-14 {
			t.Errorf("(ab)c and a(bc) differ by %g", d)
		}
		if d := distance(a.Mul(a.Inverse()), pose.Identity()); d > 1e-14 {
			t.Errorf("a·a⁻¹ differs from the identity by %g", d)
		}
		if d := distance(a.Inverse().Mul(a), pose.Identity()); d > 1e-14 {
			t.Errorf("a⁻¹·a differs from the identity by %g", d)
		}
		if d := distance(a.Mul(pose.Identity()), a); d != 0 {
			t.Errorf("a·1 differs from a by %g", d)
		}
		if d := distance(a.Mul(b).Inverse(), b.Inverse().Mul(a.Inverse())); d > 1e-14 {
			t.Errorf("(ab)⁻¹ and b⁻¹a⁻¹ differ by %g", d)
		}
		if d := pose.Norm(pose.Sub(a.Mul(b).Apply(p), a.Apply(b.Apply(p)))); d > 1e-14 {
			t.Errorf("(ab)p and a(bp) differ by %g", d)
		}
		// The adjoint of the rotation group: R·exp(w)·Rᵀ = exp(R·w).
		w := pose.Scale(2, direction(rng))
		if d := rotationDistance(a.R.Mul(pose.Exp(w)).Mul(a.R.Transpose()), pose.Exp(a.R.Apply(w))); d > 1e-14 {
			t.Errorf("R·exp(w)·Rᵀ and exp(R·w) differ by %g", d)
		}
	}
}

func TestStepLaws(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 1))
	for range 200 {
		a, b := random(rng), random(rng)
		if d := distance(a.Plus([6]float64{}), a); d > 1e-15 {
			t.Errorf("a step of zero moves by %g", d)
		}
		for _, x := range a.Minus(a) {
			if math.Abs(x) > 1e-15 {
				t.Errorf("a − a is %v", a.Minus(a))
			}
		}
		if d := distance(b.Plus(a.Minus(b)), a); d > 1e-14 {
			t.Errorf("b + (a − b) differs from a by %g", d)
		}
		var step [6]float64
		for i := range step {
			step[i] = 3 * (rng.Float64() - 0.5) // a turn of less than half
		}
		back := a.Plus(step).Minus(a)
		for i := range step {
			if math.Abs(back[i]-step[i]) > 1e-13 {
				t.Errorf("(a + δ) − a is %v, not %v", back, step)
				break
			}
		}
		// What the step means: the turn is about axes of the frame on the left,
		// and the origin of the frame on the right moves by τ and no more.
		moved := a.Plus(step)
		if d := pose.Norm(pose.Sub(moved.Apply(pose.Vec{}), pose.Add(a.Apply(pose.Vec{}), pose.Vec{step[3], step[4], step[5]}))); d > 1e-14 {
			t.Errorf("the origin moved %g too far", d)
		}
		turned := pose.Exp(pose.Vec{step[0], step[1], step[2]}).Mul(a.R)
		if d := rotationDistance(moved.R, turned); d > 1e-14 {
			t.Errorf("the turn is off by %g", d)
		}
	}
}

// Rounding does not pile up over a hundred thousand steps.
func TestStepsStayRotations(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 1))
	a := random(rng)
	for range 100_000 {
		a = a.Plus([6]float64{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64(), 0, 0, 0})
	}
	if d := rotationDistance(a.R.Mul(a.R.Transpose()), pose.IdentityRotation()); d > 5e-15 {
		t.Errorf("off a rotation by %g", d)
	}
}

func TestOrthonormal(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 1))
	for range 100 {
		r := random(rng).R
		bad := r
		for i := range 3 {
			for j := range 3 {
				bad[i][j] += 1e-6 * rng.NormFloat64()
			}
		}
		good := bad.Orthonormal()
		if d := rotationDistance(good.Mul(good.Transpose()), pose.IdentityRotation()); d > 5e-15 {
			t.Errorf("still off a rotation by %g", d)
		}
		if d := rotationDistance(good, r); d > 2e-5 {
			t.Errorf("moved away by %g", d)
		}
	}
}

func TestRotationTo(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 1))
	pairs := [][2]pose.Vec{}
	for range 100 {
		a := direction(rng)
		near := pose.Unit(pose.Add(a, pose.Scale(1e-9, direction(rng))))
		pairs = append(pairs, [2]pose.Vec{a, direction(rng)}, [2]pose.Vec{a, a}, [2]pose.Vec{a, pose.Scale(-1, a)},
			[2]pose.Vec{a, near}, [2]pose.Vec{a, pose.Scale(-1, near)})
	}
	for _, p := range pairs {
		r := pose.RotationTo(p[0], p[1])
		if d := pose.Norm(pose.Sub(r.Apply(p[0]), p[1])); d > 1e-12 {
			t.Errorf("%v goes %g past %v", p[0], d, p[1])
		}
		// The smallest: its angle is that between the two.
		angle := math.Atan2(pose.Norm(pose.Cross(p[0], p[1])), pose.Dot(p[0], p[1]))
		if d := math.Abs(pose.Norm(r.Log()) - angle); d > 1e-9 {
			t.Errorf("the turn from %v to %v is %g longer than the angle between", p[0], p[1], d)
		}
		if s := pose.Perpendicular(p[0]); math.Abs(pose.Dot(s, p[0])) > 1e-15 || math.Abs(pose.Norm(s)-1) > 1e-15 {
			t.Errorf("%v is not a unit vector at right angles to %v", s, p[0])
		}
	}
}

// Right-handed, by hand: a quarter turn about z takes x to y, and so on.
func TestAxesByHand(t *testing.T) {
	x, y, z := pose.Vec{1, 0, 0}, pose.Vec{0, 1, 0}, pose.Vec{0, 0, 1}
	for _, c := range []struct {
		name     string
		r        pose.SO3
		from, to pose.Vec
	}{
		{"x", pose.RotX(math.Pi / 2), y, z},
		{"y", pose.RotY(math.Pi / 2), z, x},
		{"z", pose.RotZ(math.Pi / 2), x, y},
	} {
		if d := pose.Norm(pose.Sub(c.r.Apply(c.from), c.to)); d > 1e-15 {
			t.Errorf("a quarter turn about %s is off by %g", c.name, d)
		}
	}
	if got := pose.FromColumns(y, z, x).Column(1); got != z {
		t.Errorf("the second column is %v", got)
	}
	if got := pose.Unit(pose.Vec{}); got != (pose.Vec{}) {
		t.Errorf("the unit of nothing is %v", got)
	}
}
