package vision

import (
	"fmt"
	"image"
	"math"
	"math/bits"
	"sort"
	"sync"
)

// Markers are read here without OpenCV's detector where a grid of corners says
// where they are: cell by cell, on the picture that shows them best.

// codebook holds the codes of a dictionary: one bit a cell, row by row from
// the top left, 1 where white, the first cell in the lowest bit.
type codebook struct {
	bits    int
	words   []uint64
	correct int // wrong cells that leave no doubt which marker it is
	alone   int // wrong cells of a marker that stands alone; -1: none can
}

var codebooks sync.Map // by name of the dictionary: func() *codebook

// codesOf is the codebook of a known dictionary.
func codesOf(dictionary string) *codebook {
	if f, ok := codebooks.Load(dictionary); ok {
		return f.(func() *codebook)()
	}
	d, ok := Dictionaries[dictionary]
	if !ok {
		panic("vision: unknown dictionary " + dictionary)
	}
	f, _ := codebooks.LoadOrStore(dictionary, sync.OnceValue(func() *codebook {
		c := &codebook{bits: d.Bits, words: make([]uint64, d.Size)}
		for id := range c.words {
			c.words[id] = markerWord(d, id)
		}
		c.correct = (c.distance() - 1) / 2
		// The share of all codes that so many wrong cells take for a marker.
		share := 4 * float64(d.Size) / math.Pow(2, float64(d.Bits*d.Bits))
		c.alone = -1
		for sum, ways := share, share; sum < chance && c.alone < min(wrongAlone, c.correct); {
			c.alone++
			ways *= float64(d.Bits*d.Bits-c.alone) / float64(c.alone+1)
			sum += ways
		}
		return c
	}))
	return f.(func() *codebook)()
}

// distance is the fewest cells in which two markers, however turned, or one and
// the same turned, differ.
func (c *codebook) distance() int {
	least := c.bits * c.bits
	for i, w := range c.words {
		for t := range 4 {
			for k, v := range c.words[i:] {
				if k > 0 || t > 0 {
					least = min(least, bits.OnesCount64(v^w))
				}
			}
			w = c.turned(w)
		}
	}
	return least
}

// turned is a code as read from a marker turned by a quarter turn: what was at
// column i and row j is at column n-1-j and row i.
func (c *codebook) turned(w uint64) (out uint64) {
	n := c.bits
	for j := range n {
		for i := range n {
			out |= (w >> (j*n + i) & 1) << (i*n + n - 1 - j)
		}
	}
	return out
}

// nearest is the marker most like a code read, how many quarter turns take it
// to the marker as printed, and how many cells differ. There is none within
// limit where id is below 0.
func (c *codebook) nearest(w uint64, limit int) (id, turns, wrong int) {
	id, wrong = -1, limit+1
	for t := range 4 {
		for k, v := range c.words {
			if d := bits.OnesCount64(v ^ w); d < wrong {
				id, turns, wrong = k, t, d
			}
		}
		w = c.turned(w)
	}
	return
}

// quadReading is what the cells of one square marker show.
type quadReading struct {
	word        uint64
	border      int     // cells of the black border that are not black
	dark, white float64 // grey levels
}

// readLeast is the contrast, grey levels, below which cells are not read.
const readLeast = 10

