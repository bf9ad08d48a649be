package cli

import (
	"context"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"strings"
	"time"

	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/cmd/wheelplane/internal/planned"
	"wheelplane/pose/plan"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"github.com/spf13/cobra"
)

type planOptions struct {
	dir       string
	wantedDeg float64
	turnDeg   float64 // 0: chosen
	stations  int     // 0: chosen
	most      int
	next      bool
	trade     bool
	apply     bool
}

func newPlanCommand(app *App) *cobra.Command {
	var o planOptions
	c := &cobra.Command{
		Use:   "plan DIR",
		Short: "Say where to stand for each photograph, and how well the readings will then be known",
		Long: `plan chooses the photographs of a job before they are taken: at each station
where to stand, how high to hold the phone, flat or upright, and which boards to
have in the picture, and where to lay the floor boards. It states the uncertainty
to expect of each reading, by the same calculation as measure.

As few photographs are planned as reach what is wanted. How many stations the
vehicle is rolled to and how far it rolls between them is chosen too, unless
--stations and --turn say so. Standing within half a metre of each place will do.
job.yaml is left as it is, and plan says where the plan differs from it; --apply
writes the plan's stations into it, with how far to roll as a comment beside each.
What else it says stays, comments too, and no station goes that has photographs.

Written to DIR: plan.pdf, to be printed and taken along, a page a station;
plan.svg, the same for a screen; plan.json, the same for machines. --trade also
weighs other ways: fewer or more photographs, stations and floor boards, boards on
the body, longer and shorter rolls.

Photographs that are there already do not count, but with --next: then the job is
measured as it is, and the two photographs are named that would help its least
known angles most, at the last station photographed: the vehicle stands there.`,
		Example: `  wheelplane plan bay-3
  wheelplane plan bay-3 --wanted-deg 0.01 --turn 45
  wheelplane plan bay-3 --stations 3 --trade
  wheelplane plan bay-3 --apply`,
		Args:              exactly("DIR"),
		ValidArgsFunction: completeDirs,
		RunE: func(c *cobra.Command, args []string) error {
			o.dir = args[0]
			switch {
			case !(o.wantedDeg > 0 && o.wantedDeg <= 5):
				return Usagef("--wanted-deg %g: give the standard uncertainty you want in degrees, 0.01 to 0.02 is usual", o.wantedDeg)
			case c.Flags().Changed("turn") && !(o.turnDeg >= leastTurnDeg && o.turnDeg <= 360):
				return Usagef("--turn %g: choose %g to 360 degrees; 30 is usual", o.turnDeg, leastTurnDeg)
			case c.Flags().Changed("stations") && !(o.stations >= 1 && o.stations <= 9):
				return Usagef("--stations %d: choose 1 to 9; three are good", o.stations)
			case o.most < 2:
				return Usagef("--most %d: a station needs two photographs or more", o.most)
			}
			if o.next && o.apply {
				return Usagef("--apply and --next do not go together: the next best photographs are of the stations that the job has")
			}
			if o.next {
				return app.planNext(c.Context(), o)
			}
			if o.apply {
				return app.editing(c.Context(), o.dir, func() error { return app.plan(o) })
			}
			return app.plan(o)
		},
	}
	c.Flags().Float64Var(&o.wantedDeg, "wanted-deg", 0.015, "standard uncertainty wanted of camber, toe, thrust and scrub, degrees")
	c.Flags().Float64Var(&o.turnDeg, "turn", 0, "how far the wheels turn between stations, degrees (default: chosen)")
	c.Flags().IntVar(&o.stations, "stations", 0, "how many stations the vehicle is rolled to (default: chosen)")
	c.Flags().IntVar(&o.most, "most", 20, "photographs at a station, at most")
	c.Flags().BoolVar(&o.trade, "trade", false, "also weigh more or fewer photographs, stations, boards and longer rolls, as plots; takes longer")
	c.Flags().BoolVar(&o.apply, "apply", false, "write the plan's stations into job.yaml")
	c.Flags().BoolVar(&o.next, "next", false, "of a job with photographs: which two more at its last station would help most")
	return c
}

