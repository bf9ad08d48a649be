package cli

import (
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"wheelplane/cmd/wheelplane/internal/spec"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/cmd/wheelplane/internal/work"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"

	"github.com/spf13/cobra"
)

type adviseOptions struct {
	dir   string
	units string
	all   bool
}

func newAdviseCommand(app *App) *cobra.Command {
	var o adviseOptions
	c := &cobra.Command{
		Use:   "advise DIR",
		Short: "Say how much to turn, what comes of it, and what it costs to leave it",
		Long: `advise works out, from the latest readings in DIR/result.json and the target
values in DIR/spec.yaml, how much to move or turn each thing that can be adjusted,
in the order of work: the reference axle, the other axles against it, caster,
camber, and toe last. It foresees every reading as it would stand then, with the
uncertainty of the measurement and of the hand together, and tells how far each
tyre is dragged sideways now and then.

What can be adjusted, and the dimensions that matter, stand in spec.yaml:

` + indent(adjustExample) + `
A lever is the distance across the vehicle between the points that locate the
axle (spring seats, radius rods); without it the track is taken. Without 'adjust'
it is assumed that axles that are not steered slide at their right end, and rods
are told by how far the wheels have to turn.`,
		Example: "  wheelplane advise bay-3\n  wheelplane advise bay-3 --units imperial --all",
		Args:    exactly("DIR"), ValidArgsFunction: completeDirs,
		RunE: func(c *cobra.Command, args []string) error {
			o.dir = args[0]
			if o.units != "metric" && o.units != "imperial" {
				return Usagef("--units %s: choose metric or imperial", o.units)
			}
			return app.advise(o)
		},
	}
	c.Flags().StringVar(&o.units, "units", "metric", "of lengths: metric or imperial")
	c.Flags().BoolVarP(&o.all, "all", "a", false, "show every reading as foreseen, also those without a target that hardly change")
	c.RegisterFlagCompletionFunc("units", completeWords("metric", "imperial"))
	return c
}

const adjustExample = `adjust:
  - {axle: tag, heading: slide, at: right, lever: 1050 mm}      # at: left, right or both
  - {axle: drive, heading: shims, at: left, step: 1.5 mm}       # or eccentrics
  - {axle: 2, offset: slide}                                    # sideways
  - {axle: 1, toe: tie_rod, pitch: 1.5 mm, arm: 190 mm, threads: both, held: left}
  - {axle: 1, steering: drag_link, pitch: 1.5 mm, arm: 220 mm, threads: both}
  - {axle: 1, caster: shims, step: 0.5 deg}
  - {axle: 1, toe: tie_rods, pitch: 1.5 mm, arm: 140 mm, threads: one, rod: ahead}   # a rod for each wheel
  - {axle: 2, toe: eccentrics, step: 0.02 deg}                  # each wheel its own
  - {axle: 1, camber: eccentrics, step: 0.1 deg}
`

// foreseen is the advice for a job with what it is drawn from.
type foreseen struct {
	job     *rig.Job
	spec    *spec.Spec
	targets []spec.Target
	rule    align.Rule
	epoch   string
	stance  *align.Stance
	advice  *align.Advice
	assumed bool // nothing is told of what can be adjusted
	now     []rig.Reading
	after   []rig.Reading // as now
}

