package align

import (
	"math"

	"wheelplane/pose"
)

// Pivot is a wheel's steering axis: a line and its direction upward, in a frame
// whose z is up and whose ground plane is z = 0.
type Pivot struct {
	Up    pose.Vec // unit vector
	Point pose.Vec // any point of it, metres
}

// inLine turns a direction into the frame of a centreline with this heading
// (rad, positive to the left).
func inLine(v pose.Vec, centreline float64) pose.Vec {
	return pose.RotZ(-centreline).Apply(v)
}

// CasterOf returns the steering axis' lean seen from the side, rad: positive
// when its top leans rearward, atan2(−kx, kz).
func (p Pivot) CasterOf(centreline float64) float64 {
	k := inLine(p.Up, centreline)
	return math.Atan2(-k[0], k[2])
}

// InclinationOf returns the steering axis' lean seen from the front, rad:
// positive when its top leans inboard.
func (p Pivot) InclinationOf(side Side, centreline float64) float64 {
	k := inLine(p.Up, centreline)
	return math.Atan2(-side.Outboard()*k[1], k[2])
}

// onGround returns where the axis meets the ground.
func (p Pivot) onGround() pose.Vec {
	return pose.Sub(p.Point, pose.Scale(p.Point[2]/p.Up[2], p.Up))
}

// contact returns the point of the ground below the wheel's centre plane: the
// lowest point of a thin tyre there.
func (w Wheel) contact() pose.Vec {
	down := pose.Vec{0, 0, -1}
	down = pose.Unit(pose.Sub(down, pose.Scale(pose.Dot(down, w.Axis), w.Axis)))
	return pose.Add(w.Centre, pose.Scale(-w.Centre[2]/down[2], down))
}

// forward is the wheel plane's direction on the ground, forward.
func (w Wheel) forward() pose.Vec {
	return pose.Unit(pose.Scale(w.Side.Outboard(), pose.Cross(w.Axis, pose.Vec{0, 0, 1})))
}

// ScrubRadiusAndTrail return where the steering axis meets the ground, seen
// from the contact point of the wheel's centre plane, metres: the scrub radius
// is positive when the contact point is outboard of the axis, the trail when
// the axis meets the ground ahead of it.
func ScrubRadiusAndTrail(w Wheel, p Pivot) (scrub, trail float64) {
	d := pose.Sub(p.onGround(), w.contact())
	f := w.forward()
	out := pose.Scale(w.Side.Outboard(), pose.Cross(pose.Vec{0, 0, 1}, f))
	return -pose.Dot(d, out), pose.Dot(d, f)
}

// HeadingOf returns the wheel plane's heading in the frame, rad, positive to
// the left.
func (w Wheel) HeadingOf() float64 {
	f := w.forward()
	return math.Atan2(f[1], f[0])
}

// Centreline returns the heading of the geometric centreline in the frame (see
// [Derive]) from its rear and front points.
func Centreline(rear, front pose.Vec) float64 {
	return math.Atan2(front[1]-rear[1], front[0]-rear[0])
}
