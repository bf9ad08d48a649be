package bundle

import (
	"fmt"
	"math"
	"runtime"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack/lapack64"
	"gonum.org/v1/gonum/mat"
)

// Information is JᵀJ of a problem at its values, taken apart: what each
// eliminated block's residuals say of the global columns once the block is
// eliminated, and what all residuals without one say. Their sum is the inverse of
// [Covariance]: so it can be told what it would be with other residuals, without
// evaluating any.
type Information struct {
	*layout
	rest  []float64   // n×n
	parts [][]float64 // by group: k×k over its columns; nil where nothing is eliminated
}

// Information works it out. An eliminated block that its residuals do not fix is
// an error: it says nothing.
func (p *Problem) Information() (*Information, error) {
	l, err := newLayout(p)
	if err != nil {
		return nil, fmt.Errorf("bundle: information: %w", err)
	}
	s := newSystem(l, runtime.GOMAXPROCS(0))
	out := &Information{layout: l, rest: make([]float64, l.n*l.n), parts: make([][]float64, len(l.groups))}
	all := l.gather()
	s.eachGroup(func(sc *scratch, gi int) {
		s.accumulate(sc, gi, all)
		g := &s.groups[gi]
		d, k := g.d, len(g.cols)
		if d == 0 {
			return
		}
		pt := &s.parts[gi]
		copy(pt.l, pt.v)
		if !cholesky(pt.l, d) {
			pt.l[0] = -1
			return
		}
		copy(pt.y, pt.w)
		forward(pt.l, d, pt.y, k)
		h, size := make([]float64, k*k), d+k+1
		for i := range k {
			copy(h[i*k:(i+1)*k], sc.local[(d+i)*size+d:(d+i)*size+d+k])
		}
		blas64.Syrk(blas.Trans, -1, blas64.General{Rows: d, Cols: k, Stride: k, Data: pt.y},
			1, blas64.Symmetric{Uplo: blas.Upper, N: k, Stride: k, Data: h})
		out.parts[gi] = h
	}, func(sc *scratch, gi int) {
		g := &s.groups[gi]
		if g.d > 0 {
			return
		}
		size := len(g.cols) + 1
		for i, ci := range g.cols {
			for j := i; j < len(g.cols); j++ {
				out.rest[int(ci)*l.n+int(g.cols[j])] += sc.local[i*size+j]
			}
		}
	})
	if _, err := s.total(); err != nil {
		return nil, fmt.Errorf("bundle: information: %w", err)
	}
	for gi := range l.groups {
		if l.groups[gi].d > 0 && out.parts[gi] == nil {
			return nil, fmt.Errorf("bundle: information: %q is not fixed by its own residuals: leave it out", p.blocks[l.groups[gi].block].name)
		}
	}
	return out, nil
}

// Size is the number of global columns.
func (i *Information) Size() int { return i.n }

// Columns returns the global column of each component of a block that is not
// eliminated, -1 where it is held; nil where the block is constant.
func (i *Information) Columns(b BlockID) []int {
	if i.eliminated(int(b)) {
		panic(fmt.Sprintf("bundle: %q is eliminated and has no global columns", i.p.blocks[b].name))
	}
	return i.columns[b]
}

// Rest returns what residuals without an eliminated block say, Size()×Size(), a
// copy.
func (i *Information) Rest() *mat.SymDense {
	return mat.NewSymDense(i.n, append([]float64(nil), i.rest...))
}

// Of returns what the residuals of eliminated block b say of the columns cols.
// Of h only the upper triangle counts; neither may be changed. A constant block
// says nothing.
func (i *Information) Of(b BlockID) (cols []int32, h *mat.SymDense) {
	gi := i.groupOf[b]
	if gi < 0 {
		return nil, nil
	}
	cols = i.groups[gi].cols
	if len(cols) == 0 {
		return nil, nil
	}
	return cols, mat.NewSymDense(len(cols), i.parts[gi])
}

