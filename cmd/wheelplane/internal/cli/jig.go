package cli

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"wheelplane/calib/jig"
	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/cmd/wheelplane/internal/proof"
	"wheelplane/cmd/wheelplane/internal/visit"
	"wheelplane/cmd/wheelplane/internal/wording"

	"github.com/spf13/cobra"
)

type jigOptions struct {
	file        string
	jobs        []string
	temperature float64 // °C; NaN: not told
	pdf, csv    string
	guide       bool
	jig.CompareOptions
}

func newJigCommand(app *App) *cobra.Command {
	var o jigOptions
	c := &cobra.Command{
		Use:   "jig JIGFILE JOB...",
		Short: "Hold measurements against a jig whose wheel planes are known",
		Long: `jig compares measured jobs with a jig whose wheel planes are known by other means,
and says of each reading its error, the normalised error En (ISO 13528: the error
over both expanded uncertainties, k = 2; up to 1 is satisfactory), over several jobs
its bias and spread with their intervals, and whether the errors are as small as
claimed. That decision is by the jig's uncertainty: sure to 95 % (--confidence), or
with guard bands (--guard), as judge has it. A folder that holds no job stands for
all jobs below it. The first epoch of each job counts.

A jig's file, every uncertainty after its ± and with the coverage factor k:

` + indent(jigExample) + `
Camber, toe and places are in the jig's own frame: x forward, y left, z up from the
ground, its origin anywhere; camber positive with the top outward, toe positive
inward. Their uncertainties are taken as independent. Units: deg, arcmin, arcsec,
mrad; mm, µm, m, in. With --temperature the places follow it by the expansion.

jig --guide tells how to build a jig, and what it is then worth.`,
		Example: `  wheelplane jig jig.yaml bay-3-1 bay-3-2 bay-3-3 --pdf certificate.pdf
  wheelplane jig jig.yaml repeats/ --claim-deg 0.05 --guard 1
  wheelplane jig --guide`,
		Args: func(c *cobra.Command, args []string) error {
			switch {
			case o.guide && len(args) > 0:
				return extraArgument(c, args[0])
			case o.guide:
				return nil
			case len(args) == 0:
				return fmt.Errorf("%s needs JIGFILE and JOB", c.CommandPath())
			case len(args) == 1:
				return fmt.Errorf("%s needs JOB", c.CommandPath())
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error {
			if o.guide {
				return app.jigGuide()
			}
			o.file, o.jobs = args[0], args[1:]
			f := c.Flags()
			if !f.Changed("temperature") {
				o.temperature = math.NaN()
			}
			switch {
			case f.Changed("claim-deg") && !(o.AngleDeg > 0 && o.AngleDeg < 90):
				return Usagef("--claim-deg %g: give the largest error claimed, above 0", o.AngleDeg)
			case f.Changed("claim-mm") && !(o.LengthMM > 0 && o.LengthMM < 1e5):
				return Usagef("--claim-mm %g: give the largest error claimed, above 0", o.LengthMM)
			case !(o.Rule.Confidence > 0.5 && o.Rule.Confidence < 1):
				return Usagef("--confidence %g: give a probability between 0.5 and 1, such as 0.95", o.Rule.Confidence)
			case f.Changed("guard") && !(o.Rule.Guard > 0 && o.Rule.Guard <= 10):
				return Usagef("--guard %g: give how many expanded uncertainties, above 0 and up to 10; 1 is usual", o.Rule.Guard)
			case f.Changed("temperature") && !(o.temperature > -50 && o.temperature < 70):
				return Usagef("--temperature %g: give the jig's while it was measured, °C", o.temperature)
			}
			return app.jig(o)
		},
	}
	f := c.Flags()
	f.Float64Var(&o.AngleDeg, "claim-deg", 0, "largest error claimed of angles, degrees (default the jig file's)")
	f.Float64Var(&o.LengthMM, "claim-mm", 0, "largest error claimed of lengths, mm (default the jig file's)")
	f.Float64Var(&o.Rule.Confidence, "confidence", 0.95, "how sure a decision must be")
	f.Float64Var(&o.Rule.Guard, "guard", 0, "guard bands of so many expanded uncertainties of the jig")
	f.Float64Var(&o.temperature, "temperature", 20, "of the jig while it was measured, °C (default the certificate's)")
	f.StringVar(&o.pdf, "pdf", "", "also write a certificate to `FILE`")
	f.StringVar(&o.csv, "csv", "", "also write all errors to `FILE`")
	f.BoolVar(&o.guide, "guide", false, "tell how to build a jig, and what each way is worth")
	return c
}

const jigExample = `name: beam jig no. 2
certificate:
  number: K-0214
  by: calibration room of the ferry yard
  method: sine bar and angle blocks on a surface plate
  date: 2026-05-11
  valid_until: 2027-05-11
  temperature: 20 ± 1 °C
k: 2
expansion_per_k: 11.5e-6     # of the frame; steel
claim: {angle: 0.05 deg, length: 3 mm}   # of the measurement: no error is larger
wheels:
  - {axle: 1, side: left, camber: 0.512 ± 0.004 deg, toe: 0.085 ± 0.004 deg, x: 2680 ± 1.2 mm, y: 760.2 ± 1.2 mm, z: 300 ± 1.2 mm}
  - {axle: 1, side: right, camber: 0.498 ± 0.004 deg, toe: 0.101 ± 0.004 deg, x: 2680 ± 1.2 mm, y: -759.8 ± 1.2 mm, z: 300 ± 1.2 mm}
  - {axle: 2, side: left, camber: 0.002 ± 0.004 deg, toe: 0.015 ± 0.004 deg, x: 0 ± 1.2 mm, y: 760 ± 1.2 mm, z: 300 ± 1.2 mm}
  - {axle: 2, side: right, camber: -0.003 ± 0.004 deg, toe: -0.012 ± 0.004 deg, x: 0 ± 1.2 mm, y: -760 ± 1.2 mm, z: 300 ± 1.2 mm}
`

// jigFile is what jig tells.
type jigFile struct {
	Jig         string  `json:"jig"`
	Certificate string  `json:"certificate"`
	ClaimDeg    float64 `json:"claim_deg,omitempty"`
	ClaimMM     float64 `json:"claim_mm,omitempty"`
	*jig.Comparison
}

func (a *App) jig(o jigOptions) error {
	known, err := jig.Load(o.file)
	if err != nil {
		return BadInput(err)
	}
	if o.AngleDeg == 0 {
		o.AngleDeg = known.Claim.Angle.Value
	}
	if o.LengthMM == 0 {
		o.LengthMM = known.Claim.Length.Value
	}
	jobs, err := measuredJobs(o.jobs)
	if err != nil {
		return err
	}
	list, reference, err := jobsOnJig(o.file, known, jobs)
	if err != nil {
		return err
	}
	want, err := known.Readings(reference, o.temperature)
	if err != nil {
		return BadInputf("%s: %w", o.file, err)
	}
	c := jig.Compare(want, list, o.CompareOptions)
	if len(c.Readings) == 0 {
		return BadInputf("%s: no reading of the jig is in all jobs, with its uncertainty: measure them again with 'wheelplane measure'", o.file)
	}
	out := &jigFile{Jig: known.Name, Certificate: known.Certificate.Number, ClaimDeg: o.AngleDeg, ClaimMM: o.LengthMM, Comparison: c}
	if err := a.jigFiles(o, known, jobs, out); err != nil {
		return err
	}
	if a.JSON {
		return a.printJSON(out)
	}
	a.printf("%s", jigText(known, out))
	return nil
}

// jobsOnJig holds each job's vehicle and day against the jig.
func jobsOnJig(file string, known *jig.Jig, jobs []measuredJob) (list []jig.Measured, reference int, err error) {
	for _, j := range jobs {
		if err := known.Fits(&j.job.Vehicle); err != nil {
			return nil, 0, BadInputf("%s: %s: %w", file, j.dir, err)
		}
		if j.job.Kingpin != nil {
			return nil, 0, BadInputf("%s: it is measured against a kingpin, and a jig has none", j.dir)
		}
		if reference == 0 {
			reference = j.job.Vehicle.Reference
		}
		if j.job.Vehicle.Reference != reference {
			return nil, 0, BadInputf("%s: its reference axle is %d, that of %s is %d: measure them alike", j.dir, j.job.Vehicle.Reference, jobs[0].dir, reference)
		}
		date, said := j.visit.Date, "the job's day"
		if _, err := time.Parse(time.DateOnly, date); err != nil {
			date, said = time.Now().Format(time.DateOnly), fmt.Sprintf("today, for %s tells no date", filepath.Join(j.dir, visit.File))
		}
		if err := known.ValidOn(date); err != nil {
			return nil, 0, BadInputf("%s: %w (it is wanted for %s, %s)", file, err, date, said)
		}
		list = append(list, jig.Measured{Name: j.dir, Epoch: firstEpochName(j.result), Readings: j.result.Readings})
	}
	return list, reference, nil
}

// jigFiles writes what was asked for besides the text.
func (a *App) jigFiles(o jigOptions, known *jig.Jig, jobs []measuredJob, file *jigFile) error {
	doc := proof.JigDocument{
		Jig: known, Comparison: file.Comparison, ClaimDeg: file.ClaimDeg, ClaimMM: file.ClaimMM, Rule: o.Rule, Temperature: o.temperature, Name: nameOf,
		About: draw.About{Title: "Comparison with a known jig: " + known.Name, Version: version(), Made: time.Now()},
	}
	for _, j := range jobs {
		doc.Jobs = append(doc.Jobs, proof.JigJob{Name: j.dir, Date: j.visit.Date, By: j.visit.Technician, Network: j.result.Network, Tool: j.result.Tool})
	}
	return a.writeProof(o.pdf, doc.WritePDF, o.csv, file.writeCSV)
}

// writeCSV writes every error of every job, one a line.
func (f *jigFile) writeCSV(w io.Writer) error {
	out := csv.NewWriter(w)
	num := func(v float64) string { return strconv.FormatFloat(v, 'g', 10, 64) }
	out.Write([]string{"job", "quantity", "axle", "side", "unit", "jig", "jig_U", "value", "U", "error", "en", "claim", "verdict"})
	for _, r := range f.Readings {
		for _, e := range r.Errors {
			claim := ""
			if r.Claim > 0 {
				claim = num(r.Claim)
			}
			out.Write([]string{e.Job, string(r.Quantity), strconv.Itoa(r.Axle), string(r.Side), r.Unit, num(r.Value), num(2 * r.U), num(e.Value), num(e.U), num(e.Error), num(e.En), claim, proof.VerdictWord(e.Verdict)})
		}
	}
	out.Flush()
	return out.Error()
}

// jigText is a table of the readings, worst errors of several jobs in one line.
func jigText(known *jig.Jig, f *jigFile) string {
	var b strings.Builder
	c := known.Certificate
	fmt.Fprintf(&b, "%s, certificate %s of %s by %s (U: expanded, k = 2)\n\n", known.Name, c.Number, c.Date, c.By)
	repeats := len(f.Readings[0].Errors) > 1
	columns := []column{left("reading"), right("jig"), right("U"), right("measured"), right("U"), right("error"), right("En")}
	if repeats {
		columns = []column{left("reading"), right("jig"), right("U"), right("bias"), right("U"), right("sd"), right("from"), right("to"), right("sd/u"), right("worst error"), right("En")}
	}
	columns = append(columns, left("unit"), right("claim"), left("verdict"))
	t := newTable(columns...)
	for _, r := range f.Readings {
		worst := r.Errors[0]
		for _, e := range r.Errors {
			if math.Abs(e.En) > math.Abs(worst.En) {
				worst = e
			}
		}
		d := digits(math.Min(r.U, worst.U/2), r.Unit)
		cells := []string{studyName(r.Reading), wording.Decimal(r.Value, d), wording.Decimal(2*r.U, d)}
		if repeats {
			cells = append(cells, wording.Decimal(r.Bias, d), wording.Decimal(r.BiasU, d), wording.Decimal(*r.Spread, d), wording.Decimal(r.SpreadRange.Low, d), wording.Decimal(r.SpreadRange.High, d), wording.Decimal(*r.OverStated, 2))
		} else {
			cells = append(cells, wording.Decimal(worst.Value, d), wording.Decimal(worst.U, d))
		}
		claim, verdict := "", ""
		if r.Claim > 0 {
			claim, verdict = wording.Decimal(r.Claim, min(d, 2)), marks[r.Verdict]+" "+proof.VerdictWord(r.Verdict)
		}
		t.row(append(cells, wording.Decimal(worst.Error, d), wording.Decimal(worst.En, 2), unitText(r.Unit), claim, verdict)...)
	}
	b.WriteString(t.String())
	fmt.Fprintf(&b, "\nEn is 1 or less in %d of %d, largest %s\n", f.Within, f.Count, wording.Decimal(f.MaxEn, 2))
	if f.OverStated != nil {
		fmt.Fprintf(&b, "repeats spread by %s of their stated standard uncertainty (root mean square); what is the same in all of them, such as floor and camera, does not show there\n", wording.Decimal(*f.OverStated, 2))
	}
	if f.Verdict != "" {
		fmt.Fprintf(&b, "against what is claimed (%s): %s %s\n", proof.ClaimText(f.ClaimDeg, f.ClaimMM), marks[f.Verdict], proof.VerdictWord(f.Verdict))
	}
	return b.String()
}

var errGuide = errors.New("the guide is text: leave --json out")

// jigGuide prints how to build a jig.
func (a *App) jigGuide() error {
	if a.JSON {
		return withCode(ExitUsage, errGuide)
	}
	a.printf("%s", jigGuideText())
	return nil
}
