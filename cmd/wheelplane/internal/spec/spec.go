// Package spec reads target values: what each reading of a vehicle should be,
// with limits, in plain YAML that a fleet can write itself.
//
//	name: yard truck, three axles
//	words: [rigid truck, 6x2]
//	source: invented for the examples
//	reference_diameter: 1000 mm      # where toe is given as a distance
//	targets:
//	  - {quantity: total_toe, axle: 1, target: 1.5 mm, tolerance: 1.5 mm}
//	  - {quantity: camber, axle: steered, target: 0 deg 15 min, low: 0 deg, high: 0 deg 30 min}
//	  - {quantity: caster, axle: 1, side: left, target: 3.5 deg, tolerance: 0.5 deg, source: where from}
//	  - {quantity: scrub_angle, axle: rear, target: 0 mm, tolerance: 1/8 in, over: 72 in}
//
// Verdicts ask for 95 % unless the file says otherwise: confidence: 0.99, or
// guard_band: 1 for guard bands as wide as the expanded uncertainty.
//
// An axle is named by its number from the front, by its name in job.yaml, or
// as one of all, steered, rear, driven and reference. A line that names an axle
// goes before one that names many.
package spec

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"slices"
	"strconv"
	"strings"

	"wheelplane/pose/align"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"go.yaml.in/yaml/v3"
)

// File is the name of the specification in a job's folder.
const File = "spec.yaml"

// Spec is a vehicle's target values as written, before they meet a vehicle.
type Spec struct {
	Name, About, Source string
	Words               []string

	// ReferenceDiameter is where toe as a distance is measured, m; 0: not said.
	ReferenceDiameter float64

	Rule align.Rule // how sure verdicts must be

	Path string // of the file, for messages
	text []byte

	lines   []line
	adjusts []adjustLine
}

// line is one entry of the list of targets.
type line struct {
	at       int // line number in the file
	quantity align.Quantity
	axle     string
	side     align.Side
	source   string
	steer    float64 // rad; of what differs with the steering

	target, tolerance, low, high, over *amount
}

// lineError is a line that breaks a rule: an error with its place.
type lineError struct {
	path string
	line int
	text string
}

func (e *lineError) Error() string { return fmt.Sprintf("%s:%d: %s", e.path, e.line, e.text) }

// perWheel are the quantities of which each side has its own.
var perWheel = []align.Quantity{align.Camber, align.Toe, align.Caster, align.Kingpin, align.ScrubRadius, align.Trail, align.MaxSteer}

// perAxle are those of an axle or the vehicle.
var perAxle = []align.Quantity{
	align.TotalToe, align.AxleHeading, align.ThrustAngle, align.ScrubAngle, align.AxleOffset, align.Wheelbase, align.Track,
	align.CrossCamber, align.CrossCaster, align.CrossKingpin, align.ToeOutOnTurns,
}

// Quantities are those a target can be given for.
func Quantities() []align.Quantity { return append(slices.Clone(perWheel), perAxle...) }

// groups are the words that stand for several axles.
var groups = []string{"all", "steered", "rear", "driven", "reference"}

// Load reads a specification.
func Load(path string) (*Spec, error) {
	text, err := vision.ReadFile(path, vision.MostText)
	if err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("%s: no such file; 'wheelplane spec list' names the specifications there are", path)
		}
		return nil, err
	}
	return Parse(text, path)
}

// Parse reads a specification from its text. Every error names file and line.
func Parse(text []byte, path string) (*Spec, error) {
	var root yaml.Node
	dec := yaml.NewDecoder(bytes.NewReader(text))
	if err := dec.Decode(&root); err != nil {
		if errors.Is(err, io.EOF) {
			return nil, fmt.Errorf("%s: the file is empty; see 'wheelplane spec --help' for what belongs in it", path)
		}
		return nil, fmt.Errorf("%s: %s", path, vision.YAMLText(err))
	}
	if dec.Decode(new(yaml.Node)) != io.EOF {
		return nil, fmt.Errorf("%s: more than one document in the file: leave out the lines of three dashes", path)
	}
	p := &parser{s: &Spec{Path: path, text: bytes.Clone(text)}}
	if err := p.spec(root.Content[0]); err != nil {
		return nil, err
	}
	return p.s, nil
}

// parser walks the file's nodes, so that every complaint has its line.
type parser struct{ s *Spec }

