package calib

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"

	"wheelplane/pose/bundle"
	"wheelplane/vision"
)

// equations are the whitened linear equations of the common unknowns at the
// solution, with every view's pose eliminated: two rows a corner.
type equations struct {
	x     *mat.Dense    // rows × unknowns
	r     []float64     // residuals
	q     *mat.Dense    // rows × 6, orthonormal: what each view's pose can explain
	rows  []equationRow // where a row comes from
	prior *mat.SymDense // information of the priors
}

type equationRow struct {
	view  int
	place [2]int // cell of the frame
	board [2]int // board, corner
}

// equations linearises the model. Unknowns: the free intrinsics, then the shape
// of each board unless taken for perfect.
func (m *model) equations() (*equations, error) {
	n := m.lens
	if !m.opts.PerfectBoard {
		n += numShape * len(m.boards)
	}
	e := &equations{prior: mat.NewSymDense(n, nil)}
	k := m.cam.Intrinsics()
	if !m.opts.NoLensPrior {
		_, j := m.lensPrior().rows(k[:])
		for a := range m.lens {
			for b := a; b < m.lens; b++ {
				var s float64
				for row := range j {
					s += j[row][a] * j[row][b]
				}
				e.prior.SetSym(a, b, s)
			}
		}
	}
	sigma := m.shapePrior().sigma
	for i := m.lens; i < n; i++ {
		s := sigma[(i-m.lens)%numShape]
		e.prior.SetSym(i, i, 1/(s*s))
	}

	cell := float64(max(m.cam.Width, m.cam.Height)) / cellsAlong
	for vi, v := range m.views {
		for i := range v.obs {
			if v.rejected[i] {
				continue
			}
			row := equationRow{vi, [2]int{int(v.obs[i].px[0] / cell), int(v.obs[i].px[1] / cell)}, [2]int{v.board, v.index[i]}}
			e.rows = append(e.rows, row, row)
		}
	}
	e.x = mat.NewDense(len(e.rows), n, nil)
	e.q = mat.NewDense(len(e.rows), 6, nil)
	e.r = make([]float64, len(e.rows))
	first := 0
	for _, v := range m.views {
		f := m.used(v)
		rows := 2 * len(f.obs)
		jk := make([]float64, rows*vision.NumIntrinsics)
		jp := make([]float64, rows*6)
		js := make([]float64, rows*numShape)
		at := [][]float64{k[:], bundle.PoseValue(v.cameraFromBoard), m.shapes[v.board]}
		if !f.Eval(at, e.r[first:first+rows], [][]float64{jk, jp, js}) {
			return nil, fmt.Errorf("photo %s: a corner left the camera's view", v.name)
		}
		common := e.x.Slice(first, first+rows, 0, n).(*mat.Dense)
		common.Slice(0, rows, 0, m.lens).(*mat.Dense).Copy(mat.NewDense(rows, vision.NumIntrinsics, jk))
		if !m.opts.PerfectBoard {
			s := m.lens + numShape*v.board
			common.Slice(0, rows, s, s+numShape).(*mat.Dense).Copy(mat.NewDense(rows, numShape, js))
		}
		// An orthonormal basis of what the pose explains, then out with it.
		var qr mat.QR
		qr.Factorize(mat.NewDense(rows, 6, jp))
		var full mat.Dense
		qr.QTo(&full)
		basis := e.q.Slice(first, first+rows, 0, 6).(*mat.Dense)
		basis.Copy(full.Slice(0, rows, 0, 6))
		var coef, explained mat.Dense
		coef.Mul(basis.T(), common)
		explained.Mul(basis, &coef)
		common.Sub(common, &explained)
		first += rows
	}
	return e, nil
}

