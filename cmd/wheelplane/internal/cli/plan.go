package cli

import (
	"context"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"strings"

	"wheelplane/pose"
	"wheelplane/pose/align"
	"wheelplane/pose/plan"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"github.com/spf13/cobra"
)

type planOptions struct {
	dir       string
	wantedDeg float64
	turnDeg   float64
	most      int
	next      bool
}

func newPlanCommand(app *App) *cobra.Command {
	var o planOptions
	c := &cobra.Command{
		Use:   "plan DIR",
		Short: "Say where to stand for each photograph, and how well the readings will then be known",
		Long: `plan chooses the photographs of a job before they are taken: at each station
where to stand, how high to hold the phone, flat or upright, and which boards to
have in the picture, and where to lay the floor boards. It states the uncertainty
to expect of each reading, by the same calculation as measure. The list is also
written to DIR/plan.json.

Photographs that are there already do not count, but with --next: then the job is
measured as it is, and the two photographs are named that would help its least
known angles most. Standing within half a metre of
the place will do, as long as the named boards are in the picture.`,
		Example: `  wheelplane plan bay-3
  wheelplane plan bay-3 --wanted-deg 0.01 --turn 45`,
		Args:              exactly("DIR"),
		ValidArgsFunction: completeDirs,
		RunE: func(c *cobra.Command, args []string) error {
			o.dir = args[0]
			switch {
			case !(o.wantedDeg > 0 && o.wantedDeg <= 5):
				return Usagef("--wanted-deg %g: give the standard uncertainty you want in degrees, 0.01 to 0.02 is usual", o.wantedDeg)
			case !(o.turnDeg >= leastTurnDeg && o.turnDeg <= 360):
				return Usagef("--turn %g: choose %g to 360 degrees; 30 is usual", o.turnDeg, leastTurnDeg)
			case o.most < 2:
				return Usagef("--most %d: a station needs two photographs or more", o.most)
			}
			if o.next {
				return app.planNext(c.Context(), o)
			}
			return app.plan(o)
		},
	}
	c.Flags().Float64Var(&o.wantedDeg, "wanted-deg", 0.015, "standard uncertainty wanted of camber, toe, thrust and scrub, degrees")
	c.Flags().Float64Var(&o.turnDeg, "turn", 30, "how far the wheels turn between stations, degrees")
	c.Flags().IntVar(&o.most, "most", 20, "photographs at a station, at most")
	c.Flags().BoolVar(&o.next, "next", false, "of a job with photographs: which two more would help most")
	return c
}

// planFile is what plan tells. Places are in mm from the middle of axle 1 on the
// ground as the vehicle stands there: forward, to the left, up.
type planFile struct {
	Shots    []planShot    `json:"shots"`
	Floor    []planBoard   `json:"floor_boards"`
	RolledMM []float64     `json:"rolled_mm"` // by station
	WantedU  float64       `json:"wanted_u_deg"`
	WorstU   float64       `json:"worst_u_deg"`
	Met      bool          `json:"met"`
	Trade    []planTrade   `json:"photos_and_u"`
	Expected []rig.Reading `json:"expected"` // value: nominal
}

type planShot struct {
	Number  int        `json:"number"`
	Station string     `json:"station"`
	Where   string     `json:"where"`
	AtMM    [3]float64 `json:"at_mm"`
	AimMM   [3]float64 `json:"aim_mm"`
	Phone   string     `json:"phone"` // "flat" or "upright"
	Boards  []string   `json:"boards"`
}

type planBoard struct {
	Board string     `json:"board"`
	Where string     `json:"where"`
	AtMM  [2]float64 `json:"at_mm"`
}

type planTrade struct {
	Photos int     `json:"photos"`
	WorstU float64 `json:"worst_u_deg"`
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
	options := plan.Options{Wanted: o.wantedDeg * math.Pi / 180, Turn: o.turnDeg * math.Pi / 180, MostPhotos: o.most}
	p, err := plan.Make(folder.Job, *camera, options)
	if err != nil {
		return Unmeasurable(fmt.Errorf("%s: %w", o.dir, err))
	}
	out := planForFile(p, o)
	if err := writeFile(filepath.Join(o.dir, "plan.json"), func(w io.Writer) error { return encodeJSON(w, out) }); err != nil {
		return err
	}
	if a.JSON {
		return a.printJSON(out)
	}
	a.printf("%s", planText(p, out))
	return nil
}

func planForFile(p *plan.Plan, o planOptions) *planFile {
	j := p.Job
	toFirst := func(v pose.Vec) pose.Vec {
		v[0] -= j.Vehicle.Axles[j.Vehicle.Reference-1].Position - j.Vehicle.Axles[0].Position
		return v
	}
	mm := func(v float64) float64 { return math.Round(v * 1e3) }
	out := &planFile{WantedU: o.wantedDeg, WorstU: p.Worst * 180 / math.Pi, Met: p.Met, Expected: rig.ForFiles(p.Readings), Floor: []planBoard{}}
	for i, s := range p.Shots {
		at, aim := toFirst(s.At), toFirst(s.Aim)
		shot := planShot{Number: i + 1, Station: j.Stations[s.Station].Name, Where: where(j, at), Phone: "flat",
			AtMM: [3]float64{mm(at[0]), mm(at[1]), mm(at[2])}, AimMM: [3]float64{mm(aim[0]), mm(aim[1]), mm(aim[2])}}
		if s.Upright {
			shot.Phone = "upright"
		}
		for _, b := range s.Boards {
			shot.Boards = append(shot.Boards, j.Boards[b].Name)
		}
		out.Shots = append(out.Shots, shot)
	}
	for i, t := range p.State.FloorFromBoard {
		at := toFirst(t.T)
		out.Floor = append(out.Floor, planBoard{j.Boards[j.Floor[i].Board].Name, where(j, at), [2]float64{mm(at[0]), mm(at[1])}})
	}
	for _, r := range p.Rolled {
		out.RolledMM = append(out.RolledMM, mm(r))
	}
	for i, u := range p.Trade {
		if !math.IsInf(u, 0) {
			out.Trade = append(out.Trade, planTrade{i + 1, u * 180 / math.Pi})
		}
	}
	return out
}

