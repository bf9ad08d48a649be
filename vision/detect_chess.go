package vision

import (
	"image"
	"math"
	"slices"
	"sort"
)

// A board too small or too oblique for its markers to be read still shows its
// chessboard: corners are found as saddles of the grey values, joined to a
// grid, and the board is told by the print as a whole, all markers together,
// against every other board that it could be.

// saddle is a place where two black and two white quadrants meet.
type saddle struct {
	p          [2]float64 // pixels of the part
	xx, xy, yy float64    // second derivatives
	strength   float64
	norm       float64 // of the matrix of second derivatives
}

// mixed is the second derivative along two directions: below 0 where the
// quadrants between them are dark.
func (s *saddle) mixed(u, v [2]float64) float64 {
	return u[0]*(s.xx*v[0]+s.xy*v[1]) + u[1]*(s.xy*v[0]+s.yy*v[1])
}

// mostSaddles keeps clutter from costing time: a board's corners are among its
// strongest saddles, together with those of its marker cells.
const mostSaddles = 150

// Minus the least determinant of second derivatives of a saddle, grey levels²
// per pixel⁴: above clutter, and, in dim light, above noise.
const (
	leastSaddle    = 8
	leastDimSaddle = 0.8
)

// saddles finds the saddles of a picture, strongest first.
func (s *scene) saddles(img *image.Gray) []saddle {
	b := img.Bounds()
	w, h := b.Dx(), b.Dy()
	if w < 12 || h < 12 {
		return nil
	}
	least := float32(leastSaddle)
	if s.print.limit < printEdges {
		least = leastDimSaddle
	}
	places, values := s.room.find(img, 16*16*least) // 16 is the smoothing's sum
	// The strongest alone are looked at closely.
	if most := mostSaddles + mostSaddles/2; len(places) > most {
		v := slices.Clone(values)
		slices.Sort(v)
		limit := v[len(v)-most]
		n := 0
		for i := range places {
			if values[i] >= limit {
				places[n] = places[i]
				n++
			}
		}
		places = places[:n]
	}
	var out []saddle
	for _, at := range places {
		i := int(at)
		f := func(j int) float64 { return float64(s.room.smooth[j]) / 16 }
		k := saddle{
			xx: f(i-1) - 2*f(i) + f(i+1), yy: f(i-w) - 2*f(i) + f(i+w),
			xy: (f(i-w-1) + f(i+w+1) - f(i-w+1) - f(i+w-1)) / 4,
		}
		gx, gy := (f(i+1)-f(i-1))/2, (f(i+w)-f(i-w))/2
		det := k.xx*k.yy - k.xy*k.xy
		dx, dy := (k.xy*gy-k.yy*gx)/det, (k.xy*gx-k.xx*gy)/det
		if math.Abs(dx) > 1 || math.Abs(dy) > 1 {
			continue // the gradient vanishes elsewhere: a bend of an edge
		}
		k.p = [2]float64{float64(i%w) + dx, float64(i/w) + dy}
		k.strength = math.Sqrt(-det)
		k.norm = math.Sqrt(k.xx*k.xx + 2*k.xy*k.xy + k.yy*k.yy)
		out = append(out, k)
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].strength > out[j].strength })
	return out[:min(len(out), mostSaddles)]
}

// lattice is a grid of saddles: indices into the list by column and row, seen
// clockwise, from any origin.
type lattice map[[2]int]int

// bins sort saddles by place.
type bins struct {
	lo         [2]float64
	cols, rows int
	first      []int32 // by bin: where its saddles begin in list
	list       []int32
}

const binPx = 6

func newBins(all []saddle) (n bins) {
	if len(all) == 0 {
		return n
	}
	hi := all[0].p
	n.lo = hi
	for k := range all {
		for a, v := range all[k].p {
			n.lo[a], hi[a] = math.Min(n.lo[a], v), math.Max(hi[a], v)
		}
	}
	n.cols, n.rows = int((hi[0]-n.lo[0])/binPx)+1, int((hi[1]-n.lo[1])/binPx)+1
	n.first = make([]int32, n.cols*n.rows+1)
	for k := range all {
		n.first[n.at(all[k].p)+1]++
	}
	for i := range n.cols * n.rows {
		n.first[i+1] += n.first[i]
	}
	n.list = make([]int32, len(all))
	next := append([]int32(nil), n.first...)
	for k := range all {
		i := n.at(all[k].p)
		n.list[next[i]] = int32(k)
		next[i]++
	}
	return n
}

