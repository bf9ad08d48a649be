package calib

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"

	"wheelplane/pose"
	"wheelplane/pose/bundle"
	"wheelplane/vision"
)

// Every analytic Jacobian against a numerical one, where no two values are
// equal and residuals are not zero.
func TestJacobians(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	cam := phone()
	cam.K4, cam.K5, cam.K6, cam.S1, cam.S2, cam.S3, cam.S4 = 0.05, -0.03, 0.02, 3e-4, -2e-4, 5e-4, 1e-4
	k := cam.Intrinsics()
	board := a3Board()
	at := pose.SE3{R: pose.Exp(pose.Vec{2.8, 0.4, -0.3}), T: pose.Vec{0.11, -0.07, 0.9}}
	f := &viewResidual{halfM: Reach(&board)}
	for i := range board.NumCorners() {
		px, ok := cam.Project(at.Apply(board.Corner(i)))
		if !ok {
			t.Fatal("the corner is out of sight")
		}
		o := observation{board: board.Corner(i), px: [2]float64{px[0] + rng.NormFloat64(), px[1] - rng.NormFloat64()},
			cov: [3]float64{0.04 + 0.01*rng.Float64(), 0.01 * rng.Float64(), 0.02 + 0.01*rng.Float64()}}
		f.obs = append(f.obs, o)
		f.w = append(f.w, whitening(o.cov, noise{1, 0.003}))
	}
	shape := Shape{Stretch: 0.011, Skew: -0.007, BowX: 0.013, BowXY: -0.017, BowY: 0.019}
	seen := photoValue(at, Offset{0.0013, [2]float64{1.7, -2.1}, [3]float64{0.011, -0.014, 0.006}})
	whole := &viewResidual{halfM: f.halfM, obs: f.obs, rows: mat.NewDense(31, 2*len(f.obs), nil)}
	for i := range whole.rows.RawMatrix().Data {
		whole.rows.RawMatrix().Data[i] = 5 * rng.NormFloat64()
	}
	lens := &lensPrior{mid: [2]float64{1999.5, 1499.5}, size: 3999, cornerR: 0.86, aspect: true}
	prior := &shapePrior{[numShape]float64{1e-3, 2e-3, 3e-3, 4e-3, 5e-3}}
	intrinsics, shapes := bundle.Euclidean(vision.NumIntrinsics), bundle.Euclidean(numShape)
	for _, c := range []struct {
		name string
		f    bundle.Residual
		x    [][]float64
		m    []bundle.Manifold
		dim  int
	}{
		{"view", f, [][]float64{k[:], seen, shape.vector()}, []bundle.Manifold{intrinsics, photoManifold{}, shapes}, 2 * len(f.obs)},
		{"view together", whole, [][]float64{k[:], seen, shape.vector()}, []bundle.Manifold{intrinsics, photoManifold{}, shapes}, 31},
		{"offset prior", &offsetPrior{[numOffset]float64{0.001, 1.3, 1.7, 0.002, 0.003, 0.004}}, [][]float64{seen}, []bundle.Manifold{photoManifold{}}, numOffset},
		{"shape prior", prior, [][]float64{shape.vector()}, []bundle.Manifold{shapes}, numShape},
		{"lens prior", lens, [][]float64{k[:]}, []bundle.Manifold{intrinsics}, vision.NumIntrinsics},
	} {
		worst, err := bundle.CheckJacobian(c.f, c.x, c.m, c.dim)
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		if worst > 1e-6 {
			t.Errorf("%s: analytic and numerical Jacobian differ by %.2g", c.name, worst)
		}
	}
}

// Whitening against its definition: WᵀW is the inverse of the covariance.
func TestWhitening(t *testing.T) {
	cov, n := [3]float64{0.09, -0.02, 0.03}, noise{0.6, 0.007}
	w := whitening(cov, n)
	a, b, c := w[0]*w[0]+w[1]*w[1], w[1]*w[2], w[2]*w[2]
	xx, xy, yy := n.stated*cov[0]+n.extra, n.stated*cov[1], n.stated*cov[2]+n.extra
	for i, v := range []float64{a*xx + b*xy - 1, a*xy + b*yy, b*xx + c*xy, b*xy + c*yy - 1} {
		if math.Abs(v) > 1e-12 {
			t.Errorf("element %d of WᵀW·C − I is %g", i, v)
		}
	}
}
