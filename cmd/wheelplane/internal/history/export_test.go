package history

import (
	"fmt"

	"wheelplane/cmd/wheelplane/internal/visit"
	"wheelplane/fixtures"
	"wheelplane/pose/rig"
)

// What tests outside need from inside.
var (
	RunLength = runLength
	Holm      = holm
)

// NewVisit is a visit that was not read from a folder.
func NewVisit(folder, date string, km float64, epochs []string, readings []Reading) *Visit {
	v := &Visit{Folder: folder, Date: date, Visit: visit.Visit{Odometer: km}, readings: readings}
	for _, e := range epochs {
		v.Epochs = append(v.Epochs, Epoch{Name: e})
	}
	return v
}

// Follow takes a camera through jobs without folders.
func Follow(fits []*rig.CameraFit, s Steady) (*Camera, error) {
	var visits []*Visit
	for i, f := range fits {
		visits = append(visits, &Visit{Folder: fmt.Sprint(i), fit: f})
	}
	return follow(visits, s)
}

// FollowFleet takes the first camera of a fleet through its jobs.
func FollowFleet(f *fixtures.Fleet, s Steady) (*Camera, error) {
	var fits []*rig.CameraFit
	for _, v := range f.Visits {
		if v.Camera == 0 {
			fits = append(fits, v.Result().Network.Camera)
		}
	}
	return Follow(fits, s)
}
