package bundle

import (
	"math/rand/v2"
	"testing"

	"wheelplane/pose"
)

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
		worst, err := CheckJacobian(res.f, x, m, res.dim)
		if err != nil {
			t.Errorf("%s: %v", res.name, err)
		}
		t.Logf("%s: %.2g", res.name, worst)
	}
	_ = pose.Identity()
}
