// Package work knows the order of the work on a vehicle: what has to be done,
// from driving in to handing over the record, how far a job has come, and the
// one thing to do now. It derives all of it from the job's folder, so it can be
// asked at any time.
package work

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"wheelplane/cmd/wheelplane/internal/spec"
	"wheelplane/cmd/wheelplane/internal/visit"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// State is where a step stands.
type State string

// The states.
const (
	Done    State = "done"
	Now     State = "now"
	Later   State = "later"
	Skipped State = "skipped"
)

// Step is one thing to do.
type Step struct {
	ID    string   `json:"id"`
	Title string   `json:"title"`
	State State    `json:"state"`
	Do    string   `json:"do"`
	Why   string   `json:"why"`
	Tell  []string `json:"tell,omitempty"` // commands that do it or tell that it is done
	Cares []string `json:"cares,omitempty"`

	// Shots are the photographs that are wanted now, of a step that asks for some.
	Shots []rig.NextPhoto `json:"shots,omitempty"`

	// Begins is the epoch that carrying out this step begins, of an adjustment.
	Begins *Begins `json:"begins,omitempty"`

	// Of a check, who told of it and when, and what else they said.
	By   string    `json:"by,omitempty"`
	At   time.Time `json:"at,omitzero"`
	Note string    `json:"note,omitempty"`
}

// Begins is an epoch to come: its name, and the axles that are adjusted for it.
type Begins struct {
	Epoch string `json:"epoch"`
	Moved string `json:"moved"` // as 'station --moved' takes them: 3,1
}

// Folder is what a job's folder holds, as far as the order of work depends on
// it.
type Folder struct {
	Dir     string
	Job     *rig.Folder
	Visit   *visit.Visit
	Targets []spec.Target // nil: no specification taken yet
	Rule    align.Rule
	Result  *rig.Result // nil: not measured yet

	Measured time.Time // when Result was written
	Newest   time.Time // of job.yaml and the photographs, of those that Result was not made from
	Recorded time.Time // when the record was written; zero: not yet

	Planned []rig.NextPhoto // the shots of plan.json, nil without one
	// Shows tells which boards were found in a photograph, by its path in the job;
	// nil where that is not known.
	Shows func(photo string) []string

	// AsTheyCome: photographs are measured one by one, so that a station is done with
	// when its plan is, or when somebody says so, not because it was measured.
	AsTheyCome bool

	// Adjustable tells whether a reading of this vehicle can be adjusted at all:
	// asked where there is no Advice.
	Adjustable func(align.Quantity, int) bool
	Advice     *Advice // nil: none could be worked out
}

// Advice is how much to turn, as far as the order of work depends on it.
type Advice struct {
	Epoch  string
	Steps  []Advised                // what to adjust, in order
	Within func(r rig.Reading) bool // it is foreseen within its limits
	Refer  func(r rig.Reading) bool // nothing adjusts it
}

// Advised is one thing to adjust, told in words.
type Advised struct {
	Part  string // what is turned or moved: tie_rod
	Axle  int
	Side  align.Side
	Title string
	Do    string
	Why   []string
}

// check is something that a person looks at or does.
type check struct {
	id, title, do, why string
	cares              []string
}

func steered(job *rig.Job) bool {
	return slices.ContainsFunc(job.Vehicle.Axles, func(a rig.Axle) bool { return a.Steered })
}

// The cautions are common practice; no source.
func careStands() string { return wording.Say("care.stands") }
func careMaker() string  { return wording.Say("care.maker") }
func careTorque() string { return wording.Say("care.torque") }
func careTurn() string   { return wording.Say("care.turn") }
func careClamp() string  { return wording.Say("care.clamp") }
func careReach() string  { return wording.Say("care.reach") }
func careRoad() string   { return wording.Say("care.road") }

