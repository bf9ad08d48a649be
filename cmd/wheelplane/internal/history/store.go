package history

import (
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"time"

	"github.com/mattn/go-sqlite3"
)

// form is the version of the tables below; applicationID marks the file as ours
// (SQLite's application_id, "WPFL").
const (
	form          = 1
	applicationID = 0x5750464c
)

// A visit's told is visit.yaml and its epochs, doubts as JSON; so is a camera's
// fit. key and number are what a search compares: upper case, letters and digits
// only.
const schema = `
CREATE TABLE meta (root TEXT NOT NULL, indexed TEXT NOT NULL);
CREATE TABLE vehicle (
	id INTEGER PRIMARY KEY,
	fleet_no TEXT NOT NULL, plate TEXT NOT NULL, chassis TEXT NOT NULL,
	customer TEXT NOT NULL, kind TEXT NOT NULL,
	visits INTEGER NOT NULL, first TEXT NOT NULL, last TEXT NOT NULL, odometer REAL NOT NULL
);
CREATE TABLE visit (
	id INTEGER PRIMARY KEY,
	folder TEXT NOT NULL UNIQUE,
	stamp TEXT NOT NULL, sum TEXT NOT NULL,
	gone INTEGER NOT NULL, copy_of TEXT NOT NULL,
	vehicle INTEGER REFERENCES vehicle(id),
	date TEXT NOT NULL, date_from TEXT NOT NULL, odometer REAL NOT NULL,
	fleet_no TEXT NOT NULL, plate TEXT NOT NULL, chassis TEXT NOT NULL,
	told TEXT NOT NULL, kind TEXT NOT NULL, axles INTEGER NOT NULL, epochs TEXT NOT NULL,
	version TEXT NOT NULL, camera TEXT NOT NULL, doubts TEXT NOT NULL,
	words TEXT NOT NULL
);
CREATE INDEX visit_vehicle ON visit(vehicle, date);
CREATE INDEX visit_camera ON visit(camera, date);
CREATE TABLE reading (
	visit INTEGER NOT NULL REFERENCES visit(id) ON DELETE CASCADE,
	epoch INTEGER NOT NULL, quantity TEXT NOT NULL, axle INTEGER NOT NULL, side TEXT NOT NULL, station TEXT NOT NULL,
	value REAL NOT NULL, u REAL NOT NULL, unit TEXT NOT NULL,
	PRIMARY KEY (visit, epoch, quantity, axle, side, station)
) WITHOUT ROWID;
CREATE TABLE camera_fit (
	visit INTEGER PRIMARY KEY REFERENCES visit(id) ON DELETE CASCADE,
	fit TEXT NOT NULL
);`

const drop = `
DROP TABLE IF EXISTS camera_fit; DROP TABLE IF EXISTS reading;
DROP TABLE IF EXISTS visit; DROP TABLE IF EXISTS vehicle; DROP TABLE IF EXISTS meta;`

// DB is an open database.
type DB struct {
	path string
	sql  *sql.DB
}

// Close ends the use of it.
func (d *DB) Close() error { return d.sql.Close() }

// wait is how long a process waits for another that writes.
const wait = 20 * time.Second

// connect opens a database with SQLite's parameters.
func connect(path string, params url.Values) (*sql.DB, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	params.Set("_busy_timeout", fmt.Sprint(wait.Milliseconds()))
	params.Set("_foreign_keys", "on")
	db, err := sql.Open("sqlite3", "file:"+(&url.URL{Path: filepath.ToSlash(abs)}).EscapedPath()+"?"+params.Encode())
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	return db, nil
}

// Open opens a database for reading. The error is a [MissingError],
// [DamagedError], [FormError], [ForeignError], [BusyError] or [ClosedError], or what the system
// says.
func Open(path string) (*DB, error) {
	if _, err := os.Stat(path); err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return nil, &MissingError{path}
		}
		return nil, err
	}
	// A log for writing ahead needs two files beside the database even to read it,
	// unless nobody writes: as in a place where nobody may.
	for _, params := range []url.Values{{"mode": {"ro"}}, {"mode": {"ro"}, "immutable": {"1"}}} {
		db, err := connect(path, params)
		if err != nil {
			return nil, err
		}
		d := &DB{path, db}
		err = d.check()
		if err == nil {
			return d, nil
		}
		db.Close()
		var closed *ClosedError
		if !errors.As(err, &closed) || params.Has("immutable") {
			return nil, err
		}
	}
	panic("unreachable")
}

// check tells whether the database is ours and of this form.
func (d *DB) check() error {
	app, version, err := d.marks()
	switch {
	case err != nil:
		return d.explain(err)
	case app != applicationID:
		return &ForeignError{d.path}
	case version != form:
		return &FormError{d.path, version, form}
	}
	return nil
}

func (d *DB) marks() (app, version int, err error) {
	if err = d.sql.QueryRow("PRAGMA application_id").Scan(&app); err == nil {
		err = d.sql.QueryRow("PRAGMA user_version").Scan(&version)
	}
	return app, version, err
}

// explain puts SQLite's errors into words.
func (d *DB) explain(err error) error {
	var e sqlite3.Error
	if !errors.As(err, &e) {
		return err
	}
	switch e.Code {
	case sqlite3.ErrCorrupt, sqlite3.ErrNotADB:
		return &DamagedError{d.path, err}
	case sqlite3.ErrBusy, sqlite3.ErrLocked:
		return &BusyError{d.path}
	case sqlite3.ErrCantOpen, sqlite3.ErrReadonly, sqlite3.ErrPerm:
		return &ClosedError{d.path, err}
	case sqlite3.ErrError:
		// A table or column that is not there: part of the file is missing.
		return &DamagedError{d.path, err}
	}
	return fmt.Errorf("%s: %w", d.path, err)
}

// Check is SQLite's own check of the file, whole; nil if it finds nothing.
func (d *DB) Check() error {
	var text string
	if err := d.sql.QueryRow("PRAGMA integrity_check(1)").Scan(&text); err != nil {
		return d.explain(err)
	}
	if text != "ok" {
		return &DamagedError{d.path, errors.New(text)}
	}
	return nil
}