// readQuad reads the marker with the given corners, pixels of img with its
// first pixel at (0, 0), clockwise from the top left of the frame that the code
// is read in. n is the number of cells to a side, the border included; share the
// part of a cell's light that each neighbour is taken to have got. ok is
// false where it leaves the picture or shows no contrast.
func readQuad(img *image.Gray, q [4][2]float64, n int, share float64) (r quadReading, ok bool) {
	b := img.Bounds()
	w, h := b.Dx(), b.Dy()
	base := img.PixOffset(b.Min.X, b.Min.Y)
	for _, p := range q {
		if !(p[0] >= 0 && p[1] >= 0 && p[0] < float64(w-1) && p[1] < float64(h-1)) {
			return r, false
		}
	}
	var hm [3][3]float64
	if hm, ok = unitSquareTo(q); !ok {
		return r, false
	}
	var v, sharp [64 * 4]float64
	if n*n > len(v) {
		return r, false
	}
	step := 1 / float64(n)
	at := func(x, y float64) float64 {
		d := hm[2][0]*x + hm[2][1]*y + 1
		px, py := (hm[0][0]*x+hm[0][1]*y+hm[0][2])/d, (hm[1][0]*x+hm[1][1]*y+hm[1][2])/d
		iu, iv := int(px), int(py)
		if iu < 0 || iv < 0 || iu >= w-1 || iv >= h-1 {
			return 0
		}
		a, e := px-float64(iu), py-float64(iv)
		o := base + iv*img.Stride + iu
		p := img.Pix
		top := float64(p[o]) + a*(float64(p[o+1])-float64(p[o]))
		bot := float64(p[o+img.Stride]) + a*(float64(p[o+img.Stride+1])-float64(p[o+img.Stride]))
		return top + e*(bot-top)
	}
	for j := range n {
		for i := range n {
			x, y := (float64(i)+0.5)*step, (float64(j)+0.5)*step
			d := 0.2 * step
			v[j*n+i] = (2*at(x, y) + at(x-d, y-d) + at(x+d, y-d) + at(x-d, y+d) + at(x+d, y+d)) / 6
		}
	}
	// Blur lends each cell some of its neighbours' light: it is given back.
	for j := range n {
		for i := range n {
			o := j*n + i
			var s float64
			for _, d := range [4][2]int{{-1, 0}, {1, 0}, {0, -1}, {0, 1}} {
				if a, e := i+d[0], j+d[1]; a >= 0 && e >= 0 && a < n && e < n {
					s += v[o] - v[e*n+a]
				}
			}
			sharp[o] = v[o] + share*s
		}
	}
	cells := sharp[:n*n]
	limit, dark, white, ok := twoLevels(cells)
	if !ok || white-dark < readLeast {
		return r, false
	}
	r.dark, r.white = dark, white
	for j := range n {
		for i := range n {
			on := cells[j*n+i] > limit
			switch {
			case i == 0 || j == 0 || i == n-1 || j == n-1:
				if on {
					r.border++
				}
			case on:
				r.word |= 1 << ((j-1)*(n-2) + i - 1)
			}
		}
	}
	return r, true
}

// shares are those that a marker is read with, one after the other.
var shares = [...]float64{0.12, 0.3, 0.55}

// readCode reads the marker with the given corners, see [readQuad], as the one
// of a dictionary that it is most like. There is none within limit, or with more
// than border white cells about it, where id is below 0.
func (c *codebook) readCode(img *image.Gray, q [4][2]float64, limit, border int) (id, turns, wrong int, r quadReading) {
	for _, share := range shares {
		var ok bool
		if r, ok = readQuad(img, q, c.bits+2, share); !ok || r.border > border {
			continue
		}
		if id, turns, wrong = c.nearest(r.word, limit); id >= 0 {
			return
		}
	}
	return -1, 0, 0, r
}

// twoLevels parts values into dark and white ones so that the variance within
// both is least. Source: N. Otsu, IEEE Trans. SMC 9 (1979).
func twoLevels(v []float64) (limit, dark, white float64, ok bool) {
	var room [256]float64
	s := append(room[:0], v...)
	sort.Float64s(s)
	var total float64
	for _, x := range s {
		total += x
	}
	n := float64(len(s))
	var sum, best float64
	for i, x := range s[:len(s)-1] {
		sum += x
		k := float64(i + 1)
		a, b := sum/k, (total-sum)/(n-k)
		if between := k * (n - k) * (b - a) * (b - a); between > best {
			best, limit, dark, white, ok = between, (a+b)/2, a, b, true
		}
	}
	return
}

