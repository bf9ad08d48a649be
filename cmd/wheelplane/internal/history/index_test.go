package history_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"wheelplane/cmd/wheelplane/internal/history"
	"wheelplane/fixtures"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

// written writes a fleet's folders.
func written(t testing.TB, o fixtures.FleetOptions) (string, *fixtures.Fleet) {
	t.Helper()
	dir := t.TempDir()
	f := fixtures.NewFleet(o)
	if err := f.Write(dir, func() {}); err != nil {
		t.Fatal(err)
	}
	return dir, f
}

func index(t testing.TB, dir string, o history.IndexOptions) *history.Indexed {
	t.Helper()
	out, err := history.Index(context.Background(), dir, o)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func open(t testing.TB, dir string) *history.DB {
	t.Helper()
	d, err := history.Open(filepath.Join(dir, history.File))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.Close() })
	return d
}

// everything is all that a database tells, for comparing.
func everything(t testing.TB, dir string) map[string]any {
	t.Helper()
	d := open(t, dir)
	defer d.Close()
	vehicles, err := d.Vehicles()
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]any{}
	for _, v := range vehicles {
		visits, err := d.Visits(history.Filter{Vehicle: v.ID}, true)
		if err != nil {
			t.Fatal(err)
		}
		v.ID = 0
		for _, x := range visits {
			x.ID = 0
			out[x.Folder] = []any{*x, x.Readings()}
		}
		out[v.Chassis+v.Name()] = v
	}
	return out
}

// What the index says is what the folders say; brought up to date bit by bit it
// is what it would be made anew; and the file is sound, by SQLite's own check.
func TestIndex(t *testing.T) {
	dir, fleet := written(t, fixtures.FleetOptions{Seed: 3, Vehicles: 9, Visits: 60, Cameras: 2})
	if got := index(t, dir, history.IndexOptions{}); got.Folders != 60 || got.Read != 60 || got.Vehicles != 9 || len(got.Doubts)+len(got.Unusable)+len(got.Gone) > 0 {
		t.Fatalf("got %+v", got)
	}
	d := open(t, dir)
	if err := d.Check(); err != nil {
		t.Error(err)
	}
	visits, err := d.Visits(history.Filter{}, true)
	if err != nil {
		t.Fatal(err)
	}
	byFolder := map[string]*fixtures.FleetVisit{}
	for _, v := range fleet.Visits {
		byFolder[v.Folder()] = v
	}
	readings := 0
	for _, v := range visits {
		want := byFolder[v.Folder]
		if want == nil || v.Date != want.Date.Format(time.DateOnly) || v.Odometer != want.Odometer || v.DateFrom != history.FromVisit {
			t.Errorf("%s: date %s, %g km; want %+v", v.Folder, v.Date, v.Odometer, want)
		}
		if (want.Adjusted > 0) != (len(v.Epochs) == 2) || want.Adjusted > 0 && v.Epochs[1].Moved != fmt.Sprintf("axle %d", want.Adjusted) {
			t.Errorf("%s: epochs %v, adjusted %d", v.Folder, v.Epochs, want.Adjusted)
		}
		readings += len(v.Readings())
	}
	if readings < 60*20 {
		t.Errorf("only %d readings", readings)
	}
	// The folder's own numbers, to the last bit.
	x := visits[17]
	result, err := os.ReadFile(filepath.Join(dir, x.Folder, rig.ResultFile))
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range x.Readings() {
		if text := fmt.Sprintf("\"value\": %v", r.Value); !strings.Contains(string(result), text) {
			t.Errorf("%s: %+v is not in result.json", x.Folder, r)
		}
	}
	if sqlite, err := exec.LookPath("sqlite3"); err == nil {
		out, err := exec.Command(sqlite, filepath.Join(dir, history.File), "PRAGMA integrity_check; PRAGMA foreign_key_check; SELECT count(*) FROM reading").CombinedOutput()
		if want := fmt.Sprintf("ok\n%d\n", readings); err != nil || string(out) != want {
			t.Errorf("sqlite3 says %q, %v; want %q", out, err, want)
		}
	}
	d.Close()

	before := everything(t, dir)
	if got := index(t, dir, history.IndexOptions{}); got.Read != 0 || got.Vehicles != 9 {
		t.Errorf("nothing changed, and yet: %+v", got)
	}
	// A visit is told of later; it is the only one that is read again.
	told := filepath.Join(dir, x.Folder, "visit.yaml")
	text, err := os.ReadFile(told)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(told, append(text, "notes: drawn bar replaced\n"...), 0o666); err != nil {
		t.Fatal(err)
	}
	if got := index(t, dir, history.IndexOptions{}); got.Read != 1 {
		t.Errorf("one visit changed: %+v", got)
	}
	after := everything(t, dir)
	if reflect.DeepEqual(before, after) {
		t.Error("the new note is not in the index")
	}
	if got := index(t, dir, history.IndexOptions{Rebuild: true}); got.Read != 60 || got.SetAside != "" {
		t.Errorf("made anew: %+v", got)
	}
	if anew := everything(t, dir); !reflect.DeepEqual(after, anew) {
		t.Error("made anew, the index says something else than brought up to date")
	}
	d = open(t, dir)
	if found, err := d.Visits(history.Filter{Words: []string{"Drawn", "bar"}}, false); err != nil || len(found) != 1 || found[0].Folder != x.Folder {
		t.Errorf("searching for the note: %v, %v", found, err)
	}
	if found, err := d.Visits(history.Filter{Words: []string{"isl-003"}}, false); err != nil || len(found) < 6 {
		t.Errorf("searching for a plate written otherwise: %d, %v", len(found), err)
	}
	if v, err := d.Vehicle("isl003"); err != nil || v.FleetNo != "3" {
		t.Errorf("vehicle by plate: %+v, %v", v, err)
	}
	if _, err := d.Vehicle("99"); err == nil || !strings.Contains(err.Error(), "no vehicle") {
		t.Errorf("vehicle 99: %v", err)
	}
}

