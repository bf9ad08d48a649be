package rig_test

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// written writes a job with photographs that hold nothing.
func written(t *testing.T, j *rig.Job) (dir string, text []byte) {
	t.Helper()
	dir = t.TempDir()
	text, err := j.Text("camera.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, rig.JobFile), text, 0o666); err != nil {
		t.Fatal(err)
	}
	for _, p := range j.Photos {
		path := filepath.Join(dir, filepath.FromSlash(p.Path))
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, nil, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	return dir, text
}

// difference says where two values differ: numbers by more than files round away
// (a billionth of a degree or of a millimetre), anything else at all.
// Whether a list is empty or absent counts.
func difference(a, b reflect.Value, at string) string {
	switch a.Kind() {
	case reflect.Float64:
		if math.Abs(a.Float()-b.Float()) > 2e-11 {
			return fmt.Sprintf("%s: %v and %v", at, a, b)
		}
	case reflect.Struct:
		for i := range a.NumField() {
			if d := difference(a.Field(i), b.Field(i), at+"."+a.Type().Field(i).Name); d != "" {
				return d
			}
		}
	case reflect.Pointer:
		if a.IsNil() != b.IsNil() {
			return fmt.Sprintf("%s: %v and %v", at, a, b)
		}
		if !a.IsNil() {
			return difference(a.Elem(), b.Elem(), at)
		}
	case reflect.Slice, reflect.Array:
		if a.Kind() == reflect.Slice && a.IsNil() != b.IsNil() || a.Len() != b.Len() {
			return fmt.Sprintf("%s: %v and %v", at, a, b)
		}
		for i := range a.Len() {
			if d := difference(a.Index(i), b.Index(i), fmt.Sprintf("%s[%d]", at, i)); d != "" {
				return d
			}
		}
	default:
		if !a.Equal(b) {
			return fmt.Sprintf("%s: %v and %v", at, a, b)
		}
	}
	return ""
}

func roundTrip(t *testing.T, j *rig.Job) {
	t.Helper()
	dir, text := written(t, j)
	folder, err := rig.Open(dir)
	if err != nil {
		t.Errorf("%v\n%s", err, text)
		return
	}
	if d := difference(reflect.ValueOf(*j), reflect.ValueOf(*folder.Job), "job"); d != "" {
		t.Errorf("%s\n%s", d, text)
	}
	if want := filepath.Join(dir, "camera.yaml"); folder.Camera != want {
		t.Errorf("camera %s, want %s", folder.Camera, want)
	}
	again, err := folder.Job.Text("camera.yaml")
	if err != nil || !bytes.Equal(again, text) {
		t.Errorf("written twice: %v\n%s\n%s", err, text, again)
	}
}

// TestJobFile: what a job.yaml was written from is what it is read as, for
// every layout and way of working.
func TestJobFile(t *testing.T) {
	for _, name := range fixtures.SceneNames() {
		t.Run(name[0], func(t *testing.T) { roundTrip(t, newScene(t, name[0], 1).Job) })
	}
	// All keys at once, with numbers that are nobody's default.
	t.Run("everything", func(t *testing.T) {
		j := newScene(t, "body-boards", 1).Job
		j.Vehicle.Reference = 2
		j.Vehicle.Axles[1].Name = "axle: #2, \"driven\""
		j.Kingpin = &rig.Kingpin{Board: j.Body[1], Point: pose.Vec{0.0123, -0.16, 0.05}, U: 0.0007}
		front := rig.Wheel{Axle: 1, Side: align.Left}
		j.Epochs = []rig.Epoch{{Name: "as found"}, {Name: "looked at again", Moved: []rig.Wheel{}}, {Name: "as left", Moved: []rig.Wheel{front}}, {Name: "after the drive"}}
		stops := []rig.Station{
			{Name: "again", Epoch: "looked at again"},
			{Name: "up", Epoch: "as left", Lifted: []rig.Wheel{front}},
			{Name: "down", Epoch: "as left"},
			{Name: "swept", Epoch: "as left", Sweep: true, Steer: -17.25 * math.Pi / 180},
			{Name: "driven", Epoch: "after the drive"},
		}
		for _, s := range stops {
			j.Photos = append(j.Photos, rig.Photo{Path: "photos/" + s.Name + "/1.jpg", Station: len(j.Stations)})
			j.Stations = append(j.Stations, s)
		}
		for h := range j.Hangs {
			if j.Hangs[h].Wheel.Axle == 3 { // hung again after the drive
				j.Hangs[h].Stations = []int{0, 1, 2, 3, 4, 5}
				again := j.Hangs[h]
				again.Stations = []int{6}
				j.Hangs = append(j.Hangs, again)
			}
		}
		for i := range j.Boards {
			j.Boards[i].ScaleX, j.Boards[i].ScaleY = 1.0007, 0.9996
		}
		j.Priors = rig.Priors{
			MountTilt: 0.02, MountOffset: 0.011, Standoff: 0.123, StandoffU: 0.0009,
			FloorFlatness: 0.0021, FloorTilt: 0.0044, FloorThickness: 0.0051, PrintScale: 0.0003, BrakeSlip: 0.0031,
			PrintSpread: 0.0004, BoardFlatness: 0.0007, WanderFocal: 0.00023, WanderCentre: 0.67, RollTurn: 0.00031, RollShift: 0.00083,
			SteerTilt: j.Priors.SteerTilt, SteerOffset: j.Priors.SteerOffset, LiftTilt: j.Priors.LiftTilt, LiftHeight: j.Priors.LiftHeight,
		}
		roundTrip(t, j)
	})
}
