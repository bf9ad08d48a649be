package cli

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"wheelplane/cmd/wheelplane/internal/record"
	"wheelplane/cmd/wheelplane/internal/spec"
	"wheelplane/cmd/wheelplane/internal/visit"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/cmd/wheelplane/internal/work"
	"wheelplane/fixtures"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// demoSpecs are the target values of scenes whose vehicle is that of another.
var demoSpecs = map[string]string{
	"semi-trailer": "example-box-trailer",
	"five-axle":    "example-rescue-crane",
	"first-look":   "example-yard-truck", "sweep": "example-yard-truck", "jacked": "example-yard-truck", "body-boards": "example-yard-truck", "levelled-bay": "example-yard-truck",
}

// wholeJob is what a demo that goes on to the record leaves behind.
type wholeJob struct {
	Scene    string        `json:"scene"`
	Spec     string        `json:"spec"`
	Found    []judged      `json:"as_found"`
	Advice   *adviceJSON   `json:"advice"`
	Left     []judged      `json:"as_left"`
	Foreseen []againstJSON `json:"foreseen_and_measured"`
	Files    []string      `json:"files"`
	Tool     rig.Tool      `json:"tool"`
	found    *rig.Result   // as measured first
	left     *rig.Result   // the whole job measured
	truth    *rig.Result   // of both
	advice   *foreseen     // from found
	spec     *spec.Spec    //
	targets  []spec.Target //
	job      *rig.Job      // with both epochs
	moves    []align.Move  //
	pictures []string      //
}

// againstJSON is a reading as foreseen beside itself as measured.
type againstJSON struct {
	Quantity  align.Quantity `json:"quantity"`
	Axle      int            `json:"axle"`
	Side      align.Side     `json:"side"`
	Unit      string         `json:"unit"`
	Foreseen  float64        `json:"foreseen"`
	UForeseen float64        `json:"u_foreseen"`
	Measured  float64        `json:"measured"`
	U         float64        `json:"u"`
	Truth     float64        `json:"truth"`
	Apart     float64        `json:"difference_over_u"` // of both together
}

// demoWhole carries a scene through the whole job: as found, its own advice
// followed in the simulator, as left, the record.
func (a *App) demoWhole(ctx context.Context, o demoOptions) error {
	scene, err := o.drawScene()
	if err != nil {
		return err
	}
	if _, err := scene.Follow(nil, o.seed); err != nil {
		return Usagef("--whole: %v", err)
	}
	w := &wholeJob{Scene: o.scene, Tool: thisTool(), Files: []string{}}
	id := demoSpecs[o.scene]
	if id == "" {
		id = "example-" + o.scene
	}
	list, _ := spec.Library("") // the shipped ones alone: a demo is the same everywhere
	if w.spec, err = spec.Pick(list, id); err != nil {
		return err
	}
	if w.targets, err = w.spec.Targets(&scene.Job.Vehicle); err != nil {
		return err
	}
	w.Spec = w.spec.Name

	if err := clearDemo(o.dir); err != nil {
		return err
	}
	if w.truth, err = a.writeScene(ctx, scene, o, 0); err != nil {
		return err
	}
	if err := a.writeVisit(o.dir, w.spec, scene.Job); err != nil {
		return err
	}
	if w.found, err = a.measureScene(ctx, scene, o); err != nil {
		return err
	}
	w.job = scene.Job
	if w.advice, err = a.foresee(o.dir); err != nil {
		return err
	}
	w.moves = w.advice.advice.Moves()
	w.left = w.found
	if len(w.moves) > 0 {
		after, err := scene.Follow(w.moves, o.seed)
		if err != nil {
			return err
		}
		if w.truth, err = a.writeScene(ctx, after, o, len(scene.Job.Photos)); err != nil {
			return err
		}
		if w.left, err = a.measureScene(ctx, after, o); err != nil {
			return err
		}
		w.job = after.Job
	}
	if !o.noPictures {
		if w.pictures, err = a.annotateSome(scene, o.dir); err != nil {
			return err
		}
	}
	if err := a.tellChecks(o.dir, work.ClosingChecks(scene.Job), time.Date(2026, 3, 9, 11, 40, 0, 0, time.UTC)); err != nil {
		return err
	}
	files, _, err := a.writeRecord(reportOptions{dir: o.dir, Options: record.Options{Paper: record.Papers[0].Name}})
	if err != nil {
		return err
	}
	w.Files = append(files, w.pictures...)
	w.compare()
	if a.JSON {
		return a.printJSON(w)
	}
	a.printf("%s: %s\n\n%s", o.scene, scene.About, w.text(o))
	return nil
}

// measureScene measures a scene that was written into the job's folder.
func (a *App) measureScene(ctx context.Context, scene *fixtures.Scene, o demoOptions) (result *rig.Result, err error) {
	if o.noPictures {
		obs := scene.DrawCorners(o.cornerPx, drawnOblique, o.seed+o.repeat<<32)
		if result, _, err = a.solve(ctx, o.dir, scene.Job, &scene.Camera, &found{obs: obs}, rig.Options{}); err == nil {
			err = keepResult(o.dir, result)
		}
		return result, err
	}
	_, result, err = a.measure(ctx, measureOptions{dir: o.dir})
	return result, err
}

