package spec

import (
	"fmt"
	"slices"
	"strings"

	"wheelplane/pose/align"
	"wheelplane/pose/rig"

	"go.yaml.in/yaml/v3"
)

// adjustLine is one entry of the list of what can be adjusted:
//
//	adjust:
//	  - {axle: tag, heading: slide, at: right, lever: 1050 mm}
//	  - {axle: drive, heading: shims, at: both, lever: 1050 mm, step: 1.5 mm}
//	  - {axle: 1, toe: tie_rod, pitch: 1.5 mm, arm: 190 mm, threads: both, held: left}
//	  - {axle: 1, steering: drag_link, pitch: 1.5 mm, arm: 220 mm, threads: both}
//	  - {axle: 1, caster: shims, step: 0.5 deg}
//
// One of heading, offset, toe, steering, caster and camber says what it changes
// and how.
type adjustLine struct {
	at        int // line number in the file
	axle      string
	adjusters []align.Adjuster // without their axle
}

// ways of adjusting, by what they change.
var ways = []struct {
	key   string
	words []string
}{
	{"heading", []string{"slide", "shims", "eccentrics"}},
	{"offset", []string{"slide", "shims"}},
	{"toe", []string{"tie_rod", "tie_rods", "eccentrics", "shims"}},
	{"steering", []string{"drag_link"}},
	{"caster", []string{"shims", "eccentrics"}},
	{"camber", []string{"eccentrics", "shims"}},
}

// choice reads one of some words.
func (p *parser) choice(to *string, words ...string) func(*yaml.Node) error {
	return func(n *yaml.Node) error {
		if n.Kind != yaml.ScalarNode || !slices.Contains(words, n.Value) {
			return p.fail(n, "%q is not one of %s", n.Value, strings.Join(words, ", "))
		}
		*to = n.Value
		return nil
	}
}

