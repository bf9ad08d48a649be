// Package pose holds rotations and rigid transforms in three dimensions, and
// nothing else.
//
// A transform is named aFromB: it takes coordinates in frame b to coordinates
// in frame a, xInA = R·xInB + T. Angles are radians, lengths metres.
//
// A small change of a transform is written with six numbers
// δ = (ω, τ), rotation first, both in the frame on the left (a):
// R becomes exp(ω)·R and T becomes T + τ. The translation is added, not turned
// along, so τ is the movement of b's origin seen in a, whatever ω is. Every
// Jacobian and covariance of a transform in this project uses this step; see
// [SE3.Plus] and [SE3.Minus].
package pose

import "math"

// Vec is a point or a direction.
type Vec = [3]float64

// Add returns a + b.
func Add(a, b Vec) Vec { return Vec{a[0] + b[0], a[1] + b[1], a[2] + b[2]} }

// Sub returns a − b.
func Sub(a, b Vec) Vec { return Vec{a[0] - b[0], a[1] - b[1], a[2] - b[2]} }

// Scale returns s·a.
func Scale(s float64, a Vec) Vec { return Vec{s * a[0], s * a[1], s * a[2]} }

// Dot returns the inner product of a and b.
func Dot(a, b Vec) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

// Cross returns a × b.
func Cross(a, b Vec) Vec {
	return Vec{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}

// Norm returns the length of a.
func Norm(a Vec) float64 { return math.Sqrt(Dot(a, a)) }

// Unit returns a scaled to length one; a zero vector stays zero.
func Unit(a Vec) Vec {
	n := Norm(a)
	if n == 0 {
		return a
	}
	return Scale(1/n, a)
}

// Perpendicular returns a unit vector at right angles to the unit vector a.
// The choice is fixed but arbitrary, and jumps where a's smallest component
// changes.
func Perpendicular(a Vec) Vec {
	k := 0
	for i := 1; i < 3; i++ {
		if math.Abs(a[i]) < math.Abs(a[k]) {
			k = i
		}
	}
	var e Vec
	e[k] = 1
	return Unit(Cross(a, e))
}
