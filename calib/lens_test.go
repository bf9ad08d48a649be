package calib

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"

	"wheelplane/vision"
)

// The terms of the lens are found that are there, and no others; what was found
// is true. Each case is photographed several times.
func TestLensIsChosen(t *testing.T) {
	rational := phone()
	rational.K1, rational.K2, rational.K3, rational.K4, rational.K5, rational.K6 = 0.45, -0.31, 0.05, 0.36, -0.12, 0.18
	prism := phone()
	prism.S1, prism.S2, prism.S3, prism.S4 = 2e-3, -1e-3, -1.5e-3, 2e-3
	for _, c := range []struct {
		name string
		cam  vision.Camera
		want Lens
	}{{"plain", phone(), LensPlain}, {"rational", rational, LensRational}, {"prism", prism, LensPrism}} {
		var sum float64
		n := 0
		for seed := uint64(1); seed <= 5; seed++ {
			s := simulation{camera: c.cam, board: a3Board(), views: 15, noisePx: 0.02}
			bentBoard(&s, seed)
			views, poses := s.run(seed)
			// The start is that of a plain lens.
			start := c.cam
			k := start.Intrinsics()
			clear(k[vision.PlainIntrinsics:])
			if c.want == LensRational {
				k[4], k[5], k[8] = 0, 0, 0
			}
			start.SetIntrinsics(k)
			r, err := calibrateFrom(t.Context(), views, start, poses, Options{}, &Result{})
			if err != nil {
				t.Fatalf("%s, seed %d: %v", c.name, seed, err)
			}
			if r.Lens != c.want {
				t.Errorf("%s, seed %d: found %s (%s)", c.name, seed, r.Lens, r.LensWhy)
			}
			if (c.want != LensPlain) != strings.Contains(r.LensWhy, "->") {
				t.Errorf("%s, seed %d: %q", c.name, seed, r.LensWhy)
			}
			got, want := r.Camera.Intrinsics(), c.cam.Intrinsics()
			for i := range 4 {
				z := (got[i] - want[i]) / math.Sqrt(r.Camera.Cov[i][i])
				sum, n = sum+z*z, n+1
			}
			if seed == 1 {
				t.Logf("%s: %s", c.name, r.LensWhy)
			}
		}
		if sum /= float64(n); sum > 1.6 {
			t.Errorf("%s: mean square of error/u of focal length and principal point %.2f", c.name, sum)
		}
	}
}

// What is asked for is found, and zero is found to be zero.
func TestLensAsAskedFor(t *testing.T) {
	s := simulation{camera: phone(), board: a3Board(), views: 15, noisePx: 0.05}
	views, poses := s.run(3)
	for lens, used := range map[Lens]int{LensPlain: 9, LensRational: 12, LensPrism: 16, LensRich: 16} {
		r, err := calibrateFrom(t.Context(), views, s.camera, poses, Options{Lens: lens}, &Result{})
		if err != nil {
			t.Fatal(err)
		}
		if r.Lens != lens || r.Camera.Used() != used {
			t.Errorf("asked for %s, found %s with %d parameters", lens, r.Lens, r.Camera.Used())
		}
		got, want := r.Camera.Intrinsics(), s.camera.Intrinsics()
		for i := range got {
			if u := math.Sqrt(r.Camera.Cov[i][i]); u > 0 && math.Abs(got[i]-want[i]) > 4*u {
				t.Errorf("%s: %s is %.4g, truth %.4g, u %.2g", lens, vision.IntrinsicNames[i], got[i], want[i], u)
			} else if u == 0 && got[i] != 0 {
				t.Errorf("%s: %s is held at %g", lens, vision.IntrinsicNames[i], got[i])
			}
		}
	}
}

// The whitening of corners measured together against its definition: without a
// corner it is that of the others' covariance, and with a noise it is that of the
// covariance so changed.
func TestTogether(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 9))
	const n = 7
	cov := mat.NewSymDense(2*n, nil)
	for range 3 * n {
		v := mat.NewVecDense(2*n, nil)
		for i := range 2 * n {
			v.SetVec(i, 0.1*rng.NormFloat64())
		}
		cov.SymRankOne(cov, 1, v)
	}
	var chol mat.Cholesky
	if !chol.Factorize(cov) {
		t.Fatal("no covariance")
	}
	var u, w mat.TriDense
	chol.UTo(&u)
	if err := w.InverseTri(&u); err != nil {
		t.Fatal(err)
	}
	j := &vision.Joint{LackOfFit: 1}
	for i := range 2 * n {
		j.Rows = append(j.Rows, mat.Col(nil, i, &w))
	}
	rejected := make([]bool, n)
	rejected[2], rejected[5] = true, true
	at := noise{0.7, 0.013}
	rows := newTogether(j, rejected).rows(at)
	var left mat.SymDense
	keep := []int{0, 1, 2, 3, 6, 7, 8, 9, 12, 13}
	left = *mat.NewSymDense(len(keep), nil)
	for a, i := range keep {
		for b, k := range keep {
			left.SetSym(a, b, at.stated*cov.At(i, k))
		}
		left.SetSym(a, a, left.At(a, a)+at.extra)
	}
	var unit mat.Dense
	unit.Product(rows, &left, rows.T())
	r, _ := unit.Dims()
	if r != len(keep) {
		t.Fatalf("%d rows of %d", r, len(keep))
	}
	for a := range r {
		for b := range r {
			want := 0.0
			if a == b {
				want = 1
			}
			if math.Abs(unit.At(a, b)-want) > 1e-9 {
				t.Errorf("whitened covariance (%d, %d) is %g", a, b, unit.At(a, b))
			}
		}
	}
	if newTogether(&vision.Joint{Rows: j.Rows[2*n-4:]}, rejected) != nil {
		t.Error("four rows say something without two corners")
	}
}
