package work

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// Task is what is to be done and photographed at a station, as parts of a
// sentence.
type Task struct{ Do, Show, Folder string }

// StationTask says what is to be done and photographed at a station.
func StationTask(f *rig.Folder, st int) Task {
	t := taskOf(f, st)
	if m := movesAt(f.Job, st); m != nil && st > 0 {
		t.Do = fmt.Sprintf("brakes on and wheels chocked before anyone reaches for a wheel, %s, leave every other board where it is; %s", m.text(f.Job), t.Do)
	}
	return t
}

// taskOf is a station's without the boards that are moved for it.
func taskOf(f *rig.Folder, st int) Task {
	j, s := f.Job, f.Job.Stations[st]
	show := "every board on a wheel, each photograph with two boards or more and one of them in the next photograph too, all around the vehicle, the floor boards with them"
	lifted := func(k int) bool { return k >= 0 && len(j.Stations[k].Lifted) > 0 }
	do := ""
	switch {
	case s.Sweep:
		side := "left"
		if s.Steer < 0 {
			side = "right"
		}
		do = fmt.Sprintf("do not roll: brakes held, steer about %.0f degrees to the %s", math.Abs(s.Steer)*180/math.Pi, side)
		show = "the boards of the steered wheels, each with a floor board or a board that does not move"
	case lifted(st) && lifted(st-1):
		do = fmt.Sprintf("do not roll: spin the lifted wheels (%s) by 60 degrees or more", axlesOf(s.Lifted))
		show = "the boards of the lifted wheels, each with a floor board or a board that does not move"
	case lifted(st):
		do = fmt.Sprintf("do not roll: chock the wheels that stay on the ground, lift %s and set it on stands", axlesOf(s.Lifted))
		show = "the boards of the lifted wheels, each with a floor board or a board that does not move"
	case st == 0:
		do = "leave the vehicle where it stands, brakes on and wheels chocked"
	case lifted(st - 1):
		do = "lower the lifted wheels and let them settle; do not roll"
	case s.Epoch != j.Stations[st-1].Epoch:
		do = fmt.Sprintf("do what makes it %q; then photograph where it stands, no roll is needed", s.Epoch)
		show = "the boards of the adjusted axles, each with a neighbour that was not touched and with floor boards"
	case j.Stations[st-1].Sweep:
		do = "steer straight ahead, then roll"
	case movesAt(j, st) != nil:
		do = "do not roll"
	default:
		do = "roll"
	}
	return Task{do, show, f.PhotosOf(st)}
}

func stationID(name string) string { return "station-" + name }

// stationStep is the step of photographing a station.
func (f *Folder) stationStep(st int, done bool) Step {
	job := f.Job.Job
	t, s := taskOf(f.Job, st), job.Stations[st]
	do := strings.ToUpper(t.Do[:1]) + t.Do[1:]
	step := Step{
		ID: stationID(s.Name), Title: "Photograph station " + s.Name, State: Later,
		Do:    fmt.Sprintf("%s. Photograph %s. The photographs go into %s.", do, t.Show, t.Folder),
		Why:   "each station shows the wheels turned a little further",
		Cares: []string{careTurn},
	}
	switch {
	case len(s.Lifted) > 0:
		step.Cares = []string{careStands, careTurn}
	case s.Sweep:
		step.Why = "caster and kingpin inclination show when the wheel is steered"
	case st > 0 && t.Do == "do not roll":
		step.Why = "it shows the wheels that the boards were moved to"
	case strings.HasSuffix(t.Do, "roll") && st > 0:
		step.Tell = []string{"wheelplane roll " + f.Dir}
	}
	if st > 0 && s.Epoch != job.Stations[st-1].Epoch {
		step.Why = "to read what the adjustment did"
	}
	if done {
		step.State = Done
		if c := f.Visit.Of(step.ID); c != nil {
			step.By, step.At, step.Note = c.By, c.At, c.Note
		}
		return step
	}
	f.asPlanned(&step, st, do)
	return step
}

// axlesOf names wheels, both of an axle by the axle alone.
func axlesOf(list []rig.Wheel) string {
	var out []string
	for _, w := range list {
		name := fmt.Sprintf("axle %d", w.Axle)
		if !slices.Contains(list, rig.Wheel{Axle: w.Axle, Side: align.Left}) || !slices.Contains(list, rig.Wheel{Axle: w.Axle, Side: align.Right}) {
			name = w.String()
		}
		if len(out) == 0 || out[len(out)-1] != name {
			out = append(out, name)
		}
	}
	return strings.Join(out, ", ")
}
