package cli

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/cmd/wheelplane/internal/history"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/fixtures"
	"wheelplane/pose/align"

	"github.com/spf13/cobra"
)

// fleetRoot names the environment variable that says where a fleet's jobs are.
const fleetRoot = "WHEELPLANE_FLEET"

// fleetOptions are those of all fleet commands.
type fleetOptions struct {
	root, db string
}

// path is where the database is.
func (o *fleetOptions) path() string {
	if o.db != "" {
		return o.db
	}
	return filepath.Join(o.root, history.File)
}

func newFleetCommand(app *App) *cobra.Command {
	o := &fleetOptions{}
	c := &cobra.Command{
		Use:   "fleet",
		Short: "Years of visits: find them, follow readings and cameras, see what drifted",
		Long: `fleet looks back over all measured jobs below a folder. 'fleet index' reads their
result.json, visit.yaml and job.yaml into a database, fleet.db in that folder,
and later only what is new or changed. The folders stay the record: the database
holds nothing else and can be deleted and made anew at any time.

A vehicle is known by its chassis number, else by its fleet number, else by its
plate, as 'wheelplane visit' noted them; any of them names it here, with or
without blanks and dashes. The folder is the present one unless --root names
another, or ` + fleetRoot + `.`,
		Example: `  wheelplane fleet index jobs/
  wheelplane fleet list --root jobs/
  wheelplane fleet trend 12 --reading toe --root jobs/`,
		Args: atMost(0),
		RunE: func(c *cobra.Command, args []string) error { return c.Help() },
	}
	root := os.Getenv(fleetRoot)
	if root == "" {
		root = "."
	}
	f := c.PersistentFlags()
	f.StringVar(&o.root, "root", root, "folder that holds the jobs' folders")
	f.StringVar(&o.db, "db", "", "the database `FILE` (default fleet.db in the root)")
	c.MarkPersistentFlagDirname("root")
	c.AddCommand(newFleetIndexCommand(app, o), newFleetListCommand(app, o), newFleetSearchCommand(app, o),
		newFleetTrendCommand(app, o), newFleetDriftCommand(app, o), newFleetCamerasCommand(app, o), newFleetExportCommand(app, o), newFleetDemoCommand(app))
	return c
}

// fleetError gives an error of the database its exit code and its remedy.
func (o *fleetOptions) error(err error) error {
	var missing *history.MissingError
	var damaged *history.DamagedError
	var form *history.FormError
	var foreign *history.ForeignError
	switch {
	case errors.As(err, &missing):
		return BadInputf("%w: make it with 'wheelplane fleet index %s'", err, o.root)
	case errors.As(err, &damaged):
		return BadInputf("%w: 'wheelplane fleet index %s' sets it aside and makes it anew", err, o.root)
	case errors.As(err, &form) && !form.Newer():
		return BadInputf("%w: bring it up to date with 'wheelplane fleet index %s'", err, o.root)
	case errors.As(err, &form):
		return BadInputf("%w: use that version, or set it aside and make it anew with 'wheelplane fleet index %s --rebuild'", err, o.root)
	case errors.As(err, &foreign):
		return BadInput(err)
	}
	return err
}

// reading runs a command on the open database.
func (o *fleetOptions) reading(use func(d *history.DB) error) error {
	d, err := history.Open(o.path())
	if err == nil {
		defer d.Close()
		err = use(d)
	}
	return o.error(err)
}

// vehicle finds the one that a command names, with its visits and readings.
func (o *fleetOptions) vehicle(d *history.DB, name string) (*history.Vehicle, []*history.Visit, error) {
	v, err := d.Vehicle(name)
	if err != nil {
		var damaged *history.DamagedError
		if errors.As(err, &damaged) {
			return nil, nil, err
		}
		return nil, nil, BadInput(err)
	}
	visits, err := d.Visits(history.Filter{Vehicle: v.ID}, true)
	return v, visits, err
}

