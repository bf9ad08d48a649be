package cli

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"wheelplane/calib/jig"
	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/cmd/wheelplane/internal/proof"
	"wheelplane/cmd/wheelplane/internal/spec"
	"wheelplane/cmd/wheelplane/internal/visit"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"github.com/spf13/cobra"
)

type studyOptions struct {
	inputs  []string
	columns jig.Columns // of a CSV; of jobs Part and Operator are keys of visit.yaml
	reading string      // of jobs: only this one
	unit    string
	pdf     string
	csv     string
	jig.Options
}

func newStudyCommand(app *App) *cobra.Command {
	var o studyOptions
	c := &cobra.Command{
		Use:   "study CSV | DIR...",
		Short: "Gauge study: several people measure several vehicles several times",
		Long: `study analyses a crossed gauge study: every part (vehicle) measured by everyone
(operator, or setting), several times. It says how well readings repeat, how far
people differ, and how much of the tolerance that takes.

From a CSV it takes one reading: columns part, operator, trial and value with the
unit in brackets, "toe (deg)" for example. From measured jobs it takes every reading
that all of them have, of their first epoch. A folder that holds no job stands for
all jobs below it. Part and operator are fleet_no (plate, chassis_no) and technician
of visit.yaml, or another key (--part, --by); where visit.yaml does not tell, or with
"folder", the folders' names tell: PART/OPERATOR/TRIAL. Runout of the boards is left
out: it is the clamp's, not the vehicle's.

Analysis of variance, with and without the interaction of operator and part; it is
pooled with repeatability where its p is above 0.25 (--alpha, --interaction).
Intervals are modified large sample ones (Burdick, Borror and Montgomery 2005).
Beside it the method of average and range. The study variation is 6 standard
deviations wide (--sigmas 5.15 as in older publications). The tolerance, upper less
lower limit, is --tolerance, or that of the first job with a spec.yaml.

A study with a missing cell is refused. Where cells have unequal numbers of trials
the analysis of variance is that of unweighted means, with their harmonic mean; there
are no averages and ranges then.`,
		Example: `  wheelplane study gauge.csv --tolerance 0.5 --pdf gauge.pdf
  wheelplane study garage/ --reading "toe 1 left"
  wheelplane study bus-1/* bus-2/* --by place --csv study.csv`,
		Args: atLeastOne("a CSV or the jobs' folders"),
		RunE: func(c *cobra.Command, args []string) error {
			o.inputs = args
			switch {
			case !(o.Sigmas > 0 && o.Sigmas <= 10):
				return Usagef("--sigmas %g: 6 is usual, 5.15 was", o.Sigmas)
			case !(o.Confidence > 0.5 && o.Confidence < 1):
				return Usagef("--confidence %g: give a probability between 0.5 and 1, such as 0.95", o.Confidence)
			case !(o.Alpha > 0 && o.Alpha < 1):
				return Usagef("--alpha %g: give a probability between 0 and 1, such as 0.25", o.Alpha)
			case !slices.Contains(interactions, string(o.Rule)):
				return Usagef("--interaction %q: choose %s", o.Rule, orList(interactions))
			case c.Flags().Changed("tolerance") && !(o.Tolerance > 0 && !math.IsInf(o.Tolerance, 1)):
				return Usagef("--tolerance %g: give the upper less the lower limit, above 0", o.Tolerance)
			}
			return app.study(o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.columns.Part, "part", "", "column, or key of visit.yaml, that names the part")
	f.StringVar(&o.columns.Operator, "by", "", "column, or key of visit.yaml, that names the operator")
	f.StringVar(&o.columns.Trial, "trial", "", "column that names the trial")
	f.StringVar(&o.columns.Value, "value", "", "column of the values")
	f.StringVar(&o.unit, "unit", "", "unit of a CSV's values")
	f.StringVar(&o.reading, "reading", "", `of jobs: only this one, such as "toe 1 left", or this quantity`)
	f.Float64Var(&o.Tolerance, "tolerance", 0, "upper less lower limit, in the reading's unit")
	f.Float64Var(&o.Sigmas, "sigmas", 6, "standard deviations in the width of a variation")
	f.Float64Var(&o.Confidence, "confidence", 0.95, "of the intervals")
	f.StringVar((*string)(&o.Rule), "interaction", interactions[0], "auto, keep or pool")
	f.Float64Var(&o.Alpha, "alpha", 0.25, "auto pools the interaction where its p is above")
	f.StringVar(&o.pdf, "pdf", "", "also write the study with its pictures to `FILE`")
	f.StringVar(&o.csv, "csv", "", "also write all components to `FILE`")
	c.RegisterFlagCompletionFunc("interaction", completeWords(interactions...))
	return c
}

// interactions is what may become of it, the default first.
var interactions = []string{string(jig.Auto), string(jig.Keep), string(jig.Pool)}

// studies is what a study tells, and how its parts were named.
type studies struct {
	Title   string        `json:"title"`
	Parts   string        `json:"parts_by,omitempty"` // key of visit.yaml or "folder"
	By      string        `json:"operators_by,omitempty"`
	Studies []proof.Study `json:"studies"`
}

func (a *App) study(o studyOptions) error {
	var out *studies
	info, err := os.Stat(o.inputs[0])
	if err == nil && info.Mode().IsRegular() {
		if len(o.inputs) > 1 {
			return Usagef("%s is one study: give one CSV, or the jobs' folders", o.inputs[0])
		}
		out, err = studyTable(o)
	} else {
		out, err = a.studyJobs(o)
	}
	if err != nil {
		return err
	}
	if err := a.studyFiles(o, out); err != nil {
		return err
	}
	if a.JSON {
		return a.printJSON(out)
	}
	a.printf("%s", studyText(out))
	return nil
}

// studyFiles writes what was asked for besides the text.
func (a *App) studyFiles(o studyOptions, s *studies) error {
	doc := proof.StudyDocument{Title: s.Title, Parts: s.Parts, By: s.By, Studies: s.Studies, About: draw.About{Title: "Gauge study: " + s.Title, Version: version(), Made: time.Now()}}
	return a.writeProof(o.pdf, doc.WritePDF, o.csv, s.writeCSV)
}

// writeProof writes a document and a table, those that have a name.
func (a *App) writeProof(pdf string, writePDF func(io.Writer) ([]rune, error), table string, writeTable func(io.Writer) error) error {
	var out outputs
	defer out.discard()
	if pdf != "" {
		var lost []rune
		err := out.add(pdf, func(w io.Writer) (err error) {
			lost, err = writePDF(w)
			return err
		})
		if err != nil {
			return err
		}
		if len(lost) > 0 {
			a.warn("%s: its fonts have no sign for %s, □ stands there", pdf, string(lost))
		}
	}
	if table != "" {
		if err := out.add(table, writeTable); err != nil {
			return err
		}
	}
	return out.commit()
}

// studyTable analyses a CSV.
func studyTable(o studyOptions) (*studies, error) {
	path := o.inputs[0]
	if o.reading != "" {
		return nil, Usagef("--reading chooses one of a job's; the values of a CSV are a column: --value NAME")
	}
	text, err := vision.ReadFile(path, vision.MostText)
	if err != nil {
		return nil, err
	}
	table, err := jig.ReadTable(bytes.NewReader(text), path, o.columns)
	if err != nil {
		return nil, BadInput(err)
	}
	layout, err := jig.Arrange(table.Trials)
	if err != nil {
		return nil, BadInput(inFile(path, err))
	}
	s, err := jig.Analyse(layout, o.Options)
	if err != nil {
		return nil, Unmeasurable(fmt.Errorf("%s: %w", path, err))
	}
	unit := table.Unit
	if o.unit != "" {
		unit = o.unit
	}
	return &studies{Title: strings.TrimSuffix(filepath.Base(path), filepath.Ext(path)), Studies: []proof.Study{{Name: table.Value, Unit: unit, Study: s}}}, nil
}

// inFile adds the file to an error that does not name it.
func inFile(path string, err error) error {
	if strings.HasPrefix(err.Error(), path) {
		return err
	}
	return fmt.Errorf("%s: %w", path, err)
}

// measuredJob is a job with its readings and what people told of it.
type measuredJob struct {
	dir    string
	job    *rig.Job
	result *rig.Result
	visit  *visit.Visit
}

// measuredJobs reads jobs; a folder that holds none stands for all jobs below
// it.
func measuredJobs(dirs []string) ([]measuredJob, error) {
	var out []measuredJob
	for _, dir := range dirs {
		below := []string{dir}
		if _, err := os.Stat(filepath.Join(dir, rig.JobFile)); errors.Is(err, fs.ErrNotExist) {
			if found := jobsBelow(dir); len(found) > 0 {
				below = found
			}
		}
		for _, d := range below {
			folder, err := rig.Read(d)
			if err != nil {
				return nil, BadInput(err)
			}
			result, err := loadResult(d)
			if err != nil {
				return nil, err
			}
			v, err := visit.Load(d)
			if err != nil {
				return nil, BadInput(err)
			}
			out = append(out, measuredJob{d, folder.Job, result, v})
		}
	}
	return out, nil
}

// jobsBelow lists the folders with a job, in the order of their names.
func jobsBelow(dir string) (out []string) {
	filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() && d.Name() == rig.JobFile {
			out = append(out, filepath.Dir(path))
		}
		return nil
	})
	return out
}