// checksOf lists what is looked at before measuring, for a vehicle of this
// layout. What belongs there is common practice; no source.
func checksOf(job *rig.Job) []check {
	list := []check{
		{"tyre-pressures", wording.Say("check.tyre-pressures.title"),
			wording.Say("check.tyre-pressures.do"),
			wording.Say("check.tyre-pressures.why"), nil},
		{"wheel-bearings", wording.Say("check.wheel-bearings.title"),
			wording.Say("check.wheel-bearings.do"),
			wording.Say("check.wheel-bearings.why"), []string{careStands()}},
	}
	if steered(job) {
		list = append(list,
			check{"kingpins", wording.Say("check.kingpins.title"),
				wording.Say("check.kingpins.do"),
				wording.Say("check.kingpins.why"), []string{careStands()}},
			check{"tie-rods", wording.Say("check.tie-rods.title"),
				wording.Say("check.tie-rods.do"),
				wording.Say("check.tie-rods.why"), []string{careTurn()}})
	}
	list = append(list,
		check{"suspension", wording.Say("check.suspension.title"),
			wording.Say("check.suspension.do"),
			wording.Say("check.suspension.why"), []string{careStands()}},
		check{"ride-height", wording.Say("check.ride-height.title"),
			wording.Say("check.ride-height.do"),
			wording.Say("check.ride-height.why"), nil},
		check{"load", wording.Say("check.load.title"),
			wording.Say("check.load.do"),
			wording.Say("check.load.why"), nil})
	if job.Kingpin != nil {
		list = append(list, check{"coupling", wording.Say("check.coupling.title"),
			wording.Say("check.coupling.do"),
			wording.Say("check.coupling.why"), nil})
	}
	if steered(job) {
		list = append(list, check{"steering-centred", wording.Say("check.steering-centred.title"),
			wording.Say("check.steering-centred.do"),
			wording.Say("check.steering-centred.why"), nil})
	}
	return append(list, check{"parked", wording.Say("check.parked.title"),
		wording.Say("check.parked.do"),
		wording.Say("check.parked.why"), []string{careMaker()}})
}

// Steps lists the whole work, in order. At most one step is Now: the first that
// is neither done nor skipped.
func Steps(f *Folder) []Step {
	var list []Step
	add := func(s Step, done bool) {
		s.State = Later
		if done {
			s.State = Done
		}
		list = append(list, s)
	}
	add(Step{ID: "targets", Title: wording.Say("step.targets.title"), Do: wording.Say("step.targets.do"),
		Why: wording.Say("step.targets.why"), Tell: []string{"wheelplane spec list", "wheelplane spec use " + f.Dir + " NAME"}}, f.Targets != nil)
	f.skip(&list[0])
	for _, c := range checksOf(f.Job.Job) {
		list = append(list, f.checkStep(c))
	}
	f.measuring(&list)
	current := false
	for i := range list {
		if s := &list[i]; !current && s.State == Later {
			s.State, current = Now, true
		}
	}
	return list
}

// Present is the step to do now, or nil when all is done.
func Present(list []Step) *Step {
	if i := slices.IndexFunc(list, func(s Step) bool { return s.State == Now }); i >= 0 {
		return &list[i]
	}
	return nil
}

// CheckIDs are the names that a person may tell a result of, for a job.
func CheckIDs(job *rig.Job) []string {
	var out []string
	for _, c := range checksOf(job) {
		out = append(out, c.id)
	}
	out = append(out, "targets")
	for _, m := range moves(job) {
		out = append(out, m.id())
	}
	for _, s := range job.Stations {
		out = append(out, stationID(s.Name))
	}
	out = append(out, moreID, "undecided", "accept")
	return append(out, ClosingChecks(job)...)
}

// ClosingChecks are the checks after adjusting, in their order.
func ClosingChecks(job *rig.Job) []string {
	if steered(job) {
		return []string{"steering-wheel", "torque", "road-test"}
	}
	return []string{"torque", "road-test"}
}

// OpenChecks are the checks before measuring that nobody has told to be good or
// not to apply.
func OpenChecks(f *Folder) []string {
	var out []string
	for _, c := range checksOf(f.Job.Job) {
		if told := f.Visit.Of(c.id); told == nil || told.Result == visit.Bad {
			out = append(out, c.id)
		}
	}
	return out
}

// skip marks a step that somebody said does not apply.
func (f *Folder) skip(s *Step) {
	if c := f.Visit.Of(s.ID); c != nil && c.Result == visit.Skipped && s.State == Later {
		s.State, s.By, s.At, s.Note = Skipped, c.By, c.At, c.Note
	}
}

