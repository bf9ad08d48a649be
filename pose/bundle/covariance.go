package bundle

import (
	"fmt"
	"math"
	"runtime"
	"sort"
	"strings"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack"
	"gonum.org/v1/gonum/lapack/lapack64"
	"gonum.org/v1/gonum/mat"
)

// Covariance is the covariance of the free components of a problem at its
// optimum, (JᵀJ)⁻¹, in the units of the steps of the blocks: radians for the
// rotation of a transform, not half-angles. Held components and constant blocks
// have zeros.
type Covariance struct {
	*system
	c []float64 // of the global columns: n×n, all of it
}

// Covariance returns the covariance at the current values, which should be the
// optimum. The Schur complement gives the marginal of the blocks that are not
// eliminated exactly; nothing is damped or regularised.
//
// It takes the residuals as whitened, of unit variance (multiply by the reduced
// χ² otherwise), and independent unless whitened together. A loss still present
// counts as in the last linear system, with its weights, which is not the
// covariance of anything measured: refit without losses first.
//
// A direction that nothing fixes is a [*RankError], which names it.
func (p *Problem) Covariance() (*Covariance, error) {
	l, err := newLayout(p)
	if err != nil {
		return nil, fmt.Errorf("bundle: covariance: %w", err)
	}
	s := newSystem(l, runtime.GOMAXPROCS(0))
	if _, err := s.linearise(l.gather()); err != nil {
		return nil, fmt.Errorf("bundle: covariance: %w", err)
	}
	c := &Covariance{system: s}
	if err := c.invert(); err != nil {
		return nil, fmt.Errorf("bundle: covariance: %w", err)
	}
	return c, nil
}

// Row names a row of a residual.
type Row struct {
	Residual ResidualID
	Row      int
}

// Tightened returns the covariance that there would be if the standard
// uncertainties behind some rows were smaller by a factor above 1, all else
// being equal: what an observation's uncertainty contributes. It costs little,
// for the rows are few (Woodbury's identity). The residuals are active, without a
// loss, and touch no eliminated block.
func (c *Covariance) Tightened(factor float64, rows []Row) (*Covariance, error) {
	if !(factor > 1) {
		return nil, fmt.Errorf("bundle: covariance: rows cannot be tightened by the factor %g: give one above 1", factor)
	}
	m, n := len(rows), c.n
	if m == 0 {
		return c, nil
	}
	// J of the rows; they enter the Hessian factor² times instead of once.
	_, j, err := c.linear(rows)
	if err != nil {
		return nil, err
	}
	out := &Covariance{system: c.system}
	if n == 0 {
		return out, nil
	}
	// C − K·(J·K + 1/(factor² − 1))⁻¹·Kᵀ with K = C·Jᵀ.
	now := mat.NewDense(n, n, c.c)
	var k, jk mat.Dense
	k.Mul(now, j.T())
	jk.Mul(j, &k)
	inner := mat.NewSymDense(m, nil)
	for a := range m {
		for b := a; b < m; b++ {
			inner.SetSym(a, b, (jk.At(a, b)+jk.At(b, a))/2)
		}
		inner.SetSym(a, a, inner.At(a, a)+1/(factor*factor-1))
	}
	var chol mat.Cholesky
	if !chol.Factorize(inner) {
		return nil, fmt.Errorf("bundle: covariance: the rows depend on each other beyond rounding")
	}
	var solved, less mat.Dense
	if err := chol.SolveTo(&solved, k.T()); err != nil {
		return nil, fmt.Errorf("bundle: covariance: %w", err)
	}
	less.Mul(&k, &solved)
	out.c = make([]float64, n*n)
	for i := range out.c {
		out.c[i] = c.c[i] - less.RawMatrix().Data[i]
	}
	return out, nil
}

// Residuals returns some rows' residuals at the solution and their covariance: 1
// less that of what the solution makes of them. Rows that nothing else speaks to
// fit perfectly, and have a variance of zero. The rows are as those of
// [Covariance.Tightened].
func (c *Covariance) Residuals(rows []Row) (r []float64, cov *mat.SymDense, err error) {
	r, j, err := c.linear(rows)
	if err != nil || len(rows) == 0 {
		return nil, nil, err
	}
	cov = mat.NewSymDense(len(rows), nil)
	var jcj mat.Dense
	if c.n > 0 {
		jcj.Product(j, mat.NewDense(c.n, c.n, c.c), j.T())
	}
	for a := range rows {
		for b := a; b < len(rows); b++ {
			v := 0.0
			if c.n > 0 {
				v = -(jcj.At(a, b) + jcj.At(b, a)) / 2
			}
			if a == b {
				v++
			}
			cov.SetSym(a, b, v)
		}
	}
	return r, cov, nil
}

