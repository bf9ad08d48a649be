package cli

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"

	"wheelplane/cmd/wheelplane/internal/spec"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"github.com/spf13/cobra"
)

type judgeOptions struct {
	dir  string
	rule align.Rule // where not zero, instead of the specification's
}

func newJudgeCommand(app *App) *cobra.Command {
	var o judgeOptions
	c := &cobra.Command{
		Use:   "judge DIR",
		Short: "Hold a job's readings against its target values",
		Long: `judge compares the readings in DIR/result.json with the target values in
DIR/spec.yaml and says of each whether it is within its limits, outside them, or
undecided, with the probability that the true value lies within (JCGM 106).

A verdict must be sure to 95 % (--confidence, or confidence in spec.yaml). With
--guard R it is within only inside guard bands of R expanded uncertainties
U = 2 u, and outside only beyond them. Undecided readings need more or better
photographs, or another pair of eyes; they are not "nearly within".`,
		Example:           "  wheelplane judge bay-3\n  wheelplane judge bay-3 --guard 1",
		Args:              exactly("DIR"),
		ValidArgsFunction: completeDirs,
		RunE: func(c *cobra.Command, args []string) error {
			o.dir = args[0]
			if f := c.Flags(); f.Changed("confidence") && !(o.rule.Confidence > 0.5 && o.rule.Confidence < 1) {
				return Usagef("--confidence %g: give a probability between 0.5 and 1, such as 0.95", o.rule.Confidence)
			} else if f.Changed("guard") && !(o.rule.Guard > 0 && o.rule.Guard <= 10) {
				return Usagef("--guard %g: give how many expanded uncertainties, above 0 and up to 10; 1 is usual", o.rule.Guard)
			}
			return app.judge(o)
		},
	}
	c.Flags().Float64Var(&o.rule.Confidence, "confidence", 0, "how sure a verdict must be (default 0.95)")
	c.Flags().Float64Var(&o.rule.Guard, "guard", 0, "guard bands of so many expanded uncertainties")
	return c
}

// judged is a reading with its target and the verdict.
type judged struct {
	rig.Reading
	Target      targetJSON    `json:"target"`
	Verdict     align.Verdict `json:"verdict"`
	Conformance float64       `json:"conformance"` // probability that the true value lies within the limits
}

// judgeAll holds the readings that have a target against it, epoch by epoch and
// axle by axle in the order of the tables.
func judgeAll(readings []rig.Reading, targets []spec.Target, rule align.Rule) []judged {
	out := []judged{}
	for _, epoch := range epochsOf(readings) {
		for _, row := range rowsOf(readings, epoch) {
			for _, side := range []align.Side{align.Left, align.Right, align.NoSide} {
				for _, r := range readings {
					if r.Epoch != epoch || r.Axle != row.axle || r.Quantity != row.quantity || r.Station != row.station || r.Side != side {
						continue
					}
					if t := spec.Find(targets, readings, r); t != nil {
						j := t.Judge(r, rule)
						out = append(out, judged{r, targetOf(t), j.Verdict, j.Conformance})
					}
				}
			}
		}
	}
	return out
}

// loadResult reads a job's result.json.
func loadResult(dir string) (*rig.Result, error) {
	path := filepath.Join(dir, rig.ResultFile)
	text, err := vision.ReadFile(path, vision.MostText)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, BadInputf("%s: not measured yet: run 'wheelplane measure %s' first", path, dir)
	}
	if err != nil {
		return nil, BadInput(err)
	}
	r, err := rig.ReadResult(text)
	if err != nil {
		return nil, BadInputf("%s: damaged (%w): run 'wheelplane measure %s' again", path, err, dir)
	}
	return r, nil
}

func (a *App) judge(o judgeOptions) error {
	folder, err := rig.Read(o.dir)
	if err != nil {
		return BadInput(err)
	}
	result, err := loadResult(o.dir)
	if err != nil {
		return err
	}
	s, targets, err := specOf(o.dir, folder.Job)
	if err != nil {
		return err
	}
	if s == nil {
		return BadInputf("%s: no target values yet: take them with 'wheelplane spec use %s NAME'", filepath.Join(o.dir, spec.File), o.dir)
	}
	rule := s.Rule
	if o.rule.Confidence > 0 {
		rule.Confidence = o.rule.Confidence
	}
	if o.rule.Guard > 0 {
		rule.Guard = o.rule.Guard
	}
	list := judgeAll(result.Readings, targets, rule)
	if a.JSON {
		return a.printJSON(list)
	}
	a.printf("%s", verdictText(folder.Job, s, list))
	return nil
}

// marks are the verdicts' shapes: words alone are easily overlooked in a table.
var marks = map[align.Verdict]string{align.Within: "=", align.Outside: "X", align.Undecided: "?"}

// verdictText is a table of the verdicts for each epoch.
func verdictText(job *rig.Job, s *spec.Spec, list []judged) string {
	var b strings.Builder
	var epochs []string
	for _, j := range list {
		if len(epochs) == 0 || epochs[len(epochs)-1] != j.Epoch {
			epochs = append(epochs, j.Epoch)
		}
	}
	fmt.Fprintf(&b, "against %s\n", s.Name)
	if len(list) == 0 {
		b.WriteString("none of the readings has a target in it\n")
	}
	for _, epoch := range epochs {
		t := newTable(left(epoch), left("quantity"), left("side"), right("value"), right("u"), right("target"), right("from"), right("to"), left("unit"), right("probability"), left("verdict"))
		count := map[align.Verdict]int{}
		for _, j := range list {
			if j.Epoch != epoch {
				continue
			}
			d := digits(j.U, j.Unit)
			name := nameOf(j.Quantity)
			if j.Station != "" {
				name += ", station " + j.Station
			}
			count[j.Verdict]++
			t.row(axleTitle(job, j.Axle), name, string(j.Side), wording.Decimal(j.Value, d), wording.Decimal(j.U, d),
				limitText(&j.Target.Target, j.Unit), limitText(j.Target.Low, j.Unit), limitText(j.Target.High, j.Unit), j.Unit,
				percent(j.Conformance), marks[j.Verdict]+" "+string(j.Verdict))
		}
		fmt.Fprintf(&b, "\n%s\n%d within, %d outside, %d undecided\n", t, count[align.Within], count[align.Outside], count[align.Undecided])
	}
	return b.String()
}

// percent writes a probability, never as certainty.
func percent(p float64) string {
	switch {
	case p > 0.9995:
		return "> 99.9 %"
	case p < 0.0005:
		return "< 0.1 %"
	}
	return wording.Decimal(100*p, 1) + " %"
}