func (n *bins) at(p [2]float64) int {
	return int((p[1]-n.lo[1])/binPx)*n.cols + int((p[0]-n.lo[0])/binPx)
}

// family are the saddles that could be corners of one chessboard with a seed:
// about as strong, with the same second derivatives, or with the opposite ones
// where colours change places.
type family struct {
	all   []saddle
	bins  *bins
	seed  int
	alike []int
	sign  []float64 // by saddle: 1 as the seed, -1 opposite, 0 neither
	used  []bool    // by saddle: room for grow
	grid  [latticeSide * latticeSide]int16

	// A steep and slanted view can blur every second corner away. Then the
	// corners of one sign make a grid, of twice the cells' size.
	oneSign bool
}

// latticeSide is the room for a lattice that grows from its middle.
const latticeSide = 49

// other is the sign of the corner beside one of sign 1.
func (f *family) other() float64 {
	if f.oneSign {
		return 1
	}
	return -1
}

// begin makes the family of a seed.
func (f *family) begin(seed int, factor float64, oneSign bool) {
	f.seed, f.oneSign, f.alike = seed, oneSign, f.alike[:0]
	clear(f.sign)
	s := &f.all[seed]
	for k := range f.all {
		a := &f.all[k]
		if a.strength < factor*s.strength || factor*a.strength > s.strength {
			continue
		}
		c := (a.xx*s.xx + 2*a.xy*s.xy + a.yy*s.yy) / (a.norm * s.norm)
		if c > 0.75 || c < -0.75 && !oneSign {
			f.sign[k] = math.Copysign(1, c)
			f.alike = append(f.alike, k)
		}
	}
}

// near is the saddle of the wanted sign nearest to a place, within a radius,
// that is not used; or -1.
func (f *family) near(p [2]float64, sign, radius float64) int {
	best := -1
	square := radius * radius
	n := f.bins
	x0, x1 := int(math.Floor((p[0]-radius-n.lo[0])/binPx)), int(math.Floor((p[0]+radius-n.lo[0])/binPx))
	y0, y1 := int(math.Floor((p[1]-radius-n.lo[1])/binPx)), int(math.Floor((p[1]+radius-n.lo[1])/binPx))
	x0, x1 = max(0, x0), min(n.cols-1, x1)
	for y := max(0, y0); y <= min(n.rows-1, y1); y++ {
		if x0 > x1 {
			break
		}
		for _, k := range n.list[n.first[y*n.cols+x0]:n.first[y*n.cols+x1+1]] {
			q := &f.all[k].p
			dx, dy := q[0]-p[0], q[1]-p[1]
			if d := dx*dx + dy*dy; d < square && f.sign[k] == sign && !f.used[k] {
				best, square = int(k), d
			}
		}
	}
	return best
}

// How far a corner may lie from where its neighbours say, in steps, and in
// pixels where steps are short.
const (
	stepSlack   = 0.22
	stepSlackPx = 1.2
)

// grow joins saddles to a grid, from the seed outwards, with first steps u and
// v along rows and columns.
func (f *family) grow(u, v [2]float64) lattice {
	clear(f.used)
	for i := range f.grid {
		f.grid[i] = -1
	}
	const mid = latticeSide / 2
	at := func(c, r int) int {
		if c < 0 || r < 0 || c >= latticeSide || r >= latticeSide {
			return -1
		}
		return int(f.grid[r*latticeSide+c])
	}
	f.grid[mid*latticeSide+mid] = int16(f.seed)
	f.used[f.seed] = true
	queue := make([][2]int, 1, mostSaddles)
	queue[0] = [2]int{mid, mid}
	for i := 0; i < len(queue) && len(queue) < mostSaddles; i++ {
		n := queue[i]
		p := f.all[at(n[0], n[1])].p
		for _, dir := range [4][2]int{{1, 0}, {-1, 0}, {0, 1}, {0, -1}} {
			m := [2]int{n[0] + dir[0], n[1] + dir[1]}
			if m[0] < 0 || m[1] < 0 || m[0] >= latticeSide || m[1] >= latticeSide || at(m[0], m[1]) >= 0 {
				continue
			}
			// On from the last step, or as a neighbour's, or as the seed's.
			var st [2]float64
			var known float64
			add := func(ax, ay, bx, by int) {
				if ka, kb := at(ax, ay), at(bx, by); ka >= 0 && kb >= 0 {
					st[0] += f.all[kb].p[0] - f.all[ka].p[0]
					st[1] += f.all[kb].p[1] - f.all[ka].p[1]
					known++
				}
			}
			side := [2]int{dir[1], dir[0]}
			add(n[0]-dir[0], n[1]-dir[1], n[0], n[1])
			add(n[0]+side[0], n[1]+side[1], m[0]+side[0], m[1]+side[1])
			add(n[0]-side[0], n[1]-side[1], m[0]-side[0], m[1]-side[1])
			if known > 0 {
				st[0], st[1] = st[0]/known, st[1]/known
			} else {
				st = [2]float64{float64(dir[0])*u[0] + float64(dir[1])*v[0], float64(dir[0])*u[1] + float64(dir[1])*v[1]}
			}
			sign := 1.0
			if (m[0]+m[1])%2 != 0 {
				sign = f.other()
			}
			if k := f.near([2]float64{p[0] + st[0], p[1] + st[1]}, sign, math.Max(stepSlackPx, stepSlack*math.Hypot(st[0], st[1]))); k >= 0 {
				f.grid[m[1]*latticeSide+m[0]] = int16(k)
				f.used[k] = true
				queue = append(queue, m)
			}
		}
	}
	if len(queue) < minLattice {
		return nil
	}
	grid := make(lattice, len(queue))
	for _, n := range queue {
		grid[[2]int{n[0] - mid, n[1] - mid}] = at(n[0], n[1])
	}
	return grid
}