func newFleetIndexCommand(app *App, o *fleetOptions) *cobra.Command {
	var index history.IndexOptions
	c := &cobra.Command{
		Use:   "index [ROOT]",
		Short: "Bring the database up to date with the job folders, or make it anew",
		Long: `index reads the folders of measured jobs that are new or have changed since the
last time. A visit whose folder is gone stays in the database, marked, until
--forget; one that was moved is found in its new place; a copy counts once.

A damaged database is set aside as fleet.db.damaged and made anew. Two runs at
once wait for each other.`,
		Example: `  wheelplane fleet index jobs/
  wheelplane fleet index /mnt/archive --db ~/archive.db`,
		Args:              atMost(1),
		ValidArgsFunction: completeDirs,
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) == 1 {
				o.root = args[0]
			}
			return app.fleetIndex(c.Context(), o, index)
		},
	}
	c.Flags().BoolVar(&index.Rebuild, "rebuild", false, "read every folder anew")
	c.Flags().BoolVar(&index.Forget, "forget", false, "drop the visits whose folders are gone")
	return c
}

func (a *App) fleetIndex(ctx context.Context, o *fleetOptions, index history.IndexOptions) error {
	index.Path = o.path()
	var bar *progress
	index.Progress = func(total, done int) {
		if bar == nil {
			bar = a.progress("reading job folders", total)
		}
		bar.add(done)
	}
	out, err := history.Index(ctx, o.root, index)
	a.endProgress()
	if err != nil {
		var busy *history.BusyError
		var closed *history.ClosedError
		if errors.As(err, &busy) || errors.As(err, &closed) || ctx.Err() != nil {
			return err
		}
		if err := o.error(err); exitCode(err) != ExitFailed {
			return err
		}
		return BadInput(err)
	}
	if out.SetAside != "" {
		a.warn("%s; it was set aside as %s and made anew", out.Because, out.SetAside)
	}
	a.warnList("left out: %s", out.Unusable)
	a.warnList("%s", out.Doubts)
	a.warnList("the folder %s is gone; its visit stays in the index until --forget", out.Gone)
	a.warnList("%s and counts once", out.Copies)
	if a.JSON {
		return a.printJSON(out)
	}
	a.printf("%s: %s of %s in %s; read now: %d\n", out.Path, wording.Count(out.Folders, "job"), wording.Count(out.Vehicles, "vehicle"), o.root, out.Read)
	return nil
}

// warnList warns of each of a list, but not without end.
func (a *App) warnList(format string, list []string) {
	const most = 8
	for i, text := range list {
		if i == most {
			a.warn("%d more like these", len(list)-most)
			return
		}
		a.warn(format, text)
	}
}

func newFleetListCommand(app *App, o *fleetOptions) *cobra.Command {
	return &cobra.Command{
		Use:     "list [WORDS...]",
		Short:   "List the vehicles, all or those with all these words",
		Example: "  wheelplane fleet list\n  wheelplane fleet list ferries bus",
		RunE: func(c *cobra.Command, words []string) error {
			return o.reading(func(d *history.DB) error { return app.fleetList(d, words) })
		},
	}
}

func newFleetSearchCommand(app *App, o *fleetOptions) *cobra.Command {
	var f history.Filter
	c := &cobra.Command{
		Use:   "search WORDS...",
		Short: "Find visits by number, plate, owner, person, place, note, date or folder",
		Example: `  wheelplane fleet search isl-003
  wheelplane fleet search "R. Vell" --from 2026-01-01
  wheelplane fleet search 2025-11`,
		RunE: func(c *cobra.Command, words []string) error {
			f.Words = words
			if len(words) == 0 && f.From == "" && f.To == "" {
				return Usagef("fleet search needs WORDS, --from or --to")
			}
			if err := checkDates(f); err != nil {
				return err
			}
			return o.reading(func(d *history.DB) error { return app.fleetSearch(d, f) })
		},
	}
	dateFlags(c, &f)
	c.Flags().BoolVar(&f.Copies, "copies", false, "also those that are copies of others")
	return c
}

func dateFlags(c *cobra.Command, f *history.Filter) {
	c.Flags().StringVar(&f.From, "from", "", "first `DATE`, like 2026-01-31")
	c.Flags().StringVar(&f.To, "to", "", "last `DATE`")
}

func checkDates(f history.Filter) error {
	for _, x := range []struct{ option, date string }{{"from", f.From}, {"to", f.To}} {
		if _, err := time.Parse(time.DateOnly, x.date); x.date != "" && err != nil {
			return Usagef("--%s %q: write it like 2026-01-31", x.option, x.date)
		}
	}
	return nil
}

