package history

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"github.com/mattn/go-sqlite3"
)

// About tells which folder the database is of, and when it was brought up to
// date (RFC 3339).
func (d *DB) About() (root, indexed string, err error) {
	err = d.sql.QueryRow("SELECT root, indexed FROM meta").Scan(&root, &indexed)
	return root, indexed, d.explain(err)
}

const vehicleColumns = "id, fleet_no, plate, chassis, customer, kind, visits, first, last, odometer"

// Vehicles lists all vehicles, by name.
func (d *DB) Vehicles() ([]Vehicle, error) {
	rows, err := d.sql.Query("SELECT " + vehicleColumns + " FROM vehicle ORDER BY id")
	if err != nil {
		return nil, d.explain(err)
	}
	defer rows.Close()
	out := []Vehicle{}
	for rows.Next() {
		var v Vehicle
		if err := rows.Scan(&v.ID, &v.FleetNo, &v.Plate, &v.Chassis, &v.Customer, &v.Kind, &v.Visits, &v.First, &v.Last, &v.OdometerKM); err != nil {
			return nil, d.explain(err)
		}
		out = append(out, v)
	}
	slices.SortStableFunc(out, func(a, b Vehicle) int { return natural(a.Name(), b.Name()) })
	return out, d.explain(rows.Err())
}

// natural compares names with their numbers as numbers: 9 before 10.
func natural(a, b string) int {
	for a != "" && b != "" {
		na, nb := digits(a), digits(b)
		if na != "" && nb != "" {
			x, y := strings.TrimLeft(na, "0"), strings.TrimLeft(nb, "0")
			if len(x) != len(y) {
				return len(x) - len(y)
			}
			if x != y {
				return strings.Compare(x, y)
			}
			a, b = a[len(na):], b[len(nb):]
			continue
		}
		if a[0] != b[0] {
			return strings.Compare(a, b)
		}
		a, b = a[1:], b[1:]
	}
	return strings.Compare(a, b)
}

// digits are those that a text begins with.
func digits(s string) string {
	i := strings.IndexFunc(s, func(r rune) bool { return r < '0' || r > '9' })
	if i < 0 {
		return s
	}
	return s[:i]
}

// Vehicle finds a vehicle by its fleet number, plate or chassis number, written
// with or without blanks and dashes. The error says what is there instead.
func (d *DB) Vehicle(name string) (*Vehicle, error) {
	all, err := d.Vehicles()
	if err != nil {
		return nil, err
	}
	want := plain(name)
	var found, near []Vehicle
	for _, v := range all {
		numbers := []string{plain(v.FleetNo), plain(v.Plate), plain(v.Chassis)}
		switch {
		case want != "" && slices.Contains(numbers, want):
			found = append(found, v)
		case slices.ContainsFunc(numbers, func(n string) bool { return want != "" && n != "" && strings.Contains(n, want) }):
			near = append(near, v)
		}
	}
	switch {
	case len(found) == 1:
		return &found[0], nil
	case len(found) > 1:
		return nil, fmt.Errorf("%q is the number of several vehicles: %s; name one by its chassis number or plate", name, list(found))
	case len(near) > 0:
		return nil, fmt.Errorf("no vehicle is called %q; there are: %s", name, list(near))
	}
	return nil, fmt.Errorf("no vehicle is called %q; see 'wheelplane fleet list'", name)
}

func list(vehicles []Vehicle) string {
	var out []string
	for i, v := range vehicles {
		if i == 6 {
			out = append(out, fmt.Sprintf("%d more", len(vehicles)-i))
			break
		}
		text := v.Name()
		for _, n := range []string{v.Plate, v.Chassis} {
			if n != "" && n != text {
				text += " (" + n + ")"
				break
			}
		}
		out = append(out, text)
	}
	return strings.Join(out, ", ")
}

// Filter chooses visits; the zero value takes all that count.
type Filter struct {
	Words    []string // each in a number, a name, a note, the date or the folder
	From, To string   // dates, both included
	Vehicle  int64
	Copies   bool // copies of others too
}

