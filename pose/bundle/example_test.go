package bundle_test

import (
	"context"
	"fmt"
	"math"

	"wheelplane/pose/bundle"
)

// A reading of a straight line y = a + b·x, of standard uncertainty u.
type reading struct{ x, y, u float64 }

func (o reading) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	line := x[0]
	r[0] = (line[0] + line[1]*o.x - o.y) / o.u
	if jac[0] != nil {
		jac[0][0] = 1 / o.u
		jac[0][1] = o.x / o.u
	}
	return true
}

// A straight line through five readings of which one is wrong: a robust loss
// finds the line, the wrong reading is left out, and a plain fit of the rest
// gives the covariance.
func Example() {
	var p bundle.Problem
	line := p.AddBlock("line", []float64{0, 0}, bundle.Euclidean(2))
	var ids []bundle.ResidualID
	for i, y := range []float64{1.02, 2.97, 5.01, 42, 9.00} {
		name := fmt.Sprintf("reading %d", i+1)
		ids = append(ids, p.AddResidual(name, reading{float64(i), y, 0.02}, 1, 1, bundle.Cauchy(3), line))
	}
	if _, err := p.Solve(context.Background(), bundle.Options{}); err != nil {
		fmt.Println(err)
		return
	}
	for i, id := range ids {
		if r, _ := p.EvalResidual(id); math.Abs(r[0]) > 4 {
			fmt.Println("left out: reading", i+1)
			p.Deactivate(id)
		}
		p.SetLoss(id, nil)
	}
	sum, err := p.Solve(context.Background(), bundle.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	cov, err := p.Covariance()
	if err != nil {
		fmt.Println(err)
		return
	}
	v, c := p.Value(line), cov.Between(line, line)
	fmt.Printf("a = %.3f, u = %.3f; b = %.3f, u = %.3f\n", v[0], math.Sqrt(c.At(0, 0)), v[1], math.Sqrt(c.At(1, 1)))
	fmt.Printf("χ² %.2f in %d rows less %d parameters\n", 2*sum.FinalCost, sum.Rows, sum.Parameters)
	// Output:
	// left out: reading 4
	// a = 1.002, u = 0.015; b = 1.999, u = 0.007
	// χ² 3.47 in 4 rows less 2 parameters
}