func (p *parser) fail(n *yaml.Node, format string, args ...any) error {
	return &lineError{p.s.Path, n.Line, fmt.Sprintf(format, args...)}
}

// keys calls the reader of each key of a mapping.
func (p *parser) keys(n *yaml.Node, what string, readers map[string]func(*yaml.Node) error) error {
	if n.Kind != yaml.MappingNode {
		return p.fail(n, "%s must be keys and values, like \"quantity: camber\"", what)
	}
	seen := map[string]bool{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		read, ok := readers[key.Value]
		switch {
		case !ok:
			var known []string
			for k := range readers {
				known = append(known, k)
			}
			slices.Sort(known)
			return p.fail(key, "unknown key %q in %s; there are: %s", key.Value, what, strings.Join(known, ", "))
		case seen[key.Value]:
			return p.fail(key, "the key %q is there twice in %s", key.Value, what)
		}
		seen[key.Value] = true
		if err := read(value); err != nil {
			return err
		}
	}
	return nil
}

func (p *parser) word(to *string) func(*yaml.Node) error {
	return func(n *yaml.Node) error {
		if n.Kind != yaml.ScalarNode {
			return p.fail(n, "a word or a line of text belongs here")
		}
		*to = strings.Join(strings.Fields(n.Value), " ")
		return nil
	}
}

func (p *parser) list(n *yaml.Node, what string, read func(*yaml.Node) error) error {
	if n.Kind != yaml.SequenceNode {
		return p.fail(n, "%s must be a list", what)
	}
	for _, c := range n.Content {
		if err := read(c); err != nil {
			return err
		}
	}
	return nil
}

func (p *parser) amount(to **amount, kinds ...kind) func(*yaml.Node) error {
	return func(n *yaml.Node) error {
		if n.Kind != yaml.ScalarNode {
			return p.fail(n, "a number with its unit belongs here")
		}
		a, err := parseAmount(n.Value)
		if err != nil {
			return p.fail(n, "%s", err)
		}
		if len(kinds) > 0 && !slices.Contains(kinds, a.kind) {
			return p.fail(n, "%q must be a length, in mm or in", n.Value)
		}
		*to = &a
		return nil
	}
}

// share reads a plain number from above low to high.
func (p *parser) share(to *float64, low, high float64) func(*yaml.Node) error {
	return func(n *yaml.Node) error {
		v, err := strconv.ParseFloat(n.Value, 64)
		if n.Kind != yaml.ScalarNode || err != nil || !(v > low && v <= high) {
			return p.fail(n, "%q is not a number above %g and up to %g", n.Value, low, high)
		}
		*to = v
		return nil
	}
}

func (p *parser) spec(n *yaml.Node) error {
	s := p.s
	var diameter *amount
	var diameterNode *yaml.Node
	err := p.keys(n, "the specification", map[string]func(*yaml.Node) error{
		"name": p.word(&s.Name), "about": p.word(&s.About), "source": p.word(&s.Source),
		"words": func(n *yaml.Node) error {
			return p.list(n, "words", func(n *yaml.Node) error {
				var w string
				err := p.word(&w)(n)
				s.Words = append(s.Words, w)
				return err
			})
		},
		"reference_diameter": func(n *yaml.Node) error {
			diameterNode = n
			return p.amount(&diameter, length)(n)
		},
		"targets":    func(n *yaml.Node) error { return p.list(n, "targets", p.target) },
		"adjust":     func(n *yaml.Node) error { return p.list(n, "adjust", p.adjust) },
		"confidence": p.share(&s.Rule.Confidence, 0.5, 0.99999), "guard_band": p.share(&s.Rule.Guard, 0, 10),
	})
	if err != nil {
		return err
	}
	if diameter != nil {
		if !(diameter.value > 0) {
			return p.fail(diameterNode, "reference_diameter must be above 0: give the diameter at which toe is measured as a distance")
		}
		s.ReferenceDiameter = diameter.value
	}
	switch {
	case s.Name == "":
		return p.fail(n, "the specification has no name: add one")
	case s.Source == "":
		return p.fail(n, "the specification has no source: say where its numbers come from")
	case len(s.lines) == 0:
		return p.fail(n, "the specification has no targets: add a list of them")
	}
	return nil
}

