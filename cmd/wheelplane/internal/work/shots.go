package work

import (
	"fmt"
	"slices"
	"strings"

	"wheelplane/cmd/wheelplane/internal/visit"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/pose/rig"
)

// planned are the plan's photographs of a station, as far as they are of the job
// as it is now: a plan may be older.
func (f *Folder) planned(st int) (out []rig.NextPhoto) {
	job := f.Job.Job
	known := map[string]bool{}
	for _, b := range job.Boards {
		known[b.Name] = true
	}
	for _, p := range f.Planned {
		if p.Station == job.Stations[st].Name && !slices.ContainsFunc(p.Boards, func(name string) bool { return !known[name] }) {
			out = append(out, p)
		}
	}
	return out
}

// open are the planned photographs of a station that are not there yet; of is how
// many are planned. Where nobody knows what the photographs show they are taken to
// be the first of the plan.
func (f *Folder) open(st int) (open []rig.NextPhoto, of int) {
	shots, photos := f.planned(st), f.Job.Job.PhotosAt(st)
	if f.Shows == nil {
		return shots[min(len(photos), len(shots)):], len(shots)
	}
	// Each photograph serves one shot, as many of them as can be: with shots of the
	// same boards one of them is not enough (augmenting paths, after Kuhn).
	shown := make([][]string, len(photos))
	for i, p := range photos {
		shown[i] = f.Shows(p)
	}
	serves := make([]int, len(photos)) // a shot, or -1
	for i := range serves {
		serves[i] = -1
	}
	var place func(shot int, tried []bool) bool
	place = func(shot int, tried []bool) bool {
		for i := range photos {
			if tried[i] || slices.ContainsFunc(shots[shot].Boards, func(b string) bool { return !slices.Contains(shown[i], b) }) {
				continue
			}
			tried[i] = true
			if serves[i] < 0 || place(serves[i], tried) {
				serves[i] = shot
				return true
			}
		}
		return false
	}
	for i := range shots {
		if !place(i, make([]bool, len(photos))) {
			open = append(open, shots[i])
		}
	}
	return open, len(shots)
}

// photographed tells whether a station is done with: there are photographs of it,
// and those of a plan, or somebody said that it is enough, or it was measured, or
// the vehicle has left it. A job whose photographs are put away stays measured.
func (f *Folder) photographed(st int) bool {
	s := f.Job.Job.Stations[st]
	missing := slices.Contains(f.Job.Missing, st)
	if f.used(s.Name) && (missing || !f.AsTheyCome) {
		return true
	}
	if missing {
		return false
	}
	if c := f.Visit.Of(stationID(s.Name)); c != nil && c.Result != visit.Bad {
		return true
	}
	open, of := f.open(st)
	if of == 0 && f.AsTheyCome {
		return f.standsAt() != st
	}
	return len(open) == 0 || f.standsAt() != st
}

// Here is the station to be photographed now, or the last; -1 of a job without any.
func (f *Folder) Here() int {
	for st := range f.Job.Job.Stations {
		if !f.photographed(st) {
			return st
		}
	}
	return len(f.Job.Job.Stations) - 1
}

// standsAt is the last station with a photograph, or -1: where the vehicle stands,
// as far as the folder tells.
func (f *Folder) standsAt() int {
	for st := len(f.Job.Job.Stations) - 1; st >= 0; st-- {
		if !slices.Contains(f.Job.Missing, st) {
			return st
		}
	}
	return -1
}

// asPlanned has the step of photographing a station ask for the photographs of the
// plan.
func (f *Folder) asPlanned(s *Step, st int, do string) {
	open, of := f.open(st)
	if of == 0 {
		return
	}
	there, left := of-len(open), wording.Say("shots.left")
	if f.Shows == nil {
		there, left = min(of, len(f.Job.Job.PhotosAt(st))), wording.Say("shots.left.order")
	}
	s.Shots = open
	switch {
	case there == 0:
		s.Do = wording.Say("step.station.planned",
			"do", do, "count", of, "folder", f.Job.PhotosOf(st))
	default:
		s.Do = wording.Say("step.station.open", "there", there, "count", of, "left", left)
		s.Tell = []string{fmt.Sprintf("wheelplane check %s %s ok   # %s", f.Dir, s.ID, wording.Say("tell.without"))}
	}
}

