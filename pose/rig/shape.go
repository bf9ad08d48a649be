package rig

// Shape is how a printed board differs from a plane with the job's print scale.
type Shape struct {
	// Stretch is by how much more the board is stretched in x and y, relative.
	Stretch [2]float64

	// Bow is how far its face stands out of its mean plane, m. At u from −1 at
	// the left edge of the chessboard to 1 at the right, v likewise from bottom
	// to top, it is at z = Bow[0]·(u² − ⅓) + Bow[1]·(v² − ⅓) + Bow[2]·u·v: the
	// first two say how far the middles of the edges (left and right, top and
	// bottom) stand before the board's middle, the third how far the corners do,
	// two forward and two back. The mean over the board is zero, so a bow does
	// not move the plane that the board stands for.
	Bow [3]float64
}

const (
	bowSize   = 3
	shapeSize = 2 + bowSize
)

// bowAt is what each component of a bow counts at (u, v).
func bowAt(u, v float64) [bowSize]float64 {
	return [bowSize]float64{u*u - 1./3, v*v - 1./3, u * v}
}

// At returns how far the board's face stands out of its mean plane at (u, v), m.
func (s *Shape) At(u, v float64) (z float64) {
	for k, b := range bowAt(u, v) {
		z += b * s.Bow[k]
	}
	return z
}

// value is the shape as its block has it, shapeOf the inverse.
func (s *Shape) value() []float64 {
	return []float64{s.Stretch[0], s.Stretch[1], s.Bow[0], s.Bow[1], s.Bow[2]}
}

func shapeOf(x []float64) Shape {
	return Shape{[2]float64{x[0], x[1]}, [bowSize]float64{x[2], x[3], x[4]}}
}