// steps are the pairs of first steps from the seed worth trying: to two near
// saddles of the other sign, so that most of the places around are taken too.
func (f *family) steps(most int) [][2][2]float64 {
	s := f.all[f.seed].p
	var far [mostNearSteps]float64
	near := make([]int, 0, len(f.alike))
	for _, k := range f.alike {
		if f.sign[k] == f.other() && k != f.seed {
			near = append(near, k)
		}
	}
	dist := func(k int) float64 { return math.Hypot(f.all[k].p[0]-s[0], f.all[k].p[1]-s[1]) }
	// The nearest first; lists are short.
	n := 0
	for i := range near {
		d := dist(near[i])
		if n == most && d >= far[n-1] {
			continue
		}
		k := min(n, most-1)
		v := near[i]
		for ; k > 0 && d < far[k-1]; k-- {
			far[k], near[k] = far[k-1], near[k-1]
		}
		far[k], near[k] = d, v
		n = min(n+1, most)
	}
	near = near[:n]
	type try struct {
		step [2][2]float64
		hits int
	}
	var out []try
	clear(f.used)
	for i, a := range near {
		for _, b := range near[i+1:] {
			u := [2]float64{f.all[a].p[0] - s[0], f.all[a].p[1] - s[1]}
			v := [2]float64{f.all[b].p[0] - s[0], f.all[b].p[1] - s[1]}
			c := u[0]*v[1] - u[1]*v[0]
			if c < 0 {
				u, v = v, u
			}
			lu, lv := math.Hypot(u[0], u[1]), math.Hypot(v[0], v[1])
			if math.Abs(c) < 0.04*lu*lv || lu < 2.5 || lv < 2.5 {
				continue
			}
			hits := 0
			for i, w := range [6][2]float64{{1, 1}, {-1, 0}, {0, -1}, {1, -1}, {-1, 1}, {-1, -1}} {
				if hits+6-i < leastHits {
					break
				}
				at := [2]float64{s[0] + w[0]*u[0] + w[1]*v[0], s[1] + w[0]*u[1] + w[1]*v[1]}
				sign := 1.0
				if w[0] == 0 || w[1] == 0 {
					sign = f.other()
				}
				if f.near(at, sign, math.Max(stepSlackPx, 0.8*stepSlack*math.Min(lu, lv))) >= 0 {
					hits++
				}
			}
			if hits >= leastHits {
				out = append(out, try{[2][2]float64{u, v}, hits})
			}
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].hits > out[j].hits })
	var steps [][2][2]float64
	for _, t := range out[:min(len(out), mostSteps)] {
		steps = append(steps, t.step)
	}
	return steps
}

const (
	nearSteps, mostNearSteps = 9, 12
	leastHits                = 3
	mostSteps                = 6
	mostTries                = 150
	mostSeeds                = 12
)

// A grid must have so many corners, over more than one row and column, to be
// worth a look.
const minLattice = 7

// turned is the lattice seen after a quarter turn, n times.
func (l lattice) turned(n int) lattice {
	out := make(lattice, len(l))
	for k, v := range l {
		for range n {
			k = [2]int{-k[1], k[0]}
		}
		out[k] = v
	}
	return out
}

