package vision_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"wheelplane/vision"

	"gonum.org/v1/gonum/mat"
)

// Corners drawn with a known covariance about a known pose: the homography's
// error squared over its covariance has the mean of its eight degrees of
// freedom. Once with the covariances of single corners, once with the same
// told jointly.
func TestViewHomographyAndItsCovariance(t *testing.T) {
	c := phone()
	b := a3
	p := at(&c, b, [2]float64{2600, 900}, 2.5, 50, 70, 10)
	m := p.CameraFromBoard
	scale := m.T[2]
	var want [8]float64
	for i := range want {
		k := [3]float64{m.R[i/3][0], m.R[i/3][1], m.T[i/3]}
		want[i] = k[i%3] / scale
	}
	rng := rand.New(rand.NewPCG(1, 8))
	for _, joint := range []bool{false, true} {
		const tries = 200
		var sum float64
		for range tries {
			var v vision.View
			for i := range b.NumCorners() {
				q := truth(&c, p, i)
				sx, sy, rho := 0.01+0.02*rng.Float64(), 0.01+0.02*rng.Float64(), rng.Float64()-0.5
				u, w := rng.NormFloat64(), rng.NormFloat64()
				v.Corners = append(v.Corners, vision.Corner{Index: i,
					Px:  [2]float64{q[0] + sx*u, q[1] + sy*(rho*u+math.Sqrt(1-rho*rho)*w)},
					Cov: [3]float64{sx * sx, rho * sx * sy, sy * sy}})
			}
			if joint {
				v.Joint = &vision.Joint{LackOfFit: 1}
				for i, k := range v.Corners {
					s := mat.NewSymDense(2, []float64{k.Cov[0], k.Cov[1], k.Cov[1], k.Cov[2]})
					var e mat.EigenSym
					e.Factorize(s, true)
					var u mat.Dense
					e.VectorsTo(&u)
					for a, l := range e.Values(nil) {
						row := make([]float64, 2*len(v.Corners))
						row[2*i], row[2*i+1] = u.At(0, a)/math.Sqrt(l), u.At(1, a)/math.Sqrt(l)
						v.Joint.Rows = append(v.Joint.Rows, row)
					}
					v.Corners[i].Cov = [3]float64{1, 0, 1} // not to be used
				}
			}
			h, cov, ok := v.Homography(&b, &c)
			if !ok {
				t.Fatal("no homography")
			}
			s, e := mat.NewSymDense(8, nil), mat.NewVecDense(8, nil)
			for i := range h {
				e.SetVec(i, h[i]-want[i])
				for j := i; j < 8; j++ {
					s.SetSym(i, j, cov[i][j])
				}
			}
			var chol mat.Cholesky
			if !chol.Factorize(s) {
				t.Fatal("a covariance that is none")
			}
			var x mat.VecDense
			if err := chol.SolveVecTo(&x, e); err != nil {
				t.Fatal(err)
			}
			sum += mat.Dot(e, &x)
		}
		// The mean of 200 values of χ² with 8 degrees of freedom: 8 ± 0.28.
		if mean := sum / tries; mean < 7.1 || mean > 8.9 {
			t.Errorf("joint %v: error squared over covariance %.2f, want 8", joint, mean)
		}
	}
	v := vision.View{Corners: []vision.Corner{{Index: 0}, {Index: 1}, {Index: 2}}}
	if _, _, ok := v.Homography(&b, &c); ok {
		t.Error("three corners fix no homography")
	}
}
