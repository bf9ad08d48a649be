package record

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// A quantity as the record tells it.
type quantity struct {
	align.Quantity
	name  string
	rank  int  // what is left out first where room is short: 1 stays longest
	main  bool // in the table with strips; else among the further readings
	toe   bool // may be written as a distance
	leans bool // its sign is a direction: left or right
}

// quantities in the order of the record within an axle.
var quantities = []quantity{
	{align.Toe, "toe", 2, true, true, false},
	{align.TotalToe, "total toe", 1, true, true, false},
	{align.ThrustAngle, "thrust angle", 1, true, false, true},
	{align.ScrubAngle, "scrub angle", 1, true, false, true},
	{align.Camber, "camber", 1, true, false, false},
	{align.CrossCamber, "cross camber", 3, true, false, false},
	{align.Caster, "caster", 1, true, false, false},
	{align.CrossCaster, "cross caster", 3, true, false, false},
	{align.Kingpin, "kingpin inclination", 2, true, false, false},
	{align.CrossKingpin, "cross kingpin inclination", 3, true, false, false},
	{align.ToeOutOnTurns, "toe-out on turns", 3, true, false, false},
	{align.MaxSteer, "largest steer", 3, true, false, false},
	{align.AxleOffset, "axle offset", 3, true, false, true},
	{align.ScrubRadius, "scrub radius", 4, false, false, false},
	{align.Trail, "trail", 4, false, false, false},
	{align.AxleHeading, "axle heading", 4, false, false, true},
	{align.Wheelbase, "wheelbase", 4, false, false, false},
	{align.Track, "track", 4, false, false, false},
	{align.SteerAngle, "steer angle", 5, false, false, true},
	{align.SteerRatio, "steer ratio", 5, false, false, false},
	{align.TravelDirection, "travel direction", 5, false, false, true},
	{align.TravelMinusThrust, "travel less thrust", 5, false, false, true},
	{align.RollingRadius, "rolling radius", 5, false, false, false},
	{align.Runout, "board runout", 5, false, false, false},
}

// cell is one reading of an epoch: rad, m or 1.
type cell struct {
	value, u        float64
	align.Judgement // Verdict is empty where there is no target
}

// line is one reading through the epochs, with its target.
type line struct {
	quantity
	axle    int
	side    align.Side
	station string
	target  *align.Target
	found   *cell // first epoch
	left    *cell // last one, if it is another
	first   bool  // of its name within the axle's table
}

// now is the reading as it stands.
func (l *line) now() *cell {
	if l.left != nil {
		return l.left
	}
	return l.found
}

// telling is everything the writers need, worked out once.
type telling struct {
	*Input
	Options
	paper       Paper
	first, last string // epochs; last is empty where there is but one
	lines       []line
	judged      bool // some reading has a target
	degDecimals int
	missing     map[rune]bool // signs the fonts lack
}

func tell(in *Input, o Options) (*telling, error) {
	paper, err := o.fill()
	if err != nil {
		return nil, err
	}
	if len(in.Readings) == 0 {
		return nil, fmt.Errorf("there are no readings to record: measure the job first")
	}
	t := &telling{Input: in, Options: o, paper: paper, missing: map[rune]bool{}}
	t.epochs()
	for _, r := range in.Readings {
		if r.Axle < 1 || r.Axle > len(in.Vehicle.Axles) {
			return nil, fmt.Errorf("a reading is of axle %d, which the vehicle has not: measure the job again", r.Axle)
		}
		t.add(r)
	}
	slices.SortStableFunc(t.lines, func(a, b line) int {
		return cmp.Or(cmp.Compare(a.axle, b.axle), cmp.Compare(order(a.Quantity), order(b.Quantity)), cmp.Compare(len(a.station), len(b.station)), cmp.Compare(a.station, b.station), -cmp.Compare(rank(a.side), rank(b.side)))
	})
	// Where no reading is known to 0.03 degrees, a third decimal is noise.
	t.degDecimals = 2
	for i := range t.lines {
		l := &t.lines[i]
		l.first = i == 0 || t.lines[i-1].axle != l.axle || t.lines[i-1].Quantity != l.Quantity
		if n := l.now(); n != nil && l.main && !l.IsLength() && n.u < 0.03*degree {
			t.degDecimals = 3
		}
	}
	return t, nil
}

// epochs finds the first and the last epoch that have readings.
func (t *telling) epochs() {
	names := slices.Clone(t.Epochs)
	for _, r := range t.Readings { // a list may not name them all
		if !slices.Contains(names, r.Epoch) {
			names = append(names, r.Epoch)
		}
	}
	for _, e := range names {
		if slices.ContainsFunc(t.Readings, func(r rig.Reading) bool { return r.Epoch == e }) {
			if t.first == "" {
				t.first = e
			}
			t.last = e
		}
	}
	if t.last == t.first {
		t.last = ""
	}
}

