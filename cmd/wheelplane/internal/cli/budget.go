package cli

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/pose/align"
	"wheelplane/pose/plan"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"github.com/spf13/cobra"
)

type budgetOptions struct{ dir, out string }

func newBudgetCommand(app *App) *cobra.Command {
	var o budgetOptions
	var words strings.Builder
	for _, from := range rig.Sources {
		words.WriteString(fold("- ", string(from)+": "+budgetWords[from].is))
	}
	c := &cobra.Command{
		Use:   "budget DIR",
		Short: "Say where each reading's uncertainty comes from",
		Long: `budget measures a job as measure does, and splits the uncertainty of its angles
by where it comes from:

` + words.String() + `
Shares are of the variance, in percent: they add up to 100. With --out they are
drawn as well, a bar a reading. With --json every reading has its standard
uncertainty by source, in its own unit: the squares add up to that of u.`,
		Example:           "  wheelplane budget bay-3\n  wheelplane budget bay-3 --out budget.svg\n  wheelplane budget bay-3 --json",
		Args:              exactly("DIR"),
		ValidArgsFunction: completeDirs,
		RunE: func(c *cobra.Command, args []string) error {
			o.dir = args[0]
			if ext := strings.ToLower(filepath.Ext(o.out)); o.out != "" && ext != ".svg" && ext != ".pdf" {
				return Usagef("--out %s: the picture's name must end in .svg or .pdf", o.out)
			}
			return app.budget(c.Context(), o)
		},
	}
	c.Flags().StringVarP(&o.out, "out", "o", "", "also draw it into `FILE`, .svg or .pdf")
	c.RegisterFlagCompletionFunc("out", completeFiles("svg", "pdf"))
	return c
}

// budgetLine is a reading with its uncertainty by source, in its unit.
type budgetLine struct {
	rig.Reading
	From map[rig.Source]float64 `json:"u_from"`
}

func (a *App) budget(ctx context.Context, o budgetOptions) error {
	s, job, _, _, err := a.solved(ctx, o.dir)
	if err != nil {
		return err
	}
	epochs, shares, err := s.Budget()
	if err != nil {
		return Unmeasurable(fmt.Errorf("%s: %w", o.dir, err))
	}
	lines := budgetLines(epochs, shares)
	if o.out != "" {
		title := "Where uncertainty comes from"
		if job.Name != "" {
			title += ": " + job.Name
		}
		svg, pdf := o.out, ""
		if strings.EqualFold(filepath.Ext(o.out), ".pdf") {
			svg, pdf = "", o.out
		}
		bars := budgetBars(title, lines)
		if len(bars) == 0 {
			return Unmeasurable(fmt.Errorf("%s: no angle is measured: hang boards on both wheels of two axles", o.dir))
		}
		if err := a.drawCharts(title, bars, svg, pdf); err != nil {
			return err
		}
	}
	if a.JSON {
		return a.printJSON(map[string]any{"readings": lines})
	}
	a.printf("%s", budgetText(lines))
	if o.out != "" {
		a.printf("drawn in %s\n", o.out)
	}
	return nil
}

func budgetLines(epochs []rig.EpochReadings, shares [][]rig.Share) []budgetLine {
	var out []budgetLine
	at := 0
	list := rig.ForFiles(epochs)
	for e, set := range epochs {
		for i, r := range set.Readings {
			unit := 180 / math.Pi
			if r.Quantity.IsLength() {
				unit = 1e3
			} else if r.Quantity == align.SteerRatio {
				unit = 1
			}
			l := budgetLine{list[at], map[rig.Source]float64{}}
			for k, u := range shares[e][i] {
				l.From[rig.Sources[k]] = u * unit
			}
			out = append(out, l)
			at++
		}
	}
	return out
}

// budgetOf are the readings that a job is for, and the sources that give a percent
// of some of them.
func budgetOf(lines []budgetLine) (wanted []budgetLine, shown []rig.Source) {
	for _, l := range lines {
		if l.U > 0 && plan.IsWanted(align.Reading{Quantity: l.Quantity}) {
			wanted = append(wanted, l)
		}
	}
	for _, s := range rig.Sources {
		if slices.ContainsFunc(wanted, func(l budgetLine) bool { return shareOf(l, s) >= 1 }) {
			shown = append(shown, s)
		}
	}
	return wanted, shown
}

// budgetText is the table of the angles that a job is for, percent of their
// variance.
func budgetText(lines []budgetLine) string {
	var b strings.Builder
	wanted, shown := budgetOf(lines)
	columns := []column{left("epoch"), left("reading"), right("axle"), left("side"), right("u deg")}
	var less []string
	for _, s := range shown {
		columns = append(columns, right(string(s)+" %"))
		less = append(less, string(s)+": "+budgetWords[s].do)
	}
	t := newTable(columns...)
	for _, l := range wanted {
		cells := []string{l.Epoch, strings.ReplaceAll(string(l.Quantity), "_", " "), fmt.Sprint(l.Axle), string(l.Side), fmt.Sprintf("%.4f", l.U)}
		for _, s := range shown {
			cells = append(cells, fmt.Sprintf("%.0f", shareOf(l, s)))
		}
		t.row(cells...)
	}
	b.WriteString(t.String())
	b.WriteString("\n" + fold("", "Shares of the variance (u squared). What makes less: "+strings.Join(less, "; ")+"."))
	return b.String()
}