// where says a place, from the middle of axle 1, in words: from the nearest axle
// along, from the wheels outwards.
func where(j *rig.Job, at pose.Vec) string {
	nearest, off := 0, math.Inf(1)
	for i, a := range j.Vehicle.Axles {
		if d := at[0] + a.Position; math.Abs(d) < math.Abs(off) {
			nearest, off = i, d
		}
	}
	along := fmt.Sprintf("level with axle %d", nearest+1)
	if math.Abs(off) > 0.15 {
		way := "ahead of"
		if off < 0 {
			way = "behind"
		}
		along = fmt.Sprintf("%.1f m %s axle %d", math.Abs(off), way, nearest+1)
	}
	half := j.Vehicle.Axles[nearest].Track / 2
	side := "left"
	if at[1] < 0 {
		side = "right"
	}
	switch out := math.Abs(at[1]) - half; {
	case math.Abs(at[1]) < 0.15:
		return along + ", in the middle"
	case out > 0.15:
		return fmt.Sprintf("%s, %.1f m out from the %s wheels", along, out, side)
	default:
		return fmt.Sprintf("%s, %.1f m %s of the middle", along, math.Abs(at[1]), side)
	}
}

func planText(p *plan.Plan, f *planFile) string {
	var b strings.Builder
	if len(f.Floor) > 0 {
		t := newTable(left("floor board"), left("lay it"))
		for _, x := range f.Floor {
			t.row(x.Board, x.Where)
		}
		fmt.Fprintf(&b, "Where the vehicle stands at the first station:\n\n%s\n", t)
	}
	t := newTable(left("station"), right("no."), left("stand"), right("height m"), left("phone"), left("boards in the picture"))
	for _, s := range f.Shots {
		t.row(s.Station, fmt.Sprint(s.Number), s.Where, fmt.Sprintf("%.1f", s.AtMM[2]/1e3), s.Phone, strings.Join(s.Boards, " "))
	}
	fmt.Fprintf(&b, "%s\n", t)
	for st, r := range f.RolledMM {
		if st > 0 && r != f.RolledMM[st-1] {
			fmt.Fprintf(&b, "Before station %s roll the vehicle forward by %.0f mm.\n", p.Job.Stations[st].Name, r-f.RolledMM[st-1])
		}
	}
	t = newTable(left("reading to expect"), right("axle"), left("side"), right("u deg"))
	for _, r := range f.Expected {
		if plan.IsWanted(align.Reading{Quantity: r.Quantity}) {
			t.row(strings.ReplaceAll(string(r.Quantity), "_", " "), fmt.Sprint(r.Axle), string(r.Side), fmt.Sprintf("%.4f", r.U))
		}
	}
	fmt.Fprintf(&b, "\n%s\n", t)
	if f.Met {
		b.WriteString(fold("", fmt.Sprintf("%d photographs; every angle is then known to %.4f degrees or better (standard uncertainty).", len(f.Shots), f.WorstU)))
	} else {
		b.WriteString(fold("", fmt.Sprintf("%d photographs; %.4f degrees is not reached, and more photographs would not help much: the largest uncertainty stays at %.4f. A flatter floor (floor: flatness_mm), more equal clamps (mount: standoff_u_mm), a longer roll (--turn) or one more station may; 'wheelplane budget' tells which once the job is measured.", len(f.Shots), f.WantedU, f.WorstU)))
	}
	return b.String()
}

// nextShots is what plan --next tells.
type nextShots struct {
	WorstU float64    `json:"worst_u_deg"` // of camber, toe, thrust and scrub, now
	Shots  []planShot `json:"shots"`
	Then   []float64  `json:"then_worst_u_deg"` // with each shot and those before it
}

func (a *App) planNext(ctx context.Context, o planOptions) error {
	s, job, camera, obs, err := a.solved(ctx, o.dir)
	if err != nil {
		return err
	}
	if f := s.Network.Faults; len(f) > 0 {
		// What was found is another job than job.yaml tells.
		return Unmeasurable(fmt.Errorf("%s: %s: put that right first, then ask again", o.dir, f[0].Text))
	}
	shots, then, err := plan.Next(job, *camera, s.State, obs, s.Used, 2, plan.Options{Wanted: o.wantedDeg * math.Pi / 180})
	if err != nil {
		return Unmeasurable(fmt.Errorf("%s: %w", o.dir, err))
	}
	out := nextShots{WorstU: plan.Worst(s.Readings) * 180 / math.Pi}
	out.Shots = planForFile(&plan.Plan{Job: job, State: s.State, Shots: shots}, o).Shots
	for _, u := range then {
		out.Then = append(out.Then, u*180/math.Pi)
	}
	if a.JSON {
		return a.printJSON(out)
	}
	a.printf("The least known angle has u = %.4f degrees.\n", out.WorstU)
	for i, x := range out.Shots {
		a.printf("%s", fold("- ", fmt.Sprintf("Station %s: stand %s, the phone %.1f m high and %s, with boards %s in the picture: then %.4f degrees.", x.Station, x.Where, x.AtMM[2]/1e3, x.Phone, strings.Join(x.Boards, ", "), out.Then[i])))
	}
	return nil
}