// moreID is the step of photographs that a measurement asks for.
const moreID = "more-photographs"

// more is the step of photographing more where the vehicle stands, by what the
// measurement calls weak; nil where that helps nobody: it was not measured since, or
// the vehicle has left.
func (f *Folder) more(epoch string) *Step {
	st := f.standsAt()
	if f.Result == nil || f.Result.Weak == nil || st < 0 || f.Measured.Before(f.Newest) || !f.measured(epoch) {
		return nil
	}
	w, here := f.Result.Weak, f.Job.Job.Stations[st]
	if here.Epoch != epoch || !f.used(here.Name) || !f.Recorded.IsZero() && !f.Recorded.Before(f.Measured) {
		return nil
	}
	last := true // of its epoch: no station to come tells more anyway
	for k := st + 1; k < len(f.Job.Job.Stations); k++ {
		last = last && f.Job.Job.Stations[k].Epoch != epoch
	}
	var shots []rig.NextPhoto
	if last && f.matters(w) || len(w.Unchecked) > 0 {
		for _, p := range w.Photos {
			if p.Station == here.Name {
				shots = append(shots, p)
			}
		}
	}
	if len(shots) == 0 && len(w.Unchecked) == 0 {
		return nil
	}
	s := &Step{ID: moreID, Title: wording.Say("step.more.title", "station", here.Name), State: Later, Shots: shots,
		Tell: []string{"wheelplane measure " + f.Dir, fmt.Sprintf("wheelplane check %s %s skipped   # %s", f.Dir, moreID, wording.Say("tell.leave"))}}
	var why []string
	if n := len(w.Unchecked); n > 0 {
		text := wording.Say("step.more.unchecked", "wheel", w.Unchecked[0])
		if n > 1 {
			text = wording.Say("step.more.unchecked.many", "wheel", w.Unchecked[0], "more", n-1)
		}
		why = append(why, text)
	}
	if len(shots) > 0 && len(w.Readings) > 0 {
		r := w.Readings[0]
		why = append(why, wording.Say("step.more.why",
			"reading", readingName(r.Quantity, r.Side), "axle", r.Axle, "u", fmt.Sprintf("%.3f", r.U), "unit", r.Unit))
	}
	s.Why = strings.Join(why, "; ")
	switch {
	case len(shots) == 0:
		s.Do = wording.Say("step.more.wheels")
	case len(w.Unchecked) > 0:
		s.Do = wording.Say("step.more.both")
	default:
		s.Do = wording.Say("step.more.shots")
	}
	s.Do += " " + wording.Say("step.more.then", "folder", f.Job.PhotosOf(st))
	if c := f.Visit.Of(moreID); c != nil && c.Result != visit.Bad && !c.At.Before(f.Measured) {
		s.State, s.By, s.At, s.Note = Skipped, c.By, c.At, c.Note
	}
	return s
}

// matters tells whether a weak reading would change what is done: one that the
// advice brings within its limits anyway does not.
func (f *Folder) matters(w *rig.Weak) bool {
	if f.Advice == nil || f.Targets == nil {
		return true
	}
	return slices.ContainsFunc(w.Readings, func(x rig.WeakReading) bool {
		i := slices.IndexFunc(f.Result.Readings, func(r rig.Reading) bool {
			return r.Epoch == x.Epoch && r.Quantity == x.Quantity && r.Axle == x.Axle && r.Side == x.Side
		})
		return i < 0 || f.Advice.Epoch != x.Epoch || !f.Advice.Within(f.Result.Readings[i])
	})
}
