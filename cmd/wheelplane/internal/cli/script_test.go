package cli

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"image"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/spf13/cobra"
)

// In a script, wheelplane is this test binary: no build, no install, and what
// runs is what was compiled.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"wheelplane": func() { os.Exit(ended(Main())) },
		"wheelplane-waiting": func() {
			commands = []func(*App) *cobra.Command{newWaitCommand}
			os.Exit(Main())
		},
	})
}

// ended looks at what a command leaves behind in its process, and is its exit code.
var ended = func(code int) int { return code }

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
//
//	film DIR
//
// makes a job in DIR and a film of three stops in its first station, DIR/walk.mp4,
// another of a wall, wall.avi, one that is cut short, cut.avi, and one of another
// size, small.avi.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "../../testdata",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"fails": scriptFails,
			"film":  scriptFilm,
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

// scriptFilm renders what 'film' needs: every stop is one picture shown for half a
// second.
func scriptFilm(ts *testscript.TestScript, neg bool, args []string) {
	check := func(err error) {
		if err != nil {
			ts.Fatalf("film: %v", err)
		}
	}
	scene, err := fixtures.NewScene("harbour-car", 1, 1280)
	check(err)
	scene.FilmCamera(1280)
	dir := ts.MkAbs(args[0])
	check(os.MkdirAll(dir, 0o777))
	text, err := scene.Job.Text("camera.yaml")
	check(err)
	check(os.WriteFile(filepath.Join(dir, rig.JobFile), text, 0o666))
	check(scene.Camera.Save(filepath.Join(dir, "camera.yaml")))

	write := func(name, codec string, width int, frames []*image.Gray) string {
		path := filepath.Join(dir, name)
		film, err := vision.CreateFilm(path, codec, 10, width, width*9/16)
		check(err)
		for _, m := range frames {
			check(film.Add(m))
		}
		film.Close()
		return path
	}
	o, optics := fixtures.QuickFilm(), fixtures.FilmOptics(1280)
	o.Width, o.Shutter.Coarse = 1280, 4
	walk := scene.Filming(0, o)
	frame := func(at float64) *image.Gray { return fixtures.RenderFrame(walk.Shot, at, o.Shutter, optics, 1, 2) }
	var frames []*image.Gray
	for _, stop := range walk.Stops[3:6] {
		still := frame((stop.From + stop.To) / 2)
		for range 8 {
			frames = append(frames, still)
		}
	}
	write("walk.mp4", "avc1", 1280, frames)
	wall := make([]*image.Gray, 30)
	for i := range wall {
		wall[i] = image.NewGray(image.Rect(0, 0, 1280, 720))
		for k := range wall[i].Pix {
			wall[i].Pix[k] = uint8(120 + (k*k>>7+k>>3)%5)
		}
	}
	data, err := os.ReadFile(write("wall.avi", "MJPG", 1280, wall))
	check(err)
	check(os.WriteFile(filepath.Join(dir, "cut.avi"), data[:len(data)/3], 0o666))
	small := make([]*image.Gray, 5)
	for i := range small {
		small[i] = image.NewGray(image.Rect(0, 0, 640, 360))
	}
	write("small.avi", "MJPG", 640, small)
}
