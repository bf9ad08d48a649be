package work

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// Task is what is to be done and photographed at a station, as parts of a
// sentence.
type Task struct {
	Do, Show, Folder string

	stays bool // the vehicle is not rolled for it, only boards were moved
	rolls bool // 'roll' tells what came of it
}

// StationTask says what is to be done and photographed at a station.
func StationTask(f *rig.Folder, st int) Task {
	t := taskOf(f, st)
	if m := movesAt(f.Job, st); m != nil && st > 0 {
		t.Do = wording.Say("station.moved", "boards", m.text(f.Job), "do", t.Do)
	}
	return t
}

// taskOf is a station's without the boards that are moved for it.
func taskOf(f *rig.Folder, st int) Task {
	j, s := f.Job, f.Job.Stations[st]
	show := wording.Say("station.show.all")
	lifted := func(k int) bool { return k >= 0 && len(j.Stations[k].Lifted) > 0 }
	do, stays, rolls := "", false, false
	switch {
	case s.Sweep:
		side := align.Left
		if s.Steer < 0 {
			side = align.Right
		}
		do = wording.Say("station.steer", "angle", fmt.Sprintf("%.0f", math.Abs(s.Steer)*180/math.Pi), "side", sideName(side))
		show = wording.Say("station.show.steered")
	case lifted(st) && lifted(st-1):
		do = wording.Say("station.spin", "wheels", axlesOf(s.Lifted))
		show = wording.Say("station.show.lifted")
	case lifted(st):
		do = wording.Say("station.lift", "wheels", axlesOf(s.Lifted))
		show = wording.Say("station.show.lifted")
	case st == 0:
		do = wording.Say("station.first")
	case lifted(st - 1):
		do = wording.Say("station.lower")
	case s.Epoch != j.Stations[st-1].Epoch:
		do = wording.Say("station.epoch", "epoch", strconv.Quote(s.Epoch))
		show = wording.Say("station.show.adjusted")
	case j.Stations[st-1].Sweep:
		do, rolls = wording.Say("station.straight"), true
	case movesAt(j, st) != nil:
		do, stays = wording.Say("station.stay"), true
	default:
		do, rolls = wording.Say("station.roll"), true
	}
	return Task{do, show, f.PhotosOf(st), stays, rolls}
}

func stationID(name string) string { return "station-" + name }

// stationStep is the step of photographing a station.
func (f *Folder) stationStep(st int, done bool) Step {
	job := f.Job.Job
	t, s := taskOf(f.Job, st), job.Stations[st]
	do := wording.Capital(t.Do)
	step := Step{
		ID: stationID(s.Name), Title: wording.Say("step.station.title", "station", s.Name), State: Later,
		Do:    wording.Say("step.station.do", "do", do, "show", t.Show, "folder", t.Folder),
		Why:   wording.Say("step.station.why"),
		Cares: []string{careTurn()},
	}
	switch {
	case len(s.Lifted) > 0:
		step.Cares = []string{careStands(), careTurn()}
	case s.Sweep:
		step.Why = wording.Say("step.station.why.steer")
	case st > 0 && t.stays:
		step.Why = wording.Say("step.station.why.moved")
	case st > 0 && t.rolls:
		step.Tell = []string{"wheelplane roll " + f.Dir}
	}
	if st > 0 && s.Epoch != job.Stations[st-1].Epoch {
		step.Why = wording.Say("step.station.why.adjusted")
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
		name := wording.Say("axle", "axle", w.Axle)
		if !slices.Contains(list, rig.Wheel{Axle: w.Axle, Side: align.Left}) || !slices.Contains(list, rig.Wheel{Axle: w.Axle, Side: align.Right}) {
			name = wheelName(w)
		}
		if len(out) == 0 || out[len(out)-1] != name {
			out = append(out, name)
		}
	}
	return strings.Join(out, ", ")
}