// foresee works out the advice for the latest epoch of a job.
func (a *App) foresee(dir string) (*foreseen, error) {
	folder, err := rig.Read(dir)
	if err != nil {
		return nil, BadInput(err)
	}
	result, err := loadResult(dir)
	if err != nil {
		return nil, err
	}
	s, targets, err := specOf(dir, folder.Job)
	if err != nil {
		return nil, err
	}
	if s == nil {
		return nil, BadInputf("%s: no target values yet: take them with 'wheelplane spec use %s NAME'", filepath.Join(dir, spec.File), dir)
	}
	epochs := epochsOf(result.Readings)
	if len(epochs) == 0 {
		return nil, BadInputf("%s: it holds no readings: run 'wheelplane measure %s' again", filepath.Join(dir, rig.ResultFile), dir)
	}
	f := &foreseen{job: folder.Job, spec: s, targets: targets, rule: s.Rule, epoch: epochs[len(epochs)-1]}
	if f.stance, err = result.StanceOf(f.job, f.epoch); err != nil {
		return nil, BadInput(fmt.Errorf("%s: %w", filepath.Join(dir, rig.ResultFile), err))
	}
	adjusters, err := s.Adjusters(&f.job.Vehicle)
	if err != nil {
		return nil, BadInput(err)
	}
	if len(adjusters) == 0 {
		f.assumed = true
		adjusters = assumedAdjusters(&f.job.Vehicle)
	}
	measured := func(axle int) bool {
		n := 0
		for _, w := range f.stance.Wheels {
			if w.Axle == axle {
				n++
			}
		}
		return n == 2
	}
	adjusters = slices.DeleteFunc(adjusters, func(x align.Adjuster) bool {
		if measured(x.Axle) {
			return false
		}
		if !f.assumed {
			a.warn("%s can be adjusted, but %s has no readings of it: it is left out", axleTitle(f.job, x.Axle), f.epoch)
		}
		return true
	})
	var plain []align.Target
	for _, t := range targets {
		if t.Steer == 0 {
			plain = append(plain, t.Target)
		}
	}
	if f.advice, err = align.Advise(f.stance, adjusters, plain, f.rule); err != nil {
		return nil, BadInput(fmt.Errorf("%s: %w", dir, err))
	}
	f.now = rig.ForFiles([]rig.EpochReadings{{Epoch: f.epoch, Set: *f.advice.Now}})
	f.after = rig.ForFiles([]rig.EpochReadings{{Epoch: f.epoch, Set: *f.advice.After}})
	// What the bundle says of its readings goes before what follows from it.
	for i, x := range f.now {
		if y, ok := rig.Find(result.Readings, x); ok {
			f.now[i] = y
		}
	}
	return f, nil
}

// assumedAdjusters stand in where nothing is told: axles slide, and rods have
// nominal dimensions that are not shown.
func assumedAdjusters(v *rig.Vehicle) []align.Adjuster {
	var out []align.Adjuster
	for i, axle := range v.Axles {
		if axle.Steered {
			out = append(out, align.Adjuster{Kind: align.TieRod, Axle: i + 1, Pitch: 1e-3, Arm: 0.2, Step: 0.01})
		} else {
			out = append(out, align.Adjuster{Kind: align.AxleSlide, Axle: i + 1, Side: align.Right})
		}
	}
	return out
}

func (a *App) advise(o adviseOptions) error {
	f, err := a.foresee(o.dir)
	if err != nil {
		return err
	}
	if a.JSON {
		return a.printJSON(f.json())
	}
	a.printf("%s", f.text(o))
	return nil
}

// stepJSON is a step as scripts see it.
type stepJSON struct {
	Kind     align.Kind     `json:"kind"`
	Axle     int            `json:"axle"`
	Side     align.Side     `json:"side"`
	Decision align.Decision `json:"decision"`
	Amount   float64        `json:"amount"`
	Exact    float64        `json:"exact"`
	U        float64        `json:"u"`
	UHand    float64        `json:"u_hand"`
	Unit     string         `json:"unit"`
	Step     float64        `json:"step"`
	Do       string         `json:"do"`
	For      []servedJSON   `json:"for"`
}

type servedJSON struct {
	Quantity    align.Quantity `json:"quantity"`
	Axle        int            `json:"axle"`
	Side        align.Side     `json:"side"`
	Value       float64        `json:"value"` // foreseen just before the step
	Target      float64        `json:"target"`
	Change      float64        `json:"change"`
	Unit        string         `json:"unit"`
	Verdict     align.Verdict  `json:"verdict"`
	Conformance float64        `json:"conformance"`
}

type foreseenJSON struct {
	Quantity     align.Quantity `json:"quantity"`
	Axle         int            `json:"axle"`
	Side         align.Side     `json:"side"`
	Unit         string         `json:"unit"`
	Now          float64        `json:"now"`
	U            float64        `json:"u"`
	Foreseen     float64        `json:"foreseen"`
	UForeseen    float64        `json:"u_foreseen"`
	Target       *targetJSON    `json:"target,omitempty"`
	Verdict      align.Verdict  `json:"verdict,omitempty"`
	VerdictAfter align.Verdict  `json:"verdict_foreseen,omitempty"`
	ConformAfter *float64       `json:"conformance_foreseen,omitempty"`
	Refer        bool           `json:"refer_to_maker,omitempty"`
}

