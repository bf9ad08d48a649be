package cli

import "wheelplane/pose/align"

// adjustable tells whether a reading can be adjusted on a vehicle of which
// nothing more is known: axles slide, tie rods turn, caster shims exist; a solid
// axle's camber and kingpin inclination do not change without bending it.
func adjustable(q align.Quantity, _ int) bool {
	switch q {
	case align.ThrustAngle, align.ScrubAngle, align.AxleHeading, align.TotalToe, align.Toe, align.Caster, align.AxleOffset:
		return true
	}
	return false
}