// unitSquareTo is the map from the unit square, clockwise from (0, 0), to a
// quadrilateral. Source: P. S. Heckbert, Fundamentals of Texture Mapping and
// Image Warping (1989), section 2.2.3.
func unitSquareTo(q [4][2]float64) (h [3][3]float64, ok bool) {
	sx := q[0][0] - q[1][0] + q[2][0] - q[3][0]
	sy := q[0][1] - q[1][1] + q[2][1] - q[3][1]
	dx1, dx2 := q[1][0]-q[2][0], q[3][0]-q[2][0]
	dy1, dy2 := q[1][1]-q[2][1], q[3][1]-q[2][1]
	det := dx1*dy2 - dx2*dy1
	if math.Abs(det) < 1e-9 {
		return h, false
	}
	g := (sx*dy2 - dx2*sy) / det
	k := (dx1*sy - sx*dy1) / det
	h = [3][3]float64{
		{q[1][0] - q[0][0] + g*q[1][0], q[3][0] - q[0][0] + k*q[3][0], q[0][0]},
		{q[1][1] - q[0][1] + g*q[1][1], q[3][1] - q[0][1] + k*q[3][1], q[0][1]},
		{g, k, 1},
	}
	return h, 1+g > 0.05 && 1+k > 0.05 && 1+g+k > 0.05
}

// cellPx is the least size of a marker cell that reading asks of a reduced
// picture.
const cellPx = 2.6

// levelFor is the most reduced level on which a length, pixels of the
// photograph, has at least so many pixels.
func (s *scene) levelFor(length, least float64) int {
	level := 0
	for level+1 < len(s.levels) && length/float64(int(2)<<level) >= least {
		level++
	}
	return level
}

// onLevel takes pixels of the photograph to those of a level.
func onLevel(p [2]float64, level int) [2]float64 {
	f := float64(int(1) << level)
	return [2]float64{(p[0] - (f-1)/2) / f, (p[1] - (f-1)/2) / f}
}

// offLevel takes pixels of a level to those of the photograph.
func offLevel(p [2]float64, level int) [2]float64 {
	f := float64(int(1) << level)
	return [2]float64{p[0]*f + (f-1)/2, p[1]*f + (f-1)/2}
}

// A marker is taken to be read when so many cells at most are wrong: few where
// it stands alone, more where others say the same.
const (
	chance      = 1e-4 // that cells black and white by chance are taken for a marker
	wrongAlone  = 2
	wrongAmong  = 5
	wrongBorder = 4
)

// placing says how a board lies on a lattice: board squares are lattice places
// turned by so many quarter turns, then shifted.
type placing struct {
	board, turns int
	off          [2]int
}

// turn turns a place by n quarter turns: right becomes down.
func turn(k [2]int, n int) [2]int {
	for range n & 3 {
		k = [2]int{-k[1], k[0]}
	}
	return k
}

// read is what the markers on a lattice say.
type read struct {
	place   placing
	markers int // that say so; 0: none of a board sought
	unknown []int
}

