package cli

import (
	"errors"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"wheelplane/cmd/wheelplane/internal/bay"
	"wheelplane/cmd/wheelplane/internal/record"
	"wheelplane/cmd/wheelplane/internal/spec"
	"wheelplane/cmd/wheelplane/internal/visit"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/cmd/wheelplane/internal/work"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

func now() time.Time { return time.Now() }

// View is [bay.Engine].
func (b *bench) View() (*bay.View, error) {
	if _, err := os.Stat(b.path(rig.JobFile)); errors.Is(err, fs.ErrNotExist) {
		return b.setup()
	}
	f, err := b.app.workFolder(b.dir)
	if err != nil {
		return nil, err
	}
	f.Shows, f.AsTheyCome = b.shows, true
	job := f.Job.Job
	v := &bay.View{Job: job.Name, Vehicle: job.Vehicle.Name, Undo: b.journal.Last(), Who: f.Visit.Technician}
	if v.Job == "" {
		v.Job = filepath.Base(b.dir)
	}
	_, v.Record = b.Record("pdf")
	b.steps(v, f)
	b.stations(v, f)
	if f.Result != nil {
		v.Warnings = f.Result.Warnings
		b.readings(v, f)
	}
	b.above(v, f)
	return v, nil
}

// setup is the view of a folder without a job.
func (b *bench) setup() (*bay.View, error) {
	abs, err := filepath.Abs(b.dir)
	if err != nil {
		return nil, err
	}
	s := &bay.Setup{Name: filepath.Base(abs)}
	for _, l := range layouts {
		s.Layouts = append(s.Layouts, bay.Choice{Value: l.name, Label: l.about})
	}
	return &bay.View{Setup: s, Undo: b.journal.Last()}, nil
}

// steps are the order of the work, with the buttons that go on with it.
func (b *bench) steps(v *bay.View, f *work.Folder) {
	list := work.Steps(f)
	for _, s := range list {
		if s.State == work.Done || s.State == work.Skipped {
			v.Done++
		}
		v.Steps = append(v.Steps, bayStep(s))
	}
	v.Of = len(list)
	if p := work.Present(list); p != nil {
		s := bayStep(*p)
		s.Answers = b.answers(p, f)
		v.Now = &s
	}
	if here := f.Here(); here >= 0 {
		for _, s := range list {
			if s.ID == "station-"+f.Job.Job.Stations[here].Name || s.ID == "more-photographs" && s.State == work.Now {
				for _, x := range s.Shots {
					v.Shots = append(v.Shots, bayShot(x))
				}
			}
		}
	}
	if _, err := os.Stat(f.Job.Camera); errors.Is(err, fs.ErrNotExist) {
		v.Now = &bay.Step{ID: "camera", Title: "Camera file", State: string(work.Now), Do: "Give the job the camera file of the phone that photographs here: 'wheelplane camera' makes it from photographs of a board, once for each phone.",
			Why:     "without it no direction in a photograph is known",
			Answers: []bay.Answer{{Label: "camera", Action: bay.Action{Do: "camera"}, File: true}}}
	}
	if f.Advice != nil {
		for _, a := range f.Advice.Steps {
			v.Advice = append(v.Advice, bay.Advice{Title: a.Title, Do: a.Do, Axle: a.Axle, Why: a.Why})
		}
	}
}

func bayStep(s work.Step) bay.Step {
	return bay.Step{ID: s.ID, Title: s.Title, State: string(s.State), Do: s.Do, Why: s.Why, Cares: s.Cares, By: s.By, At: s.At}
}

// bayShot puts a photograph to come into the plan's frame.
func bayShot(x rig.NextPhoto) bay.Shot {
	s := bay.Shot{Where: x.Where, Phone: x.Phone, X: x.AtMM[0] / 1e3, Y: x.AtMM[1] / 1e3, H: x.AtMM[2] / 1e3, Boards: x.Boards}
	s.Heading = math.Atan2(x.AimMM[1]-x.AtMM[1], x.AimMM[0]-x.AtMM[0])
	return s
}

// answers are the buttons of a step.
func (b *bench) answers(s *work.Step, f *work.Folder) []bay.Answer {
	tell := func(label, what string, result visit.Result) bay.Answer {
		return bay.Answer{Label: label, Action: bay.Action{Do: "tell", With: map[string]string{"what": what, "result": string(result)}}}
	}
	switch {
	case s.ID == "targets":
		a := bay.Answer{Label: "targets", Action: bay.Action{Do: "targets"}, Choose: "spec"}
		for _, e := range b.app.specList() {
			a.Choices = append(a.Choices, bay.Choice{Value: e.ID, Label: e.Name})
		}
		return []bay.Answer{a, tell("skipped", "targets", visit.Skipped)}
	case strings.HasPrefix(s.ID, "station-"):
		return []bay.Answer{{Label: "photograph", Link: "/phone"}, tell("enough", s.ID, visit.OK)}
	case s.ID == "more-photographs":
		return []bay.Answer{{Label: "photograph", Link: "/phone"}, tell("skipped", s.ID, visit.Skipped)}
	case strings.HasPrefix(s.ID, "adjust-"):
		var out []bay.Answer
		if s.Begins != nil {
			out = append(out, bay.Answer{Label: "adjusted", Action: bay.Action{Do: "station", With: map[string]string{"epoch": s.Begins.Epoch, "moved": s.Begins.Moved}}})
		}
		return append(out, tell("accept", "accept", visit.OK))
	case s.ID == "undecided":
		return []bay.Answer{tell("accept", "undecided", visit.OK)}
	case s.ID == "record":
		return []bay.Answer{{Label: "record", Action: bay.Action{Do: "record"}}}
	case slices.Contains(work.CheckIDs(f.Job.Job), s.ID):
		return []bay.Answer{tell("ok", s.ID, visit.OK), tell("skipped", s.ID, visit.Skipped), tell("bad", s.ID, visit.Bad)}
	}
	return nil
}

// stations are the places with their photographs.
func (b *bench) stations(v *bay.View, f *work.Folder) {
	job, here := f.Job.Job, f.Here()
	for st, s := range job.Stations {
		task := work.StationTask(f.Job, st)
		x := bay.Station{Name: s.Name, Epoch: s.Epoch, Do: task.Do, Show: task.Show, Now: st == here}
		times := map[string]int{}
		for _, p := range job.Photos {
			if p.Station != st {
				continue
			}
			photo := b.photo(p.Path)
			x.Photos = append(x.Photos, *photo)
			if photo.Verdict == "" {
				x.Pending++
			}
			for _, name := range photo.Boards {
				times[name]++
			}
		}
		for _, h := range job.Hangs {
			name := job.Boards[h.Board].Name
			if x.Pending == 0 && h.Stations.Has(st) && times[name] == 0 && wanted(job, st, h.Wheel) {
				x.Missing = append(x.Missing, name+" ("+h.Wheel.String()+")")
			}
		}
		x.Complete = len(x.Photos) > 0 && x.Pending == 0 && len(x.Missing) == 0
		v.Stations = append(v.Stations, x)
	}
	if here < 0 {
		return
	}
	v.Station = &v.Stations[here]
	for axle := range job.Vehicle.Axles {
		for _, side := range []align.Side{align.Left, align.Right} {
			w := bay.Wheel{Axle: axle + 1, Side: string(side)}
			for _, h := range job.Hangs {
				if h.Wheel == (rig.Wheel{Axle: axle + 1, Side: side}) && h.Stations.Has(here) {
					w.Board = job.Boards[h.Board].Name
				}
			}
			v.Wheels = append(v.Wheels, w)
		}
	}
}

// wanted tells whether a station is to show a wheel: at a sweep the steered ones, with
// lifted wheels those.
func wanted(job *rig.Job, st int, w rig.Wheel) bool {
	s := job.Stations[st]
	switch {
	case s.Sweep:
		return job.Vehicle.Axles[w.Axle-1].Steered
	case len(s.Lifted) > 0:
		return slices.Contains(s.Lifted, w)
	case st > 0 && job.Stations[st-1].Epoch != s.Epoch:
		for _, e := range job.Epochs {
			if e.Name == s.Epoch && e.Moved != nil {
				return slices.Contains(e.Moved, w)
			}
		}
	}
	return true
}

// shownAt the bay, of a wheel and of an axle; what else has a target is shown too.
var (
	ofWheel = []align.Quantity{align.Camber, align.Toe, align.Caster, align.Kingpin}
	ofAxle  = []align.Quantity{align.TotalToe, align.ThrustAngle, align.ScrubAngle, align.AxleOffset}
)

// readings are those of the latest epoch.
func (b *bench) readings(v *bay.View, f *work.Folder) {
	v.Epochs = epochsOf(f.Result.Readings)
	if len(v.Epochs) == 0 {
		return
	}
	v.Epoch = v.Epochs[len(v.Epochs)-1]
	for i, a := range f.Job.Job.Vehicle.Axles {
		axle := bay.Axle{Number: i + 1, Name: a.Name, Reference: i+1 == f.Job.Job.Vehicle.Reference, Steered: a.Steered}
		worst := 0
		for _, row := range rowsOf(f.Result.Readings, v.Epoch) {
			if row.axle != i+1 || row.station != "" {
				continue
			}
			for _, r := range f.Result.Readings {
				if r.Epoch != v.Epoch || r.Axle != row.axle || r.Quantity != row.quantity || r.Station != "" {
					continue
				}
				t := spec.Find(f.Targets, f.Result.Readings, r)
				if t == nil && !slices.Contains(ofWheel, r.Quantity) && !slices.Contains(ofAxle, r.Quantity) {
					continue
				}
				x := b.reading(r, t, f.Rule)
				if n := slices.Index([]string{"", "within", "undecided", "outside"}, x.Verdict); n > worst {
					worst, axle.Verdict = n, x.Verdict
				}
				switch r.Side {
				case align.Left:
					axle.Left = append(axle.Left, x)
				case align.Right:
					axle.Right = append(axle.Right, x)
				default:
					axle.Readings = append(axle.Readings, x)
				}
			}
		}
		v.Axles = append(v.Axles, axle)
	}
}

// reading is one number with what it should be.
func (b *bench) reading(r rig.Reading, t *spec.Target, rule align.Rule) bay.Reading {
	k, unit := 1.0, r.Unit
	switch {
	case r.Unit == "mm" && b.units == record.Imperial:
		k, unit = 1/25.4, "in"
	case r.Unit == "deg":
		unit = "°"
	case r.Unit == "1":
		unit = ""
	}
	d := digits(r.U*k, r.Unit)
	if unit == "in" {
		d = min(3, twoDigits(r.U*k))
	}
	x := bay.Reading{Quantity: string(r.Quantity), Name: nameOf(r.Quantity), Value: wording.Decimal(r.Value*k, d), U: wording.Decimal(r.U*k, d), Unit: unit, At: math.NaN()}
	if t == nil {
		x.At = 0.5
		return x
	}
	x.Verdict = string(t.Judge(r, rule).Verdict)
	low, high := t.Low/t.Unit(), t.High/t.Unit()
	limit := func(v float64) string {
		if math.IsInf(v, 0) {
			return ""
		}
		text := wording.Decimal(v*k, max(2, d))
		if strings.Contains(text, ".") {
			text = strings.TrimSuffix(strings.TrimRight(text, "0"), ".")
		}
		return text
	}
	x.Low, x.High = limit(low), limit(high)
	x.At = 0.5
	if span := high - low; span > 0 && !math.IsInf(span, 0) {
		x.At, x.Width = (r.Value-low)/span, 2*r.U/span
	}
	return x
}

// above is the vehicle from above: axles as they were measured, boards as they hang
// and lie.
func (b *bench) above(v *bay.View, f *work.Folder) {
	job := f.Job.Job
	for i, a := range job.Vehicle.Axles {
		x := bay.PlanAxle{Number: i + 1, X: job.Vehicle.Axles[0].Position - a.Position, Track: a.Track, Tyre: a.TyreDiameter, Steered: a.Steered}
		if f.Result != nil {
			for _, r := range f.Result.Readings {
				if r.Epoch == v.Epoch && r.Axle == i+1 && r.Quantity == align.Toe {
					if r.Side == align.Left {
						x.Left = r.Value * math.Pi / 180
					} else {
						x.Right = r.Value * math.Pi / 180
					}
				}
			}
		}
		v.Plan.Axles = append(v.Plan.Axles, x)
	}
	seen := map[string]int{}
	if v.Station != nil {
		for _, p := range v.Station.Photos {
			for _, name := range p.Boards {
				seen[name]++
			}
		}
	}
	for _, w := range v.Wheels {
		if w.Board == "" {
			continue
		}
		a := job.Vehicle.Axles[w.Axle-1]
		y := a.Track/2 + 0.35
		if w.Side == string(align.Right) {
			y = -y
		}
		v.Plan.Boards = append(v.Plan.Boards, bay.PlanBoard{Name: w.Board, Kind: "wheel", X: job.Vehicle.Axles[0].Position - a.Position, Y: y, Seen: seen[w.Board]})
	}
	told, err := loadPlan(b.dir)
	if err != nil || told == nil {
		return
	}
	for _, l := range told.Floor {
		if !l.Unused {
			v.Plan.Boards = append(v.Plan.Boards, bay.PlanBoard{Name: l.Board, Kind: "floor", X: l.AtMM[0] / 1e3, Y: l.AtMM[1] / 1e3, Seen: seen[l.Board]})
		}
	}
}
