package bundle

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// The Jacobians of the invented network itself, away from the answer.
func TestJacobiansOfNetwork(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	n := newNetwork(networkOptions{photos: 2, views: 2, boards: 2, stations: 2, seed: 5, start: 0.1})
	for id := range n.p.residuals {
		res := &n.p.residuals[id]
		var x [][]float64
		var m []Manifold
		for _, b := range res.blocks {
			bl := &n.p.blocks[b]
			delta := make([]float64, bl.dim)
			for i := range delta {
				delta[i] = 0.1 * rng.NormFloat64()
			}
			v := make([]float64, len(bl.x))
			bl.manifold.Plus(bl.x, delta, v)
			x, m = append(x, v), append(m, bl.manifold)
		}
		if worst, err := CheckJacobian(res.f, x, m, res.dim); err != nil {
			t.Errorf("%s: %v (worst %.2g)", res.name, err, worst)
		}
	}
}

// bent is a residual with two blocks and a Jacobian that can be made wrong in
// many ways.
type bent struct {
	spoil func(x [][]float64, r []float64, jac [][]float64) bool
}

func (b *bent) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	u, v, w := x[0][0], x[0][1], x[1][0]
	r[0] = math.Sin(u) * v
	r[1] = u*w*w + 3*v
	r[2] = math.Exp(w) * 1e3
	if jac[0] != nil {
		copy(jac[0], []float64{math.Cos(u) * v, math.Sin(u), w * w, 3, 0, 0})
	}
	if jac[1] != nil {
		copy(jac[1], []float64{0, 2 * u * w, math.Exp(w) * 1e3})
	}
	if b.spoil != nil {
		return b.spoil(x, r, jac)
	}
	return true
}

func TestCheckJacobian(t *testing.T) {
	x := [][]float64{{0.7, 1.9}, {-1.3}}
	m := []Manifold{Euclidean(2), Euclidean(1)}
	if worst, err := CheckJacobian(&bent{}, x, m, 3); err != nil || worst > 1e-9 {
		t.Errorf("a right Jacobian is off by %g: %v", worst, err)
	}
	for name, c := range map[string]struct {
		spoil func(x [][]float64, r []float64, jac [][]float64) bool
		want  string
	}{
		"an entry off by a hundred-thousandth": {func(_ [][]float64, _ []float64, jac [][]float64) bool {
			if jac[0] != nil {
				jac[0][3] *= 1 + 1e-5
			}
			return true
		}, "row 1, block 0, component 1"},
		"a sign": {func(_ [][]float64, _ []float64, jac [][]float64) bool {
			if jac[0] != nil {
				jac[0][0] *= -1
			}
			return true
		}, "row 0, block 0, component 0"},
		"an entry forgotten": {func(_ [][]float64, _ []float64, jac [][]float64) bool {
			if jac[1] != nil {
				jac[1][1] = 0
			}
			return true
		}, "row 1, block 1, component 0"},
		"an entry too many": {func(_ [][]float64, _ []float64, jac [][]float64) bool {
			if jac[0] != nil {
				jac[0][4] = 1e-3
			}
			return true
		}, "row 2, block 0, component 0"},
		"not a number": {func(_ [][]float64, _ []float64, jac [][]float64) bool {
			if jac[1] != nil {
				jac[1][2] = math.NaN()
			}
			return true
		}, ""},
		"rows that depend on whether a Jacobian is asked for": {func(_ [][]float64, r []float64, jac [][]float64) bool {
			if jac[0] == nil && jac[1] == nil {
				r[2]++
			}
			return true
		}, "with the Jacobian"},
		"a block that needs another": {func(_ [][]float64, _ []float64, jac [][]float64) bool {
			if jac[0] == nil && jac[1] != nil {
				clear(jac[1])
			}
			return true
		}, "block 1 differs when the other blocks are constant"},
		"never defined": {func([][]float64, []float64, [][]float64) bool { return false }, "not defined at x"},
		"defined in one place": {func(y [][]float64, _ []float64, _ [][]float64) bool { return y[1][0] == x[1][0] },
			"not defined around x along component 0 of block 1"},
	} {
		if _, err := CheckJacobian(&bent{c.spoil}, x, m, 3); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
	// The edge of where it is defined may be near.
	near := &bent{func(y [][]float64, _ []float64, _ [][]float64) bool { return y[1][0] < x[1][0]+1e-3 }}
	if _, err := CheckJacobian(near, x, m, 3); err != nil {
		t.Errorf("near an edge: %v", err)
	}
}
