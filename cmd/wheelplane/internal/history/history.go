// Package history keeps what job folders tell over years: vehicles, their
// visits, the readings of each, and the cameras they were photographed with, in
// an SQLite database beside the folders. The folders are the record; the
// database is an index of them that can be made anew at any time and never
// holds anything they do not.
package history

import (
	"fmt"
	"time"

	"wheelplane/cmd/wheelplane/internal/visit"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// File is the name of the database in the folder that holds the jobs' folders.
const File = "fleet.db"

// Vehicle is one vehicle with what its last visit called it.
type Vehicle struct {
	ID         int64   `json:"-"`
	FleetNo    string  `json:"fleet_no,omitempty"`
	Plate      string  `json:"plate,omitempty"`
	Chassis    string  `json:"chassis_no,omitempty"`
	Customer   string  `json:"customer,omitempty"`
	Kind       string  `json:"kind,omitempty"` // as job.yaml names it
	Visits     int     `json:"visits"`
	First      string  `json:"first"` // date
	Last       string  `json:"last"`
	OdometerKM float64 `json:"odometer_km,omitempty"` // the last told
}

// Name is how people would call it.
func (v Vehicle) Name() string {
	switch {
	case v.FleetNo != "":
		return v.FleetNo
	case v.Plate != "":
		return v.Plate
	}
	return v.Chassis
}

// Where the date of a visit is from.
const (
	FromVisit  = "visit.yaml"
	FromPhotos = "photographs"
	FromFile   = "result file"
)

// Visit is one job's folder.
type Visit struct {
	ID       int64  `json:"-"`
	Folder   string `json:"folder"` // relative to the root, with slashes
	Gone     bool   `json:"gone,omitempty"`
	CopyOf   string `json:"copy_of,omitempty"` // another folder with the same contents, which counts
	Date     string `json:"date"`              // 2026-11-25
	DateFrom string `json:"date_from"`

	visit.Visit `json:"told"`

	Kind    string   `json:"kind,omitempty"`
	Axles   int      `json:"axles,omitempty"`
	Epochs  []Epoch  `json:"epochs"`
	Version string   `json:"version,omitempty"` // of the program that measured
	Camera  string   `json:"camera,omitempty"`  // SHA-256 of its file
	Doubts  []string `json:"doubts,omitempty"`  // what could not be read

	readings []Reading // as read from the folder
	fit      *rig.CameraFit
	sum      string // of its contents
	stamp    string // of its files, as they were read
}

// Epoch is a state of the wheels during a visit.
type Epoch struct {
	Name  string `json:"name"`
	Moved string `json:"moved,omitempty"` // axles that were adjusted to reach it
}

// Reading is one of a visit.
type Reading struct {
	Epoch    int            `json:"-"` // index into the visit's
	Quantity align.Quantity `json:"quantity"`
	Axle     int            `json:"axle"`
	Side     align.Side     `json:"side"`
	Station  string         `json:"station,omitempty"`
	Value    float64        `json:"value"`
	U        float64        `json:"u"`
	Unit     string         `json:"unit"`
}

// of tells which reading of a vehicle it is, whatever its epoch.
func (r Reading) of() Reading {
	return Reading{Quantity: r.Quantity, Axle: r.Axle, Side: r.Side, Station: r.Station}
}

// DamagedError says that a database cannot be used any more.
type DamagedError struct {
	Path string
	Err  error
}

func (e *DamagedError) Error() string {
	return fmt.Sprintf("%s: the database is damaged (%v); nothing is lost, for the job folders hold everything", e.Path, e.Err)
}

func (e *DamagedError) Unwrap() error { return e.Err }

// FormError says that another version of this program made the database, with
// other tables.
type FormError struct {
	Path          string
	Theirs, Known int
}

// Newer tells whether that version is a later one.
func (e *FormError) Newer() bool { return e.Theirs > e.Known }

func (e *FormError) Error() string {
	which := "an older"
	if e.Newer() {
		which = "a newer"
	}
	return fmt.Sprintf("%s: %s version of wheelplane made this database (its form is %d, this version knows %d)", e.Path, which, e.Theirs, e.Known)
}

// MissingError says that there is no database yet.
type MissingError struct{ Path string }

func (e *MissingError) Error() string { return fmt.Sprintf("%s: no such database", e.Path) }

// BusyError says that another process is writing the database.
type BusyError struct{ Path string }

func (e *BusyError) Error() string {
	return fmt.Sprintf("%s: another process is writing it; try again when it is done", e.Path)
}

// ClosedError says that the system does not let the database be opened.
type ClosedError struct {
	Path string
	Err  error
}

func (e *ClosedError) Error() string {
	return fmt.Sprintf("%s: cannot be opened (%v): choose a place you may write to with --db", e.Path, e.Err)
}

// ForeignError says that the file is something else.
type ForeignError struct{ Path string }

func (e *ForeignError) Error() string {
	return fmt.Sprintf("%s: this file is not a fleet's database; it is left alone: move it away, or name another with --db", e.Path)
}

// dateOf writes a day.
func dateOf(t time.Time) string { return t.Format(time.DateOnly) }