type slipJSON struct {
	Axle      int        `json:"axle"`
	Side      align.Side `json:"side"`
	Now       float64    `json:"m_per_km"`
	U         float64    `json:"u"`
	Foreseen  float64    `json:"m_per_km_foreseen"`
	UForeseen float64    `json:"u_foreseen"`
	NowFtMile float64    `json:"ft_per_mile"`
}

type adviceJSON struct {
	Epoch    string         `json:"epoch"`
	Spec     string         `json:"spec"`
	Assumed  bool           `json:"adjusters_assumed"`
	Steps    []stepJSON     `json:"steps"`
	Readings []foreseenJSON `json:"readings"`
	Slip     []slipJSON     `json:"sideways"`
	Cautions []string       `json:"cautions"`
}

// amountUnit is a move's unit in files, and ours over it.
func amountUnit(k align.Kind) (unit string, per float64) {
	switch k {
	case align.TieRod, align.DragLink:
		return "turns", 1
	case align.ToeCam, align.CasterShim, align.CamberCam:
		return "deg", math.Pi / 180
	}
	return "mm", 1e-3
}

func quantityScale(q align.Quantity) (unit string, per float64) {
	if q.IsLength() {
		return "mm", 1e-3
	}
	return "deg", math.Pi / 180
}

func (f *foreseen) json() *adviceJSON {
	out := &adviceJSON{Epoch: f.epoch, Spec: f.spec.Name, Assumed: f.assumed, Steps: []stepJSON{}, Readings: []foreseenJSON{}, Slip: []slipJSON{}, Cautions: f.cautions()}
	for _, s := range f.advice.Steps {
		unit, per := amountUnit(s.Adjuster.Kind)
		x := stepJSON{Kind: s.Adjuster.Kind, Axle: s.Adjuster.Axle, Side: s.Adjuster.Side, Decision: s.Decision,
			Amount: s.Amount / per, Exact: s.Exact / per, U: s.U / per, UHand: s.Execution() / per, Unit: unit, Step: s.Grain / per, For: []servedJSON{}}
		if s.Decision == align.Adjust {
			x.Do = f.moveText(s, "metric")
		}
		for i, r := range s.For {
			unit, per := quantityScale(r.Quantity)
			y := servedJSON{r.Quantity, r.Axle, r.Side, r.Value / per, s.Targets[i].Wish / per, 0, unit, s.Now[i].Verdict, s.Now[i].Conformance}
			if s.Effects != nil {
				y.Change = s.Effects[i] / per
			}
			x.For = append(x.For, y)
		}
		out.Steps = append(out.Steps, x)
	}
	for i, x := range f.now {
		y := f.after[i]
		r := foreseenJSON{Quantity: x.Quantity, Axle: x.Axle, Side: x.Side, Unit: x.Unit, Now: x.Value, U: x.U, Foreseen: y.Value, UForeseen: y.U}
		if t := spec.Find(f.targets, f.now, x); t != nil {
			target := targetOf(t)
			after := t.Judge(y, f.rule)
			r.Target, r.Verdict, r.VerdictAfter, r.ConformAfter = &target, t.Judge(x, f.rule).Verdict, after.Verdict, &after.Conformance
			r.Refer = f.refers(x)
		}
		out.Readings = append(out.Readings, r)
	}
	now, after := align.Slips(f.advice.Now, f.stance.Steered), align.Slips(f.advice.After, f.stance.Steered)
	for i, s := range now {
		v, u := s.PerKilometre()
		v2, u2 := after[i].PerKilometre()
		out.Slip = append(out.Slip, slipJSON{s.Axle, s.Side, v, u, v2, u2, v / 1000 * align.FeetPerMile})
	}
	return out
}

// refers tells whether a reading will not be within and nothing moves it.
func (f *foreseen) refers(x rig.Reading) bool {
	return slices.ContainsFunc(f.advice.Refer, func(r align.Reading) bool {
		return r.Quantity == x.Quantity && r.Axle == x.Axle && r.Side == x.Side
	})
}

// forWork is the advice as the order of work tells it.
func (f *foreseen) forWork() *work.Advice {
	out := &work.Advice{Epoch: f.epoch, Refer: f.refers}
	for _, s := range f.advice.Steps {
		if s.Decision == align.Adjust {
			out.Steps = append(out.Steps, work.Advised{Part: string(s.Adjuster.Kind), Axle: s.Adjuster.Axle, Side: s.Adjuster.Side, Title: "Adjust " + f.partText(s.Adjuster),
				Do: upperFirst(f.moveText(s, "metric")), Why: f.whyText(s, "metric")})
		}
	}
	out.Within = func(r rig.Reading) bool {
		after, ok := rig.Find(f.after, r)
		t := spec.Find(f.targets, f.after, after)
		return ok && t != nil && t.Judge(after, f.rule).Verdict == align.Within
	}
	return out
}

