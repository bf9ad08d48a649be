package record

import (
	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/pose/align"
)

// Mark draws a verdict's sign: a disc for within, a square standing on its
// corner for outside, a square half filled for undecided, a ring where nothing
// is judged. r is half its width. Pale ones belong to the epoch before.
func Mark(p *draw.Picture, x, y, r float64, v align.Verdict, pale bool) {
	c, fill := verdictColour(v), verdictColour(v)
	if pale {
		fill = draw.White
	}
	switch v {
	case align.Within:
		p.Circle(x, y, r, fill, c, r/3)
	case align.Outside:
		d := r * 1.25
		p.Add(draw.Shape{Path: draw.Polygon(true, [2]float64{x, y - d}, [2]float64{x + d, y}, [2]float64{x, y + d}, [2]float64{x - d, y}), Fill: fill, Stroke: c, Width: r / 3})
	case align.Undecided:
		a := r * 0.9
		p.Rect(x-a, y-a, 2*a, 2*a, draw.White, draw.Ink, r/3)
		if pale {
			p.Add(draw.Shape{Path: draw.Polygon(true, [2]float64{x - a, y + a}, [2]float64{x + a, y + a}, [2]float64{x + a, y - a}), Fill: draw.Hairline})
			break
		}
		p.Add(draw.Shape{Path: draw.Polygon(true, [2]float64{x - a, y + a}, [2]float64{x + a, y + a}, [2]float64{x + a, y - a}), Fill: c, Stroke: draw.Ink, Width: r / 3})
	default:
		p.Circle(x, y, r*0.85, draw.White, draw.Soft, r/2.5)
	}
}

func verdictColour(v align.Verdict) draw.Colour {
	switch v {
	case align.Within:
		return draw.Blue
	case align.Outside:
		return draw.Vermilion
	case align.Undecided:
		return draw.Yellow
	}
	return draw.Soft
}

// markPicture is one verdict's sign by itself.
func markPicture(v align.Verdict) *draw.Picture {
	p := &draw.Picture{W: 3, H: 3}
	Mark(p, 1.5, 1.5, 1, v, false)
	return p
}