// folderName is the word for --part and --by that takes the folders' names.
const folderName = "folder"

// namer tells a job's part or operator from one key of its visit, or from the
// name of the folder so many levels above its own.
func namer(jobs []measuredJob, option, asked string, usual []string, above int) (key string, name func(measuredJob) string, err error) {
	told := func(key string) (missing string) {
		for _, j := range jobs {
			if text, _ := j.visit.Get(key); text == "" {
				return j.dir
			}
		}
		return ""
	}
	byKey := func(key string) func(measuredJob) string {
		return func(j measuredJob) string {
			text, _ := j.visit.Get(key)
			return text
		}
	}
	switch {
	case asked == folderName:
	case asked != "":
		if _, ok := new(visit.Visit).Get(asked); !ok {
			return "", nil, Usagef("--%s %q: choose folder, or a key of visit.yaml such as %s", option, asked, usual[0])
		}
		if dir := told(asked); dir != "" {
			return "", nil, BadInputf("%s: nobody told its %s: run 'wheelplane visit %s %s=…'", filepath.Join(dir, visit.File), asked, dir, asked)
		}
		return asked, byKey(asked), nil
	default:
		for _, key := range usual {
			if told(key) == "" {
				return key, byKey(key), nil
			}
		}
	}
	return folderName, func(j measuredJob) string {
		path, err := filepath.Abs(j.dir)
		if err != nil {
			path = j.dir
		}
		for range above {
			path = filepath.Dir(path)
		}
		return filepath.Base(path)
	}, nil
}

