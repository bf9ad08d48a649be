package vision

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// Homography returns the matrix H, up to its scale, that takes points of one
// plane to those of another, (u, v, 1) ~ H·(x, y, 1), all weighted alike: the
// normalised direct linear transform (Hartley and Zisserman, Multiple View
// Geometry, algorithm 4.2). from and to are as long. ok is false where the
// points do not fix it: fewer than four, or too near to one line.
//
// It is for starts from corners that are known to be right; detection fits its
// own, with weights and a prior, to corners that may be wrong.
func Homography(from, to [][2]float64) (h [3][3]float64, ok bool) {
	if len(from) < 4 {
		return h, false
	}
	fc, fs := Spread(from)
	tc, ts := Spread(to)
	if fs == 0 || ts == 0 {
		return h, false
	}
	// The right singular vector of the smallest singular value, by way of AᵀA:
	// nine numbers, well scaled.
	ata := mat.NewSymDense(9, nil)
	for i := range from {
		x, y := (from[i][0]-fc[0])/fs, (from[i][1]-fc[1])/fs
		u, v := (to[i][0]-tc[0])/ts, (to[i][1]-tc[1])/ts
		ata.SymRankOne(ata, 1, mat.NewVecDense(9, []float64{x, y, 1, 0, 0, 0, -u * x, -u * y, -u}))
		ata.SymRankOne(ata, 1, mat.NewVecDense(9, []float64{0, 0, 0, x, y, 1, -v * x, -v * y, -v}))
	}
	var eig mat.EigenSym
	if !eig.Factorize(ata, true) {
		return h, false
	}
	// Points in a line leave a second null direction.
	if l := eig.Values(nil); !(l[1] > 1e-7*l[8]) {
		return h, false
	}
	var vectors, m mat.Dense
	eig.VectorsTo(&vectors)
	m.Product(
		mat.NewDense(3, 3, []float64{ts, 0, tc[0], 0, ts, tc[1], 0, 0, 1}),
		mat.NewDense(3, 3, mat.Col(nil, 0, &vectors)),
		mat.NewDense(3, 3, []float64{1 / fs, 0, -fc[0] / fs, 0, 1 / fs, -fc[1] / fs, 0, 0, 1}))
	for i := range h {
		copy(h[i][:], m.RawRowView(i))
	}
	return h, true
}

// Spread returns the mean of points, one at least, and their root mean square
// distance from it.
func Spread(p [][2]float64) (centre [2]float64, rms float64) {
	n := float64(len(p))
	for _, q := range p {
		centre[0] += q[0] / n
		centre[1] += q[1] / n
	}
	for _, q := range p {
		dx, dy := q[0]-centre[0], q[1]-centre[1]
		rms += (dx*dx + dy*dy) / n
	}
	return centre, math.Sqrt(rms)
}
