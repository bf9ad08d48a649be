package history

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"
	"unicode"

	"wheelplane/cmd/wheelplane/internal/visit"

	"github.com/mattn/go-sqlite3"
	"golang.org/x/sync/errgroup"
)

// IndexOptions steer [Index]; the zero value works.
type IndexOptions struct {
	Path    string // of the database; default File in the root
	Rebuild bool   // read every folder, whatever the database says
	Forget  bool   // drop the visits whose folders are gone
	// Progress, if any, is told how many folders are to be read, then of each.
	Progress func(total, done int)
}

// Indexed tells what [Index] did.
type Indexed struct {
	Path     string   `json:"database"`
	Folders  int      `json:"folders"` // of measured jobs
	Read     int      `json:"read"`    // new or changed since the last time
	Vehicles int      `json:"vehicles"`
	Gone     []string `json:"gone,omitempty"`      // folders that were there once
	Copies   []string `json:"copies,omitempty"`    // folders with the contents of another
	Unusable []string `json:"unusable,omitempty"`  // why, of folders that are left out
	Doubts   []string `json:"doubts,omitempty"`    // of folders that are not
	SetAside string   `json:"set_aside,omitempty"` // where a damaged or newer database lies now
	Because  string   `json:"because,omitempty"`   // why it was
}

// Index brings the database of all job folders below root up to date: it reads
// those whose files have changed since. A database that is damaged is set aside
// and made anew, one of a newer version only with Rebuild. What a killed or
// failed run began is undone.
func Index(ctx context.Context, root string, o IndexOptions) (*Indexed, error) {
	folders, closed, err := foldersBelow(root)
	if err != nil {
		return nil, err
	}
	if o.Path == "" {
		o.Path = filepath.Join(root, File)
	}
	if o.Progress == nil {
		o.Progress = func(int, int) {}
	}
	out := &Indexed{Path: o.Path, Folders: len(folders), Unusable: closed}
	d, err := openToWrite(o.Path, o.Rebuild, out)
	if err != nil {
		return nil, err
	}
	defer d.Close()
	stamps := map[string]string{}
	if !o.Rebuild {
		if stamps, err = d.stamps(); err != nil {
			return nil, d.explain(err)
		}
	}
	visits, err := readFolders(ctx, root, folders, stamps, out, o.Progress)
	if err != nil {
		return nil, err
	}
	if err := d.update(ctx, root, folders, visits, o, out); err != nil {
		return nil, d.explain(err)
	}
	return out, nil
}

// openToWrite opens or makes the database, and sets aside what is none any more.
func openToWrite(path string, rebuild bool, out *Indexed) (*DB, error) {
	for {
		db, err := connect(path, url.Values{"_txlock": {"immediate"}, "_synchronous": {"NORMAL"}})
		if err != nil {
			return nil, err
		}
		d := &DB{path, db}
		err = d.prepare()
		if err == nil {
			return d, nil
		}
		db.Close()
		var damaged *DamagedError
		var newer *FormError
		suffix := ""
		switch {
		case errors.As(err, &damaged):
			suffix = ".damaged"
		case errors.As(err, &newer) && rebuild:
			suffix = ".newer"
		}
		if suffix == "" || out.SetAside != "" {
			return nil, err
		}
		out.Because = err.Error()
		if out.SetAside, err = setAside(path, suffix); err != nil {
			return nil, err
		}
	}
}

// setAside renames a database, and what SQLite keeps beside it, to a name that
// is free.
func setAside(path, suffix string) (string, error) {
	to := path + suffix
	for n := 2; ; n++ {
		if _, err := os.Lstat(to); err != nil {
			break
		}
		to = fmt.Sprintf("%s%s-%d", path, suffix, n)
	}
	if err := os.Rename(path, to); err != nil {
		return "", err
	}
	for _, side := range []string{"-wal", "-shm", "-journal"} {
		if err := os.Rename(path+side, to+side); err != nil && !os.IsNotExist(err) {
			return "", err
		}
	}
	return to, nil
}

