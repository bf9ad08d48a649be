package plan

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// Quadratic regression on [−1, 1] has a known A-optimal design for its three
// coefficients: a quarter of the observations at −1, half at 0, a quarter at 1
// (Pukelsheim, Optimal Design of Experiments, 1993, from memory; with weight w at
// ±1 the trace of M⁻¹ is 1/(w(1 − 2w)), least at w = 1/4). The engine, given as
// many observations as it likes of 21 places, is to find it.
func TestChoosesTextbookRegression(t *testing.T) {
	const n, copies = 80, 60
	e := &engine{o: Options{Wanted: 1e-9}}
	var at []float64
	for k := range 21 {
		x := -1 + float64(k)/10
		for range copies {
			at = append(at, x)
			e.cols = append(e.cols, []int32{0, 1, 2})
			e.rows = append(e.rows, mat.NewDense(1, 3, []float64{1, x, x * x}))
			e.bound = append(e.bound, math.Inf(1))
		}
	}
	e.c = mat.NewSymDense(3, []float64{100, 0, 0, 0, 100, 0, 0, 0, 100})
	e.g = mat.NewDense(3, 3, []float64{1, 0, 0, 0, 1, 0, 0, 0, 1})
	e.q = mat.DenseCopyOf(e.g)
	e.q.Mul(e.g, e.c)
	for range n {
		k, _ := e.best()
		e.add(k)
	}
	count := map[float64]int{}
	for _, k := range e.chosen {
		count[math.Round(at[k]*10)/10]++
	}
	for x, want := range map[float64]int{-1: n / 4, 0: n / 2, 1: n / 4} {
		if c := count[x]; c < want-3 || c > want+3 {
			t.Errorf("%d of %d observations at %g, want about %d (all: %v)", c, n, x, want, count)
		}
	}
	// The covariance after all these updates is that of the sum.
	h := mat.NewSymDense(3, []float64{0.01, 0, 0, 0, 0.01, 0, 0, 0, 0.01})
	for _, k := range e.chosen {
		h.SymRankOne(h, 1, e.rows[k].RowView(0))
	}
	var chol mat.Cholesky
	chol.Factorize(h)
	var want mat.SymDense
	if err := chol.InverseTo(&want); err != nil {
		t.Fatal(err)
	}
	if !mat.EqualApprox(e.c, &want, 1e-10) {
		t.Errorf("covariance %v, want %v", mat.Formatted(e.c), mat.Formatted(&want))
	}
	e.update(e.chosen[0], -1)
	h.SymRankOne(h, -1, e.rows[e.chosen[0]].RowView(0))
	chol.Factorize(h)
	if err := chol.InverseTo(&want); err != nil {
		t.Fatal(err)
	}
	if !mat.EqualApprox(e.c, &want, 1e-10) {
		t.Error("taking an observation out does not give the covariance without it")
	}
}

// A point in the plane is fixed by distances from known points all round. Each adds
// a unit to the trace of its information, in the direction of the known point, so
// that n of them leave a trace of the covariance of 4/n and a determinant of (2/n)²
// at the least, reached where the directions balance: two at right angles, three at
// 60 or 120 degrees (D. Moreno-Salinas, A. Pascoal, J. Aranda, Optimal sensor
// placement ... with range-only measurements, Sensors 13(8), 10674, 2013: for one
// target the best information is n/2σ² times the unit matrix; from memory). The
// engine is to choose such a network, A- and D-optimal at once.
func TestChoosesTextbookNetwork(t *testing.T) {
	const places, vague = 72, 1e3 // around the circle; m
	e := &engine{o: Options{Wanted: 1e-9}}
	for k := range places {
		sin, cos := math.Sincos(2 * math.Pi * float64(k) / places)
		e.cols = append(e.cols, []int32{0, 1})
		e.rows = append(e.rows, mat.NewDense(1, 2, []float64{cos, sin}))
		e.bound = append(e.bound, math.Inf(1))
	}
	e.c = mat.NewSymDense(2, []float64{vague * vague, 0, 0, vague * vague})
	e.g = mat.NewDense(2, 2, []float64{1, 0, 0, 1})
	e.q = mat.DenseCopyOf(e.g)
	e.q.Mul(e.g, e.c)
	for n := 1; n <= 12; n++ {
		k, _ := e.best()
		e.add(k)
		trace, det := mat.Trace(e.c), mat.Det(e.c)
		best := float64(n)
		if n%2 == 0 && (math.Abs(trace/(4/best)-1) > 1e-3 || math.Abs(det/(4/best/best)-1) > 1e-3) {
			t.Errorf("%d distances: trace %.4f, determinant %.4f; %.4f and %.4f are the best", n, trace, det, 4/best, 4/best/best)
		}
		// One more than an even number cannot be balanced by adding alone.
		if n > 2 && trace > 1.13*4/best {
			t.Errorf("%d distances: trace %.4f, %.4f is the best", n, trace, 4/best)
		}
	}
}
