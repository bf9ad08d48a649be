package vision

import (
	"math"
	"sync"

	"gonum.org/v1/gonum/mat"
)

// Likeness says what pictures are like that are not taken yet, as far as it decides
// how well boards are measured in them.
type Likeness struct {
	// BlurPx is the standard deviation of the point spread with the pixel's own
	// area, pixels.
	BlurPx float64
	// Noise is the standard deviation of a grey value about its prediction, over
	// the contrast between white and black.
	Noise float64
	// Lack is the LackOfFit of boards, see [Joint].
	Lack float64
	// Retouched tells that a phone sharpens its pictures.
	Retouched bool
}

// Foresight tells what the fit of a whole board would know of it in a picture
// that is not taken yet: the fit's own normal equations (see refine_board.go), of
// the print as it would be seen. Several goroutines may use one.
//
// The information that grey values hold of a shift d of the board's picture is
// the sum of ∇g·∇gᵀ/σ² over its pixels, g the blurred print (e.g. Lucas and Kanade
// 1981); where d is smooth over the board, modes of d are as well known as this
// says by the modes' products. The print's slopes are integrated over the board
// once for each blur, in squares, and turned into a picture's pixels then.
type Foresight struct {
	board Board
	pat   *pattern
	modes modes
	// The modes at the corners: orthonormal columns, and each mode's part in them.
	ortho   [][]float64 // d × corners
	inOrtho [][]float64 // d × modes

	mu     sync.Mutex
	slopes map[[2]int]*slopes
}

// slopes are integrals over the board of the squared slope of its print, blurred,
// along x (0) and y (1), per square.
type slopes struct {
	modes [2][]float64            // times the products of modes, k × k
	push  [2][2][numTerms]float64 // times modes and which side of the outline, along x and y
	both  [2][2][2]float64        // times sides
}

// NewForesight is that of boards with the geometry of b; which of its markers it
// has makes no difference worth having.
func NewForesight(b Board) *Foresight {
	f := &Foresight{board: b, pat: newPattern(&b, allCells), slopes: map[[2]int]*slopes{}}
	nodes := nodesOf(&b, f.pat)
	for i := range nodes {
		nodes[i].ok = true
	}
	for degree := knownLensDegree; degree > 0; degree-- {
		f.modes = newModes(&b, nodes, degree)
		if 2*len(nodes)-2*len(f.modes.powers) >= leastSpare {
			break
		}
	}
	var rows [][numTerms]float64
	for c := range b.NumCorners() {
		rows = append(rows, f.modes.at(b.cornerSquares(c)))
	}
	f.ortho = orthonormal(rows, len(f.modes.powers))
	for _, o := range f.ortho {
		part := make([]float64, len(f.modes.powers))
		for p := range part {
			for c, v := range o {
				part[p] += v * rows[c][p]
			}
		}
		f.inOrtho = append(f.inOrtho, part)
	}
	return f
}

// foreseenSteps is how many blurs there are to a factor of e.
const foreseenSteps = 3

// at returns the integrals for a blur of exp(step/foreseenSteps) squares along x
// and y.
func (f *Foresight) at(step [2]int) *slopes {
	f.mu.Lock()
	defer f.mu.Unlock()
	if s, ok := f.slopes[step]; ok {
		return s
	}
	k := len(f.modes.powers)
	s := &slopes{modes: [2][]float64{make([]float64, k*k), make([]float64, k*k)}}
	f.slopes[step] = s
	// The squared slopes are Gaussian ridges of a width of 0.7 of the blur: sums
	// over steps of the blur are integrals to a ten thousandth.
	const fine = 1
	blurX, blurY := math.Exp(float64(step[0])/foreseenSteps), math.Exp(float64(step[1])/foreseenSteps)
	x := blurred(f.pat.xs, f.board.Cols, blurX, fine)
	y := blurred(f.pat.ys, f.board.Rows, blurY, fine)
	white := mat.NewDense(len(f.pat.ys)+1, len(f.pat.xs)+1, f.pat.white)
	slope := func(x, y *mat.Dense) *mat.Dense {
		var half, g mat.Dense
		half.Mul(y, white)
		g.Mul(&half, x.T())
		return &g
	}
	gx, gy := slope(x.slope, y.share), slope(x.share, y.slope)
	// Half squares, as the fit's windows have them, and what blurs over the outline.
	b := &f.board
	sums := make([][2]float64, (2*b.Cols)*(2*b.Rows))
	area := x.step * y.step
	for j, v := range y.at {
		row := min(max(int(2*v), 0), 2*b.Rows-1) * 2 * b.Cols
		for i, u := range x.at {
			if f.looksAt(u, v) {
				sum := &sums[row+min(max(int(2*u), 0), 2*b.Cols-1)]
				sum[0] += gx.At(j, i) * gx.At(j, i) * area
				sum[1] += gy.At(j, i) * gy.At(j, i) * area
			}
		}
	}
	for c, v := range sums {
		i, j := c%(2*b.Cols), c/(2*b.Cols)
		t := f.modes.at([2]float64{(float64(i) + 0.5) / 2, (float64(j) + 0.5) / 2})
		out := [2]float64{side(i, 2*b.Cols), side(j, 2*b.Rows)}
		for a := range 2 {
			for p := range k {
				for q := range k {
					s.modes[a][p*k+q] += v[a] * t[p] * t[q]
				}
				for o := range 2 {
					s.push[a][o][p] += v[a] * t[p] * out[o]
				}
			}
			for o := range 2 {
				for l := range 2 {
					s.both[a][o][l] += v[a] * out[o] * out[l]
				}
			}
		}
	}
	return s
}