// writeVisit writes the target values and what people tell of the visit: an
// invented yard's.
func (a *App) writeVisit(dir string, s *spec.Spec, job *rig.Job) error {
	v := &visit.Visit{Date: "2026-03-09", Place: "ferry yard, bay 2", Technician: "demo", Customer: "ferry yard", FleetNo: "demo", Odometer: 184300,
		Notes: "an invented vehicle, photographed and adjusted in a simulation"}
	for i := range job.Vehicle.Axles {
		for _, side := range []align.Side{align.Left, align.Right} {
			pressure, tread := 800.0, 9.0+0.5*float64(i%3)
			if job.Vehicle.Axles[i].TyreDiameter < 0.8 {
				pressure, tread = 230, 5.5
			}
			v.Tyres = append(v.Tyres, visit.Tyre{Axle: i + 1, Side: side, Tread: tread, Pressure: pressure})
		}
	}
	text, err := v.Text()
	if err != nil {
		return err
	}
	var out outputs
	defer out.discard()
	for name, content := range map[string][]byte{spec.File: s.Text(), visit.File: text} {
		if err := out.add(filepath.Join(dir, name), these(content)); err != nil {
			return err
		}
	}
	if err := out.commit(); err != nil {
		return err
	}
	f, err := a.workFolder(dir)
	if err != nil {
		return err
	}
	return a.tellChecks(dir, work.OpenChecks(f), time.Date(2026, 3, 9, 9, 5, 0, 0, time.UTC))
}

// tellChecks says of some checks that they are done.
func (a *App) tellChecks(dir string, ids []string, at time.Time) error {
	v, err := visit.Load(dir)
	if err != nil {
		return err
	}
	for i, id := range ids {
		v.Checks = append(v.Checks, visit.Check{What: id, Result: visit.OK, By: "demo", At: at.Add(time.Duration(i) * time.Minute)})
	}
	return writeVisit(dir, v)
}

// compare judges both epochs, and sets what was foreseen beside what came of it.
func (w *wholeJob) compare() {
	w.Advice = w.advice.json()
	w.Found = judgeAll(w.found.Readings, w.targets, w.spec.Rule)
	w.Left = slices.DeleteFunc(judgeAll(w.left.Readings, w.targets, w.spec.Rule), func(j judged) bool { return j.Epoch != fixtures.AsLeft })
	w.Foreseen = []againstJSON{}
	for _, x := range w.advice.after {
		x.Epoch = fixtures.AsLeft
		got, ok := rig.Find(w.left.Readings, x)
		truth, ok2 := rig.Find(w.truth.Readings, x)
		if ok && ok2 {
			w.Foreseen = append(w.Foreseen, againstJSON{x.Quantity, x.Axle, x.Side, x.Unit, x.Value, x.U, got.Value, got.U, truth.Value, (x.Value - got.Value) / math.Hypot(x.U, got.U)})
		}
	}
}

// text is the whole job for people.
func (w *wholeJob) text(o demoOptions) string {
	var b strings.Builder
	fmt.Fprintf(&b, "1. as found, %s\n", verdictText(w.job, w.spec, w.Found))
	fmt.Fprintf(&b, "2. advice, %s\n", w.advice.text(adviseOptions{units: "metric"}))
	if len(w.moves) == 0 {
		b.WriteString("3. nothing was adjusted, so there is nothing to read again\n")
	} else {
		fmt.Fprintf(&b, "3. the advice followed in the simulator, and as left, %s\n", verdictText(w.job, w.spec, w.Left))
		b.WriteString(w.againstText())
	}
	b.WriteString("\n")
	for _, f := range w.Files {
		fmt.Fprintf(&b, "wrote %s\n", f)
	}
	fmt.Fprintf(&b, "job folder: %s\n", o.dir)
	return b.String()
}

// againstText sets what was foreseen beside what was measured then.
func (w *wholeJob) againstText() string {
	rows := make([]rig.Reading, 0, len(w.Foreseen))
	for _, x := range w.Foreseen {
		rows = append(rows, rig.Reading{Epoch: fixtures.AsLeft, Quantity: x.Quantity, Axle: x.Axle, Side: x.Side, Unit: x.Unit})
	}
	worst := 0.0
	columns := []column{left("side"), right("foreseen"), right("u"), right("measured"), right("u"), right("truth"), right("apart/u"), left("unit")}
	t := byAxle(w.job, rowsOf(rows, fixtures.AsLeft), columns, func(row row) (lines [][]string) {
		for _, side := range []align.Side{align.Left, align.Right, align.NoSide} {
			for _, x := range w.Foreseen {
				if x.Axle != row.axle || x.Quantity != row.quantity || x.Side != side {
					continue
				}
				d := digits(math.Min(x.U, x.UForeseen), x.Unit)
				lines = append(lines, []string{string(side), wording.Decimal(x.Foreseen, d), wording.Decimal(x.UForeseen, d), wording.Decimal(x.Measured, d), wording.Decimal(x.U, d), wording.Decimal(x.Truth, d), wording.Decimal(x.Apart, 1), row.unit})
				worst = math.Max(worst, math.Abs(x.Apart))
			}
		}
		return lines
	})
	return fmt.Sprintf("\n4. foreseen, and measured then (u: standard uncertainty)\n\n%s\nlargest difference: %.1f of both uncertainties together, of %d readings\n", t, worst, len(w.Foreseen))
}

// madeByDemo is what a demo leaves in its folder.
var madeByDemo = []string{"photos", "films", "annotated", rig.JobFile, rig.TruthFile, rig.ResultFile, "camera.yaml", demoJigFile, spec.File, visit.File, watchFilm, watchLens, watchTruth,
	".wheelplane", "record.pdf", "record.html", "record.csv", "record.json"}

// makeFolders makes the folders of a scene's photographs.
func makeFolders(dir string, scene *fixtures.Scene, pictures bool) error {
	folders := []string{dir}
	if pictures {
		for _, st := range scene.Job.Stations {
			folders = append(folders, filepath.Join(dir, "photos", st.Name))
		}
	}
	for _, folder := range folders {
		if err := os.MkdirAll(folder, 0o777); err != nil {
			return cannotWrite(dir, err)
		}
	}
	return nil
}
