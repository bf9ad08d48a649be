package history

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"wheelplane/pose/align"
)

// ofVehicle are the quantities that a vehicle keeps from visit to visit, in the
// order they are told. How a board was clamped, how far a wheel was steered and
// how the vehicle rolled are of the visit.
var ofVehicle = []align.Quantity{
	align.Camber, align.CrossCamber, align.Toe, align.TotalToe, align.AxleHeading, align.ThrustAngle, align.ScrubAngle,
	align.AxleOffset, align.Caster, align.CrossCaster, align.Kingpin, align.CrossKingpin, align.ScrubRadius, align.Trail,
	align.Wheelbase, align.Track,
}

// Keeps tells whether a vehicle keeps a quantity from visit to visit.
func Keeps(q align.Quantity) bool { return slices.Contains(ofVehicle, q) }

// Point is a reading in its place in time.
type Point struct {
	Folder     string  `json:"folder"`
	Date       string  `json:"date"`
	OdometerKM float64 `json:"odometer_km,omitempty"`
	Epoch      string  `json:"epoch"`
	AsFound    bool    `json:"as_found"` // the first of its visit
	Value      float64 `json:"value"`
	U          float64 `json:"u"`
}

// Series is one reading of a vehicle over its visits.
type Series struct {
	Quantity align.Quantity `json:"quantity"`
	Axle     int            `json:"axle"`
	Side     align.Side     `json:"side"`
	Unit     string         `json:"unit"`
	Points   []Point        `json:"points"`

	// DriftPer10000KM is what the reading changed by on the road, from as left to
	// the next as found, over the way between; nil where too few visits tell the
	// mileage.
	DriftPer10000KM  *float64 `json:"drift_per_10000_km,omitempty"`
	UDriftPer10000KM *float64 `json:"u_drift_per_10000_km,omitempty"`
}

// Trend lists the series of a vehicle's readings over visits that are in order
// and have their readings: those of a quantity, all that it keeps where that is
// "", and of an axle unless it is 0.
func Trend(visits []*Visit, q align.Quantity, axle int) []Series {
	var out []Series
	at := map[Reading]int{}
	for _, v := range visits {
		for _, r := range v.readings {
			if q == "" && !Keeps(r.Quantity) || q != "" && r.Quantity != q || axle != 0 && r.Axle != axle || r.Station != "" {
				continue
			}
			i, ok := at[r.of()]
			if !ok {
				i = len(out)
				at[r.of()] = i
				out = append(out, Series{Quantity: r.Quantity, Axle: r.Axle, Side: r.Side, Unit: r.Unit})
			}
			out[i].Points = append(out[i].Points, Point{v.Folder, v.Date, v.Odometer, v.Epochs[r.Epoch].Name, r.Epoch == 0, r.Value, r.U})
		}
	}
	for i := range out {
		s := &out[i]
		s.rate()
	}
	slices.SortStableFunc(out, func(a, b Series) int {
		if a.Axle != b.Axle {
			return a.Axle - b.Axle
		}
		if a.Quantity != b.Quantity {
			return slices.Index(ofVehicle, a.Quantity) - slices.Index(ofVehicle, b.Quantity)
		}
		return strings.Compare(string(a.Side), string(b.Side)) // "", left, right
	})
	return out
}

// rate sums the changes on the road over the way. Each change has the variances
// of both its readings; one visit's as found and as left are taken for
// independent, which is a little too much where boards stayed clamped.
func (s *Series) rate() {
	sum, variance, way := 0.0, 0.0, 0.0
	for i, p := range s.Points {
		if i == 0 || !p.AsFound {
			continue
		}
		left := s.Points[i-1]
		if left.OdometerKM <= 0 || p.OdometerKM <= left.OdometerKM {
			continue
		}
		sum += p.Value - left.Value
		variance += p.U*p.U + left.U*left.U
		way += (p.OdometerKM - left.OdometerKM) / 1e4
	}
	if way > 0 {
		rate, u := sum/way, math.Sqrt(variance)/way
		s.DriftPer10000KM, s.UDriftPer10000KM = &rate, &u
	}
}

// Change is what a reading did between two visits.
type Change struct {
	Quantity align.Quantity `json:"quantity"`
	Axle     int            `json:"axle"`
	Side     align.Side     `json:"side"`
	Unit     string         `json:"unit"`
	Left     float64        `json:"left"` // at the visit before, as it was left
	ULeft    float64        `json:"u_left"`
	Found    float64        `json:"found"`
	UFound   float64        `json:"u_found"`
	Change   float64        `json:"change"`
	U        float64        `json:"u"` // of the change
	// P is how often a change as large comes about by the uncertainties alone.
	P       float64 `json:"p"`
	Drifted bool    `json:"drifted"`
}

