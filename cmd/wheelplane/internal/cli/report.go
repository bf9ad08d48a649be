package cli

import (
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"wheelplane/cmd/wheelplane/internal/record"
	"wheelplane/cmd/wheelplane/internal/spec"
	"wheelplane/cmd/wheelplane/internal/work"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"

	"github.com/spf13/cobra"
)

type reportOptions struct {
	dir, out string
	toe      string
	record.Options
}

func newReportCommand(app *App) *cobra.Command {
	var o reportOptions
	c := &cobra.Command{
		Use:   "report DIR",
		Short: "Write a job's record to hand over: PDF and HTML, and CSV and JSON",
		Long: `report writes the record of a measured job into its folder:

  record.pdf, record.html   vehicle, people and checks, the vehicle from above, the
                            readings as found and as they stand beside their targets
                            with uncertainty and verdict, how it was measured,
                            cautions, and lines to sign on
  record.csv, record.json   all readings of all epochs, for machines: degrees and mm

It takes what there is: target values from spec.yaml, people, tyres and checks
from visit.yaml. Without them nothing is judged, and lines stay blank to be
filled in by pen. Both pages need nothing beside them; the HTML prints as well.

--style one-page keeps the most important on one page (record-one-page.pdf),
--style customer tells the readings in plain words (record-customer.pdf).`,
		Example: `  wheelplane report bay-3
  wheelplane report bay-3 --style customer
  wheelplane report bay-3 --units imperial --toe distance --paper Letter
  wheelplane report bay-3 --json | jq '.readings[] | select(.target.verdict == "outside")'`,
		Args:              exactly("DIR"),
		ValidArgsFunction: completeDirs,
		RunE: func(c *cobra.Command, args []string) error {
			o.dir = args[0]
			for _, x := range []struct {
				option, got string
				known       []string
			}{{"style", string(o.Style), styles}, {"units", string(o.Units), unitNames}, {"angles", string(o.Angles), angleNames}, {"toe", o.toe, toeNames}} {
				if !slices.Contains(x.known, x.got) {
					return Usagef("--%s %q: choose %s", x.option, x.got, orList(x.known))
				}
			}
			i := slices.IndexFunc(record.Papers, func(p record.Paper) bool { return strings.EqualFold(p.Name, o.Paper) })
			if i < 0 {
				return Usagef("--paper %q: choose %s", o.Paper, orList(paperNames()))
			}
			o.Paper = record.Papers[i].Name
			o.ToeDistance = o.toe == toeNames[1]
			return app.report(o)
		},
	}
	f := c.Flags()
	f.StringVar((*string)(&o.Style), "style", styles[0], "full, one-page, or customer for plain words")
	f.StringVar((*string)(&o.Units), "units", unitNames[0], "of lengths: metric or imperial")
	f.StringVar((*string)(&o.Angles), "angles", angleNames[0], "deg, or dm for degrees and minutes")
	f.StringVar(&o.toe, "toe", toeNames[0], "as an angle, or as a distance over the reference diameter")
	f.StringVar(&o.Paper, "paper", record.Papers[0].Name, "A4 or Letter")
	f.StringVarP(&o.out, "out", "o", "", "folder to write into (default the job's)")
	c.RegisterFlagCompletionFunc("style", completeWords(styles...))
	c.RegisterFlagCompletionFunc("units", completeWords(unitNames...))
	c.RegisterFlagCompletionFunc("angles", completeWords(angleNames...))
	c.RegisterFlagCompletionFunc("toe", completeWords(toeNames...))
	c.RegisterFlagCompletionFunc("paper", completeWords(paperNames()...))
	return c
}

// What the options can be, the default first.
var (
	styles     = []string{string(record.Full), string(record.OnePage), string(record.Customer)}
	unitNames  = []string{string(record.Metric), string(record.Imperial)}
	angleNames = []string{string(record.Degrees), string(record.Minutes)}
	toeNames   = []string{"angle", "distance"}
)

func paperNames() []string {
	var out []string
	for _, p := range record.Papers {
		out = append(out, p.Name)
	}
	return out
}

// orList writes "a, b or c".
func orList(words []string) string {
	n := len(words) - 1
	return strings.Join(words[:n], ", ") + " or " + words[n]
}

func (a *App) report(o reportOptions) error {
	files, document, err := a.writeRecord(o)
	if err != nil {
		return err
	}
	if a.JSON {
		return a.printJSON(document)
	}
	for _, f := range files {
		a.printf("wrote %s\n", f)
	}
	return nil
}

// writeRecord writes the record's files, and returns their names and what the
// JSON one holds.
func (a *App) writeRecord(o reportOptions) (files []string, document any, err error) {
	in, err := a.recordOf(o.dir)
	if err != nil {
		return nil, nil, err
	}
	if o.out == "" {
		o.out = o.dir
	}
	if o.Style == "" {
		o.Style = record.Full
	}
	document, err = record.JSON(in)
	if err != nil {
		return nil, nil, BadInput(fmt.Errorf("%s: %w", filepath.Join(o.dir, rig.ResultFile), err))
	}
	name := "record"
	if o.Style != record.Full {
		name += "-" + string(o.Style)
	}
	var out outputs
	defer out.discard()
	add := func(name string, write func(io.Writer) error) {
		if err == nil {
			files = append(files, filepath.Join(o.out, name))
			err = out.add(files[len(files)-1], write)
		}
	}
	var lost []rune
	add(name+".pdf", func(w io.Writer) (err error) {
		lost, err = record.WritePDF(w, in, o.Options)
		return err
	})
	add(name+".html", func(w io.Writer) error { return record.WriteHTML(w, in, o.Options) })
	add("record.csv", func(w io.Writer) error { return record.WriteCSV(w, in) })
	add("record.json", func(w io.Writer) error { return encodeJSON(w, document) })
	if err == nil {
		err = out.commit()
	}
	if err != nil {
		return nil, nil, err
	}
	if len(lost) > 0 {
		a.warn("%s: its fonts have no sign for %s, □ stands there; %s has them", files[0], string(lost), files[1])
	}
	return files, document, nil
}