// A folder that vanished stays known and marked; moved elsewhere it is found
// there; copied it counts once; back again it is as before.
func TestVanishedMovedCopied(t *testing.T) {
	dir, fleet := written(t, fixtures.FleetOptions{Seed: 4, Vehicles: 2, Visits: 8})
	index(t, dir, history.IndexOptions{})
	before := everything(t, dir)
	one, two := filepath.Join(dir, fleet.Visits[2].Folder()), filepath.Join(dir, fleet.Visits[3].Folder())
	away := filepath.Join(t.TempDir(), "away")
	if err := os.Rename(one, away); err != nil {
		t.Fatal(err)
	}
	got := index(t, dir, history.IndexOptions{})
	if len(got.Gone) != 1 || got.Gone[0] != fleet.Visits[2].Folder() || got.Folders != 7 || got.Vehicles != 2 {
		t.Errorf("a folder vanished: %+v", got)
	}
	if visits, err := open(t, dir).Visits(history.Filter{}, true); err != nil || len(visits) != 8 {
		t.Errorf("%d visits, %v", len(visits), err)
	}
	if err := os.Rename(away, one); err != nil {
		t.Fatal(err)
	}
	if got := index(t, dir, history.IndexOptions{}); len(got.Gone) != 0 {
		t.Errorf("the folder is back: %+v", got)
	}
	if !reflect.DeepEqual(before, everything(t, dir)) {
		t.Error("the folder is back, and the index is not as before")
	}
	if err := os.Rename(two, filepath.Join(dir, "elsewhere")); err != nil {
		t.Fatal(err)
	}
	if got := index(t, dir, history.IndexOptions{}); len(got.Gone) != 0 || got.Read != 1 || got.Folders != 8 {
		t.Errorf("a folder moved: %+v", got)
	}
	if err := os.CopyFS(filepath.Join(dir, "zz backup"), os.DirFS(one)); err != nil {
		t.Fatal(err)
	}
	if got := index(t, dir, history.IndexOptions{}); len(got.Copies) != 1 || got.Folders != 9 {
		t.Errorf("a folder was copied: %+v", got)
	}
	if visits, err := open(t, dir).Visits(history.Filter{}, false); err != nil || len(visits) != 8 {
		t.Errorf("the copy counts: %d visits, %v", len(visits), err)
	}
	if err := os.RemoveAll(one); err != nil {
		t.Fatal(err)
	}
	index(t, dir, history.IndexOptions{})
	if err := os.RemoveAll(filepath.Join(dir, "zz backup")); err != nil {
		t.Fatal(err)
	}
	if got := index(t, dir, history.IndexOptions{Forget: true}); len(got.Gone) != 0 || got.Folders != 7 {
		t.Errorf("forgotten: %+v", got)
	}
	if visits, err := open(t, dir).Visits(history.Filter{Copies: true}, false); err != nil || len(visits) != 7 {
		t.Errorf("forgotten, and yet there are %d visits, %v", len(visits), err)
	}
}

