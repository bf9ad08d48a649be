package bundle

import "math"

// Loss limits what a wrong observation can do. It acts on a group of rows (the
// two of a corner, say) with the squared length s of their whitened residuals;
// a nil Loss is the plain square, ρ(s) = s.
//
// In the linear system the rows of a group are scaled by √ρ'(s). This makes
// the gradient that of ½ρ exactly and leaves the second derivative of ρ out of
// the Hessian (the iteratively reweighted form, which is always positive
// semidefinite).
type Loss interface {
	// Rho returns ρ(s) and ρ'(s); ρ(0) = 0 and ρ'(0) = 1.
	Rho(s float64) (rho, weight float64)
}

// Huber is the square up to |r| = c and grows linearly from there.
// Source: Huber 1964. c = 1.345 keeps 95 % efficiency for one normal row.
func Huber(c float64) Loss { return huber{positive(c)} }

// Cauchy is c² log(1 + s/c²). c = 2.385 keeps 95 % efficiency for one normal
// row.
func Cauchy(c float64) Loss { return cauchy{positive(c)} }

// Tukey is the biweight: an observation beyond |r| = c has no pull at all, so
// the start must be good. c = 4.685 keeps 95 % efficiency for one normal row.
// Source: Beaton and Tukey 1974.
func Tukey(c float64) Loss { return tukey{positive(c)} }

func positive(c float64) float64 {
	if !(c > 0) || math.IsInf(c, 1) {
		panic("bundle: the width of a loss must be positive and finite")
	}
	return c
}

type huber struct{ c float64 }

func (l huber) Rho(s float64) (rho, weight float64) {
	if s <= l.c*l.c {
		return s, 1
	}
	r := math.Sqrt(s)
	return 2*l.c*r - l.c*l.c, l.c / r
}

type cauchy struct{ c float64 }

func (l cauchy) Rho(s float64) (rho, weight float64) {
	c2 := l.c * l.c
	return c2 * math.Log1p(s/c2), 1 / (1 + s/c2)
}

type tukey struct{ c float64 }

func (l tukey) Rho(s float64) (rho, weight float64) {
	c2 := l.c * l.c
	if s >= c2 {
		return c2 / 3, 0
	}
	u := 1 - s/c2
	return c2 / 3 * (1 - u*u*u), u * u
}