// studyJobs analyses every reading that all jobs have.
func (a *App) studyJobs(o studyOptions) (*studies, error) {
	for _, x := range []struct{ name, value string }{{"trial", o.columns.Trial}, {"value", o.columns.Value}, {"unit", o.unit}} {
		if x.value != "" {
			return nil, Usagef("--%s is for a CSV; of jobs choose with --reading", x.name)
		}
	}
	jobs, err := measuredJobs(o.inputs)
	if err != nil {
		return nil, err
	}
	partKey, part, err := namer(jobs, "part", o.columns.Part, []string{"fleet_no", "plate", "chassis_no"}, 2)
	if err != nil {
		return nil, err
	}
	byKey, by, err := namer(jobs, "by", o.columns.Operator, []string{"technician"}, 1)
	if err != nil {
		return nil, err
	}
	out := &studies{Title: fmt.Sprintf("%d jobs", len(jobs)), Parts: partKey, By: byKey}
	common, partly := commonReadings(jobs)
	if len(partly) > 0 && o.reading == "" {
		a.warn("not in all jobs, left out: %s", strings.Join(partly, ", "))
	}
	widths, err := a.tolerances(jobs)
	if err != nil {
		return nil, err
	}
	for _, r := range common {
		name := studyName(r)
		if o.reading != "" && !sameReading(r, o.reading) {
			continue
		}
		var trials []jig.Trial
		squares := 0.0
		for _, j := range jobs {
			x, _ := firstEpoch(j.result, r)
			squares += x.U * x.U / float64(len(jobs))
			trials = append(trials, jig.Trial{Part: part(j), Operator: by(j), Name: j.dir, Value: x.Value, Where: j.dir})
		}
		layout, err := jig.Arrange(trials)
		if err != nil {
			return nil, BadInputf("%w (parts are named by %s, operators by %s: see --part and --by)", err, partKey, byKey)
		}
		options := o.Options
		if options.Tolerance == 0 {
			options.Tolerance = widths[name]
		}
		s, err := jig.Analyse(layout, options)
		if err != nil {
			if o.reading != "" || strings.Contains(err.Error(), "read once") {
				return nil, Unmeasurable(fmt.Errorf("%s: %w", name, err))
			}
			a.warn("%s: %v: left out", name, err)
			continue
		}
		out.Studies = append(out.Studies, proof.Study{Name: name, Unit: unitText(r.Unit), StatedU: math.Sqrt(squares), Study: s})
	}
	if len(out.Studies) == 0 {
		if o.reading != "" {
			return nil, BadInputf("no reading %q is in all jobs; there are: %s", o.reading, strings.Join(names(common), ", "))
		}
		return nil, BadInputf("the jobs have no reading in common: give jobs of one vehicle or jig, measured alike")
	}
	return out, nil
}

func unitText(unit string) string {
	if unit == "1" {
		return ""
	}
	return unit
}

