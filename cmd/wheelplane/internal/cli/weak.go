package cli

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"wheelplane/cmd/wheelplane/internal/planned"
	"wheelplane/cmd/wheelplane/internal/spec"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/pose/align"
	"wheelplane/pose/plan"
	"wheelplane/pose/rig"
	"wheelplane/vision"
)

// What a measured job does not tell well enough yet, and what would help while the
// vehicle still stands at its last station.

const (
	// wantedDeg is what a job without target values wants to know its angles to,
	// as plan does.
	wantedDeg = 0.015
	// leastHelp is what two photographs must take off the largest uncertainty to be
	// worth taking.
	leastHelp = 0.1
	// leastDecided bounds how much better a reading can become by photographs: one
	// that needs more to be decided lies at its limit.
	leastDecided = 0.25
)

// lastStation is the last with a photograph that counts: the vehicle has left those
// before it.
func lastStation(job *rig.Job, used []bool) (last int) {
	for p, photo := range job.Photos {
		if used[p] {
			last = max(last, photo.Station)
		}
	}
	return last
}

// weakOf says what is weak in a solution; nil where nothing is. Only then it costs
// time: what the photographs to come would tell is worked out.
func weakOf(folder *rig.Folder, camera *vision.Camera, obs []rig.Observation, s *rig.Solution, readings []rig.Reading) (*rig.Weak, error) {
	job := folder.Job
	last := lastStation(job, s.Used)
	epoch := job.Stations[last].Epoch
	w := &rig.Weak{Unchecked: unchecked(job, obs, s.Used, last)}
	sp, targets, err := specOf(folder.Dir, job)
	if err != nil {
		return nil, err
	}
	if sp != nil {
		w.Readings = undecided(readings, targets, sp.Rule, epoch)
	} else {
		w.Readings = aboveWanted(readings, epoch)
	}
	switch {
	case len(w.Readings) == 0 && len(w.Unchecked) == 0:
		return nil, nil
	case len(w.Readings) == 0 || len(s.Network.Faults) > 0:
		// What was found to have happened is another job than job.yaml tells.
		return w, nil
	}
	want := math.Inf(1)
	for _, r := range w.Readings {
		if share := plan.Share(r.Quantity); r.Unit == "deg" && r.WantedU > 0 {
			want = math.Min(want, r.WantedU/math.Max(1, share))
		}
	}
	if math.IsInf(want, 0) {
		want = wantedDeg
	}
	o := plan.Options{Wanted: want * math.Pi / 180, Stations: []int{last}, Steady: true}
	// The largest uncertainty may fall only when both sides are photographed.
	shots, then, err := plan.Next(job, *camera, s.State, s.Observations(), s.Used, 4, o)
	if now := plan.Worst(s.Readings); err == nil && len(then) > 0 && then[len(then)-1] < (1-leastHelp)*now {
		shots = shots[:min(2, len(shots))]
		w.WorstU = now * 180 / math.Pi
		for i, x := range planned.Shots(job, shots) {
			w.Photos = append(w.Photos, rig.NextPhoto{Station: x.Station, Where: x.Where, AtMM: x.AtMM, AimMM: x.AimMM, Phone: x.Phone, Boards: x.Boards, ThenU: then[i] * 180 / math.Pi})
			if then[i] <= o.Wanted {
				break
			}
		}
		return w, nil
	}
	w.Instead = insteadOf(s, w, job.Stations[last].Name)
	return w, nil
}

// unchecked are the wheels of a station, where the vehicle is to stand as it does
// for the first time, whose boards tie to nothing there or are in one photograph
// alone, so that nothing checks it.
func unchecked(job *rig.Job, obs []rig.Observation, used []bool, station int) []string {
	if job.Stations[station].Sweep {
		return nil // boards of wheels that are not steered come along by chance
	}
	var none, one []string // the worse first
	cast := job.Cast()
	for _, h := range job.Hangs {
		if !h.Stations.Has(station) || known(job, cast, h.Wheel, station) {
			continue
		}
		var in, lost []string
		for _, o := range obs {
			if photo := job.Photos[o.Photo]; o.Board != h.Board || photo.Station != station {
				continue
			} else if used[o.Photo] {
				in = append(in, photo.Path)
			} else {
				lost = append(lost, photo.Path)
			}
		}
		name := fmt.Sprintf("%s (board %s)", h.Wheel, job.Boards[h.Board].Name)
		at := job.Stations[station].Name
		switch {
		case len(in) == 1:
			one = append(one, fmt.Sprintf("%s is in one photograph only at station %s, %s", name, at, in[0]))
		case len(in) == 0 && len(lost) > 0:
			none = append(none, fmt.Sprintf("%s ties to nothing at station %s: it is only in %s, which was left out", name, at, lost[0]))
		case len(in) == 0:
			none = append(none, fmt.Sprintf("%s is in no photograph of station %s", name, at))
		}
	}
	return append(none, one...)
}

