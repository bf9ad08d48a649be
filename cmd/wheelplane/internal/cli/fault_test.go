package cli

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"wheelplane/cmd/wheelplane/internal/seen"
	"wheelplane/cmd/wheelplane/internal/visit"
	"wheelplane/fixtures"
	"wheelplane/pose/rig"
	"wheelplane/vision"
)

var kills = flag.Int("kills", 8, "how many runs TestKilled kills")

// knownJob makes a job that measures in a moment: its photographs are known to the
// store already, with corners drawn, so nothing looks at the files.
func knownJob(t testing.TB, dir string) *rig.Folder {
	t.Helper()
	scene, err := fixtures.NewScene("harbour-car", 3, 2000)
	if err == nil {
		err = makeFolders(dir, scene, true)
	}
	if err == nil {
		err = scene.Camera.Save(filepath.Join(dir, "camera.yaml"))
	}
	var text []byte
	if err == nil {
		text, err = scene.Job.Text("camera.yaml")
	}
	if err == nil {
		err = os.WriteFile(filepath.Join(dir, rig.JobFile), text, 0o666)
	}
	if err != nil {
		t.Fatal(err)
	}
	kept := make([]kept, len(scene.Job.Photos))
	for _, o := range scene.DrawCorners(0.03, 1.2, 3) {
		kept[o.Photo].Views = append(kept[o.Photo].Views, vision.View{Board: o.Board, Corners: o.Corners, Joint: o.Joint})
	}
	for p, photo := range scene.Job.Photos {
		if err := os.WriteFile(filepath.Join(dir, filepath.FromSlash(photo.Path)), fmt.Appendf(nil, "photograph %d", p), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	folder, err := rig.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	camera, err := vision.LoadCamera(folder.Camera)
	if err != nil {
		t.Fatal(err)
	}
	store := seen.Open(dir, camera, folder.Job.Boards)
	for p := range kept {
		kept[p].Verdict = isGood
		if err := store.Put(fmt.Sprintf("%x", sha256.Sum256(fmt.Appendf(nil, "photograph %d", p))), &kept[p]); err != nil {
			t.Fatal(err)
		}
	}
	return folder
}

// fault is a command with its outputs.
type fault struct {
	*exec.Cmd
	out, msg bytes.Buffer
}

func faulty(args ...string) *fault {
	f := &fault{Cmd: exec.Command("wheelplane", args...)}
	f.Stdout, f.Stderr = &f.out, &f.msg
	return f
}

// runs does a command to its end.
func runs(t *testing.T, args ...string) *fault {
	t.Helper()
	f := faulty(args...)
	if err := f.Run(); err != nil {
		t.Fatalf("%s: %v: %s", strings.Join(args, " "), err, f.msg.String())
	}
	return f
}

// datedAhead lets a result, where there is one, come from the future, so that it is
// written anew though it says the same (see stands).
func datedAhead(dir string) {
	at := time.Now().Add(time.Hour)
	os.Chtimes(filepath.Join(dir, rig.ResultFile), at, at)
}

// TestKilled kills runs at random moments, as a power cut or an impatient person
// does. After each the folders hold whole files, everything that was acknowledged is
// there, and in the end no temporary file is left. For longer:
//
//	go test ./cmd/wheelplane/internal/cli -run TestKilled -kills 200 -v
func TestKilled(t *testing.T) {
	if testing.Short() {
		t.Skip("starts many runs")
	}
	root := t.TempDir()
	edited, measured, index := filepath.Join(root, "jobs", "edited"), filepath.Join(root, "jobs", "measured"), filepath.Join(root, "fleet.db")
	knownJob(t, edited)
	knownJob(t, measured)

	// What each kind of run does, what shows that it was done, and how long it takes.
	type edit struct {
		name string
		args func(n int) []string
		done func(n int) bool // nil: nothing to be remembered
		took time.Duration
	}
	theVisit := func() *visit.Visit {
		v, err := visit.Load(edited)
		if err != nil {
			t.Errorf("visit.yaml: %v", err)
			return &visit.Visit{}
		}
		return v
	}
	stations := func() (names []string) {
		f, err := rig.Read(edited)
		if err != nil {
			t.Errorf("job.yaml: %v", err)
			return nil
		}
		for _, s := range f.Job.Stations {
			names = append(names, s.Name)
		}
		return names
	}
	word := func(n int) string { return fmt.Sprintf("n%04d", n) }
	edits := []*edit{
		{name: "visit", args: func(n int) []string { return []string{"visit", edited, "note=" + word(n)} }},
		{name: "check", args: func(n int) []string {
			return []string{"check", edited, "tyre-pressures", "ok", "--by", "R. Vell", "--note", word(n)}
		}, done: func(n int) bool {
			return slices.ContainsFunc(theVisit().Checks, func(c visit.Check) bool { return c.Note == word(n) })
		}},
		{name: "station", args: func(n int) []string { return []string{"station", edited, word(n)} },
			done: func(n int) bool { return slices.Contains(stations(), word(n)) }},
		{name: "spec", args: func(n int) []string { return []string{"spec", "use", edited, "heavy-truck"} }},
		{name: "measure", args: func(n int) []string { datedAhead(measured); return []string{"measure", measured, "-q"} }},
		{name: "report", args: func(n int) []string { return []string{"report", measured, "-q"} }},
		{name: "fleet", args: func(n int) []string {
			return []string{"fleet", "index", filepath.Join(root, "jobs"), "--db", index, "-q"}
		}},
	}
	edits = append(edits, &edit{name: "adjusted", args: func(n int) []string {
		return []string{"station", edited, word(n), "--epoch", "left " + word(n), "--moved", "1"}
	}, done: func(n int) bool { return slices.Contains(stations(), word(n)) }})
	if _, ok := theVisit().Get("note"); !ok { // the key there is for words
		edits[0].args = func(n int) []string { return []string{"visit", edited, "customer=" + word(n)} }
	}
	type told struct {
		e *edit
		n int
	}
	var acknowledged []told
	n := 0
	for _, e := range []int{4, 0, 1, 2, 3, 5, 6, 7} { // measured before it is reported
		e := edits[e]
		start := time.Now()
		runs(t, e.args(n)...)
		e.took = time.Since(start)
		if e.done != nil {
			acknowledged = append(acknowledged, told{e, n})
		}
		n++
	}
	first, err := os.ReadFile(filepath.Join(measured, rig.ResultFile))
	if err != nil {
		t.Fatal(err)
	}

	sound := func(after string) {
		t.Helper()
		for _, a := range acknowledged {
			if !a.e.done(a.n) {
				t.Fatalf("%s: lost, after %s was killed", strings.Join(a.e.args(a.n), " "), after)
			}
		}
		folder, err := rig.Read(edited)
		if err == nil {
			_, _, err = specOf(edited, folder.Job)
		}
		if err != nil {
			t.Fatalf("after %s was killed: %v", after, err)
		}
		theVisit()
		result, err := os.ReadFile(filepath.Join(measured, rig.ResultFile))
		if err != nil || !bytes.Equal(result, first) {
			t.Fatalf("after %s was killed: result.json is not as it was, %v", after, err)
		}
		for name, end := range map[string]string{recordFile: "%%EOF", "record.html": "</html>", "record.json": "}", "record.csv": ""} {
			data, err := os.ReadFile(filepath.Join(measured, name))
			if err != nil || len(data) < 100 || !bytes.HasSuffix(bytes.TrimSpace(data), []byte(end)) {
				t.Fatalf("after %s was killed: %s is not whole: %d bytes, %v", after, name, len(data), err)
			}
		}
	}
	left := func() (list []string) {
		err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
			if err == nil && !d.IsDir() && (leftover.MatchString(d.Name()) || strings.HasSuffix(d.Name(), ".part")) {
				list = append(list, path)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		return list
	}
	seed := uint64(time.Now().UnixNano())
	random := rand.New(rand.NewPCG(seed, 1))
	t.Logf("seed %d", seed)
	// Every other run is killed as soon as it has begun to write, if it does before its
	// time has come: that is the moment that counts, and short.
	listing := func() string {
		var b strings.Builder
		for _, dir := range []string{edited, measured} {
			entries, err := os.ReadDir(dir)
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range entries {
				if info, err := e.Info(); err == nil && !e.IsDir() {
					fmt.Fprintln(&b, e.Name(), info.Size(), info.ModTime())
				}
			}
		}
		return b.String()
	}
	hit := map[string]int{}
	for k := range *kills {
		e := edits[random.IntN(len(edits))]
		before := listing()
		f := faulty(e.args(n)...)
		if err := f.Start(); err != nil {
			t.Fatal(err)
		}
		ended := make(chan error, 1)
		go func() { ended <- f.Wait() }()
		over := time.After(time.Duration((float64(k%2) + random.Float64()) * 1.1 * float64(e.took)))
	wait:
		for {
			select {
			case err = <-ended:
				break wait
			case <-over:
			case <-time.After(100 * time.Microsecond):
				if k%2 == 0 || listing() == before {
					continue
				}
			}
			f.Process.Kill()
			err = <-ended
			break
		}
		var exit *exec.ExitError
		switch {
		case err == nil && e.done != nil:
			acknowledged = append(acknowledged, told{e, n})
		case errors.As(err, &exit) && exit.ExitCode() == -1:
			hit[e.name]++
		case err != nil:
			t.Fatalf("%s: %v: %s", e.name, err, f.msg.String())
		}
		sound(e.name)
		n++
	}
	t.Logf("killed while it ran: %v", hit)
	if len(hit) == 0 {
		t.Error("every run had ended before it was killed: the test proves nothing")
	}

	// What was left behind goes once it is old, and everything still works.
	t.Logf("left behind: %q", left())
	old := time.Now().Add(-2 * abandoned)
	planted := filepath.Join(measured, ".result.0badcafe.json") // in case none was
	if err := os.WriteFile(planted, first, 0o666); err != nil {
		t.Fatal(err)
	}
	for _, path := range left() {
		if err := os.Chtimes(path, old, old); err != nil {
			t.Fatal(err)
		}
	}
	for _, e := range edits {
		runs(t, e.args(n)...)
		n++
	}
	sound("nothing")
	if list := left(); len(list) > 0 {
		t.Errorf("left for ever: %q", list)
	}
}

// Edits at once are all there. (That processes wait for each other as goroutines do
// is tested in package hold.)
func TestEditsAtOnce(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "job")
	before := len(knownJob(t, dir).Job.Stations)
	const each = 6
	var all sync.WaitGroup
	for k := range each {
		for _, args := range [][]string{{"station", dir, fmt.Sprintf("more%d", k)}, {"check", dir, "load", "ok", "--by", "R. Vell", "--note", fmt.Sprint(k)}} {
			all.Go(func() {
				var msg bytes.Buffer
				if code := (&App{Stdout: io.Discard, Stderr: &msg}).Run(t.Context(), args, commands...); code != 0 {
					t.Errorf("%v: %s", args, msg.String())
				}
			})
		}
	}
	all.Wait()
	folder, err := rig.Read(dir)
	if err != nil {
		t.Fatal(err)
	}
	v, err := visit.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	if s, c := len(folder.Job.Stations)-before, len(v.Checks); s != each || c != each {
		t.Errorf("%d stations and %d checks are there of %d each", s, c, each)
	}
}

// smallDisk is a file system of its own of some size, or the test is skipped.
func smallDisk(t *testing.T, size string) (dir string, readOnly func()) {
	t.Helper()
	dir = t.TempDir()
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size="+size, "tmpfs", dir).CombinedOutput(); err != nil {
		t.Skipf("no file system can be mounted here: %s", strings.TrimSpace(string(out)))
	}
	t.Cleanup(func() {
		if out, err := exec.Command("umount", dir).CombinedOutput(); err != nil {
			t.Errorf("%v: %s", err, out)
		}
	})
	return dir, func() {
		if out, err := exec.Command("mount", "-o", "remount,ro", dir).CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
	}
}

// content is every file of a folder but the lock and what was seen.
func content(t *testing.T, dir string) string {
	t.Helper()
	var b strings.Builder
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if d.Name() == ".wheelplane" {
				return fs.SkipDir
			}
			return nil
		}
		data, err := os.ReadFile(path)
		fmt.Fprintf(&b, "%s %x\n", path, sha256.Sum256(data))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// On a full disk and on one that may only be read every command that writes fails
// with one line, and every file is as before; what only reads still works.
func TestNoRoomToWrite(t *testing.T) {
	disk, readOnly := smallDisk(t, "4m")
	dir := filepath.Join(disk, "job")
	knownJob(t, dir)
	here := func(args ...string) (code int, out, msg string) {
		var o, m bytes.Buffer
		code = (&App{Stdout: &o, Stderr: &m}).Run(t.Context(), args, commands...)
		return code, o.String(), m.String()
	}
	if code, _, msg := here("measure", dir, "-q"); code != 0 {
		t.Fatal(msg)
	}
	writing := [][]string{{"visit", dir, "odometer_km=7"}, {"check", dir, "load", "ok", "--by", "R. Vell"}, {"station", dir, "more"},
		{"spec", "use", dir, "heavy-truck"}, {"measure", dir, "-q"}, {"report", dir, "-q"}}
	fail := func(why string) {
		t.Helper()
		before := content(t, dir)
		for _, args := range writing {
			code, out, msg := here(args...)
			if code != int(ExitFailed) || out != "" || !failureText.MatchString(msg) || !strings.Contains(msg, "cannot write "+dir) || !strings.Contains(msg, why) {
				t.Errorf("%s, %s: exit code %d, %q, standard output %q", why, strings.Join(args, " "), code, msg, out)
			}
		}
		if content(t, dir) != before {
			t.Errorf("%s: files changed", why)
		}
		for _, args := range [][]string{{"next", dir}, {"budget", dir, "-q"}} {
			if code, out, msg := here(args...); code != 0 || out == "" {
				t.Errorf("%s, %s: exit code %d, %q", why, args[0], code, msg)
			}
		}
	}
	datedAhead(dir)
	filler, err := os.Create(filepath.Join(disk, "filler"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.Copy(filler, rand.NewChaCha8([32]byte{})); err == nil {
		t.Fatal("the disk does not fill")
	}
	filler.Close()
	fail("make room on that disk")
	if err := os.Remove(filler.Name()); err != nil {
		t.Fatal(err)
	}
	readOnly()
	fail("may only be read")
}

// A photograph that is gone between listing and looking is one that cannot be used:
// the job is measured without it, and told so.
func TestPhotoVanishes(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "job")
	folder := knownJob(t, dir)
	camera, err := vision.LoadCamera(folder.Camera)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(dir, filepath.FromSlash(folder.Job.Photos[1].Path))); err != nil {
		t.Fatal(err)
	}
	quiet := &App{Stdout: io.Discard, Stderr: io.Discard, Quiet: true}
	found, err := quiet.recallBoards(t.Context(), folder, camera, false, false)
	if err != nil {
		t.Fatal(err)
	}
	if why := found.unusable[1]; len(found.unusable) != 1 || !strings.Contains(why, "no such file") {
		t.Errorf("unusable: %v", found.unusable)
	}
	result, _, err := quiet.solve(t.Context(), dir, folder.Job, camera, found, rig.Options{})
	if err != nil || !slices.ContainsFunc(result.Warnings, func(w string) bool {
		return strings.Contains(w, folder.Job.Photos[1].Path) && strings.Contains(w, "no such file")
	}) {
		t.Errorf("%v; warnings %q", err, result.Warnings)
	}
}

// Whether readings are older than the photographs is told by what they were made
// of; a clock that was set back misleads nobody.
func TestClockSetBack(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "job")
	folder := knownJob(t, dir)
	quiet := &App{Stdout: io.Discard, Stderr: io.Discard, Quiet: true}
	if _, _, err := quiet.measure(t.Context(), measureOptions{dir: dir}); err != nil {
		t.Fatal(err)
	}
	photo := filepath.Join(dir, filepath.FromSlash(folder.Job.Photos[0].Path))
	result := filepath.Join(dir, rig.ResultFile)
	date := func(path string, days int) {
		t.Helper()
		at := time.Now().AddDate(0, 0, days)
		if err := os.Chtimes(path, at, at); err != nil {
			t.Fatal(err)
		}
	}
	stale := func(what string, want bool) {
		t.Helper()
		f, err := quiet.workFolder(dir)
		if err != nil {
			t.Fatal(err)
		}
		if got := f.Measured.Before(f.Newest); got != want {
			t.Errorf("%s: the readings are told to be stale: %v, want %v", what, got, want)
		}
	}
	stale("measured", false)
	date(photo, 3)
	date(filepath.Join(dir, rig.JobFile), 3)
	stale("the same files with a date to come", false)
	date(photo, 0)
	date(result, 30) // written before the clock was set back
	stale("a result with a date to come", false)
	var msg bytes.Buffer
	loud := &App{Stdout: io.Discard, Stderr: &msg}
	if _, err := loud.workFolder(dir); err != nil || !strings.Contains(msg.String(), result+" is dated ") || strings.Count(msg.String(), "\n") != 1 {
		t.Errorf("%v, %q", err, msg.String())
	}
	more := filepath.Join(filepath.Dir(photo), "zz.jpg")
	if err := os.WriteFile(more, []byte("one more"), 0o666); err != nil {
		t.Fatal(err)
	}
	date(more, -3)
	stale("one more photograph, dated long before", true)
	if err := os.Rename(photo, more); err != nil {
		t.Fatal(err)
	}
	stale("one that is only renamed", false)
	if err := os.WriteFile(photo, []byte("another"), 0o666); err != nil {
		t.Fatal(err)
	}
	date(result, -1)
	stale("another of the same name", true)
}