func (p *parser) adjust(n *yaml.Node) error {
	var axle, side, at, threads, held, rod string
	var lever, step, pitch, arm *amount
	how := map[string]*string{}
	readers := map[string]func(*yaml.Node) error{
		"axle": p.word(&axle),
		"side": p.choice(&side, "left", "right"), "at": p.choice(&at, "left", "right", "both"),
		"threads": p.choice(&threads, "one", "both"), "held": p.choice(&held, "left", "right"), "rod": p.choice(&rod, "behind", "ahead"),
		"lever": p.amount(&lever, length), "step": p.amount(&step), "pitch": p.amount(&pitch, length), "arm": p.amount(&arm, length),
	}
	for _, w := range ways {
		how[w.key] = new(string)
		readers[w.key] = p.choice(how[w.key], w.words...)
	}
	if err := p.keys(n, "a way of adjusting", readers); err != nil {
		return err
	}
	what, way := "", ""
	for _, w := range ways {
		if v := *how[w.key]; v != "" {
			if what != "" {
				return p.fail(n, "adjust: both %s and %s in one line: give each a line of its own", what, w.key)
			}
			what, way = w.key, v
		}
	}
	if what == "" {
		return p.fail(n, "adjust: it does not say what is adjusted: add one of heading, offset, toe, steering, caster, camber, such as heading: slide")
	}
	if axle == "" {
		return p.fail(n, "adjust: no axle named: give its number from the front, its name, or one of %s", strings.Join(groups, ", "))
	}
	// Which of the other keys belong to it.
	rods := way == "tie_rod" || way == "tie_rods" || way == "drag_link"
	heading := what == "heading"
	for _, k := range []struct {
		key     string
		there   bool
		belongs bool
		needed  bool
	}{
		{"at", at != "", heading, heading},
		{"lever", lever != nil, heading, false},
		{"side", side != "", way == "tie_rods" || what == "camber" || what == "caster" || what == "toe" && !rods, false},
		{"step", step != nil, !rods, way == "shims" || way == "eccentrics"},
		{"pitch", pitch != nil, rods, rods}, {"arm", arm != nil, rods, rods}, {"threads", threads != "", rods, rods},
		{"held", held != "", way == "tie_rod", false}, {"rod", rod != "", way == "tie_rod" || way == "tie_rods", false},
	} {
		switch {
		case k.there && !k.belongs:
			return p.fail(n, "adjust: %s does not belong to %s: %s", k.key, what, way)
		case k.needed && !k.there:
			return p.fail(n, "adjust: %s: %s needs %s; %s", what, way, k.key, needs[k.key])
		}
	}
	a := align.Adjuster{Side: align.Side(side), Held: align.Side(held), BothThreads: threads == "both", Ahead: rod == "ahead", Steps: way == "shims" || way == "eccentrics"}
	for _, v := range []struct {
		to   *float64
		from *amount
		key  string
	}{{&a.Lever, lever, "lever"}, {&a.Pitch, pitch, "pitch"}, {&a.Arm, arm, "arm"}, {&a.Step, step, "step"}} {
		if v.from == nil {
			continue
		}
		if !(v.from.value > 0) {
			return p.fail(n, "adjust: %s must be above 0", v.key)
		}
		*v.to = v.from.value
	}
	want := angle
	if heading || what == "offset" {
		want = length
	}
	if step != nil && step.kind != want {
		return p.fail(n, "adjust: %s: step %q must be %s", what, step.text, map[kind]string{angle: "an angle, in deg or min: what one step changes", length: "a length, in mm or in"}[want])
	}
	sides := []align.Side{a.Side}
	switch {
	case heading:
		a.Kind = align.AxleSlide
		if at != "both" {
			sides = []align.Side{align.Side(at)}
		}
	case what == "offset":
		a.Kind = align.AxleShift
	case rods:
		a.Kind = align.TieRod
		if way == "drag_link" {
			a.Kind = align.DragLink
		}
		if way == "tie_rods" && side == "" {
			sides = []align.Side{align.Left, align.Right}
		}
	case what == "caster":
		a.Kind = align.CasterShim
	default:
		a.Kind = align.ToeCam
		if what == "camber" {
			a.Kind = align.CamberCam
		}
		if side == "" {
			sides = []align.Side{align.Left, align.Right}
		}
	}
	l := adjustLine{at: n.Line, axle: axle}
	for _, s := range sides {
		a.Side = s
		if err := a.Validate(); err != nil {
			return p.fail(n, "adjust: %s: %s", what, err)
		}
		l.adjusters = append(l.adjusters, a)
	}
	p.s.adjusts = append(p.s.adjusts, l)
	return nil
}

// needs tells what a missing key would say.
var needs = map[string]string{
	"at":      "at: left, right or both says which end of the axle moves",
	"step":    "step: 1.5 mm or 0.5 deg says what one of them changes",
	"pitch":   "pitch: 1.5 mm is that of the rod's thread",
	"arm":     "arm: 180 mm is the steering arm's length from its axis to the rod's joint",
	"threads": "threads: both, where the sleeve has a left and a right one, else threads: one",
}

// Adjusters applies the list of what can be adjusted to a vehicle. Errors name
// file and line.
func (s *Spec) Adjusters(v *rig.Vehicle) ([]align.Adjuster, error) {
	var out []align.Adjuster
	for _, l := range s.adjusts {
		axles, _, err := (&line{axle: l.axle, quantity: "adjust"}).axles(v)
		if err != nil {
			return nil, &lineError{s.Path, l.at, err.Error()}
		}
		for _, axle := range axles {
			for _, a := range l.adjusters {
				a.Axle = axle
				if slices.ContainsFunc(out, func(o align.Adjuster) bool { return o.Kind == a.Kind && o.Axle == axle && o.Side == a.Side }) {
					return nil, &lineError{s.Path, l.at, fmt.Sprintf("adjust: axle %d has this way of adjusting in an earlier line already: leave one of them out", axle)}
				}
				if a.Kind == align.DragLink && !v.Axles[axle-1].Steered {
					return nil, &lineError{s.Path, l.at, fmt.Sprintf("adjust: axle %d has a drag_link and is not steered in %s: put one of them right", axle, rig.JobFile)}
				}
				out = append(out, a)
			}
		}
	}
	return out, nil
}
