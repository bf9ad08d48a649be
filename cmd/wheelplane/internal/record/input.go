// Package record makes the record of a job that is handed over: one page of
// HTML that needs nothing beside it, a PDF, and CSV and JSON for machines.
//
// What is told is put together once (lines.go), every drawing is made once as
// a list of shapes (picture.go), and the writers only set it: html.go, pdf.go,
// machine.go. The room reads no files; whoever calls it fills an [Input].
package record

import (
	"fmt"
	"time"

	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// Input is all that a record tells. Only Vehicle and Readings must be there;
// what is missing is left out, or left blank to be filled in by pen.
type Input struct {
	Job      string // its name
	Vehicle  rig.Vehicle
	Kingpin  bool          // the centreline runs through the kingpin
	Epochs   []string      // in their order
	Readings []rig.Reading // of all epochs; deg and mm
	Network  *rig.Network
	Warnings []string
	Tool     rig.Tool // what measured

	Target func(rig.Reading) *align.Target // of a reading, or nil; nil: there are none
	Rule   align.Rule
	Spec   Spec

	Visit Visit
	Slip  []Slip

	Made    time.Time // of the record
	Version string    // of the program that writes it
}

// Spec tells where the targets come from.
type Spec struct {
	Name, About, Source string
	// ReferenceDiameter is what toe as a distance refers to, m; 0: the diameter of
	// the axle's own tyres.
	ReferenceDiameter float64
}

// Visit is what a person told of the vehicle and the day.
type Visit struct {
	Date                  string // 2026-03-14, or in words
	Place                 string
	Customer, Contact     string
	Order                 string  // the workshop's number for it
	Fleet, Plate, Chassis string  // identity of the vehicle
	OdometerKM            float64 // 0: not told
	People                []Person
	Tyres                 []Tyre
	Checks                []Check
	Adjustments           []Adjustment
	Remarks               []string
}

// Person with what they did.
type Person struct{ Name, Role string }

// Tyre of a wheel, or of one of a wheel's tyres.
type Tyre struct {
	Axle     int
	Side     align.Side
	Position string // "inner", "outer", or nothing
	Size     string
	Tread    float64 // m; 0: not told
	Pressure float64 // kPa; 0: not told
	Note     string
}

// Check is something looked at before measuring. State is how it came out, such
// as "ok" or "bad"; nothing where nobody told.
type Check struct{ Name, State, Note, Who, When string }

// Adjustment is something done to the vehicle.
type Adjustment struct{ What, Amount, Who, When string }

// Slip is what it costs to leave a wheel as it stands in an epoch.
type Slip struct {
	Epoch string
	align.Slip
}

// Style is how much is told, and how.
type Style string

// The styles.
const (
	Full     Style = "full"
	OnePage  Style = "one-page"
	Customer Style = "customer" // in plain words
)

// Units of lengths.
type Units string

// The units of lengths; angles stay angles.
const (
	Metric   Units = "metric"
	Imperial Units = "imperial"
)

// Angles is how angles are written.
type Angles string

// The ways to write angles.
const (
	Degrees Angles = "deg"
	Minutes Angles = "dm" // degrees and minutes
)

// Paper is a page's name and size.
type Paper struct {
	Name              string
	WidthMM, HeightMM float64
}

// Papers are the pages a record can be set for; the first is the default.
var Papers = []Paper{{"A4", 210, 297}, {"Letter", 215.9, 279.4}}

// Options of a record; the zero value is the full record in degrees and
// millimetres on A4.
type Options struct {
	Style  Style
	Units  Units
	Angles Angles
	Paper  string
	// ToeDistance writes toe and total toe as a distance over the reference
	// diameter instead of an angle.
	ToeDistance bool
}

func (o *Options) fill() (Paper, error) {
	if o.Style == "" {
		o.Style = Full
	}
	if o.Units == "" {
		o.Units = Metric
	}
	if o.Angles == "" {
		o.Angles = Degrees
	}
	if o.Paper == "" {
		o.Paper = Papers[0].Name
	}
	switch {
	case o.Style != Full && o.Style != OnePage && o.Style != Customer:
		return Paper{}, fmt.Errorf("no style is called %q: choose full, one-page or customer", o.Style)
	case o.Units != Metric && o.Units != Imperial:
		return Paper{}, fmt.Errorf("no units are called %q: choose metric or imperial", o.Units)
	case o.Angles != Degrees && o.Angles != Minutes:
		return Paper{}, fmt.Errorf("no way to write angles is called %q: choose deg or dm", o.Angles)
	}
	for _, p := range Papers {
		if p.Name == o.Paper {
			return p, nil
		}
	}
	return Paper{}, fmt.Errorf("no paper is called %q: choose A4 or Letter", o.Paper)
}