// checkStep is a check with what was told of it. A bad one stays to do.
func (f *Folder) checkStep(c check) Step {
	s := Step{ID: c.id, Title: c.title, Do: c.do, Why: c.why, Cares: c.cares, State: Later,
		Tell: []string{fmt.Sprintf("wheelplane check %s %s ok", f.Dir, c.id)}}
	if told := f.Visit.Of(c.id); told != nil {
		s.By, s.At, s.Note = told.By, told.At, told.Note
		switch told.Result {
		case visit.OK:
			s.State = Done
		case visit.Skipped:
			s.State = Skipped
		case visit.Bad:
			s.Do = wording.Say("check.bad", "do", s.Do)
		}
	}
	return s
}

// move is boards being clamped: at the start, or from one wheel to another.
type move struct {
	station int
	hangs   []rig.Hang
	from    map[int]rig.Wheel // by board: where it was before
	off     []rig.Hang        // boards that are taken off and hang nowhere then
}

func (m *move) id() string {
	if m.station == 0 {
		return "boards-hung"
	}
	return fmt.Sprintf("boards-moved-%d", m.station+1)
}

// moves lists when boards are clamped, by station.
func moves(job *rig.Job) []move {
	var out []move
	at := map[int]rig.Wheel{}
	for st := range job.Stations {
		m := move{station: st, from: map[int]rig.Wheel{}}
		for _, h := range job.Hangs {
			if st > 0 && h.Stations.Has(st-1) && !h.Stations.Has(st) && !slices.ContainsFunc(job.Hangs, func(o rig.Hang) bool { return o.Board == h.Board && o.Stations.Has(st) }) {
				m.off = append(m.off, h)
				delete(at, h.Board)
			}
			if !h.Stations.Has(st) {
				continue
			}
			before, hung := at[h.Board]
			if hung && before == h.Wheel {
				continue
			}
			if hung {
				m.from[h.Board] = before
			}
			at[h.Board] = h.Wheel
			m.hangs = append(m.hangs, h)
		}
		if len(m.hangs)+len(m.off) > 0 {
			out = append(out, m)
		}
	}
	return out
}

// movesAt is what is clamped for a station, or nil.
func movesAt(job *rig.Job, st int) *move {
	list := moves(job)
	if i := slices.IndexFunc(list, func(m move) bool { return m.station == st }); i >= 0 {
		return &list[i]
	}
	return nil
}

// text says what is clamped, moved and taken off.
func (m *move) text(job *rig.Job) string {
	var clamp, shift, off []string
	for _, h := range m.hangs {
		name := job.Boards[h.Board].Name
		if from, moved := m.from[h.Board]; moved {
			shift = append(shift, wording.Say("board.shift", "board", name, "from", wheelName(from), "to", wheelName(h.Wheel)))
		} else {
			clamp = append(clamp, wording.Say("board.clamp", "board", name, "wheel", wheelName(h.Wheel)))
		}
	}
	for _, h := range m.off {
		off = append(off, wording.Say("board.off", "board", job.Boards[h.Board].Name, "wheel", wheelName(h.Wheel)))
	}
	var parts []string
	if off != nil {
		parts = append(parts, wording.Say("boards.off", "boards", strings.Join(off, ", ")))
	}
	if shift != nil {
		parts = append(parts, wording.Say("boards.shift", "boards", strings.Join(shift, ", ")))
	}
	if clamp != nil {
		parts = append(parts, wording.Say("boards.clamp", "boards", strings.Join(clamp, ", ")))
	}
	return strings.Join(parts, ", ")
}

func sideName(s align.Side) string {
	switch s {
	case align.Left:
		return wording.Say("side.left")
	case align.Right:
		return wording.Say("side.right")
	}
	return string(s)
}

func wheelName(w rig.Wheel) string {
	return wording.Say("wheel", "axle", w.Axle, "side", sideName(w.Side))
}

// readingName is a quantity's name in a sentence, and its side.
func readingName(q align.Quantity, side align.Side) string {
	name := wording.Quantity(string(q))
	if side != align.NoSide {
		name = wording.Say("reading.of.side", "quantity", name, "side", sideName(side))
	}
	return name
}

