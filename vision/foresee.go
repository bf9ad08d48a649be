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
// the print as it would be seen. It is for one goroutine.
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
	return f
}

// foreseenSteps is how many blurs there are to a factor of e.
const foreseenSteps = 4

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
	// over steps of 0.7 of it are as good as integrals.
	const fine = 0.7
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
	gx, gy, area := f.gradients(px)
	nx, ny := math.Hypot(gx[0], gx[1]), math.Hypot(gy[0], gy[1])
	k := len(f.modes.powers)
	dim := 2*k + 1
	n := mat.NewSymDense(dim, nil)
	// The integrals at this blur, between those worked out.
	wx, wy := foreseenSteps*math.Log(l.BlurPx*nx), foreseenSteps*math.Log(l.BlurPx*ny)
	ix, iy := math.Floor(wx), math.Floor(wy)
	noise := l.Noise * (1 + math.Pow(l.BlurPx/(f.pat.cell*math.Sqrt(area)), 3))
	weight := area / (noise * noise)
	grad := [2][2]float64{gx, gy}
	unit := [2][2]float64{{gx[0] / nx, gx[1] / nx}, {gy[0] / ny, gy[1] / ny}} // outwards, in the picture
	for c := range 4 {
		ax, ay := c&1, c>>1
		w := weight * math.Abs(1-float64(ax)-(wx-ix)) * math.Abs(1-float64(ay)-(wy-iy))
		s := f.at([2]int{int(ix) + ax, int(iy) + ay})
		// Slopes over the blur's width are all but the same at every blur.
		scale := [2]float64{math.Exp((float64(ax) - (wx - ix)) / foreseenSteps), math.Exp((float64(ay) - (wy - iy)) / foreseenSteps)}
		for a := range 2 {
			w := w * scale[a]
			g := grad[a]
			for p := range k {
				for q := range p + 1 {
					v := w * s.modes[a][p*k+q]
					n.SetSym(p, q, n.At(p, q)+v*g[0]*g[0])
					n.SetSym(k+p, k+q, n.At(k+p, k+q)+v*g[1]*g[1])
					n.SetSym(k+p, q, n.At(k+p, q)+v*g[0]*g[1])
					if p != q {
						n.SetSym(k+q, p, n.At(k+q, p)+v*g[0]*g[1])
					}
				}
				for o := range 2 {
					v := w * s.push[a][o][p] * (g[0]*unit[o][0] + g[1]*unit[o][1])
					n.SetSym(p, 2*k, n.At(p, 2*k)+v*g[0])
					n.SetSym(k+p, 2*k, n.At(k+p, 2*k)+v*g[1])
				}
			}
			for o := range 2 {
				for m := range 2 {
					v := w * s.both[a][o][m] * (g[0]*unit[o][0] + g[1]*unit[o][1]) * (g[0]*unit[m][0] + g[1]*unit[m][1])
					n.SetSym(2*k, 2*k, n.At(2*k, 2*k)+v)
				}
			}
		}
	}
	for i := range k {
		prior := posePrior
		if f.modes.powers[i] > 2 {
			prior = bendPrior
		}
		n.SetSym(i, i, n.At(i, i)+1/(prior*prior))
		n.SetSym(k+i, k+i, n.At(k+i, k+i)+1/(prior*prior))
	}
	push := pushPrior
	if l.Retouched {
		push += pushLook * usualLook
	}
	n.SetSym(2*k, 2*k, n.At(2*k, 2*k)+1/(push*push))
	var chol mat.Cholesky
	if !chol.Factorize(n) {
		return corners, nil
	}
	q := smooth{modes: f.modes, cov: new(mat.SymDense), lack: l.Lack}
	if chol.InverseTo(q.cov) != nil {
		return corners, nil
	}
	return corners, q.joint(&f.board, corners, l.Retouched)
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
