package bundle

import (
	"context"
	"math"
	"testing"
)

func TestSchurAgainstDense(t *testing.T) {
	o := networkOptions{photos: 36, views: 3, boards: 5, stations: 3, seed: 7, start: 0.05}
	schur := newNetwork(o)
	o.keepPhotos = true
	dense := newNetwork(o)

	var costs [2][]float64
	for i, n := range []*network{schur, dense} {
		sum, err := n.p.Solve(context.Background(), Options{Progress: func(_ int, cost float64) { costs[i] = append(costs[i], cost) }})
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%+v", sum)
	}
	if len(costs[0]) != len(costs[1]) {
		t.Fatalf("iterations: %d by Schur complement, %d dense", len(costs[0])-1, len(costs[1])-1)
	}
	for i := range costs[0] {
		if math.Abs(costs[0][i]-costs[1][i]) > 1e-9*costs[1][i] {
			t.Errorf("iteration %d: cost %v by Schur complement, %v dense", i, costs[0][i], costs[1][i])
		}
	}
	a, err := schur.p.Covariance()
	if err != nil {
		t.Fatal(err)
	}
	b, err := dense.p.Covariance()
	if err != nil {
		t.Fatal(err)
	}
	var blocks []BlockID
	for id := range schur.p.blocks {
		blocks = append(blocks, BlockID(id))
	}
	ja, jb := a.Joint(blocks), b.Joint(blocks)
	n := ja.SymmetricDim()
	worst := 0.0
	for i := range n {
		for j := range n {
			scale := math.Sqrt(jb.At(i, i) * jb.At(j, j))
			if scale > 0 {
				worst = max(worst, math.Abs(ja.At(i, j)-jb.At(i, j))/scale)
			} else if ja.At(i, j) != 0 {
				t.Errorf("constant component %d, %d has covariance %v", i, j, ja.At(i, j))
			}
		}
	}
	t.Logf("largest difference of the covariances, as a correlation: %.2g", worst)
	if worst > 1e-10 {
		t.Errorf("covariances differ by %.2g", worst)
	}
}
