package bundle

import (
	"fmt"
	"math"
)

// jacobianTolerance is what [CheckJacobian] lets pass, as a share of the
// largest entry of a column.
const jacobianTolerance = 1e-6

// CheckJacobian compares the Jacobian of f at x, whose blocks move on m, with
// central differences extrapolated to step zero (Ridders 1982). It is for
// tests: choose a place where residuals are large and no two values are equal.
//
// worst is the largest difference over the largest entry of its column. err
// names the first entry that differs by more than one millionth (or by more
// than the numbers allow to tell), and says so where f is not defined or does
// not obey the rules of [Residual].
func CheckJacobian(f Residual, x [][]float64, m []Manifold, dim int) (worst float64, err error) {
	analytic, jac := newJacobian(m, dim)
	r := make([]float64, dim)
	if !f.Eval(x, r, jac) {
		return 0, fmt.Errorf("the residual is not defined at x")
	}
	if !finite(r) {
		return 0, fmt.Errorf("the residual is not finite at x: %v", r)
	}
	plain := make([]float64, dim)
	if !f.Eval(x, plain, make([][]float64, len(m))) {
		return 0, fmt.Errorf("the residual is not defined at x when no Jacobian is asked for")
	}
	for i := range r {
		if r[i] != plain[i] {
			return 0, fmt.Errorf("row %d is %v with the Jacobian and %v without", i, r[i], plain[i])
		}
	}
	for b := range m {
		// One block alone must give the same, for the others may be constant.
		_, alone := newJacobian(m, dim)
		for i := range alone {
			if i != b {
				alone[i] = nil
			}
		}
		clear(r)
		if !f.Eval(x, r, alone) {
			return 0, fmt.Errorf("the residual is not defined at x when only block %d is free", b)
		}
		for i := range alone[b] {
			if alone[b][i] != analytic[b][i] {
				return 0, fmt.Errorf("the Jacobian of block %d differs when the other blocks are constant", b)
			}
		}
	}

	moved := append([][]float64(nil), x...)
	plus, minus := make([]float64, dim), make([]float64, dim)
	for b, man := range m {
		nd := man.Dim()
		delta := make([]float64, nd)
		to := make([]float64, len(x[b]))
		moved[b] = to
		for c := range nd {
			difference := func(h float64) ([]float64, bool) {
				for _, side := range []struct {
					h   float64
					out []float64
				}{{h, plus}, {-h, minus}} {
					delta[c] = side.h
					man.Plus(x[b], delta, to)
					clear(side.out)
					if !f.Eval(moved, side.out, make([][]float64, len(m))) || !finite(side.out) {
						return nil, false
					}
				}
				delta[c] = 0
				d := make([]float64, dim)
				for i := range d {
					d[i] = (plus[i] - minus[i]) / (2 * h)
				}
				return d, true
			}
			numeric, doubt, ok := ridders(difference, dim)
			delta[c] = 0
			if !ok {
				return worst, fmt.Errorf("the residual is not defined around x along component %d of block %d", c, b)
			}
			largest := 0.0
			for i := range dim {
				largest = max(largest, math.Abs(analytic[b][i*nd+c]), math.Abs(numeric[i]))
			}
			for i := range dim {
				a := analytic[b][i*nd+c]
				off := math.Abs(a - numeric[i])
				if math.IsNaN(off) {
					return math.NaN(), fmt.Errorf("row %d, block %d, component %d: the Jacobian says %v", i, b, c, a)
				}
				if off == 0 {
					continue
				}
				worst = max(worst, off/largest)
				if off > jacobianTolerance*largest+4*doubt[i] && err == nil {
					err = fmt.Errorf("row %d, block %d, component %d: the Jacobian says %.9g, differences say %.9g ± %.1g",
						i, b, c, a, numeric[i], doubt[i])
				}
			}
		}
		moved[b] = x[b]
	}
	return worst, err
}

func newJacobian(m []Manifold, dim int) (values, jac [][]float64) {
	for _, man := range m {
		values = append(values, make([]float64, dim*man.Dim()))
	}
	return values, append([][]float64(nil), values...)
}

// ridders extrapolates a central difference to step zero, row by row, and says
// by how much the two best answers differ. Steps at which the difference is not
// defined are left out.
func ridders(difference func(h float64) ([]float64, bool), dim int) (value, doubt []float64, ok bool) {
	const shrink, orders = 1.6, 7
	var table [][][]float64 // [step][order][row]
	value, doubt = make([]float64, dim), make([]float64, dim)
	for i := range doubt {
		doubt[i] = math.Inf(1)
	}
	h := 0.02
	for range 22 {
		d, defined := difference(h)
		h /= shrink
		if !defined {
			table = nil
			continue
		}
		line := [][]float64{d}
		if len(table) > 0 {
			before := table[len(table)-1]
			factor := 1.0
			for o := 1; o <= min(len(before), orders); o++ {
				factor *= shrink * shrink
				next := make([]float64, dim)
				for i := range next {
					next[i] = line[o-1][i] + (line[o-1][i]-before[o-1][i])/(factor-1)
					e := max(math.Abs(next[i]-line[o-1][i]), math.Abs(next[i]-before[o-1][i]))
					if e < doubt[i] {
						value[i], doubt[i], ok = next[i], e, true
					}
				}
				line = append(line, next)
			}
		}
		table = append(table, line)
	}
	return value, doubt, ok
}