// Whatever happens to the file, the folders make it anew, and what was there is
// set aside.
func TestDamaged(t *testing.T) {
	dir, _ := written(t, fixtures.FleetOptions{Seed: 5, Vehicles: 3, Visits: 12})
	path := filepath.Join(dir, history.File)
	index(t, dir, history.IndexOptions{})
	want := everything(t, dir)
	good, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for name, spoil := range map[string]func([]byte) []byte{
		"cut short":       func(b []byte) []byte { return b[:len(b)/2+100] },
		"garbage":         func([]byte) []byte { return []byte(strings.Repeat("not a database\n", 1000)) },
		"a page of noise": func(b []byte) []byte { return append(b[:4096:4096], append(noise(4096), b[8192:]...)...) },
		"two pages of noise": func(b []byte) []byte {
			n := len(b) / 4096 / 2 * 4096
			return append(b[:n:n], append(noise(8192), b[n+8192:]...)...)
		},
	} {
		t.Run(name, func(t *testing.T) {
			clear(t, dir)
			if err := os.WriteFile(path, spoil(append([]byte(nil), good...)), 0o666); err != nil {
				t.Fatal(err)
			}
			got := index(t, dir, history.IndexOptions{})
			if got.SetAside != path+".damaged" || !strings.Contains(got.Because, "damaged") || got.Read != 12 {
				t.Errorf("got %+v", got)
			}
			if !reflect.DeepEqual(want, everything(t, dir)) {
				t.Error("made anew, it says something else")
			}
		})
	}
	t.Run("garbage read", func(t *testing.T) {
		clear(t, dir)
		if err := os.WriteFile(path, []byte(strings.Repeat("x", 5000)), 0o666); err != nil {
			t.Fatal(err)
		}
		var damaged *history.DamagedError
		if _, err := history.Open(path); !errors.As(err, &damaged) {
			t.Errorf("got %v", err)
		}
	})
	t.Run("newer", func(t *testing.T) {
		clear(t, dir)
		newer := append([]byte(nil), good...)
		newer[63] = 99 // user_version: offset 60, big-endian (SQLite, "Database File Format", 1.3)
		if err := os.WriteFile(path, newer, 0o666); err != nil {
			t.Fatal(err)
		}
		var e *history.FormError
		if _, err := history.Open(path); !errors.As(err, &e) || e.Theirs != 99 {
			t.Errorf("reading: %v", err)
		}
		if _, err := history.Index(context.Background(), dir, history.IndexOptions{}); !errors.As(err, &e) {
			t.Errorf("bringing up to date: %v", err)
		}
		if now, err := os.ReadFile(path); err != nil || now[63] != 99 {
			t.Error("the newer database was touched")
		}
		if got := index(t, dir, history.IndexOptions{Rebuild: true}); got.SetAside != path+".newer" {
			t.Errorf("made anew: %+v", got)
		}
		if !reflect.DeepEqual(want, everything(t, dir)) {
			t.Error("made anew, it says something else")
		}
	})
	t.Run("older", func(t *testing.T) {
		clear(t, dir)
		older := append([]byte(nil), good...)
		older[63] = 0
		if err := os.WriteFile(path, older, 0o666); err != nil {
			t.Fatal(err)
		}
		var e *history.FormError
		if _, err := history.Open(path); !errors.As(err, &e) || e.Newer() {
			t.Errorf("reading: %v", err)
		}
		if got := index(t, dir, history.IndexOptions{}); got.Read != 12 || got.SetAside != "" {
			t.Errorf("brought up to date: %+v", got)
		}
		if !reflect.DeepEqual(want, everything(t, dir)) {
			t.Error("brought up to date, it says something else")
		}
	})
	t.Run("epochs that are not there", func(t *testing.T) {
		sqlite, err := exec.LookPath("sqlite3")
		if err != nil {
			t.Skip("no sqlite3 to spoil it with")
		}
		if out, err := exec.Command(sqlite, path, "UPDATE reading SET epoch = epoch + 7").CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		var damaged *history.DamagedError
		if _, err := open(t, dir).Visits(history.Filter{}, true); !errors.As(err, &damaged) {
			t.Errorf("got %v", err)
		}
	})
	t.Run("somebody else's", func(t *testing.T) {
		clear(t, dir)
		other := append([]byte(nil), good...)
		copy(other[68:72], "ABCD") // application_id
		if err := os.WriteFile(path, other, 0o666); err != nil {
			t.Fatal(err)
		}
		var e *history.ForeignError
		if _, err := history.Index(context.Background(), dir, history.IndexOptions{Rebuild: true}); !errors.As(err, &e) {
			t.Errorf("got %v", err)
		}
		if now, err := os.ReadFile(path); err != nil || string(now) != string(other) {
			t.Error("it was touched")
		}
	})
	t.Run("none", func(t *testing.T) {
		clear(t, dir)
		var e *history.MissingError
		if _, err := history.Open(path); !errors.As(err, &e) {
			t.Errorf("got %v", err)
		}
	})
}

