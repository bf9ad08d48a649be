package live

import (
	"math"

	"wheelplane/pose"
	"wheelplane/pose/rig"
	"wheelplane/vision"
)

// glance is one view of a board as a measurement: where the board is in the
// camera, the lens and the board taken to be as the job has them.
type glance struct {
	place pose.SE3 // cameraFromBoard
	info  sym6     // of its step: the inverse of its covariance
	cov   sym6
	// by is how the place follows from what was taken as known: intrinsics, print
	// scale, shape.
	by [6][numTaken]float64
}

const (
	takenScale = vision.NumIntrinsics
	takenShape = takenScale + 2
	numTaken   = takenShape + rig.ShapeSize
)

// see makes a glance of a view by Gauss-Newton from the likeliest of some starts.
// ok is false where the view does not fix a place.
func see(v *vision.View, b *vision.Board, camera *vision.Camera, scale [2]float64, shape *rig.Shape, starts []pose.SE3) (g glance, ok bool) {
	white := whitening(v)
	best := math.Inf(1)
	for _, s := range starts {
		if now, cost, good := fit(v, white, b, camera, scale, shape, s); good && cost < best {
			g, best, ok = now, cost, true
		}
	}
	return g, ok
}

func whitening(v *vision.View) [][]float64 {
	if v.Joint != nil {
		return v.Joint.Rows
	}
	var rows [][]float64
	for i, c := range v.Corners {
		w := rig.Whiten(c.Cov)
		x, y := make([]float64, 2*len(v.Corners)), make([]float64, 2*len(v.Corners))
		x[2*i] = w[0]
		y[2*i], y[2*i+1] = w[1], w[2]
		rows = append(rows, x, y)
	}
	return rows
}

func fit(v *vision.View, white [][]float64, b *vision.Board, camera *vision.Camera, scale [2]float64, shape *rig.Shape, start pose.SE3) (g glance, cost float64, ok bool) {
	const columns = 6 + numTaken
	n := len(v.Corners)
	e, jac := make([]float64, 2*n), make([][columns]float64, 2*n)
	g.place = start
	for round := 0; ; round++ {
		for i := range v.Corners {
			q, byScale, byShape := rig.CornerJacobian(b, v.Corners[i].Index, scale, shape)
			turned := g.place.R.Apply(q)
			p := pose.Add(turned, g.place.T)
			px, dp, di, good := camera.ProjectJacobian(p)
			if !good || !(p[2] > 0) {
				return g, 0, false
			}
			for k := range 2 {
				row := &jac[2*i+k]
				e[2*i+k] = v.Corners[i].Px[k] - px[k]
				d := pose.Vec(dp[k])
				// The step turns about the board's own origin: T is moved by τ alone.
				w := pose.Cross(turned, d)
				copy(row[:], w[:])
				copy(row[3:], d[:])
				copy(row[6:], di[k][:])
				back := g.place.R.Transpose().Apply(d)
				for c, s := range byScale {
					row[6+takenScale+c] = pose.Dot(back, s)
				}
				for c, s := range byShape {
					row[6+takenShape+c] = pose.Dot(back, s)
				}
			}
		}
		var info sym6
		var rhs vec6
		var cross [6][numTaken]float64
		cost = 0
		for _, w := range white {
			var f float64
			var a [columns]float64
			for i, x := range w {
				if x == 0 {
					continue
				}
				f += x * e[i]
				for c, y := range jac[i] {
					a[c] += x * y
				}
			}
			cost += f * f
			for i := range info {
				rhs[i] += a[i] * f
				for j := range info {
					info[i][j] += a[i] * a[j]
				}
				for j := range numTaken {
					cross[i][j] += a[i] * a[6+j]
				}
			}
		}
		cov, good := info.inverse()
		if !good {
			return g, 0, false
		}
		step := cov.times(rhs)
		if round == 15 || square2(step, &info) < 1e-8 {
			g.info, g.cov = info, cov
			for i := range 6 {
				for j := range numTaken {
					for k := range 6 {
						g.by[i][j] -= cov[i][k] * cross[k][j]
					}
				}
			}
			return g, cost, round < 15
		}
		// Far off, a full step may lead astray.
		if t := math.Sqrt(step[0]*step[0] + step[1]*step[1] + step[2]*step[2]); t > 0.3 {
			for i := range step {
				step[i] *= 0.3 / t
			}
		}
		g.place = g.place.Plus(step)
	}
}

// square2 is vᵀ·a·v.
func square2(v vec6, a *sym6) (sum float64) {
	w := a.times(v)
	for i := range v {
		sum += v[i] * w[i]
	}
	return sum
}
