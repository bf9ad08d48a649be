// Package visit keeps what people tell of a vehicle's visit, and no photograph
// can: whose it is, who worked on it, its tyres, what was checked and by whom.
// It is one YAML file in the job's folder, which may be edited by hand.
package visit

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"wheelplane/pose/align"
	"wheelplane/vision"

	"go.yaml.in/yaml/v3"
)

// File is the name of the file in a job's folder.
const File = "visit.yaml"

// Visit is the file. Empty fields are not known.
type Visit struct {
	Date       string `yaml:"date,omitempty" json:"date,omitempty"` // of the visit, as on the record: 2026-11-25
	Place      string `yaml:"place,omitempty" json:"place,omitempty"`
	Technician string `yaml:"technician,omitempty" json:"technician,omitempty"`
	Customer   string `yaml:"customer,omitempty" json:"customer,omitempty"`
	Order      string `yaml:"order,omitempty" json:"order,omitempty"` // the workshop's number for it

	FleetNo  string  `yaml:"fleet_no,omitempty" json:"fleet_no,omitempty"`
	Plate    string  `yaml:"plate,omitempty" json:"plate,omitempty"`
	Chassis  string  `yaml:"chassis_no,omitempty" json:"chassis_no,omitempty"`
	Odometer float64 `yaml:"odometer_km,omitempty" json:"odometer_km,omitempty"`
	Notes    string  `yaml:"notes,omitempty" json:"notes,omitempty"`

	Tyres  []Tyre  `yaml:"tyres,omitempty" json:"tyres,omitempty"`
	Checks []Check `yaml:"checks,omitempty" json:"checks,omitempty"`
}

// Tyre is what is told of the tyre, or the pair of tyres, on one wheel end.
type Tyre struct {
	Axle     int        `yaml:"axle" json:"axle"`
	Side     align.Side `yaml:"side" json:"side"`
	Size     string     `yaml:"size,omitempty" json:"size,omitempty"`
	Tread    float64    `yaml:"tread_mm,omitempty" json:"tread_mm,omitempty"`
	Pressure float64    `yaml:"pressure_kpa,omitempty" json:"pressure_kpa,omitempty"`
}

// Result is how a check came out.
type Result string

// The results.
const (
	OK      Result = "ok"
	Bad     Result = "bad"
	Skipped Result = "skipped" // does not apply, or deliberately left out
)

// Check is one thing that somebody looked at or did.
type Check struct {
	What   string    `yaml:"what" json:"what"`
	Result Result    `yaml:"result" json:"result"`
	By     string    `yaml:"by" json:"by"`
	At     time.Time `yaml:"at" json:"at"`
	Note   string    `yaml:"note,omitempty" json:"note,omitempty"`
}

// Load reads the file of a job; a job without one has an empty visit.
func Load(dir string) (*Visit, error) {
	path := filepath.Join(dir, File)
	text, err := vision.ReadFile(path, vision.MostText)
	if errors.Is(err, fs.ErrNotExist) {
		return &Visit{}, nil
	}
	if err != nil {
		return nil, err
	}
	return parse(text, path)
}

func parse(text []byte, path string) (*Visit, error) {
	v := &Visit{}
	dec := yaml.NewDecoder(bytes.NewReader(text))
	dec.KnownFields(true)
	if err := dec.Decode(v); err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("%s: %s; correct it, see 'wheelplane visit --help' for what belongs in it", path, vision.YAMLText(err))
	}
	// A list of one entry that says nothing is none.
	if len(v.Tyres) == 0 {
		v.Tyres = nil
	}
	if len(v.Checks) == 0 {
		v.Checks = nil
	}
	for i, c := range v.Checks {
		switch {
		case c.What == "":
			return nil, fmt.Errorf("%s: checks: entry %d does not say what was checked", path, i+1)
		case c.Result != OK && c.Result != Bad && c.Result != Skipped:
			return nil, fmt.Errorf("%s: checks: %s: result %q is none of ok, bad and skipped", path, c.What, c.Result)
		}
	}
	for i, t := range v.Tyres {
		switch {
		case t.Axle < 1:
			return nil, fmt.Errorf("%s: tyres: entry %d: axle %d; axles count from 1", path, i+1, t.Axle)
		case t.Side != align.Left && t.Side != align.Right:
			return nil, fmt.Errorf("%s: tyres: entry %d: side %q; write left or right", path, i+1, t.Side)
		case t.Tread < 0 || t.Pressure < 0:
			return nil, fmt.Errorf("%s: tyres: entry %d: a number is below 0", path, i+1)
		}
	}
	return v, nil
}