// measuring adds the steps from hanging the boards to the record.
func (f *Folder) measuring(list *[]Step) {
	job := f.Job.Job
	last := ""
	for st, s := range job.Stations {
		photographed := f.photographed(st)
		if m := movesAt(job, st); m != nil {
			text := wording.Capital(m.text(job))
			c := check{id: m.id(), title: wording.Say("step.clamp.title"), do: wording.Say("step.clamp.do", "boards", text),
				why: wording.Say("step.clamp.why"), cares: []string{careClamp()}}
			if st > 0 {
				c.title, c.do = wording.Say("step.move.title"), wording.Say("step.move.do", "boards", text)
				c.why = wording.Say("step.move.why")
				c.cares = []string{careReach(), careClamp()}
			}
			step := f.checkStep(c)
			if (photographed || !slices.Contains(f.Job.Missing, st)) && step.State == Later {
				step.State = Done // the photographs show them
			}
			*list = append(*list, step)
		}
		*list = append(*list, f.stationStep(st, photographed))
		more := f.more(s.Epoch)
		if f.standsAt() != st {
			more = nil
		}
		last = s.Epoch
		end := st+1 == len(job.Stations) || job.Stations[st+1].Epoch != s.Epoch
		if end {
			*list = append(*list, f.readings(s.Epoch))
		}
		if more != nil {
			*list = append(*list, *more)
		}
	}
	f.adjusting(list, last)
}

// readings is the step of measuring an epoch.
func (f *Folder) readings(epoch string) Step {
	s := Step{ID: "measure-" + slug(epoch), Title: wording.Say("step.readings.title", "epoch", epoch), Do: wording.Say("step.readings.do", "epoch", epoch),
		Why: wording.Say("step.readings.why"), Tell: []string{"wheelplane measure " + f.Dir}, State: Later}
	if f.measured(epoch) {
		s.State = Done
	}
	return s
}

// measured tells whether the result holds this epoch, from every station's
// photographs of today.
func (f *Folder) measured(epoch string) bool {
	if f.Result == nil || f.Result.Network == nil || !slices.ContainsFunc(f.Result.Readings, func(r rig.Reading) bool { return r.Epoch == epoch }) {
		return false
	}
	for st, s := range f.Job.Job.Stations {
		if s.Epoch == epoch && !slices.Contains(f.Job.Missing, st) && !f.used(s.Name) {
			return false
		}
	}
	// A later epoch's photographs do not make an earlier one's readings stale.
	if epoch == f.Job.Job.Stations[len(f.Job.Job.Stations)-1].Epoch {
		return !f.Measured.Before(f.Newest)
	}
	return true
}

// used tells whether the result holds a station of this name.
func (f *Folder) used(station string) bool {
	return f.Result != nil && f.Result.Network != nil && slices.ContainsFunc(f.Result.Network.Stations, func(s rig.Stop) bool { return s.Name == station })
}

func slug(s string) string {
	return strings.Trim(strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9':
			return r
		case r >= 'A' && r <= 'Z':
			return r + 'a' - 'A'
		}
		return '-'
	}, s), "-")
}

// instead says what the measurement would have instead of photographs.
func (f *Folder) instead() string {
	if w := f.Result.Weak; w != nil && w.Instead != "" && len(w.Photos) == 0 {
		return " " + wording.Say("step.undecided.instead", "instead", w.Instead)
	}
	return ""
}

