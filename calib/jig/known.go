package jig

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"wheelplane/pose/align"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"go.yaml.in/yaml/v3"
)

// Jig is a frame whose wheel planes are known by other means: jig.yaml. Planes
// are told in the jig's own frame, x forward, y left, z up, its origin anywhere.
type Jig struct {
	Name        string      `yaml:"name"`
	Certificate Certificate `yaml:"certificate"`
	K           float64     `yaml:"k"` // coverage factor of every uncertainty in the file
	// Expansion is that of the frame, per kelvin; positions follow the temperature
	// by it, angles do not.
	Expansion float64 `yaml:"expansion_per_k,omitempty"`
	Claim     Claim   `yaml:"claim,omitempty"`
	Wheels    []Plane `yaml:"wheels"`
}

// Certificate says who knows the jig, and since when. Dates are 2026-05-11.
type Certificate struct {
	Number      string   `yaml:"number"`
	By          string   `yaml:"by"`
	Method      string   `yaml:"method,omitempty"`
	Date        string   `yaml:"date"`
	ValidUntil  string   `yaml:"valid_until,omitempty"` // "": no end is told
	Temperature Quantity `yaml:"temperature"`           // °C
}

// Claim is the accuracy that is claimed of the measurement: no error is larger.
type Claim struct {
	Angle  Quantity `yaml:"angle,omitempty"`  // deg
	Length Quantity `yaml:"length,omitempty"` // mm
}

// Plane is one wheel's: the camber and toe of its plane, deg, and its centre, mm.
type Plane struct {
	Axle   int        `yaml:"axle"`
	Side   align.Side `yaml:"side"`
	Camber Quantity   `yaml:"camber"`
	Toe    Quantity   `yaml:"toe"`
	X      Quantity   `yaml:"x"`
	Y      Quantity   `yaml:"y"`
	Z      Quantity   `yaml:"z"`
}

// Quantity is a value with its expanded uncertainty and unit, as it is written:
// "0.512 ± 0.008 deg". Without a "±" U is NaN. Line is where it stands, 0 where it
// stands nowhere.
type Quantity struct {
	Value, U float64
	Unit     string
	Line     int
}

var quantityText = regexp.MustCompile(`^([+-]?[0-9.]+(?:[eE][+-]?[0-9]+)?)\s*(?:(?:±|\+/-|\+-)\s*([0-9.]+(?:[eE][+-]?[0-9]+)?))?\s*(.*)$`)

// UnmarshalYAML reads a quantity.
func (q *Quantity) UnmarshalYAML(n *yaml.Node) error {
	m := quantityText.FindStringSubmatch(strings.TrimSpace(n.Value))
	if n.Kind != yaml.ScalarNode || m == nil {
		return fmt.Errorf("line %d: %q is no quantity: write it like 0.512 ± 0.008 deg", n.Line, n.Value)
	}
	*q = Quantity{U: math.NaN(), Unit: m[3], Line: n.Line}
	var err error
	if q.Value, err = strconv.ParseFloat(m[1], 64); err == nil && m[2] != "" {
		q.U, err = strconv.ParseFloat(m[2], 64)
	}
	if err != nil {
		return fmt.Errorf("line %d: %q is no quantity: write it like 0.512 ± 0.008 deg", n.Line, n.Value)
	}
	return nil
}

// MarshalYAML writes a quantity.
func (q Quantity) MarshalYAML() (any, error) { return q.String(), nil }

// IsZero tells that a quantity is not there.
func (q Quantity) IsZero() bool { return q == Quantity{} }

func (q Quantity) String() string {
	if math.IsNaN(q.U) || q.U == 0 {
		return strings.TrimSpace(fmt.Sprintf("%s %s", number(q.Value), q.Unit))
	}
	return fmt.Sprintf("%s ± %s %s", number(q.Value), number(q.U), q.Unit)
}

func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// units are those of angles, in degrees, and of lengths, in millimetres.
var units = map[string]map[string]float64{
	"deg": {"deg": 1, "°": 1, "arcmin": 1.0 / 60, "′": 1.0 / 60, "'": 1.0 / 60, "arcsec": 1.0 / 3600, "″": 1.0 / 3600, "mrad": 0.18 / math.Pi, "rad": 180 / math.Pi},
	"mm":  {"mm": 1, "µm": 1e-3, "um": 1e-3, "cm": 10, "m": 1e3, "in": 25.4},
	"°C":  {"°C": 1, "C": 1, "degC": 1},
}

// in converts a quantity to deg, mm or °C.
func (q *Quantity) in(unit string) error {
	k, ok := units[unit][q.Unit]
	if !ok {
		was := fmt.Sprintf("the unit %q", q.Unit)
		if q.Unit == "" {
			was = "no unit"
		}
		example := map[string]string{"deg": "0.512 ± 0.008 deg", "mm": "760.2 ± 0.5 mm", "°C": "20 ± 1 °C"}[unit]
		return fmt.Errorf("has %s: write it like %s", was, example)
	}
	q.Value, q.U, q.Unit = q.Value*k, q.U*k, unit
	return nil
}

