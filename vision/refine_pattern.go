package vision

import "math"

// pattern is a board's print on a grid of cells whose lines are the edges of
// squares and of marker cells, in squares from the board's top-left corner:
// x right, y down. It answers what a camera with a Gaussian point spread sees
// at a point. White reaches beyond the print: the paper's margin.
type pattern struct {
	cols, rows int
	bits       int     // marker cells per side with the border
	margin     float64 // from a square's edge to its marker, squares
	cell       float64 // a marker cell, squares
	half       float64 // the widest window about a corner, squares to each side
	xs, ys     []float64
	white      []float64 // (len(ys)+1) × (len(xs)+1): 1 white, 0 black
}

// detail is how a pattern shows markers.
type detail int

const (
	allCells   detail = iota // as printed
	greyPatch                // one patch of its mean grey, all that a strongly reduced picture shows
	blankPatch               // one patch of black
)

// newPattern is a board's pattern.
func newPattern(b *Board, d detail) *pattern {
	p := &pattern{cols: b.Cols, rows: b.Rows, bits: Dictionaries[b.Dictionary].Bits + 2}
	if d != allCells {
		p.bits = 1
	}
	side := b.MarkerM / b.SquareM
	p.margin = (1 - side) / 2
	p.half = widestWindow(p.margin)
	p.cell = side / float64(p.bits)
	lines := func(squares int) (at []float64) {
		for s := 0; s < squares; s++ {
			at = append(at, float64(s))
			for k := 0; k <= p.bits; k++ {
				at = append(at, float64(s)+p.margin+float64(k)*p.cell)
			}
		}
		return append(at, float64(squares))
	}
	p.xs, p.ys = lines(b.Cols), lines(b.Rows)
	nx := len(p.xs) + 1
	p.white = make([]float64, nx*(len(p.ys)+1))
	for i := range p.white {
		p.white[i] = 1
	}
	stride := p.bits + 2 // lines per square
	set := func(col, row, i, j int, white float64) {
		p.white[(row*stride+j+1)*nx+col*stride+i+1] = white
	}
	for row := 0; row < b.Rows; row++ {
		for col := row % 2; col < b.Cols; col += 2 {
			for j := 0; j < stride; j++ {
				for i := 0; i < stride; i++ {
					set(col, row, i, j, 0)
				}
			}
		}
	}
	for k := 0; k < b.NumMarkers(); k++ {
		col, row := b.MarkerSquare(k)
		cells := MarkerCells(b.Dictionary, b.FirstID+k)
		white := 0
		for r, line := range cells {
			for c, black := range line {
				if !black {
					white++
				} else if d == allCells {
					set(col, row, c+1, r+1, 0)
				}
			}
		}
		switch d {
		case greyPatch:
			set(col, row, 1, 1, float64(white)/float64(len(cells)*len(cells)))
		case blankPatch:
			set(col, row, 1, 1, 0)
		}
	}
	return p
}

// widestWindow is how far a window may reach from its corner: where markers
// leave a wide margin, not into them, for the squares alone are enough then,
// and a print from elsewhere may have its markers a little off their places
// (on such photographs they pull corners by up to 0.3 px).
func widestWindow(margin float64) float64 {
	if margin < 0.2 {
		return 0.5
	}
	return 0.95 * margin
}

// line returns the index of the last line at or before x, or -1.
func (p *pattern) line(x float64, squares int) int {
	if x < 0 {
		return -1
	}
	if x >= float64(squares) {
		return squares * (p.bits + 2)
	}
	s := math.Floor(x)
	k := int(s) * (p.bits + 2)
	if f := x - s - p.margin; f >= 0 {
		k += 1 + min(p.bits, int(f/p.cell))
	}
	return k
}

// flat is the whiteness at a point far from edges.
func (p *pattern) flat(x, y float64) float64 {
	return p.white[(p.line(y, p.rows)+1)*(len(p.xs)+1)+p.line(x, p.cols)+1]
}

// spread is the point spread as seen from the board at one place: the board
// coordinate x is smeared with standard deviation 1/sx squares, y with 1/sy,
// with correlation rho.
type spread struct {
	sx, sy float64
	corr   *correlation
}

// Gauss-Legendre nodes and weights on (0, 1), by their number.
var gauss = func() (g [13][][2]float64) {
	for n := range g {
		g[n] = gaussLegendre(n)
	}
	return
}()

func gaussLegendre(n int) (g [][2]float64) {
	for i := 0; i < n; i++ {
		x := math.Cos(math.Pi * (float64(i) + 0.75) / (float64(n) + 0.5))
		var dp float64
		for it := 0; it < 50; it++ {
			p0, p1 := 1.0, x
			for k := 2; k <= n; k++ {
				p0, p1 = p1, (float64(2*k-1)*x*p1-float64(k-1)*p0)/float64(k)
			}
			dp = float64(n) * (x*p1 - p0) / (x*x - 1)
			step := p1 / dp
			x -= step
			if math.Abs(step) < 1e-15 {
				break
			}
		}
		g = append(g, [2]float64{(1 - x) / 2, 1 / ((1 - x*x) * dp * dp)})
	}
	return
}
