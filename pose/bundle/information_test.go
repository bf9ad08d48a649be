package bundle

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// scattered is a problem with two shared blocks, four eliminated ones and a
// prior, all linear, of random coefficients.
func scattered(r *rand.Rand) (p *Problem, shared []BlockID, own []BlockID) {
	p = &Problem{}
	for i := range 2 {
		shared = append(shared, p.AddBlock([]string{"a", "b"}[i], make([]float64, 3), Euclidean(3)))
	}
	p.Hold(shared[1], 1)
	random := func(n int) []float64 {
		out := make([]float64, n)
		for i := range out {
			out[i] = r.NormFloat64()
		}
		return out
	}
	p.AddResidual("prior", linearRows{random(2), [][]float64{random(6), random(6)}}, 2, 0, nil, shared...)
	for i := range 4 {
		b := p.AddBlock(string(rune('p'+i)), make([]float64, 2), Euclidean(2))
		p.Eliminate(b)
		own = append(own, b)
		p.AddResidual("seen", linearRows{random(5), [][]float64{random(10), random(15), random(15)}}, 5, 0, nil, b, shared[0], shared[1])
	}
	return p, shared, own
}

// linearRows is r = y + Σ J·x.
type linearRows struct {
	y []float64
	j [][]float64
}

func (l linearRows) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	copy(r, l.y)
	for b, j := range l.j {
		d := len(x[b])
		for i := range r {
			for k := range d {
				r[i] += j[i*d+k] * x[b][k]
			}
		}
		if jac != nil && jac[b] != nil {
			copy(jac[b], j)
		}
	}
	return true
}

// The parts of the information add up to the inverse of the covariance, and a
// problem without some of the eliminated blocks is told by the parts that stay.
func TestInformation(t *testing.T) {
	p, shared, own := scattered(rand.New(rand.NewPCG(4, 1)))
	info, err := p.Information()
	if err != nil {
		t.Fatal(err)
	}
	for without := -1; without < len(own); without++ {
		sum := info.Rest()
		for i, b := range own {
			p.SetConstant(b, false)
			if i == without {
				continue
			}
			cols, h := info.Of(b)
			f := Rows(h) // the same once more, as rows
			var again mat.SymDense
			again.SymOuterK(1, f.T())
			for i, a := range cols {
				for k := i; k < len(cols); k++ {
					sum.SetSym(int(a), int(cols[k]), sum.At(int(a), int(cols[k]))+h.At(i, k))
					if d := math.Abs(again.At(i, k) - h.At(i, k)); d > 1e-10*h.At(i, i) {
						t.Errorf("rows give %g at %d, %d, want %g", again.At(i, k), i, k, h.At(i, k))
					}
				}
			}
		}
		var chol mat.Cholesky
		if !chol.Factorize(sum) {
			t.Fatal("not positive definite")
		}
		var c mat.SymDense
		if err := chol.InverseTo(&c); err != nil {
			t.Fatal(err)
		}
		q, shared2, own2 := scattered(rand.New(rand.NewPCG(4, 1)))
		if without >= 0 {
			for id := range q.residuals {
				for _, b := range q.residuals[id].blocks {
					if b == own2[without] {
						q.Deactivate(ResidualID(id))
					}
				}
			}
			q.SetConstant(own2[without], true)
		}
		cov, err := q.Covariance()
		if err != nil {
			t.Fatal(err)
		}
		want, got := cov.Joint(shared2), info.At(&c).Joint(shared)
		for i := range 6 {
			for k := range 6 {
				if math.Abs(want.At(i, k)-got.At(i, k)) > 1e-10*want.At(0, 0) {
					t.Errorf("without %d: covariance %g at %d, %d, want %g", without, got.At(i, k), i, k, want.At(i, k))
				}
			}
		}
	}
}

