package record

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/pose/align"
)

// What stands in the record, for the PDF and the HTML alike.

func (t *telling) heading() string {
	if t.Style == Customer {
		return "Your vehicle's wheel alignment"
	}
	return "Wheel alignment record"
}

// subject names the vehicle.
func (t *telling) subject() string {
	s := t.Vehicle.Name
	for _, x := range []string{t.Visit.Fleet, t.Visit.Plate} {
		if x != "" && !strings.Contains(s, x) {
			s += " · " + x
		}
	}
	if s = strings.TrimPrefix(s, " · "); s == "" {
		return t.Job
	}
	return s
}

func (t *telling) factList() []draw.Fact {
	v := &t.Visit
	return []draw.Fact{
		{"vehicle", t.Vehicle.Name}, {"fleet number", v.Fleet}, {"plate", v.Plate}, {"chassis number", v.Chassis},
		{"odometer", t.odometer()}, {"customer", v.Customer}, {"contact", v.Contact}, {"order", v.Order},
		{"date", t.date()}, {"place", v.Place}, {"people", t.people()}, {"target values", t.specLine()},
	}
}

// shortFacts are those of the shorter styles.
func (t *telling) shortFacts() []draw.Fact {
	v := &t.Visit
	return []draw.Fact{
		{"fleet number", v.Fleet}, {"plate", v.Plate}, {"odometer", t.odometer()}, {"date", t.date()},
		{"customer", v.Customer}, {"place", v.Place}, {"people", t.people()}, {"target values", t.specLine()},
	}
}

// date writes a day as people do, where it is one.
func (t *telling) date() string {
	if d, err := time.Parse(time.DateOnly, t.Visit.Date); err == nil {
		return d.Format("2 January 2006")
	}
	return t.Visit.Date
}

// A statute mile is 1.609344 km (NIST SP 811, B.8, the international mile).
const mileKM = 1.609344

func (t *telling) odometer() string {
	km := t.Visit.OdometerKM
	switch {
	case !(km > 0):
		return ""
	case t.Units == Imperial:
		return thousands(km/mileKM) + " miles"
	}
	return thousands(km) + " km"
}

// thousands writes a whole number in groups of three.
func thousands(v float64) string {
	s := decimal(v, 0)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "\u00a0" + s[i:]
	}
	return s
}

func (t *telling) people() string {
	var out []string
	for _, p := range t.Visit.People {
		s := p.Name
		if p.Role != "" {
			s += " (" + p.Role + ")"
		}
		out = append(out, s)
	}
	return strings.Join(out, ", ")
}

func (t *telling) specLine() string {
	if t.Spec.Name == "" && t.Spec.Source == "" {
		if t.Target == nil {
			return "none given"
		}
		return ""
	}
	if t.Spec.Source == "" || t.Spec.Name == "" {
		return t.Spec.Name + t.Spec.Source
	}
	return t.Spec.Name + ": " + t.Spec.Source
}

// axleTitle is an axle's heading in the table of readings.
func (t *telling) axleTitle(axle int) string {
	a := t.Vehicle.Axles[axle-1]
	s := upper(t.axleName(axle))
	name := strings.ToLower(a.Name)
	if a.Steered && !strings.Contains(name, "steer") {
		s += ", steered"
	}
	if a.Driven && !strings.Contains(name, "driv") {
		s += ", driven"
	}
	if axle == t.Vehicle.Reference {
		s += " (reference axle)"
	}
	return s
}

func (t *telling) planTitle() string {
	s := "From above, " + t.standing()
	if t.last != "" {
		s += " (" + t.first + " dashed)"
	}
	return s
}

// section is a plain table with its heading.
type section struct {
	title string
	draw.Table
	stay  []int // columns that stay where room is short
	plain bool  // also for customers
}

func (g *section) short(row []string) []string {
	out := make([]string, len(g.stay))
	for i, k := range g.stay {
		out[i] = row[k]
	}
	return out
}

