package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"wheelplane/calib/jig"
	"wheelplane/fixtures"
	"wheelplane/pose/rig"
)

// garage writes measured jobs: three trucks, each by two people three times. A
// person reads every toe too high by something of their own, and every reading
// scatters by 0.01 degrees. Folders are DIR/TRUCK/PERSON/TRIAL.
func garage(t *testing.T) (dir string) {
	t.Helper()
	dir = t.TempDir()
	r := rand.New(rand.NewPCG(7, 7))
	for truck := range 3 {
		scene, err := fixtures.NewScene(fixtures.DefaultScene, uint64(truck+1), 1600)
		if err != nil {
			t.Fatal(err)
		}
		exact, err := scene.World.Truth(scene.Truth)
		if err != nil {
			t.Fatal(err)
		}
		text, err := scene.Job.Text("camera.yaml")
		if err != nil {
			t.Fatal(err)
		}
		for k, person := range []string{"Anka", "Bo"} {
			for trial := range 3 {
				job := filepath.Join(dir, fmt.Sprintf("truck-%d", truck+1), person, fmt.Sprint(trial+1))
				if err := os.MkdirAll(job, 0o777); err != nil {
					t.Fatal(err)
				}
				readings := rig.ForFiles(exact)
				for i := range readings {
					readings[i].Value += 0.01*r.NormFloat64() + 0.03*float64(k)
					readings[i].U = 0.012
				}
				for name, write := range map[string]func(io.Writer) error{
					rig.JobFile:    these(text),
					rig.ResultFile: func(w io.Writer) error { return encodeJSON(w, rig.Result{Readings: readings}) },
				} {
					if err := writeFile(filepath.Join(job, name), write); err != nil {
						t.Fatal(err)
					}
				}
			}
		}
	}
	return dir
}

// told runs a command line of the real commands.
func told(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, err bytes.Buffer
	app := &App{Stdout: &out, Stderr: &err}
	code = app.Run(context.Background(), args, commands...)
	return code, out.String(), err.String()
}

func TestStudyOfJobs(t *testing.T) {
	dir := garage(t)
	code, stdout, stderr := told(t, "study", dir, "--json")
	if code != 0 || stderr != "" {
		t.Fatalf("code %d: %s", code, stderr)
	}
	var got studies
	if err := json.Unmarshal([]byte(stdout), &got); err != nil {
		t.Fatal(err)
	}
	if got.Parts != folderName || got.By != folderName || len(got.Studies) < 30 {
		t.Fatalf("parts by %q, operators by %q, %d readings", got.Parts, got.By, len(got.Studies))
	}
	repeat := 0.0
	for _, s := range got.Studies {
		if strings.Contains(s.Name, "runout") {
			t.Errorf("%s is studied, it is the clamp's", s.Name)
		}
		if len(s.Study.Parts) != 3 || len(s.Operators) != 2 || s.Trials != 3 {
			t.Fatalf("%s: %v, %v, %g trials", s.Name, s.Study.Parts, s.Operators, s.Trials)
		}
		if math.Abs(s.StatedU-0.012) > 1e-9 {
			t.Errorf("%s: stated u %g, the jobs state 0.012", s.Name, s.StatedU)
		}
		for _, c := range s.Components {
			if c.Source == jig.Repeatability {
				repeat += c.Variance / float64(len(got.Studies))
			}
		}
	}
	// 12 degrees of freedom or more a reading.
	if sd := math.Sqrt(repeat); math.Abs(sd-0.01) > 0.001 {
		t.Errorf("repeatability %.4f, drawn with 0.01", sd)
	}
	// One reading, named as people or as files name it.
	for _, name := range []string{"toe 1 left", "toe, axle 1 left", "Total_Toe 2"} {
		if code, stdout, stderr := told(t, "study", dir, "--reading", name); code != 0 || !strings.Contains(stdout, "3 parts, 2 operators, 3 trials each, 18 readings") {
			t.Errorf("%s: code %d, %s%s", name, code, stdout, stderr)
		}
	}
	// Or all of a quantity.
	if code, stdout, _ := told(t, "study", dir, "--reading", "total toe"); code != 0 || strings.Count(stdout, "\ntotal toe ") != 3 {
		t.Errorf("code %d: %s", code, stdout)
	}
	code, stdout, _ = told(t, "study", dir)
	if code != 0 || !strings.Contains(stdout, "toe 1 left") || !strings.Contains(stdout, "% study") {
		t.Errorf("code %d: %s", code, stdout)
	}
}