// adjusting adds what is to be adjusted by the readings as they stand, and what
// ends the job.
func (f *Folder) adjusting(list *[]Step, epoch string) {
	ready := f.measured(epoch)
	adjusted := epoch != f.Job.Job.Stations[0].Epoch
	var undecided []string
	if ready && f.Targets != nil {
		advice := f.Advice
		if advice != nil && advice.Epoch != epoch {
			advice = nil
		}
		if advice != nil {
			for i := range advice.Steps {
				*list = append(*list, f.advisedStep(i))
			}
		}
		for _, t := range f.todo(epoch) {
			switch {
			case advice != nil && advice.Within(t.r):
				// What is adjusted brings it within.
			case advice != nil && !(t.verdict == align.Outside && advice.Refer(t.r)):
				undecided = append(undecided, t.what())
			case t.verdict == align.Undecided:
				undecided = append(undecided, t.what())
			case advice == nil && (f.Adjustable == nil || f.Adjustable(t.r.Quantity, t.r.Axle)):
				*list = append(*list, f.adjustStep(t, epoch))
			default:
				*list = append(*list, Step{ID: fmt.Sprintf("refer-%s-%d", slug(string(t.r.Quantity)), t.r.Axle), Title: wording.Say("step.refer.title", "what", t.what()), State: Skipped,
					Do: wording.Say("step.refer.do"), Why: t.why(), Cares: []string{careMaker()}})
			}
		}
	}
	accepted := false
	if c := f.Visit.Of("accept"); c != nil && c.Result == visit.OK && !c.At.Before(f.Measured) {
		accepted = true
		for i := range *list {
			if s := &(*list)[i]; strings.HasPrefix(s.ID, "adjust-") {
				s.State, s.By, s.At, s.Note = Skipped, c.By, c.At, c.Note
			}
		}
	}
	if len(undecided) > 0 {
		s := Step{ID: "undecided", Title: wording.Say("step.undecided.title"), State: Later,
			Do:  wording.Say("step.undecided.do", "readings", strings.Join(undecided, ", ")) + f.instead(),
			Why: wording.Say("step.undecided.why"), Tell: []string{"wheelplane judge " + f.Dir, "wheelplane check " + f.Dir + " undecided ok"}}
		if c := f.Visit.Of("undecided"); c != nil && c.Result != visit.Bad && !c.At.Before(f.Measured) {
			s.State, s.By, s.At, s.Note = Done, c.By, c.At, c.Note
		}
		if accepted {
			s.State = Skipped
		}
		*list = append(*list, s)
	}
	if adjusted {
		if steered(f.Job.Job) {
			*list = append(*list, f.checkStep(check{"steering-wheel", wording.Say("check.steering-wheel.title"),
				wording.Say("check.steering-wheel.do"),
				wording.Say("check.steering-wheel.why"), []string{careTurn()}}))
		}
		*list = append(*list,
			f.checkStep(check{"torque", wording.Say("check.torque.title"),
				wording.Say("check.torque.do"),
				wording.Say("check.torque.why"), []string{careTorque()}}),
			f.checkStep(check{"road-test", wording.Say("check.road-test.title"),
				wording.Say("check.road-test.do"),
				wording.Say("check.road-test.why"), []string{careRoad(), careMaker()}}))
	}
	s := Step{ID: "record", Title: wording.Say("step.record.title"), Do: wording.Say("step.record.do"), Why: wording.Say("step.record.why"),
		Tell: []string{"wheelplane report " + f.Dir}, State: Later}
	if ready && !f.Recorded.IsZero() && !f.Recorded.Before(f.Measured) {
		s.State = Done
	}
	*list = append(*list, s)
}

// task is a reading that is not within its limits.
type task struct {
	r       rig.Reading
	t       *spec.Target
	verdict align.Verdict
	order   int
	name    string // of the axle
}

// whichFirst is the order in which the readings of an axle are dealt with; toe
// comes last, for everything else moves it.
var whichFirst = []align.Quantity{
	align.ThrustAngle, align.ScrubAngle, align.AxleHeading, align.AxleOffset,
	align.Kingpin, align.CrossKingpin, align.Caster, align.CrossCaster, align.Camber, align.CrossCamber, align.ToeOutOnTurns, align.TotalToe, align.Toe,
}

// todo lists the readings of an epoch that are outside or undecided: rear axles
// from the reference axle forward, then the axles behind it, then the steered
// ones from the front.
func (f *Folder) todo(epoch string) []task {
	var out []task
	job := f.Job.Job
	ref := job.Vehicle.Reference
	for _, r := range f.Result.Readings {
		if r.Epoch != epoch || r.Axle < 1 || r.Axle > len(job.Vehicle.Axles) {
			continue
		}
		t := spec.Find(f.Targets, f.Result.Readings, r)
		if t == nil {
			continue
		}
		j := t.Judge(r, f.Rule)
		if j.Verdict == align.Within {
			continue
		}
		order := ref - r.Axle
		switch {
		case job.Vehicle.Axles[r.Axle-1].Steered:
			order = 2000 + r.Axle
		case r.Axle > ref:
			order = 1000 + r.Axle
		}
		which := slices.Index(whichFirst, r.Quantity)
		if which < 0 {
			which = len(whichFirst)
		}
		name := wording.Say("axle", "axle", r.Axle)
		if n := job.Vehicle.Axles[r.Axle-1].Name; n != "" {
			name = wording.Say("axle.named", "axle", r.Axle, "name", n)
		}
		out = append(out, task{r, t, j.Verdict, order*100 + which, name})
	}
	slices.SortStableFunc(out, func(a, b task) int { return cmp.Compare(a.order, b.order) })
	return out
}