func (l lattice) bounds() (lo, hi [2]int) {
	first := true
	for k := range l {
		for a := range k {
			if first {
				lo[a], hi[a] = k[a], k[a]
			}
			lo[a], hi[a] = min(lo[a], k[a]), max(hi[a], k[a])
		}
		first = false
	}
	return
}

// guess is a board laid onto a lattice.
type guess struct {
	board int
	warp  warp
	rest  float64 // share of the grey values' variance that is not explained
	cells readings
}

// The size of a region, pixels of the level, that the search for chessboards
// begins with, and the largest that it goes on to: a board that fills the region
// has squares of 8 pixels or more at first.
const (
	firstChessPx = 64
	lastChessPx  = 700
)

// findChess looks for boards by their chessboards in the regions: on a strongly
// reduced picture first, where a board's corners are nearly all that there is
// to see.
func (s *scene) findChess(regions []region) {
	budget := 3_000_000
	for i, r := range regions {
		if i == mostRegions {
			return
		}
		if !s.leftIn(r) {
			continue
		}
		side := max(r.box.Dx(), r.box.Dy())
		first, last := 0, 0
		for first+1 < len(s.levels) && side>>(first+1) >= firstChessPx {
			first++
		}
		for last < first && side>>last > lastChessPx {
			last++
		}
		for level := first; level >= last; level-- {
			f := 1 << level
			if budget -= r.box.Dx() * r.box.Dy() / (f * f); budget < 0 {
				return
			}
			if s.chessIn(r.box, level, level == last) && !s.leftIn(r) {
				break
			}
		}
	}
}

// chessEverywhere looks for chessboards in the whole picture: what is near has
// squares so large that regions take its markers one by one.
func (s *scene) chessEverywhere() {
	b := s.levels[0].Bounds()
	for level := len(s.levels) - 1; level >= 0 && max(b.Dx(), b.Dy())>>level <= 2*lastChessPx; level-- {
		if s.chessIn(image.Rect(0, 0, b.Dx(), b.Dy()), level, false) {
			return
		}
	}
}

// leftIn tells whether much of a region is not explained.
func (s *scene) leftIn(r region) bool {
	p := &s.print
	var all, left int
	for y := r.box.Min.Y / p.scale; y < min(p.h, r.box.Max.Y/p.scale); y++ {
	next:
		for x := r.box.Min.X / p.scale; x < min(p.w, r.box.Max.X/p.scale); x++ {
			if p.strength[y*p.w+x] < p.limit {
				continue
			}
			all++
			at := [2]float64{(float64(x) + 0.5) * float64(p.scale), (float64(y) + 0.5) * float64(p.scale)}
			for _, q := range s.explained {
				if insideQuad(q, at) {
					continue next
				}
			}
			left++
		}
	}
	return left >= 4 && 10*left > all
}

// mostFailures is how many grids of corners that turn out to be nothing are
// looked at in one place.
const (
	mostFailures = 2

	// A smaller grid, when it is nothing, was the best there is: nothing larger
	// is behind it.
	largeLattice = 12
)

// chessIn looks for chessboards in a box of the photograph on one level, and
// tells whether it found any. Those whose markers cannot be read are named only
// at the last level.
func (s *scene) chessIn(box image.Rectangle, level int, last bool) (any bool) {
	f := 1 << level
	img := s.levels[level]
	part := image.Rect(box.Min.X/f, box.Min.Y/f, box.Max.X/f, box.Max.Y/f).Add(img.Bounds().Min).Intersect(img.Bounds())
	all := s.saddles(img.SubImage(part).(*image.Gray))
	o := part.Min.Sub(img.Bounds().Min)
	for k := range all {
		all[k].p[0] += float64(o.X)
		all[k].p[1] += float64(o.Y)
	}
	every := slices.Clone(all)
	for failures := 0; failures < mostFailures; {
		n := 0
	next:
		for k := range all {
			at := offLevel(all[k].p, level)
			for _, q := range s.explained {
				if insideQuad(q, at) {
					continue next
				}
			}
			all[n] = all[k]
			n++
		}
		all = all[:n]
		grid := s.bestLattice(all, nil)
		if grid == nil {
			break
		}
		if s.identify(all, grid, level, last) {
			any = true
			continue
		}
		if failures++; len(grid) < largeLattice {
			break
		}
		// What is taken is not looked at again.
		taken := map[int]bool{}
		for _, k := range grid {
			taken[k] = true
		}
		var rest []saddle
		for k := range all {
			if !taken[k] {
				rest = append(rest, all[k])
			}
		}
		all = rest
	}
	if !any && s.patient {
		grid := s.bestLattice(every, func(g lattice) bool { return s.identify(every, g, level, false) })
		any = grid != nil
	}
	return any
}

