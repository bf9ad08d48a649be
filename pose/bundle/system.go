package bundle

import (
	"fmt"
	"math"
	"sync"
	"sync/atomic"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack/lapack64"
)

// system is the normal equations of a problem at some values: the undamped
// Hessian JᵀJ and gradient Jᵀr, with the eliminated blocks kept apart:
//
//	| V  W |   V: d×d, one per eliminated block; W: d×(columns the block meets)
//	| Wᵀ H |   H: n×n
//
// and, after [system.factor], the reduced system H + λD − Σ Wᵀ(V + λD)⁻¹W.
type system struct {
	*layout
	workers int
	scratch []*scratch

	h     []float64 // n×n, upper triangle, row by row
	g     []float64 // gradient of the global columns
	parts []part    // by group; empty where nothing is eliminated
	costs []float64 // by term: Σρ(|r|²)

	s    []float64 // the reduced system, then its Cholesky factor; upper triangle
	rhs  []float64
	step []float64 // of the global columns
}

// part is the share of one eliminated block. Matrices are row by row.
type part struct {
	v, w, b  []float64 // V (all of it), W, gradient
	scale    []float64 // D, see [solver]
	l, y, yb []float64 // V + λD = L·Lᵀ, Y = L⁻¹W, L⁻¹b
	step     []float64
}

// scratch belongs to one worker.
type scratch struct {
	x      [][]float64
	jac    [][]float64
	r      []float64
	jbuf   []float64
	jt     []float64 // the Jacobian by columns, then the residuals: (width+1)×rows
	prod   []float64 // jt·jtᵀ
	local  []float64 // sum over a group: (d + columns + 1)², upper triangle
	reduce []float64 // YᵀY
	rhs    []float64 // Yᵀyb
}

func newSystem(l *layout, workers int) *system {
	s := &system{
		layout:  l,
		workers: max(1, min(workers, len(l.groups))),
		h:       make([]float64, l.n*l.n),
		g:       make([]float64, l.n),
		parts:   make([]part, len(l.groups)),
		costs:   make([]float64, len(l.terms)),
		s:       make([]float64, l.n*l.n),
		rhs:     make([]float64, l.n),
		step:    make([]float64, l.n),
	}
	for i := range l.groups {
		d, k := l.groups[i].d, len(l.groups[i].cols)
		if d == 0 {
			continue
		}
		buf := make([]float64, 2*d*d+2*d*k+4*d)
		take := func(n int) []float64 {
			a := buf[:n:n]
			buf = buf[n:]
			return a
		}
		s.parts[i] = part{
			v: take(d * d), w: take(d * k), b: take(d), scale: take(d),
			l: take(d * d), y: take(d * k), yb: take(d), step: take(d),
		}
	}
	most := 0
	for i := range l.terms {
		most = max(most, len(l.p.residuals[l.terms[i].id].blocks))
	}
	jsize := 0
	for i := range l.terms {
		res := &l.p.residuals[l.terms[i].id]
		n := 0
		for _, b := range res.blocks {
			n += l.p.blocks[b].dim
		}
		jsize = max(jsize, n*res.dim)
	}
	for range s.workers {
		s.scratch = append(s.scratch, &scratch{
			x:      make([][]float64, most),
			jac:    make([][]float64, most),
			r:      make([]float64, l.dim),
			jbuf:   make([]float64, jsize),
			jt:     make([]float64, (l.width+1)*l.dim),
			prod:   make([]float64, (l.width+1)*(l.width+1)),
			local:  make([]float64, (l.span+1)*(l.span+1)),
			reduce: make([]float64, l.span*l.span),
			rhs:    make([]float64, l.span),
		})
	}
	return s
}

