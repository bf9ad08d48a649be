package calib

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"wheelplane/pose/bundle"
	"wheelplane/vision"
)

// Offset is how one photograph differs from the mean of all: a phone's autofocus
// moves the lens along its axis and changes the focal length with it, its
// stabiliser moves the lens across; and a board that is held in the hand, or
// leans here and lies there, bends a little differently each time.
type Offset struct {
	Focal    float64    // relative
	CentrePx [2]float64 // of the principal point
	Bend     [3]float64 // of the board, besides its [Shape]: BowX, BowXY, BowY
}

const numOffset = 6

func (o *Offset) vector() [numOffset]float64 {
	return [numOffset]float64{o.Focal, o.CentrePx[0], o.CentrePx[1], o.Bend[0], o.Bend[1], o.Bend[2]}
}

func offsetOf(v []float64) Offset {
	return Offset{v[0], [2]float64{v[1], v[2]}, [3]float64{v[3], v[4], v[5]}}
}

// move gives the camera of the photograph.
func (o *Offset) move(c *vision.Camera) {
	c.FX *= 1 + o.Focal
	c.FY *= 1 + o.Focal
	c.CX += o.CentrePx[0]
	c.CY += o.CentrePx[1]
}

// bend gives the board's shape in the photograph.
func (o *Offset) bend(shape []float64) []float64 {
	return []float64{shape[0], shape[1], shape[2] + o.Bend[0], shape[3] + o.Bend[1], shape[4] + o.Bend[2]}
}

// Wander is by how much lens and board differ from photograph to photograph, as
// standard deviations.
type Wander struct {
	Focal    float64 // relative
	CentrePx float64 // of the principal point, x and y each
	Bend     float64 // of the board, as [Shape] counts bows
}

// numWander is the number of them; ofWander says which an offset's component
// has.
const numWander = 3

var ofWander = [numOffset]int{0, 1, 1, 2, 2, 2}

func (w *Wander) vector() [numWander]float64 {
	return [numWander]float64{w.Focal, w.CentrePx, w.Bend}
}

// sigma lists the standard deviations of an [Offset].
func (w *Wander) sigma() (s [numOffset]float64) {
	v := w.vector()
	for i, k := range ofWander {
		s[i] = v[k]
	}
	return s
}

// near tells whether two are alike.
func (w *Wander) near(other *Wander, by float64) bool {
	a, b := w.vector(), other.vector()
	for i := range a {
		if !(math.Abs(a[i]-b[i]) <= by*b[i]) {
			return false
		}
	}
	return true
}

// What is expected of a lens and a board whose wander is not known. By how much
// they do wander shows in photographs that are sharp enough; this counts as much
// as wanderFreedom photographs that show it.
const (
	usualFocalWander  = 0.001
	usualCentreWander = 1.0 / 4000 // over the picture's longer side
	usualBend         = 0.0005
	wanderFreedom     = 3
)

// usualWander is the prior's centre.
func (m *model) usualWander() Wander {
	w := Wander{usualFocalWander, usualCentreWander * float64(max(m.cam.Width, m.cam.Height)), usualBend}
	if m.opts.Wander.Focal > 0 {
		w.Focal = m.opts.Wander.Focal
	}
	if m.opts.Wander.CentrePx > 0 {
		w.CentrePx = m.opts.Wander.CentrePx
	}
	if m.opts.Wander.Bend > 0 {
		w.Bend = m.opts.Wander.Bend
	}
	return w
}

// offsets lists the components of the offsets that are unknown.
func (m *model) offsets() (free, held []int) {
	for i := range numOffset {
		if i < 3 && m.opts.Steady || i >= 3 && m.opts.PerfectBoard {
			held = append(held, i)
		} else {
			free = append(free, i)
		}
	}
	return
}

// offsetPrior holds a photograph's offset to zero with the given standard
// deviations.
type offsetPrior struct{ sigma [numOffset]float64 }

// Eval implements [bundle.Residual].
func (p *offsetPrior) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	_, o := getPhoto(x[0])
	for i, v := range o.vector() {
		r[i] = v / p.sigma[i]
		if jac != nil && jac[0] != nil {
			jac[0][i*numPhoto+6+i] = 1 / p.sigma[i]
		}
	}
	return true
}

