package cli

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"wheelplane/cmd/wheelplane/internal/planned"
	"wheelplane/cmd/wheelplane/internal/visit"
	"wheelplane/cmd/wheelplane/internal/work"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"github.com/spf13/cobra"
)

type nextOptions struct {
	dir string
	all bool
}

func newNextCommand(app *App) *cobra.Command {
	var o nextOptions
	c := &cobra.Command{
		Use:   "next DIR",
		Short: "Say where a job stands and the one thing to do now",
		Long: `next derives the order of the work from the job's vehicle, its stations and what
its readings say: checks, hanging the boards, rolling and photographing, readings
as found, rear axles from the reference axle forward, steered axles with toe
last, readings as left, the record. It tells the one thing to do now, and why.

All it knows lies in the job's folder, so it can be asked at any time. What no
photograph shows is told with 'wheelplane check'.`,
		Example:           "  wheelplane next bay-3\n  wheelplane next bay-3 --all",
		Args:              exactly("DIR"),
		ValidArgsFunction: completeDirs,
		RunE: func(c *cobra.Command, args []string) error {
			o.dir = args[0]
			return app.next(o)
		},
	}
	c.Flags().BoolVarP(&o.all, "all", "a", false, "list all steps, not only the one to do now")
	return c
}

// workFolder reads all that the order of work depends on.
func (a *App) workFolder(dir string) (*work.Folder, error) {
	job, err := rig.Read(dir)
	if err != nil {
		return nil, BadInput(err)
	}
	f := &work.Folder{Dir: dir, Job: job}
	if f.Visit, err = visit.Load(dir); err != nil {
		return nil, BadInput(err)
	}
	s, targets, err := specOf(dir, job.Job)
	if err != nil {
		return nil, err
	}
	if s != nil {
		adjusters, err := s.Adjusters(&job.Job.Vehicle)
		if err != nil {
			return nil, BadInput(err)
		}
		f.Targets, f.Rule, f.Adjustable = targets, s.Rule, adjustable(adjusters, &job.Job.Vehicle)
	}
	if info, err := os.Stat(filepath.Join(dir, rig.ResultFile)); err == nil {
		if f.Result, err = loadResult(dir); err != nil {
			return nil, err
		}
		f.Measured = info.ModTime()
	}
	f.Newest = newestOf(job, f.Result, f.Measured)
	told, err := loadPlan(dir)
	if err != nil {
		return nil, err
	}
	if told != nil {
		f.Planned = told.NextPhotos()
		f.Shows = knownBoards(job)
	}
	if info, err := os.Stat(filepath.Join(dir, recordFile)); err == nil {
		f.Recorded = info.ModTime()
	}
	a.warnOfClock(filepath.Join(dir, rig.ResultFile), f.Measured, time.Now())
	a.warnOfClock(filepath.Join(dir, recordFile), f.Recorded, time.Now())
	if f.Result != nil && s != nil {
		// Without it, of results of older versions for example, the order of work
		// still says what to adjust, if not by how much.
		quiet := &App{Stdout: io.Discard, Stderr: io.Discard, Quiet: true}
		if advice, err := quiet.foresee(dir); err == nil {
			f.Advice = advice.forWork()
		}
	}
	return f, nil
}

// loadPlan reads the plan of a job's folder; nil where there is none.
func loadPlan(dir string) (*planned.File, error) {
	path := filepath.Join(dir, planned.Name)
	text, err := vision.ReadFile(path, vision.MostText)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, BadInput(err)
	}
	f := new(planned.File)
	if err := json.Unmarshal(text, f); err != nil {
		return nil, BadInputf("%s: damaged (%w): run 'wheelplane plan %s' again, or remove it", path, err, dir)
	}
	return f, nil
}

// recordFile is the printed record in a job's folder.
const recordFile = "record.pdf"

// nextJSON is what scripts get of 'next'.
type nextJSON struct {
	Now   *work.Step  `json:"now"` // null: all is done
	Done  int         `json:"done"`
	Of    int         `json:"of"`
	Steps []work.Step `json:"steps"`
}