// eachGroup calls work for every group, on all workers, and then commit, which
// may write what groups share: in the order of the groups and never two at
// once, so that sums do not depend on the number of workers.
func (s *system) eachGroup(work func(sc *scratch, group int), commit func(sc *scratch, group int)) {
	if s.workers == 1 {
		for i := range s.groups {
			work(s.scratch[0], i)
			if commit != nil {
				commit(s.scratch[0], i)
			}
		}
		return
	}
	var next atomic.Int64
	var wait sync.WaitGroup
	var mutex sync.Mutex
	turn, turned := 0, sync.NewCond(&mutex)
	for _, sc := range s.scratch {
		wait.Go(func() {
			for {
				i := int(next.Add(1)) - 1
				if i >= len(s.groups) {
					return
				}
				work(sc, i)
				if commit == nil {
					continue
				}
				mutex.Lock()
				for turn != i {
					turned.Wait()
				}
				mutex.Unlock()
				commit(sc, i)
				mutex.Lock()
				turn++
				turned.Broadcast()
				mutex.Unlock()
			}
		})
	}
	wait.Wait()
}

// A residual that could not be evaluated has one of these in place of its cost.
var (
	costUndefined = math.Inf(1)  // Eval returned false
	costNotFinite = math.Inf(-1) // NaN or infinity
)

// total returns the cost, ½Σρ, or an error that names the first residual that
// could not be evaluated.
func (s *system) total() (float64, error) {
	var sum float64
	for i, c := range s.costs {
		switch c {
		case costUndefined:
			return 0, fmt.Errorf("residual %q is not defined at these values: start nearer to the answer or leave the observation out",
				s.p.residuals[s.terms[i].id].name)
		case costNotFinite:
			return 0, fmt.Errorf("residual %q or its Jacobian is not a finite number: check the observation and its standard uncertainty",
				s.p.residuals[s.terms[i].id].name)
		}
		sum += c
	}
	return sum / 2, nil
}

// bind points the scratch to the blocks of a residual, with their values taken
// from all, and clears its buffers.
func (s *system) bind(sc *scratch, t *term, all []float64, derivatives bool) *residual {
	res := &s.p.residuals[t.id]
	clear(sc.r[:res.dim])
	for i, b := range res.blocks {
		at := s.values[b]
		sc.x[i] = all[at : at+len(s.p.blocks[b].x)]
		sc.jac[i] = nil
	}
	if derivatives {
		used := 0
		for _, i := range t.order {
			n := res.dim * s.p.blocks[res.blocks[i]].dim
			sc.jac[i] = sc.jbuf[used : used+n : used+n]
			used += n
		}
		clear(sc.jbuf[:used])
	}
	return res
}

// cost returns ½Σρ at the values all.
func (s *system) cost(all []float64) (float64, error) {
	s.eachGroup(func(sc *scratch, gi int) {
		for i := s.groups[gi].first; i < s.groups[gi].last; i++ {
			t := &s.terms[i]
			res := s.bind(sc, t, all, false)
			k := len(res.blocks)
			if !res.f.Eval(sc.x[:k], sc.r[:res.dim], sc.jac[:k]) {
				s.costs[i] = costUndefined
				continue
			}
			s.costs[i] = robust(res, sc.r[:res.dim], nil)
		}
	}, nil)
	return s.total()
}

// robust returns Σρ over the groups of a residual. With jt, the Jacobian by
// columns and the residual after it, it scales the rows by √ρ'.
func robust(res *residual, r, jt []float64) float64 {
	var sum float64
	if res.loss == nil {
		for _, a := range r {
			sum += a * a
		}
	} else {
		for at := 0; at < len(r); at += res.group {
			var s float64
			for _, a := range r[at : at+res.group] {
				s += a * a
			}
			rho, weight := res.loss.Rho(s)
			sum += rho
			if jt == nil || weight == 1 {
				continue
			}
			weight = math.Sqrt(weight)
			for c := at; c < len(jt); c += len(r) {
				for i := range jt[c : c+res.group] {
					jt[c+i] *= weight
				}
			}
		}
	}
	if math.IsNaN(sum) || math.IsInf(sum, 0) {
		return costNotFinite
	}
	return sum
}