// readLattice reads the markers in and around a lattice whose corners count
// from (1, 1), through its own map w.
func (s *scene) readLattice(l lattice, w *warp, all []saddle) (best read) {
	lo, hi := l.bounds()
	// Cells right and below of corners with even sums: dark, or white?
	var dark int
	for k, v := range l {
		p, ok1 := w.at([2]float64{float64(k[0]), float64(k[1])})
		px, ok2 := w.at([2]float64{float64(k[0]) + 0.1, float64(k[1])})
		py, ok3 := w.at([2]float64{float64(k[0]), float64(k[1]) + 0.1})
		if !ok1 || !ok2 || !ok3 {
			return best
		}
		m := all[v].mixed([2]float64{px[0] - p[0], px[1] - p[1]}, [2]float64{py[0] - p[0], py[1] - p[1]})
		if (m < 0) == ((k[0]+k[1])%2 == 0) {
			dark++
		} else {
			dark--
		}
	}
	white := 0 // parity of white cells
	if dark > 0 {
		white = 1
	}
	type vote struct{ markers, alone int }
	var families []Board
next:
	for i := range s.boards {
		b := &s.boards[i]
		for k := range families {
			if families[k].Dictionary == b.Dictionary && families[k].MarkerM*b.SquareM == b.MarkerM*families[k].SquareM {
				continue next
			}
		}
		families = append(families, *b)
	}
	for f := range families {
		fam := &families[f]
		book := codesOf(fam.Dictionary)
		side := fam.MarkerM / fam.SquareM
		g := (1 - side) / 2
		square := w.squarePx([2]float64{float64(lo[0]+hi[0]) / 2, float64(lo[1]+hi[1]) / 2})
		level := s.levelFor(square*side/float64(book.bits+2), cellPx)
		votes := map[placing]*vote{}
		var order []placing
		ids := map[int]int{}
		for r := lo[1] - 1; r <= hi[1]; r++ {
			for c := lo[0] - 1; c <= hi[0]; c++ {
				if (c+r)&1 != white {
					continue
				}
				var q [4][2]float64
				ok := true
				for i, d := range [4][2]float64{{g, g}, {1 - g, g}, {1 - g, 1 - g}, {g, 1 - g}} {
					p, good := w.at([2]float64{float64(c) + d[0], float64(r) + d[1]})
					ok = ok && good
					q[i] = onLevel(p, level)
				}
				if !ok {
					continue
				}
				id, turns, wrong, m := book.readCode(s.levels[level], q, min(wrongAmong, book.correct), wrongBorder)
				if id < 0 {
					continue
				}
				i, ours := s.owner[fam.Dictionary][id]
				if !ours {
					if wrong <= book.alone && m.border <= wrongAlone {
						ids[id]++
					}
					continue
				}
				b := &s.boards[i]
				mc, mr := b.MarkerSquare(id - b.FirstID)
				// Twice the cell's centre, to stay in whole numbers.
				t := turn([2]int{2*c + 1, 2*r + 1}, turns)
				p := placing{i, turns, [2]int{(2*mc + 1 - t[0]) / 2, (2*mr + 1 - t[1]) / 2}}
				v := votes[p]
				if v == nil {
					v = &vote{}
					votes[p] = v
					order = append(order, p)
				}
				v.markers++
				if wrong <= book.alone && m.border <= wrongAlone {
					v.alone++
				}
			}
		}
		for _, p := range order {
			if v := votes[p]; (v.alone > 0 || v.markers > 1) && v.markers > best.markers {
				best.place, best.markers = p, v.markers
			}
		}
		for id := range ids {
			best.unknown = append(best.unknown, id)
		}
	}
	if len(best.unknown) > 0 {
		sort.Ints(best.unknown)
	}
	return best
}

// latticeWarp is the map from a lattice, moved so that its corners count from
// (1, 1), to the photograph.
func (s *scene) latticeWarp(grid lattice, all []saddle, level int) (l lattice, w warp, ok bool) {
	lo, hi := grid.bounds()
	l = make(lattice, len(grid))
	for k, v := range grid {
		l[[2]int{k[0] - lo[0] + 1, k[1] - lo[1] + 1}] = v
	}
	own := Board{Cols: hi[0] - lo[0] + 2, Rows: hi[1] - lo[1] + 2}
	pts := l.matches(placing{}, all, level)
	if w, ok = fitWarp(pts, s.lens, &own, len(pts) >= 20); !ok {
		return l, w, false
	}
	// Clutter does not lie on a plane's grid.
	off := make([]float64, len(pts))
	for i, m := range pts {
		p, _ := w.at(m.board)
		off[i] = math.Hypot(p[0]-m.px[0], p[1]-m.px[1])
	}
	limit := latticeSlackPx*float64(int(1)<<level) + latticeSlack*w.squarePx([2]float64{float64(own.Cols) / 2, float64(own.Rows) / 2})
	return l, w, median(off) < limit
}

// How far the corners of a lattice lie from a plane's grid, half of them at
// most: pixels of the level, and squares.
const (
	latticeSlackPx = 0.3
	latticeSlack   = 0.03
)

// matches are the corners of a lattice at their places on the board.
func (l lattice) matches(p placing, all []saddle, level int) (pts []match) {
	f := float64(int(1) << level)
	for k, v := range l {
		k = turn(k, p.turns)
		pts = append(pts, match{
			[2]float64{float64(k[0] + p.off[0]), float64(k[1] + p.off[1])}, offLevel(all[v].p, level), 0.3 * f,
		})
	}
	// Maps have no order; sums should not depend on it.
	sort.Slice(pts, func(i, j int) bool {
		return pts[i].board[1] < pts[j].board[1] || pts[i].board[1] == pts[j].board[1] && pts[i].board[0] < pts[j].board[0]
	})
	return pts
}

