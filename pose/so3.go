package pose

import "math"

// SO3 is a rotation matrix, row by row.
type SO3 [3][3]float64

// IdentityRotation turns nothing.
func IdentityRotation() SO3 { return SO3{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}} }

// Mul returns r·s: first s, then r.
func (r SO3) Mul(s SO3) SO3 {
	var m SO3
	for i := 0; i < 3; i++ {
		for j := 0; j < 3; j++ {
			m[i][j] = r[i][0]*s[0][j] + r[i][1]*s[1][j] + r[i][2]*s[2][j]
		}
	}
	return m
}

// Transpose returns the inverse rotation.
func (r SO3) Transpose() SO3 {
	return SO3{
		{r[0][0], r[1][0], r[2][0]},
		{r[0][1], r[1][1], r[2][1]},
		{r[0][2], r[1][2], r[2][2]},
	}
}

// Apply returns r·v.
func (r SO3) Apply(v Vec) Vec {
	return Vec{
		r[0][0]*v[0] + r[0][1]*v[1] + r[0][2]*v[2],
		r[1][0]*v[0] + r[1][1]*v[1] + r[1][2]*v[2],
		r[2][0]*v[0] + r[2][1]*v[1] + r[2][2]*v[2],
	}
}

// Column returns column j: the image of unit vector j.
func (r SO3) Column(j int) Vec { return Vec{r[0][j], r[1][j], r[2][j]} }

// FromColumns builds a matrix from its three columns; they must be orthonormal
// and right-handed for the result to be a rotation (see [SO3.Orthonormal]).
func FromColumns(x, y, z Vec) SO3 {
	return SO3{{x[0], y[0], z[0]}, {x[1], y[1], z[1]}, {x[2], y[2], z[2]}}
}

// Orthonormal returns the rotation near r with rounding errors removed
// (Gram-Schmidt from the first column).
func (r SO3) Orthonormal() SO3 {
	x := Unit(r.Column(0))
	y := r.Column(1)
	y = Unit(Sub(y, Scale(Dot(x, y), x)))
	return FromColumns(x, y, Cross(x, y))
}

// Skew returns the matrix [v]× with [v]×·w = v × w.
func Skew(v Vec) [3][3]float64 {
	return [3][3]float64{{0, -v[2], v[1]}, {v[2], 0, -v[0]}, {-v[1], v[0], 0}}
}

// Exp returns the rotation by |w| radians about w (Rodrigues' formula).
func Exp(w Vec) SO3 {
	t2 := Dot(w, w)
	t := math.Sqrt(t2)
	var a, b float64 // sin t / t, (1 − cos t) / t²
	if t < 1e-4 {
		a = 1 - t2/6*(1-t2/20)
		b = 0.5 - t2/24*(1-t2/30)
	} else {
		a = math.Sin(t) / t
		h := math.Sin(t/2) / t
		b = 2 * h * h
	}
	return SO3{
		{1 - b*(w[1]*w[1]+w[2]*w[2]), b*w[0]*w[1] - a*w[2], b*w[0]*w[2] + a*w[1]},
		{b*w[0]*w[1] + a*w[2], 1 - b*(w[0]*w[0]+w[2]*w[2]), b*w[1]*w[2] - a*w[0]},
		{b*w[0]*w[2] - a*w[1], b*w[1]*w[2] + a*w[0], 1 - b*(w[0]*w[0]+w[1]*w[1])},
	}
}

// Log returns the rotation vector w with Exp(w) = r and |w| ≤ π. It goes by way
// of the quaternion, which stays accurate at both ends of the range.
func (r SO3) Log() Vec {
	// Shepperd's method: the largest of the four squared components first.
	tr := r[0][0] + r[1][1] + r[2][2]
	var q [4]float64 // w, x, y, z
	switch {
	case tr >= r[0][0] && tr >= r[1][1] && tr >= r[2][2]:
		q = [4]float64{1 + tr, r[2][1] - r[1][2], r[0][2] - r[2][0], r[1][0] - r[0][1]}
	case r[0][0] >= r[1][1] && r[0][0] >= r[2][2]:
		q = [4]float64{r[2][1] - r[1][2], 1 + r[0][0] - r[1][1] - r[2][2], r[0][1] + r[1][0], r[0][2] + r[2][0]}
	case r[1][1] >= r[2][2]:
		q = [4]float64{r[0][2] - r[2][0], r[0][1] + r[1][0], 1 - r[0][0] + r[1][1] - r[2][2], r[1][2] + r[2][1]}
	default:
		q = [4]float64{r[1][0] - r[0][1], r[0][2] + r[2][0], r[1][2] + r[2][1], 1 - r[0][0] - r[1][1] + r[2][2]}
	}
	n := math.Sqrt(q[0]*q[0] + q[1]*q[1] + q[2]*q[2] + q[3]*q[3])
	if q[0] < 0 {
		n = -n
	}
	w, v := q[0]/n, Vec{q[1] / n, q[2] / n, q[3] / n}
	s := Norm(v)
	if s < 1e-9 {
		return Scale(2/w, v)
	}
	return Scale(2*math.Atan2(s, w)/s, v)
}

// RotX, RotY and RotZ turn by a radians about one axis, right-handed.
func RotX(a float64) SO3 { return Exp(Vec{a, 0, 0}) }

// RotY turns by a radians about y.
func RotY(a float64) SO3 { return Exp(Vec{0, a, 0}) }

// RotZ turns by a radians about z.
func RotZ(a float64) SO3 { return Exp(Vec{0, 0, a}) }

// RotationTo returns the smallest rotation that takes unit vector a to unit
// vector b.
func RotationTo(a, b Vec) SO3 {
	c := Cross(a, b)
	s, d := Norm(c), Dot(a, b)
	if d < -0.9 {
		// The cross product of nearly opposite vectors is mostly rounding: turn
		// half round first, about an axis that is surely at right angles to a.
		half := Sub(c, Scale(Dot(a, c), a))
		if s < 1e-12 {
			half = Perpendicular(a)
		}
		return RotationTo(Scale(-1, a), b).Mul(Exp(Scale(math.Pi, Unit(half))))
	}
	if s == 0 {
		return IdentityRotation()
	}
	return Exp(Scale(math.Atan2(s, d)/s, c))
}