// recordOf gathers what a job's folder tells.
func (a *App) recordOf(dir string) (*record.Input, error) {
	f, err := a.workFolder(dir)
	if err != nil {
		return nil, err
	}
	if f.Result == nil {
		_, err := loadResult(dir)
		return nil, err
	}
	job, result := f.Job.Job, f.Result
	in := &record.Input{
		Job: job.Name, Vehicle: job.Vehicle, Kingpin: job.Kingpin != nil,
		Readings: result.Readings, Network: result.Network, Warnings: result.Warnings, Tool: result.Tool,
		Visit: visitOf(f), Made: time.Now(), Version: version(),
	}
	if in.Job == "" {
		abs, err := filepath.Abs(dir)
		if err != nil {
			return nil, err
		}
		in.Job = filepath.Base(abs)
	}
	for _, e := range job.Epochs {
		in.Epochs = append(in.Epochs, e.Name)
	}
	s, targets, err := specOf(dir, job)
	if err != nil {
		return nil, err
	}
	if s != nil {
		in.Spec = record.Spec{Name: s.Name, About: s.About, Source: s.Source, ReferenceDiameter: s.ReferenceDiameter}
		in.Rule = s.Rule
		in.Target = func(r rig.Reading) *align.Target {
			if t := spec.Find(targets, result.Readings, r); t != nil {
				return &t.Target
			}
			return nil
		}
	}
	if in.Slip, err = slipsOf(job, result); err != nil {
		return nil, BadInput(fmt.Errorf("%s: %w", filepath.Join(dir, rig.ResultFile), err))
	}
	return in, nil
}

// visitOf is what people told, as the record has it: checks before measuring,
// all that belong to this vehicle, and what was done since.
func visitOf(f *work.Folder) record.Visit {
	v := f.Visit
	out := record.Visit{
		Date: v.Date, Place: v.Place, Customer: v.Customer, Order: v.Order,
		Fleet: v.FleetNo, Plate: v.Plate, Chassis: v.Chassis, OdometerKM: v.Odometer,
	}
	if v.Technician != "" {
		out.People = []record.Person{{Name: v.Technician, Role: "measured by"}}
	}
	for _, line := range strings.Split(v.Notes, "\n") {
		if line = strings.TrimSpace(line); line != "" {
			out.Remarks = append(out.Remarks, line)
		}
	}
	for _, t := range v.Tyres {
		out.Tyres = append(out.Tyres, record.Tyre{Axle: t.Axle, Side: t.Side, Size: t.Size, Tread: t.Tread / 1e3, Pressure: t.Pressure})
	}
	for _, e := range f.Job.Job.Epochs[1:] {
		what := "all axles may have changed"
		if e.Moved != nil {
			what = axlesOf(e.Moved)
		}
		out.Adjustments = append(out.Adjustments, record.Adjustment{What: e.Name, Amount: what})
	}
	before := true
	for _, s := range work.Steps(f) {
		told := v.Of(s.ID)
		before = before && !strings.HasPrefix(s.ID, "boards-") && !strings.HasPrefix(s.ID, "station-")
		switch {
		case s.ID == "targets":
		case before:
			c := record.Check{Name: s.Title}
			if told != nil {
				c.State, c.Note, c.Who, c.When = string(told.Result), told.Note, told.By, when(told.At)
			}
			out.Checks = append(out.Checks, c)
		case told != nil && !strings.HasPrefix(s.ID, "boards-"):
			amount := string(told.Result)
			if told.Note != "" {
				amount += ": " + told.Note
			}
			out.Adjustments = append(out.Adjustments, record.Adjustment{What: s.Title, Amount: amount, Who: told.By, When: when(told.At)})
		}
	}
	return out
}

// when is a time as a record has it.
func when(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format("2006-01-02 15:04")
}

// axlesOf names the axles of some wheels.
func axlesOf(wheels []rig.Wheel) string {
	var out []string
	for _, w := range wheels {
		name := fmt.Sprintf("axle %d", w.Axle)
		if other := (rig.Wheel{Axle: w.Axle, Side: opposite(w.Side)}); !slices.Contains(wheels, other) {
			name = w.String()
		}
		if !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	if len(out) == 0 {
		return "nothing moved"
	}
	return strings.Join(out, ", ")
}

func opposite(s align.Side) align.Side {
	if s == align.Left {
		return align.Right
	}
	return align.Left
}

// slipsOf is what it costs to leave the wheels as they stand, epoch by epoch;
// nothing for results that do not tell how they stand jointly.
func slipsOf(job *rig.Job, result *rig.Result) ([]record.Slip, error) {
	var out []record.Slip
	for _, s := range result.Stances {
		stance, err := result.StanceOf(job, s.Epoch)
		if err != nil {
			return nil, err
		}
		set, err := align.Derive(stance.Wheels, stance.Kingpin, stance.Cov, stance.Reference)
		if err != nil {
			return nil, err
		}
		for _, x := range align.Slips(set, stance.Steered) {
			out = append(out, record.Slip{Epoch: s.Epoch, Slip: x})
		}
	}
	return out, nil
}