// placed is the board laid onto a lattice: its map, sharpened on finer levels.
func (s *scene) placed(l lattice, p placing, all []saddle, level int) (w warp, ok bool) {
	b := &s.boards[p.board]
	var pts []match
	for _, m := range l.matches(p, all, level) {
		if m.board[0] >= 1 && m.board[1] >= 1 && m.board[0] <= float64(b.Cols-1) && m.board[1] <= float64(b.Rows-1) {
			pts = append(pts, m)
		}
	}
	if len(pts) < 4 {
		return w, false
	}
	if w, ok = fitWarp(pts, s.lens, b, len(pts) >= 12); !ok {
		return w, false
	}
	return s.sharpen(w, b, level), true
}

// startPx is the size of a square, pixels of a level, at which corners are good
// enough to start from.
const startPx = 16

// sharpen measures a board's corners as saddles on finer and finer levels than
// the one its map comes from.
func (s *scene) sharpen(w warp, b *Board, level int) warp {
	mid := [2]float64{float64(b.Cols) / 2, float64(b.Rows) / 2}
	last := s.levelFor(w.squarePx(mid), startPx)
	for level > last {
		level--
		var pts []match
		for i := range b.NumCorners() {
			at := b.cornerSquares(i)
			p, ok := w.at(at)
			if !ok {
				continue
			}
			if q, ok := saddleNear(s.levels[level], onLevel(p, level), 1.6); ok {
				pts = append(pts, match{at, offLevel(q, level), 0.2 * float64(int(1)<<level)})
			}
		}
		if len(pts) < 6 || 2*len(pts) < b.NumCorners() && len(pts) < 8 {
			break
		}
		finer, ok := fitWarp(pts, s.lens, b, len(pts) >= 12)
		if !ok {
			break
		}
		w = finer
	}
	return w
}

// saddleNear is the saddle of the grey values next to a place, within a
// radius.
func saddleNear(img *image.Gray, p [2]float64, radius float64) (q [2]float64, ok bool) {
	b := img.Bounds()
	w, h := b.Dx(), b.Dy()
	q = p
	for range 5 {
		x, y := int(math.Round(q[0])), int(math.Round(q[1]))
		if x < 2 || y < 2 || x >= w-2 || y >= h-2 {
			return q, false
		}
		// The neighbourhood smoothed with 1 2 1 both ways.
		var g [3][3]float64
		for j := range 3 {
			for i := range 3 {
				o := img.PixOffset(b.Min.X+x+i-1, b.Min.Y+y+j-1)
				st, v := img.Stride, img.Pix
				g[j][i] = (float64(v[o-st-1]) + 2*float64(v[o-st]) + float64(v[o-st+1]) +
					2*float64(v[o-1]) + 4*float64(v[o]) + 2*float64(v[o+1]) +
					float64(v[o+st-1]) + 2*float64(v[o+st]) + float64(v[o+st+1])) / 16
			}
		}
		xx, yy := g[1][0]-2*g[1][1]+g[1][2], g[0][1]-2*g[1][1]+g[2][1]
		xy := (g[0][0] + g[2][2] - g[0][2] - g[2][0]) / 4
		gx, gy := (g[1][2]-g[1][0])/2, (g[2][1]-g[0][1])/2
		det := xx*yy - xy*xy
		if !(det < -4) {
			return q, false
		}
		dx, dy := (xy*gy-yy*gx)/det, (xy*gx-xx*gy)/det
		if d := math.Hypot(dx, dy); d > 1 {
			dx, dy = dx/d, dy/d
		}
		next := [2]float64{float64(x) + dx, float64(y) + dy}
		if math.Hypot(next[0]-p[0], next[1]-p[1]) > radius {
			return q, false
		}
		if math.Hypot(next[0]-q[0], next[1]-q[1]) < 0.02 {
			return next, true
		}
		q = next
	}
	return q, true
}

// cells unfolds a code, see [MarkerCells].
func (c *codebook) cells(dictionary string, id int) [][]bool {
	if id < 0 || id >= len(c.words) {
		panic(fmt.Sprintf("vision: dictionary %s has no id %d", dictionary, id))
	}
	n := c.bits
	cells := make([][]bool, n+2)
	for r := range cells {
		cells[r] = make([]bool, n+2)
		for k := range cells[r] {
			border := r == 0 || k == 0 || r == n+1 || k == n+1
			cells[r][k] = border || c.words[id]>>((r-1)*n+k-1)&1 == 0
		}
	}
	return cells
}
