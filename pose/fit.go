package pose

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Fit returns the aFromB that brings points known in b nearest to the same
// points in a: it minimises Σ|inA − aFromB·inB|², in closed form.
//
// The lists must be equally long, or Fit panics. Fewer than three points, or
// points on one line, leave the rotation open and are an error, as are points
// that a mirror image would suit so well that no rotation stands out.
//
// Source: Umeyama, Least-squares estimation of transformation parameters
// between two point patterns, IEEE TPAMI 13(4), 1991, without the scale.
func Fit(inA, inB []Vec) (SE3, error) {
	if len(inA) != len(inB) {
		panic(fmt.Sprintf("pose: %d points in one frame and %d in the other", len(inA), len(inB)))
	}
	if len(inA) < 3 {
		return SE3{}, fmt.Errorf("pose: %d points do not fix a transform: give at least three", len(inA))
	}
	meanA, meanB := mean(inA), mean(inB)
	h := mat.NewDense(3, 3, nil) // Σ a·bᵀ about the means
	for i := range inA {
		a, b := Sub(inA[i], meanA), Sub(inB[i], meanB)
		for j := range 3 {
			for k := range 3 {
				h.Set(j, k, h.At(j, k)+a[j]*b[k])
			}
		}
	}
	var svd mat.SVD
	if norm := mat.Norm(h, 1); math.IsNaN(norm) || math.IsInf(norm, 0) || !svd.Factorize(h, mat.SVDFull) {
		return SE3{}, fmt.Errorf("pose: the points are not finite numbers: check them")
	}
	var u, v mat.Dense
	svd.UTo(&u)
	svd.VTo(&v)
	s := svd.Values(nil)
	sign := 1.0
	if mat.Det(&u)*mat.Det(&v) < 0 {
		sign = -1
	}
	// Turning about the first singular direction changes the fit by this much.
	if s[1]+sign*s[2] <= 1e-9*s[0] {
		return SE3{}, fmt.Errorf("pose: the points lie on a line or match a mirror image as well: add points away from it")
	}
	var r SO3
	for j := range 3 {
		for k := range 3 {
			r[j][k] = u.At(j, 0)*v.At(k, 0) + u.At(j, 1)*v.At(k, 1) + sign*u.At(j, 2)*v.At(k, 2)
		}
	}
	r = r.Orthonormal()
	return SE3{R: r, T: Sub(meanA, r.Apply(meanB))}, nil
}

func mean(points []Vec) Vec {
	var m Vec
	for _, p := range points {
		m = Add(m, p)
	}
	return Scale(1/float64(len(points)), m)
}