// A block's information with its residuals weighed is that of a problem whose rows are
// multiplied by the root of the weights.
func TestWeighed(t *testing.T) {
	p, _, own := scattered(rand.New(rand.NewPCG(4, 1)))
	more := func(p *Problem, b BlockID, size float64) {
		r := rand.New(rand.NewPCG(7, 1))
		random := func(n int) []float64 {
			out := make([]float64, n)
			for i := range out {
				out[i] = size * r.NormFloat64()
			}
			return out
		}
		p.AddResidual("again", linearRows{random(5), [][]float64{random(10), random(15)}}, 5, 0, nil, b, 1)
	}
	more(p, own[2], 1)
	info, err := p.Information()
	if err != nil {
		t.Fatal(err)
	}
	last := ResidualID(len(p.residuals) - 1)
	weight := func(id ResidualID) float64 {
		if id == last {
			return 0.64
		}
		return 1
	}
	q, _, own2 := scattered(rand.New(rand.NewPCG(4, 1)))
	more(q, own2[2], 0.8)
	want, err := q.Information()
	if err != nil {
		t.Fatal(err)
	}
	for i, b := range own {
		cols, h, ok := info.Weighed(b, weight)
		wantCols, w := want.Of(own2[i])
		if !ok || len(cols) != len(wantCols) {
			t.Fatalf("%d columns, %v, want %d", len(cols), ok, len(wantCols))
		}
		for a := range cols {
			for c := a; c < len(cols); c++ {
				if math.Abs(h.At(a, c)-w.At(a, c)) > 1e-10*w.At(a, a) {
					t.Errorf("block %d: %g at %d, %d, want %g", i, h.At(a, c), a, c, w.At(a, c))
				}
			}
		}
	}
}

// Shares by row against the dense law of propagation with the Jacobian of all
// columns at once (JCGM 100:2008, 5.1.2), nothing eliminated.
func TestShares(t *testing.T) {
	p, shared, _ := scattered(rand.New(rand.NewPCG(9, 2)))
	cov, err := p.Covariance()
	if err != nil {
		t.Fatal(err)
	}
	// Sources: the prior, odd rows, even rows.
	of := func(id ResidualID, row int) int {
		if id == 0 {
			return 0
		}
		return 1 + row%2
	}
	got, err := cov.Shares(3, of)
	if err != nil {
		t.Fatal(err)
	}
	j := jacobian(p)
	rows, cols := j.Dims()
	var h mat.SymDense
	h.SymOuterK(1, j.T())
	var chol mat.Cholesky
	chol.Factorize(&h)
	var c mat.SymDense
	if err := chol.InverseTo(&c); err != nil {
		t.Fatal(err)
	}
	total := cov.Joint(shared)
	sum := mat.NewDense(6, 6, nil)
	for s := range 3 {
		part := mat.NewDense(rows, cols, nil)
		at := 0
		for id := range p.residuals {
			for row := range p.residuals[id].dim {
				if of(ResidualID(id), row) == s {
					part.SetRow(at, mat.Row(nil, at, j))
				}
				at++
			}
		}
		var jc, want mat.Dense
		jc.Mul(part, &c)
		want.Mul(jc.T(), &jc)
		have := got[s].Joint(shared)
		sum.Add(sum, have)
		dense := []int{0, 1, 2, 3, -1, 4} // b's second component is held
		for i, a := range dense {
			for k, b := range dense {
				w := 0.0
				if a >= 0 && b >= 0 {
					w = want.At(a, b)
				}
				if math.Abs(have.At(i, k)-w) > 1e-10*total.At(0, 0) {
					t.Errorf("source %d: %g at %d, %d, want %g", s, have.At(i, k), i, k, w)
				}
			}
		}
	}
	for i := range 6 {
		for k := range 6 {
			if math.Abs(sum.At(i, k)-total.At(i, k)) > 1e-10*total.At(0, 0) {
				t.Errorf("shares add up to %g at %d, %d, want %g", sum.At(i, k), i, k, total.At(i, k))
			}
		}
	}
	if _, err := cov.Shares(1, func(ResidualID, int) int { return 1 }); err == nil {
		t.Error("a source that does not exist was taken")
	}
}