type trendOptions struct {
	vehicle  string
	readings []string
	axle     int
	over     string
	svg, pdf string
}

func newFleetTrendCommand(app *App, o *fleetOptions) *cobra.Command {
	var t trendOptions
	c := &cobra.Command{
		Use:   "trend VEHICLE",
		Short: "Follow a vehicle's readings over its visits, with their uncertainty",
		Long: `trend lists a vehicle's readings visit by visit, as found and as left, with their
standard uncertainties, and what each drifts by on the road: from as left to the
next as found, over the way between.

--svg and --pdf draw them with bars of one standard uncertainty, over the mileage
where every visit tells it and it never goes backward, else over the date.`,
		Example: `  wheelplane fleet trend 12
  wheelplane fleet trend 12 --reading "total toe" --reading camber --axle 1 --pdf unit-12.pdf
  wheelplane fleet trend 12 --reading all --json`,
		Args: exactly("VEHICLE"),
		RunE: func(c *cobra.Command, args []string) error {
			t.vehicle = args[0]
			if t.over != "" && t.over != string(history.OverKM) && t.over != string(history.OverDate) {
				return Usagef("--over %q: choose km or date", t.over)
			}
			return o.reading(func(d *history.DB) error { return app.fleetTrend(d, o, t) })
		},
	}
	f := c.Flags()
	f.StringSliceVar(&t.readings, "reading", []string{"toe"}, "quantities such as toe, camber or total_toe, or all")
	f.IntVar(&t.axle, "axle", 0, "only of this axle, counted from the front")
	f.StringVar(&t.over, "over", "", "draw over km or date (default km where it is known)")
	f.StringVar(&t.svg, "svg", "", "draw into `FILE`")
	f.StringVar(&t.pdf, "pdf", "", "draw into `FILE`")
	c.RegisterFlagCompletionFunc("reading", completeWords(append([]string{"all"}, quantityWords()...)...))
	c.RegisterFlagCompletionFunc("over", completeWords("km", "date"))
	return c
}

func quantityWords() (out []string) {
	for _, q := range quantities {
		out = append(out, string(q))
	}
	return out
}

// quantitiesOf reads names of quantities, those of files and those for people;
// "" stands for all.
func quantitiesOf(names []string) ([]align.Quantity, error) {
	var out []align.Quantity
	for _, name := range names {
		if name == "all" {
			return []align.Quantity{""}, nil
		}
		i := slices.IndexFunc(quantities, func(q align.Quantity) bool {
			return string(q) == strings.ReplaceAll(strings.ToLower(name), " ", "_") || strings.EqualFold(nameOf(q), name)
		})
		if i < 0 {
			return nil, Usagef("--reading %q: no such reading; there are: all, %s", name, strings.Join(quantityWords(), ", "))
		}
		out = append(out, quantities[i])
	}
	return out, nil
}

func (a *App) fleetTrend(d *history.DB, o *fleetOptions, t trendOptions) error {
	wanted, err := quantitiesOf(t.readings)
	if err != nil {
		return err
	}
	v, visits, err := o.vehicle(d, t.vehicle)
	if err != nil {
		return err
	}
	var series []history.Series
	for _, q := range wanted {
		series = append(series, history.Trend(visits, q, t.axle)...)
	}
	if len(series) == 0 {
		return BadInputf("%s: none of its visits has such a reading: name another quantity, or another --axle", v.Name())
	}
	notes := notesOf(visits)
	over := history.Over(t.over)
	if over == "" {
		over = history.OverDate
		if history.MileageRises(visits) {
			over = history.OverKM
		}
	}
	if over == history.OverKM && !history.MileageRises(visits) && t.svg+t.pdf != "" {
		a.warn("visits that do not tell the mileage are not drawn, and where it goes backward so does the line: draw --over date")
	}
	pictures := history.TrendCharts(v.Name(), series, nameOf, over)
	if err := a.drawCharts("Trend of "+v.Name(), pictures, t.svg, t.pdf); err != nil {
		return err
	}
	if a.JSON {
		return a.printJSON(struct {
			Vehicle *history.Vehicle `json:"vehicle"`
			Series  []history.Series `json:"series"`
			Notes   []string         `json:"notes,omitempty"`
		}{v, series, notes})
	}
	a.printf("%s", trendText(v, series, notes))
	return nil
}

