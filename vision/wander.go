package vision

// Wander is how the camera of one photograph differs from its calibration: a
// stabiliser shifts the picture, the autofocus changes its scale.
type Wander struct {
	Focal  float64    // relative change of both focal lengths
	Centre [2]float64 // shift of the principal point, pixels
}

// WanderSize is how many numbers a [Wander] has.
const WanderSize = 3

// Wandered returns the camera as it was for a photograph.
func (c Camera) Wandered(w Wander) Camera {
	c.FX *= 1 + w.Focal
	c.FY *= 1 + w.Focal
	c.CX += w.Centre[0]
	c.CY += w.Centre[1]
	return c
}
