package live

import "math"

// vec6 is a step (ω, τ) of a transform, sym6 a symmetric matrix of such, all of
// it kept.
type (
	vec6 [6]float64
	sym6 [6][6]float64
)

func (a *sym6) add(k float64, b *sym6) {
	for i := range a {
		for j := range a[i] {
			a[i][j] += k * b[i][j]
		}
	}
}

func (a *sym6) scale(k float64) {
	for i := range a {
		for j := range a[i] {
			a[i][j] *= k
		}
	}
}

func (a *sym6) times(v vec6) (out vec6) {
	for i := range a {
		for j := range v {
			out[i] += a[i][j] * v[j]
		}
	}
	return out
}

func (a *sym6) mul(b *sym6) (out sym6) {
	for i := range a {
		for j := range b {
			for k := range b {
				out[i][j] += a[i][k] * b[k][j]
			}
		}
	}
	return out
}

// inverse is by Cholesky's method, scaled to a unit diagonal. ok is false where a
// is not positive definite.
func (a *sym6) inverse() (inv sym6, ok bool) {
	var s [6]float64
	for i := range s {
		if !(a[i][i] > 0) {
			return inv, false
		}
		s[i] = 1 / math.Sqrt(a[i][i])
	}
	var l, li sym6
	for i := range l {
		for j := range i + 1 {
			v := a[i][j] * s[i] * s[j]
			for k := range j {
				v -= l[i][k] * l[j][k]
			}
			if i == j {
				if !(v > 1e-14) {
					return inv, false
				}
				l[i][i] = math.Sqrt(v)
			} else {
				l[i][j] = v / l[j][j]
			}
		}
	}
	for j := range li {
		for i := j; i < 6; i++ {
			v := 0.0
			if i == j {
				v = 1
			}
			for k := j; k < i; k++ {
				v -= l[i][k] * li[k][j]
			}
			li[i][j] = v / l[i][i]
		}
	}
	for i := range inv {
		for j := range i + 1 {
			v := 0.0
			for k := i; k < 6; k++ {
				v += li[k][i] * li[k][j]
			}
			v *= s[i] * s[j]
			inv[i][j], inv[j][i] = v, v
		}
	}
	return inv, true
}

// square is vᵀ·cov⁻¹·v; infinite where cov is no covariance.
func square(v vec6, cov *sym6) float64 {
	inv, ok := cov.inverse()
	if !ok {
		return math.Inf(1)
	}
	w := inv.times(v)
	sum := 0.0
	for i := range v {
		sum += v[i] * w[i]
	}
	return sum
}

func (v vec6) minus(w vec6) vec6 {
	for i := range v {
		v[i] -= w[i]
	}
	return v
}
