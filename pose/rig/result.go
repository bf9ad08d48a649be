package rig

import (
	"encoding/json"
	"fmt"
	"math"

	"wheelplane/pose/align"
)

// Names of the files in a job's folder that hold readings.
const (
	ResultFile = "result.json"
	TruthFile  = "truth.json" // of a scene whose truth is known; same shape
)

// Reading is one reading as files and scripts see it: degrees or millimetres.
type Reading struct {
	Epoch    string         `json:"epoch"`
	Quantity align.Quantity `json:"quantity"`
	Axle     int            `json:"axle"`              // from the front, the first is 1
	Side     align.Side     `json:"side"`              // "left", "right" or ""
	Station  string         `json:"station,omitempty"` // of readings that differ from station to station
	Value    float64        `json:"value"`
	U        float64        `json:"u"` // standard uncertainty, k = 1
	Unit     string         `json:"unit"`
	UFloor   float64        `json:"u_floor"` // part of u that comes from the floor's stated flatness
}

// Result is result.json, and truth.json too.
type Result struct {
	Job      string    `json:"job,omitempty"`
	Readings []Reading `json:"readings"`
	Stances  []Stance  `json:"stances,omitempty"`
	Network  *Network  `json:"network"`
	Warnings []string  `json:"warnings,omitempty"`
	Inputs   *Inputs   `json:"inputs,omitempty"` // none of drawn corners, nor of versions before
	Tool     Tool      `json:"tool"`

	NotGood []PhotoVerdict `json:"photos_not_good,omitempty"`
	Weak    *Weak          `json:"still_weak,omitempty"`
}

// maxAxles is more than any vehicle has: it bounds what files of others may ask for.
const maxAxles = 64

// ReadResult reads a result file. What could not have been written by this program is
// an error.
func ReadResult(text []byte) (*Result, error) {
	r := new(Result)
	if err := json.Unmarshal(text, r); err != nil {
		return nil, err
	}
	for _, x := range r.Readings {
		if x.Axle < 0 || x.Axle > maxAxles || !(x.U >= 0) {
			return nil, fmt.Errorf("it has a reading of axle %d, %s, with the uncertainty %g", x.Axle, x.Quantity, x.U)
		}
	}
	for i := range r.Stances {
		s := &r.Stances[i]
		if n := len(s.Wheels); n == 0 || n > 2*maxAxles {
			return nil, fmt.Errorf("the stance of epoch %q has %d wheels", s.Epoch, n)
		}
		if _, err := s.Resolve(); err != nil {
			return nil, fmt.Errorf("the stance of epoch %q: %w", s.Epoch, err)
		}
	}
	return r, nil
}

// Weak is what a job does not tell well enough yet, of the epoch of its last
// station, and what would help.
type Weak struct {
	Unchecked []string      `json:"unchecked,omitempty"` // wheels of that station in one photograph alone, or in none that counts
	Readings  []WeakReading `json:"readings,omitempty"`
	WorstU    float64       `json:"worst_u_deg,omitempty"` // of camber, toe, thrust and scrub, where photographs help
	Photos    []NextPhoto   `json:"photograph_next,omitempty"`
	Instead   string        `json:"instead,omitempty"` // what helps where photographs do not
}

// WeakReading is a reading less well known than wanted.
type WeakReading struct {
	Epoch    string         `json:"epoch"`
	Quantity align.Quantity `json:"quantity"`
	Axle     int            `json:"axle"`
	Side     align.Side     `json:"side"`
	U        float64        `json:"u"`
	WantedU  float64        `json:"wanted_u"` // 0: no uncertainty would decide it
	Unit     string         `json:"unit"`
}

// NextPhoto is a photograph worth taking; its place as in plan.json: from the middle
// of axle 1 on the ground, forward, to the left, up.
type NextPhoto struct {
	Station string     `json:"station"`
	Where   string     `json:"where"`
	AtMM    [3]float64 `json:"at_mm"`
	AimMM   [3]float64 `json:"aim_mm"` // looked at
	Phone   string     `json:"phone"`  // "flat" or "upright"
	Boards  []string   `json:"boards"`
	ThenU   float64    `json:"then_worst_u_deg,omitempty"` // of camber, toe, thrust and scrub, with it and those before it; none of a plan's
}

// PhotoVerdict is what is wrong with a photograph.
type PhotoVerdict struct {
	Photo   string `json:"photo"`
	Verdict string `json:"verdict"` // in a word or two: moved, too dark
	Why     string `json:"why"`     // what was measured
	Do      string `json:"do"`
}

// Tool says what made a result and with what, so that it can be repeated.
type Tool struct {
	Name    string            `json:"name"`
	Version string            `json:"version"`
	Go      string            `json:"go,omitempty"`
	OpenCV  string            `json:"opencv,omitempty"`
	Options map[string]string `json:"options,omitempty"`
}

// ForFiles turns readings into degrees and millimetres.
func ForFiles(epochs []EpochReadings) []Reading {
	out := []Reading{}
	for _, e := range epochs {
		for i, r := range e.Readings {
			unit, k := "deg", 180/math.Pi
			switch {
			case r.Quantity.IsLength():
				unit, k = "mm", 1e3
			case r.Quantity == align.SteerRatio:
				unit, k = "1", 1
			}
			x := Reading{Epoch: e.Epoch, Quantity: r.Quantity, Axle: r.Axle, Side: r.Side, Station: r.Station, Value: r.Value * k, U: e.U(i) * k, Unit: unit}
			if e.UFloor != nil {
				x.UFloor = e.UFloor[i] * k
			}
			out = append(out, x)
		}
	}
	return out
}

// Find returns the reading of the same thing in another result.
func Find(list []Reading, like Reading) (Reading, bool) {
	for _, r := range list {
		if r.Epoch == like.Epoch && r.Quantity == like.Quantity && r.Axle == like.Axle && r.Side == like.Side && r.Station == like.Station {
			return r, true
		}
	}
	return Reading{}, false
}