// clear removes a database and what lies beside it.
func clear(t *testing.T, dir string) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, history.File+"*"))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if err := os.Remove(f); err != nil {
			t.Fatal(err)
		}
	}
}

func noise(n int) []byte {
	out := make([]byte, n)
	for i := range out {
		out[i] = byte(i*131 + i/7)
	}
	return out
}

// Several at once, writers and readers: all end well, and the result is whole.
func TestSeveralAtOnce(t *testing.T) {
	dir, _ := written(t, fixtures.FleetOptions{Seed: 6, Vehicles: 4, Visits: 24})
	index(t, dir, history.IndexOptions{})
	want := everything(t, dir)
	var wait sync.WaitGroup
	for range 4 {
		wait.Go(func() {
			for range 3 {
				if _, err := history.Index(context.Background(), dir, history.IndexOptions{Rebuild: true}); err != nil {
					t.Errorf("writing: %v", err)
				}
			}
		})
		wait.Go(func() {
			for range 10 {
				d, err := history.Open(filepath.Join(dir, history.File))
				if err != nil {
					t.Errorf("opening: %v", err)
					return
				}
				if visits, err := d.Visits(history.Filter{}, true); err != nil || len(visits) != 24 {
					t.Errorf("reading: %d visits, %v", len(visits), err)
				}
				d.Close()
			}
		})
	}
	wait.Wait()
	if !reflect.DeepEqual(want, everything(t, dir)) {
		t.Error("afterwards it says something else")
	}
	if err := open(t, dir).Check(); err != nil {
		t.Error(err)
	}
}

// A run that is interrupted leaves the index as it was.
func TestInterrupted(t *testing.T) {
	dir, _ := written(t, fixtures.FleetOptions{Seed: 6, Vehicles: 4, Visits: 24})
	index(t, dir, history.IndexOptions{})
	want := everything(t, dir)
	ctx, cancel := context.WithCancel(context.Background())
	_, err := history.Index(ctx, dir, history.IndexOptions{Rebuild: true, Progress: func(_, done int) {
		if done > 0 {
			cancel()
		}
	}})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
	if !reflect.DeepEqual(want, everything(t, dir)) {
		t.Error("the index changed")
	}
}

// In a place where nobody may write, the index is read all the same, and one that
// is not there is made elsewhere.
func TestReadOnlyPlace(t *testing.T) {
	dir, _ := written(t, fixtures.FleetOptions{Seed: 7, Vehicles: 2, Visits: 4})
	index(t, dir, history.IndexOptions{})
	want := everything(t, dir)
	for path, mode := range map[string]os.FileMode{filepath.Dir(dir): 0o755, dir: 0o555} {
		if err := os.Chmod(path, mode); err != nil {
			t.Fatal(err)
		}
	}
	defer os.Chmod(dir, 0o777)
	asNobody(t)
	if err := os.WriteFile(filepath.Join(dir, "x"), nil, 0o666); err == nil {
		t.Fatal("the place can be written to: the test proves nothing")
	}
	if !reflect.DeepEqual(want, everything(t, dir)) {
		t.Error("read from there it says something else")
	}
	var closed *history.ClosedError
	if _, err := history.Index(context.Background(), dir, history.IndexOptions{}); !errors.As(err, &closed) {
		t.Errorf("writing there: %v", err)
	}
}