// linear returns the residuals of some rows and their Jacobian by the free
// parameters that are not eliminated (rows × n, one column if there is none).
func (c *Covariance) linear(rows []Row) (r []float64, j *mat.Dense, err error) {
	if len(rows) == 0 {
		return nil, nil, nil
	}
	j = mat.NewDense(len(rows), max(c.n, 1), nil)
	for i, row := range rows {
		res := &c.p.residuals[row.Residual]
		if res.inactive || res.loss != nil || row.Row < 0 || row.Row >= res.dim {
			return nil, nil, fmt.Errorf("bundle: covariance: row %d of %q does not count as a plain one: leave it out", row.Row, res.name)
		}
		x, jac := make([][]float64, len(res.blocks)), make([][]float64, len(res.blocks))
		for k, b := range res.blocks {
			if c.groupOf[b] >= 0 {
				return nil, nil, fmt.Errorf("bundle: covariance: %q touches %q, which is eliminated: its rows cannot be told apart from it", res.name, c.p.blocks[b].name)
			}
			x[k], jac[k] = c.p.blocks[b].x, make([]float64, res.dim*c.p.blocks[b].dim)
		}
		all := make([]float64, res.dim)
		if !res.f.Eval(x, all, jac) {
			return nil, nil, fmt.Errorf("bundle: covariance: residual %q is not defined", res.name)
		}
		r = append(r, all[row.Row])
		for k, b := range res.blocks {
			dim := c.p.blocks[b].dim
			for at, col := range c.columns[b] {
				if col >= 0 {
					j.Set(i, col, jac[k][row.Row*dim+at])
				}
			}
		}
	}
	return r, j, nil
}

// RankError says which directions of the parameters no residual fixes.
type RankError struct {
	Directions []Direction
}

// Direction is a direction of the parameters, the most important part first.
type Direction struct {
	// Fixed is the information left in this direction once all others are free,
	// as a share of that with all others held: 0 but for rounding.
	Fixed float64
	Parts []Part
}

// Part is the part of a direction that moves one block.
type Part struct {
	Block BlockID
	Name  string
	Share float64   // of the squared length, with each component in units of what it would be known to by itself
	Step  []float64 // of the block; the whole direction has a largest component of 1
}

func (e *RankError) Error() string {
	var b strings.Builder
	for i, d := range e.Directions {
		if i == 3 {
			fmt.Fprintf(&b, "; and %d more", len(e.Directions)-i)
			break
		}
		if i > 0 {
			b.WriteString("; ")
		}
		b.WriteString("no observation fixes ")
		for j, part := range d.Parts {
			if j == 3 {
				fmt.Fprintf(&b, " and %d more", len(d.Parts)-j)
				break
			}
			if j > 0 {
				b.WriteString(" with ")
			}
			fmt.Fprintf(&b, "%q", part.Name)
			if len(part.Step) > 1 {
				fmt.Fprintf(&b, " along %.3g", part.Step)
			}
		}
	}
	b.WriteString(": add observations or a prior, or hold it constant")
	return b.String()
}

// A direction whose information falls below this share of what it would be with
// all others held has lost all but three digits to rounding and counts as not
// fixed.
const rankTolerance = 1e-13

