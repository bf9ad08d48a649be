package vision

import (
	"image"
	"math"
	"slices"
)

// Light is how a picture's grey levels are spread.
type Light struct {
	Dark, Median, Bright float64 // levels that 1, 50 and 99 % of the pixels do not exceed
	Full                 float64 // share of pixels with the highest level, 0 to 1
}

// lightStep is the distance of the pixels looked at for the light.
const lightStep = 5

func lightOf(img *image.Gray) (l Light) {
	var count [256]int
	n := 0
	b := img.Bounds()
	for y := 0; y < b.Dy(); y += lightStep {
		row := img.Pix[y*img.Stride:][:b.Dx()]
		for x := 0; x < len(row); x += lightStep {
			count[row[x]]++
			n++
		}
	}
	level := func(share float64) float64 {
		sum := 0
		for i, c := range count {
			if sum += c; float64(sum) >= share*float64(n) {
				return float64(i)
			}
		}
		return 255
	}
	l.Dark, l.Median, l.Bright = level(0.01), level(0.5), level(0.99)
	l.Full = float64(count[254]+count[255]) / float64(n)
	return l
}

// Edges of a picture in which nothing is known.
const (
	edgeReduce   = 4    // the picture is reduced by this to look for edges
	edgeReach    = 28   // pixels to either side of an edge
	edgeAlong    = 4    // pixels to either side along it that are averaged
	edgeMost     = 3000 // edges looked at
	edgeBins     = 12   // directions over half a turn
	edgeLeast    = 8    // edges of a direction that are enough
	edgeContrast = 25   // grey levels that an edge has at least
	edgeSeen     = 0.71 // of the true width, as measured on rendered pictures with point spreads of 2 to 7 px: tails are cut off, and the sharpest chosen
	edgeSharpest = 0.25 // of the edges of a direction: softer ones are soft in themselves
)

// spreadOfEdges estimates the point spread from a picture's own edges: the
// second moment of the line spread across each (the derivative of the edge spread
// function, as in ISO 12233), of each direction the sharpest, and the ellipse that
// fits them: good to a quarter. Soft things make it too large in a picture without
// sharp edges. ok is false where there are too few.
func spreadOfEdges(img *image.Gray) (s PointSpread, ok bool) {
	small, err := reduce(img, edgeReduce)
	if err != nil {
		return s, false
	}
	type across struct{ step, variance float64 }
	var all [edgeBins][]across
	var steps []float64
	for _, e := range strongEdges(small) {
		step, v, good := edgeVariance(img, e)
		if !good {
			continue
		}
		k := int(math.Mod(e.angle+2*math.Pi, math.Pi)/math.Pi*edgeBins) % edgeBins
		all[k] = append(all[k], across{step, v})
		steps = append(steps, step)
	}
	if len(steps) == 0 {
		return s, false
	}
	// A trail makes small edges of what is finer than itself: only large ones count.
	slices.Sort(steps)
	large := steps[len(steps)*9/10] / 2
	var bins [edgeBins][]float64
	for k := range all {
		for _, e := range all[k] {
			if e.step >= large {
				bins[k] = append(bins[k], e.variance)
			}
		}
	}
	var n matrix
	var r [10]float64
	used := 0
	for k, v := range bins {
		if len(v) < edgeLeast {
			continue
		}
		used++
		slices.Sort(v)
		value := v[int(edgeSharpest*float64(len(v)))]
		sin, cos := math.Sincos((float64(k) + 0.5) * math.Pi / edgeBins)
		row := [3]float64{cos * cos, 2 * cos * sin, sin * sin}
		w := math.Sqrt(float64(len(v))) / (value * value)
		for i := range row {
			r[i] += w * row[i] * value
			for j := range i + 1 {
				n[i][j] += w * row[i] * row[j]
			}
		}
	}
	if used < 3 {
		return s, false
	}
	if !n.solve(3, &r) {
		return s, false
	}
	const seen = edgeSeen * edgeSeen
	s = PointSpread{r[0] / seen, r[1] / seen, r[2] / seen}
	_, short, _ := s.Axes()
	return s, s.XX > 0 && s.YY > 0 && short > 0
}

// strongEdge is where a reduced picture is steepest, in pixels of the picture,
// and the direction of its gradient, rad.
type strongEdge struct{ x, y, angle, slope float64 }