func (g *section) shortColumns() []draw.Column {
	out := make([]draw.Column, len(g.stay))
	for i, k := range g.stay {
		out[i] = g.Columns[k]
	}
	return out
}

// brief is the section with the columns that stay.
func (g section) brief() section {
	out := section{title: g.title, Table: draw.Table{Columns: g.shortColumns(), Pen: g.Pen}}
	for _, r := range g.Rows {
		out.Rows = append(out.Rows, g.short(r))
	}
	return out
}

// usualChecks are what is looked at before measuring: common practice, no
// source.
var usualChecks = []string{"tyre pressures", "wheel bearings, play", "kingpins or ball joints, play", "tie rods and drag links, play", "suspension, springs and bushes", "ride height and load", "steering centred"}

// grids are what was checked, the tyres, and what was done.
func (t *telling) grids() []section {
	var out []section
	checks, tyres := t.Visit.Checks, t.Visit.Tyres
	if t.Style == Full { // what nobody told is left to the pen
		if len(checks) == 0 {
			for _, name := range usualChecks {
				checks = append(checks, Check{Name: name})
			}
		}
		if len(tyres) == 0 {
			for i := range t.Vehicle.Axles {
				tyres = append(tyres, Tyre{Axle: i + 1, Side: align.Left}, Tyre{Axle: i + 1, Side: align.Right})
			}
		}
	}
	if len(checks) > 0 {
		g := section{title: "Checked before measuring", Table: draw.Table{Columns: []draw.Column{draw.Words("check", 5), draw.Words("found", 2), draw.Words("note", 5), draw.Words("who", 3), draw.Words("when", 3)}, Pen: !slices.ContainsFunc(checks, func(c Check) bool { return c.State != "" })}, stay: []int{0, 1, 2}}
		for _, c := range checks {
			g.Rows = append(g.Rows, []string{c.Name, c.State, c.Note, c.Who, c.When})
		}
		out = append(out, g)
	}
	if len(tyres) > 0 {
		tread, pressure := "tread, mm", "pressure, kPa"
		if t.Units == Imperial {
			tread, pressure = "tread, 1/32 in", "pressure, psi"
		}
		g := section{title: "Tyres", plain: true, Table: draw.Table{Columns: []draw.Column{draw.Words("wheel", 4), draw.Words("size", 4), draw.Numbers(tread, 2.6), draw.Numbers(pressure, 2.8), draw.Words("note", 5)}, Pen: len(t.Visit.Tyres) == 0}, stay: []int{0, 1, 2, 3}}
		for _, y := range tyres {
			wheel := fmt.Sprintf("axle %d %s", y.Axle, y.Side)
			if y.Position != "" {
				wheel += ", " + y.Position
			}
			g.Rows = append(g.Rows, []string{wheel, y.Size, t.tread(y.Tread), t.pressure(y.Pressure), y.Note})
		}
		out = append(out, g)
	}
	if len(t.Visit.Adjustments) > 0 {
		g := section{title: "Done", plain: true, Table: draw.Table{Columns: []draw.Column{draw.Words("what", 6), draw.Words("how much", 4), draw.Words("who", 3), draw.Words("when", 3)}}, stay: []int{0, 1}}
		for _, a := range t.Visit.Adjustments {
			g.Rows = append(g.Rows, []string{a.What, a.Amount, a.Who, a.When})
		}
		out = append(out, g)
	}
	return out
}

// A pound-force per square inch is 6.894757 kPa (NIST SP 811, B.8).
const psi = 6.894757

func (t *telling) tread(v float64) string {
	switch {
	case !(v > 0):
		return ""
	case t.Units == Imperial:
		return decimal(v/inch*32, 0)
	}
	return decimal(v*1e3, 1)
}

func (t *telling) pressure(kPa float64) string {
	switch {
	case !(kPa > 0):
		return ""
	case t.Units == Imperial:
		return decimal(kPa/psi, 0)
	}
	return decimal(kPa, 0)
}