func (p *parser) target(n *yaml.Node) error {
	l := line{at: n.Line}
	var quantity, side string
	var steer *amount
	err := p.keys(n, "a target", map[string]func(*yaml.Node) error{
		"quantity": p.word(&quantity), "axle": p.word(&l.axle), "side": p.word(&side), "source": p.word(&l.source),
		"target": p.amount(&l.target), "tolerance": p.amount(&l.tolerance), "low": p.amount(&l.low), "high": p.amount(&l.high),
		"over": p.amount(&l.over, length), "steer": p.amount(&steer),
	})
	if err != nil {
		return err
	}
	l.quantity, l.side = align.Quantity(quantity), align.Side(side)
	wheel := slices.Contains(perWheel, l.quantity)
	switch {
	case quantity == "":
		return p.fail(n, "a target without a quantity: add one, such as quantity: camber")
	case !wheel && !slices.Contains(perAxle, l.quantity):
		return p.fail(n, "there is no quantity %q; there are: %s", quantity, words(Quantities()))
	case l.axle == "":
		return p.fail(n, "%s: no axle named: give its number from the front, its name, or one of %s", quantity, strings.Join(groups, ", "))
	case side != "" && side != "left" && side != "right":
		return p.fail(n, "%s: side %q is neither left nor right", quantity, side)
	case side != "" && !wheel:
		return p.fail(n, "%s belongs to an axle, not to a side: leave side out", quantity)
	case l.tolerance != nil && (l.low != nil || l.high != nil):
		return p.fail(n, "%s: give either tolerance or low and high, not both", quantity)
	case l.tolerance == nil && l.low == nil && l.high == nil:
		return p.fail(n, "%s: no tolerance: add tolerance, or low and high", quantity)
	case l.tolerance != nil && l.tolerance.value < 0:
		return p.fail(n, "%s: a tolerance must not be below 0", quantity)
	case l.tolerance != nil && l.target == nil:
		return p.fail(n, "%s: a tolerance needs its target", quantity)
	case l.target == nil && (l.low == nil || l.high == nil):
		return p.fail(n, "%s: no target: add one, or both limits and the middle is taken", quantity)
	case l.over != nil && !(l.over.value > 0):
		return p.fail(n, "%s: over must be above 0: give the length over which the distance counts", quantity)
	case (l.quantity == align.ToeOutOnTurns) != (steer != nil):
		return p.fail(n, "%s: steer (of the inner wheel, such as steer: 20 deg) belongs to toe_out_on_turns, and to nothing else", quantity)
	}
	if steer != nil {
		if steer.kind != angle || !(math.Abs(steer.value) > 0) {
			return p.fail(n, "%s: steer must be an angle, above 0", quantity)
		}
		l.steer = math.Abs(steer.value)
	}
	for _, a := range l.amounts() {
		switch {
		case l.quantity.IsLength() && a.kind != length:
			return p.fail(n, "%s is a length: %q must be in mm or in", quantity, a.text)
		case !l.quantity.IsLength() && a.kind == length && l.over == nil && !isToe(l.quantity):
			return p.fail(n, "%s is an angle and %q a length: say over which length it counts, such as over: 1830 mm, or use deg", quantity, a.text)
		}
	}
	if err := l.ordered(); err != nil {
		return p.fail(n, "%s: %s", quantity, err)
	}
	p.s.lines = append(p.s.lines, l)
	return nil
}

func isToe(q align.Quantity) bool { return q == align.Toe || q == align.TotalToe }

func words[T ~string](list []T) string {
	var out []string
	for _, w := range list {
		out = append(out, string(w))
	}
	return strings.Join(out, ", ")
}

func (l *line) amounts() (out []*amount) {
	for _, a := range []*amount{l.target, l.tolerance, l.low, l.high} {
		if a != nil {
			out = append(out, a)
		}
	}
	return
}

// ordered complains of limits in the wrong order, whatever the diameter that
// turns distances into angles.
func (l *line) ordered() error {
	kinds := map[kind]bool{}
	for _, a := range l.amounts() {
		kinds[a.kind] = true
	}
	if kinds[length] && len(kinds) > 1 {
		return fmt.Errorf("lengths and angles are mixed: use one of them")
	}
	t, err := l.resolve(1)
	if err != nil {
		return err
	}
	return t.Validate()
}