// identify finds out which board a lattice belongs to and measures it.
func (s *scene) identify(all []saddle, grid lattice, level int, last bool) bool {
	l, own, ok := s.latticeWarp(grid, all, level)
	if !ok {
		return false
	}
	if r := s.readLattice(l, &own, all); r.markers > 0 {
		if s.failed[r.place.board] >= mostMeasured {
			return false
		}
		if w, ok := s.placed(l, r.place, all, level); ok {
			if m, ok := s.measureGuess(guess{board: r.place.board, warp: w}, r.markers); ok {
				s.take(m)
				return true
			}
			s.failed[r.place.board]++
		}
		return false
	} else if len(r.unknown) > 0 {
		lo, hi := l.bounds()
		var q [4][2]float64
		for i, c := range [4][2]float64{
			{float64(lo[0]) - 1, float64(lo[1]) - 1}, {float64(hi[0]) + 1, float64(lo[1]) - 1},
			{float64(hi[0]) + 1, float64(hi[1]) + 1}, {float64(lo[0]) - 1, float64(hi[1]) + 1}} {
			if q[i], ok = own.at(c); !ok {
				return false
			}
		}
		for _, id := range r.unknown {
			s.unknown[id] = true
		}
		s.explain(q)
		return true
	}
	if !last && !s.patient {
		return false
	}
	g, ok := s.name(all, grid, level)
	if !ok {
		return false
	}
	g.warp = s.sharpen(g.warp, &s.boards[g.board], level)
	m, ok := s.measureGuess(g, 0)
	if !ok {
		return false
	}
	m.view.Note = "no marker read; known by its print as a whole"
	s.take(m)
	return true
}

// mostMeasured is how often a board that was named is measured in vain.
const mostMeasured = 5

// take notes a board measured. The clearest of several is kept.
func (s *scene) take(m *measured) {
	s.explain(m.view.Outline)
	if old := s.found[m.board]; old != nil {
		if len(old.view.Corners) > len(m.view.Corners) || len(old.view.Corners) == len(m.view.Corners) && old.view.SquarePx >= m.view.SquarePx {
			m = old
		}
		m.view.Note = seenTwice
	}
	s.found[m.board] = m
}

// seenTwice is the note of a board that is there more than once.
const seenTwice = "the board is seen more than once; the clearest was taken"

// bestLattice tries the strongest saddles as seeds, and first with saddles
// nearly as strong: corners of squares are stronger than those of marker
// cells. It takes the largest grid that a board could have, or the first that
// will do.
func (s *scene) bestLattice(all []saddle, will func(lattice) bool) (best lattice) {
	if len(all) < minLattice {
		return nil
	}
	places := newBins(all)
	f := family{all: all, bins: &places, sign: make([]float64, len(all)), used: make([]bool, len(all))}
	score, tries := 0, 0
	seeds, near := mostSeeds, nearSteps
	if s.patient {
		seeds, near = 2*mostSeeds, mostNearSteps
	}
	for _, try := range []struct {
		factor  float64
		oneSign bool
	}{{0.85, false}, {0.7, false}, {0.85, true}, {0.6, true}, {0.5, false}} {
		for seed := 0; seed < min(len(all), seeds); seed++ {
			f.begin(seed, try.factor, try.oneSign)
			if len(f.alike) < minLattice {
				continue
			}
			for _, st := range f.steps(near) {
				g := f.grow(st[0], st[1])
				n := len(g)
				if try.oneSign {
					n *= 2 // it stands for as many again
				}
				if len(g) < minLattice || n <= score && will == nil {
					continue
				}
				if try.oneSign {
					g = g.diagonal()
				}
				lo, hi := g.bounds()
				w, h := hi[0]-lo[0]+1, hi[1]-lo[1]+1
				if w < 2 || h < 2 {
					continue
				}
				for i := range s.boards {
					b := &s.boards[i]
					if w < b.Cols && h < b.Rows || h < b.Cols && w < b.Rows {
						if will != nil {
							if tries++; will(g) {
								return g
							}
							if tries == mostTries {
								return nil
							}
							break
						}
						if best, score = g, n; n >= b.NumCorners() {
							return best
						}
						break
					}
				}
			}
		}
		if score >= 2*minLattice {
			return best
		}
	}
	return best
}

