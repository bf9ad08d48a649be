package rig_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"gonum.org/v1/gonum/mat"
)

// The camera found less that of its file is, over its stated covariance, what a
// chi-square is, whatever the job knows: scenes' camera files err as their own
// covariance says, every other one's intrinsics together. It also survives the
// file.
func TestCameraFit(t *testing.T) {
	total, directions, single, n := 0.0, 0, 0.0, 0
	for seed := range seeds(16) {
		s := newScene(t, "first-look", seed)
		if seed%2 == 0 {
			correlate(s, seed)
		}
		fit := solve(t, s, s.DrawCorners(0.5, maxOblique, seed)).Network.Camera
		if fit == nil || len(fit.Intrinsics) != 9 {
			t.Fatalf("seed %d: %+v", seed, fit)
		}
		total += fit.ChiSquare
		directions += fit.Directions
		for _, x := range fit.Intrinsics {
			single += x.Normalised * x.Normalised
			n++
			if x.U > x.UFile*(1+1e-6) {
				t.Errorf("seed %d: %s is known worse than before: %g, %g", seed, x.Name, x.U, x.UFile)
			}
		}
		text, err := json.Marshal(fit)
		if err != nil {
			t.Fatal(err)
		}
		var back rig.CameraFit
		if err := json.Unmarshal(text, &back); err != nil {
			t.Fatal(err)
		}
		w, err := back.Whitened()
		if err != nil {
			t.Fatal(err)
		}
		if chi2, k := w.ChiSquare(); k != fit.Directions || math.Abs(chi2-fit.ChiSquare) > 1e-4*fit.ChiSquare {
			t.Errorf("seed %d: chi-square %g of %d from the file, %g of %d before", seed, chi2, k, fit.ChiSquare, fit.Directions)
		}
		if math.Abs(mat.Dot(w.Diff, w.Diff)) < 1e-9 {
			t.Errorf("seed %d: no difference at all", seed)
		}
	}
	if testing.Short() {
		return
	}
	if directions < 100 {
		t.Fatalf("only %d directions: the test looks at nothing", directions)
	}
	// Mean of a chi-square over its degrees of freedom, within four of its
	// standard deviations √(2/ν) (NIST/SEMATECH e-Handbook, 1.3.6.6.6).
	if got, sd := total/float64(directions), math.Sqrt(2/float64(directions)); math.Abs(got-1) > 4*sd {
		t.Errorf("chi-square %.1f of %d directions: %.3f ± %.3f each, want 1", total, directions, got, sd)
	}
	t.Logf("chi-square %.3f of %d directions, single intrinsics %.3f of %d", total/float64(directions), directions, single/float64(n), n)
	if got := single / float64(n); got < 0.6 || got > 1.5 {
		t.Errorf("single intrinsics: mean square %.2f, want 1", got)
	}
}

// correlate gives a scene a camera file whose intrinsics err together, as those
// of a calibration do.
func correlate(s *fixtures.Scene, seed uint64) {
	const n = vision.PlainIntrinsics
	r := rand.New(rand.NewPCG(seed, 5))
	var mix [n][n]float64 // rows of length 1, mostly themselves
	found := s.Truth.Camera.Intrinsics()
	cov := new([vision.NumIntrinsics][vision.NumIntrinsics]float64)
	var z [n]float64
	for i := range n {
		z[i] = r.NormFloat64()
		length := 0.0
		for k := range i + 1 {
			mix[i][k] = 0.6 * r.NormFloat64()
			if k == i {
				mix[i][k] = 1
			}
			length += mix[i][k] * mix[i][k]
		}
		u := math.Sqrt(s.Camera.Cov[i][i])
		for k := range i + 1 {
			mix[i][k] *= u / math.Sqrt(length)
			found[i] += mix[i][k] * z[k]
		}
	}
	for i := range n {
		for j := range n {
			for k := range n {
				cov[i][j] += mix[i][k] * mix[j][k]
			}
		}
	}
	s.Camera.SetIntrinsics(found)
	s.Camera.Cov = cov
}

func TestCameraFitRefusesNonsense(t *testing.T) {
	good := rig.CameraFit{Intrinsics: []rig.IntrinsicFit{{Name: "fx"}}, FileCovariance: []string{"1"}, Covariance: []string{"0.5"}}
	if _, err := good.Whitened(); err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string]func(*rig.CameraFit){
		"no intrinsics": func(f *rig.CameraFit) { f.Intrinsics = nil },
		"a row lacks":   func(f *rig.CameraFit) { f.Covariance = nil },
		"a word":        func(f *rig.CameraFit) { f.Covariance = []string{"half"} },
		"no variance":   func(f *rig.CameraFit) { f.FileCovariance = []string{"0"} },
	} {
		bad := good
		change(&bad)
		if _, err := bad.Whitened(); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}