// invert computes c, and leaves the parts factored for what else is asked.
func (c *Covariance) invert() error {
	if err := c.checkColumns(); err != nil {
		return err
	}
	if c.reduce(0, nil) >= 0 {
		return fmt.Errorf("internal: a block that passed the rank check could not be eliminated")
	}
	n := c.n
	c.c = make([]float64, n*n)
	if n == 0 {
		return nil
	}
	// The scale is that of H, before elimination: what cancels in the Schur
	// complement then shows as small.
	scale := make([]float64, n)
	for i := range scale {
		scale[i] = 1 / math.Sqrt(c.h[i*n+i])
	}
	for i := range n {
		for j := i; j < n; j++ {
			c.s[i*n+j] *= scale[i] * scale[j]
		}
	}
	copy(c.c, c.s)
	a := blas64.Symmetric{Uplo: blas.Upper, N: n, Stride: n, Data: c.c}
	work, iwork := make([]float64, 3*n), make([]int, n)
	norm := lapack64.Lansy(lapack.MaxColumnSum, a, work)
	chol, ok := lapack64.Potrf(a)
	if !ok || lapack64.Pocon(a, norm, work, iwork) < 1e3*rankTolerance {
		if err := c.checkRank(scale); err != nil {
			return err
		}
		if !ok {
			return fmt.Errorf("internal: a matrix that passed the rank check could not be factored")
		}
	}
	lapack64.Potri(chol)
	for i := range n {
		for j := i; j < n; j++ {
			c.c[i*n+j] *= scale[i] * scale[j]
			c.c[j*n+i] = c.c[i*n+j]
		}
	}
	return nil
}

// checkColumns finds columns that no residual depends on, and eliminated blocks
// that are not fixed even with all others held.
func (c *Covariance) checkColumns() error {
	e := &RankError{}
	for b := range c.p.blocks {
		bl := &c.p.blocks[b]
		diagonal := func(col int) float64 { return c.h[col*c.n+col] }
		if gi := c.groupOf[b]; gi >= 0 {
			diagonal = func(col int) float64 { return c.parts[gi].v[col*c.groups[gi].d+col] }
		}
		empty := false
		for i, col := range c.columns[b] {
			if col < 0 || diagonal(col) > 0 {
				continue
			}
			empty = true
			step := make([]float64, bl.dim)
			step[i] = 1
			e.Directions = append(e.Directions, Direction{Parts: []Part{{BlockID(b), bl.name, 1, step}}})
		}
		if gi := c.groupOf[b]; gi >= 0 && !empty {
			e.Directions = append(e.Directions, c.checkPart(gi)...)
		}
	}
	if len(e.Directions) > 0 {
		return e
	}
	return nil
}

// checkPart returns the directions of an eliminated block that nothing fixes.
func (c *Covariance) checkPart(gi int) []Direction {
	pt, d := &c.parts[gi], c.groups[gi].d
	scale := make([]float64, d)
	for i := range scale {
		scale[i] = 1 / math.Sqrt(pt.v[i*d+i])
	}
	a := make([]float64, d*d)
	for i := range d {
		for j := range d {
			a[i*d+j] = pt.v[i*d+j] * scale[i] * scale[j]
		}
	}
	// The pivots bound the smallest eigenvalue only roughly, but most blocks
	// are far from any doubt.
	l := append([]float64(nil), a...)
	least := 0.0
	if cholesky(l, d) {
		least = 1
		for i := range d {
			least = min(least, l[i*d+i]*l[i*d+i])
		}
	}
	if least > 1e4*rankTolerance {
		return nil
	}
	return c.unfixed(a, scale, []int{c.groups[gi].block})
}

// checkRank returns an error that names the directions that nothing fixes in
// the reduced system, which is in s, scaled.
func (c *Covariance) checkRank(scale []float64) error {
	var blocks []int
	for b := range c.p.blocks {
		if c.columns[b] != nil && c.groupOf[b] < 0 {
			blocks = append(blocks, b)
		}
	}
	if d := c.unfixed(append([]float64(nil), c.s...), scale, blocks); len(d) > 0 {
		return &RankError{d}
	}
	return nil
}

// unfixed returns the eigenvectors of the scaled matrix a (upper triangle,
// destroyed) with eigenvalues below the tolerance, as directions of blocks.
func (c *Covariance) unfixed(a, scale []float64, blocks []int) []Direction {
	n := len(scale)
	values, query := make([]float64, n), make([]float64, 1)
	sym := blas64.Symmetric{Uplo: blas.Upper, N: n, Stride: n, Data: a}
	lapack64.Syev(lapack.EVCompute, sym, values, query, -1)
	work := make([]float64, int(query[0]))
	if !lapack64.Syev(lapack.EVCompute, sym, values, work, len(work)) {
		panic("bundle: eigenvalues of a finite symmetric matrix did not converge")
	}
	var out []Direction
	for k := range n {
		if values[k] >= rankTolerance {
			break
		}
		largest := 0.0
		for i := range n {
			if v := a[i*n+k] * scale[i]; math.Abs(v) > math.Abs(largest) {
				largest = v
			}
		}
		d := Direction{Fixed: max(0, values[k])}
		for _, b := range blocks {
			part := Part{Block: BlockID(b), Name: c.p.blocks[b].name, Step: make([]float64, c.p.blocks[b].dim)}
			for i, col := range c.columns[b] {
				if col >= 0 {
					part.Share += a[col*n+k] * a[col*n+k]
					part.Step[i] = a[col*n+k] * scale[col] / largest
				}
			}
			for i, v := range part.Step {
				if math.Abs(v) < 1e-6 { // rounding, only in the way of a reader
					part.Step[i] = 0
				}
			}
			if part.Share > 1e-3 {
				d.Parts = append(d.Parts, part)
			}
		}
		sort.SliceStable(d.Parts, func(i, j int) bool { return d.Parts[i].Share > d.Parts[j].Share })
		out = append(out, d)
	}
	return out
}