// Visits lists visits in their order, with their readings only if asked for.
func (d *DB) Visits(f Filter, readings bool) ([]*Visit, error) {
	query := "SELECT id, folder, gone, copy_of, date, date_from, told, kind, axles, epochs, version, camera, doubts FROM visit WHERE 1"
	var args []any
	where := func(condition string, values ...any) {
		query += " AND " + condition
		args = append(args, values...)
	}
	for _, w := range f.Words {
		// A number may be written with blanks and dashes; nothing else may.
		where("(instr(words, ?) > 0 OR instr(words, ?) > 0)", strings.ToLower(w), strings.ToLower(orItself(plain(w), w)))
	}
	if f.From != "" {
		where("date >= ?", f.From)
	}
	if f.To != "" {
		where("date <= ?", f.To)
	}
	if f.Vehicle != 0 {
		where("vehicle = ?", f.Vehicle)
	}
	if !f.Copies {
		where("copy_of = ''")
	}
	rows, err := d.sql.Query(query, args...)
	if err != nil {
		return nil, d.explain(err)
	}
	defer rows.Close()
	out := []*Visit{}
	for rows.Next() {
		v := &Visit{}
		var told, epochs, doubts string
		if err := rows.Scan(&v.ID, &v.Folder, &v.Gone, &v.CopyOf, &v.Date, &v.DateFrom, &told, &v.Kind, &v.Axles, &epochs, &v.Version, &v.Camera, &doubts); err != nil {
			return nil, d.explain(err)
		}
		for text, to := range map[string]any{told: &v.Visit, epochs: &v.Epochs, doubts: &v.Doubts} {
			if err := json.Unmarshal([]byte(text), to); err != nil {
				return nil, &DamagedError{d.path, err}
			}
		}
		if len(v.Epochs) == 0 {
			return nil, &DamagedError{d.path, fmt.Errorf("%s has no epochs", v.Folder)}
		}
		out = append(out, v)
	}
	if err := rows.Err(); err != nil {
		return nil, d.explain(err)
	}
	slices.SortFunc(out, inOrder)
	if !readings {
		return out, nil
	}
	for _, v := range out {
		if v.readings, err = d.readings(v); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func orItself(text, other string) string {
	if text == "" {
		return other
	}
	return text
}

// readings are those of one visit.
func (d *DB) readings(v *Visit) ([]Reading, error) {
	rows, err := d.sql.Query("SELECT epoch, quantity, axle, side, station, value, u, unit FROM reading WHERE visit = ?", v.ID)
	if err != nil {
		return nil, d.explain(err)
	}
	defer rows.Close()
	var out []Reading
	for rows.Next() {
		var r Reading
		if err := rows.Scan(&r.Epoch, &r.Quantity, &r.Axle, &r.Side, &r.Station, &r.Value, &r.U, &r.Unit); err != nil {
			return nil, d.explain(err)
		}
		if r.Epoch < 0 || r.Epoch >= len(v.Epochs) {
			return nil, &DamagedError{d.path, fmt.Errorf("a reading of %s is of an epoch that it has not", v.Folder)}
		}
		out = append(out, r)
	}
	return out, d.explain(rows.Err())
}

// Readings are those of a visit that was listed with them.
func (v *Visit) Readings() []Reading { return v.readings }

// EachReading goes through the readings of visits, in order.
func (d *DB) EachReading(f Filter, do func(v *Visit, r Reading) error) error {
	visits, err := d.Visits(f, false)
	if err != nil {
		return err
	}
	for _, v := range visits {
		readings, err := d.readings(v)
		if err != nil {
			return err
		}
		for _, r := range readings {
			if err := do(v, r); err != nil {
				return err
			}
		}
	}
	return nil
}

// at returns the reading of an epoch.
func (v *Visit) at(epoch int, like Reading) (Reading, bool) {
	for _, r := range v.readings {
		if r.Epoch == epoch && r.of() == like.of() {
			return r, true
		}
	}
	return Reading{}, false
}

// fitsOf lists the visits that a camera's file was used in, in their order, with
// what each found the camera to be.
func (d *DB) fitsOf(camera string) ([]*Visit, error) {
	rows, err := d.sql.Query(`SELECT visit.folder, visit.date, visit.odometer, camera_fit.fit FROM visit JOIN camera_fit ON camera_fit.visit = visit.id
		WHERE visit.camera = ? AND visit.copy_of = ''`, camera)
	if err != nil {
		return nil, d.explain(err)
	}
	defer rows.Close()
	var out []*Visit
	for rows.Next() {
		v := &Visit{Camera: camera}
		var fit string
		if err := rows.Scan(&v.Folder, &v.Date, &v.Odometer, &fit); err != nil {
			return nil, d.explain(err)
		}
		if err := json.Unmarshal([]byte(fit), &v.fit); err != nil {
			return nil, d.explain(sqlite3.Error{Code: sqlite3.ErrCorrupt})
		}
		out = append(out, v)
	}
	// Jobs of one day in the order of their folders: mileage is of the vehicle.
	slices.SortFunc(out, func(a, b *Visit) int {
		return strings.Compare(a.Date+"\n"+a.Folder, b.Date+"\n"+b.Folder)
	})
	return out, d.explain(rows.Err())
}

// cameras lists the camera files that jobs were measured with.
func (d *DB) cameras() ([]string, error) {
	rows, err := d.sql.Query("SELECT DISTINCT visit.camera FROM visit JOIN camera_fit ON camera_fit.visit = visit.id WHERE copy_of = '' ORDER BY 1")
	if err != nil {
		return nil, d.explain(err)
	}
	defer rows.Close()
	var out []string
	for rows.Next() {
		var sum string
		if err := rows.Scan(&sum); err != nil {
			return nil, d.explain(err)
		}
		out = append(out, sum)
	}
	return out, d.explain(rows.Err())
}