// text is the advice for people.
func (f *foreseen) text(o adviseOptions) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s against %s\n", f.epoch, f.spec.Name)
	if f.assumed {
		fmt.Fprintf(&b, "%s does not say what can be adjusted: see 'wheelplane advise --help'\n", spec.File)
	}
	n := 0
	var leave, more []string
	for _, s := range f.advice.Steps {
		name := f.partText(s.Adjuster)
		switch s.Decision {
		case align.Adjust:
			n++
			fmt.Fprintf(&b, "\n%d. %s\n", n, upperFirst(f.moveText(s, o.units)))
			for _, line := range f.whyText(s, o.units) {
				fmt.Fprintf(&b, "   %s\n", line)
			}
		case align.PhotographMore:
			more = append(more, fmt.Sprintf("%s: %s", name, f.servedText(s)))
		default:
			leave = append(leave, fmt.Sprintf("%s: %s", name, f.servedText(s)))
		}
	}
	if n == 0 {
		b.WriteString("\nnothing to adjust\n")
	}
	list := func(title string, items []string) {
		if len(items) > 0 {
			fmt.Fprintf(&b, "\n%s\n  - %s\n", title, strings.Join(items, "\n  - "))
		}
	}
	list("leave as it is", leave)
	list("photograph more before deciding: it may be right as it is", more)
	var refer []string
	for i, x := range f.now {
		if f.refers(x) {
			d := digits(x.U, x.Unit)
			t := spec.Find(f.targets, f.now, x)
			verdict := t.Judge(f.after[i], f.rule).Verdict
			line := fmt.Sprintf("%s, %s: %s ± %s %s, %s", axleTitle(f.job, x.Axle), readingName(x.Quantity, x.Side), wording.Decimal(x.Value, d), wording.Decimal(x.U, d), x.Unit, verdict)
			refer = append(refer, line)
		}
	}
	list("not within, and nothing listed adjusts it: refer to the maker (a solid axle's camber is not bent)", refer)
	if n > 0 {
		list("take care", f.cautions())
	}
	fmt.Fprintf(&b, "\nevery reading, as foreseen with the adjustments done (u: standard uncertainty)\n\n%s", f.table(o))
	fmt.Fprintf(&b, "\n%s", f.slipText(o.units))
	return b.String()
}