// notesOf tells what is odd between visits that follow each other.
func notesOf(visits []*history.Visit) (out []string) {
	for i := 1; i < len(visits); i++ {
		for _, n := range history.NotesBetween(visits[i-1], visits[i]) {
			if !slices.Contains(out, n) {
				out = append(out, n)
			}
		}
	}
	return out
}

// drawCharts writes charts as one SVG, and as PDF pages.
func (a *App) drawCharts(title string, pictures []*draw.Picture, svg, pdf string) error {
	var out outputs
	defer out.discard()
	if svg != "" {
		if err := out.add(svg, history.Stack(title, pictures, 0)[0].WriteSVG); err != nil {
			return err
		}
	}
	if pdf != "" {
		var lost []rune
		err := out.add(pdf, func(w io.Writer) (err error) {
			lost, err = draw.WritePDF(w, draw.About{Title: title, Version: version(), Made: time.Now()}, history.Stack(title, pictures, 255)...)
			return err
		})
		if err != nil {
			return err
		}
		if len(lost) > 0 {
			a.warn("%s: its fonts have no sign for %s, □ stands there", pdf, string(lost))
		}
	}
	return out.commit()
}

type driftOptions struct {
	vehicle string
	all     bool
	level   float64
}

func newFleetDriftCommand(app *App, o *fleetOptions) *cobra.Command {
	var t driftOptions
	c := &cobra.Command{
		Use:   "drift VEHICLE",
		Short: "Tell what drifted since the last visit, beyond what the uncertainty explains",
		Long: `drift compares how a vehicle was left at its last visit but one with how it was
found at its last: each reading's change beside the uncertainty of both together.
A reading has drifted where its change is more than these explain; that many are
compared at once is allowed for (Holm's procedure), so that of visits between
which nothing moved one in twenty blames anything (--level 0.05).

It says where the mileage is missing or goes backward, and where tyres were
changed. What both visits share, a camera file or a floor, makes a change better
known than is said.`,
		Example: `  wheelplane fleet drift 12
  wheelplane fleet drift 12 --all --json`,
		Args: exactly("VEHICLE"),
		RunE: func(c *cobra.Command, args []string) error {
			t.vehicle = args[0]
			if !(t.level > 0 && t.level < 1) {
				return Usagef("--level %g: choose a probability between 0 and 1", t.level)
			}
			return o.reading(func(d *history.DB) error { return app.fleetDrift(d, o, t) })
		},
	}
	c.Flags().BoolVar(&t.all, "all", false, "between all visits that follow each other, not only the last two")
	c.Flags().Float64Var(&t.level, "level", 0.05, "how often anything is blamed where nothing moved")
	return c
}

func (a *App) fleetDrift(d *history.DB, o *fleetOptions, t driftOptions) error {
	v, visits, err := o.vehicle(d, t.vehicle)
	if err != nil {
		return err
	}
	if len(visits) < 2 {
		return Unmeasurable(fmt.Errorf("%s: it was here once; there is nothing to compare with", v.Name()))
	}
	first := len(visits) - 2
	if t.all {
		first = 0
	}
	drifts := []*history.Drift{}
	for i := first; i+1 < len(visits); i++ {
		drifts = append(drifts, history.DriftBetween(visits[i], visits[i+1], t.level))
	}
	if a.JSON {
		return a.printJSON(struct {
			Vehicle *history.Vehicle `json:"vehicle"`
			Drifts  []*history.Drift `json:"drifts"`
		}{v, drifts})
	}
	for i, x := range drifts {
		if i > 0 {
			a.printf("\n")
		}
		a.printf("%s", driftText(v, x))
	}
	return nil
}

type camerasOptions struct {
	steady   history.Steady
	svg, pdf string
}

