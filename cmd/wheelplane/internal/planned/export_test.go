package planned

import "wheelplane/cmd/wheelplane/internal/draw"

// Apart returns how far marks that are to stand at these places of a picture are
// from overlapping each other and a rectangle, mm: the least gap, negative where
// they do.
func Apart(w, h float64, at [][2]float64, keep [4]float64) (gap float64) {
	g := &ground{p: &draw.Picture{W: w, H: h}, taken: []rect{{keep[0], keep[1], keep[2], keep[3]}}}
	var marks []*mark
	for _, q := range at {
		marks = append(marks, &mark{x: q[0], y: q[1], trueX: q[0], trueY: q[1], halfW: phoneLong, half: phoneShort})
	}
	g.apart(marks)
	gap = 1e9
	between := func(a, b rect) float64 {
		return max(max(a.x0-b.x1, b.x0-a.x1), max(a.y0-b.y1, b.y0-a.y1))
	}
	for i, m := range marks {
		r := around(m.x, m.y, m.halfW, m.half)
		gap = min(gap, between(r, g.taken[0]), r.x0, r.y0, w-r.x1, h-r.y1)
		for _, o := range marks[:i] {
			gap = min(gap, between(r, around(o.x, o.y, o.halfW, o.half)))
		}
	}
	return gap
}