func TestStudyFiles(t *testing.T) {
	dir := garage(t)
	pdf, table := filepath.Join(dir, "s.pdf"), filepath.Join(dir, "s.csv")
	if code, _, stderr := told(t, "study", dir, "--reading", "camber 1 left", "--pdf", pdf, "--csv", table, "--tolerance", "0.5"); code != 0 {
		t.Fatal(stderr)
	}
	if text, err := os.ReadFile(pdf); err != nil || !bytes.HasPrefix(text, []byte("%PDF-")) {
		t.Errorf("the PDF: %v", err)
	}
	text, err := os.ReadFile(table)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(text), "camber 1 left,deg,anova,gauge,") || !strings.Contains(string(text), "camber 1 left,deg,average and range,repeatability,") {
		t.Errorf("the CSV: %s", text)
	}
}

// What is wrong with a set of jobs is one line that names the job.
func TestStudyRefuses(t *testing.T) {
	dir := garage(t)
	at := func(elem ...string) string { return filepath.Join(append([]string{dir}, elem...)...) }
	for name, c := range map[string]struct {
		args []string
		code int
		want string
	}{
		"vanished":        {[]string{at("truck-1", "Anka", "1"), at("truck-9")}, 3, "truck-9: no such folder"},
		"one vehicle":     {[]string{at("truck-1")}, 3, "two parts or more, here is 1: measure another (parts are named by folder"},
		"nobody told":     {[]string{dir, "--by", "technician"}, 3, "nobody told its technician"},
		"no such key":     {[]string{dir, "--by", "moon"}, 2, "--by \"moon\": choose folder"},
		"no such reading": {[]string{dir, "--reading", "caster 1 left"}, 3, `no reading "caster 1 left" is in all jobs; there are: `},
		"missing cell":    {[]string{at("truck-1"), at("truck-2", "Anka")}, 3, "part truck-2 was not measured by Bo"},
		"a CSV's option":  {[]string{dir, "--unit", "deg"}, 2, "--unit is for a CSV"},
		"never repeated":  {[]string{at("truck-1", "Anka", "1"), at("truck-2", "Anka", "1")}, 4, "measure again"},
		"no sense":        {[]string{dir, "--sigmas", "0"}, 2, "6 is usual"},
		"below zero":      {[]string{dir, "--tolerance", "-1"}, 2, "--tolerance -1"},
	} {
		code, stdout, stderr := told(t, append([]string{"study"}, c.args...)...)
		if code != c.code || stdout != "" || !strings.Contains(stderr, c.want) || strings.Count(stderr, "\n") != 1 {
			t.Errorf("%s: code %d, %s", name, code, stderr)
		}
	}
	// A job that is not measured any more.
	if err := os.Remove(at("truck-2", "Bo", "3", rig.ResultFile)); err != nil {
		t.Fatal(err)
	}
	if code, _, stderr := told(t, "study", dir); code != 3 || !strings.Contains(stderr, "not measured yet") {
		t.Errorf("code %d: %s", code, stderr)
	}
	// Without its folder the study goes on, with unequal cells.
	if err := os.RemoveAll(at("truck-2", "Bo", "3")); err != nil {
		t.Fatal(err)
	}
	if code, stdout, stderr := told(t, "study", dir, "--reading", "toe 1 left"); code != 0 || !strings.Contains(stdout, "Unequal cells") || !strings.Contains(stdout, "no average and range") {
		t.Errorf("code %d: %s%s", code, stdout, stderr)
	}
}