// estimateWander finds the standard deviations that make the offsets the
// likeliest, poses and offsets integrated out and the common unknowns held, by
// expectation and maximisation. Source: Dempster, Laird and Rubin, J. Royal
// Statistical Society B 39 (1977) 1-38, cited from memory. The common focal
// length and principal point take up the mean of the offsets, for which one
// photograph less is counted.
func (m *model) estimateWander() {
	free, _ := m.offsets()
	if len(free) == 0 {
		return
	}
	usual := m.usualWander()
	type shown struct {
		info *mat.SymDense // on the free offsets, the pose free too
		pull *mat.VecDense // info times the offsets that this photograph alone shows
	}
	var photos []shown
	k := m.cam.Intrinsics()
	for _, v := range m.views {
		f := m.used(v)
		rows := f.dim()
		r := make([]float64, rows)
		j := make([]float64, rows*numPhoto)
		at := photoValue(v.cameraFromBoard, v.offset)
		if rows <= 6 || !f.Eval([][]float64{k[:], at, m.shapes[v.board]}, r, [][]float64{nil, j, nil}) {
			continue
		}
		jac := mat.NewDense(rows, numPhoto, j)
		own := mat.NewDense(rows, len(free), nil)
		now := make([]float64, len(free))
		for a, i := range free {
			now[a] = at[bundle.PoseSize+i]
			for row := range rows {
				own.Set(row, a, jac.At(row, 6+i))
			}
		}
		var qr mat.QR
		qr.Factorize(jac.Slice(0, rows, 0, 6))
		var q mat.Dense
		qr.QTo(&q)
		// What is left of rows and residuals once the pose has taken its share.
		rest := q.Slice(0, rows, 6, rows).T()
		var b mat.Dense
		b.Mul(rest, own)
		var e, pull, there mat.VecDense
		e.MulVec(rest, mat.NewVecDense(rows, r))
		there.MulVec(&b, mat.NewVecDense(len(now), now))
		e.SubVec(&there, &e)
		pull.MulVec(b.T(), &e)
		info := mat.NewSymDense(len(free), nil)
		info.SymOuterK(1, b.T())
		photos = append(photos, shown{info, &pull})
	}
	w, prior := m.wander.vector(), usual.vector()
	var known [numWander]float64 // offsets' worth of what the photographs show
	var kinds [numWander]float64 // how many components each has
	for _, i := range free {
		kinds[ofWander[i]]++
	}
	for range 500 {
		var sum [numWander]float64
		known = [numWander]float64{}
		for _, p := range photos {
			total := mat.NewSymDense(len(free), nil)
			total.CopySym(p.info)
			for a, i := range free {
				s := w[ofWander[i]]
				total.SetSym(a, a, total.At(a, a)+1/(s*s))
			}
			var chol mat.Cholesky
			var b mat.VecDense
			var cov mat.SymDense
			if !chol.Factorize(total) || chol.SolveVecTo(&b, p.pull) != nil || chol.InverseTo(&cov) != nil {
				continue
			}
			for a, i := range free {
				k := ofWander[i]
				sum[k] += b.AtVec(a)*b.AtVec(a) + cov.At(a, a)
				known[k] += 1 - cov.At(a, a)/(w[k]*w[k])
			}
		}
		done := true
		for k, n := range kinds {
			if n == 0 {
				continue
			}
			next := math.Sqrt((wanderFreedom*prior[k]*prior[k] + sum[k]/n) / (wanderFreedom + float64(len(photos)-1)))
			done = done && math.Abs(next-w[k]) < 1e-3*w[k]
			w[k] = next
		}
		if done {
			break
		}
	}
	// A scatter seen in n values is uncertain itself: its square's mean is
	// n/(n − 2) of it (JCGM 101:2008, 6.4.9.4), in so far as it was seen.
	for k, n := range known {
		all := wanderFreedom + n
		w[k] *= math.Sqrt(all / (all - 2*n/all))
	}
	m.wander = Wander{w[0], w[1], w[2]}
}