func (a *App) plan(o planOptions) error {
	folder, err := rig.Read(o.dir)
	if err != nil {
		return BadInput(err)
	}
	camera, err := vision.LoadCamera(folder.Camera)
	if err != nil {
		return BadInput(err)
	}
	options := plan.Options{Wanted: o.wantedDeg * math.Pi / 180, Turn: o.turnDeg * math.Pi / 180, MostPhotos: o.most, Steady: true}
	bar := a.progress("planning", -1)
	c, err := plan.Choose(folder.Job, *camera, o.stations, options)
	if err != nil {
		return Unmeasurable(fmt.Errorf("%s: %w", o.dir, err))
	}
	bar.done()
	told := planned.NewFile(folder.Job, c, options.Wanted)
	if o.apply {
		told.Differs = nil // job.yaml is made to agree
	}
	if o.trade {
		bar = a.progress("weighing other ways", -1)
		study, err := plan.NewStudy(folder.Job, *camera, c, options, func(int, int) { bar.add(1) })
		if err != nil {
			return Unmeasurable(fmt.Errorf("%s: %w", o.dir, err))
		}
		bar.done()
		told.Weigh(c, study)
	}
	name := folder.Job.Name
	if name == "" {
		name = filepath.Base(o.dir)
	}
	pages := planned.Pages(told, c, name)
	var out outputs
	defer out.discard()
	applied := []string{}
	if o.apply {
		var notes []string
		for _, s := range told.Stations {
			note := ""
			if s.RollMM > 0 {
				note = fmt.Sprintf("roll %.0f mm forward from the one before", s.RollMM)
			}
			notes = append(notes, note)
		}
		text, changed, err := rig.SetStations(o.dir, c.Job, notes)
		if err != nil {
			return BadInput(err)
		}
		if text != nil {
			applied = changed
			if err := out.add(filepath.Join(o.dir, rig.JobFile), these(text)); err != nil {
				return err
			}
		}
	}
	if err := out.add(filepath.Join(o.dir, planned.Name), func(w io.Writer) error { return encodeJSON(w, told) }); err != nil {
		return err
	}
	if err := out.add(filepath.Join(o.dir, "plan.svg"), func(w io.Writer) error { return planned.WriteSVG(w, pages) }); err != nil {
		return err
	}
	var lost []rune
	if err := out.add(filepath.Join(o.dir, "plan.pdf"), func(w io.Writer) (err error) {
		lost, err = draw.WritePDF(w, draw.About{Title: "Plan: " + name, Version: version(), Made: time.Now()}, pages...)
		return err
	}); err != nil {
		return err
	}
	if err := out.commit(); err != nil {
		return err
	}
	if len(lost) > 0 {
		a.warn("plan.pdf: its font lacks %q; a box stands for each", string(lost))
	}
	if a.JSON && o.apply {
		return a.printJSON(struct {
			*planned.File
			Applied []string `json:"applied"`
		}{told, applied})
	}
	if a.JSON {
		return a.printJSON(told)
	}
	a.printf("%s", planText(told))
	switch {
	case len(applied) > 0:
		a.printf("%s", fold("", filepath.Join(o.dir, rig.JobFile)+": "+strings.Join(applied, "; ")+"."))
	case o.apply:
		a.printf("%s", fold("", filepath.Join(o.dir, rig.JobFile)+" has these stations already."))
	}
	return nil
}