// Drift is what changed between two visits.
type Drift struct {
	From      *Visit   `json:"from"`
	To        *Visit   `json:"to"`
	FromEpoch string   `json:"from_epoch"` // as left
	ToEpoch   string   `json:"to_epoch"`   // as found
	Level     float64  `json:"level"`      // of the whole test
	Changes   []Change `json:"changes"`
	Notes     []string `json:"notes,omitempty"`
}

// DriftBetween compares the last epoch of one visit with the first of a later
// one. The change of a reading has the variances of both (GUM, JCGM 100:2008,
// 5.1.2, uncorrelated: what the two share, a camera file or a floor, makes it
// smaller). That many readings are compared is allowed for as Holm has it ("A
// simple sequentially rejective multiple test procedure", Scandinavian Journal
// of Statistics 6, 1979): if nothing drifted, one or more are called drifted in
// a share of level of all comparisons at most.
func DriftBetween(from, to *Visit, level float64) *Drift {
	last := len(from.Epochs) - 1
	d := &Drift{From: from, To: to, FromEpoch: from.Epochs[last].Name, ToEpoch: to.Epochs[0].Name, Level: level, Changes: []Change{}}
	for _, q := range ofVehicle {
		for _, r := range to.readings {
			if r.Epoch != 0 || r.Quantity != q || r.Station != "" {
				continue
			}
			// What was not measured again after adjusting is not known as it was left.
			was, ok := from.at(last, r)
			if !ok || was.Unit != r.Unit {
				continue
			}
			c := Change{q, r.Axle, r.Side, r.Unit, was.Value, was.U, r.Value, r.U, r.Value - was.Value, math.Hypot(was.U, r.U), 1, false}
			if c.U > 0 {
				c.P = math.Erfc(math.Abs(c.Change) / c.U / math.Sqrt2)
			}
			d.Changes = append(d.Changes, c)
		}
	}
	slices.SortStableFunc(d.Changes, func(a, b Change) int { return a.Axle - b.Axle })
	holm(d.Changes, level)
	d.Notes = NotesBetween(from, to)
	return d
}

// holm marks the changes that have drifted: from the smallest p on, as long as
// each is below the level over how many are left.
func holm(changes []Change, level float64) {
	order := make([]int, len(changes))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case changes[a].P < changes[b].P:
			return -1
		case changes[a].P > changes[b].P:
			return 1
		}
		return 0
	})
	for k, i := range order {
		if changes[i].P > level/float64(len(order)-k) {
			return
		}
		changes[i].Drifted = true
	}
}

// NotesBetween tells what else is different between two visits.
func NotesBetween(from, to *Visit) (out []string) {
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	switch a, b := from.Odometer, to.Odometer; {
	case a == 0 && b == 0:
		say("neither visit tells the mileage")
	case a == 0:
		say("the visit of %s does not tell the mileage", from.Date)
	case b == 0:
		say("the visit of %s does not tell the mileage", to.Date)
	case b < a:
		say("the mileage goes backward, from %.0f to %.0f km: one of them is wrong, or the odometer was changed", a, b)
	}
	for _, v := range []*Visit{from, to} {
		if v.DateFrom != FromVisit {
			say("nobody told the day of %s; %s is that of its %s", v.Folder, v.Date, v.DateFrom)
		}
	}
	for _, t := range to.Tyres {
		for _, was := range from.Tyres {
			if was.Axle != t.Axle || was.Side != t.Side {
				continue
			}
			wheel := fmt.Sprintf("axle %d %s", t.Axle, t.Side)
			switch {
			case was.Size != "" && t.Size != "" && was.Size != t.Size:
				say("tyres changed by %s: %s from %s to %s", to.Date, wheel, was.Size, t.Size)
			case was.Tread > 0 && t.Tread > was.Tread+1:
				say("tyres changed by %s: %s has more tread than before, %g mm after %g", to.Date, wheel, t.Tread, was.Tread)
			}
		}
	}
	if from.Axles > 0 && to.Axles > 0 && from.Axles != to.Axles {
		say("%s has %d axles, %s %d: is it the same vehicle?", from.Folder, from.Axles, to.Folder, to.Axles)
	}
	for _, e := range from.Epochs[1:] {
		if e.Moved != "" {
			say("adjusted at the visit of %s (%s): %s", from.Date, e.Name, e.Moved)
		}
	}
	return out
}
