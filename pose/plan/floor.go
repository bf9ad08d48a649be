package plan

import (
	"wheelplane/pose"
	"wheelplane/pose/rig"
)

// How far outside the wheels floor boards lie beside the vehicle, m: far enough
// apart to show what is level, out of the way of whoever walks around (common
// sense, no source).
const besideWheels = 1.2

// BesidePlaces is where to lay n floor boards in pairs along both sides of the
// vehicle, in the body at the first station; of them ends, up to two, go before
// and behind it, where its sides are tied together. What is level across the
// vehicle, and with it camber, is known the better the farther apart they lie,
// and nobody rolls over them.
func BesidePlaces(job *rig.Job, n, ends int) []pose.SE3 {
	axles := job.Vehicle.Axles
	front, rear := axleX(job, 0)+0.8, axleX(job, len(axles)-1)-0.8 // past the wheels: seen with them from ahead and behind
	for i, b := range job.Body {
		if job.Kingpin != nil && job.Kingpin.Board == b { // seen from ahead, with floor boards
			front = BodyPlaces(job)[i].T[0] + 0.5
		}
	}
	side := axles[0].Track/2 + besideWheels
	ends = min(n, ends)
	if (n-ends)%2 == 1 {
		ends++
	}
	out := FloorPlaces(job, min(ends, 2))
	at := func(x, y float64) {
		out = append(out, pose.SE3{R: pose.IdentityRotation(), T: pose.Vec{x, y, job.Priors.FloorThickness}})
	}
	pairs := (n - len(out)) / 2
	for k := range pairs {
		x := (front + rear) / 2
		if pairs > 1 {
			x = front - (front-rear)*float64(k)/float64(pairs-1)
		}
		at(x, side)
		at(x, -side)
	}
	if len(out) < n { // one is left
		at((front+rear)/2, side)
	}
	return out
}