func (t *task) what() string {
	return wording.Say("reading.of", "reading", readingName(t.r.Quantity, t.r.Side), "axle", t.name)
}

func (t *task) why() string {
	k := t.t.Unit()
	limits := ""
	switch low, high := t.t.Low/k, t.t.High/k; {
	case math.IsInf(low, 0):
		limits = wording.Say("limits.most", "high", fmt.Sprintf("%.3g", high))
	case math.IsInf(high, 0):
		limits = wording.Say("limits.least", "low", fmt.Sprintf("%.3g", low))
	default:
		limits = wording.Say("limits.both", "low", fmt.Sprintf("%.3g", low), "high", fmt.Sprintf("%.3g", high))
	}
	return wording.Say("step.adjust.why", "value", fmt.Sprintf("%.3f", t.r.Value), "unit", t.r.Unit, "u", fmt.Sprintf("%.3f", t.r.U), "limits", limits)
}

// advisedStep is the step of adjusting one thing of the advice.
func (f *Folder) advisedStep(i int) Step {
	a := f.Advice.Steps[i]
	var axles []string
	for _, x := range f.Advice.Steps {
		if n := fmt.Sprint(x.Axle); !slices.Contains(axles, n) {
			axles = append(axles, n)
		}
	}
	after := wording.Say("step.adjust.then")
	if more := len(f.Advice.Steps) - 1 - i; more > 0 {
		after = wording.Say("step.adjust.more")
	}
	id := fmt.Sprintf("adjust-%s-%d", slug(a.Part), a.Axle)
	if a.Side != align.NoSide {
		id += "-" + string(a.Side)
	}
	return Step{ID: id, Title: a.Title, State: Later, Do: wording.Say("step.adjust.advised", "do", a.Do, "then", after), Why: strings.Join(a.Why, "; "),
		Cares: []string{careStands(), careTorque(), careMaker()}, Tell: f.adjustCommands(strings.Join(axles, ",")), Begins: &Begins{f.nextEpoch(), strings.Join(axles, ",")}}
}

// nextEpoch names the epoch after the next adjustment.
func (f *Folder) nextEpoch() string {
	epoch := "as left"
	for n := 2; slices.ContainsFunc(f.Job.Job.Stations, func(s rig.Station) bool { return s.Epoch == epoch }); n++ {
		epoch = fmt.Sprintf("as left, round %d", n)
	}
	return epoch
}

// adjustCommands are what to type about an adjustment of these axles.
func (f *Folder) adjustCommands(axles string) []string {
	return []string{"wheelplane advise " + f.Dir, fmt.Sprintf("wheelplane station %s --epoch %q --moved %s", f.Dir, f.nextEpoch(), axles),
		fmt.Sprintf("wheelplane check %s accept ok   # %s", f.Dir, wording.Say("tell.leave"))}
}

func (f *Folder) adjustStep(t task, epoch string) Step {
	return Step{
		ID:    fmt.Sprintf("adjust-%s-%d%s", slug(string(t.r.Quantity)), t.r.Axle, strings.TrimSuffix("-"+string(t.r.Side), "-")),
		Title: wording.Say("step.adjust.title", "what", t.what()), State: Later,
		Do: wording.Say("step.adjust.do",
			"value", fmt.Sprintf("%.3f", t.t.Wish/t.t.Unit()), "unit", t.r.Unit),
		Why: t.why(), Cares: []string{careStands(), careTorque(), careMaker()},
		Tell: f.adjustCommands(fmt.Sprint(t.r.Axle)), Begins: &Begins{f.nextEpoch(), fmt.Sprint(t.r.Axle)},
	}
}