// resolve turns the line's amounts into a target; base is the length over which
// a distance counts, m.
func (l *line) resolve(base float64) (align.Target, error) {
	t := align.Target{Quantity: l.quantity, Side: l.side, Source: l.source, Low: math.Inf(-1), High: math.Inf(1)}
	var failed error
	value := func(a *amount) float64 {
		switch {
		case l.quantity.IsLength() || a.kind == angle:
			return a.value
		case a.kind == slope:
			return math.Asin(math.Max(-1, math.Min(1, a.value)))
		case math.Abs(a.value) >= base:
			failed = fmt.Errorf("%q is not less than the length it counts over", a.text)
			return 0
		}
		return math.Asin(a.value / base)
	}
	if l.low != nil {
		t.Low = value(l.low)
	}
	if l.high != nil {
		t.High = value(l.high)
	}
	if l.target != nil {
		t.Wish = value(l.target)
	} else {
		t.Wish = (t.Low + t.High) / 2
	}
	if l.tolerance != nil {
		w := value(l.tolerance)
		t.Low, t.High = t.Wish-w, t.Wish+w
	}
	return t, failed
}

// NeedsDiameter tells whether a toe is given as a distance without the
// diameter it is measured at.
func (s *Spec) NeedsDiameter() bool {
	if s.ReferenceDiameter > 0 {
		return false
	}
	for _, l := range s.lines {
		if l.distance() {
			return true
		}
	}
	return false
}

func (l *line) distance() bool {
	return isToe(l.quantity) && l.over == nil && slices.ContainsFunc(l.amounts(), func(a *amount) bool { return a.kind == length })
}

// Target is an [align.Target] with what belongs to it beside the numbers.
type Target struct {
	align.Target
	// Steer is where along the steering it counts: the inner wheel's angle from
	// straight ahead, rad. 0 for what does not differ with it.
	Steer float64
	Line  int // of the file
}

// steerMatch is how near a station must be to a target's steer, rad.
const steerMatch = 1.5 * math.Pi / 180

// Targets applies the specification to a vehicle. Errors name file and line: an
// axle that is not there, two lines for one reading, toe as a distance without
// its diameter.
func (s *Spec) Targets(v *rig.Vehicle) ([]Target, error) {
	type key struct {
		q     align.Quantity
		axle  int
		side  align.Side
		steer float64
	}
	chosen := map[key]int{} // index into out
	rank := map[key]int{}   // how closely the chosen line names its reading
	var out []Target
	for i := range s.lines {
		l := &s.lines[i]
		axles, one, err := l.axles(v)
		if err != nil {
			return nil, &lineError{s.Path, l.at, err.Error()}
		}
		if one && len(axles) == 0 && l.quantity != align.ThrustAngle && l.quantity != align.ScrubAngle {
			return nil, &lineError{s.Path, l.at, fmt.Sprintf("%s: axle %s of this vehicle never has such a reading: name another, or leave the line out", l.quantity, l.axle)}
		}
		base := s.ReferenceDiameter
		switch {
		case l.over != nil:
			base = l.over.value
		case base == 0 && l.distance():
			return nil, &lineError{s.Path, l.at, fmt.Sprintf("%s is given as a distance: add reference_diameter, at which it is measured, such as reference_diameter: 1000 mm", l.quantity)}
		}
		t, err := l.resolve(base)
		if err == nil {
			err = t.Validate()
		}
		if err != nil {
			return nil, &lineError{s.Path, l.at, fmt.Sprintf("%s: %s", l.quantity, err)}
		}
		if t.Source == "" {
			t.Source = s.Source
		}
		closeness := 0
		if one {
			closeness = 2
		}
		if l.side != align.NoSide {
			closeness++
		}
		sides := []align.Side{l.side}
		if l.side == align.NoSide && slices.Contains(perWheel, l.quantity) {
			sides = []align.Side{align.Left, align.Right}
		}
		for _, axle := range axles {
			for _, side := range sides {
				k := key{l.quantity, axle, side, l.steer}
				at, twice := chosen[k]
				switch {
				case twice && rank[k] == closeness:
					return nil, &lineError{s.Path, l.at, fmt.Sprintf("%s of axle %d has a target in line %d already: leave one of them out", l.quantity, axle, out[at].Line)}
				case twice && rank[k] > closeness:
					continue
				}
				t.Axle, t.Side = axle, side
				x := Target{t, l.steer, l.at}
				if twice {
					out[at] = x
				} else {
					chosen[k] = len(out)
					out = append(out, x)
				}
				rank[k] = closeness
			}
		}
	}
	return out, nil
}

