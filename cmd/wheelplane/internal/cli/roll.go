package cli

import (
	"fmt"
	"math"
	"path/filepath"
	"strings"

	"wheelplane/cmd/wheelplane/internal/work"
	"wheelplane/pose/rig"

	"github.com/spf13/cobra"
)

type rollOptions struct {
	dir     string
	tyreMM  float64
	turnDeg float64
}

func newRollCommand(app *App) *cobra.Command {
	var o rollOptions
	c := &cobra.Command{
		Use:   "roll DIR | --tyre-mm D",
		Short: "Say how far to roll the vehicle for the next station, and what to photograph there",
		Long: `roll tells how far the vehicle is to be rolled so that its wheels turn by a
wanted angle, from the tyres' diameters: those of the axles in DIR/job.yaml, or
one on the command line. For a job it also says which station is next and what
is to be done and photographed there.

30 degrees are a good step: two or three of them show each wheel's axis well,
and the boards stay in sight. How far it really was the photographs tell.`,
		Example: `  wheelplane roll bay-3
  wheelplane roll bay-3 --turn 45
  wheelplane roll --tyre-mm 1010`,
		Args:              atMost(1),
		ValidArgsFunction: completeDirs,
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) == 1 {
				o.dir = args[0]
			}
			switch tyre := c.Flags().Changed("tyre-mm"); {
			case tyre && o.dir != "":
				return Usagef("give a job's folder or --tyre-mm, not both")
			case !tyre && o.dir == "":
				return Usagef("give a job's folder, or the tyres' diameter with --tyre-mm")
			case tyre && !(o.tyreMM >= 200 && o.tyreMM <= 4000):
				return Usagef("--tyre-mm %g is not a tyre's diameter: give it in mm, 200 to 4000", o.tyreMM)
			case !(o.turnDeg >= leastTurnDeg && o.turnDeg <= 360):
				return Usagef("--turn %g: choose %g to 360 degrees; 30 is usual", o.turnDeg, leastTurnDeg)
			}
			return app.roll(o)
		},
	}
	c.Flags().Float64Var(&o.tyreMM, "tyre-mm", 0, "outer diameter of the tyres, mm")
	c.Flags().Float64Var(&o.turnDeg, "turn", 30, "how far the wheels are to turn, degrees")
	return c
}

const leastTurnDeg = rig.LeastTurn * 180 / math.Pi

// rolledShare is a tyre's rolled over its geometric circumference: the middle
// of published tyre tables, 0.967 to 0.975 (inflated diameter, load of the
// table).
const rolledShare = 0.97

// rollDistance is how far a wheel of this outer diameter rolls in a turn, in
// the diameter's unit.
func rollDistance(diameter, turnDeg float64) float64 {
	return rolledShare * diameter / 2 * turnDeg * math.Pi / 180
}

// rollPlan is what 'roll' tells.
type rollPlan struct {
	TurnDeg float64    `json:"turn_deg"`
	RollMM  float64    `json:"roll_mm"` // enough for every axle
	Axles   []axleRoll `json:"axles"`
	Next    *nextStop  `json:"next,omitempty"` // of a job; nil when every station is photographed
	Cares   []string   `json:"cares"`
}

type axleRoll struct {
	Axle      int     `json:"axle,omitempty"`
	Name      string  `json:"name,omitempty"`
	TyreMM    float64 `json:"tyre_diameter_mm"`
	RollMM    float64 `json:"roll_mm"`    // for the wanted turn
	TurnedDeg float64 `json:"turned_deg"` // by the roll that is enough for every axle
}

// nextStop is the first station without a photograph.
type nextStop struct {
	Station string `json:"station"`
	Do      string `json:"do"`
	Show    string `json:"photograph"`
	Folder  string `json:"folder"`
}

// rollCares are common practice where vehicles are moved by hand; no source.
var rollCares = []string{
	"Roll slowly, on level ground, with one person at the controls and one watching; nobody in front of, behind or under the vehicle.",
	"Take the chocks away only for the roll; let the vehicle come to rest gently, apply the brakes only then, and chock it before anyone steps up to the wheels.",
	"Keep clear of the clamped boards while the wheels turn: they stand out and must not touch the ground, the body or anybody.",
	"Steer straight ahead and leave the steering wheel alone; roll on in the same direction at each station.",
	"The vehicle maker's manual, local codes and the workshop's own rules come first.",
}

