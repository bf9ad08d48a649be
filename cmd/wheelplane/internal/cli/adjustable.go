package cli

import (
	"slices"

	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// adjustable tells whether a reading can be adjusted: by what the specification
// lists or, where it lists nothing, as on a vehicle of which nothing more is
// known: axles slide, tie rods turn, caster shims exist; a solid axle's camber
// and kingpin inclination do not change without bending it.
func adjustable(adjusters []align.Adjuster, v *rig.Vehicle) func(align.Quantity, int) bool {
	var steered []int
	for i, a := range v.Axles {
		if a.Steered {
			steered = append(steered, i+1)
		}
	}
	served := align.Served(adjusters, steered)
	return func(q align.Quantity, axle int) bool {
		if len(adjusters) > 0 {
			return slices.ContainsFunc(served, func(r align.Reading) bool { return r.Quantity == q && r.Axle == axle })
		}
		switch q {
		case align.ThrustAngle, align.ScrubAngle, align.AxleHeading, align.TotalToe, align.Toe, align.Caster, align.AxleOffset:
			return true
		}
		return false
	}
}