// axles lists the axles a line is for; one tells that it names a single one.
func (l *line) axles(v *rig.Vehicle) (list []int, one bool, err error) {
	if n, err := strconv.Atoi(l.axle); err == nil {
		if n < 1 || n > len(v.Axles) {
			return nil, true, fmt.Errorf("%s: there is no axle %d; the vehicle has axles 1 to %d", l.quantity, n, len(v.Axles))
		}
		return l.fitting(v, []int{n}), true, nil
	}
	if !slices.Contains(groups, l.axle) {
		var names []string
		for i, a := range v.Axles {
			if strings.EqualFold(a.Name, l.axle) {
				return l.fitting(v, []int{i + 1}), true, nil
			}
		}
		for _, a := range v.Axles {
			if a.Name != "" {
				names = append(names, a.Name)
			}
		}
		return nil, true, fmt.Errorf("%s: no axle is called %q; give a number from 1 to %d, a name (%s), or one of %s", l.quantity, l.axle, len(v.Axles), strings.Join(names, ", "), strings.Join(groups, ", "))
	}
	for i, a := range v.Axles {
		if l.axle == "all" || l.axle == "steered" && a.Steered || l.axle == "rear" && !a.Steered || l.axle == "driven" && a.Driven || l.axle == "reference" && i+1 == v.Reference {
			list = append(list, i+1)
		}
	}
	return l.fitting(v, list), false, nil
}

// fitting leaves out the axles that never have such a reading: thrust is the
// reference axle's, scrub the others'.
func (l *line) fitting(v *rig.Vehicle, axles []int) []int {
	return slices.DeleteFunc(axles, func(axle int) bool {
		switch l.quantity {
		case align.ThrustAngle:
			return axle != v.Reference
		case align.ScrubAngle:
			return axle == v.Reference
		case align.Caster, align.CrossCaster, align.Kingpin, align.CrossKingpin, align.ScrubRadius, align.Trail, align.MaxSteer, align.ToeOutOnTurns:
			return !v.Axles[axle-1].Steered
		}
		return false
	})
}

// Find returns the target of a reading of a file's list, or nil.
func Find(targets []Target, list []rig.Reading, r rig.Reading) *Target {
	for i := range targets {
		t := &targets[i]
		if t.Quantity == r.Quantity && t.Axle == r.Axle && t.Side == r.Side && t.steeredThere(list, r) {
			return t
		}
	}
	return nil
}

// steeredThere tells whether a reading that differs with the steering was taken
// where the target counts: the inner wheel is the one steered further.
func (t *Target) steeredThere(list []rig.Reading, r rig.Reading) bool {
	if t.Steer == 0 {
		return true
	}
	most := 0.0
	for _, x := range list {
		if x.Epoch == r.Epoch && x.Quantity == align.SteerAngle && x.Axle == r.Axle && x.Station == r.Station {
			most = math.Max(most, math.Abs(x.Value)*math.Pi/180)
		}
	}
	return math.Abs(most-t.Steer) <= steerMatch
}

// Judge says what may be said of a reading of a file against its target.
func (t *Target) Judge(r rig.Reading, rule align.Rule) align.Judgement {
	k := t.Unit()
	return t.Target.Judge(r.Value*k, r.U*k, rule)
}

// Unit is a target's unit in files over ours: rad per degree, m per mm.
func (t *Target) Unit() float64 {
	if t.Quantity.IsLength() {
		return 1e-3
	}
	return math.Pi / 180
}

// WithDiameter returns the specification with the diameter at which toe is
// measured, m, its text included.
func (s *Spec) WithDiameter(d float64) (*Spec, error) {
	text := slices.Clone(s.text)
	if s.ReferenceDiameter > 0 {
		return nil, fmt.Errorf("%s: reference_diameter is given already (%g mm); change it in the file", s.Path, s.ReferenceDiameter*1e3)
	}
	if len(text) > 0 && text[len(text)-1] != '\n' {
		text = append(text, '\n')
	}
	text = fmt.Appendf(text, "reference_diameter: %g mm\n", d*1e3)
	return Parse(text, s.Path)
}

// Text is the specification as written.
func (s *Spec) Text() []byte { return s.text }