// Text is the file.
func (v *Visit) Text() ([]byte, error) {
	var b bytes.Buffer
	b.WriteString("# What people tell of this visit. 'wheelplane visit' and 'wheelplane check' write\n# it anew; it may be edited by hand.\n")
	enc := yaml.NewEncoder(&b)
	enc.SetIndent(2)
	if err := enc.Encode(v); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// Of is the last that was told of a check, or nil.
func (v *Visit) Of(what string) *Check {
	for i := len(v.Checks) - 1; i >= 0; i-- {
		if v.Checks[i].What == what {
			return &v.Checks[i]
		}
	}
	return nil
}

// fields are the keys that Set knows, with where they go.
func (v *Visit) fields() map[string]*string {
	return map[string]*string{
		"date": &v.Date, "place": &v.Place, "technician": &v.Technician, "customer": &v.Customer, "order": &v.Order,
		"fleet_no": &v.FleetNo, "plate": &v.Plate, "chassis_no": &v.Chassis, "notes": &v.Notes,
	}
}

// Get returns the text of a key such as fleet_no, and whether there is such a
// key.
func (v *Visit) Get(key string) (string, bool) {
	text := v.fields()[key]
	if text == nil {
		return "", false
	}
	return *text, true
}

// Keys are the keys that Set knows.
func Keys() []string {
	var out []string
	for k := range new(Visit).fields() {
		out = append(out, k)
	}
	out = append(out, "odometer_km", "tyre.AXLE.SIDE.size", "tyre.AXLE.SIDE.tread_mm", "tyre.AXLE.SIDE.pressure_kpa")
	slices.Sort(out)
	return out
}

// Set takes one key=value, such as fleet_no=3 or tyre.1.left.pressure_kpa=850.
// axles is how many the vehicle has.
func (v *Visit) Set(text string, axles int) error {
	key, value, ok := strings.Cut(text, "=")
	key, value = strings.TrimSpace(key), strings.TrimSpace(value)
	if !ok {
		return fmt.Errorf("%q is not KEY=VALUE, such as fleet_no=3", text)
	}
	if to := v.fields()[key]; to != nil {
		if key == "date" && value != "" {
			if _, err := time.Parse(time.DateOnly, value); err != nil {
				return fmt.Errorf("date %q: write it like 2026-11-25", value)
			}
		}
		*to = value
		return nil
	}
	number := func(to *float64) error {
		x, err := strconv.ParseFloat(value, 64)
		if err != nil || !(x >= 0 && x < 1e9) {
			return fmt.Errorf("%s: %q is not a number from 0 on", key, value)
		}
		*to = x
		return nil
	}
	if key == "odometer_km" {
		return number(&v.Odometer)
	}
	part := strings.Split(key, ".")
	if len(part) != 4 || part[0] != "tyre" {
		return fmt.Errorf("there is no key %q; there are: %s", key, strings.Join(Keys(), ", "))
	}
	axle, err := strconv.Atoi(part[1])
	if err != nil || axle < 1 || axle > axles {
		return fmt.Errorf("%s: there is no axle %s; the vehicle has axles 1 to %d", key, part[1], axles)
	}
	side := align.Side(part[2])
	if side != align.Left && side != align.Right {
		return fmt.Errorf("%s: side %q; write left or right", key, side)
	}
	at := slices.IndexFunc(v.Tyres, func(t Tyre) bool { return t.Axle == axle && t.Side == side })
	tyre := Tyre{Axle: axle, Side: side}
	if at >= 0 {
		tyre = v.Tyres[at]
	}
	switch part[3] {
	case "size":
		tyre.Size = value
	case "tread_mm":
		err = number(&tyre.Tread)
	case "pressure_kpa":
		err = number(&tyre.Pressure)
	default:
		err = fmt.Errorf("%s: a tyre has size, tread_mm and pressure_kpa", key)
	}
	if err != nil {
		return err
	}
	if at >= 0 {
		v.Tyres[at] = tyre
	} else {
		v.Tyres = append(v.Tyres, tyre)
	}
	slices.SortStableFunc(v.Tyres, func(a, b Tyre) int {
		if a.Axle != b.Axle {
			return a.Axle - b.Axle
		}
		return strings.Compare(string(a.Side), string(b.Side)) // left before right
	})
	return nil
}
