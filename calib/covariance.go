package calib

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"wheelplane/pose/bundle"
	"wheelplane/vision"
)

// shrinkViews is how many photographs the assumption that all their errors are
// of one kind is worth against what their scatter shows; see [Calibrate].
// Chosen by simulation: fewer make the covariance of 10 to 20 photographs
// noisy, more leave an error of one parameter only (a principal point that the
// stabiliser moves) spread over all of them.
const shrinkViews = 30

// maxLeverage bounds how far a view's score is corrected for the view having
// pulled the solution its own way.
const maxLeverage = 0.98

// pull is what one view says about the intrinsics and shapes, its pose
// eliminated: information matrix and score (gradient) at the solution.
type pull struct {
	info  *mat.SymDense
	score *mat.VecDense
}

// pulls returns one per view, and the information of the priors.
func (m *model) pulls() (views []pull, prior *mat.SymDense, free []int, err error) {
	// Common unknowns: intrinsics, then the free components of each shape.
	n := vision.NumIntrinsics + numShape*len(m.boards)
	for i := range vision.NumIntrinsics {
		free = append(free, i)
	}
	if !m.opts.PerfectBoard {
		for i := vision.NumIntrinsics; i < n; i++ {
			free = append(free, i)
		}
	}
	prior = mat.NewSymDense(len(free), nil)
	sigma := m.shapePrior().sigma
	for i, f := range free {
		if f >= vision.NumIntrinsics {
			s := sigma[(f-vision.NumIntrinsics)%numShape]
			prior.SetSym(i, i, 1/(s*s))
		}
	}
	k := m.cam.Intrinsics()
	for _, v := range m.views {
		f := m.used(v)
		rows := 2 * len(f.obs)
		r := make([]float64, rows)
		jk := make([]float64, rows*vision.NumIntrinsics)
		jp := make([]float64, rows*6)
		js := make([]float64, rows*numShape)
		x := [][]float64{k[:], bundle.PoseValue(v.cameraFromBoard), m.shapes[v.board]}
		if !f.Eval(x, r, [][]float64{jk, jp, js}) {
			return nil, nil, nil, fmt.Errorf("photo %s: a corner left the picture's model", v.name)
		}
		all := mat.NewDense(rows, n, nil)
		all.Slice(0, rows, 0, vision.NumIntrinsics).(*mat.Dense).Copy(mat.NewDense(rows, vision.NumIntrinsics, jk))
		at := vision.NumIntrinsics + numShape*v.board
		all.Slice(0, rows, at, at+numShape).(*mat.Dense).Copy(mat.NewDense(rows, numShape, js))
		common := mat.NewDense(rows, len(free), nil)
		for i, c := range free {
			common.SetCol(i, mat.Col(nil, c, all))
		}
		// Out with what the pose can explain: C − P·(PᵀP)⁻¹·Pᵀ·C.
		var qr mat.QR
		p := mat.NewDense(rows, 6, jp)
		for c := range 6 { // radians and metres: scale the columns alike
			col := mat.Col(nil, c, p)
			s := mat.Norm(mat.NewVecDense(rows, col), 2)
			for i := range col {
				col[i] /= s
			}
			p.SetCol(c, col)
		}
		qr.Factorize(p)
		var coef, fitted mat.Dense
		if err := qr.SolveTo(&coef, false, common); err != nil {
			return nil, nil, nil, fmt.Errorf("photo %s: its pose is not fixed", v.name)
		}
		fitted.Mul(p, &coef)
		common.Sub(common, &fitted)
		info := mat.NewSymDense(len(free), nil)
		info.SymOuterK(1, common.T())
		score := mat.NewVecDense(len(free), nil)
		score.MulVec(common.T(), mat.NewVecDense(rows, r))
		views = append(views, pull{info, score})
	}
	return views, prior, free, nil
}

// uncertainty fills the camera's covariance.
func (m *model) uncertainty(res *Result) error {
	views, prior, free, err := m.pulls()
	if err != nil {
		return err
	}
	weak := func() error {
		return &TooWeak{Reason: "they leave the intrinsics undetermined", Advice: res.Variety.Advice()}
	}
	n := len(free)
	total := mat.NewSymDense(n, nil)
	total.CopySym(prior)
	for _, v := range views {
		total.AddSym(total, v.info)
	}
	// Scaled to a unit diagonal, for k3 and fx differ by many orders.
	scale := make([]float64, n)
	for i := range scale {
		d := total.At(i, i)
		if !(d > 0) {
			return weak()
		}
		scale[i] = 1 / math.Sqrt(d)
	}
	rescale := func(a *mat.SymDense) {
		for i := range n {
			for j := i; j < n; j++ {
				a.SetSym(i, j, a.At(i, j)*scale[i]*scale[j])
			}
		}
	}
	rescale(total)
	rescale(prior)
	for _, v := range views {
		rescale(v.info)
		for i := range n {
			v.score.SetVec(i, v.score.AtVec(i)*scale[i])
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(total) || chol.Cond() > 1e13 {
		return weak()
	}
	// With total = U'U the unknowns U·x have unit covariance for independent
	// corners. In them a view's information is a = U⁻ᵀ·info·U⁻¹, all of them
	// and the prior add up to I, and its score t = U⁻ᵀ·s has expectation zero
	// and covariance a − a², for the solution follows each view by a.
	var u mat.TriDense
	chol.UTo(&u)
	var uInv mat.TriDense
	if err := uInv.InverseTri(&u); err != nil {
		return weak()
	}
	whiten := func(a *mat.SymDense) *mat.SymDense {
		var t mat.Dense
		t.Product(uInv.T(), a, &uInv)
		s := mat.NewSymDense(n, nil)
		for i := range n {
			for j := i; j < n; j++ {
				s.SetSym(i, j, (t.At(i, j)+t.At(j, i))/2)
			}
		}
		return s
	}
	scatter := mat.NewSymDense(n, nil) // of the scores, corrected: expectation Σa
	expected := mat.NewSymDense(n, nil)
	for _, v := range views {
		a := whiten(v.info)
		expected.AddSym(expected, a)
		var t mat.VecDense
		t.MulVec(uInv.T(), v.score)
		var eig mat.EigenSym
		if !eig.Factorize(a, true) {
			return weak()
		}
		var q mat.Dense
		eig.VectorsTo(&q)
		var y mat.VecDense
		y.MulVec(q.T(), &t)
		for i, l := range eig.Values(nil) {
			y.SetVec(i, y.AtVec(i)/math.Sqrt(1-math.Min(math.Max(l, 0), maxLeverage)))
		}
		t.MulVec(&q, &y)
		scatter.SymRankOne(scatter, 1, &t)
	}
	res.Together = mat.Trace(scatter) / mat.Trace(expected)
	factor := math.Max(1, res.Together)
	share := float64(len(views)) / float64(len(views)+shrinkViews)
	middle := whiten(prior)
	for i := range n {
		for j := i; j < n; j++ {
			middle.SetSym(i, j, middle.At(i, j)+share*scatter.At(i, j)+(1-share)*factor*expected.At(i, j))
		}
	}
	var cov mat.Dense
	cov.Product(&uInv, middle, uInv.T())
	var c [vision.NumIntrinsics][vision.NumIntrinsics]float64
	for i := range c {
		for j := range c {
			c[i][j] = (cov.At(i, j) + cov.At(j, i)) / 2 * scale[i] * scale[j]
		}
		if math.IsNaN(c[i][i]) || !(c[i][i] > 0) {
			return weak()
		}
	}
	res.Camera.Cov = &c
	return nil
}
