package plan

import "gonum.org/v1/gonum/mat"

// shares is the covariance of unknowns that all photographs have in common, and what
// each photograph says of them.
type shares struct {
	cols [][]int32
	rows []*mat.Dense // information of each photograph as independent rows
	c    *mat.SymDense
}

// factor is the Cholesky factor of 1 + sign·F·C·Fᵀ, F rows about some columns; not
// ok where taking them out leaves nothing.
func (s *shares) factor(f *mat.Dense, cols []int32, sign float64) (chol *mat.Cholesky, ok bool) {
	m, w := f.Dims()
	sub := mat.NewDense(w, w, nil)
	for i, a := range cols {
		for j, b := range cols {
			sub.Set(i, j, s.c.At(int(a), int(b)))
		}
	}
	var fs, ff mat.Dense
	fs.Mul(f, sub)
	ff.Mul(&fs, f.T())
	inner := mat.NewSymDense(m, nil)
	for i := range m {
		for j := i; j < m; j++ {
			inner.SetSym(i, j, sign*(ff.At(i, j)+ff.At(j, i))/2)
		}
		inner.SetSym(i, i, inner.At(i, i)+1)
	}
	chol = new(mat.Cholesky)
	return chol, chol.Factorize(inner)
}

// spread is F·C, rows × all columns, of photograph k.
func (s *shares) spread(k int) *mat.Dense {
	part := mat.NewDense(len(s.cols[k]), s.c.SymmetricDim(), nil)
	for i, a := range s.cols[k] {
		for j := range s.c.SymmetricDim() {
			part.Set(i, j, s.c.At(int(a), j))
		}
	}
	fc := new(mat.Dense)
	fc.Mul(s.rows[k], part)
	return fc
}

// update adds photograph k (sign 1) or takes it out (sign −1).
func (s *shares) update(k int, sign float64) {
	chol, ok := s.factor(s.rows[k], s.cols[k], sign)
	if !ok {
		panic("plan: a photograph was taken out that is needed")
	}
	var l mat.TriDense
	chol.LTo(&l)
	fc := s.spread(k)
	half := mat.DenseCopyOf(fc)
	if err := half.Solve(&l, fc); err != nil {
		if _, poor := err.(mat.Condition); !poor {
			panic(err)
		}
	}
	s.c.SymRankK(s.c, -sign, half.T())
}