// Weighed is [Information.Of] with each residual's information multiplied by what
// weight says of it, which is more than 0, losses aside; ok is false where b is then not
// fixed. h is the caller's.
func (i *Information) Weighed(b BlockID, weight func(ResidualID) float64) (cols []int32, h *mat.SymDense, ok bool) {
	gi := i.groupOf[b]
	if gi < 0 || len(i.groups[gi].cols) == 0 {
		return nil, nil, true
	}
	g := &i.groups[gi]
	d, k := g.d, len(g.cols)
	all := mat.NewSymDense(d+k, nil)
	row := mat.NewVecDense(d+k, nil)
	for ti := g.first; ti < g.last; ti++ {
		t := &i.terms[ti]
		res := &i.p.residuals[t.id]
		x, jac := make([][]float64, len(res.blocks)), make([][]float64, len(res.blocks))
		for n, id := range res.blocks {
			x[n] = i.p.blocks[id].x
		}
		for _, n := range t.order {
			jac[n] = make([]float64, res.dim*i.p.blocks[res.blocks[n]].dim)
		}
		if !res.f.Eval(x, make([]float64, res.dim), jac) {
			return nil, nil, false
		}
		for r := range res.dim {
			row.Zero()
			at := 0
			for _, n := range t.order {
				bl := &i.p.blocks[res.blocks[n]]
				for e := range bl.dim {
					if bl.held != nil && bl.held[e] {
						continue
					}
					to := int(t.local[at])
					row.SetVec(to, row.AtVec(to)+jac[n][r*bl.dim+e])
					at++
				}
			}
			all.SymRankOne(all, weight(ResidualID(t.id)), row)
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(all.SliceSym(0, d)) {
		return nil, nil, false
	}
	var solved, gone mat.Dense
	cross := mat.NewDense(d, k, nil)
	for a := range d {
		for c := range k {
			cross.Set(a, c, all.At(a, d+c))
		}
	}
	if chol.SolveTo(&solved, cross) != nil {
		return nil, nil, false
	}
	gone.Mul(cross.T(), &solved)
	h = mat.NewSymDense(k, nil)
	for a := range k {
		for c := a; c < k; c++ {
			h.SetSym(a, c, all.At(d+a, d+c)-gone.At(a, c))
		}
	}
	return g.cols, h, true
}

// At returns the covariance c of the global columns as one of blocks, which must
// not be eliminated.
func (i *Information) At(c *mat.SymDense) *Columnwise { return &Columnwise{i.layout, c.At} }

// Columnwise is the joint covariance of the blocks that are not eliminated.
type Columnwise struct {
	*layout
	at func(i, j int) float64
}

// Joint returns the covariance of the steps of several blocks, one after the
// other, with zeros where they are held.
func (c *Columnwise) Joint(blocks []BlockID) *mat.SymDense {
	var cols []int
	for _, b := range blocks {
		switch of := c.columns[b]; {
		case c.eliminated(int(b)):
			panic(fmt.Sprintf("bundle: %q is eliminated: its covariance is not known here", c.p.blocks[b].name))
		case of == nil:
			for range c.p.blocks[b].dim {
				cols = append(cols, -1)
			}
		default:
			cols = append(cols, of...)
		}
	}
	out := mat.NewSymDense(len(cols), nil)
	for i, a := range cols {
		for j := i; j < len(cols); j++ {
			if a >= 0 && cols[j] >= 0 {
				out.SetSym(i, j, c.at(a, cols[j]))
			}
		}
	}
	return out
}

// Shares splits the covariance of the blocks that are not eliminated by where it
// comes from. of names, for each row of each active residual, the source it
// belongs to, from 0 to sources − 1. With J the Jacobian of the rows of a source,
// whose noise is of unit variance,
//
//	C_source = C·JᵀJ·C
//
// is the part of the covariance that this noise brings in (law of propagation of
// uncertainty, JCGM 100:2008, 5.1.2). Because C = (Σ JᵀJ)⁻¹ the parts add up to
// C. Residuals with a loss count without it.
func (c *Covariance) Shares(sources int, of func(id ResidualID, row int) int) ([]*Columnwise, error) {
	n := c.n
	info := make([]*mat.SymDense, sources)
	for s := range info {
		info[s] = mat.NewSymDense(max(n, 1), nil)
	}
	all := c.gather()
	sc := c.scratch[0]
	for gi := range c.groups {
		g := &c.groups[gi]
		d, k := g.d, len(g.cols)
		var fix []float64 // V⁻¹W
		if d > 0 && k > 0 {
			fix = append([]float64(nil), c.parts[gi].y...)
			backward(c.parts[gi].l, d, fix, k)
		}
		rows := make([][]float64, sources) // of this group, k columns each
		for ti := g.first; ti < g.last; ti++ {
			t := &c.terms[ti]
			res := c.bind(sc, t, all, true)
			m := res.dim
			if !res.f.Eval(sc.x[:len(res.blocks)], sc.r[:m], sc.jac[:len(res.blocks)]) {
				return nil, fmt.Errorf("bundle: covariance: residual %q is not defined", res.name)
			}
			for row := range m {
				s := of(ResidualID(t.id), row)
				if s < 0 || s >= sources {
					return nil, fmt.Errorf("bundle: covariance: row %d of %q belongs to source %d of %d", row, res.name, s, sources)
				}
				f := make([]float64, d+k)
				at := 0
				for _, i := range t.order {
					bl := &c.p.blocks[res.blocks[i]]
					for e := range bl.dim {
						if bl.held != nil && bl.held[e] {
							continue
						}
						f[t.local[at]] += sc.jac[i][row*bl.dim+e]
						at++
					}
				}
				for i := range d {
					if f[i] == 0 || k == 0 {
						continue
					}
					for j, y := range fix[i*k : (i+1)*k] {
						f[d+j] -= f[i] * y
					}
				}
				rows[s] = append(rows[s], f[d:]...)
			}
		}
		if k == 0 {
			continue
		}
		sum := make([]float64, k*k)
		for s, r := range rows {
			if len(r) == 0 {
				continue
			}
			blas64.Syrk(blas.Trans, 1, blas64.General{Rows: len(r) / k, Cols: k, Stride: k, Data: r},
				0, blas64.Symmetric{Uplo: blas.Upper, N: k, Stride: k, Data: sum})
			to := info[s].RawSymmetric()
			for i, ci := range g.cols {
				for j := i; j < k; j++ {
					to.Data[int(ci)*to.Stride+int(g.cols[j])] += sum[i*k+j]
				}
			}
		}
	}
	out := make([]*Columnwise, sources)
	now := mat.NewDense(max(n, 1), max(n, 1), nil)
	if n > 0 {
		now = mat.NewDense(n, n, c.c)
	}
	for s := range out {
		var half, share mat.Dense
		half.Mul(now, info[s])
		share.Mul(&half, now)
		out[s] = &Columnwise{c.layout, func(i, j int) float64 { return (share.At(i, j) + share.At(j, i)) / 2 }}
	}
	return out, nil
}

// Rows returns F with FᵀF = h, as few rows as h needs: a photograph's information
// as so many independent observations. h is symmetric and not negative, its upper
// triangle counts; directions with less than 1e-12 of what their component has by
// itself are rounding.
func Rows(h *mat.SymDense) *mat.Dense {
	k := h.SymmetricDim()
	scale := make([]float64, k)
	for i := range k {
		if v := h.At(i, i); v > 0 {
			scale[i] = math.Sqrt(v)
		}
	}
	a := make([]float64, k*k)
	for i := range k {
		for j := i; j < k; j++ {
			if scale[i] > 0 && scale[j] > 0 {
				a[i*k+j] = h.At(i, j) / (scale[i] * scale[j])
			}
		}
	}
	piv, work := make([]int, k), make([]float64, 2*k)
	_, rank, _ := lapack64.Pstrf(blas64.Symmetric{Uplo: blas.Upper, N: k, Stride: k, Data: a}, piv, 1e-12, work)
	if rank == 0 {
		return nil
	}
	f := mat.NewDense(rank, k, nil)
	for i := range rank {
		for j := i; j < k; j++ {
			f.Set(i, piv[j], a[i*k+j]*scale[piv[j]])
		}
	}
	return f
}