// Load reads a jig from its file.
func Load(path string) (*Jig, error) {
	text, err := vision.ReadFile(path, vision.MostText)
	if errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("%s: no such file: see 'wheelplane jig --help' for what a jig's file holds", path)
	}
	if info, e := os.Stat(path); e == nil && info.IsDir() {
		return nil, fmt.Errorf("%s: a folder: give the jig's file, and the jobs after it", path)
	}
	if err != nil {
		return nil, err
	}
	j, line, err := parse(text)
	switch {
	case err != nil && line > 0:
		return nil, fmt.Errorf("%s:%d: %w", path, line, err)
	case err != nil:
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return j, nil
}

// parse reads a jig; line is where an error stands, 0 where that is not known.
func parse(text []byte) (j *Jig, line int, err error) {
	j = &Jig{}
	dec := yaml.NewDecoder(bytes.NewReader(text))
	dec.KnownFields(true)
	if err := dec.Decode(j); err != nil {
		if errors.Is(err, io.EOF) {
			return nil, 0, errors.New("the file is empty: see 'wheelplane jig --help'")
		}
		return nil, 0, fmt.Errorf("%s; see 'wheelplane jig --help' for what belongs in it", vision.YAMLText(err))
	}
	line, err = j.check()
	return j, line, err
}

// check tells what is wrong with a jig, and converts its quantities to deg, mm
// and °C.
func (j *Jig) check() (line int, err error) {
	c := &j.Certificate
	if j.K == 0 {
		return 0, errors.New("k: the coverage factor of the uncertainties is missing: a certificate tells it, usually k: 2")
	}
	if !(j.K >= 1 && j.K <= 5) {
		return 0, fmt.Errorf("k: a coverage factor of %g is not sensible: 1 is a standard uncertainty, 2 is usual", j.K)
	}
	if !(j.Expansion >= 0 && j.Expansion < 1e-4) {
		return 0, fmt.Errorf("expansion_per_k: %g is not that of a frame: steel's is 11.5e-6", j.Expansion)
	}
	if c.Number == "" || c.By == "" {
		return 0, errors.New("certificate: number and by are missing: a jig without a certificate is not known")
	}
	from, err := day("date", c.Date)
	if err != nil {
		return 0, err
	}
	if c.ValidUntil != "" {
		until, err := day("valid_until", c.ValidUntil)
		if err != nil {
			return 0, err
		}
		if until.Before(from) {
			return 0, fmt.Errorf("certificate: it is valid until %s, before its date %s: correct them", c.ValidUntil, c.Date)
		}
	}
	if c.Temperature.IsZero() {
		return 0, errors.New("certificate: temperature is missing: write it like 20 ± 1 °C")
	}
	if err := c.Temperature.in("°C"); err != nil {
		return c.Temperature.Line, fmt.Errorf("certificate: temperature %w", err)
	}
	for _, x := range []struct {
		name, unit string
		q          *Quantity
	}{{"angle", "deg", &j.Claim.Angle}, {"length", "mm", &j.Claim.Length}} {
		if x.q.IsZero() {
			continue
		}
		if err := x.q.in(x.unit); err != nil {
			return x.q.Line, fmt.Errorf("claim: %s %w", x.name, err)
		}
		if !(x.q.Value > 0) {
			return x.q.Line, fmt.Errorf("claim: %s %g is not above 0", x.name, x.q.Value)
		}
	}
	return j.checkWheels()
}

func day(key, text string) (time.Time, error) {
	d, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return d, fmt.Errorf("certificate: %s %q: write it like 2026-05-11", key, text)
	}
	return d, nil
}

