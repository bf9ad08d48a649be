package hold

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// TestMain is another process in TestTogether: it counts up in a file, or holds the
// job until it is killed.
func TestMain(m *testing.M) {
	switch os.Getenv("HOLD_TEST") {
	case "count":
		if err := countUp(os.Args[1], 100); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	case "keep":
		if _, err := Take(context.Background(), os.Args[1]); err != nil {
			os.Exit(1)
		}
		fmt.Println("held")
		time.Sleep(time.Minute)
	}
	os.Exit(m.Run())
}

// countUp adds 1 to the number in a file n times, slowly.
func countUp(dir string, n int) error {
	file := filepath.Join(dir, "count")
	for range n {
		held, err := take(context.Background(), dir, time.Minute)
		if err != nil {
			return err
		}
		text, err := os.ReadFile(file)
		if err != nil {
			return err
		}
		number, err := strconv.Atoi(string(text))
		if err != nil {
			return err
		}
		time.Sleep(100 * time.Microsecond)
		if err := os.WriteFile(file, []byte(strconv.Itoa(number+1)), 0o666); err != nil {
			return err
		}
		held.Release()
	}
	return nil
}

func other(t *testing.T, what, dir string) *exec.Cmd {
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(exe, dir)
	cmd.Env = append(os.Environ(), "HOLD_TEST="+what)
	return cmd
}

// Edits by two processes and two goroutines at once are all there.
func TestTogether(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "count"), []byte("0"), 0o666); err != nil {
		t.Fatal(err)
	}
	var all sync.WaitGroup
	for range 2 {
		all.Go(func() {
			if out, err := other(t, "count", dir).CombinedOutput(); err != nil {
				t.Errorf("%v: %s", err, out)
			}
		})
		all.Go(func() {
			if err := countUp(dir, 100); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	if text, err := os.ReadFile(filepath.Join(dir, "count")); err != nil || string(text) != "400" {
		t.Errorf("counted to %s, %v; want 400", text, err)
	}
}

// Who waits in vain is told so in a line; a hold ends with its process, also one
// that is killed.
func TestBusy(t *testing.T) {
	dir := t.TempDir()
	cmd := other(t, "keep", dir)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer cmd.Wait()
	defer cmd.Process.Kill()
	if _, err := out.Read(make([]byte, 5)); err != nil {
		t.Fatal(err)
	}
	_, err = take(t.Context(), dir, 50*time.Millisecond)
	if !errors.Is(err, ErrBusy) || !strings.HasPrefix(err.Error(), dir+": is being changed") || strings.Contains(err.Error(), "\n") {
		t.Errorf("got %v", err)
	}
	ended, end := context.WithCancel(t.Context())
	end()
	if _, err := Take(ended, dir); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v, want that it was interrupted", err)
	}
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	held, err := Take(t.Context(), dir)
	if err != nil || held.lock == nil {
		t.Fatalf("the hold of a process that was killed stays: %v", err)
	}
	held.Release()
	held.Release()
	if held, err = Take(t.Context(), dir); err != nil {
		t.Error(err)
	}
	held.Release()
}

// Where there can be no lock, the edit is let through to fail by itself, and
// nothing is made.
func TestNoLock(t *testing.T) {
	gone := filepath.Join(t.TempDir(), "gone")
	held, err := Take(t.Context(), gone)
	if err != nil {
		t.Error(err)
	}
	held.Release()
	if _, err := os.Stat(gone); err == nil {
		t.Error("a folder was made")
	}
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, ".wheelplane"), nil, 0o666); err != nil {
		t.Fatal(err)
	}
	if held, err = Take(t.Context(), dir); err != nil {
		t.Error(err)
	}
	held.Release()
}