// A blurredAxis is how the cells of a print along one axis are seen at places along
// it: each cell's share in what is seen, and how that changes, per square.
type blurredAxis struct {
	at           []float64
	step         float64    // from place to place, squares
	share, slope *mat.Dense // places × cells
}

// blurred is an axis of so many squares whose cells end at lines, smeared with a
// standard deviation of blur, at places so much of it apart, to a quarter of a
// square beyond the outline.
func blurred(lines []float64, squares int, blur, fine float64) (b blurredAxis) {
	const border = 0.25
	length := float64(squares) + 2*border
	n := int(math.Ceil(length / (fine * blur)))
	b.step = length / float64(n)
	b.share, b.slope = mat.NewDense(n, len(lines)+1, nil), mat.NewDense(n, len(lines)+1, nil)
	for i := range n {
		at := -border + (float64(i)+0.5)*b.step
		b.at = append(b.at, at)
		share, slope := b.share.RawRowView(i), b.slope.RawRowView(i)
		share[0] = 1
		for c, line := range lines { // the print changes here from one cell to the next
			u := (at - line) / blur
			over, density := 0.5*math.Erfc(-u/math.Sqrt2), math.Exp(-u*u/2)/(blur*math.Sqrt(2*math.Pi))
			share[c], share[c+1] = share[c]-over, over
			slope[c], slope[c+1] = slope[c]-density, density
		}
	}
	return b
}

// looksAt tells whether the fit has a window that reaches a place.
func (f *Foresight) looksAt(x, y float64) bool {
	if f.pat.half >= 0.5 {
		return true
	}
	c, r := math.Round(x), math.Round(y)
	return c > 0 && r > 0 && c < float64(f.board.Cols) && r < float64(f.board.Rows) && math.Abs(x-c) < f.pat.half && math.Abs(y-r) < f.pat.half
}

// side tells at which end of n half squares one is: -1, 1, or 0 where at none.
func side(i, n int) float64 {
	switch i {
	case 0:
		return -1
	case n - 1:
		return 1
	}
	return 0
}

// Foresee returns what the fit would tell of a board whose inner corners are at
// px, pixels, by their index.
//
// Light, blur and tone curve are taken as known. That they are not costs nothing
// where the marker's cells are wider than the point spread; where they are not, an
// error grows by as much as the cube of their ratio, measured (go test ./pose/plan
// -run PlanRendered -accuracy -v).
func (f *Foresight) Foresee(px [][2]float64, l Likeness) (corners []Corner, joint *Joint) {
	for i, p := range px {
		corners = append(corners, Corner{Index: i, Px: p})
	}
	var chol mat.Cholesky
	var cov mat.SymDense
	if !chol.Factorize(f.information(px, l)) || chol.InverseTo(&cov) != nil {
		return corners, nil
	}
	return corners, f.joint(&cov, corners, l)
}

// information is the fit's normal equations: of the modes in x, in y, and the push
// of the outline.
func (f *Foresight) information(px [][2]float64, l Likeness) *mat.SymDense {
	gx, gy, area := f.gradients(px)
	nx, ny := math.Hypot(gx[0], gx[1]), math.Hypot(gy[0], gy[1])
	noise := l.Noise * (1 + math.Pow(l.BlurPx/(f.pat.cell*math.Sqrt(area)), 3))
	s := f.between(l.BlurPx*nx, l.BlurPx*ny, area/(noise*noise))
	outward := [2][2]float64{{gx[0] / nx, gx[1] / nx}, {gy[0] / ny, gy[1] / ny}} // in the picture
	k := len(f.modes.powers)
	dim := 2*k + 1
	n := make([]float64, dim*dim)
	for a, g := range [2][2]float64{gx, gy} {
		out := [2]float64{g[0]*outward[0][0] + g[1]*outward[0][1], g[0]*outward[1][0] + g[1]*outward[1][1]}
		for p := range k {
			for q, v := range s.modes[a][p*k : (p+1)*k] {
				n[p*dim+q] += v * g[0] * g[0]
				n[p*dim+k+q] += v * g[0] * g[1]
				n[(k+p)*dim+k+q] += v * g[1] * g[1]
			}
			for o := range 2 {
				v := s.push[a][o][p] * out[o]
				n[p*dim+2*k] += v * g[0]
				n[(k+p)*dim+2*k] += v * g[1]
			}
		}
		for o := range 2 {
			for m := range 2 {
				n[dim*dim-1] += s.both[a][o][m] * out[o] * out[m]
			}
		}
	}
	for i := range k {
		prior := posePrior
		if f.modes.powers[i] > 2 {
			prior = bendPrior
		}
		n[i*(dim+1)] += 1 / (prior * prior)
		n[(k+i)*(dim+1)] += 1 / (prior * prior)
	}
	push := pushPrior
	if l.Retouched {
		push += pushLook * usualLook
	}
	n[dim*dim-1] += 1 / (push * push)
	return mat.NewSymDense(dim, n) // of which the upper triangle counts
}

