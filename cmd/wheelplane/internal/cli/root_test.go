package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// run runs one command line against a single command, "frob", whose work is
// given, and returns the exit code and what was written.
func run(t *testing.T, ctx context.Context, app *App, frob func(context.Context, *App) error, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, msg bytes.Buffer
	app.Stdout, app.Stderr = &out, &msg
	code = app.Run(ctx, args, func(app *App) *cobra.Command {
		return &cobra.Command{
			Use:  "frob DIR",
			Args: exactly("DIR"),
			RunE: func(c *cobra.Command, args []string) error { return frob(c.Context(), app) },
		}
	})
	return code, out.String(), msg.String()
}

func TestExitCodes(t *testing.T) {
	_, missing := os.ReadFile(filepath.Join(t.TempDir(), "photo.jpg"))
	for _, c := range []struct {
		err  error
		want ExitCode
		text string
	}{
		{nil, ExitOK, ""},
		{errors.New("broken"), ExitFailed, "wheelplane: broken\n"},
		{BadInputf("job.yaml: no camera: add one"), ExitInput, "wheelplane: job.yaml: no camera: add one\n"},
		{fmt.Errorf("reading: %w", missing), ExitInput, "no such file"},
		{Unmeasurable(errors.New("axle 2 hangs free")), ExitUnmeasurable, "wheelplane: axle 2 hangs free\n"},
		{fmt.Errorf("while measuring: %w", BadInput(errors.New("x"))), ExitInput, "wheelplane: while measuring: x\n"},
		{Usagef("--a and --b exclude each other"), ExitUsage, "wheelplane: --a and"},
		{Hint(BadInput(errors.New("x")), "try y"), ExitInput, "wheelplane: x\n  hint: try y\n"},
		{BadInput(errors.New("two\n  lines\n")), ExitInput, "wheelplane: two; lines\n"},
		{fmt.Errorf("solving: %w", context.Canceled), ExitInterrupted, "wheelplane: interrupted\n"},
	} {
		code, stdout, stderr := run(t, context.Background(), &App{}, func(context.Context, *App) error { return c.err }, "frob", "d")
		if code != int(c.want) || !strings.Contains(stderr, c.text) || (c.text == "") != (stderr == "") || stdout != "" {
			t.Errorf("%v: exit code %d, want %d; stdout %q, stderr %q, want %q", c.err, code, c.want, stdout, stderr, c.text)
		}
	}
}

// Errors that cobra finds before the command runs are errors of usage.
func TestUsageErrors(t *testing.T) {
	for args, want := range map[string]string{
		"frob":          "wheelplane frob needs DIR",
		"frob a b":      `wheelplane frob has no use for the argument "b"`,
		"frob --what a": "unknown flag: --what",
		"frub a":        `no command is called "frub": did you mean frob?`,
		"--json=maybe":  `invalid argument "maybe" for "--json" flag: not a value it can take`,
	} {
		code, stdout, stderr := run(t, context.Background(), &App{}, func(context.Context, *App) error {
			t.Errorf("%q ran", args)
			return nil
		}, strings.Fields(args)...)
		if code != int(ExitUsage) || stdout != "" || !strings.Contains(stderr, want) || !failureText.MatchString(stderr) {
			t.Errorf("%q: exit code %d, stdout %q, stderr %q; want 2, nothing, %q", args, code, stdout, stderr, want)
		}
	}
}

func TestCancelReachesTheCommand(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	code, _, _ := run(t, ctx, &App{}, func(ctx context.Context, _ *App) error { return ctx.Err() }, "frob", "d")
	if code != int(ExitInterrupted) {
		t.Errorf("exit code %d, want %d", code, ExitInterrupted)
	}
}

type fullDisk struct{}

func (fullDisk) Write([]byte) (int, error) { return 0, errors.New("disk full") }

func TestUnwritableStdout(t *testing.T) {
	var msg bytes.Buffer
	app := &App{Stdout: fullDisk{}, Stderr: &msg}
	if code := app.Run(context.Background(), []string{"--help"}); code != int(ExitFailed) || !strings.Contains(msg.String(), "disk full") {
		t.Errorf("exit code %d, stderr %q; want 1 and the reason", code, msg.String())
	}
}