// diagonal takes a grid of every second corner to the board's own rows and
// columns: its first direction goes right and down, its second left and down.
func (l lattice) diagonal() lattice {
	out := make(lattice, len(l))
	for k, v := range l {
		out[[2]int{k[0] - k[1], k[0] + k[1]}] = v
	}
	return out
}

// What the chessboard and the markers as grey patches must explain of the
// picture for a grid to be a board's, and by how much less a way of laying the
// board on it may do so than the best to be kept.
const (
	gridR2    = 0.6
	gridSlack = 0.04
)

// evidence is by how much, in units of the logarithm of likelihoods, the
// marker cells of a board must explain the picture better than those of every
// other board, and than none. Cells are counted by halves, because neighbours
// share their light.
const evidence = 40

// name finds the board that the print on a lattice belongs to.
func (s *scene) name(all []saddle, grid lattice, level int) (guess, bool) {
	// How it lies, for each size of board; then which it is.
	type shape struct {
		cols, rows int
		share      float64
		dictionary string
	}
	lay := map[shape][]guess{}
	var guesses []guess
	var cells float64
	for i := range s.boards {
		b := &s.boards[i]
		if s.found[i] != nil {
			continue
		}
		key := shape{b.Cols, b.Rows, b.MarkerM / b.SquareM, b.Dictionary}
		if _, done := lay[key]; !done {
			ways := s.layOn(i, all, grid, level)
			for k := range ways {
				ways[k].cells = s.readCells(&ways[k], level)
			}
			lay[key] = ways
		}
		if len(lay[key]) == 0 {
			continue
		}
		for _, g := range lay[key] {
			g.board = i
			var n float64
			if g.rest, n = g.cells.against(b); n > 0 {
				guesses = append(guesses, g)
				cells = math.Max(cells, n)
			}
		}
	}
	if len(guesses) == 0 {
		return guess{}, false
	}
	sort.SliceStable(guesses, func(i, j int) bool { return guesses[i].rest < guesses[j].rest })
	best, rival := guesses[0], 1.0
	if len(guesses) > 1 {
		rival = guesses[1].rest
	}
	return best, cells/4*math.Log(rival/best.rest) > evidence
}

// layOn lays board i onto the lattice in every way that fits its size and its
// colours, and keeps those that explain the picture best, marker cells aside.
func (s *scene) layOn(i int, all []saddle, grid lattice, level int) (out []guess) {
	b := &s.boards[i]
	f := float64(int(1) << level)
	pat := newPattern(b, greyPatch)
	checked := false
	for turn := range 4 {
		l := grid.turned(turn)
		lo, hi := l.bounds()
		w, h := hi[0]-lo[0]+1, hi[1]-lo[1]+1
		for oy := 0; oy+h <= b.Rows-1; oy++ {
			for ox := 0; ox+w <= b.Cols-1; ox++ {
				off := [2]int{ox - lo[0], oy - lo[1]}
				var pts []match
				for k, v := range l {
					pts = append(pts, match{
						[2]float64{float64(k[0] + off[0] + 1), float64(k[1] + off[1] + 1)},
						[2]float64{all[v].p[0]*f + (f-1)/2, all[v].p[1]*f + (f-1)/2}, 0.5 * f,
					})
				}
				// Maps have no order; sums should not depend on it.
				sort.Slice(pts, func(i, j int) bool {
					return pts[i].board[1] < pts[j].board[1] || pts[i].board[1] == pts[j].board[1] && pts[i].board[0] < pts[j].board[0]
				})
				g := guess{board: i}
				var ok bool
				if g.warp, ok = fitWarp(pts, s.lens, b, len(pts) >= 20); !ok || !g.warp.rightColours(l, off, all) {
					continue
				}
				// What the lattice itself covers looks much the same wherever it
				// is laid: clutter is seen at once.
				if !checked {
					own := map[int]bool{}
					for k := range l {
						own[(k[1]+off[1])*(b.Cols-1)+k[0]+off[0]] = true
					}
					rest, ok := s.weigh(&g, pat, level, own)
					if checked = true; !ok || rest > 1-gridR2 {
						return nil
					}
				}
				if g.rest, ok = s.weigh(&g, pat, level, nil); ok && g.rest < 1-gridR2 {
					out = append(out, g)
				}
			}
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].rest < out[j].rest })
	for i := range out {
		if out[i].rest > out[0].rest+gridSlack {
			return out[:i]
		}
	}
	return out
}