// excess compares the scatter of the groups' pulls on the common unknowns with
// what independent corners give: 1 if the corners of a group err no more
// alike than others. x must be whitened: XᵀX plus the prior is the unit
// matrix.
//
// A group's pull is t = Xgᵀ·rg. Independent corners give residuals of
// covariance I − QQᵀ − XXᵀ (the part that poses and common unknowns have not
// taken up), hence E|t|² = tr(Xgᵀ·(I − QQᵀ − XXᵀ)gg·Xg).
func (e *equations) excess(key func(equationRow) [2]int) float64 {
	groups := map[[2]int][]int{}
	var order [][2]int
	for i, row := range e.rows {
		k := key(row)
		if groups[k] == nil {
			order = append(order, k)
		}
		groups[k] = append(groups[k], i)
	}
	_, n := e.x.Dims()
	var got, want float64
	for _, k := range order {
		rows := groups[k]
		t := make([]float64, n)
		xx := mat.NewSymDense(n, nil)
		byView := map[int]*mat.Dense{} // QgᵀXg of each view
		for _, i := range rows {
			x := e.x.RawRowView(i)
			for j, v := range x {
				t[j] += v * e.r[i]
			}
			xx.SymRankOne(xx, 1, mat.NewVecDense(n, x))
			q := byView[e.rows[i].view]
			if q == nil {
				q = mat.NewDense(6, n, nil)
				byView[e.rows[i].view] = q
			}
			q.RankOne(q, 1, mat.NewVecDense(6, e.q.RawRowView(i)), mat.NewVecDense(n, x))
		}
		for _, v := range t {
			got += v * v
		}
		f := mat.Norm(xx, 2) // Frobenius: tr((XgᵀXg)²)
		want += mat.Trace(xx) - f*f
		for _, q := range byView {
			f := mat.Norm(q, 2)
			want -= f * f
		}
	}
	if !(want > 0) {
		return 1
	}
	return got / want
}

// uncertainty fills the camera's covariance.
func (m *model) uncertainty(res *Result) error {
	e, err := m.equations()
	if err != nil {
		return err
	}
	weak := func() error {
		return &TooWeak{Reason: "they leave the intrinsics undetermined", Advice: res.Variety.Advice()}
	}
	_, n := e.x.Dims()
	total := mat.NewSymDense(n, nil)
	total.SymOuterK(1, e.x.T())
	total.AddSym(total, e.prior)
	// Scaled to a unit diagonal, for k3 and fx differ by many orders.
	scale := make([]float64, n)
	for i := range scale {
		d := total.At(i, i)
		if !(d > 0) || math.IsInf(d, 0) {
			return weak()
		}
		scale[i] = 1 / math.Sqrt(d)
	}
	scaled := func(a *mat.SymDense) *mat.SymDense {
		s := mat.NewSymDense(n, nil)
		for i := range n {
			for j := i; j < n; j++ {
				s.SetSym(i, j, a.At(i, j)*scale[i]*scale[j])
			}
		}
		return s
	}
	var chol mat.Cholesky
	if !chol.Factorize(scaled(total)) || chol.Cond() > 1e13 {
		return weak()
	}
	// With total = UᵀU the unknowns U·x have unit covariance.
	var u, uInv mat.TriDense
	chol.UTo(&u)
	if err := uInv.InverseTri(&u); err != nil {
		return weak()
	}
	toWhite := mat.NewDense(n, n, nil)
	toWhite.Copy(&uInv)
	for i := range n {
		for j := range n {
			toWhite.Set(i, j, toWhite.At(i, j)*scale[i])
		}
	}
	var white mat.Dense
	white.Mul(e.x, toWhite)
	e.x = &white

	// Where the detection states more than its errors, residuals are smaller
	// than expected, and so are all pulls: that is no sign of independence.
	size := floats.Dot(e.r, e.r) / math.Max(1, float64(len(e.r)-m.parameters()))
	if !(size > 0) {
		size = 1
	}
	res.ByPhoto = e.excess(func(r equationRow) [2]int { return [2]int{r.view} }) / size
	res.ByPlace = e.excess(func(r equationRow) [2]int { return r.place }) / size
	res.ByBoard = e.excess(func(r equationRow) [2]int { return r.board }) / size
	few := float64(len(m.views)-1) / math.Max(0.5, float64(len(m.views)-3))
	res.Together = math.Max(1, size*(1+math.Max(0, res.ByPhoto+res.ByPlace+res.ByBoard-3)*few))

	// The share of the photographs grows by the factor, that of the priors
	// does not.
	middle := mat.NewSymDense(n, nil)
	middle.SymOuterK(res.Together, e.x.T())
	var p mat.Dense
	p.Product(toWhite.T(), e.prior, toWhite)
	var sum, cov mat.Dense
	sum.Add(middle, &p)
	cov.Product(toWhite, &sum, toWhite.T())
	var c [vision.NumIntrinsics][vision.NumIntrinsics]float64
	for i := range m.lens {
		for j := range m.lens {
			c[i][j] = (cov.At(i, j) + cov.At(j, i)) / 2
		}
		if math.IsNaN(c[i][i]) || !(c[i][i] > 0) {
			return weak()
		}
	}
	res.Camera.Cov = &c
	return nil
}