// Progress and warnings are for a person: the bar only on a terminal, both
// silent with --quiet.
func TestProgressAndWarnings(t *testing.T) {
	work := func(_ context.Context, a *App) error {
		p := a.progress("reading photos", 3)
		p.add(1)
		a.warn("b.jpg is skipped")
		p.add(2)
		p.done()
		return a.printJSON(map[string]int{"photos": 3})
	}
	for _, c := range []struct {
		terminal  bool
		args      string
		bar, warn bool
	}{
		{true, "frob d", true, true},
		{false, "frob d", false, true},
		{true, "frob d --quiet", false, false},
		{false, "frob d -q", false, false},
	} {
		code, stdout, stderr := run(t, context.Background(), &App{Terminal: c.terminal}, work, strings.Fields(c.args)...)
		if code != 0 || stdout != "{\n  \"photos\": 3\n}\n" {
			t.Errorf("%+v: exit code %d, stdout %q", c, code, stdout)
		}
		if bar := strings.Contains(stderr, "reading photos"); bar != c.bar {
			t.Errorf("%+v: bar drawn %v: %q", c, bar, stderr)
		}
		if warn := strings.Contains(stderr, "wheelplane: warning: b.jpg is skipped\n"); warn != c.warn {
			t.Errorf("%+v: warned %v: %q", c, warn, stderr)
		}
	}
}

func TestTable(t *testing.T) {
	tab := newTable(left("quantity"), right("value"), left("side"))
	tab.row("toe", "0.05", "left")
	tab.row("thrust angle", "−0.123")
	want := "" +
		"quantity       value  side\n" +
		"toe             0.05  left\n" +
		"thrust angle  −0.123\n"
	if got := tab.String(); got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
}

func TestOutputsAllOrNothing(t *testing.T) {
	dir := t.TempDir()
	a, b := filepath.Join(dir, "a.json"), filepath.Join(dir, "b.png")
	if err := os.WriteFile(a, []byte("old"), 0o666); err != nil {
		t.Fatal(err)
	}
	write := func(s string) func(io.Writer) error {
		return func(w io.Writer) error { _, err := io.WriteString(w, s); return err }
	}

	attempt := func(second error) error {
		var out outputs
		defer out.discard()
		if err := out.add(a, write("new")); err != nil {
			return err
		}
		err := out.addPath(b, func(tmp string) error {
			if filepath.Dir(tmp) != dir || filepath.Ext(tmp) != ".png" {
				t.Errorf("%s is not beside %s with its extension", tmp, b)
			}
			if err := os.WriteFile(tmp, []byte("picture"), 0o666); err != nil {
				return err
			}
			return second
		})
		if err != nil {
			return err
		}
		return out.commit()
	}

	if err := attempt(errors.New("no ink")); err == nil || !strings.Contains(err.Error(), "no ink") {
		t.Errorf("got %v, want the writer's own error", err)
	}
	if got := files(t, dir); got != "a.json=old" {
		t.Errorf("after a failure the folder holds %s", got)
	}
	if err := attempt(nil); err != nil {
		t.Error(err)
	}
	if got := files(t, dir); got != "a.json=new b.png=picture" {
		t.Errorf("after success the folder holds %s", got)
	}
}

func TestWriteFileErrors(t *testing.T) {
	dir := t.TempDir()
	nothing := func(io.Writer) error { return nil }
	for path, want := range map[string]string{
		filepath.Join(dir, "none", "x.json"): "make the folder first",
		dir:                                  "it is not a file",
	} {
		err := writeFile(path, nothing)
		if err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), path) || exitCode(err) != ExitFailed {
			t.Errorf("%s: got %v (code %d), want the path and %q", path, err, exitCode(err), want)
		}
	}
	// What the writer found wrong with the input stays the input's fault.
	err := writeFile(filepath.Join(dir, "x.json"), func(io.Writer) error { return BadInputf("job.yaml: broken") })
	if exitCode(err) != ExitInput || err.Error() != "job.yaml: broken" {
		t.Errorf("got %v (code %d)", err, exitCode(err))
	}
	if got := files(t, dir); got != "" {
		t.Errorf("left behind: %s", got)
	}
}

// files lists a folder as "name=content name=content".
func files(t *testing.T, dir string) string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var list []string
	for _, e := range entries {
		content, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, e.Name()+"="+string(content))
	}
	return strings.Join(list, " ")
}

func TestThisTool(t *testing.T) {
	b, err := json.Marshal(thisTool())
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(b), `"name":"wheelplane"`) || !strings.Contains(string(b), `"opencv":"4.`) || version() == "" {
		t.Errorf("got %s", b)
	}
}