// linearise evaluates all residuals and their Jacobians at the values all,
// builds the normal equations and returns the cost.
func (s *system) linearise(all []float64) (float64, error) {
	clear(s.h)
	clear(s.g)
	s.eachGroup(
		func(sc *scratch, gi int) { s.accumulate(sc, gi, all) },
		func(sc *scratch, gi int) { s.scatter(sc, gi) },
	)
	return s.total()
}

// accumulate sums [J r]ᵀ[J r] of a group over the columns of the group.
func (s *system) accumulate(sc *scratch, gi int, all []float64) {
	g := &s.groups[gi]
	size := g.d + len(g.cols) + 1
	local := sc.local[:size*size]
	clear(local)
	for ti := g.first; ti < g.last; ti++ {
		t := &s.terms[ti]
		res := s.bind(sc, t, all, true)
		k, m := len(res.blocks), res.dim
		r := sc.r[:m]
		if !res.f.Eval(sc.x[:k], r, sc.jac[:k]) {
			s.costs[ti] = costUndefined
			continue
		}
		cols := t.width + 1
		jt := sc.jt[:cols*m]
		at := 0
		for _, i := range t.order {
			b := res.blocks[i]
			dim, jac, held := s.p.blocks[b].dim, sc.jac[i], s.p.blocks[b].held
			for c := range dim {
				if held != nil && held[c] {
					continue
				}
				column := jt[at : at+m]
				at += m
				for row := range column {
					column[row] = jac[row*dim+c]
				}
			}
		}
		copy(jt[at:], r)
		s.costs[ti] = robust(res, r, jt)

		prod := sc.prod[:cols*cols]
		blas64.Syrk(blas.NoTrans, 1, blas64.General{Rows: cols, Cols: m, Stride: m, Data: jt},
			0, blas64.Symmetric{Uplo: blas.Upper, N: cols, Stride: cols, Data: prod})
		for i := range cols {
			// The Jacobian must be finite as well; every entry shows in the
			// diagonal.
			if d := prod[i*cols+i]; math.IsNaN(d) || math.IsInf(d, 0) {
				s.costs[ti] = costNotFinite
			}
			li := size - 1
			if i < t.width {
				li = int(t.local[i])
			}
			row, from := local[li*size:(li+1)*size], prod[i*cols:(i+1)*cols]
			for j := i; j < t.width; j++ {
				row[t.local[j]] += from[j]
			}
			row[size-1] += from[t.width]
		}
	}
	if g.d == 0 {
		return
	}
	pt, d, k := &s.parts[gi], g.d, len(g.cols)
	for i := range d {
		row := local[i*size : (i+1)*size]
		for j := i; j < d; j++ {
			pt.v[i*d+j], pt.v[j*d+i] = row[j], row[j]
		}
		copy(pt.w[i*k:(i+1)*k], row[d:d+k])
		pt.b[i] = row[size-1]
	}
}

// scatter adds what a group gave to the global columns.
func (s *system) scatter(sc *scratch, gi int) {
	g := &s.groups[gi]
	size := g.d + len(g.cols) + 1
	for i, ci := range g.cols {
		row := sc.local[(g.d+i)*size : (g.d+i+1)*size]
		to := s.h[int(ci)*s.n : (int(ci)+1)*s.n]
		for j := i; j < len(g.cols); j++ {
			to[g.cols[j]] += row[g.d+j]
		}
		s.g[ci] += row[size-1]
	}
}