// prepare makes the tables of an empty file or of one of an older form, and
// checks the others.
func (d *DB) prepare() error {
	app, version, err := d.marks()
	if err != nil {
		return d.explain(err)
	}
	var tables int
	if err := d.sql.QueryRow("SELECT count(*) FROM sqlite_schema").Scan(&tables); err != nil {
		return d.explain(err)
	}
	switch {
	case app != applicationID && tables > 0:
		return &ForeignError{d.path}
	case version > form:
		return &FormError{d.path, version, form}
	}
	// Who reads then sees the state before, while this process writes the next.
	// Where that cannot be had (some network drives), readers wait.
	var mode string
	if err := d.sql.QueryRow("PRAGMA journal_mode = WAL").Scan(&mode); err != nil {
		return d.explain(err)
	}
	if version == form && tables > 0 {
		return d.Check()
	}
	tx, err := d.sql.Begin()
	if err != nil {
		return d.explain(err)
	}
	defer tx.Rollback()
	// Another process may have made them while this one waited.
	if err := tx.QueryRow("PRAGMA user_version").Scan(&version); err != nil || version == form {
		return err
	}
	if _, err := tx.Exec(fmt.Sprintf("%s %s PRAGMA application_id = %d; PRAGMA user_version = %d", drop, schema, applicationID, form)); err != nil {
		return d.explain(err)
	}
	return d.explain(tx.Commit())
}

// stamps returns those of all visits, by folder.
func (d *DB) stamps() (map[string]string, error) {
	rows, err := d.sql.Query("SELECT folder, stamp FROM visit")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := map[string]string{}
	for rows.Next() {
		var folder, stamp string
		if err := rows.Scan(&folder, &stamp); err != nil {
			return nil, err
		}
		out[folder] = stamp
	}
	return out, rows.Err()
}

// readFolders reads the folders whose files are not as their stamps say, as many
// at once as there are processors.
func readFolders(ctx context.Context, root string, folders []string, stamps map[string]string, out *Indexed, progress func(total, done int)) ([]*Visit, error) {
	var due []string
	for _, f := range folders {
		if stamps[f] == "" || stamps[f] != stampOf(filepath.Join(root, filepath.FromSlash(f))) {
			due = append(due, f)
		}
	}
	progress(len(due), 0)
	visits, failed := make([]*Visit, len(due)), make([]error, len(due))
	var g errgroup.Group
	g.SetLimit(runtime.GOMAXPROCS(0))
	for i, folder := range due {
		g.Go(func() error {
			visits[i], failed[i] = readFolder(root, folder)
			progress(len(due), 1)
			return ctx.Err()
		})
	}
	if err := g.Wait(); err != nil {
		return nil, err
	}
	var good []*Visit
	for i, v := range visits {
		if failed[i] != nil {
			out.Unusable = append(out.Unusable, failed[i].Error())
			continue
		}
		good = append(good, v)
		out.Doubts = append(out.Doubts, v.Doubts...)
	}
	out.Read = len(good)
	return good, nil
}

// update writes visits and derives the rest, in one transaction.
func (d *DB) update(ctx context.Context, root string, folders []string, visits []*Visit, o IndexOptions, out *Indexed) error {
	tx, err := d.sql.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	if o.Rebuild {
		if _, err := tx.Exec("DELETE FROM reading; DELETE FROM camera_fit; DELETE FROM visit; DELETE FROM vehicle"); err != nil {
			return err
		}
	}
	if err := writeVisits(tx, visits); err != nil {
		return err
	}
	if err := markGone(tx, folders, o.Forget); err != nil {
		return err
	}
	if err := derive(tx, out); err != nil {
		return err
	}
	abs, err := filepath.Abs(root)
	if err != nil {
		return err
	}
	if _, err := tx.Exec("DELETE FROM meta; INSERT INTO meta VALUES (?, ?)", abs, time.Now().UTC().Format(time.RFC3339)); err != nil {
		return err
	}
	return tx.Commit()
}

func writeVisits(tx *sql.Tx, visits []*Visit) error {
	addVisit, err := tx.Prepare(`INSERT INTO visit (folder, stamp, sum, gone, copy_of, date, date_from, odometer, fleet_no, plate, chassis,
		told, kind, axles, epochs, version, camera, doubts, words) VALUES (?,?,?,0,'',?,?,?,?,?,?,?,?,?,?,?,?,?,?)`)
	if err != nil {
		return err
	}
	defer addVisit.Close()
	addReading, err := tx.Prepare("INSERT OR REPLACE INTO reading VALUES (?,?,?,?,?,?,?,?,?)")
	if err != nil {
		return err
	}
	defer addReading.Close()
	for _, v := range visits {
		if _, err := tx.Exec("DELETE FROM visit WHERE folder = ?", v.Folder); err != nil {
			return err
		}
		told, epochs, doubts := asJSON(v.Visit), asJSON(v.Epochs), asJSON(v.Doubts)
		done, err := addVisit.Exec(v.Folder, v.stamp, v.sum, v.Date, v.DateFrom, v.Odometer, v.FleetNo, v.Plate, v.Chassis,
			told, v.Kind, v.Axles, epochs, v.Version, v.Camera, doubts, v.words())
		if err != nil {
			return err
		}
		id, err := done.LastInsertId()
		if err != nil {
			return err
		}
		for _, r := range v.readings {
			if _, err := addReading.Exec(id, r.Epoch, string(r.Quantity), r.Axle, string(r.Side), r.Station, r.Value, r.U, r.Unit); err != nil {
				return err
			}
		}
		if v.fit != nil && v.Camera != "" {
			if _, err := tx.Exec("INSERT INTO camera_fit VALUES (?, ?)", id, asJSON(v.fit)); err != nil {
				return err
			}
		}
	}
	return nil
}

