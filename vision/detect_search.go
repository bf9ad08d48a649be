package vision

import (
	"image"
	"math"
	"sort"
)

// region is a part of the photograph where a board may be, full-resolution
// pixels.
type region struct {
	box   image.Rectangle
	score float64
}

const (
	blockPx = 8 // side of a block on the half-size picture

	// What makes a block look like print: edges in two directions. The
	// smaller eigenvalue of its mean structure tensor, grey levels² per pixel.
	printEdges = 60.0

	// In dim light less is enough, but not what noise has.
	leastEdges = 6.0

	// A board in a quarter of the light of others is still looked for.
	dimmest = 16
)

// blocks are the parts of the photograph that look like print.
type blocks struct {
	w, h     int       // in blocks
	scale    int       // side of a block, pixels of the photograph
	strength []float32 // edges in two directions, see printEdges
	limit    float32   // from which strength on a block looks like print
	few      float32   // what four fifths of the blocks have: the noise
	most     float32   // what a hundredth has
}

// findBlocks looks for edges in two directions, as the print of a board has.
func (s *scene) findBlocks() (out blocks) {
	level := s.searchLevel()
	img := s.levels[level]
	w, h := img.Bounds().Dx(), img.Bounds().Dy()
	bw, bh := w/blockPx, h/blockPx
	if bw < 3 || bh < 3 {
		return out
	}
	strength := make([]float32, bw*bh)
	edges(img, strength)
	// Ground and tyres have edges everywhere: only what stands out counts.
	var some []float64
	for i := 0; i < len(strength); i += 1 + len(strength)/4000 {
		some = append(some, float64(strength[i]))
	}
	sort.Float64s(some)
	at := func(share float64) float32 { return float32(some[int(share*float64(len(some)))]) }
	return blocks{bw, bh, blockPx << level, strength, max(printEdges, min(4*at(0.75), 800)), at(0.2), at(0.99)}
}

// dimmer is the limit from which on blocks look like print in the light that
// the boards found have, or, when none is found, in dim light.
func (s *scene) dimmer() float32 {
	if len(s.explained) == 0 {
		return max(leastEdges, min(printEdges, max(3*s.print.few, s.print.most/10), s.print.most/3))
	}
	var on []float64
	for _, q := range s.explained {
		s.print.each(q, func(i int) { on = append(on, float64(s.print.strength[i])) })
	}
	if len(on) == 0 {
		return s.print.limit
	}
	sort.Float64s(on)
	return max(leastEdges, float32(on[len(on)*3/4])/dimmest)
}

// each calls do for the blocks whose middle lies in a quadrilateral.
func (b *blocks) each(q [4][2]float64, do func(i int)) {
	lo, hi := boundsOf(q)
	for y := max(0, int(lo[1])/b.scale); y < min(b.h, int(hi[1])/b.scale+1); y++ {
		for x := max(0, int(lo[0])/b.scale); x < min(b.w, int(hi[0])/b.scale+1); x++ {
			if insideQuad(q, [2]float64{(float64(x) + 0.5) * float64(b.scale), (float64(y) + 0.5) * float64(b.scale)}) {
				do(y*b.w + x)
			}
		}
	}
}

// regions lists the places that look like print and lie on no board found,
// strongest first; none when all boards are found.
func (s *scene) regions() []region {
	if s.count() == len(s.boards) {
		return nil
	}
	bw, bh, scale, strength := s.print.w, s.print.h, s.print.scale, s.print.strength
	taken := make([]bool, bw*bh)
	for i := range strength {
		taken[i] = strength[i] < s.print.limit
	}
	for _, q := range s.explained {
		s.print.each(q, func(i int) { taken[i] = true })
	}
	// Connected blocks, a gap of one block allowed.
	var out []region
	var stack [][2]int
	for i := range taken {
		if taken[i] {
			continue
		}
		var r region
		first := true
		count := 0
		stack = append(stack[:0], [2]int{i % bw, i / bw})
		taken[i] = true
		for len(stack) > 0 {
			p := stack[len(stack)-1]
			stack = stack[:len(stack)-1]
			cell := image.Rect(p[0], p[1], p[0]+1, p[1]+1)
			if first {
				r.box, first = cell, false
			} else {
				r.box = r.box.Union(cell)
			}
			r.score += float64(strength[p[1]*bw+p[0]])
			count++
			for y := max(0, p[1]-2); y <= min(bh-1, p[1]+2); y++ {
				for x := max(0, p[0]-2); x <= min(bw-1, p[0]+2); x++ {
					if k := y*bw + x; !taken[k] {
						taken[k] = true
						stack = append(stack, [2]int{x, y})
					}
				}
			}
		}
		if count < 4 {
			continue
		}
		r.box = image.Rect((r.box.Min.X-1)*scale, (r.box.Min.Y-1)*scale, (r.box.Max.X+1)*scale, (r.box.Max.Y+1)*scale).
			Intersect(image.Rect(0, 0, s.levels[0].Bounds().Dx(), s.levels[0].Bounds().Dy()))
		out = append(out, r)
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].score > out[j].score })
	return out
}

