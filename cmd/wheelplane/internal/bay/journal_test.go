package bay

import (
	"bufio"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

var accuracy = flag.Bool("accuracy", false, "the whole of what is slow: 200 kills instead of 25")

func write(t *testing.T, dir, name, text string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

func read(t *testing.T, dir, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(dir, name))
	if errors.Is(err, fs.ErrNotExist) {
		return "-"
	}
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// Steps are taken back in reverse order, files that were there, made and removed
// alike, also after the program was started again.
func TestJournal(t *testing.T) {
	dir := t.TempDir()
	open := func() *Journal {
		j, err := OpenJournal(dir, "steps")
		if err != nil {
			t.Fatal(err)
		}
		return j
	}
	do := func(j *Journal, what string, files []string, act func()) {
		t.Helper()
		if err := j.Do(what, files, func() error { act(); return nil }); err != nil {
			t.Fatal(err)
		}
	}
	write(t, dir, "job.yaml", "first")
	j := open()
	do(j, "a change", []string{"job.yaml"}, func() { write(t, dir, "job.yaml", "second") })
	do(j, "a photograph", []string{"photos/s1/001.jpg"}, func() {
		if err := os.MkdirAll(filepath.Join(dir, "photos/s1"), 0o755); err != nil {
			t.Fatal(err)
		}
		write(t, dir, "photos/s1/001.jpg", "picture")
	})
	j = open()
	do(j, "a photograph taken out", []string{"photos/s1/001.jpg"}, func() { os.Remove(filepath.Join(dir, "photos/s1/001.jpg")) })
	if err := j.DoMore("a film", []string{"job.yaml"}, func() ([]string, error) {
		write(t, dir, "job.yaml", "third")
		write(t, dir, "photos/s1/002.jpg", "frame")
		return []string{"photos/s1/002.jpg"}, nil
	}); err != nil {
		t.Fatal(err)
	}
	// A step that fails changes nothing and is none.
	err := j.Do("a failure", []string{"job.yaml", "photos/s1/003.jpg"}, func() error {
		write(t, dir, "job.yaml", "half")
		write(t, dir, "photos/s1/003.jpg", "half")
		return errors.New("no")
	})
	if err == nil || read(t, dir, "job.yaml") != "third" || read(t, dir, "photos/s1/003.jpg") != "-" {
		t.Errorf("a failed step: %v, %q", err, read(t, dir, "job.yaml"))
	}
	if err := j.Do("out of the folder", []string{"../x"}, func() error { return nil }); err == nil {
		t.Error("a step outside the folder")
	}
	j = open()
	for _, want := range []struct{ what, job, one, two string }{
		{"a film", "second", "-", "-"},
		{"a photograph taken out", "second", "picture", "-"},
		{"a photograph", "second", "-", "-"},
		{"a change", "first", "-", "-"},
		{"", "first", "-", "-"},
	} {
		if last := j.Last(); last != want.what {
			t.Errorf("next to undo %q, want %q", last, want.what)
		}
		what, err := j.Undo()
		if err != nil || what != want.what || read(t, dir, "job.yaml") != want.job || read(t, dir, "photos/s1/001.jpg") != want.one || read(t, dir, "photos/s1/002.jpg") != want.two {
			t.Errorf("undone %q, %v: %q %q %q; want %v", what, err, read(t, dir, "job.yaml"), read(t, dir, "photos/s1/001.jpg"), read(t, dir, "photos/s1/002.jpg"), want)
		}
	}
	j.most = 5
	for i := range 9 {
		do(j, fmt.Sprint(i), []string{"job.yaml"}, func() {})
	}
	if steps, err := j.steps(); err != nil || len(steps) > j.most {
		t.Errorf("%d steps are kept, %v", len(steps), err)
	}
	// Damaged by hand: told, with what to do.
	last, _ := j.steps()
	write(t, j.at(last[len(last)-1]), "step.json", "{")
	if _, err := OpenJournal(dir, "steps"); err == nil || !strings.Contains(err.Error(), "delete this folder") {
		t.Errorf("damaged: %v", err)
	}
}

// stepping, another process, takes steps and undoes some, and tells each when it is
// done, as a server acknowledges it, until it is killed.
func stepping(dir string) {
	j, err := OpenJournal(dir, "steps")
	if err != nil {
		fmt.Println("error", err)
		os.Exit(1)
	}
	n, _ := strconv.Atoi(os.Getenv("BAY_FROM"))
	for ; ; n++ {
		a, b := fmt.Sprintf("a %d", n), fmt.Sprintf("b %d", n)
		err := j.Do(strconv.Itoa(n), []string{"a.yaml", "b.yaml", fmt.Sprintf("%d.jpg", n)}, func() error {
			for name, text := range map[string]string{"a.yaml": a, "b.yaml": b, fmt.Sprintf("%d.jpg", n): "picture"} {
				if err := replace(filepath.Join(dir, name), []byte(text)); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		fmt.Println("done", n)
		if n%5 == 4 {
			if _, err := j.Undo(); err != nil {
				fmt.Println("error", err)
				os.Exit(1)
			}
			fmt.Println("undone", n)
			j.Do(strconv.Itoa(n), []string{"a.yaml", "b.yaml"}, func() error {
				return errors.Join(replace(filepath.Join(dir, "a.yaml"), []byte(a)), replace(filepath.Join(dir, "b.yaml"), []byte(b)))
			})
			fmt.Println("again", n)
		}
	}
}

func TestMain(m *testing.M) {
	if dir := os.Getenv("BAY_STEPPING"); dir != "" {
		stepping(dir)
	}
	os.Exit(m.Run())
}

// Killed at any moment, the next start finds every step whole or not at all, and none
// lost that was told done.
func TestJournalKilled(t *testing.T) {
	dir := t.TempDir()
	kills, from := 25, 0
	if *accuracy {
		kills = 200
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	dice := rand.New(rand.NewPCG(seed, 1))
	for kill := range kills {
		var told strings.Builder
		begun := make(chan bool, 1)
		c := exec.Command(os.Args[0])
		c.Env = append(os.Environ(), "BAY_STEPPING="+dir, fmt.Sprintf("BAY_FROM=%d", from))
		out, err := c.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		over := make(chan bool)
		go func() {
			defer close(over)
			for in := bufio.NewScanner(out); in.Scan(); {
				told.WriteString(in.Text() + "\n")
				select {
				case begun <- true:
				default:
				}
			}
		}()
		select {
		case <-begun:
		case <-over:
		case <-time.After(20 * time.Second):
		}
		time.Sleep(time.Duration(dice.IntN(60000)) * time.Microsecond)
		c.Process.Kill()
		<-over
		c.Wait()
		if strings.Contains(told.String(), "error") {
			t.Fatal(told.String())
		}
		j, err := OpenJournal(dir, "steps")
		if err != nil {
			t.Fatalf("kill %d: %v", kill, err)
		}
		a, b := read(t, dir, "a.yaml"), read(t, dir, "b.yaml")
		if strings.TrimPrefix(a, "a ") != strings.TrimPrefix(b, "b ") {
			t.Fatalf("kill %d: half a step: %q, %q", kill, a, b)
		}
		now, lines := -1, strings.Fields(strings.ReplaceAll(told.String(), "\n", " "))
		if a != "-" {
			if now, err = strconv.Atoi(strings.TrimPrefix(a, "a ")); err != nil {
				t.Fatal(err)
			}
		}
		if n := len(lines); n >= 2 {
			last, _ := strconv.Atoi(lines[n-1])
			switch lines[n-2] {
			case "done", "again": // it, or one that was not told yet, or its undoing
				if now < last && !(now == last-1 && last%5 == 4 && lines[n-2] == "done") {
					t.Fatalf("kill %d: step %d was told done, %d is there", kill, last, now)
				}
			case "undone":
				if now != last-1 && now != last {
					t.Fatalf("kill %d: step %d was undone, %d is there", kill, last, now)
				}
			}
		}
		if last := j.Last(); now >= 0 && last != strconv.Itoa(now) {
			t.Fatalf("kill %d: %d is there, %q would be undone", kill, now, last)
		}
		if left, _ := filepath.Glob(filepath.Join(dir, "*.back")); len(left) > 0 {
			t.Errorf("kill %d: left behind: %v", kill, left)
		}
		from = now + 1
	}
	if from < kills/3 {
		t.Errorf("only %d steps in %d kills: nothing was tried", from, kills)
	}
}

// A journal that came with somebody else's folder touches nothing outside of it, when
// it is opened or undone.
func TestJournalStaysInside(t *testing.T) {
	outside := t.TempDir()
	for _, c := range []struct{ path, link string }{
		{"../" + filepath.Base(outside) + "/mine", ""}, {outside + "/mine", ""}, {"photos/mine", "photos"}, {"photos/a/../mine", "photos"},
	} {
		for _, done := range []bool{false, true} {
			root := filepath.Join(filepath.Dir(outside), "job-"+strconv.FormatBool(done))
			os.RemoveAll(root)
			mine := filepath.Join(outside, "mine")
			step := filepath.Join(root, "steps", "000001")
			text, err := json.Marshal(entry{What: "x", Done: done, Files: []kept{{Path: c.path}}})
			err = errors.Join(err, os.WriteFile(mine, []byte("mine"), 0o600), os.MkdirAll(step, 0o700), os.WriteFile(filepath.Join(step, "step.json"), text, 0o600))
			if c.link != "" {
				err = errors.Join(err, os.Symlink(outside, filepath.Join(root, c.link)))
			}
			if err != nil {
				t.Fatal(err)
			}
			j, err := OpenJournal(root, "steps")
			if err == nil {
				_, err = j.Undo()
			}
			if err == nil || strings.Contains(err.Error(), "\n") {
				t.Errorf("%s, done %t: %v", c.path, done, err)
			}
			if _, err := os.Stat(mine); err != nil {
				t.Fatalf("%s, done %t: a file outside is gone", c.path, done)
			}
		}
	}
}