// asJSON writes what cannot fail.
func asJSON(v any) string {
	text, err := json.Marshal(v)
	if err != nil {
		panic(err)
	}
	return string(text)
}

// words is what a search looks through.
func (v *Visit) words() string {
	return strings.ToLower(strings.Join([]string{v.FleetNo, v.Plate, v.Chassis, plain(v.FleetNo), plain(v.Plate), plain(v.Chassis),
		v.Customer, v.Technician, v.Place, v.Order, v.Notes, v.Kind, v.Date, v.Folder}, "\n"))
}

// plain is a number as it is compared: letters in upper case and digits.
func plain(number string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsDigit(r) {
			return unicode.ToUpper(r)
		}
		return -1
	}, number)
}

// markGone marks the visits whose folders are not there, or drops them.
func markGone(tx *sql.Tx, folders []string, forget bool) error {
	rows, err := tx.Query("SELECT id, folder, sum, gone FROM visit")
	if err != nil {
		return err
	}
	defer rows.Close()
	there := map[string]bool{}
	for _, f := range folders {
		there[f] = true
	}
	type entry struct {
		id   int64
		sum  string
		gone bool
	}
	var missing, back []entry
	present := map[string]bool{} // contents
	for rows.Next() {
		var e entry
		var folder string
		if err := rows.Scan(&e.id, &folder, &e.sum, &e.gone); err != nil {
			return err
		}
		switch {
		case !there[folder]:
			missing = append(missing, e)
		default:
			present[e.sum] = true
			if e.gone {
				back = append(back, e)
			}
		}
	}
	if err := rows.Err(); err != nil {
		return err
	}
	for _, e := range missing {
		query := "UPDATE visit SET gone = 1 WHERE id = ?"
		if forget || present[e.sum] { // moved elsewhere
			query = "DELETE FROM visit WHERE id = ?"
		}
		if _, err := tx.Exec(query, e.id); err != nil {
			return err
		}
	}
	for _, e := range back {
		if _, err := tx.Exec("UPDATE visit SET gone = 0 WHERE id = ?", e.id); err != nil {
			return err
		}
	}
	return nil
}

// derive works out from all visits which are copies, and which vehicle each is
// of.
func derive(tx *sql.Tx, out *Indexed) error {
	visits, err := allVisits(tx)
	if err != nil {
		return err
	}
	first := map[string]string{} // folder by contents
	var counted []*Visit
	for _, v := range visits {
		copyOf := ""
		if f, again := first[v.sum]; again {
			copyOf = f
			out.Copies = append(out.Copies, fmt.Sprintf("%s is a copy of %s", v.Folder, f))
		} else {
			first[v.sum] = v.Folder
			counted = append(counted, v)
		}
		if copyOf != v.CopyOf {
			if _, err := tx.Exec("UPDATE visit SET copy_of = ? WHERE id = ?", copyOf, v.ID); err != nil {
				return err
			}
		}
		if v.Gone {
			out.Gone = append(out.Gone, v.Folder)
		}
	}
	if _, err := tx.Exec("UPDATE visit SET vehicle = NULL WHERE vehicle IS NOT NULL; DELETE FROM vehicle"); err != nil {
		return err
	}
	groups := vehiclesOf(counted)
	out.Vehicles = len(groups)
	set, err := tx.Prepare("UPDATE visit SET vehicle = ? WHERE id = ?")
	if err != nil {
		return err
	}
	defer set.Close()
	for i, g := range groups {
		v := summary(g)
		if _, err := tx.Exec("INSERT INTO vehicle VALUES (?,?,?,?,?,?,?,?,?,?)", i+1, v.FleetNo, v.Plate, v.Chassis, v.Customer, v.Kind, v.Visits, v.First, v.Last, v.OdometerKM); err != nil {
			return err
		}
		for _, x := range g {
			if _, err := set.Exec(i+1, x.ID); err != nil {
				return err
			}
		}
	}
	return nil
}