const slipText = "A wheel that points elsewhere than it goes is dragged sideways all the way, which costs tyres and fuel. Driving straight ahead, by the readings:"

// slipGrid tells what it costs to leave the wheels as they were, and as they
// are.
func (t *telling) slipGrid() section {
	g := section{title: "What it costs to leave it", Table: draw.Table{Columns: []draw.Column{draw.Words("axle", 5), draw.Words("wheel", 2), draw.Numbers(t.first, 4), draw.Numbers("± (k = 2)", 3)}}}
	if t.last != "" {
		g.Columns = append(g.Columns, draw.Numbers(t.last, 4), draw.Numbers("± (k = 2)", 3))
	}
	type wheel struct {
		axle int
		side align.Side
	}
	row := map[wheel]int{}
	for _, s := range t.Slip {
		at := 2
		switch {
		case s.Axle < 1 || s.Axle > len(t.Vehicle.Axles):
			continue
		case s.Epoch == t.last && t.last != "":
			at = 4
		case s.Epoch != t.first:
			continue
		}
		w := wheel{s.Axle, s.Side}
		if _, ok := row[w]; !ok {
			row[w] = len(g.Rows)
			r := make([]string, len(g.Columns))
			r[0], r[1] = upper(t.axleName(s.Axle)), string(s.Side)
			g.Rows = append(g.Rows, r)
		}
		way, u := s.PerKilometre()
		r := g.Rows[row[w]]
		r[at], r[at+1] = t.slipPer(math.Abs(way)), t.slipPer(2*u)
	}
	return g
}

// furtherGrid are the readings without a strip. Of one epoch both sides share a
// row; of two each has its own, with the epochs side by side.
func (t *telling) furtherGrid() section {
	if t.last != "" {
		return t.furtherGrids()
	}
	g := section{title: "Further readings", Table: draw.Table{Columns: []draw.Column{draw.Words("axle", 1.4), draw.Words("reading", 5), draw.Numbers("left", 4), draw.Numbers("right", 4), draw.Numbers("axle", 4)}}}
	axle := 0
	for _, l := range t.further() {
		name := l.title()
		if l.station != "" {
			name += ", at " + l.station
		}
		n := len(g.Rows)
		if l.axle != axle || g.Rows[n-1][1] != name {
			row := []string{"", name, "", "", ""}
			if l.axle != axle {
				row[0], axle = fmt.Sprint(l.axle), l.axle
			}
			g.Rows = append(g.Rows, row)
			n++
		}
		at := map[align.Side]int{align.Left: 2, align.Right: 3, align.NoSide: 4}[l.side]
		text := t.withUnit(l, l.found.value)
		if u := t.expanded(l, l.found.u); u != "" {
			text = t.number(l, l.found.value) + " ± " + u + strings.TrimPrefix(text, t.number(l, l.found.value))
		}
		g.Rows[n-1][at] = text
	}
	return g
}

func (t *telling) furtherGrids() section {
	g := section{title: "Further readings", Table: draw.Table{Columns: []draw.Column{draw.Words("axle", 1.4), draw.Words("reading", 5), draw.Words("side", 2.4), draw.Numbers(t.first, 3.2), draw.Numbers("± (k = 2)", 2.4), draw.Numbers(t.last, 3.2), draw.Numbers("± (k = 2)", 2.4)}}}
	axle := 0
	for _, l := range t.further() {
		row := []string{"", l.title(), l.whose()}
		if l.axle != axle {
			row[0], axle = fmt.Sprint(l.axle), l.axle
		}
		for _, c := range []*cell{l.found, l.left} {
			if c == nil {
				row = append(row, "", "")
				continue
			}
			row = append(row, t.withUnit(l, c.value), t.expanded(l, c.u))
		}
		g.Rows = append(g.Rows, row)
	}
	return g
}