const degree = math.Pi / 180

// inCore turns a reading's number into rad, m or 1.
func inCore(r rig.Reading) (value, u float64) {
	k := 1.0
	switch r.Unit {
	case "deg":
		k = degree
	case "mm":
		k = 1e-3
	}
	return r.Value * k, r.U * k
}

// judge is a reading against its target, if it has one.
func (in *Input) judge(r rig.Reading) (*align.Target, cell) {
	c := cell{}
	c.value, c.u = inCore(r)
	if in.Target == nil {
		return nil, c
	}
	target := in.Target(r)
	if target != nil {
		c.Judgement = target.Judge(c.value, c.u, in.Rule)
	}
	return target, c
}

func (t *telling) add(r rig.Reading) {
	if r.Epoch != t.first && r.Epoch != t.last {
		return
	}
	q := named(r.Quantity)
	target, c := t.judge(r)
	if target != nil {
		q.main, t.judged = true, true
	}
	if t.thrustStands(r) {
		return
	}
	i := slices.IndexFunc(t.lines, func(l line) bool {
		return l.Quantity == r.Quantity && l.axle == r.Axle && l.side == r.Side && l.station == r.Station
	})
	if i < 0 {
		i = len(t.lines)
		t.lines = append(t.lines, line{quantity: q, axle: r.Axle, side: r.Side, station: r.Station, target: target})
	}
	if r.Epoch == t.first {
		t.lines[i].found = &c
	} else {
		t.lines[i].left = &c
	}
}

// thrustStands tells whether a reading is the reference axle's heading, which
// is the thrust angle once more.
func (t *telling) thrustStands(r rig.Reading) bool {
	return r.Quantity == align.AxleHeading && r.Axle == t.Vehicle.Reference
}

func named(q align.Quantity) quantity {
	if i := order(q); i < len(quantities) {
		return quantities[i]
	}
	return quantity{Quantity: q, name: strings.ReplaceAll(string(q), "_", " "), rank: 5}
}

// order is a quantity's place in the record.
func order(q align.Quantity) int {
	if i := slices.IndexFunc(quantities, func(x quantity) bool { return x.Quantity == q }); i >= 0 {
		return i
	}
	return len(quantities)
}

// rank puts the left before the right, and both before what belongs to neither.
func rank(s align.Side) int {
	switch s {
	case align.Left:
		return 2
	case align.Right:
		return 1
	}
	return 0
}

// of finds a line, or nil.
func (t *telling) of(q align.Quantity, axle int, side align.Side) *line {
	for i := range t.lines {
		if l := &t.lines[i]; l.Quantity == q && l.axle == axle && l.side == side && l.station == "" {
			return l
		}
	}
	return nil
}

// mains lists the lines of the table of an axle up to a rank.
func (t *telling) mains(axle, rank int) []*line {
	var out []*line
	for i := range t.lines {
		l := &t.lines[i]
		if l.axle == axle && l.main && (l.rank <= rank || l.target != nil && l.rank-1 <= rank) {
			out = append(out, l)
		}
	}
	return out
}

// further lists the lines that are in no table with strips.
func (t *telling) further() []*line {
	var out []*line
	for i := range t.lines {
		if !t.lines[i].main {
			out = append(out, &t.lines[i])
		}
	}
	return out
}

// tally counts the verdicts of an epoch: the first, or as it stands.
func (t *telling) tally(first bool) (within, undecided, outside, open int) {
	for i := range t.lines {
		c := t.lines[i].now()
		if first {
			c = t.lines[i].found
		}
		switch {
		case c == nil || t.lines[i].target == nil:
			if t.lines[i].main {
				open++
			}
		case c.Verdict == align.Within:
			within++
		case c.Verdict == align.Outside:
			outside++
		default:
			undecided++
		}
	}
	return
}

// standing is the name of the epoch as it stands.
func (t *telling) standing() string {
	if t.last != "" {
		return t.last
	}
	return t.first
}

// axleName is an axle for people: "axle 2, drive".
func (in *Input) axleName(axle int) string {
	name := fmt.Sprintf("axle %d", axle)
	if a := in.Vehicle.Axles[axle-1]; a.Name != "" {
		name += ", " + a.Name
	}
	return name
}

// reference is the diameter that toe as a distance refers to, m; 0: none known.
func (in *Input) reference(axle int) float64 {
	if in.Spec.ReferenceDiameter > 0 {
		return in.Spec.ReferenceDiameter
	}
	return in.Vehicle.Axles[axle-1].TyreDiameter
}
