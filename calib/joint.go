package calib

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"wheelplane/vision"
)

// together is the whitening of a view whose corners were measured together
// ([vision.Joint]), less those left out.
//
// With the singular values Rows = U·Σ·Vᵀ the errors e of the corners have the
// information V·Σ²·Vᵀ. A [noise] leaves V as it is and turns σ² into
// σ² / (stated + extra·σ²), so the whitened rows are Vᵀ·e times the root of that.
type together struct {
	v     *mat.Dense // two rows a corner in use × rank
	sigma []float64
}

// newTogether returns nil where nothing is left.
func newTogether(j *vision.Joint, rejected []bool) *together {
	r := len(j.Rows)
	var in, out []int // columns
	for i, no := range rejected {
		if no {
			out = append(out, 2*i, 2*i+1)
		} else {
			in = append(in, 2*i, 2*i+1)
		}
	}
	take := func(cols []int) *mat.Dense {
		m := mat.NewDense(r, len(cols), nil)
		for i, row := range j.Rows {
			for k, c := range cols {
				m.Set(i, k, row[c])
			}
		}
		return m
	}
	rows := take(in)
	if len(out) > 0 {
		// A corner left out may be anywhere: what the rows say of the others is
		// their part without it.
		var svd mat.SVD
		if !svd.Factorize(take(out), mat.SVDFullU) {
			return nil
		}
		rank := svd.Rank(1e-12)
		if rank >= r {
			return nil
		}
		var u, left mat.Dense
		svd.UTo(&u)
		left.Mul(u.Slice(0, r, rank, r).T(), rows)
		rows = &left
	}
	var svd mat.SVD
	if !svd.Factorize(rows, mat.SVDThinV) {
		return nil
	}
	rank := svd.Rank(1e-9)
	if rank == 0 {
		return nil
	}
	var v mat.Dense
	svd.VTo(&v)
	n, _ := v.Dims()
	return &together{mat.DenseCopyOf(v.Slice(0, n, 0, rank)), svd.Values(nil)[:rank]}
}

// root is the root of the information along each column of v.
func (t *together) root(k int, n noise) float64 {
	s := t.sigma[k]
	return s / math.Sqrt(n.stated+n.extra*s*s)
}

// rows returns the whitening, rank × two a corner.
func (t *together) rows(n noise) *mat.Dense {
	rows := mat.DenseCopyOf(t.v.T())
	for k := range t.sigma {
		row, f := rows.RawRowView(k), t.root(k, n)
		for i := range row {
			row[i] *= f
		}
	}
	return rows
}