func newFleetCamerasCommand(app *App, o *fleetOptions) *cobra.Command {
	t := camerasOptions{steady: history.DefaultSteady}
	c := &cobra.Command{
		Use:   "cameras [NAME]",
		Short: "Tell whether camera files still fit, from what every job found of its camera",
		Long: fmt.Sprintf(`cameras follows every camera file over its jobs. Each job finds its camera anew,
with the file's numbers and their covariance among its observations. What it finds
is compared with what the file and the jobs before led to expect; these surprises
are summed up, for the focal length, the centre and the lens as a whole
(cumulative sums). A sum past its limit means that the file no longer fits: the
camera is to be calibrated anew. A steady camera is suspected once in about
%.0f jobs.

A sound camera may differ a little from job to job, focused anew; --focal and
--centre-px say by how much (standard deviations).`, roundTo2(history.JobsPerFalseAlarm())),
		Example: `  wheelplane fleet cameras
  wheelplane fleet cameras --pdf cameras.pdf`,
		Args: atMost(1),
		RunE: func(c *cobra.Command, args []string) error {
			if !(t.steady.Focal >= 0 && t.steady.Focal < 0.1) {
				return Usagef("--focal %g: choose 0 to 0.1", t.steady.Focal)
			}
			if !(t.steady.CentrePx >= 0 && t.steady.CentrePx < 1000) {
				return Usagef("--centre-px %g: choose 0 to 1000", t.steady.CentrePx)
			}
			return o.reading(func(d *history.DB) error { return app.fleetCameras(d, t, args) })
		},
	}
	f := c.Flags()
	f.Float64Var(&t.steady.Focal, "focal", t.steady.Focal, "how much a sound camera's focal length differs from job to job, relative")
	f.Float64Var(&t.steady.CentrePx, "centre-px", t.steady.CentrePx, "and its centre, pixels")
	f.StringVar(&t.svg, "svg", "", "draw into `FILE`")
	f.StringVar(&t.pdf, "pdf", "", "draw into `FILE`")
	return c
}

// roundTo2 rounds to two digits.
func roundTo2(v float64) float64 {
	out, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 2, 64), 64)
	if err != nil {
		return v
	}
	return out
}

func (a *App) fleetCameras(d *history.DB, t camerasOptions, name []string) error {
	cameras, err := d.Cameras(t.steady)
	if err != nil {
		return err
	}
	if len(name) == 1 {
		cameras = slices.DeleteFunc(cameras, func(c history.Camera) bool {
			return !strings.EqualFold(c.Name, name[0]) && !(len(name[0]) >= 4 && strings.HasPrefix(c.SHA256, name[0]))
		})
		if len(cameras) == 0 {
			return BadInputf("no camera is called %q; see 'wheelplane fleet cameras'", name[0])
		}
	}
	var pictures []*draw.Picture
	for _, c := range cameras {
		pictures = append(pictures, c.Charts()...)
	}
	if len(pictures) == 0 && (t.svg != "" || t.pdf != "") {
		return Unmeasurable(errors.New("no job tells what it found of its camera: there is nothing to draw"))
	}
	if err := a.drawCharts("Cameras", pictures, t.svg, t.pdf); err != nil {
		return err
	}
	if a.JSON {
		return a.printJSON(struct {
			Cameras           []history.Camera `json:"cameras"`
			Steady            history.Steady   `json:"steady"`
			JobsPerFalseAlarm float64          `json:"jobs_per_false_alarm"`
		}{cameras, t.steady, history.JobsPerFalseAlarm()})
	}
	a.printf("%s", camerasText(cameras))
	return nil
}

type exportOptions struct {
	vehicle, out string
	filter       history.Filter
}

func newFleetExportCommand(app *App, o *fleetOptions) *cobra.Command {
	var t exportOptions
	c := &cobra.Command{
		Use:   "export",
		Short: "Write all readings of all visits as CSV",
		Example: `  wheelplane fleet export --out readings.csv
  wheelplane fleet export --vehicle 12 --from 2026-01-01`,
		Args: atMost(0),
		RunE: func(c *cobra.Command, args []string) error {
			if err := checkDates(t.filter); err != nil {
				return err
			}
			if app.JSON {
				return Usagef("fleet export writes CSV; leave --json out")
			}
			return o.reading(func(d *history.DB) error { return app.fleetExport(d, o, t) })
		},
	}
	dateFlags(c, &t.filter)
	c.Flags().StringVar(&t.vehicle, "vehicle", "", "only of this one")
	c.Flags().StringVarP(&t.out, "out", "o", "", "`FILE` to write (default standard output)")
	return c
}