func (t *telling) networkFacts() []draw.Fact {
	n := t.Network
	runout := "no"
	if n.RunoutRemoved {
		runout = "yes"
	}
	return []draw.Fact{
		{"photographs", fmt.Sprint(n.Photos)}, {"boards seen", fmt.Sprint(n.Views)}, {"corners (left out)", fmt.Sprintf("%d (%d)", n.Corners, n.Rejected)},
		{"residual, pixels", decimal(n.RMSPx, 3)}, {"chi-square / freedom", decimal(n.VarianceFactor, 2)}, {"runout compensated", runout},
	}
}

func (t *telling) stationGrid() section {
	unit := "rolled, mm"
	if t.Units == Imperial {
		unit = "rolled, in"
	}
	g := section{Table: draw.Table{Columns: []draw.Column{draw.Words("station", 3), draw.Words("epoch", 4), draw.Numbers("photographs", 2), draw.Numbers(unit, 2), draw.Numbers("wheels turned, °", 2.5)}}}
	for _, s := range t.Network.Stations {
		rolled := decimal(s.RolledMM, 0)
		if t.Units == Imperial {
			rolled = decimal(s.RolledMM/1e3/inch, 1)
		}
		g.Rows = append(g.Rows, []string{s.Name, s.Epoch, fmt.Sprint(s.Photos), rolled, decimal(s.TurnDeg, 1)})
	}
	return g
}

// networkNotes are what the measurement told of itself.
func (t *telling) networkNotes() []string {
	var out []string
	if n := len(t.Network.LeftOut); n > 0 {
		var names []string
		for _, x := range t.Network.LeftOut {
			names = append(names, fmt.Sprintf("%s (%s)", x.Photo, x.Reason))
		}
		if n > 4 {
			names = append(names[:4], fmt.Sprintf("and %d more", n-4))
		}
		out = append(out, wording.Count(n, "photograph")+" left out: "+strings.Join(names, "; "))
	}
	return append(out, t.Warnings...)
}

// signers are who is to sign: the people who are known, and whoever is usual.
func (t *telling) signers() []Person {
	out := append([]Person{}, t.Visit.People...)
	if len(out) > 2 {
		out = out[:2]
	}
	if len(out) == 0 {
		out = append(out, Person{Role: "measured by"})
	}
	if len(out) == 1 && t.Style != Customer {
		out = append(out, Person{Role: "checked by"})
	}
	return append(out, Person{Role: "accepted for the customer", Name: t.Visit.Contact})
}

func (t *telling) shortMethod() string {
	s := "Measured from photographs of boards clamped to the wheels"
	if n := t.Network; n != nil {
		s += fmt.Sprintf(" (%s, residual %s px", wording.Count(n.Photos, "photograph"), decimal(n.RMSPx, 3))
		if n.RunoutRemoved {
			s += ", runout compensated)"
		} else {
			s += ", runout not compensated)"
		}
	}
	s += ". ± is the expanded uncertainty, k = 2 (about 95 %). Camber is positive where the top leans outward, toe where the wheels point inward, thrust and scrub to the left."
	return s
}

func (t *telling) shortCaution() string {
	return "Chock wheels, use stands, lock turn plates while rolling. After adjusting, tighten to the maker's torque and test on the road with care. The vehicle maker's manual, local codes and licensed practice come first."
}

// keyText explains the strips.
func (t *telling) keyText() string {
	s := "bar: 95 % interval"
	if t.judged {
		s = "blue band: tolerance, its white line the value to adjust to; " + s
	} else {
		s += "; each strip has nought in its middle"
	}
	if t.last != "" {
		s = "outline: " + t.first + "; " + s
	}
	return s
}

// tallyBeside is what stands beside the counts: those of before, or how many
// readings nothing is said of.
func (t *telling) tallyBeside(open int) string {
	if t.last != "" {
		a, b, c, _ := t.tally(true)
		return fmt.Sprintf("%s: %d within, %d undecided, %d outside", t.first, a, b, c)
	}
	if open > 0 {
		return fmt.Sprintf("%d without a target", open)
	}
	return ""
}