// reduce eliminates: it fills s and rhs with the reduced system and right-hand
// side for damping λ of the scales D. It returns the first group whose block
// cannot be eliminated, or -1.
func (s *system) reduce(lambda float64, scale []float64) int {
	copy(s.s, s.h)
	for i := range s.n {
		if scale != nil {
			s.s[i*s.n+i] += lambda * scale[i]
		}
		s.rhs[i] = -s.g[i]
	}
	bad := -1
	s.eachGroup(
		func(sc *scratch, gi int) {
			g := &s.groups[gi]
			if g.d == 0 {
				return
			}
			pt, d, k := &s.parts[gi], g.d, len(g.cols)
			copy(pt.l, pt.v)
			if scale != nil {
				for i := range d {
					pt.l[i*d+i] += lambda * pt.scale[i]
				}
			}
			if !cholesky(pt.l, d) {
				pt.l[0] = -1 // tells commit
				return
			}
			copy(pt.y, pt.w)
			copy(pt.yb, pt.b)
			forward(pt.l, d, pt.y, k)
			forward(pt.l, d, pt.yb, 1)
			if k == 0 {
				return
			}
			blas64.Syrk(blas.Trans, 1, blas64.General{Rows: d, Cols: k, Stride: k, Data: pt.y},
				0, blas64.Symmetric{Uplo: blas.Upper, N: k, Stride: k, Data: sc.reduce[:k*k]})
			rhs := sc.rhs[:k]
			clear(rhs)
			for i, a := range pt.yb {
				for j, y := range pt.y[i*k : (i+1)*k] {
					rhs[j] += a * y
				}
			}
		},
		func(sc *scratch, gi int) {
			g := &s.groups[gi]
			if g.d == 0 {
				return
			}
			if s.parts[gi].l[0] < 0 {
				if bad < 0 {
					bad = gi
				}
				return
			}
			k := len(g.cols)
			for i, ci := range g.cols {
				row := sc.reduce[i*k : (i+1)*k]
				to := s.s[int(ci)*s.n : (int(ci)+1)*s.n]
				for j := i; j < k; j++ {
					to[g.cols[j]] -= row[j]
				}
				s.rhs[ci] += sc.rhs[i]
			}
		})
	return bad
}

// solve fills step and the steps of the parts with the solution of the damped
// normal equations. It returns false where they are not positive definite.
func (s *system) solve(lambda float64, scale []float64) bool {
	if s.reduce(lambda, scale) >= 0 {
		return false
	}
	if s.n > 0 {
		chol, ok := lapack64.Potrf(blas64.Symmetric{Uplo: blas.Upper, N: s.n, Stride: s.n, Data: s.s})
		if !ok {
			return false
		}
		copy(s.step, s.rhs)
		lapack64.Potrs(chol, blas64.General{Rows: s.n, Cols: 1, Stride: 1, Data: s.step})
	}
	s.eachGroup(func(_ *scratch, gi int) {
		g := &s.groups[gi]
		if g.d == 0 {
			return
		}
		pt, k := &s.parts[gi], len(g.cols)
		for i := range g.d {
			sum := -pt.yb[i]
			for j, c := range g.cols {
				sum -= pt.y[i*k+j] * s.step[c]
			}
			pt.step[i] = sum
		}
		backward(pt.l, g.d, pt.step, 1)
	}, nil)
	return true
}

// cholesky replaces the lower triangle of the d×d matrix a by L with L·Lᵀ = a.
func cholesky(a []float64, d int) bool {
	for i := range d {
		for j := range i + 1 {
			sum := a[i*d+j]
			for k := range j {
				sum -= a[i*d+k] * a[j*d+k]
			}
			if i != j {
				a[i*d+j] = sum / a[j*d+j]
				continue
			}
			if !(sum > 0) {
				return false
			}
			a[i*d+i] = math.Sqrt(sum)
		}
	}
	return true
}

// forward replaces the d×k matrix b by L⁻¹·b.
func forward(l []float64, d int, b []float64, k int) {
	for i := range d {
		row := b[i*k : (i+1)*k]
		for j := range i {
			f := l[i*d+j]
			for c, a := range b[j*k : (j+1)*k] {
				row[c] -= f * a
			}
		}
		f := 1 / l[i*d+i]
		for c := range row {
			row[c] *= f
		}
	}
}

// backward replaces the d×k matrix b by L⁻ᵀ·b.
func backward(l []float64, d int, b []float64, k int) {
	for i := d - 1; i >= 0; i-- {
		row := b[i*k : (i+1)*k]
		for j := i + 1; j < d; j++ {
			f := l[j*d+i]
			for c, a := range b[j*k : (j+1)*k] {
				row[c] -= f * a
			}
		}
		f := 1 / l[i*d+i]
		for c := range row {
			row[c] *= f
		}
	}
}