func planText(f *planned.File) string {
	var b strings.Builder
	if len(f.Floor) > 0 {
		t := newTable(left("floor board"), left("lay it"))
		for _, x := range f.Floor {
			if x.Unused {
				t.row(x.Board, "not needed")
				continue
			}
			t.row(x.Board, x.Where)
		}
		fmt.Fprintf(&b, "Where the vehicle stands at the first station:\n\n%s\n", t)
	}
	t := newTable(left("station"), right("no."), left("stand"), right("height m"), left("phone"), left("boards in the picture"))
	for _, s := range f.Shots {
		t.row(s.Station, fmt.Sprint(s.Number), s.Where, fmt.Sprintf("%.1f", s.AtMM[2]/1e3), s.Phone, strings.Join(s.Boards, " "))
	}
	fmt.Fprintf(&b, "%s\n", t)
	for st, s := range f.Stations {
		if st > 0 {
			b.WriteString(fold("", fmt.Sprintf("Before station %s: %s", s.Name, s.Do)))
		}
	}
	several := len(f.Expected) > 0 && f.Expected[0].Epoch != f.Expected[len(f.Expected)-1].Epoch
	columns := []column{left("reading to expect"), right("axle"), left("side"), right("u deg")}
	if several {
		columns = append([]column{left("epoch")}, columns...)
	}
	t = newTable(columns...)
	for _, r := range f.Expected {
		if plan.Share(r.Quantity) > 0 {
			cells := []string{strings.ReplaceAll(string(r.Quantity), "_", " "), fmt.Sprint(r.Axle), string(r.Side), fmt.Sprintf("%.4f", r.U)}
			if several {
				cells = append([]string{r.Epoch}, cells...)
			}
			t.row(cells...)
		}
	}
	fmt.Fprintf(&b, "\n%s\n", t)
	if f.Met {
		b.WriteString(fold("", fmt.Sprintf("%d photographs; every angle is then known to %.4f degrees or better (standard uncertainty).", len(f.Shots), f.WorstU)))
	} else {
		b.WriteString(fold("", fmt.Sprintf("%d photographs; %.4f degrees is not reached, and more photographs would not help much: the largest uncertainty stays at %.4f. A flatter floor (floor: flatness_mm), more floor boards, more equal clamps (mount: standoff_u_mm), a longer roll (--turn) or one more station (--stations) may; 'wheelplane budget' tells which once the job is measured.", len(f.Shots), f.WantedU, f.WorstU)))
	}
	for _, d := range f.Differs {
		b.WriteString(fold("", d))
	}
	return b.String()
}

// nextShots is what plan --next tells.
type nextShots struct {
	WorstU float64        `json:"worst_u_deg"` // of camber, toe, thrust and scrub, now
	Shots  []planned.Shot `json:"shots"`
	Then   []float64      `json:"then_worst_u_deg"` // with each shot and those before it
}

func (a *App) planNext(ctx context.Context, o planOptions) error {
	s, job, camera, _, err := a.solved(ctx, o.dir)
	if err != nil {
		return err
	}
	if f := s.Network.Faults; len(f) > 0 {
		// What was found is another job than job.yaml tells.
		return Unmeasurable(fmt.Errorf("%s: %s: put that right first, then ask again", o.dir, f[0].Text))
	}
	shots, then, err := plan.Next(job, *camera, s.State, s.Observations(), s.Used, 2, plan.Options{Wanted: o.wantedDeg * math.Pi / 180, Steady: true, Stations: []int{lastStation(job, s.Used)}})
	if err != nil {
		return Unmeasurable(fmt.Errorf("%s: %w", o.dir, err))
	}
	out := nextShots{WorstU: plan.Worst(s.Readings) * 180 / math.Pi}
	out.Shots = planned.Shots(job, shots)
	for _, u := range then {
		out.Then = append(out.Then, u*180/math.Pi)
	}
	if a.JSON {
		return a.printJSON(out)
	}
	a.printf("The least known angle has u = %.4f degrees.\n", out.WorstU)
	for i, x := range out.Shots {
		a.printf("%s", fold("- ", fmt.Sprintf("Station %s: stand %s: then %.4f degrees.", x.Station, standText(x.Where, x.AtMM, x.Phone, x.Boards), out.Then[i])))
	}
	return nil
}

// standText says where to stand for a photograph, what to do with the phone and
// what to have in the picture.
func standText(where string, atMM [3]float64, phone string, boards []string) string {
	return fmt.Sprintf("%s, the phone %.1f m high and %s, with boards %s in the picture", where, atMM[2]/1e3, phone, strings.Join(boards, ", "))
}