// known tells whether a wheel stands as it did in another epoch, so that its axis
// was measured there.
func known(job *rig.Job, cast *rig.Cast, wheel rig.Wheel, station int) bool {
	w := slices.IndexFunc(cast.Wheels, func(x rig.Wheel) bool { return x == wheel })
	for st := range job.Stations {
		if job.Stations[st].Epoch != job.Stations[station].Epoch && cast.AxisAt[w][st] == cast.AxisAt[w][station] {
			return true
		}
	}
	return false
}

// aboveWanted are the angles that are less well known than a plan wants.
func aboveWanted(readings []rig.Reading, epoch string) (out []rig.WeakReading) {
	for _, r := range readings {
		if share := plan.Share(r.Quantity); share > 0 && r.Epoch == epoch && r.U > wantedDeg*share {
			out = append(out, rig.WeakReading{Epoch: r.Epoch, Quantity: r.Quantity, Axle: r.Axle, Side: r.Side, U: r.U, WantedU: wantedDeg * share, Unit: r.Unit})
		}
	}
	sortWeak(out)
	return out
}

// undecided are the readings that their uncertainty leaves undecided, with the one
// that would decide them; 0 where none would.
func undecided(readings []rig.Reading, targets []spec.Target, rule align.Rule, epoch string) (out []rig.WeakReading) {
	for _, j := range judgeAll(readings, targets, rule) {
		if j.Verdict != align.Undecided || j.Epoch != epoch {
			continue
		}
		x := rig.WeakReading{Epoch: j.Epoch, Quantity: j.Quantity, Axle: j.Axle, Side: j.Side, U: j.U, Unit: j.Unit}
		t := spec.Find(targets, readings, j.Reading)
		for _, u := range []float64{0.75, 0.5, leastDecided} {
			sharper := j.Reading
			sharper.U *= u
			if t.Judge(sharper, rule).Verdict != align.Undecided {
				x.WantedU = sharper.U
				break
			}
		}
		out = append(out, x)
	}
	sortWeak(out)
	return out
}

// sortWeak puts those first that lack most.
func sortWeak(list []rig.WeakReading) {
	lack := func(r rig.WeakReading) float64 {
		if r.WantedU == 0 {
			return 0
		}
		return r.U / r.WantedU
	}
	slices.SortStableFunc(list, func(a, b rig.WeakReading) int {
		switch x, y := lack(a), lack(b); {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
}

// insteadOf says what would help the first reading where single photographs would
// not.
func insteadOf(s *rig.Solution, w *rig.Weak, station string) string {
	list := w.Readings
	switch {
	case list[0].WantedU == 0:
		return "it lies at its limit, where no measurement decides: adjust it towards the target"
	case !s.Network.RunoutRemoved && len(w.Unchecked) > 0:
		return fmt.Sprintf("have every wheel in two photographs of station %s", station)
	case !s.Network.RunoutRemoved:
		return "roll the vehicle and photograph another station: 'wheelplane roll' says how far"
	}
	epochs, shares, err := s.Budget()
	if err != nil {
		return ""
	}
	for _, l := range budgetLines(epochs, shares) {
		r := list[0]
		if l.Epoch != r.Epoch || l.Quantity != r.Quantity || l.Axle != r.Axle || l.Side != r.Side {
			continue
		}
		most := rig.FromCorners
		for from, u := range l.From {
			if u > l.From[most] {
				most = from
			}
		}
		return fmt.Sprintf("%.0f %% of its variance comes from %s: %s", shareOf(l, most), most, budgetWords[most].do)
	}
	return ""
}

// weakText says it in a few lines.
func weakText(w *rig.Weak) string {
	if w == nil {
		return ""
	}
	var b strings.Builder
	b.WriteString("\n")
	const most = 3
	if n := len(w.Unchecked); n > 0 {
		more := ""
		if n > 1 {
			more = fmt.Sprintf(", and %d more are like it", n-1)
		}
		b.WriteString(fold("", "not checked by anything: "+w.Unchecked[0]+more+": have each wheel in two photographs or more"))
	}
	if len(w.Readings) > 0 {
		var list []string
		for _, r := range w.Readings[:min(most, len(w.Readings))] {
			d := digits(r.U, r.Unit)
			text := fmt.Sprintf("%s of axle %d %s, u = %s %s", nameOf(r.Quantity), r.Axle, r.Side, wording.Decimal(r.U, d), r.Unit)
			if r.WantedU > 0 {
				text += " where " + wording.Decimal(r.WantedU, digits(r.WantedU, r.Unit)) + " would do"
			}
			list = append(list, strings.ReplaceAll(text, " ,", ","))
		}
		more := ""
		if n := len(w.Readings) - most; n > 0 {
			more = fmt.Sprintf("; %d more", n)
		}
		b.WriteString(fold("", "what is still weak: "+strings.Join(list, "; ")+more))
	}
	for _, p := range w.Photos {
		then := fmt.Sprintf("then %.4f deg at worst", p.ThenU)
		if p.ThenU > (1-leastHelp)*w.WorstU {
			then = "a beginning, more are needed"
		}
		b.WriteString(fold("", fmt.Sprintf("photograph next, station %s: stand %s: %s", p.Station, standText(p.Where, p.AtMM, p.Phone, p.Boards), then)))
	}
	if w.Instead != "" {
		b.WriteString(fold("", "what would help: "+w.Instead))
	}
	return b.String()
}