// A database that vanishes while it is read, and one whose tables are not what
// they should be, are told of and no more.
func TestUnusableFolders(t *testing.T) {
	dir, fleet := written(t, fixtures.FleetOptions{Seed: 8, Vehicles: 2, Visits: 6})
	at := func(i int, name string) string { return filepath.Join(dir, fleet.Visits[i].Folder(), name) }
	for path, text := range map[string]string{
		at(0, rig.ResultFile): `{"readings": [`, at(1, rig.ResultFile): `{"readings": []}`,
		at(2, "visit.yaml"): "date: yesterday\n", at(3, rig.JobFile): "vehicle: [",
	} {
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	got := index(t, dir, history.IndexOptions{})
	if len(got.Unusable) != 2 || len(got.Doubts) != 2 || got.Read != 4 {
		t.Errorf("got %+v", got)
	}
	for _, text := range append(got.Unusable, got.Doubts...) {
		if !strings.HasPrefix(text, dir) || strings.Contains(text, "\n") {
			t.Errorf("not one line that names the file: %q", text)
		}
	}
	// A job that can no longer be read is not forgotten.
	if err := os.WriteFile(at(4, rig.ResultFile), []byte("{"), 0o666); err != nil {
		t.Fatal(err)
	}
	if got := index(t, dir, history.IndexOptions{}); len(got.Unusable) != 3 {
		t.Errorf("got %+v", got)
	}
	if visits, err := open(t, dir).Visits(history.Filter{}, true); err != nil || len(visits) != 4 {
		t.Errorf("%d visits, %v", len(visits), err)
	}
	if _, err := history.Index(context.Background(), filepath.Join(dir, "nowhere"), history.IndexOptions{}); err == nil || !strings.Contains(err.Error(), "no such folder") {
		t.Errorf("got %v", err)
	}
}

// Whose visit it is, by what was told.
func TestVehicles(t *testing.T) {
	dir := t.TempDir()
	add := func(folder, told string) {
		t.Helper()
		at := filepath.Join(dir, folder)
		if err := os.MkdirAll(at, 0o777); err != nil {
			t.Fatal(err)
		}
		r := fmt.Sprintf(`{"readings": [{"epoch": "as found", "quantity": %q, "axle": 1, "side": "left", "value": 0.1, "u": 0.01, "unit": "deg"}], "job": %q}`, align.Toe, folder)
		for name, text := range map[string]string{rig.ResultFile: r, "visit.yaml": told} {
			if err := os.WriteFile(filepath.Join(at, name), []byte(text), 0o666); err != nil {
				t.Fatal(err)
			}
		}
	}
	add("a1", "date: 2024-01-01\nchassis_no: X-1\nfleet_no: '7'\nplate: AB 12\n")
	add("a2", "date: 2024-06-01\nfleet_no: '7'\n")                    // the same by its fleet number
	add("a3", "date: 2025-01-01\nchassis_no: x1\nfleet_no: '8'\n")    // numbered anew
	add("b1", "date: 2024-03-01\nchassis_no: X-2\nfleet_no: '9'\n")   //
	add("b2", "date: 2024-04-01\nchassis_no: X-3\nfleet_no: '9'\n")   // two have had it
	add("b3", "date: 2024-05-01\nfleet_no: '9'\n")                    // so nobody knows
	add("c1", "date: 2024-05-02\nplate: CD-34\n")                     //
	add("c2", "date: 2024-05-03\nplate: cd34\nodometer_km: 120000\n") //
	add("d1", "place: nobody told anything\n")
	index(t, dir, history.IndexOptions{})
	d := open(t, dir)
	vehicles, err := d.Vehicles()
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]string{}
	for _, v := range vehicles {
		visits, err := d.Visits(history.Filter{Vehicle: v.ID}, false)
		if err != nil {
			t.Fatal(err)
		}
		var folders []string
		for _, x := range visits {
			folders = append(folders, x.Folder)
		}
		got[v.Name()+"/"+v.Chassis] = strings.Join(folders, " ")
	}
	want := map[string]string{"8/x1": "a1 a2 a3", "9/X-2": "b1", "9/X-3": "b2", "9/": "b3", "cd34/": "c1 c2", "(d1)/": "d1"}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got  %v\nwant %v", got, want)
	}
	if _, err := d.Vehicle("9"); err == nil || !strings.Contains(err.Error(), "several vehicles") {
		t.Errorf("vehicle 9: %v", err)
	}
}

// asNobody gives this thread's file accesses no rights, where they have them.
func asNobody(t *testing.T) {
	t.Helper()
	if os.Getuid() != 0 {
		return
	}
	runtime.LockOSThread()
	t.Cleanup(runtime.UnlockOSThread)
	if err := syscall.Setfsuid(65534); err != nil {
		t.Skipf("cannot give up rights: %v", err)
	}
	t.Cleanup(func() { syscall.Setfsuid(0) })
}
