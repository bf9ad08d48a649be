package cli

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"wheelplane/cmd/wheelplane/internal/history"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/pose/rig"
)

func (a *App) fleetList(d *history.DB, words []string) error {
	all, err := d.Vehicles()
	if err != nil {
		return err
	}
	all = slices.DeleteFunc(all, func(v history.Vehicle) bool {
		text := strings.ToLower(strings.Join([]string{v.FleetNo, v.Plate, v.Chassis, v.Customer, v.Kind}, "\n"))
		return slices.ContainsFunc(words, func(w string) bool { return !strings.Contains(text, strings.ToLower(w)) })
	})
	root, indexed, err := d.About()
	if err != nil {
		return err
	}
	if a.JSON {
		return a.printJSON(struct {
			Vehicles []history.Vehicle `json:"vehicles"`
			Root     string            `json:"root"`
			Indexed  string            `json:"indexed"`
		}{all, root, indexed})
	}
	t := newTable(left("vehicle"), left("plate"), left("chassis no"), left("owner"), left("kind"), right("visits"), left("first"), left("last"), right("km"))
	for _, v := range all {
		t.row(v.Name(), v.Plate, v.Chassis, v.Customer, v.Kind, fmt.Sprint(v.Visits), v.First, v.Last, kilometres(v.OdometerKM))
	}
	a.printf("%s\n%s, from %s as it was at %s\n", t, wording.Count(len(all), "vehicle"), root, indexed)
	return nil
}

// kilometres writes a mileage, blank where nobody told it.
func kilometres(km float64) string {
	if km <= 0 {
		return ""
	}
	return fmt.Sprintf("%.0f", km)
}

func (a *App) fleetSearch(d *history.DB, f history.Filter) error {
	visits, err := d.Visits(f, false)
	if err != nil {
		return err
	}
	if a.JSON {
		return a.printJSON(struct {
			Visits []*history.Visit `json:"visits"`
		}{visits})
	}
	t := newTable(left("date"), left("vehicle"), left("plate"), left("owner"), right("km"), left("by"), left("folder"), left(""))
	for _, v := range visits {
		mark := ""
		if v.Gone {
			mark = "folder is gone"
		} else if v.CopyOf != "" {
			mark = "copy of " + v.CopyOf
		}
		t.row(v.Date, v.FleetNo, v.Plate, v.Customer, kilometres(v.Odometer), v.Technician, v.Folder, mark)
	}
	a.printf("%s\n%s\n", t, wording.Count(len(visits), "visit"))
	return nil
}

// vehicleTitle names a vehicle by all it is known by.
func vehicleTitle(v *history.Vehicle) string {
	title := v.Name()
	for _, x := range []string{v.Plate, v.Chassis, v.Kind, v.Customer} {
		if x != "" && x != title {
			title += ", " + x
		}
	}
	return title
}

// trendText is a table for each quantity and axle, a line for each visit and
// epoch.
func trendText(v *history.Vehicle, series []history.Series, notes []string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s (± standard uncertainty, k = 1)\n", vehicleTitle(v))
	for len(series) > 0 {
		first := series[0]
		var group []history.Series
		for len(series) > 0 && series[0].Quantity == first.Quantity && series[0].Axle == first.Axle {
			group, series = append(group, series[0]), series[1:]
		}
		b.WriteString("\n" + trendTable(group))
	}
	if len(notes) > 0 {
		b.WriteString("\n")
	}
	for _, n := range notes {
		b.WriteString(fold("- ", n))
	}
	return b.String()
}

// trendTable is of one quantity and axle, its sides beside each other.
func trendTable(group []history.Series) string {
	columns := []column{left(fmt.Sprintf("axle %d, %s", group[0].Axle, nameOf(group[0].Quantity))), right("km"), left("state")}
	for _, s := range group {
		name := string(s.Side)
		if name == "" {
			name = "axle"
		}
		columns = append(columns, right(name))
	}
	t := newTable(append(columns, left("unit"))...)
	type line struct{ folder, epoch string }
	var lines []line
	at := map[line]history.Point{}
	cell := make([]map[line]string, len(group))
	for i, s := range group {
		cell[i] = map[line]string{}
		for _, p := range s.Points {
			l := line{p.Folder, p.Epoch}
			if _, known := at[l]; !known {
				lines = append(lines, l)
				at[l] = p
			}
			cell[i][l] = plusMinus(rig.Reading{Value: p.Value, U: p.U, Unit: s.Unit})
		}
	}
	for _, l := range lines {
		p := at[l]
		cells := []string{p.Date, kilometres(p.OdometerKM), p.Epoch}
		for i := range group {
			cells = append(cells, cell[i][l])
		}
		t.row(append(cells, unitText(group[0].Unit))...)
	}
	road := []string{"on the road", "", ""}
	told := false
	for _, s := range group {
		text := ""
		if s.DriftPer10000KM != nil {
			text, told = plusMinus(rig.Reading{Value: *s.DriftPer10000KM, U: *s.UDriftPer10000KM, Unit: s.Unit}), true
		}
		road = append(road, text)
	}
	if told {
		t.row(append(road, unitText(group[0].Unit)+" per 10,000 km")...)
	}
	return t.String()
}