func upperFirst(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

func readingName(q align.Quantity, side align.Side) string {
	if side == align.NoSide {
		return nameOf(q)
	}
	return nameOf(q) + " " + string(side)
}

// partText names an adjuster.
func (f *foreseen) partText(a align.Adjuster) string {
	axle := axleTitle(f.job, a.Axle)
	side := ""
	if a.Side != align.NoSide {
		side = " " + string(a.Side)
	}
	switch a.Kind {
	case align.AxleSlide:
		return wording.Say("advice.part.heading", "axle", axle)
	case align.AxleShift:
		return wording.Say("advice.part.sideways", "axle", axle)
	case align.TieRod:
		return wording.Say("advice.part.rod", "axle", axle, "side", side, "rod", f.rodName(a))
	case align.DragLink:
		return wording.Say("advice.part.link", "axle", axle)
	case align.ToeCam:
		return wording.Say("advice.part.toe", "axle", axle, "side", side)
	case align.CasterShim:
		return wording.Say("advice.part.caster", "axle", axle, "side", side)
	}
	return wording.Say("advice.part.camber", "axle", axle, "side", side)
}

// rodName is what a rod is called: that of an axle which is not steered only
// locates a wheel.
func (f *foreseen) rodName(a align.Adjuster) string {
	if !f.job.Vehicle.Axles[a.Axle-1].Steered {
		return wording.Say("advice.link")
	}
	return wording.Say("advice.rod")
}

// servedText tells how the readings stand that a step is for.
func (f *foreseen) servedText(s align.Step) string {
	var out []string
	for i, r := range s.For {
		unit, per := quantityScale(r.Quantity)
		out = append(out, fmt.Sprintf("%s %s %s %s (%s)", readingName(r.Quantity, r.Side), wording.Decimal(r.Value/per, 3), unit, s.Now[i].Verdict, percent(s.Now[i].Conformance)))
	}
	return strings.Join(out, ", ")
}

// lengthText writes a length in mm or in.
func lengthText(m float64, units string) string {
	if units == "imperial" {
		return wording.Decimal(m/0.0254, 3) + " in"
	}
	return strings.TrimSuffix(strings.TrimRight(wording.Decimal(m*1e3, 2), "0"), ".") + " mm"
}

// turnsText writes turns as whole ones and a fraction, with degrees.
func turnsText(turns, grain float64) string {
	turns = math.Abs(turns)
	per := int(math.Round(1 / grain))
	n := int(math.Round(turns * float64(per)))
	whole, rest := n/per, n%per
	text := ""
	if whole > 0 {
		text = fmt.Sprint(whole)
	}
	if rest > 0 {
		g := gcd(rest, per)
		text = strings.TrimSpace(fmt.Sprintf("%s %d/%d", text, rest/g, per/g))
	}
	if turns > 1 {
		return wording.Say("advice.turns", "turns", text)
	}
	if rest == 0 {
		return wording.Say("advice.turn", "turns", text)
	}
	return wording.Say("advice.turn.part", "turns", text, "degrees", int(math.Round(360*turns)))
}

func gcd(a, b int) int {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// moveText says in plain words what to do.
func (f *foreseen) moveText(s align.Step, units string) string {
	a, v := s.Adjuster, s.Amount
	axle := axleTitle(f.job, a.Axle)
	steps := ""
	if a.Steps {
		n := int(math.Round(math.Abs(v / s.Grain)))
		steps = " " + wording.Say("advice.steps", "count", n)
		if n == 1 {
			steps = " " + wording.Say("advice.step")
		}
	}
	pick := func(positive, negative string) string {
		if v > 0 {
			return positive
		}
		return negative
	}
	size := math.Abs(v)
	degrees := wording.Decimal(size*180/math.Pi, 2) + " deg"
	switch a.Kind {
	case align.AxleSlide:
		if a.Side == align.NoSide {
			half := lengthText(size/2, units)
			return pick(wording.Say("advice.ends.right", "axle", axle, "half", half), wording.Say("advice.ends.left", "axle", axle, "half", half)) + steps
		}
		by := lengthText(size, units)
		return pick(wording.Say("advice.end.forward", "side", a.Side, "axle", axle, "by", by), wording.Say("advice.end.back", "side", a.Side, "axle", axle, "by", by)) + steps
	case align.AxleShift:
		by := lengthText(size, units)
		return pick(wording.Say("advice.shift.left", "axle", axle, "by", by), wording.Say("advice.shift.right", "axle", axle, "by", by)) + steps
	case align.TieRod:
		if f.assumed {
			toe, per := wording.Decimal(size*a.PerTurn()/a.Arm*180/math.Pi, 3), lengthText(size*a.PerTurn()/a.Arm*0.1, units)
			return pick(wording.Say("advice.rod.more", "rod", f.rodName(a), "axle", axle, "toe", toe, "per", per, "file", spec.File),
				wording.Say("advice.rod.less", "rod", f.rodName(a), "axle", axle, "toe", toe, "per", per, "file", spec.File))
		}
		rod, turns := strings.TrimSpace(string(a.Side)+" "+f.rodName(a)), turnsText(v, s.Grain)
		return pick(wording.Say("advice.lengthen", "rod", rod, "axle", axle, "turns", turns), wording.Say("advice.shorten", "rod", rod, "axle", axle, "turns", turns))
	case align.DragLink:
		turns := turnsText(v, s.Grain)
		return pick(wording.Say("advice.link.left", "axle", axle, "turns", turns), wording.Say("advice.link.right", "axle", axle, "turns", turns))
	case align.ToeCam:
		return pick(wording.Say("advice.toe.in", "side", a.Side, "axle", axle, "degrees", degrees), wording.Say("advice.toe.out", "side", a.Side, "axle", axle, "degrees", degrees)) + steps
	case align.CasterShim:
		where := wording.Say("advice.both")
		if a.Side != align.NoSide {
			where = wording.Say("advice.side", "side", a.Side)
		}
		return pick(wording.Say("advice.caster.more", "axle", axle, "degrees", degrees, "where", where, "steps", steps), wording.Say("advice.caster.less", "axle", axle, "degrees", degrees, "where", where, "steps", steps))
	}
	return pick(wording.Say("advice.camber.out", "side", a.Side, "axle", axle, "degrees", degrees), wording.Say("advice.camber.in", "side", a.Side, "axle", axle, "degrees", degrees)) + steps
}

// whyText tells what a step is for and how well its amount is known.
func (f *foreseen) whyText(s align.Step, units string) []string {
	var out []string
	for i, r := range s.For {
		unit, per := quantityScale(r.Quantity)
		if math.Abs(s.Effects[i])/per < 5e-4 {
			continue
		}
		t := s.Targets[i]
		out = append(out, wording.Say("advice.why", "reading", readingName(r.Quantity, r.Side), "value", wording.Decimal(r.Value/per, 3), "change", signed(s.Effects[i]/per, 3),
			"wish", wording.Decimal(t.Wish/per, 3), "range", rangeText(t, per), "unit", unit))
	}
	exact := ""
	a := s.Adjuster
	switch {
	case f.assumed && a.Kind == align.TieRod:
	case a.Kind == align.TieRod || a.Kind == align.DragLink:
		thread := wording.Say("advice.thread")
		if a.BothThreads {
			thread = wording.Say("advice.threads")
		}
		exact = wording.Say("advice.exact.turns", "value", wording.Decimal(math.Abs(s.Exact), 2), "u", wording.Decimal(s.U, 2), "pitch", lengthText(a.Pitch, units), "thread", thread, "arm", lengthText(a.Arm, units))
	case a.Kind == align.AxleSlide:
		exact = wording.Say("advice.exact.lever", "value", lengthText(math.Abs(s.Exact), units), "u", lengthText(s.U, units), "lever", lengthText(f.stance.LeverOf(a), units))
	case a.Kind == align.AxleShift:
		exact = wording.Say("advice.exact.length", "value", lengthText(math.Abs(s.Exact), units), "u", lengthText(s.U, units))
	default:
		exact = wording.Say("advice.exact.angle", "value", wording.Decimal(math.Abs(s.Exact)*180/math.Pi, 3), "u", wording.Decimal(s.U*180/math.Pi, 3))
	}
	if exact != "" {
		out = append(out, exact)
	}
	return out
}

// rangeText writes a target's limits.
func rangeText(t align.Target, per float64) string {
	switch {
	case math.IsInf(t.Low, 0):
		return wording.Say("range.high", "high", wording.Decimal(t.High/per, 3))
	case math.IsInf(t.High, 0):
		return wording.Say("range.low", "low", wording.Decimal(t.Low/per, 3))
	}
	return wording.Say("range.both", "low", wording.Decimal(t.Low/per, 3), "high", wording.Decimal(t.High/per, 3))
}

func signed(v float64, digits int) string {
	s := wording.Decimal(v, digits)
	if v > 0 && !strings.HasPrefix(s, "-") {
		return "+" + s
	}
	return s
}

// cautions are those of the work advised. The maker's manual goes before all.
func (f *foreseen) cautions() []string {
	kinds := map[align.Kind]bool{}
	for _, m := range f.advice.Moves() {
		kinds[m.Adjuster.Kind] = true
	}
	if len(kinds) == 0 {
		return []string{}
	}
	out := []string{
		"The maker's manual, local codes and, where the law asks for it, a licensed workshop come before this advice.",
		"Chock the wheels that stay down, on both sides. Nobody goes under a vehicle on a jack: use rated stands on firm ground.",
		"Leave the boards on, and keep clear of them.",
	}
	if kinds[align.AxleSlide] || kinds[align.AxleShift] {
		out = append(out,
			"Brakes hold an axle where it is: release them only as the maker says, with the vehicle chocked or on stands, and loosen only what its manual names.",
			"Air springs: let the pressure out, or support the frame, as the maker says.")
	}
	if kinds[align.TieRod] || kinds[align.DragLink] {
		out = append(out,
			"Rods: steering straight ahead and held; keep hands out of the linkage. Enough thread stays engaged at both ends; the clamps stand as the maker wants them and touch nothing from lock to lock.")
	}
	if kinds[align.CasterShim] {
		out = append(out, "Caster shims: one to a spring, as wide as the seat, both sides alike; what differs from side to side is the maker's business. Spring bolts are tightened anew, to the maker's torque and order.")
	}
	return append(out,
		"Tighten every fastener to the maker's torque, with new parts where the maker asks for them.",
		"Roll the vehicle gently forward and back so that tyres and suspension settle, photograph it as a new epoch, and measure again. Then a road test, with care.")
}

// table is every reading now and as foreseen.
func (f *foreseen) table(o adviseOptions) string {
	t := newTable(left("axle"), left("quantity"), left("side"), right("now"), right("u"), right("foreseen"), right("u"), right("target"), right("from"), right("to"), left("unit"), left("now"), left("foreseen"))
	for _, row := range rowsOf(f.now, f.epoch) {
		for _, side := range []align.Side{align.Left, align.Right, align.NoSide} {
			for i, x := range f.now {
				if x.Axle != row.axle || x.Quantity != row.quantity || x.Side != side {
					continue
				}
				y := f.after[i]
				target := spec.Find(f.targets, f.now, x)
				if target == nil && !o.all && math.Abs(y.Value-x.Value) < math.Max(x.U, y.U)/2 {
					continue
				}
				k, unit := 1.0, x.Unit
				if o.units == "imperial" && unit == "mm" {
					k, unit = 1/25.4, "in"
				}
				d := digits(math.Min(x.U, y.U), x.Unit)
				if unit == "in" {
					d = min(d+1, 4)
				}
				cells := []string{axleTitle(f.job, x.Axle), nameOf(x.Quantity), string(side), wording.Decimal(x.Value*k, d), wording.Decimal(x.U*k, d), wording.Decimal(y.Value*k, d), wording.Decimal(y.U*k, d), "", "", "", unit}
				if target != nil {
					limits := targetOf(target)
					for n, v := range []*float64{&limits.Target, limits.Low, limits.High} {
						if v != nil {
							w := *v * k
							v = &w
						}
						cells[7+n] = limitText(v, unit)
					}
					before, after := target.Judge(x, f.rule).Verdict, target.Judge(y, f.rule).Verdict
					cells = append(cells, marks[before]+" "+string(before), marks[after]+" "+string(after))
				}
				t.row(cells...)
			}
		}
	}
	return t.String()
}

// slipText is what it costs to leave it.
func (f *foreseen) slipText(units string) string {
	unit, k := "m per km", 1.0
	if units == "imperial" {
		unit, k = "ft per mile", align.FeetPerMile/1000
	}
	now, after := align.Slips(f.advice.Now, f.stance.Steered), align.Slips(f.advice.After, f.stance.Steered)
	t := newTable(left("tyres dragged sideways"), right("left"), right("right"), right("left, foreseen"), right("right, foreseen"), left(""))
	cell := func(s align.Slip) string {
		v, u := s.PerKilometre()
		d := max(0, min(2, twoDigits(math.Max(u*k, 1e-9))))
		return wording.Decimal(math.Abs(v)*k, d) + " ± " + wording.Decimal(u*k, d)
	}
	total := [2]float64{}
	for axle := 1; axle <= len(f.job.Vehicle.Axles); axle++ {
		cells := []string{axleTitle(f.job, axle), "", "", "", "", unit}
		there := false
		for i, s := range now {
			if s.Axle != axle {
				continue
			}
			there = true
			c := 1
			if s.Side == align.Right {
				c = 2
			}
			cells[c], cells[c+2] = cell(s), cell(after[i])
			v, _ := s.PerKilometre()
			w, _ := after[i].PerKilometre()
			total[0], total[1] = total[0]+math.Abs(v)*k, total[1]+math.Abs(w)*k
		}
		if there {
			t.row(cells...)
		}
	}
	text := fmt.Sprintf("what it costs to leave it, driving straight ahead\n\n%s\nall tyres together: %s %s now, %s foreseen\n", t, wording.Decimal(total[0], 1), unit, wording.Decimal(total[1], 1))
	i := f.advice.Now.Find(align.ThrustAngle, f.stance.Reference, align.NoSide)
	base := f.advice.Now.Find(align.Wheelbase, f.stance.Reference, align.NoSide)
	if i >= 0 && base >= 0 {
		off := func(s *align.Set) float64 { return s.Readings[base].Value * math.Tan(s.Readings[i].Value) }
		text += fmt.Sprintf("the rear runs %s beside the front now, %s foreseen\n", lengthText(math.Round(math.Abs(off(f.advice.Now))*1e3)/1e3, units), lengthText(math.Round(math.Abs(off(f.advice.After))*1e3)/1e3, units))
	}
	return text
}