// allVisits lists the visits by folder, without their readings.
func allVisits(tx *sql.Tx) ([]*Visit, error) {
	rows, err := tx.Query("SELECT id, folder, sum, gone, copy_of, date, odometer, fleet_no, plate, chassis, told, kind FROM visit ORDER BY gone, folder")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []*Visit
	for rows.Next() {
		v := &Visit{}
		var told string
		if err := rows.Scan(&v.ID, &v.Folder, &v.sum, &v.Gone, &v.CopyOf, &v.Date, &v.Odometer, &v.FleetNo, &v.Plate, &v.Chassis, &told, &v.Kind); err != nil {
			return nil, err
		}
		var t visit.Visit
		if err := json.Unmarshal([]byte(told), &t); err != nil {
			return nil, sqlite3.Error{Code: sqlite3.ErrCorrupt}
		}
		v.Customer = t.Customer
		out = append(out, v)
	}
	return out, rows.Err()
}

// vehiclesOf puts the visits of one vehicle together. The chassis number says
// which it is; a visit that does not tell it belongs to the one vehicle that has
// its fleet number, or else its plate. Where several have it, or nothing is told,
// the visit is a vehicle of its own.
func vehiclesOf(visits []*Visit) [][]*Visit {
	var keys []string
	groups := map[string][]*Visit{}
	add := func(key string, v *Visit) {
		if groups[key] == nil {
			keys = append(keys, key)
		}
		groups[key] = append(groups[key], v)
	}
	owners := [2]map[string][]string{{}, {}} // of fleet numbers and plates
	own := func(key string, v *Visit) {
		for k, number := range []string{plain(v.FleetNo), plain(v.Plate)} {
			if number != "" && !slices.Contains(owners[k][number], key) {
				owners[k][number] = append(owners[k][number], key)
			}
		}
	}
	var rest []*Visit
	for _, v := range visits {
		if c := plain(v.Chassis); c != "" {
			add("chassis "+c, v)
			own("chassis "+c, v)
		} else {
			rest = append(rest, v)
		}
	}
	for _, v := range rest {
		fleet, plate := plain(v.FleetNo), plain(v.Plate)
		key := ""
		switch {
		case fleet != "" && len(owners[0][fleet]) == 1:
			key = owners[0][fleet][0]
		case plate != "" && len(owners[1][plate]) == 1:
			key = owners[1][plate][0]
		case fleet != "" && len(owners[0][fleet]) == 0:
			key = "fleet " + fleet
		case plate != "" && fleet == "" && len(owners[1][plate]) == 0:
			key = "plate " + plate
		default:
			key = "folder " + v.Folder
		}
		add(key, v)
		own(key, v)
	}
	slices.Sort(keys)
	var out [][]*Visit
	for _, k := range keys {
		out = append(out, groups[k])
	}
	return out
}

// summary is a vehicle as its last visits tell it.
func summary(visits []*Visit) Vehicle {
	slices.SortFunc(visits, inOrder)
	v := Vehicle{Visits: len(visits), First: visits[0].Date, Last: visits[len(visits)-1].Date}
	last := func(to *string, text string) {
		if text != "" {
			*to = text
		}
	}
	for _, x := range visits {
		last(&v.FleetNo, x.FleetNo)
		last(&v.Plate, x.Plate)
		last(&v.Chassis, x.Chassis)
		last(&v.Customer, x.Customer)
		last(&v.Kind, x.Kind)
		if x.Odometer > 0 {
			v.OdometerKM = x.Odometer
		}
	}
	if v.Name() == "" {
		v.FleetNo = "(" + visits[0].Folder + ")"
	}
	return v
}

// inOrder is the order of visits: by day, then by mileage, then by folder.
func inOrder(a, b *Visit) int {
	if c := strings.Compare(a.Date, b.Date); c != 0 {
		return c
	}
	if a.Odometer != b.Odometer && a.Odometer > 0 && b.Odometer > 0 {
		if a.Odometer < b.Odometer {
			return -1
		}
		return 1
	}
	return strings.Compare(a.Folder, b.Folder)
}