// driftText is a table of the changes between two visits.
func driftText(v *history.Vehicle, d *history.Drift) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: left on %s (%s), found on %s (%s)", vehicleTitle(v), d.From.Date, d.FromEpoch, d.To.Date, d.ToEpoch)
	if way := d.To.Odometer - d.From.Odometer; d.From.Odometer > 0 && way > 0 {
		fmt.Fprintf(&b, ", %.0f km later", way)
	}
	b.WriteString("\n\n")
	axles := 0
	for _, c := range d.Changes {
		axles = max(axles, c.Axle)
	}
	drifted := 0
	for axle := 1; axle <= axles; axle++ {
		t := newTable(left(fmt.Sprintf("axle %d", axle)), left("side"), right("then"), right("now"), right("change"), right("u"), right("change/u"), left("unit"), left(""))
		for _, c := range d.Changes {
			if c.Axle != axle {
				continue
			}
			n := digits(math.Min(c.ULeft, c.UFound), c.Unit)
			mark, ratio := "", ""
			if c.U > 0 {
				ratio = wording.Decimal(c.Change/c.U, 1)
			}
			if c.Drifted {
				mark = "drifted"
				drifted++
			}
			t.row(nameOf(c.Quantity), string(c.Side), wording.Decimal(c.Left, n), wording.Decimal(c.Found, n), wording.Decimal(c.Change, n), wording.Decimal(c.U, n), ratio, unitText(c.Unit), mark)
		}
		if len(t.rows) > 0 {
			b.WriteString(t.String() + "\n")
		}
	}
	verdict := fmt.Sprintf("Of %s none changed by more than the uncertainties explain.", wording.Count(len(d.Changes), "reading"))
	switch {
	case len(d.Changes) == 0:
		verdict = "No reading was taken at both visits."
	case drifted > 0:
		verdict = fmt.Sprintf("%s of %d drifted: by more than the uncertainties explain (if nothing had moved, one or more would be said to in %g of 100 cases).", wording.Count(drifted, "reading"), len(d.Changes), 100*d.Level)
	}
	b.WriteString(fold("", verdict))
	for _, n := range d.Notes {
		b.WriteString(fold("- ", n))
	}
	return b.String()
}

// camerasText is a table of cameras, and what is to be done.
func camerasText(cameras []history.Camera) string {
	if len(cameras) == 0 {
		return "No job tells what it found of its camera: measure with a camera file that states its covariance.\n"
	}
	t := newTable(left("camera"), left("file"), right("jobs"), left("last"), right("focal length off by %"), right("u"), right("drift a job %"), right("u"), left("file"))
	var say []string
	for _, c := range cameras {
		last := c.Jobs[len(c.Jobs)-1]
		state := "fits"
		if !c.Fits() {
			state = "no longer fits"
		}
		drift, u := "", ""
		if c.UDrift > 0 {
			n := twoDigits(100 * c.UDrift)
			drift, u = wording.Decimal(100*c.Drift, n), wording.Decimal(100*c.UDrift, n)
		}
		n := twoDigits(100 * last.Focal.U)
		t.row(c.Title(), c.SHA256[:8], fmt.Sprint(len(c.Jobs)), last.Date, wording.Decimal(100*last.Focal.Difference, n), wording.Decimal(100*last.Focal.U, n), drift, u, state)
		if text := cameraAdvice(&c); text != "" {
			say = append(say, text)
		}
	}
	text := t.String()
	if len(say) > 0 {
		text += "\n"
	}
	for _, s := range say {
		text += fold("- ", s)
	}
	return text + fmt.Sprintf("\nA steady camera is suspected once in about %.0f jobs.\n", roundTo2(history.JobsPerFalseAlarm()))
}

// cameraAdvice says when a camera is to be calibrated anew, or nothing.
func cameraAdvice(c *history.Camera) string {
	if !c.Fits() {
		since, found := c.Jobs[c.Since], c.Jobs[c.Alarm]
		return fmt.Sprintf("%s: its file no longer fits (%s). It began about the job of %s (%s) and was sure at that of %s. Calibrate it anew before the next job: wheelplane camera. Jobs since then allow for the change as far as each found it; measure those that matter again with the new file.",
			c.Title(), c.What, since.Date, since.Folder, found.Date)
	}
	if c.Due >= 0 {
		if c.Due == 0 {
			return fmt.Sprintf("%s: its focal length drifts and is off by twice what the file states. Calibrate it anew before the next job.", c.Title())
		}
		return fmt.Sprintf("%s: its focal length drifts; if it goes on so, the file is off by twice what it states in %s. Calibrate it anew before that.", c.Title(), wording.Count(c.Due, "job"))
	}
	return ""
}