// liftCare and steerCare go before them where they matter; common practice too.
const (
	liftCare  = "Never rely on a jack: set the axle on stands rated for the load, on firm ground, before anyone turns a wheel or reaches under; turn it slowly, by hand, engine off."
	steerCare = "Whoever steers waits until everybody is clear of the wheels and boards: a clamped board swings out as the wheel turns."
)

func (a *App) roll(o rollOptions) error {
	plan := &rollPlan{TurnDeg: o.turnDeg, Axles: []axleRoll{}, Cares: rollCares}
	if o.dir == "" {
		plan.Axles = append(plan.Axles, axleRoll{TyreMM: o.tyreMM})
	} else {
		folder, err := rig.Read(o.dir)
		if err != nil {
			return BadInput(err)
		}
		for i, x := range folder.Job.Vehicle.Axles {
			if x.TyreDiameter <= 0 {
				return BadInputf("%s: vehicle: axle %d has no tyre_diameter_mm: add it, or ask with --tyre-mm", filepath.Join(o.dir, rig.JobFile), i+1)
			}
			plan.Axles = append(plan.Axles, axleRoll{Axle: i + 1, Name: x.Name, TyreMM: x.TyreDiameter * 1e3})
		}
		plan.Next = nextOf(folder)
		if len(folder.Missing) > 0 {
			switch s := folder.Job.Stations[folder.Missing[0]]; {
			case len(s.Lifted) > 0:
				plan.Cares = append([]string{liftCare}, rollCares...)
			case s.Sweep:
				plan.Cares = append([]string{steerCare}, rollCares...)
			}
		}
	}
	for i := range plan.Axles {
		x := &plan.Axles[i]
		x.RollMM = rollDistance(x.TyreMM, o.turnDeg)
		plan.RollMM = math.Max(plan.RollMM, x.RollMM)
	}
	for i := range plan.Axles {
		plan.Axles[i].TurnedDeg = o.turnDeg * plan.RollMM / plan.Axles[i].RollMM
	}
	if a.JSON {
		return a.printJSON(plan)
	}
	a.printf("%s", rollText(plan, o.dir != ""))
	return nil
}

// nextOf says what is to be done for the first station that has no photograph.
func nextOf(f *rig.Folder) *nextStop {
	if len(f.Missing) == 0 {
		return nil
	}
	st := f.Missing[0]
	t := work.StationTask(f, st)
	return &nextStop{Station: f.Job.Stations[st].Name, Do: t.Do, Show: t.Show, Folder: t.Folder}
}

func rollText(p *rollPlan, job bool) string {
	var b strings.Builder
	t := newTable(left("axle"), left("name"), right("tyre mm"), right("roll mm"), right("turned deg"))
	if !job {
		t = newTable(right("tyre mm"), right("roll mm"), right("turned deg"))
	}
	for _, x := range p.Axles {
		cells := []string{fmt.Sprintf("%.0f", x.TyreMM), fmt.Sprintf("%.0f", x.RollMM), fmt.Sprintf("%.1f", x.TurnedDeg)}
		if job {
			cells = append([]string{fmt.Sprint(x.Axle), x.Name}, cells...)
		}
		t.row(cells...)
	}
	fmt.Fprintf(&b, "%s\nRoll by about %.0f mm: every wheel then turns by %.0f degrees or more. A few\npercent more or less do no harm; the photographs tell how far it was.\n", t, p.RollMM, p.TurnDeg)
	if job {
		if n := p.Next; n != nil {
			fmt.Fprintf(&b, "\n%s%s%s", fold("", fmt.Sprintf("Next is station %s: %s.", n.Station, n.Do)), fold("", "Photograph "+n.Show+"."), fold("", "Put the photographs into "+n.Folder+"."))
		} else {
			b.WriteString("\nEvery station has photographs. One more would be added to stations in job.yaml.\n")
		}
	}
	b.WriteString("\n")
	for _, c := range p.Cares {
		b.WriteString(fold("- ", c))
	}
	return b.String()
}