// studyName is what a reading is called in a study: "toe 1 left".
func studyName(r rig.Reading) string {
	return strings.TrimSpace(fmt.Sprintf("%s %d %s", nameOf(r.Quantity), r.Axle, r.Side))
}

func names(list []rig.Reading) (out []string) {
	for _, r := range list {
		out = append(out, studyName(r))
	}
	return out
}

// sameReading tells whether a text means a reading, or all of its quantity; both
// the names for people and those of files do.
func sameReading(r rig.Reading, text string) bool {
	clean := func(s string) string {
		return strings.Join(strings.FieldsFunc(strings.ToLower(s), func(r rune) bool { return strings.ContainsRune(" _,", r) }), " ")
	}
	text = strings.Replace(clean(text), "axle ", "", 1)
	for _, name := range []string{studyName(r), fmt.Sprintf("%s %d %s", r.Quantity, r.Axle, r.Side), nameOf(r.Quantity), string(r.Quantity)} {
		if text == clean(name) {
			return true
		}
	}
	return false
}

// firstEpoch finds a reading in the first epoch of a result.
func firstEpoch(result *rig.Result, like rig.Reading) (rig.Reading, bool) {
	if len(result.Readings) == 0 {
		return like, false
	}
	like.Epoch = result.Readings[0].Epoch
	return rig.Find(result.Readings, like)
}

// commonReadings lists the readings of the vehicle that all jobs have, and names
// those that only some have.
func commonReadings(jobs []measuredJob) (common []rig.Reading, partly []string) {
	seen := map[string]bool{}
	for _, j := range jobs {
		for _, row := range rowsOf(j.result.Readings, firstEpochName(j.result)) {
			for _, r := range j.result.Readings {
				if r.Epoch != firstEpochName(j.result) || r.Axle != row.axle || r.Quantity != row.quantity || r.Station != "" || r.Quantity == align.Runout || r.Quantity == align.MaxSteer {
					continue
				}
				name := studyName(r)
				if seen[name] {
					continue
				}
				seen[name] = true
				if slices.ContainsFunc(jobs, func(j measuredJob) bool { _, ok := firstEpoch(j.result, r); return !ok }) {
					partly = append(partly, name)
				} else {
					common = append(common, r)
				}
			}
		}
	}
	return common, partly
}

func firstEpochName(result *rig.Result) string {
	if len(result.Readings) == 0 {
		return ""
	}
	return result.Readings[0].Epoch
}

// tolerances are the widths of the limits in the first job that has target
// values, by the reading's name and in its unit.
func (a *App) tolerances(jobs []measuredJob) (map[string]float64, error) {
	out := map[string]float64{}
	for _, j := range jobs {
		s, targets, err := specOf(j.dir, j.job)
		if err != nil {
			return nil, err
		}
		if s == nil {
			continue
		}
		for _, r := range j.result.Readings {
			t := spec.Find(targets, j.result.Readings, r)
			if t == nil || math.IsInf(t.Low, 0) || math.IsInf(t.High, 0) {
				continue
			}
			unit := 180 / math.Pi
			if r.Quantity.IsLength() {
				unit = 1e3
			}
			out[studyName(r)] = (t.High - t.Low) * unit
		}
		return out, nil
	}
	return out, nil
}

// writeCSV writes the components of all studies, one a line.
func (s *studies) writeCSV(w io.Writer) error {
	out := csv.NewWriter(w)
	num := func(v float64) string { return strconv.FormatFloat(v, 'g', 10, 64) }
	out.Write([]string{"reading", "unit", "method", "source", "variance", "sd", "sd_low", "sd_high", "study_width", "percent_of_study_variation", "percent_contribution", "percent_of_tolerance", "distinct_categories", "interaction"})
	for _, x := range s.Studies {
		kept := "pooled"
		if x.Kept {
			kept = "kept"
		}
		line := func(method string, c jig.Component, categories int, inter string) {
			low, high, tolerance := "", "", ""
			if c.SDInterval != nil {
				low, high = num(c.SDInterval.Low), num(c.SDInterval.High)
			}
			if x.Tolerance > 0 {
				tolerance = num(c.PctTolerance)
			}
			out.Write([]string{x.Name, x.Unit, method, c.Source, num(c.Variance), num(c.SD), low, high, num(c.StudyWidth), num(c.PctStudy), num(c.Contribution), tolerance, strconv.Itoa(categories), inter})
		}
		for _, c := range x.Components {
			line("anova", c, x.Categories, kept)
		}
		if x.Range != nil {
			for _, c := range x.Range.Components {
				line("average and range", c, x.Range.Categories, "")
			}
		}
	}
	out.Flush()
	return out.Error()
}
