package seen

import (
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"wheelplane/vision"
)

// entry is as the command line's, with numbers that are easily lost.
type entry struct {
	Views []vision.View
	Taken time.Time
	Word  string
}

var something = entry{
	Views: []vision.View{{Board: 2, Markers: 3, Note: "ä", BlurPx: 0.1 + 0.2, Obliquity: math.SmallestNonzeroFloat64,
		Corners:  []vision.Corner{{Index: 7, Px: [2]float64{math.Nextafter(1, 2), math.Copysign(0, -1)}, Cov: [3]float64{1e-300, math.Inf(1), -1. / 3}}},
		Rejected: []vision.RejectedCorner{{Index: 8, Px: [2]float64{-1, 2}, Reason: "covered"}},
		Joint:    &vision.Joint{Rows: [][]float64{{math.Copysign(0, -1), math.Pi}}, LackOfFit: 1.5}}},
	Taken: time.Date(2026, 5, 4, 3, 2, 1, 987654321, time.UTC), Word: "good",
}

var boards = []vision.Board{{Name: "A", Dictionary: "36h11", Cols: 7, Rows: 5, SquareM: 0.055, MarkerM: 0.041}}

// cameraOf saves a camera and reads it back, so that it has a checksum.
func cameraOf(t *testing.T, fx float64) *vision.Camera {
	t.Helper()
	path := filepath.Join(t.TempDir(), "camera.yaml")
	c := vision.Camera{Name: "bay", Width: 4000, Height: 3000}
	c.FX, c.FY, c.CX, c.CY = fx, 3000, 2000, 1500
	if err := c.Save(path); err != nil {
		t.Fatal(err)
	}
	read, err := vision.LoadCamera(path)
	if err != nil {
		t.Fatal(err)
	}
	return read
}

func put(t *testing.T, s *Store, sum string) {
	t.Helper()
	if err := s.Put(sum, &something); err != nil {
		t.Fatal(err)
	}
}

