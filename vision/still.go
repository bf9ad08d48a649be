package vision

import (
	"image"
	"math"
)

// Still is a frame of a film in which the picture hardly moves.
type Still struct {
	Frame   int     // counts from 0
	Seconds float64 // from the first frame
	// MovedPx is about how far the picture moved from the frame before or to the
	// one after, whichever is more; see [MovedBetween].
	MovedPx float64
	Grey    *image.Gray
	Next    *image.Gray // the frame after it
	Gap     float64     // until then, s
}

// Stills goes through a film to its end and calls found with the stillest frame of
// every span of so many seconds, one after the other; each, if any, is told of
// every frame. It returns how many frames there were. The first and the last frame
// are not among the stills: of them is not known how far the picture moved.
func (v *Video) Stills(span float64, each func() error, found func(Still) error) (frames int, err error) {
	var best *Still
	var small, grey *image.Gray // of the frame before
	var before float64          // its time
	moved := math.Inf(1)        // between it and the one before that
	first := 0.0                // of the span
	for {
		seconds, ok, err := v.Next()
		if err != nil {
			return frames, err
		}
		if !ok {
			break
		}
		now, err := v.Grey()
		if err != nil {
			return frames, err
		}
		little, err := reduce(now, max(1, v.Width/smallWidth))
		if err != nil {
			return frames, err
		}
		step := math.Inf(1)
		if frames > 0 {
			step = MovedBetween(small, little) * float64(v.Width) / float64(little.Rect.Dx())
			if before-first >= span && best != nil {
				if err := found(*best); err != nil {
					return frames, err
				}
				best, first = nil, before
			}
			if most := math.Max(moved, step); !math.IsInf(most, 0) && (best == nil || most < best.MovedPx) {
				best = &Still{Frame: frames - 1, Seconds: before, MovedPx: most, Grey: grey, Next: now, Gap: seconds - before}
			}
		}
		small, grey, before, moved = little, now, seconds, step
		frames++
		if each != nil {
			if err := each(); err != nil {
				return frames, err
			}
		}
	}
	if best != nil {
		return frames, found(*best)
	}
	return frames, nil
}

// smallWidth is about how wide the frames are, pixels, of which is told how the
// picture moves.
const smallWidth = 480

// MovedBetween is about how far the picture moved between two frames of one size,
// pixels, by how much grey values changed over how steep they are: root mean square
// over the picture, some fraction of the truth once it is more than a pixel or two.
// (From the brightness constancy equation, Horn and Schunck 1981.)
func MovedBetween(a, b *image.Gray) float64 {
	w, h := a.Rect.Dx(), a.Rect.Dy()
	change, slope := 0, 0
	for y := 1; y < h-1; y++ {
		row, other := a.Pix[y*a.Stride:][:w], b.Pix[y*b.Stride:][:w]
		up, down := a.Pix[(y-1)*a.Stride:][:w], a.Pix[(y+1)*a.Stride:][:w]
		for x := 1; x < w-1; x++ {
			d := int(other[x]) - int(row[x])
			gx, gy := int(row[x+1])-int(row[x-1]), int(down[x])-int(up[x])
			change += d * d
			slope += gx*gx + gy*gy
		}
	}
	if slope == 0 {
		return 0
	}
	// Of a motion in any direction half the square is along the slope; gx and gy
	// are twice the slope.
	return math.Sqrt(2 * 4 * float64(change) / float64(slope))
}

// Moved is how far a board moved between two pictures of one camera, pixels: the
// mean of its corners.
func Moved(a, b View) (dx, dy float64, ok bool) {
	at := map[int][2]float64{}
	for _, c := range a.Corners {
		at[c.Index] = c.Px
	}
	n := 0.0
	for _, c := range b.Corners {
		if was, both := at[c.Index]; both {
			dx, dy, n = dx+c.Px[0]-was[0], dy+c.Px[1]-was[1], n+1
		}
	}
	if n == 0 {
		return 0, 0, false
	}
	return dx / n, dy / n, true
}