// between returns the integrals for a blur in squares along x and y, between those
// worked out, times a weight.
func (f *Foresight) between(blurX, blurY, weight float64) *slopes {
	wx, wy := foreseenSteps*math.Log(blurX), foreseenSteps*math.Log(blurY)
	ix, iy := math.Floor(wx), math.Floor(wy)
	k := len(f.modes.powers)
	out := &slopes{modes: [2][]float64{make([]float64, k*k), make([]float64, k*k)}}
	for c := range 4 {
		fromX, fromY := float64(c&1)-(wx-ix), float64(c>>1)-(wy-iy)
		s := f.at([2]int{int(ix) + c&1, int(iy) + c>>1})
		w := weight * (1 - math.Abs(fromX)) * (1 - math.Abs(fromY))
		for a, from := range [2]float64{fromX, fromY} {
			// Squared slopes times the blur are all but the same at every blur.
			w := w * math.Exp(from/foreseenSteps)
			for i, v := range s.modes[a] {
				out.modes[a][i] += w * v
			}
			for o := range 2 {
				for i, v := range s.push[a][o] {
					out.push[a][o][i] += w * v
				}
				for m, v := range s.both[a][o] {
					out.both[a][o][m] += w * v
				}
			}
		}
	}
	return out
}

// joint is what a solution of this covariance knows of the corners, all of them,
// whose covariances it sets: as [smooth.joint] has it, but that its rows are not at
// right angles, which is quicker.
func (f *Foresight) joint(cov *mat.SymDense, corners []Corner, l Likeness) *Joint {
	k, d, n := len(f.modes.powers), len(f.ortho), len(corners)
	factor, least := promised(l.Lack, l.Retouched)
	sym := mat.NewSymDense(2*d, nil)
	half := make([]float64, k)
	for a := range 2 {
		for b := range a + 1 {
			for i := range d {
				for q := range half {
					half[q] = 0
					for p, v := range f.inOrtho[i] {
						half[q] += v * cov.At(a*k+p, b*k+q)
					}
				}
				for j := range d {
					if a*d+i >= b*d+j {
						sym.SetSym(a*d+i, b*d+j, factor*dot(half, f.inOrtho[j]))
					}
				}
			}
		}
	}
	for i := range 2 * d {
		sym.SetSym(i, i, sym.At(i, i)+least*least)
	}
	for c := range corners {
		var v [3]float64
		for i, oi := range f.ortho {
			for j, oj := range f.ortho {
				p := oi[c] * oj[c]
				v[0] += p * sym.At(i, j)
				v[1] += p * sym.At(i, d+j)
				v[2] += p * sym.At(d+i, d+j)
			}
		}
		corners[c].Cov = v
	}
	var chol mat.Cholesky
	var lower, white mat.TriDense
	if !chol.Factorize(sym) {
		return nil
	}
	chol.LTo(&lower)
	if white.InverseTri(&lower) != nil {
		return nil
	}
	joint := &Joint{LackOfFit: l.Lack}
	for a := range 2 * d {
		row := make([]float64, 2*n)
		for i := range a + 1 {
			w, o := white.At(a, i), f.ortho[i%d]
			for c, v := range o {
				row[2*c+i/d] += w * v
			}
		}
		joint.Rows = append(joint.Rows, row)
	}
	return joint
}

// usualLook is about what tone curve and sharpening come to in phones' pictures.
const usualLook = 1.0

// gradients are those of the board's coordinates, squares per pixel, over the
// board, and how many pixels a square has.
func (f *Foresight) gradients(px [][2]float64) (gx, gy [2]float64, area float64) {
	// Slopes of a plane through the corners: they lie on a grid.
	var sxx, syy float64
	var jx, jy [2]float64
	for i, p := range px {
		c := f.board.cornerSquares(i)
		x, y := c[0]-float64(f.board.Cols)/2, c[1]-float64(f.board.Rows)/2
		sxx, syy = sxx+x*x, syy+y*y
		for k := range 2 {
			jx[k] += x * p[k]
			jy[k] += y * p[k]
		}
	}
	for k := range 2 {
		jx[k], jy[k] = jx[k]/sxx, jy[k]/syy
	}
	det := jx[0]*jy[1] - jx[1]*jy[0]
	return [2]float64{jy[1] / det, -jy[0] / det}, [2]float64{-jx[1] / det, jx[0] / det}, math.Abs(det)
}