// strongEdges are the places of a reduced picture where its gradient is a maximum
// along itself, the strongest.
func strongEdges(small *image.Gray) (out []strongEdge) {
	b := small.Bounds()
	w, h := b.Dx(), b.Dy()
	at := func(x, y int) float64 { return float64(small.Pix[y*small.Stride+x]) }
	slope := func(x, y int) (gx, gy float64) {
		return (at(x+1, y-1) + 2*at(x+1, y) + at(x+1, y+1) - at(x-1, y-1) - 2*at(x-1, y) - at(x-1, y+1)) / 8,
			(at(x-1, y+1) + 2*at(x, y+1) + at(x+1, y+1) - at(x-1, y-1) - 2*at(x, y-1) - at(x+1, y-1)) / 8
	}
	steep := make([]float64, w*h)
	for y := 1; y < h-1; y++ {
		for x := 1; x < w-1; x++ {
			gx, gy := slope(x, y)
			steep[y*w+x] = math.Hypot(gx, gy)
		}
	}
	const least = 3 // grey levels a pixel
	for y := 2; y < h-2; y++ {
		for x := 2; x < w-2; x++ {
			v := steep[y*w+x]
			if v < least {
				continue
			}
			gx, gy := slope(x, y)
			dx, dy := int(math.Round(gx/v)), int(math.Round(gy/v))
			if v < steep[(y+dy)*w+x+dx] || v <= steep[(y-dy)*w+x-dx] {
				continue
			}
			const mid = float64(edgeReduce-1) / 2
			out = append(out, strongEdge{float64(x)*edgeReduce + mid, float64(y)*edgeReduce + mid, math.Atan2(gy, gx), v})
		}
	}
	if len(out) > edgeMost {
		// Evenly over the picture and the strengths: the strongest alone may all be
		// of one thing.
		step := float64(len(out)) / edgeMost
		for i := range edgeMost {
			out[i] = out[int(float64(i)*step)]
		}
		out = out[:edgeMost]
	}
	return out
}

// edgeVariance is the step of an edge, grey levels, and the variance of the line
// spread across it, px².
func edgeVariance(img *image.Gray, e strongEdge) (step, v float64, ok bool) {
	b := img.Bounds()
	w, h := b.Dx(), b.Dy()
	sin, cos := math.Sincos(e.angle)
	const n = 2*edgeReach + 1
	var profile [n]float64
	for i := range profile {
		t := float64(i - edgeReach)
		for k := -edgeAlong; k <= edgeAlong; k++ {
			x, y := e.x+t*cos-float64(k)*sin, e.y+t*sin+float64(k)*cos
			ix, iy := int(math.Floor(x)), int(math.Floor(y))
			if ix < 0 || iy < 0 || ix+1 >= w || iy+1 >= h {
				return 0, 0, false
			}
			fx, fy := x-float64(ix), y-float64(iy)
			p := img.Pix[iy*img.Stride+ix:]
			q := img.Pix[(iy+1)*img.Stride+ix:]
			profile[i] += ((1-fy)*((1-fx)*float64(p[0])+fx*float64(p[1])) + fy*((1-fx)*float64(q[0])+fx*float64(q[1]))) / (2*edgeAlong + 1)
		}
	}
	var line [n]float64 // between i and i+1
	peak := 0
	for i := range n - 1 {
		line[i] = profile[i+1] - profile[i]
		if i > edgeReach-8 && i < edgeReach+8 && line[i] > line[peak] {
			peak = i
		}
	}
	// As far as it goes on falling.
	const end = 0.08
	lo, hi := peak, peak
	for lo > 0 && line[lo-1] > end*line[peak] {
		lo--
	}
	for hi < n-2 && line[hi+1] > end*line[peak] {
		hi++
	}
	if lo == 0 || hi == n-2 {
		return 0, 0, false
	}
	var sum, first, second float64
	for i := lo; i <= hi; i++ {
		sum += line[i]
		first += line[i] * float64(i)
		second += line[i] * float64(i) * float64(i)
	}
	if sum < edgeContrast {
		return 0, 0, false
	}
	v = second/sum - first/sum*first/sum
	// Bilinear sampling and the difference between neighbours widen it by 1/6 and
	// 1/12 px².
	return sum, math.Max(0.05, v-0.25), true
}
