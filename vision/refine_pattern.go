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

// nearLine is the index of the last line at or before x, or -1, looked for from
// another.
func nearLine(at []float64, x float64, from int) int {
	i := min(max(from, -1), len(at)-1)
	for i+1 < len(at) && at[i+1] <= x {
		i++
	}
	for i >= 0 && at[i] > x {
		i--
	}
	return i
}

// reach is how far, in standard deviations of the point spread, an edge is
// felt: Φ(-3.2) is 0.0007 of the contrast.
const reach = 3.2

// spread is the point spread as seen from the board at one place: the board
// coordinate x is smeared with standard deviation 1/sx squares, y with 1/sy,
// with correlation rho.
type spread struct {
	sx, sy float64
	corr   *correlation
}

// sample is the blurred pattern at a point: its whiteness (0 to 1), the
// derivatives with respect to x and y (per square), and the derivative with
// respect to the logarithm of the point spread's width.
func (p *pattern) sample(x, y float64, s spread) (f, fx, fy, fs float64) {
	rx, ry := reach/s.sx, reach/s.sy
	c := s.corr
	i0, i1 := nearLine(p.xs, x, c.line[0]), 0
	c.line[0] = i0
	for i1 = i0 + 1; i1 < len(p.xs) && p.xs[i1]-x < rx; i1++ {
	}
	for i0 >= 0 && x-p.xs[i0] < rx {
		i0--
	}
	j0, j1 := nearLine(p.ys, y, c.line[1]), 0
	c.line[1] = j0
	for j1 = j0 + 1; j1 < len(p.ys) && p.ys[j1]-y < ry; j1++ {
	}
	for j0 >= 0 && y-p.ys[j0] < ry {
		j0--
	}
	// The picture is a sum of steps: lines i0+1 ... i1-1 are near in x.
	nx := len(p.xs) + 1
	base := p.white[(j0+1)*nx : (j0+2)*nx]
	f = base[i0+1]
	if i1-i0 == 1 && j1-j0 == 1 {
		return // flat
	}
	if i1-i0 > maxNear {
		i1 = i0 + maxNear
	}
	h, nh, ph := &c.near[0], &c.near[1], &c.near[2]
	for m := 0; m < i1-i0-1; m++ {
		u := (x - p.xs[i0+1+m]) * s.sx
		h[m] = u
		nh[m], ph[m] = normalNear(u)
		if a := base[i0+m+2] - base[i0+m+1]; a != 0 {
			f += a * nh[m]
			fx += a * ph[m] * s.sx
			fs -= a * ph[m] * u
		}
	}
	prev := base
	for j := j0 + 1; j < j1; j++ {
		row := p.white[(j+1)*nx : (j+2)*nx]
		k := (y - p.ys[j]) * s.sy
		nk, pk := normalNear(k)
		if b := row[i0+1] - prev[i0+1]; b != 0 {
			f += b * nk
			fy += b * pk * s.sy
			fs -= b * pk * k
		}
		for m := 0; m < i1-i0-1; m++ {
			i := i0 + 1 + m
			d := row[i+1] - prev[i+1] - row[i] + prev[i]
			if d == 0 {
				continue
			}
			var v, dh, dk float64
			if c.n == 0 {
				// dΦ₂/dρ is the density: enough for |ρ| < 0.02.
				r := c.rho * ph[m] * pk
				v, dh, dk = nh[m]*nk+r, ph[m]*nk-r*h[m], pk*nh[m]-r*k
			} else {
				v = nh[m]*nk + c.rest(h[m], k)
				a, _ := normal((k - c.rho*h[m]) * c.iq)
				b, _ := normal((h[m] - c.rho*k) * c.iq)
				dh, dk = ph[m]*a, pk*b
			}
			f += d * v
			fx += d * dh * s.sx
			fy += d * dk * s.sy
			fs -= d * (dh*h[m] + dk*k)
		}
		prev = row
	}
	return
}

// maxNear is the most lines that can be near one point: marker cells of half a
// standard deviation, beyond which nothing is left to see of them.
const maxNear = 24

// Φ from a table with a step of 1/32 and the Taylor series to second order:
// an error below 1e-6.
const (
	tableStep = 32
	tableEnd  = 6
)

var normalTable = func() (t [2*tableEnd*tableStep + 1][3]float64) {
	for i := range t {
		x := float64(i)/tableStep - tableEnd
		t[i] = [3]float64{0.5 * math.Erfc(-x/math.Sqrt2), math.Exp(-x*x/2) / math.Sqrt(2*math.Pi), x}
	}
	return
}()

// normal is the standard normal distribution function and its density.
func normal(x float64) (value, density float64) {
	if x <= -tableEnd+1 {
		return 0, 0
	}
	if x >= tableEnd-1 {
		return 1, 0
	}
	return normalNear(x)
}

// normalNear is normal for |x| up to reach.
func normalNear(x float64) (value, density float64) {
	i := int(x*tableStep + (tableEnd*tableStep + 0.5))
	e := &normalTable[i]
	x0 := e[2]
	d := x - x0
	return e[0] + e[1]*d*(1-0.5*x0*d), e[1] * (1 - d*(x0-0.5*d*(x0*x0-1)))
}

// correlation holds what the two-dimensional normal distribution with one
// correlation needs. It is for one goroutine.
type correlation struct {
	rho, iq float64 // iq = 1/sqrt(1-ρ²)
	sin     [12]float64
	half    [12]float64 // 1/(2 cos²)
	weight  [12]float64
	n       int

	// Of the last sample: the lines it found, and room for those near.
	line [2]int
	near [3][maxNear]float64
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

func (c *correlation) set(rho float64) {
	rho = math.Max(-0.999, math.Min(0.999, rho))
	c.rho, c.iq = rho, 1/math.Sqrt(1-rho*rho)
	// As many nodes as leave an error below 2e-4.
	n := 12
	switch a := math.Abs(rho); {
	case a < 0.02:
		n = 0 // first order, in sample
	case a < 0.33:
		n = 1
	case a < 0.75:
		n = 2
	case a < 0.93:
		n = 4
	case a < 0.985:
		n = 6
	}
	nodes := gauss[n]
	c.n = len(nodes)
	angle := math.Asin(rho)
	for i, g := range nodes {
		s := math.Sin(angle * g[0])
		c.sin[i], c.half[i] = s, 1/(2*(1-s*s))
		c.weight[i] = angle * g[1] / (2 * math.Pi)
	}
}

// rest is P(u < h, v < k) - Φ(h)Φ(k) of two standard normal variables with the
// given correlation. Source: Z. Drezner and G. O. Wesolowsky, J. Statist.
// Comput. Simul. 35 (1990), in the form of A. Genz, Statistics and Computing
// 14 (2004).
func (c *correlation) rest(h, k float64) (v float64) {
	a, b := h*h+k*k, 2*h*k
	if a > 18 {
		return 0 // below 1e-4
	}
	for i := 0; i < c.n; i++ {
		v += c.weight[i] * expNeg((a-b*c.sin[i])*c.half[i])
	}
	return v
}

// exp(-x) from a table with a step of 1/16: an error below 1e-5 of it.
const expStep = 16

var expTable = func() (t [18*expStep + 2]float64) {
	for i := range t {
		t[i] = math.Exp(-float64(i) / expStep)
	}
	return
}()

// expNeg is exp(-x) for x from 0, and 0 beyond 18.
func expNeg(x float64) float64 {
	if x > 18 {
		return 0
	}
	i := int(x*expStep + 0.5)
	d := x - float64(i)/expStep
	return expTable[i] * (1 - d*(1-0.5*d))
}