func (a *App) next(o nextOptions) error {
	f, err := a.workFolder(o.dir)
	if err != nil {
		return err
	}
	steps := work.Steps(f)
	now := work.Present(steps)
	done := 0
	for _, s := range steps {
		if s.State == work.Done || s.State == work.Skipped {
			done++
		}
	}
	if a.JSON {
		return a.printJSON(nextJSON{now, done, len(steps), steps})
	}
	if o.all {
		t := newTable(left(""), left("step"), left("state"), left("told by"))
		for _, s := range steps {
			t.row(stepMarks[s.State], s.Title, string(s.State), toldBy(s))
		}
		a.printf("%s\n", t)
	}
	a.printf("%s", stepText(f.Job.Job, now, done, len(steps)))
	return nil
}

// stepMarks are the states' shapes.
var stepMarks = map[work.State]string{work.Done: "x", work.Now: ">", work.Later: ".", work.Skipped: "-"}

func toldBy(s work.Step) string {
	if s.By == "" {
		return ""
	}
	text := s.By + ", " + s.At.Local().Format("2006-01-02 15:04")
	if s.Note != "" {
		text += ": " + s.Note
	}
	return text
}

func stepText(job *rig.Job, now *work.Step, done, of int) string {
	var b strings.Builder
	name := job.Name
	if name == "" {
		name = job.Vehicle.Name
	}
	fmt.Fprintf(&b, "%s: %d of %d steps done\n\n", name, done, of)
	if now == nil {
		b.WriteString("All is done.\n")
		return b.String()
	}
	b.WriteString(fold("", "NOW: "+now.Title))
	b.WriteString(fold("", now.Do))
	for i, x := range now.Shots {
		b.WriteString(fold(fmt.Sprintf("%d. ", i+1), "Stand "+standText(x.Where, x.AtMM, x.Phone, x.Boards)+"."))
	}
	b.WriteString(fold("", "Why: "+now.Why+"."))
	if now.Note != "" {
		b.WriteString(fold("", "Told: "+toldBy(*now)))
	}
	for _, c := range now.Tell {
		fmt.Fprintf(&b, "  %s\n", c)
	}
	if len(now.Cares) > 0 {
		b.WriteString("\n")
	}
	for _, c := range now.Cares {
		b.WriteString(fold("- ", c))
	}
	return b.String()
}

type checkOptions struct {
	dir, what, result string
	by, note          string
	now               time.Time
}

func newCheckCommand(app *App) *cobra.Command {
	var o checkOptions
	c := &cobra.Command{
		Use:   "check DIR [WHAT ok|bad|skipped]",
		Short: "Tell that something was checked or done, by whom and when",
		Long: `check keeps what people looked at or did in DIR/visit.yaml, with who and when; it
goes into the record. Without WHAT it lists what there is to tell for this
vehicle and what was told. The last word on a thing counts. WHAT may be "all": the
checks before measuring of which nothing good was told yet.`,
		Example: `  wheelplane check bay-3
  wheelplane check bay-3 tyre-pressures ok --by "R. Vell"
  wheelplane check bay-3 tie-rods bad --note "left end, 2 mm"`,
		Args: func(c *cobra.Command, args []string) error {
			if len(args) == 2 {
				return fmt.Errorf("%s needs how it came out: ok, bad or skipped", c.CommandPath())
			}
			return atMost(3)(c, args)
		},
		ValidArgsFunction: func(_ *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
			switch len(args) {
			case 0:
				return nil, cobra.ShellCompDirectiveFilterDirs
			case 1:
				if job, err := rig.Read(args[0]); err == nil {
					return work.CheckIDs(job.Job), cobra.ShellCompDirectiveNoFileComp
				}
			case 2:
				return []string{"ok", "bad", "skipped"}, cobra.ShellCompDirectiveNoFileComp
			}
			return nil, cobra.ShellCompDirectiveNoFileComp
		},
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) == 0 {
				return Usagef("check needs DIR")
			}
			o.dir, o.now = args[0], time.Now()
			if len(args) == 3 {
				o.what, o.result = args[1], args[2]
			}
			if o.what == "" { // only lists
				return app.check(o)
			}
			return app.editing(c.Context(), o.dir, func() error { return app.check(o) })
		},
	}
	c.Flags().StringVar(&o.by, "by", "", "who (default the technician of visit.yaml)")
	c.Flags().StringVar(&o.note, "note", "", "what else there is to say")
	return c
}

