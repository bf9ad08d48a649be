package record

import (
	"encoding/csv"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// csvHeader names the columns of the CSV file. Angles are in degrees, lengths
// in millimetres; unit says which.
var csvHeader = []string{
	"job", "vehicle", "date", "epoch", "axle", "axle_name", "side", "station", "quantity", "value", "unit", "u", "expanded_u_k2",
	"target", "low", "high", "probability_within", "verdict",
}

// WriteCSV writes a line for each reading of each epoch (RFC 4180: commas, CR
// LF, quotes where they are needed). A text that a spreadsheet would take for
// a formula gets an apostrophe before it.
func WriteCSV(w io.Writer, in *Input) error {
	c := csv.NewWriter(w)
	c.UseCRLF = true
	if err := c.Write(csvHeader); err != nil {
		return err
	}
	for _, r := range in.machineReadings() {
		axleName := ""
		if r.Axle >= 1 && r.Axle <= len(in.Vehicle.Axles) {
			axleName = in.Vehicle.Axles[r.Axle-1].Name
		}
		line := []string{
			harmless(in.Job), harmless(in.Vehicle.Name), harmless(in.Visit.Date), harmless(r.Epoch), strconv.Itoa(r.Axle), harmless(axleName), string(r.Side), harmless(r.Station), string(r.Quantity),
			number(&r.Value), r.Unit, number(&r.U), number(&r.Expanded), "", "", "", "", "",
		}
		if t := r.Target; t != nil {
			line[13], line[14], line[15], line[16], line[17] = number(&t.Wish), number(t.Low), number(t.High), number(&t.Probability), string(t.Verdict)
		}
		if err := c.Write(line); err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}

// harmless keeps a spreadsheet from running a text: a cell that starts with one
// of these signs is taken for a formula (OWASP, "CSV Injection").
func harmless(s string) string {
	if strings.IndexAny(s, "=+-@\t\r\n＝＋－＠") == 0 {
		return "'" + s
	}
	return s
}

func number(v *float64) string {
	if v == nil {
		return ""
	}
	return strconv.FormatFloat(*v, 'g', 8, 64)
}

// Document is the record as JSON: angles in degrees, lengths in millimetres,
// tread in millimetres, pressure in kPa.
type Document struct {
	Job       string         `json:"job,omitempty"`
	Made      string         `json:"made,omitempty"` // RFC 3339
	Vehicle   VehicleJSON    `json:"vehicle"`
	Visit     VisitJSON      `json:"visit"`
	Spec      *SpecJSON      `json:"spec,omitempty"`
	Epochs    []string       `json:"epochs"`
	Counts    map[string]int `json:"counts"` // verdicts of the last epoch
	Readings  []ReadingJSON  `json:"readings"`
	Slip      []SlipJSON     `json:"side_slip,omitempty"`
	Network   *rig.Network   `json:"network,omitempty"`
	Warnings  []string       `json:"warnings,omitempty"`
	Measured  rig.Tool       `json:"measured_with"`
	WrittenBy string         `json:"written_with,omitempty"`
}

// VehicleJSON is the vehicle of a [Document].
type VehicleJSON struct {
	Name          string     `json:"name"`
	Fleet         string     `json:"fleet_number,omitempty"`
	Plate         string     `json:"plate,omitempty"`
	Chassis       string     `json:"chassis_number,omitempty"`
	Odometer      float64    `json:"odometer_km,omitempty"`
	ReferenceAxle int        `json:"reference_axle"`
	Kingpin       bool       `json:"measured_against_kingpin,omitempty"`
	Axles         []AxleJSON `json:"axles"`
}

// AxleJSON is an axle of a [Document], nominal.
type AxleJSON struct {
	Name       string  `json:"name,omitempty"`
	PositionMM float64 `json:"position_mm"`
	TrackMM    float64 `json:"track_mm"`
	TyreMM     float64 `json:"tyre_diameter_mm,omitempty"`
	Steered    bool    `json:"steered,omitempty"`
	Driven     bool    `json:"driven,omitempty"`
}

// VisitJSON is what a person told, in a [Document].
type VisitJSON struct {
	Date        string           `json:"date,omitempty"`
	Place       string           `json:"place,omitempty"`
	Order       string           `json:"order,omitempty"`
	Customer    string           `json:"customer,omitempty"`
	Contact     string           `json:"contact,omitempty"`
	People      []PersonJSON     `json:"people,omitempty"`
	Tyres       []TyreJSON       `json:"tyres,omitempty"`
	Checks      []CheckJSON      `json:"checks,omitempty"`
	Adjustments []AdjustmentJSON `json:"adjustments,omitempty"`
	Remarks     []string         `json:"remarks,omitempty"`
}

// PersonJSON is a [Person].
type PersonJSON struct {
	Name string `json:"name"`
	Role string `json:"role,omitempty"`
}

// TyreJSON is a [Tyre].
type TyreJSON struct {
	Axle        int        `json:"axle"`
	Side        align.Side `json:"side"`
	Position    string     `json:"position,omitempty"`
	Size        string     `json:"size,omitempty"`
	TreadMM     float64    `json:"tread_mm,omitempty"`
	PressureKPa float64    `json:"pressure_kpa,omitempty"`
	Note        string     `json:"note,omitempty"`
}

// CheckJSON is a [Check].
type CheckJSON struct {
	Name  string `json:"name"`
	State string `json:"state,omitempty"`
	Note  string `json:"note,omitempty"`
	Who   string `json:"who,omitempty"`
	When  string `json:"when,omitempty"`
}

// AdjustmentJSON is an [Adjustment].
type AdjustmentJSON struct {
	What   string `json:"what"`
	Amount string `json:"amount,omitempty"`
	Who    string `json:"who,omitempty"`
	When   string `json:"when,omitempty"`
}

// SpecJSON is a [Spec] with the rule of its verdicts.
type SpecJSON struct {
	Name        string  `json:"name,omitempty"`
	About       string  `json:"about,omitempty"`
	Source      string  `json:"source,omitempty"`
	ReferenceMM float64 `json:"reference_diameter_mm,omitempty"`
	Confidence  float64 `json:"confidence,omitempty"`
	GuardBand   float64 `json:"guard_band_in_expanded_u,omitempty"`
}

// ReadingJSON is a reading with its target.
type ReadingJSON struct {
	rig.Reading
	Expanded float64     `json:"expanded_u_k2"`
	Target   *TargetJSON `json:"target,omitempty"`
}

// TargetJSON is a target with the verdict on a reading, in the reading's unit.
type TargetJSON struct {
	Wish        float64       `json:"target"`
	Low         *float64      `json:"low"` // null: no limit
	High        *float64      `json:"high"`
	Source      string        `json:"source,omitempty"`
	Probability float64       `json:"probability_within"`
	Verdict     align.Verdict `json:"verdict"`
}

// SlipJSON is a [Slip]: metres dragged sideways for each kilometre, positive
// where the wheel points left of its way.
type SlipJSON struct {
	Epoch   string     `json:"epoch"`
	Axle    int        `json:"axle"`
	Side    align.Side `json:"side"`
	MPerKM  float64    `json:"m_per_km"`
	UMPerKM float64    `json:"u_m_per_km"`
}

// machineReadings joins each reading with its target and the verdict.
func (in *Input) machineReadings() []ReadingJSON {
	out := []ReadingJSON{}
	for _, r := range in.Readings {
		x := ReadingJSON{Reading: r, Expanded: 2 * r.U}
		if t, c := in.judge(r); t != nil {
			k := 1.0
			switch r.Unit {
			case "deg":
				k = 1 / degree
			case "mm":
				k = 1e3
			}
			limit := func(v float64) *float64 {
				if math.IsInf(v, 0) {
					return nil
				}
				v *= k
				return &v
			}
			x.Target = &TargetJSON{Wish: t.Wish * k, Low: limit(t.Low), High: limit(t.High), Source: t.Source, Probability: c.Conformance, Verdict: c.Verdict}
		}
		out = append(out, x)
	}
	return out
}

// JSON returns the record as a [Document].
func JSON(in *Input) (*Document, error) {
	t, err := tell(in, Options{})
	if err != nil {
		return nil, err
	}
	within, undecided, outside, open := t.tally(false)
	d := &Document{
		Job:     in.Job,
		Vehicle: VehicleJSON{Name: in.Vehicle.Name, Fleet: in.Visit.Fleet, Plate: in.Visit.Plate, Chassis: in.Visit.Chassis, Odometer: in.Visit.OdometerKM, ReferenceAxle: in.Vehicle.Reference, Kingpin: in.Kingpin, Axles: []AxleJSON{}},
		Visit:   VisitJSON{Date: in.Visit.Date, Place: in.Visit.Place, Order: in.Visit.Order, Customer: in.Visit.Customer, Contact: in.Visit.Contact, Remarks: in.Visit.Remarks},
		Epochs:  []string{}, Counts: map[string]int{"within": within, "undecided": undecided, "outside": outside, "without_target": open},
		Readings: in.machineReadings(), Network: in.Network, Warnings: in.Warnings, Measured: in.Tool, WrittenBy: in.Version,
	}
	if !in.Made.IsZero() {
		d.Made = in.Made.Format(time.RFC3339)
	}
	for _, a := range in.Vehicle.Axles {
		d.Vehicle.Axles = append(d.Vehicle.Axles, AxleJSON{a.Name, a.Position * 1e3, a.Track * 1e3, a.TyreDiameter * 1e3, a.Steered, a.Driven})
	}
	for _, p := range in.Visit.People {
		d.Visit.People = append(d.Visit.People, PersonJSON(p))
	}
	for _, y := range in.Visit.Tyres {
		d.Visit.Tyres = append(d.Visit.Tyres, TyreJSON{y.Axle, y.Side, y.Position, y.Size, y.Tread * 1e3, y.Pressure, y.Note})
	}
	for _, c := range in.Visit.Checks {
		d.Visit.Checks = append(d.Visit.Checks, CheckJSON(c))
	}
	for _, a := range in.Visit.Adjustments {
		d.Visit.Adjustments = append(d.Visit.Adjustments, AdjustmentJSON(a))
	}
	seen := map[string]bool{}
	for _, r := range in.Readings {
		if !seen[r.Epoch] {
			seen[r.Epoch] = true
			d.Epochs = append(d.Epochs, r.Epoch)
		}
	}
	if in.Target != nil || in.Spec != (Spec{}) {
		d.Spec = &SpecJSON{in.Spec.Name, in.Spec.About, in.Spec.Source, in.Spec.ReferenceDiameter * 1e3, in.Rule.Confidence, in.Rule.Guard}
		if d.Spec.Confidence == 0 && in.Rule.Guard == 0 {
			d.Spec.Confidence = 0.95
		}
	}
	for _, s := range in.Slip {
		way, u := s.PerKilometre()
		d.Slip = append(d.Slip, SlipJSON{s.Epoch, s.Axle, s.Side, way, u})
	}
	return d, nil
}
