package cli

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// What a run that was killed left beside a file goes with the next writing of that
// file, once it is old; nothing else goes.
func TestClearAway(t *testing.T) {
	dir := t.TempDir()
	old, ahead := time.Now().Add(-2*time.Hour), time.Now().Add(48*time.Hour)
	for name, c := range map[string]struct {
		at    time.Time
		stays bool
	}{
		".result.0123abcd.json": {old, false}, ".result.0123abce.json": {ahead, false}, ".result.0123abcf.json": {time.Now(), true},
		".job.0123abcd.yaml": {old, true}, ".result.json": {old, true}, ".result.xyz.json": {old, true}, "result.0123abcd.json": {old, true},
		".camera.yaml.123456789": {old, false}, ".notes.txt.123456789": {old, true},
	} {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, nil, 0o666); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(path, c.at, c.at); err != nil {
			t.Fatal(err)
		}
		defer func() {
			if _, err := os.Stat(path); (err == nil) != c.stays {
				t.Errorf("%s: stays %v, want %v", name, err == nil, c.stays)
			}
		}()
	}
	for _, name := range []string{"result.json", "camera.yaml"} {
		if err := writeFile(filepath.Join(dir, name), these([]byte("{}"))); err != nil {
			t.Fatal(err)
		}
	}
}

// A disk that is full or may only be read is told in one line with the remedy, and
// leaves the file as it was and nothing beside it.
func TestWritingFails(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "visit.yaml")
	if err := os.WriteFile(path, []byte("before"), 0o666); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		err  error
		want string
	}{{syscall.ENOSPC, "make room on that disk"}, {syscall.EDQUOT, "make room on that disk"}, {syscall.EROFS, "may only be read"}, {syscall.EACCES, "choose a folder you may write to"}} {
		err := writeFile(path, func(w io.Writer) error {
			fmt.Fprint(w, "half of it")
			return &os.PathError{Op: "write", Path: "/somewhere/.visit.12345678.yaml", Err: c.err}
		})
		if err == nil || exitCode(err) != ExitFailed || !errors.Is(err, c.err) || !strings.HasPrefix(err.Error(), "cannot write "+path+": ") ||
			!strings.Contains(err.Error(), c.want) || strings.ContainsAny(err.Error(), "\n") || strings.Contains(err.Error(), "/somewhere") {
			t.Errorf("got %v", err)
		}
		if got := files(t, dir); got != "visit.yaml=before" {
			t.Errorf("left behind: %s", got)
		}
	}
}
