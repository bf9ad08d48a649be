package cli

import (
	"context"
	"fmt"
	"math"
	"strings"

	"wheelplane/pose/align"
	"wheelplane/pose/plan"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"github.com/spf13/cobra"
)

func newBudgetCommand(app *App) *cobra.Command {
	c := &cobra.Command{
		Use:   "budget DIR",
		Short: "Say where each reading's uncertainty comes from",
		Long: `budget measures a job as measure does, and splits the uncertainty of its angles
by where it comes from: the noise of the corners in the photographs, the camera's
calibration and its changes from photograph to photograph, the boards' print scale
and flatness, the floor, how boards are clamped and how equal the clamps stand out,
and what is assumed in a sweep. Shares are of the variance, in percent: they add up
to 100. Nothing is written.`,
		Example:           "  wheelplane budget bay-3\n  wheelplane budget bay-3 --json",
		Args:              exactly("DIR"),
		ValidArgsFunction: completeDirs,
		RunE: func(c *cobra.Command, args []string) error {
			return app.budget(c.Context(), args[0])
		},
	}
	return c
}

// budgetLine is a reading with its uncertainty by source, in its unit.
type budgetLine struct {
	rig.Reading
	From map[rig.Source]float64 `json:"u_from"`
}

func (a *App) budget(ctx context.Context, dir string) error {
	s, _, _, _, err := a.solved(ctx, dir)
	if err != nil {
		return err
	}
	epochs, shares, err := s.Budget()
	if err != nil {
		return Unmeasurable(fmt.Errorf("%s: %w", dir, err))
	}
	lines := budgetLines(epochs, shares)
	if a.JSON {
		return a.printJSON(map[string]any{"readings": lines})
	}
	a.printf("%s", budgetText(lines))
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

// budgetText is the table of the angles that a job is for, percent of their
// variance, only of sources that give a percent somewhere.
func budgetText(lines []budgetLine) string {
	var b strings.Builder
	var wanted []budgetLine
	for _, l := range lines {
		if l.U > 0 && plan.IsWanted(align.Reading{Quantity: l.Quantity}) {
			wanted = append(wanted, l)
		}
	}
	columns := []column{left("epoch"), left("reading"), right("axle"), left("side"), right("u deg")}
	var shown []rig.Source
	for _, s := range rig.Sources {
		for _, l := range wanted {
			if shareOf(l, s) >= 1 {
				shown = append(shown, s)
				columns = append(columns, right(string(s)+" %"))
				break
			}
		}
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
	b.WriteString("\n" + fold("", "Shares of the variance (u squared). Corners: more or nearer photographs. Camera, wander: a better calibration, stabiliser and autofocus off. Print, flatness: measured, stiffer boards. Floor: a flatter one, or boards on the body. Mount: a longer roll, one more station. Standoff: more equal clamps."))
	return b.String()
}

// budgetWords are the sources' names for people, what each is, and what makes it
// less.
var budgetWords = map[rig.Source]struct{ name, is, do string }{
	rig.FromCorners:  {"corners", "noise of the corners in the photographs, multiplied by the geometry of the network: what would be left with everything else perfect", "more photographs, nearer and from other directions"},
	rig.FromCamera:   {"camera", "the camera's calibration", "calibrate it from more photographs"},
	rig.FromWander:   {"wander", "its lens's changes from photograph to photograph", "switch stabiliser and autofocus off"},
	rig.FromPrint:    {"print", "the boards' print scale, of all and of single ones", "measure the prints with a steel rule (print_scale)"},
	rig.FromFlatness: {"flatness", "how far boards are bowed", "stiffer plates (flatness_mm)"},
	rig.FromFloor:    {"floor", "how flat the ground is, and how flat boards lie on it", "a flatter floor, more floor boards, or boards on the body"},
	rig.FromMount:    {"mount", "how crookedly boards are clamped to the wheels, as far as rolling does not show it", "a longer roll, or one more station"},
	rig.FromStandoff: {"standoff", "how unequally the clamps stand out from the wheels", "more equal clamps (standoff_u_mm)"},
	rig.FromSweep:    {"sweep", "brakes that slip, steering axes and bodies that move in a sweep, wheels that are lifted", "hold the brakes, use turn plates"},
	rig.FromKingpin:  {"kingpin", "the kingpin's place on its board", "measure it better (kingpin: u_mm)"},
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
	found, err := a.findBoards(ctx, folder, camera, look, false)
	if err != nil {
		return nil, nil, nil, nil, err
	}
	bar := a.progress("solving", -1)
	s, err := rig.Solve(ctx, folder.Job, *camera, found.obs, rig.Options{Unusable: found.unusable, Progress: bar.say})
	bar.done()
	if err != nil {
		return nil, nil, nil, nil, Unmeasurable(fmt.Errorf("%s: %w%s", dir, err, found.hint(dir)))
	}
	for _, w := range s.Warnings {
		a.warn("%s", w)
	}
	return s, folder.Job, camera, found.obs, nil
}
