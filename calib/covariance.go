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
// solution, with every view's pose and offset eliminated: two rows a corner, one
// a component of the offset, its prior.
//
// Corners measured together are whitened by the symmetric root of their
// information, so that each keeps rows of its own. Where that information lacks
// some directions, the rows' errors have the covariance S·Sᵀ instead of the unit
// matrix.
type equations struct {
	x     *mat.Dense    // rows × unknowns
	r     []float64     // residuals
	q     *mat.Dense    // rows × numPhoto, orthonormal: what each view's pose and offset can explain
	rows  []equationRow // where a row comes from
	space []*mat.Dense  // by view: S of its corners' rows, nil for the unit matrix
	first []int         // by view: its first row
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
	free := m.intrinsics()
	n := len(free)
	if !m.opts.PerfectBoard {
		n += numShape * len(m.boards)
	}
	e := &equations{prior: mat.NewSymDense(n, nil)}
	k := m.cam.Intrinsics()
	if !m.opts.NoLensPrior {
		_, j := m.lensPrior().rows(k[:])
		for a, fa := range free {
			for b, fb := range free[:a+1] {
				var s float64
				for row := range j {
					s += j[row][fa] * j[row][fb]
				}
				e.prior.SetSym(a, b, s)
			}
		}
	}
	sigma := m.shapePrior().sigma
	for i := len(free); i < n; i++ {
		s := sigma[(i-len(free))%numShape]
		e.prior.SetSym(i, i, 1/(s*s))
	}

	cell := float64(max(m.cam.Width, m.cam.Height)) / cellsAlong
	offsets, _ := m.offsets()
	extra := len(offsets)
	photo := 6 + extra
	for vi, v := range m.views {
		e.first = append(e.first, len(e.rows))
		for i := range v.obs {
			if v.rejected[i] {
				continue
			}
			row := equationRow{vi, [2]int{int(v.obs[i].px[0] / cell), int(v.obs[i].px[1] / cell)}, [2]int{v.board, v.index[i]}}
			e.rows = append(e.rows, row, row)
		}
		for i := range extra {
			// An offset is a group of its own, but for its photograph.
			own := [2]int{-1 - vi, i}
			e.rows = append(e.rows, equationRow{vi, own, own})
		}
	}
	e.x = mat.NewDense(len(e.rows), n, nil)
	e.q = mat.NewDense(len(e.rows), photo, nil)
	e.r = make([]float64, len(e.rows))
	for vi, v := range m.views {
		f := m.used(v)
		first, corners := e.first[vi], 2*len(f.obs)
		dim := f.dim()
		r := make([]float64, dim)
		jk := mat.NewDense(dim, vision.NumIntrinsics, nil)
		jp := mat.NewDense(dim, numPhoto, nil)
		js := mat.NewDense(dim, numShape, nil)
		at := photoValue(v.cameraFromBoard, v.offset)
		if !f.Eval([][]float64{k[:], at, m.shapes[v.board]}, r,
			[][]float64{jk.RawMatrix().Data, jp.RawMatrix().Data, js.RawMatrix().Data}) {
			return nil, fmt.Errorf("photo %s: a corner left the camera's view", v.name)
		}
		var space *mat.Dense
		if t := v.together(); t != nil {
			space = t.v
			back := func(a *mat.Dense) *mat.Dense {
				var b mat.Dense
				b.Mul(t.v, a)
				return &b
			}
			r = back(mat.NewDense(dim, 1, r)).RawMatrix().Data
			jk, jp, js = back(jk), back(jp), back(js)
		}
		e.space = append(e.space, space)
		rows := corners + extra
		copy(e.r[first:], r)
		common := e.x.Slice(first, first+rows, 0, n).(*mat.Dense)
		for i := range corners {
			for a, fa := range free {
				common.Set(i, a, jk.At(i, fa))
			}
			if !m.opts.PerfectBoard {
				for c := range numShape {
					common.Set(i, len(free)+numShape*v.board+c, js.At(i, c))
				}
			}
		}
		own := mat.NewDense(rows, photo, nil)
		own.Slice(0, corners, 0, 6).(*mat.Dense).Copy(jp)
		sigma := m.wander.sigma()
		for a, i := range offsets {
			for row := range corners {
				own.Set(row, 6+a, jp.At(row, 6+i))
			}
			e.r[first+corners+a] = at[bundle.PoseSize+i] / sigma[i]
			own.Set(corners+a, 6+a, 1/sigma[i])
		}
		// An orthonormal basis of what pose and offset explain, then out with it.
		var qr mat.QR
		qr.Factorize(own)
		var full mat.Dense
		qr.QTo(&full)
		basis := e.q.Slice(first, first+rows, 0, photo).(*mat.Dense)
		basis.Copy(full.Slice(0, rows, 0, photo))
		var coef, explained mat.Dense
		coef.Mul(basis.T(), common)
		explained.Mul(basis, &coef)
		common.Sub(common, &explained)
	}
	return e, nil
}

// excess compares the scatter of the groups' pulls on the common unknowns with
// what independent corners give: 1 if the corners of a group err no more
// alike than others. x must be whitened: XᵀX plus the prior is the unit
// matrix.
//
// A group's pull is t = Xgᵀ·rg. Independent corners give residuals of
// covariance SSᵀ − QQᵀ − XXᵀ (the part that poses, offsets and common unknowns
// have not taken up), hence E|t|² = tr(Xgᵀ·(SSᵀ − QQᵀ − XXᵀ)gg·Xg).
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
	_, photo := e.q.Dims()
	var got, want float64
	for _, k := range order {
		rows := groups[k]
		t := make([]float64, n)
		xx := mat.NewSymDense(n, nil)
		byView := map[int]*mat.Dense{}  // QgᵀXg of each view
		bySpace := map[int]*mat.Dense{} // SgᵀXg
		for _, i := range rows {
			x := e.x.RawRowView(i)
			for j, v := range x {
				t[j] += v * e.r[i]
			}
			xx.SymRankOne(xx, 1, mat.NewVecDense(n, x))
			view := e.rows[i].view
			q := byView[view]
			if q == nil {
				q = mat.NewDense(photo, n, nil)
				byView[view] = q
			}
			q.RankOne(q, 1, mat.NewVecDense(photo, e.q.RawRowView(i)), mat.NewVecDense(n, x))
			s := e.space[view]
			if at := i - e.first[view]; s == nil || at >= s.RawMatrix().Rows {
				for _, v := range x {
					want += v * v
				}
			} else {
				rank := s.RawMatrix().Cols
				if bySpace[view] == nil {
					bySpace[view] = mat.NewDense(rank, n, nil)
				}
				bySpace[view].RankOne(bySpace[view], 1, mat.NewVecDense(rank, s.RawRowView(at)), mat.NewVecDense(n, x))
			}
		}
		for _, v := range t {
			got += v * v
		}
		f := mat.Norm(xx, 2) // Frobenius: tr((XgᵀXg)²)
		want -= f * f
		for _, s := range bySpace {
			f := mat.Norm(s, 2)
			want += f * f
		}
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
	size := floats.Dot(e.r, e.r) / m.freedom()
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
	free := m.intrinsics()
	for a, i := range free {
		for b, j := range free {
			c[i][j] = (cov.At(a, b) + cov.At(b, a)) / 2
		}
		if math.IsNaN(c[i][i]) || !(c[i][i] > 0) {
			return weak()
		}
	}
	res.Camera.Cov = &c
	return nil
}