func (a *App) fleetExport(d *history.DB, o *fleetOptions, t exportOptions) error {
	if t.vehicle != "" {
		v, _, err := o.vehicle(d, t.vehicle)
		if err != nil {
			return err
		}
		t.filter.Vehicle = v.ID
	}
	write := func(w io.Writer) error { return exportCSV(w, d, t.filter) }
	if t.out == "" {
		return write(a.Stdout)
	}
	if err := writeFile(t.out, write); err != nil {
		return err
	}
	a.printf("wrote %s\n", t.out)
	return nil
}

// exportCSV writes a line a reading (RFC 4180).
func exportCSV(w io.Writer, d *history.DB, f history.Filter) error {
	out := csv.NewWriter(w)
	if err := out.Write([]string{"fleet_no", "plate", "chassis_no", "customer", "vehicle", "date", "odometer_km", "folder", "epoch", "as_found", "quantity", "axle", "side", "station", "value", "u", "unit"}); err != nil {
		return err
	}
	number := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
	err := d.EachReading(f, func(v *history.Visit, r history.Reading) error {
		km := ""
		if v.Odometer > 0 {
			km = number(v.Odometer)
		}
		return out.Write([]string{v.FleetNo, v.Plate, v.Chassis, v.Customer, v.Kind, v.Date, km, v.Folder, v.Epochs[r.Epoch].Name,
			strconv.FormatBool(r.Epoch == 0), string(r.Quantity), strconv.Itoa(r.Axle), string(r.Side), r.Station, number(r.Value), number(r.U), r.Unit})
	})
	out.Flush()
	return errors.Join(err, out.Error())
}

type fleetDemoOptions struct {
	dir string
	fixtures.FleetOptions
}

func newFleetDemoCommand(app *App) *cobra.Command {
	var t fleetDemoOptions
	c := &cobra.Command{
		Use:   "demo DIR",
		Short: "Write an invented fleet's job folders, to try all this on",
		Long: `demo writes years of visits of an invented island yard: job folders without
photographs, with the results that jobs would have had. Axles drift on the road
now and then and are put right, tyres are changed, mileages forgotten, and the
first of the cameras drifts by 0.01 percent from job to job.`,
		Example: "  wheelplane fleet demo /tmp/fleet --visits 400\n  wheelplane fleet index /tmp/fleet\n  wheelplane fleet drift 7 --root /tmp/fleet",
		Args:    exactly("DIR"),
		RunE: func(c *cobra.Command, args []string) error {
			t.dir = args[0]
			switch {
			case t.Visits < 1 || t.Visits > 100000:
				return Usagef("--visits %d: choose 1 to 100000", t.Visits)
			case t.Vehicles < 1 || t.Vehicles > t.Visits:
				return Usagef("--vehicles %d: choose 1 to %d, the number of visits", t.Vehicles, t.Visits)
			}
			return app.fleetDemo(t)
		},
	}
	t.Cameras, t.FocalDrift, t.FocalScatter, t.CentreScatter = 3, 0.0001, 0.0001, 0.5
	f := c.Flags()
	f.IntVar(&t.Visits, "visits", 200, "of all vehicles together")
	f.IntVar(&t.Vehicles, "vehicles", 20, "how many there are")
	f.Uint64Var(&t.Seed, "seed", 1, "everything random comes from it")
	return c
}

func (a *App) fleetDemo(t fleetDemoOptions) error {
	entries, err := os.ReadDir(t.dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return BadInputf("%s: cannot be used as the fleet's folder: %w", t.dir, err)
	}
	if len(entries) > 0 {
		return BadInputf("%s: the folder holds something: choose a new or empty one", t.dir)
	}
	bar := a.progress("writing job folders", t.Visits)
	err = fixtures.NewFleet(t.FleetOptions).Write(t.dir, func() { bar.add(1) })
	bar.done()
	if err != nil {
		return cannotWrite(t.dir, err)
	}
	if a.JSON {
		return a.printJSON(struct {
			Root     string `json:"root"`
			Visits   int    `json:"visits"`
			Vehicles int    `json:"vehicles"`
		}{t.dir, t.Visits, t.Vehicles})
	}
	a.printf("wrote %s of %s; next: wheelplane fleet index %s\n", wording.Count(t.Visits, "job"), wording.Count(t.Vehicles, "vehicle"), t.dir)
	return nil
}