func (a *App) check(o checkOptions) error {
	f, err := a.workFolder(o.dir)
	if err != nil {
		return err
	}
	if o.what == "" {
		return a.listChecks(f)
	}
	what := []string{o.what}
	if ids := work.CheckIDs(f.Job.Job); o.what == "all" {
		what = work.OpenChecks(f)
	} else if !slices.Contains(ids, o.what) {
		return Usagef("there is no check %q for this vehicle; there are: %s", o.what, strings.Join(ids, ", "))
	}
	c := visit.Check{Result: visit.Result(o.result), By: o.by, At: o.now.UTC().Truncate(time.Millisecond), Note: o.note}
	if c.Result != visit.OK && c.Result != visit.Bad && c.Result != visit.Skipped {
		return Usagef("%q is none of ok, bad and skipped", o.result)
	}
	if c.By == "" {
		c.By = f.Visit.Technician
	}
	if c.By == "" {
		return Usagef("say who: --by NAME, or once for all: wheelplane visit %s technician=NAME", o.dir)
	}
	for _, c.What = range what {
		f.Visit.Checks = append(f.Visit.Checks, c)
	}
	if err := writeVisit(o.dir, f.Visit); err != nil {
		return err
	}
	steps := work.Steps(f)
	if a.JSON {
		return a.printJSON(work.Present(steps))
	}
	if now := work.Present(steps); now != nil {
		a.printf("next: %s\n", now.Title)
	} else {
		a.printf("all is done\n")
	}
	return nil
}

func writeVisit(dir string, v *visit.Visit) error {
	text, err := v.Text()
	if err != nil {
		return err
	}
	return writeFile(filepath.Join(dir, visit.File), these(text))
}

func (a *App) listChecks(f *work.Folder) error {
	type line struct {
		What string       `json:"what"`
		Told *visit.Check `json:"told"`
	}
	list := []line{}
	for _, id := range work.CheckIDs(f.Job.Job) {
		list = append(list, line{id, f.Visit.Of(id)})
	}
	if a.JSON {
		return a.printJSON(list)
	}
	t := newTable(left("check"), left("told"), left("by, when, note"))
	for _, l := range list {
		if l.Told == nil {
			t.row(l.What, "-")
			continue
		}
		t.row(l.What, string(l.Told.Result), toldBy(work.Step{By: l.Told.By, At: l.Told.At, Note: l.Told.Note}))
	}
	a.printf("%s", t)
	return nil
}

func newVisitCommand(app *App) *cobra.Command {
	return &cobra.Command{
		Use:   "visit DIR [KEY=VALUE ...]",
		Short: "Note whose vehicle it is, who works on it, its tyres",
		Long: `visit keeps in DIR/visit.yaml what goes into the record and no photograph shows.
Without KEY=VALUE it prints the file. Keys:

  ` + strings.Join(visit.Keys(), "\n  "),
		Example: `  wheelplane visit bay-3 technician="R. Vell" fleet_no=3 odometer_km=184200
  wheelplane visit bay-3 tyre.1.left.pressure_kpa=850 tyre.1.left.tread_mm=9`,
		Args: func(c *cobra.Command, args []string) error {
			if len(args) == 0 {
				return fmt.Errorf("%s needs DIR", c.CommandPath())
			}
			return nil
		},
		ValidArgsFunction: completeDirs,
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) == 1 { // only prints
				return app.visit(args[0], nil)
			}
			return app.editing(c.Context(), args[0], func() error { return app.visit(args[0], args[1:]) })
		},
	}
}

func (a *App) visit(dir string, set []string) error {
	f, err := rig.Read(dir)
	if err != nil {
		return BadInput(err)
	}
	v, err := visit.Load(dir)
	if err != nil {
		return BadInput(err)
	}
	for _, s := range set {
		if err := v.Set(s, len(f.Job.Vehicle.Axles)); err != nil {
			return withCode(ExitUsage, err)
		}
	}
	if len(set) > 0 {
		if err := writeVisit(dir, v); err != nil {
			return err
		}
	}
	if a.JSON {
		return a.printJSON(v)
	}
	text, err := v.Text()
	if err != nil {
		return err
	}
	a.printf("%s", text)
	return nil
}