// rows returns how the free components of block b depend on the global
// columns: component i moves by coef[i·len(cols)+j] of cols[j]; coef is nil for
// the identity. For an eliminated block this is −V⁻¹W, and it moves by itself
// besides, with covariance V⁻¹.
func (c *Covariance) rows(b BlockID) (coef []float64, cols []int32) {
	gi := c.groupOf[b]
	if gi < 0 {
		for _, col := range c.columns[b] {
			if col >= 0 {
				cols = append(cols, int32(col))
			}
		}
		return nil, cols
	}
	d, k := c.groups[gi].d, len(c.groups[gi].cols)
	coef = make([]float64, d*k)
	for i, y := range c.parts[gi].y {
		coef[i] = -y
	}
	backward(c.parts[gi].l, d, coef, k)
	return coef, c.groups[gi].cols
}

// Between returns the covariance of the steps of blocks a and b, Dim(a)×Dim(b);
// of a with itself, its own covariance. Eliminated blocks may be asked for too.
func (c *Covariance) Between(a, b BlockID) *mat.Dense {
	out := mat.NewDense(c.p.blocks[a].dim, c.p.blocks[b].dim, nil)
	coefA, colsA := c.rows(a)
	coefB, colsB := c.rows(b)
	var own []float64 // what an eliminated block moves by itself
	if gi := c.groupOf[a]; a == b && gi >= 0 {
		d := c.groups[gi].d
		own = make([]float64, d*d)
		for i := range d {
			own[i*d+i] = 1
		}
		forward(c.parts[gi].l, d, own, d)
		backward(c.parts[gi].l, d, own, d)
	}
	free := func(b BlockID) []int {
		var at []int
		for i, col := range c.columns[b] {
			if col >= 0 {
				at = append(at, i)
			}
		}
		return at
	}
	atA, atB := free(a), free(b)

	half := make([]float64, len(atA)*len(colsB)) // of a with the columns of b
	for i := range atA {
		for j, cb := range colsB {
			var sum float64
			if coefA == nil {
				sum = c.c[int(colsA[i])*c.n+int(cb)]
			} else {
				for k, ca := range colsA {
					sum += coefA[i*len(colsA)+k] * c.c[int(ca)*c.n+int(cb)]
				}
			}
			half[i*len(colsB)+j] = sum
		}
	}
	for i, ai := range atA {
		for j, bj := range atB {
			var sum float64
			if coefB == nil {
				sum = half[i*len(colsB)+j]
			} else {
				for k := range colsB {
					sum += half[i*len(colsB)+k] * coefB[j*len(colsB)+k]
				}
			}
			if own != nil {
				sum += own[i*len(atB)+j]
			}
			out.Set(ai, bj, sum)
		}
	}
	return out
}

// Joint returns the covariance of the steps of several blocks, one after the
// other.
func (c *Covariance) Joint(blocks []BlockID) *mat.SymDense {
	n := 0
	at := make([]int, len(blocks))
	for i, b := range blocks {
		at[i] = n
		n += c.p.blocks[b].dim
	}
	out := mat.NewSymDense(n, nil)
	for i, a := range blocks {
		for j := i; j < len(blocks); j++ {
			m := c.Between(a, blocks[j])
			rows, cols := m.Dims()
			for k := range rows {
				for l := range cols {
					if at[i]+k <= at[j]+l {
						out.SetSym(at[i]+k, at[j]+l, m.At(k, l))
					}
				}
			}
		}
	}
	return out
}
