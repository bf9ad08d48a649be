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
)

// regions lists the places with edges in two directions, as the print of a
// board has, outside the boards found already: strongest first.
func (s *scene) regions(found []View) []region {
	img := s.levels[1]
	w, h := img.Bounds().Dx(), img.Bounds().Dy()
	bw, bh := w/blockPx, h/blockPx
	if bw < 3 || bh < 3 {
		return nil
	}
	strength := make([]float64, bw*bh)
	for by := 0; by < bh; by++ {
		for bx := 0; bx < bw; bx++ {
			var xx, xy, yy int
			for y := by * blockPx; y < min(h-1, (by+1)*blockPx); y++ {
				x0 := bx * blockPx
				x1 := min(w-1, x0+blockPx)
				row := img.Pix[y*img.Stride+x0 : y*img.Stride+x1+1]
				below := img.Pix[(y+1)*img.Stride+x0 : (y+1)*img.Stride+x1+1]
				for x := 0; x < len(row)-1; x++ {
					// Diagonal differences: the same pixels for both.
					a := int(below[x+1]) - int(row[x])
					b := int(below[x]) - int(row[x+1])
					xx += a * a
					xy += a * b
					yy += b * b
				}
			}
			n := float64(blockPx * blockPx)
			a, b, c := float64(xx)/n, float64(xy)/n, float64(yy)/n
			strength[by*bw+bx] = (a+c)/2 - math.Hypot((a-c)/2, b)
		}
	}
	// Ground and tyres have edges everywhere: only what stands out counts.
	sorted := append([]float64(nil), strength...)
	sort.Float64s(sorted)
	limit := math.Max(printEdges, 4*sorted[len(sorted)*3/4])
	taken := make([]bool, bw*bh)
	for i := range strength {
		if strength[i] < limit {
			taken[i] = true
		}
	}
	for _, v := range found {
		s.cover(v, taken, bw, bh)
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
			r.score += strength[p[1]*bw+p[0]]
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
		const pad = 2 * blockPx
		r.box = image.Rect(r.box.Min.X*2*blockPx-pad, r.box.Min.Y*2*blockPx-pad, r.box.Max.X*2*blockPx+pad, r.box.Max.Y*2*blockPx+pad).
			Intersect(s.levels[0].Bounds())
		out = append(out, r)
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].score > out[j].score })
	return out
}

// The second search enlarges small regions, where OpenCV's polygons need more
// pixels than a small marker has, and stops at a budget.
const (
	enlargedPx  = 1_000_000 // most pixels of an enlarged region
	searchPx    = 6_000_000 // of all
	mostRegions = 16
)

// searchRegions looks for markers at full resolution, enlarged where small.
func (s *scene) searchRegions(d Dictionary, regions []region) (read []Marker, err error) {
	budget := searchPx
	for i, r := range regions {
		area := r.box.Dx() * r.box.Dy()
		enlarge := 3
		for enlarge > 1 && area*enlarge*enlarge > enlargedPx {
			enlarge--
		}
		if budget -= area * enlarge * enlarge; budget < 0 || i == mostRegions {
			break
		}
		part := s.levels[0].SubImage(r.box).(*image.Gray)
		ms, _, err := findMarkers(part, d, markerSearch{enlarge: enlarge, minSidePx: 6})
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

// addMarkers adds to the markers seen of a board those that are new.
func addMarkers(seen, more []Marker) []Marker {
next:
	for _, m := range more {
		for _, o := range seen {
			if o.ID == m.ID && math.Hypot(o.Corners[0][0]-m.Corners[0][0], o.Corners[0][1]-m.Corners[0][1]) < 0.5*o.side() {
				continue next
			}
		}
		seen = append(seen, m)
	}
	return seen
}

// cover marks the blocks of a view's outline and its paper's margin as taken.
func (s *scene) cover(v View, taken []bool, bw, bh int) {
	q := v.Outline
	var mid [2]float64
	for _, p := range q {
		mid[0] += p[0] / 4
		mid[1] += p[1] / 4
	}
	for k := range q { // a bit larger
		for j := range mid {
			q[k][j] = mid[j] + 1.2*(q[k][j]-mid[j])
		}
	}
	for by := 0; by < bh; by++ {
		for bx := 0; bx < bw; bx++ {
			p := [2]float64{(float64(bx) + 0.5) * 2 * blockPx, (float64(by) + 0.5) * 2 * blockPx}
			if insideQuad(q, p) {
				taken[by*bw+bx] = true
			}
		}
	}
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