// rightColours tells whether the board's black squares lie on dark quadrants.
func (w *warp) rightColours(l lattice, off [2]int, all []saddle) bool {
	good := 0
	for k, v := range l {
		c, r := k[0]+off[0]+1, k[1]+off[1]+1
		at := [2]float64{float64(c), float64(r)}
		p, ok1 := w.at(at)
		px, ok2 := w.at([2]float64{at[0] + 0.1, at[1]})
		py, ok3 := w.at([2]float64{at[0], at[1] + 0.1})
		if !ok1 || !ok2 || !ok3 {
			return false
		}
		// Between x and y lies square (c, r), black where c + r is even.
		m := all[v].mixed([2]float64{px[0] - p[0], px[1] - p[1]}, [2]float64{py[0] - p[0], py[1] - p[1]})
		if (m < 0) == ((c+r)%2 == 0) {
			good++
		}
	}
	return 10*good >= 9*len(l)
}

// weigh computes what share of the grey values' variance about the guess's
// corners a pattern leaves unexplained: of every second corner, or of those
// named.
func (s *scene) weigh(g *guess, pat *pattern, level int, only map[int]bool) (rest float64, ok bool) {
	b := &s.boards[g.board]
	var total float64
	for i := range b.NumCorners() {
		if only != nil && !only[i] || only == nil && i%2 == 1 {
			continue
		}
		c, ok := g.warp.chartAt(b.cornerSquares(i), 0.5, 1<<level)
		if !ok {
			continue
		}
		f, ok := s.bench.fitWindow(s.levels[level], pat, &c, window{half: 0.5, max: 80, cols: colTiltX}, look{blur: 0.9})
		if !ok || f.inside < 0.9 {
			continue
		}
		rest += (1 - f.r2) * f.total
		total += f.total
	}
	return rest / total, total > 0
}

// reading is what one marker shows: the grey values at the centres of its
// cells, what they would be if all cells were black, and what a white cell adds
// at others, by the distance in columns and rows.
type reading struct {
	marker int
	seen   []float64
	blank  []float32
	ok     []bool
	spread []float32 // (2·bits-1)²
}

type readings []reading

// readCells reads all markers of a guess.
func (s *scene) readCells(g *guess, level int) (out readings) {
	b := &s.boards[g.board]
	blank := newPattern(b, blankPatch)
	bits := Dictionaries[b.Dictionary].Bits
	side := b.MarkerM / b.SquareM
	cell := side / float64(bits+2)
	img := s.levels[level]
	w, h := img.Bounds().Dx(), img.Bounds().Dy()
	f := float64(int(1) << level)
	var corr correlation
	for k := range b.NumMarkers() {
		col, row := b.MarkerSquare(k)
		mid := [2]float64{float64(col) + 0.5, float64(row) + 0.5}
		c, ok := g.warp.chartAt(mid, 0.5, 1<<level)
		if !ok {
			continue
		}
		_, xa, xb := poly(&c.x, 0, 0)
		_, ya, yb := poly(&c.y, 0, 0)
		nx, ny := math.Hypot(xa, xb)/c.unit, math.Hypot(ya, yb)/c.unit
		corr.set((xa*ya + xb*yb) / (nx * ny * c.unit * c.unit))
		const blur = 0.8
		sp := spread{1 / (blur * nx), 1 / (blur * ny), &corr}

		r := reading{marker: k}
		var cells [][2]float64
		for j := range bits {
			for i := range bits {
				x := mid[0] + (float64(i)-float64(bits-1)/2)*cell
				y := mid[1] + (float64(j)-float64(bits-1)/2)*cell
				px, ok := g.warp.at([2]float64{x, y})
				u, v := (px[0]-(f-1)/2)/f, (px[1]-(f-1)/2)/f
				ok = ok && u >= 0 && v >= 0 && u < float64(w-1) && v < float64(h-1)
				var val float64
				if ok {
					iu, iv := int(u), int(v)
					a, d := u-float64(iu), v-float64(iv)
					o := img.Pix[iv*img.Stride+iu:]
					val = (1-d)*((1-a)*float64(o[0])+a*float64(o[1])) + d*((1-a)*float64(o[img.Stride])+a*float64(o[img.Stride+1]))
				}
				r.ok = append(r.ok, ok)
				r.seen = append(r.seen, val)
				cells = append(cells, [2]float64{x, y})
			}
		}
		r.blank, _, _, _ = blank.sample(cells, sp)
		// The light of a white cell that reaches the centre of another: the
		// point spread's share of a rectangle, from its corners.
		n := 2*bits - 1
		cells = cells[:0]
		for j := range n + 1 {
			for i := range n + 1 {
				cells = append(cells, [2]float64{(float64(i) - float64(n)/2) * cell, (float64(j) - float64(n)/2) * cell})
			}
		}
		below, _, _, _ := quadrant.sample(cells, sp)
		r.spread = make([]float32, n*n)
		for j := range n {
			for i := range n {
				o := j*(n+1) + i
				r.spread[j*n+i] = below[o+n+2] - below[o+1] - below[o+n+1] + below[o]
			}
		}
		out = append(out, r)
	}
	return out
}