// budgetBars draws that table, a picture for each epoch.
func budgetBars(title string, lines []budgetLine) (out []*draw.Picture) {
	wanted, shown := budgetOf(lines)
	var bars []*draw.Bars
	epoch := ""
	for _, l := range wanted {
		if bars == nil || l.Epoch != epoch {
			epoch = l.Epoch
			bars = append(bars, &draw.Bars{W: 182, Title: title + ", " + epoch, Unit: "% of u²", Max: 100,
				Desc: "bars: percent of each reading's variance by source"})
		}
		b := bars[len(bars)-1]
		row := draw.Bar{Name: strings.TrimSpace(fmt.Sprintf("axle %d %s %s", l.Axle, nameOf(l.Quantity), l.Side)), Note: fmt.Sprintf("u %s deg", wording.Decimal(l.U, digits(l.U, l.Unit)))}
		rest, most := 100.0, shown[0]
		for _, s := range shown {
			row.Parts = append(row.Parts, shareOf(l, s))
			rest -= shareOf(l, s)
			if shareOf(l, s) > shareOf(l, most) {
				most = s
			}
		}
		// In words as well as by pattern.
		row.Note += fmt.Sprintf(", %s %.0f %%", most, shareOf(l, most))
		row.Parts = append(row.Parts, math.Max(0, rest))
		b.Rows = append(b.Rows, row)
	}
	for _, b := range bars {
		for _, s := range shown {
			b.Sources = append(b.Sources, string(s))
		}
		// What is too little for a word.
		if slices.ContainsFunc(b.Rows, func(r draw.Bar) bool { return r.Parts[len(shown)] >= 0.5 }) {
			b.Sources = append(b.Sources, "others")
		} else {
			for i := range b.Rows {
				b.Rows[i].Parts = b.Rows[i].Parts[:len(shown)]
			}
		}
		out = append(out, b.Picture())
	}
	return out
}

// budgetWords are the sources' names for people, what each is, and what makes it
// less.
var budgetWords = map[rig.Source]struct{ is, do string }{
	rig.FromCorners:  {"noise of the corners in the photographs, multiplied by the geometry of the network: what would be left with everything else perfect", "more photographs, nearer and from other directions"},
	rig.FromCamera:   {"the camera's calibration", "calibrate it from more photographs"},
	rig.FromWander:   {"its lens's changes from photograph to photograph", "switch stabiliser and autofocus off"},
	rig.FromPrint:    {"the boards' print scale, of all and of single ones", "measure the prints with a steel rule (print_scale)"},
	rig.FromFlatness: {"how far boards are bowed", "stiffer plates (flatness_mm)"},
	rig.FromFloor:    {"how flat the ground is, and how flat boards lie on it", "a flatter floor, more floor boards, or boards on the body"},
	rig.FromMount:    {"how crookedly boards are clamped to the wheels, as far as rolling does not show it", "a longer roll, or one more station"},
	rig.FromStandoff: {"how unequally the clamps stand out from the wheels", "more equal clamps (standoff_u_mm)"},
	rig.FromSweep:    {"brakes that slip, steering axes and bodies that move in a sweep, wheels that are lifted", "hold the brakes, use turn plates"},
	rig.FromKingpin:  {"the kingpin's place on its board", "measure it better (kingpin: u_mm)"},
}

// shareOf is a source's share of a reading's variance, percent.
func shareOf(l budgetLine, s rig.Source) float64 {
	return 100 * l.From[s] * l.From[s] / (l.U * l.U)
}

// solved measures a job and keeps the solution.
func (a *App) solved(ctx context.Context, dir string) (*rig.Solution, *rig.Job, *vision.Camera, []rig.Observation, error) {
	folder, err := rig.Open(dir)
	if err != nil {
		return nil, nil, nil, nil, BadInput(err)
	}
	camera, err := vision.LoadCamera(folder.Camera)
	if err != nil {
		return nil, nil, nil, nil, BadInput(err)
	}
	found, err := a.recallBoards(ctx, folder, camera, false, false)
	if err != nil {
		return nil, nil, nil, nil, err
	}
	bar := a.progress("solving", -1)
	s, err := rig.Solve(ctx, folder.Job, *camera, found.obs, rig.Options{Unusable: found.unusable, Progress: bar.say})
	bar.done()
	if err != nil {
		return nil, nil, nil, nil, Unmeasurable(fmt.Errorf("%s: %w%s", dir, err, found.hint(dir)))
	}
	found.warn(s)
	for _, w := range s.Warnings {
		a.warn("%s", w)
	}
	return s, folder.Job, camera, found.obs, nil
}
