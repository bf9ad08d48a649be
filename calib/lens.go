package calib

import (
	"context"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"wheelplane/vision"
)

// Lens names the terms of the lens that are found. The others are zero.
type Lens string

// A plain lens has k1, k2, p1, p2, k3; the rational one k4, k5, k6 besides, one
// with a prism s1 ... s4, a rich one all of them.
const (
	LensAuto     Lens = ""
	LensPlain    Lens = "plain"
	LensRational Lens = "rational"
	LensPrism    Lens = "prism"
	LensRich     Lens = "rich"
)

// lenses are the choices beyond a plain one, with the intrinsics they free (in
// the order of [vision.IntrinsicNames]).
var lenses = []struct {
	lens Lens
	name string
	free []int
}{
	{LensRational, "the rational model (k4 k5 k6)", []int{9, 10, 11}},
	{LensPrism, "the thin prism model (s1 ... s4)", []int{12, 13, 14, 15}},
	{LensRich, "the rational and the thin prism model (k4 k5 k6 s1 ... s4)", []int{9, 10, 11, 12, 13, 14, 15}},
}

// free lists the intrinsics beyond those of a plain lens.
func (l Lens) free() []int {
	for _, c := range lenses {
		if c.lens == l {
			return c.free
		}
	}
	return nil
}

// chooseLens starts from the fit of a plain lens and returns the fit with the
// terms that the residuals ask for, or the options.
//
// A term must earn its place by the Bayesian information criterion: the squared
// whitened residuals must fall by more than k·ln(n) for k terms and n rows. All
// lenses are compared on the same corners with the same weights, those of the
// richest. Residuals that are alike in a photograph, a place or on the board
// pretend to more rows than they are, so a fall is divided by what such groups
// leave of it there ([Result.Together]). Source: Schwarz, Annals of Statistics 6
// (1978) 461-464, cited from memory.
func (m *model) chooseLens(ctx context.Context, res *Result) (*model, error) {
	if m.opts.Lens != LensAuto {
		res.LensWhy = "as asked for"
		return m, nil
	}
	res.LensWhy = "further terms would not lower the residuals by more than chance"
	gains, err := m.lensGains()
	if err != nil {
		return m, nil // the covariance will say what is wrong
	}
	price := math.Log(m.freedom())
	var may []int
	for i, c := range lenses {
		if gains[i] > float64(len(c.free))*price {
			may = append(may, i)
		}
	}
	if len(may) == 0 {
		return m, nil
	}
	var judge *model
	var told *Result
	for i := len(lenses) - 1; i >= 0 && judge == nil; i-- {
		rich := m.clone()
		rich.lens = lenses[i].lens
		told = &Result{}
		if err := rich.refit(ctx); err == nil && len(rich.views) == len(m.views) {
			rich.report(told)
			if rich.uncertainty(told) == nil {
				judge = rich
			}
		}
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
	}
	if judge == nil {
		return m, nil
	}
	// fitted has the judge's corners and weights.
	fitted := func(l Lens) (*model, float64) {
		c := judge.clone()
		c.lens, c.cam = l, m.cam
		cost, err := c.solve(ctx, nil)
		if err != nil {
			return nil, math.Inf(1)
		}
		return c, 2*cost/told.Together + float64(len(l.free()))*price
	}
	plain, least := fitted(LensPlain)
	best, name := (*model)(nil), ""
	for _, i := range may {
		if c, cost := fitted(lenses[i].lens); cost < least && (invertible(&c.cam) || !invertible(&m.cam)) {
			best, least, name = c, cost, lenses[i].name
		}
	}
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	if best == nil || plain == nil || best.refit(ctx) != nil || len(best.views) < len(m.views) {
		return m, ctx.Err()
	}
	before, after := &Result{}, &Result{}
	plain.report(before)
	best.report(after)
	res.LensWhy = fmt.Sprintf("the lens needs %s: residuals %.2g -> %.2g px", name, before.RMSPx, after.RMSPx)
	return best, nil
}

// lensGains predicts by how much each of the lenses would lower the squared
// whitened residuals: Rao's score test, from the derivatives at the present
// solution, without solving again.
func (m *model) lensGains() ([]float64, error) {
	all := m.clone()
	all.lens, all.alike = LensRich, 1
	e, err := all.equations()
	if err != nil {
		return nil, err
	}
	_, n := e.x.Dims()
	total := mat.NewSymDense(n, nil)
	total.SymOuterK(1, e.x.T())
	total.AddSym(total, e.prior)
	pull := mat.NewVecDense(n, nil)
	pull.MulVec(e.x.T(), mat.NewVecDense(len(e.r), e.r))
	var gains []float64
	for _, c := range lenses {
		var in []int
		extra := map[int]bool{}
		for i := range n {
			if i < vision.PlainIntrinsics || i >= vision.NumIntrinsics {
				in = append(in, i)
			}
		}
		for _, i := range c.free {
			in, extra[i] = append(in, i), true
		}
		t := mat.NewSymDense(len(in), nil)
		g := mat.NewVecDense(len(in), nil)
		for a, i := range in {
			s := math.Sqrt(total.At(i, i))
			if extra[i] {
				g.SetVec(a, pull.AtVec(i)/s)
			}
			for b, j := range in[:a+1] {
				t.SetSym(a, b, total.At(i, j)/(s*math.Sqrt(total.At(j, j))))
			}
		}
		var chol mat.Cholesky
		var x mat.VecDense
		if !chol.Factorize(t) || chol.SolveVecTo(&x, g) != nil {
			gains = append(gains, 0)
			continue
		}
		gains = append(gains, mat.Dot(g, &x))
	}
	return gains, nil
}

// clone copies what a fit changes.
func (m *model) clone() *model {
	c := *m
	c.dropped = append([]string(nil), m.dropped...)
	c.shapes, c.views = nil, nil
	for _, s := range m.shapes {
		c.shapes = append(c.shapes, append([]float64(nil), s...))
	}
	for _, v := range m.views {
		w := *v
		w.rejected = append([]bool(nil), v.rejected...)
		w.squared = append([]float64(nil), v.squared...)
		c.views = append(c.views, &w)
	}
	return &c
}
