package cli

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"wheelplane/cmd/wheelplane/internal/hold"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"github.com/spf13/cobra"
)

type newOptions struct {
	dir, layout, name string
	pairs, floor      int
	stations          int
	squareMM          float64
	markerMM          float64
}

// layouts are vehicles to start from. Their lengths are round figures to be
// replaced by the tape measure; they start the solution and bind nothing.
var layouts = []struct {
	name, about string
	axles       []rig.Axle
}{
	{"car", "two axles, the front one steered", []rig.Axle{{Name: "front", Track: 1.55, TyreDiameter: 0.63, Steered: true}, {Name: "rear", Position: 2.7, Track: 1.55, TyreDiameter: 0.63}}},
	{"truck-2", "two-axle truck or tractor", []rig.Axle{front, {Name: "drive", Position: 3.8, Track: 1.85, TyreDiameter: 1, Driven: true}}},
	{"bus-2", "two-axle bus", []rig.Axle{front, {Name: "drive", Position: 6, Track: 1.85, TyreDiameter: 0.96, Driven: true}}},
	{"truck-3", "three axles: steered, driven, tag", []rig.Axle{front, {Name: "drive", Position: 4.3, Track: 1.85, TyreDiameter: 1, Driven: true}, {Name: "tag", Position: 5.65, Track: 1.85, TyreDiameter: 1}}},
	{"truck-3-tandem", "three axles: steered, two driven", []rig.Axle{front, {Name: "drive 1", Position: 3.9, Track: 1.85, TyreDiameter: 1, Driven: true}, {Name: "drive 2", Position: 5.25, Track: 1.85, TyreDiameter: 1, Driven: true}}},
	{"truck-4", "four axles, one steered, three rear", []rig.Axle{front, {Name: "drive 1", Position: 3.5, Track: 1.85, TyreDiameter: 1, Driven: true}, {Name: "drive 2", Position: 4.85, Track: 1.85, TyreDiameter: 1, Driven: true}, {Name: "tag", Position: 6.2, Track: 1.85, TyreDiameter: 1}}},
	{"truck-4-twin-steer", "four axles, two of them steered", []rig.Axle{front, {Name: "front 2", Position: 1.95, Track: 2.05, TyreDiameter: 1, Steered: true}, {Name: "drive 1", Position: 5.2, Track: 1.85, TyreDiameter: 1, Driven: true}, {Name: "drive 2", Position: 6.55, Track: 1.85, TyreDiameter: 1, Driven: true}}},
	{"truck-5", "five axles, two of them steered", []rig.Axle{front, {Name: "front 2", Position: 1.8, Track: 2.05, TyreDiameter: 1, Steered: true}, {Name: "drive 1", Position: 4.4, Track: 1.85, TyreDiameter: 1, Driven: true}, {Name: "drive 2", Position: 5.75, Track: 1.85, TyreDiameter: 1, Driven: true}, {Name: "tag", Position: 7.1, Track: 1.85, TyreDiameter: 1}}},
	{"semi-trailer-2", "semi-trailer with two axles", trailing(2)},
	{"semi-trailer-3", "semi-trailer with three axles", trailing(3)},
}

var front = rig.Axle{Name: "front", Track: 2.05, TyreDiameter: 1, Steered: true}

func trailing(n int) (out []rig.Axle) {
	for i := range n {
		out = append(out, rig.Axle{Name: fmt.Sprintf("trailer %d", i+1), Position: 1.31 * float64(i), Track: 2.04, TyreDiameter: 1})
	}
	return
}

func layoutNames() (out []string) {
	for _, l := range layouts {
		out = append(out, l.name+"\t"+l.about)
	}
	return
}