func entries(t *testing.T, dir string) []string {
	t.Helper()
	list, err := filepath.Glob(filepath.Join(dir, filepath.FromSlash(Dir), "*"))
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// What comes back is what went in, to the last bit, for the same photograph,
// camera file and boards only.
func TestGetAndPut(t *testing.T) {
	dir, camera := t.TempDir(), cameraOf(t, 3000)
	put(t, Open(dir, camera, boards), "abc")
	var got entry
	if !Open(dir, camera, boards).Get("abc", &got) || !reflect.DeepEqual(got, something) {
		t.Fatalf("got %+v, want %+v", got, something)
	}
	if !math.Signbit(got.Views[0].Corners[0].Px[1]) || !math.Signbit(got.Views[0].Joint.Rows[0][0]) {
		t.Error("the sign of a zero is lost")
	}
	more := append([]vision.Board{{Name: "B"}}, boards...)
	longer := []vision.Board{boards[0]}
	longer[0].ScaleX = 1.0001
	for what, s := range map[string]*Store{
		"another camera file": Open(dir, cameraOf(t, 3001), boards),
		"more boards":         Open(dir, camera, more),
		"another print scale": Open(dir, camera, longer),
		"another folder":      Open(t.TempDir(), camera, boards),
		"no store":            nil,
	} {
		if s.Get("abc", &got) {
			t.Error("found with", what)
		}
	}
	if Open(dir, camera, boards).Get("abd", &got) || Open(dir, camera, boards).Get("", &got) {
		t.Error("found for another photograph")
	}
	if Open(dir, &vision.Camera{}, boards) != nil {
		t.Error("a camera that comes from no file has a store")
	}
}

// An entry with any byte changed, or cut anywhere, is as if it were not there,
// and is written anew.
func TestDamagedEntry(t *testing.T) {
	dir := t.TempDir()
	s := Open(dir, cameraOf(t, 3000), boards)
	put(t, s, "abc")
	path := entries(t, dir)[0]
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var got entry
	spoil := func(data []byte) bool {
		if err := os.WriteFile(path, data, 0o666); err != nil {
			t.Fatal(err)
		}
		return s.Get("abc", &got)
	}
	for i := range whole {
		bad := append([]byte{}, whole...)
		bad[i] ^= 1
		if open(s.name("abc"), bad, &got) == nil {
			t.Fatalf("an entry with byte %d changed is believed", i)
		}
		if open(s.name("abc"), whole[:i], &got) == nil {
			t.Fatalf("an entry cut after %d of %d bytes is believed", i, len(whole))
		}
	}
	if spoil(nil) || !spoil(whole) {
		t.Fatal("the whole entry is not believed, or an empty one is")
	}
	spoil(whole[:len(whole)/2])
	put(t, s, "abc")
	if !s.Get("abc", &got) {
		t.Error("a damaged entry was not written anew")
	}
	// Another's entry under this name.
	put(t, s, "abd")
	if err := os.Rename(filepath.Join(filepath.Dir(path), s.name("abd")), path); err != nil {
		t.Fatal(err)
	}
	if s.Get("abc", &got) {
		t.Error("another photograph's entry is believed")
	}
}

// Only the entries of the last pass stay, and what others are writing.
func TestSweep(t *testing.T) {
	dir, camera := t.TempDir(), cameraOf(t, 3000)
	s := Open(dir, camera, boards)
	for _, sum := range []string{"gone", "stays", "new"} {
		put(t, s, sum)
	}
	at := filepath.Join(dir, filepath.FromSlash(Dir))
	old, foreign := time.Now().Add(-time.Hour), filepath.Join(at, "notes.txt")
	ahead := time.Now().Add(24 * time.Hour)
	writing, left, wrong := filepath.Join(at, ".a.1"+temporary), filepath.Join(at, ".a.2"+temporary), filepath.Join(at, ".a.3"+temporary)
	for path, when := range map[string]time.Time{filepath.Join(at, s.name("gone")): old, filepath.Join(at, s.name("stays")): old, foreign: old, writing: time.Now(), left: old, wrong: ahead} {
		if f, err := os.OpenFile(path, os.O_CREATE, 0o666); err != nil {
			t.Fatal(err)
		} else if err := f.Close(); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(path, when, when); err != nil {
			t.Fatal(err)
		}
	}
	again := Open(dir, camera, boards)
	var got entry
	if !again.Get("stays", &got) {
		t.Fatal("not found")
	}
	put(t, s, "new") // by another process
	again.Sweep()
	for path, want := range map[string]bool{filepath.Join(at, s.name("gone")): false, filepath.Join(at, s.name("stays")): true, filepath.Join(at, s.name("new")): true,
		foreign: true, writing: true, left: false, wrong: false} {
		if _, err := os.Stat(path); (err == nil) != want {
			t.Errorf("%s: kept: %v, want %v", filepath.Base(path), err == nil, want)
		}
	}
	(*Store)(nil).Sweep()
	Open(t.TempDir(), camera, boards).Sweep() // there is nothing yet
}

// A folder that nothing can be written to keeps nothing, and tells only who asks.
func TestNoRoom(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, ".wheelplane"), nil, 0o666); err != nil { // root may write to any folder, but not into a file
		t.Fatal(err)
	}
	s := Open(dir, cameraOf(t, 3000), boards)
	if s.Put("abc", &something) == nil {
		t.Error("kept where there is no room")
	}
	var got entry
	if s.Get("abc", &got) {
		t.Error("found")
	}
	s.Sweep()
}

// The program is known by the build ID that the Go toolchain itself tells of it.
func TestProgram(t *testing.T) {
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("go", "tool", "buildid", exe).Output()
	if err != nil {
		t.Skip("no go command: ", err)
	}
	if want := strings.TrimSpace(string(out)); want == "" || !strings.HasPrefix(program(), want+" ") {
		t.Errorf("program is %q, the toolchain says %q", program(), want)
	}
	if id := goBuildID(strings.NewReader("\x7fELF, or so it seems")); id != "" {
		t.Errorf("a file that is no program has the build ID %q", id)
	}
}
