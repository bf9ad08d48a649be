package cli

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/spf13/cobra"
)

// In a script, wheelplane is this test binary: no build, no install, and what
// runs is what was compiled.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"wheelplane": func() { os.Exit(Main()) },
		"wheelplane-waiting": func() {
			commands = []func(*App) *cobra.Command{newWaitCommand}
			os.Exit(Main())
		},
	})
}

// newWaitCommand makes a command that has begun a file and then works until it
// is cancelled.
func newWaitCommand(app *App) *cobra.Command {
	return &cobra.Command{
		Use:  "wait FILE",
		Args: exactly("FILE"),
		RunE: func(c *cobra.Command, args []string) error {
			return writeFile(args[0], func(w io.Writer) error {
				app.printf("waiting\n")
				<-c.Context().Done()
				return fmt.Errorf("writing the rest: %w", c.Context().Err())
			})
		},
	}
}

// Ctrl-C ends a run cleanly: its exit code, one line, nothing left behind.
func TestInterrupt(t *testing.T) {
	dir := t.TempDir()
	var msg bytes.Buffer
	run := exec.Command("wheelplane-waiting", "wait", filepath.Join(dir, "result.json"))
	run.Stderr = &msg
	out, err := run.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := run.Start(); err != nil {
		t.Fatal(err)
	}
	if line, err := bufio.NewReader(out).ReadString('\n'); err != nil || line != "waiting\n" {
		t.Fatalf("the command did not start: %q, %v, %s", line, err, msg.String())
	}
	if got := files(t, dir); got == "" {
		t.Error("nothing is being written: the test proves nothing")
	}
	if err := run.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	var exit *exec.ExitError
	if err := run.Wait(); !errors.As(err, &exit) || exit.ExitCode() != int(ExitInterrupted) || msg.String() != "wheelplane: interrupted\n" {
		t.Errorf("got %v, stderr %q; want exit code %d and one line", err, msg.String(), ExitInterrupted)
	}
	if got := files(t, dir); got != "" {
		t.Errorf("left behind: %s", got)
	}
}

// TestScripts runs cmd/wheelplane/testdata/*.txtar: each a command line session
// with its files. "go test ./cmd/... -run TestScripts/NAME" runs one. Beside
// the tool's own commands a script has:
//
//	fails CODE COMMAND ARGS...
//
// which wants that exit code, nothing on standard output, and on standard error
// exactly one line that starts with "wheelplane: ", with or without a hint
// below it (warnings may come first). "stderr" then looks at what it says.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "../../testdata",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"fails": scriptFails,
		},
	})
}

var failureText = regexp.MustCompile(`\A(wheelplane: warning: .+\n)*wheelplane: .+\n(  hint: .+\n)?\z`)

func scriptFails(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: fails CODE COMMAND ARGS...")
	}
	want, err := strconv.Atoi(args[0])
	if err != nil || want == 0 {
		ts.Fatalf("fails: %q is not the exit code of a failure", args[0])
	}
	got := 0
	err = ts.Exec(args[1], args[2:]...)
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		got = exit.ExitCode()
	} else if err != nil {
		ts.Fatalf("fails: %v", err)
	}
	if got != want {
		ts.Fatalf("exit code %d, want %d", got, want)
	}
	if out := ts.ReadFile("stdout"); out != "" {
		ts.Fatalf("a failure wrote to standard output: %q", out)
	}
	if msg := ts.ReadFile("stderr"); !failureText.MatchString(msg) {
		ts.Fatalf("a failure is one line, and perhaps a hint: got %q", msg)
	}
}