func newNewCommand(app *App) *cobra.Command {
	o := newOptions{}
	var list strings.Builder
	for _, l := range layouts {
		fmt.Fprintf(&list, "  %-20s %s\n", l.name, l.about)
	}
	c := &cobra.Command{
		Use:   "new DIR --layout LAYOUT",
		Short: "Begin a job: a folder with a job.yaml to adapt",
		Long: `new makes a job's folder with a job.yaml for a vehicle of that layout: a board on
each wheel end, floor boards, stations to roll to, and a folder for each
station's photographs. Put the tape measure's lengths into job.yaml, and the
boards that you printed. Layouts:

` + list.String() + `
With one pair of boards less than axles (--pairs), the last pair is moved midway:
stations double, and job.yaml says which board hangs where.`,
		Example:           "  wheelplane new bay-3 --layout truck-3\n  wheelplane new bay-4 --layout truck-4 --pairs 3 --name \"tipper 12\"",
		Args:              exactly("DIR"),
		ValidArgsFunction: completeDirs,
		RunE: func(c *cobra.Command, args []string) error {
			o.dir = args[0]
			return app.newJob(c.Context(), o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.layout, "layout", "", "the vehicle's layout")
	f.StringVar(&o.name, "name", "", "the job's name (default the folder's)")
	f.IntVar(&o.pairs, "pairs", 0, "pairs of boards for wheels (default one an axle)")
	f.IntVar(&o.floor, "floor", 0, "boards on the floor (default one more than axles, at least 3)")
	f.IntVar(&o.stations, "stations", 3, "stations to roll to")
	f.Float64Var(&o.squareMM, "square-mm", 55, "side of a board's square, as 'wheelplane board' printed it")
	f.Float64Var(&o.markerMM, "marker-mm", 41, "side of a marker")
	cobra.CheckErr(c.RegisterFlagCompletionFunc("layout", completeWords(layoutNames()...)))
	return c
}

func (a *App) newJob(ctx context.Context, o newOptions) error {
	at := -1
	var names []string
	for i, l := range layouts {
		names = append(names, l.name)
		if l.name == o.layout {
			at = i
		}
	}
	if at < 0 {
		return Usagef("--layout %q: choose one of %s", o.layout, strings.Join(names, ", "))
	}
	axles := slices.Clone(layouts[at].axles)
	if o.pairs == 0 {
		o.pairs = len(axles)
	}
	if o.floor == 0 {
		o.floor = max(3, len(axles)+1)
	}
	switch {
	case o.pairs != len(axles) && (o.pairs != len(axles)-1 || o.pairs < 2):
		return Usagef("--pairs %d: %s takes %d pairs, or one less (at least 2) of which the last is moved", o.pairs, o.layout, len(axles))
	case o.stations < 1 || o.stations > 9:
		return Usagef("--stations %d: choose 1 to 9; three are good", o.stations)
	case o.floor < 1 || o.floor > 40:
		return Usagef("--floor %d: choose 1 to 40; three are few", o.floor)
	}
	if _, err := os.Stat(filepath.Join(o.dir, rig.JobFile)); err == nil {
		return BadInputf("%s: there is a job already: choose another folder", filepath.Join(o.dir, rig.JobFile))
	}
	j := &rig.Job{Name: o.name, Vehicle: rig.Vehicle{Name: layouts[at].about, Axles: axles}, Priors: rig.DefaultPriors()}
	// Phones are held by hand and read their sensors row after row, photographs as
	// films: as much as a hand at rest moves meanwhile (DEVELOPERS.md, Films).
	j.Priors.RollTurn, j.Priors.RollShift = 0.01*math.Pi/180, 0.3e-3
	if j.Name == "" {
		abs, err := filepath.Abs(o.dir)
		if err != nil {
			return err
		}
		j.Name = filepath.Base(abs)
	}
	for i, x := range axles {
		if !x.Steered {
			j.Vehicle.Reference = i + 1
		}
	}
	stops := o.stations
	if o.pairs < len(axles) {
		stops *= 2
	}
	for st := range stops {
		j.Stations = append(j.Stations, rig.Station{Name: fmt.Sprintf("s%d", st+1), Epoch: rig.AsFound})
	}
	j.Epochs = []rig.Epoch{{Name: rig.AsFound}}
	board := func(name string) int {
		b := vision.Board{Name: name, Dictionary: "36h11", Cols: 7, Rows: 5, SquareM: o.squareMM / 1e3, MarkerM: o.markerMM / 1e3}
		b.FirstID = len(j.Boards) * b.NumMarkers()
		j.Boards = append(j.Boards, b)
		return len(j.Boards) - 1
	}
	for p := range o.pairs {
		for k, side := range []align.Side{align.Left, align.Right} {
			b := board(fmt.Sprintf("B%d", 2*p+k+1))
			h := rig.Hang{Board: b, Wheel: rig.Wheel{Axle: p + 1, Side: side}}
			if o.pairs < len(axles) && p == o.pairs-1 {
				for st := range stops {
					if st < o.stations {
						h.Stations = append(h.Stations, st)
					}
				}
				moved := rig.Hang{Board: b, Wheel: rig.Wheel{Axle: p + 2, Side: side}}
				for st := o.stations; st < stops; st++ {
					moved.Stations = append(moved.Stations, st)
				}
				j.Hangs = append(j.Hangs, h, moved)
				continue
			}
			j.Hangs = append(j.Hangs, h)
		}
	}
	for f := range o.floor {
		j.Floor = append(j.Floor, rig.Lay{Board: board(fmt.Sprintf("F%d", f+1))})
	}
	if strings.HasPrefix(o.layout, "semi-trailer") {
		b := board("P1")
		j.Body = []int{b}
		j.Kingpin = &rig.Kingpin{Board: b, Point: [3]float64{0, 0.16, -0.05}, U: 0.001}
	}
	if err := j.Validate(); err != nil {
		return Usagef("%s", err)
	}
	text, err := j.Text("camera.yaml")
	if err != nil {
		return err
	}
	for st := range j.Stations {
		if err := os.MkdirAll(filepath.Join(o.dir, "photos", j.Stations[st].Name), 0o777); err != nil {
			return cannotWrite(o.dir, err)
		}
	}
	held, err := hold.Take(ctx, o.dir)
	if err != nil {
		return err
	}
	defer held.Release()
	path := filepath.Join(o.dir, rig.JobFile)
	if _, err := os.Stat(path); err == nil { // another made it meanwhile
		return BadInputf("%s: there is a job already: choose another folder", path)
	}
	if err := writeFile(path, these(text)); err != nil {
		return err
	}
	var list []string
	for _, b := range j.Boards {
		list = append(list, b.Name)
	}
	if a.JSON {
		return a.printJSON(map[string]any{"job": path, "boards": list, "stations": len(j.Stations)})
	}
	kingpin := ""
	if j.Kingpin != nil {
		kingpin = fold("- ", "Fix board P1 near the kingpin and put into job.yaml where the kingpin is in the board's frame (x to its right, y up, z out of its face).")
	}
	a.printf("wrote %s\n\n%s%s%s%s", path, kingpin,
		fold("- ", "Put the vehicle's lengths into job.yaml: axle positions, tracks, tyre diameters."),
		fold("- ", "Print the boards it names, if you have not: wheelplane board --names "+strings.Join(list, ",")),
		fold("- ", fmt.Sprintf("Put the camera's file beside it as camera.yaml; then ask: wheelplane next %s", o.dir)))
	return nil
}