// against compares the readings with what a board would show, marker by marker
// with its own contrast. It returns the share of the grey values' variance that
// is not explained, and the number of cells.
func (rs readings) against(b *Board) (rest, n float64) {
	bits := Dictionaries[b.Dictionary].Bits
	var total float64
	for _, r := range rs {
		cells := MarkerCells(b.Dictionary, b.FirstID+r.marker)
		var m, sf, sv, sff, sfv, svv float64
		for j := range bits {
			for i := range bits {
				o := j*bits + i
				if !r.ok[o] {
					continue
				}
				p := float64(r.blank[o])
				for y := range bits {
					line := r.spread[(y-j+bits-1)*(2*bits-1)+bits-1-i:]
					for x, black := range cells[y+1][1 : bits+1] {
						if !black {
							p += float64(line[x])
						}
					}
				}
				val := r.seen[o]
				m++
				sf += p
				sv += val
				sff += p * p
				sfv += p * val
				svv += val * val
			}
		}
		if m < 9 {
			continue
		}
		cff, cfv, cvv := sff-sf*sf/m, sfv-sf*sv/m, svv-sv*sv/m
		total += cvv
		rest += cvv
		if cfv > 0 && cff > 0 { // white is not darker than black
			rest -= cfv * cfv / cff
		}
		n += m - 2
	}
	if !(total > 0) {
		return 1, 0
	}
	return rest / total, n
}

// measureGuess measures a board from the map that a lattice gave.
func (s *scene) measureGuess(g guess, markers int) (*measured, bool) {
	b := &s.boards[g.board]
	cs := make([]found, b.NumCorners())
	for i := range cs {
		px, ok := g.warp.at(b.cornerSquares(i))
		cs[i] = found{px: px, sd: 0.5, ok: ok}
	}
	return s.measureBlurred(g.board, markers, newPattern(b, allCells), cs)
}

// blurs are those that a board is tried with when it does not look as it would
// in the photograph's, pixels: within a factor of 2 of the true one its corners
// are known.
var blurs = [...]float64{0.9, 2, 4}

// measureBlurred measures a board in a photograph of any blur.
func (s *scene) measureBlurred(board, markers int, pat *pattern, cs []found) (*measured, bool) {
	before := s.look
	if m, ok := s.measure(board, markers, pat, slices.Clone(cs)); ok {
		return m, true
	}
	for _, blur := range blurs {
		if r := blur / before.blur; r > 0.7 && r < 1.4 {
			continue
		}
		s.look = look{blur: blur}
		if m, ok := s.measure(board, markers, pat, slices.Clone(cs)); ok {
			return m, true
		}
	}
	s.look = before
	// Markers that are covered leave the corners of the squares, where there is
	// room for a window between.
	if n := s.boards[board].Cols - 1; pat.half > pat.margin && pat.margin*squareOf(cs, n) >= leastMarginPx {
		alone := *pat
		alone.half = 0.95 * pat.margin
		return s.measure(board, markers, &alone, slices.Clone(cs))
	}
	return nil, false
}

// leastMarginPx is the least distance of markers from the squares' edges, pixels,
// at which corners are measured by what lies between alone.
const leastMarginPx = 4

// squareOf is the median distance of corners, n a row, from their neighbours.
func squareOf(cs []found, n int) float64 {
	var d []float64
	for i := range cs {
		for _, k := range [2]int{i + 1, i + n} {
			if k < len(cs) && (k > i+1 || k%n > 0) && cs[i].ok && cs[k].ok {
				d = append(d, math.Hypot(cs[i].px[0]-cs[k].px[0], cs[i].px[1]-cs[k].px[1]))
			}
		}
	}
	if len(d) == 0 {
		return 0
	}
	return median(d)
}
