package vision

import "math"

// Homography is what one view says of where its board is, the lens taken as
// known: the map of board coordinates (metres, z = 0) to the plane z = 1 of
// the camera,
//
//	x = (h0 X + h1 Y + h2)/w, y = (h3 X + h4 Y + h5)/w, w = h6 X + h7 Y + 1
//
// and the covariance of its eight numbers, which does not contain the
// camera's. Source: weighted least squares of the corners by Gauss-Newton,
// weighted by Joint where there is one. ok is false where the corners do not
// fix it or the lens has no inverse there.
func (v *View) Homography(b *Board, c *Camera) (h [8]float64, cov [8][8]float64, ok bool) {
	from, to := make([][2]float64, len(v.Corners)), make([][2]float64, len(v.Corners))
	for i, k := range v.Corners {
		p := b.Corner(k.Index)
		from[i] = [2]float64{p[0], p[1]}
		if to[i], ok = c.Ray(k.Px); !ok {
			return h, cov, false
		}
	}
	start, ok := Homography(from, to)
	if !ok || start[2][2] == 0 {
		return h, cov, false
	}
	for i := range h {
		h[i] = start[i/3][i%3] / start[2][2]
	}
	whiten := v.whitening()
	e, j := make([]float64, 2*len(from)), make([][8]float64, 2*len(from))
	for range 10 {
		for i, p := range from {
			iw := 1 / (h[6]*p[0] + h[7]*p[1] + 1)
			x, y := (h[0]*p[0]+h[1]*p[1]+h[2])*iw, (h[3]*p[0]+h[4]*p[1]+h[5])*iw
			px, d, _, good := c.ProjectJacobian([3]float64{x, y, 1})
			if !good || !(iw > 0) {
				return h, cov, false
			}
			for k := range 2 {
				dx, dy := d[k][0]*iw, d[k][1]*iw
				g := -(dx*x + dy*y)
				e[2*i+k] = v.Corners[i].Px[k] - px[k]
				j[2*i+k] = [8]float64{dx * p[0], dx * p[1], dx, dy * p[0], dy * p[1], dy, g * p[0], g * p[1]}
			}
		}
		var n matrix
		var r [10]float64
		for _, row := range whiten {
			var a [8]float64
			var f float64
			for i, w := range row {
				if w == 0 {
					continue
				}
				f += w * e[i]
				for k := range a {
					a[k] += w * j[i][k]
				}
			}
			for k := range a {
				r[k] += a[k] * f
				for l := range k + 1 {
					n[k][l] += a[k] * a[l]
				}
			}
		}
		inv, good := n.invert(8)
		if !good {
			return h, cov, false
		}
		step := inv.times(&r)
		var moved float64
		for k := range h {
			h[k] += step[k]
			moved += step[k] * r[k]
			copy(cov[k][:], inv[k][:8])
		}
		if moved < 1e-9 {
			break
		}
	}
	return h, cov, true
}

// whitening is Joint's rows, or those of independent corners.
func (v *View) whitening() (rows [][]float64) {
	if v.Joint != nil {
		return v.Joint.Rows
	}
	for i, k := range v.Corners {
		x, y := make([]float64, 2*len(v.Corners)), make([]float64, 2*len(v.Corners))
		// The inverse of the Cholesky factor.
		a := math.Sqrt(k.Cov[0])
		l := k.Cov[1] / a
		d := math.Sqrt(k.Cov[2] - l*l)
		x[2*i] = 1 / a
		y[2*i], y[2*i+1] = -l/(a*d), 1/d
		rows = append(rows, x, y)
	}
	return rows
}
