package pose

import "math"

// SE3 is a rigid transform aFromB: xInA = R·xInB + T.
type SE3 struct {
	R SO3
	T Vec
}

// Identity changes nothing.
func Identity() SE3 { return SE3{R: IdentityRotation()} }

// Mul returns aFromB·bFromC = aFromC.
func (a SE3) Mul(b SE3) SE3 { return SE3{a.R.Mul(b.R), Add(a.R.Apply(b.T), a.T)} }

// Inverse returns bFromA of aFromB.
func (a SE3) Inverse() SE3 {
	rt := a.R.Transpose()
	return SE3{rt, Scale(-1, rt.Apply(a.T))}
}

// Apply takes a point in b to a.
func (a SE3) Apply(p Vec) Vec { return Add(a.R.Apply(p), a.T) }

// Plus returns the transform changed by δ = (ω, τ): R → exp(ω)·R, T → T + τ.
func (a SE3) Plus(d [6]float64) SE3 {
	return SE3{Exp(Vec{d[0], d[1], d[2]}).Mul(a.R).Orthonormal(), Add(a.T, Vec{d[3], d[4], d[5]})}
}

// Minus returns the δ with b.Plus(δ) = a.
func (a SE3) Minus(b SE3) [6]float64 {
	w := a.R.Mul(b.R.Transpose()).Log()
	t := Sub(a.T, b.T)
	return [6]float64{w[0], w[1], w[2], t[0], t[1], t[2]}
}

// ExpSE3 is the exponential map of the twist (ω, v): the screw motion after
// unit time (Lynch and Park, Modern Robotics, 3.3.3). It is not the step of
// [SE3.Plus].
func ExpSE3(xi [6]float64) SE3 {
	w, v := Vec{xi[0], xi[1], xi[2]}, Vec{xi[3], xi[4], xi[5]}
	t2 := Dot(w, w)
	t := math.Sqrt(t2)
	var b, c float64 // (1 − cos t)/t², (t − sin t)/t³
	if t < 1e-3 {
		b = 0.5 - t2/24*(1-t2/30)
		c = 1.0/6 - t2/120*(1-t2/42)
	} else {
		h := math.Sin(t/2) / t
		b = 2 * h * h
		c = (t - math.Sin(t)) / (t2 * t)
	}
	wv := Cross(w, v)
	return SE3{Exp(w), Add(v, Add(Scale(b, wv), Scale(c, Cross(w, wv))))}
}

// LogSE3 returns the twist (ω, v) with ExpSE3(ω, v) = a and |ω| ≤ π.
func (a SE3) LogSE3() [6]float64 {
	w := a.R.Log()
	t2 := Dot(w, w)
	t := math.Sqrt(t2)
	var d float64 // (1 − (t/2) cot(t/2)) / t²
	if t < 1e-3 {
		d = 1.0/12 + t2/720*(1+t2/42)
	} else {
		d = (1 - t/2/math.Tan(t/2)) / t2
	}
	wt := Cross(w, a.T)
	v := Add(a.T, Add(Scale(-0.5, wt), Scale(d, Cross(w, wt))))
	return [6]float64{w[0], w[1], w[2], v[0], v[1], v[2]}
}