func (j *Jig) checkWheels() (line int, err error) {
	seen := map[rig.Wheel]bool{}
	for i := range j.Wheels {
		p := &j.Wheels[i]
		w := rig.Wheel{Axle: p.Axle, Side: p.Side}
		switch {
		case p.Axle < 1:
			return 0, fmt.Errorf("wheels: entry %d: axle %d; axles count from 1", i+1, p.Axle)
		case p.Side != align.Left && p.Side != align.Right:
			return 0, fmt.Errorf("wheels: entry %d: side %q; write left or right", i+1, p.Side)
		case seen[w]:
			return 0, fmt.Errorf("wheels: %s is there twice: remove one", w)
		}
		seen[w] = true
		for _, x := range []struct {
			name, unit string
			q          *Quantity
		}{{"camber", "deg", &p.Camber}, {"toe", "deg", &p.Toe}, {"x", "mm", &p.X}, {"y", "mm", &p.Y}, {"z", "mm", &p.Z}} {
			if x.q.IsZero() {
				return 0, fmt.Errorf("wheels: %s has no %s: a plane needs camber, toe, x, y and z", w, x.name)
			}
			if err := x.q.in(x.unit); err != nil {
				return x.q.Line, fmt.Errorf("%s of %s %w", x.name, w, err)
			}
			if math.IsNaN(x.q.U) {
				return x.q.Line, fmt.Errorf("%s of %s has no uncertainty: write it like %s ± 0.01 %s, from its certificate", x.name, w, number(x.q.Value), x.unit)
			}
			if !(x.q.U > 0) {
				return x.q.Line, fmt.Errorf("%s of %s has an uncertainty of 0: no certificate promises that", x.name, w)
			}
			if x.unit == "deg" && math.Abs(x.q.Value) > 20 {
				return x.q.Line, fmt.Errorf("%s of %s is %g deg: a wheel plane does not lean by more than 20", x.name, w, x.q.Value)
			}
		}
	}
	for w := range seen {
		other := w
		other.Side = map[align.Side]align.Side{align.Left: align.Right, align.Right: align.Left}[w.Side]
		if !seen[other] {
			return 0, fmt.Errorf("wheels: axle %d has only its %s wheel: both are needed", w.Axle, w.Side)
		}
	}
	if len(seen) < 4 {
		return 0, fmt.Errorf("wheels: %d of them: a jig has two axles or more, with both wheels", len(seen))
	}
	return 0, nil
}

// Text is the file.
func (j *Jig) Text() ([]byte, error) {
	var b bytes.Buffer
	b.WriteString("# A jig whose wheel planes are known. Angles and places in its own frame: x forward,\n# y left, z up; camber positive with the top outward, toe positive inward.\n")
	enc := yaml.NewEncoder(&b)
	enc.SetIndent(2)
	if err := enc.Encode(j); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// ValidOn tells whether the certificate holds on a day, 2026-05-11; an error says
// that it does not.
func (j *Jig) ValidOn(date string) error {
	if until := j.Certificate.ValidUntil; until != "" && date > until { // both are year, month, day
		return fmt.Errorf("certificate %s was valid until %s: have the jig calibrated again", j.Certificate.Number, until)
	}
	return nil
}

// Fits tells whether a vehicle is this jig: the same axles.
func (j *Jig) Fits(v *rig.Vehicle) error {
	known := map[int]bool{}
	for _, p := range j.Wheels {
		known[p.Axle] = true
		if p.Axle > len(v.Axles) {
			return fmt.Errorf("the jig has a wheel at axle %d %s, the job does not: it has %d axles", p.Axle, p.Side, len(v.Axles))
		}
	}
	for axle := range v.Axles {
		if !known[axle+1] {
			return fmt.Errorf("the job has an axle %d, the jig does not: measure the jig itself, or complete its file", axle+1)
		}
	}
	return nil
}

// Readings are what a perfect measurement of the jig would read, deg and mm,
// with their standard uncertainties from the certificate's: see [align.Derive].
// Uncertainties of the planes are taken as independent. temperature is that of the
// measurement, °C; NaN: as on the certificate.
func (j *Jig) Readings(reference int, temperature float64) ([]rig.Reading, error) {
	s := rig.Stance{Epoch: rig.AsFound, ReferenceAxle: reference}
	wheels := slices.Clone(j.Wheels)
	slices.SortFunc(wheels, func(a, b Plane) int {
		if a.Axle != b.Axle {
			return a.Axle - b.Axle
		}
		return strings.Compare(string(a.Side), string(b.Side))
	})
	warmer := 0.0
	if !math.IsNaN(temperature) {
		warmer = temperature - j.Certificate.Temperature.Value
	}
	at := 0
	add := func(u float64) {
		line := strings.Repeat("0 ", at) + strconv.FormatFloat(u*u, 'g', -1, 64)
		s.Covariance = append(s.Covariance, line)
		at++
	}
	for _, p := range wheels {
		w := rig.StanceWheel{Axle: p.Axle, Side: p.Side, ToeDeg: p.Toe.Value, CamberDeg: p.Camber.Value}
		add(p.Toe.U / j.K)
		add(p.Camber.U / j.K)
		for _, x := range []struct {
			q  Quantity
			to *float64
		}{{p.X, &w.XMM}, {p.Y, &w.YMM}, {p.Z, &w.ZMM}} {
			*x.to = x.q.Value * (1 + j.Expansion*warmer)
			// A tenth of the correction, for the coefficient is known no better.
			add(math.Hypot(x.q.U/j.K, 0.1*j.Expansion*warmer*x.q.Value))
		}
		s.Wheels = append(s.Wheels, w)
	}
	stance, err := s.Resolve()
	if err != nil {
		return nil, err
	}
	set, err := align.Derive(stance.Wheels, nil, stance.Cov, reference)
	if err != nil {
		return nil, err
	}
	return rig.ForFiles([]rig.EpochReadings{{Epoch: rig.AsFound, Set: *set}}), nil
}