// How regions are searched: those larger than largePx on the reduced picture,
// smaller ones at full resolution, enlarged while they stay below enlargedPx,
// because OpenCV's polygons need more pixels than a small marker has. searchPx
// bounds the work.
const (
	largePx     = 150_000
	enlargedPx  = 100_000
	searchPx    = 6_000_000
	mostRegions = 24

	// In a box smaller than this no marker of a board is large enough to be
	// read.
	readablePx = 120
)

// searchRegions looks for markers in the regions. late is the second look, at
// full resolution, into large regions that showed nothing on the reduced
// picture; early the first.
func (s *scene) searchRegions(dictionary string, regions []region, late bool) (read []Marker, err error) {
	budget := searchPx
	for i, r := range regions {
		if i == mostRegions {
			break
		}
		area := r.box.Dx() * r.box.Dy()
		large := area > largePx && s.searchLevel() > 0
		if late && !large {
			continue // searched at full resolution before
		}
		if max(r.box.Dx(), r.box.Dy()) < readablePx {
			continue
		}
		level, enlarge := 0, 2
		if large && !late {
			level, enlarge = s.searchLevel(), 1
			area >>= 2 * level
		}
		for enlarge > 1 && area*enlarge*enlarge > enlargedPx {
			enlarge--
		}
		if budget -= area * enlarge * enlarge; budget < 0 {
			break
		}
		ms, err := s.searchPart(dictionary, r.box, level, enlarge)
		if err != nil {
			return nil, err
		}
		read = append(read, ms...)
	}
	return read, nil
}

// searchClosely looks for markers in the regions in every way there is.
func (s *scene) searchClosely(dictionary string) (read []Marker, err error) {
	budget := searchPx
	for i, r := range s.regions() {
		if budget -= r.box.Dx() * r.box.Dy(); i == mostRegions || budget < 0 {
			break
		}
		img := s.levels[0]
		part := img.SubImage(r.box.Add(img.Bounds().Min)).(*image.Gray)
		ms, err := everyMarker(part, dictionary)
		if err != nil {
			return nil, err
		}
		for _, m := range ms {
			for k := range m.Corners {
				m.Corners[k][0] += float64(r.box.Min.X)
				m.Corners[k][1] += float64(r.box.Min.Y)
			}
			read = append(read, m)
		}
	}
	return read, nil
}

// searchPart looks for markers in a box of the photograph on a level.
func (s *scene) searchPart(dictionary string, box image.Rectangle, level, enlarge int) ([]Marker, error) {
	f := 1 << level
	img := s.levels[level]
	min0 := img.Bounds().Min
	part := img.SubImage(image.Rect(box.Min.X/f, box.Min.Y/f, box.Max.X/f, box.Max.Y/f).Add(min0)).(*image.Gray)
	if part.Bounds().Empty() {
		return nil, nil
	}
	smallest := smallestSide
	if enlarge > 1 {
		smallest = smallestEnlarged
	}
	o := part.Bounds().Min.Sub(min0)
	if s.print.limit < printEdges {
		part = brightened(part)
	}
	ms, err := readMarkers(part, dictionary, markerSearch{enlarge: enlarge, minSidePx: smallest, winMin: 13, winMax: 13, winStep: 1})
	for i := range ms {
		for k := range ms[i].Corners {
			c := &ms[i].Corners[k]
			c[0] = (c[0]+float64(o.X))*float64(f) + float64(f-1)/2
			c[1] = (c[1]+float64(o.Y))*float64(f) + float64(f-1)/2
		}
	}
	return ms, err
}

// explain notes that what lies within an outline of the chessboard, and about
// it as far as a block and the paper's margin reach, is known.
func (s *scene) explain(outline [4][2]float64) {
	var mid [2]float64
	for _, p := range outline {
		mid[0] += p[0] / 4
		mid[1] += p[1] / 4
	}
	for k, p := range outline {
		d := [2]float64{p[0] - mid[0], p[1] - mid[1]}
		r := math.Hypot(d[0], d[1])
		grow := 1.2 + 1.5*float64(s.print.scale)/math.Max(r, 1)
		outline[k] = [2]float64{mid[0] + grow*d[0], mid[1] + grow*d[1]}
	}
	s.explained = append(s.explained, outline)
}

// boundsOf are the least and the largest coordinates of a quadrilateral.
func boundsOf(q [4][2]float64) (lo, hi [2]float64) {
	lo, hi = q[0], q[0]
	for _, p := range q[1:] {
		for k := range p {
			lo[k], hi[k] = math.Min(lo[k], p[k]), math.Max(hi[k], p[k])
		}
	}
	return
}

// insideQuad tells whether p lies in a convex quadrilateral.
func insideQuad(q [4][2]float64, p [2]float64) bool {
	var pos, neg bool
	for i := range q {
		a, b := q[i], q[(i+1)%4]
		c := (b[0]-a[0])*(p[1]-a[1]) - (b[1]-a[1])*(p[0]-a[0])
		pos = pos || c > 0
		neg = neg || c < 0
	}
	return !(pos && neg)
}
