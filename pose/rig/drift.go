package rig

import (
	"wheelplane/pose"
	"wheelplane/pose/bundle"
	"wheelplane/vision"
)

// Drift is how the camera moves while a photo is read: its sensor gives row after
// row (a rolling shutter), so what is lower in the picture was seen later. From the
// first row to the last a point p in the camera goes to p + Turn × p + Shift, evenly;
// the photo's place is that of the middle row. (As in Hedborg, Forssén, Felsberg
// and Ringaby, Rolling shutter bundle adjustment, CVPR 2012, to first order within
// a photo.)
type Drift struct {
	Turn  pose.Vec // rad
	Shift pose.Vec // m
}

const driftSize = 6

// whenRead is when a pixel's row is read, −½ to ½ from the first row to the last.
func whenRead(y float64, height int) float64 { return (y+0.5)/float64(height) - 0.5 }

// at is where a point of the camera's frame has gone by then.
func (d *Drift) at(when float64, p pose.Vec) pose.Vec {
	return pose.Add(p, pose.Scale(when, pose.Add(pose.Cross(d.Turn, p), d.Shift)))
}

// driftPrior says how much a photo drifts: turns by turn, shifts by shift, each of
// three directions; 0: not at all, and no rows.
type driftPrior struct{ turn, shift float64 }

func (p driftPrior) rows() (n int) {
	for _, u := range []float64{p.turn, p.shift} {
		if u > 0 {
			n += 3
		}
	}
	return n
}

func (p driftPrior) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	const size = 6 + vision.WanderSize + driftSize
	d := x[0][bundle.PoseSize+vision.WanderSize:]
	row := 0
	for i, u := range [driftSize]float64{p.turn, p.turn, p.turn, p.shift, p.shift, p.shift} {
		if u == 0 {
			continue
		}
		r[row] = d[i] / u
		if jac != nil && jac[0] != nil {
			jac[0][row*size+6+vision.WanderSize+i] = 1 / u
		}
		row++
	}
	return true
}
