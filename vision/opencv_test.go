package vision

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
)

// buildOpenCV compiles testdata/opencv.cc against the installed OpenCV.
var buildOpenCV = sync.OnceValues(func() (string, error) {
	flags, err := exec.Command("pkg-config", "--cflags", "--libs", "opencv4").Output()
	if err != nil {
		return "", fmt.Errorf("pkg-config does not know opencv4: %w", err)
	}
	dir, err := os.MkdirTemp("", "wheelplane-test-")
	if err != nil {
		return "", err
	}
	openCVDir = dir
	bin := filepath.Join(dir, "opencv")
	args := append([]string{"-O0", "-o", bin, filepath.Join("testdata", "opencv.cc"), "-Wl,--as-needed"}, strings.Fields(string(flags))...)
	if out, err := exec.Command("g++", args...).CombinedOutput(); err != nil {
		return "", fmt.Errorf("%w\n%s", err, out)
	}
	return bin, nil
})

var openCVDir string

// openMats tells of OpenCV memory left behind; only a build that counts has it.
var openMats = func() error { return nil }

func TestMain(m *testing.M) {
	code := m.Run()
	if err := openMats(); err != nil {
		fmt.Println(err)
		code = 1
	}
	if openCVDir != "" {
		os.RemoveAll(openCVDir)
	}
	os.Exit(code)
}

// askOpenCV runs a command of testdata/opencv.cc and returns its lines. The
// test is skipped where there is no compiler, and fails where the program does
// not build or run.
func askOpenCV(t testing.TB, input []float64, args ...string) []string {
	t.Helper()
	for _, tool := range []string{"g++", "pkg-config"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Skipf("no %s here to build OpenCV's side of the comparison", tool)
		}
	}
	bin, err := buildOpenCV()
	if err != nil {
		t.Fatal(err)
	}
	var in strings.Builder
	for _, v := range input {
		in.WriteString(strconv.FormatFloat(v, 'g', -1, 64) + "\n")
	}
	cmd := exec.Command(bin, args...)
	cmd.Stdin, cmd.Stderr = strings.NewReader(in.String()), os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("opencv %v: %v", args, err)
	}
	return strings.Split(strings.TrimSuffix(string(out), "\n"), "\n")
}

// openCVNumbers is askOpenCV where every line is a number.
func openCVNumbers(t testing.TB, input []float64, args ...string) []float64 {
	t.Helper()
	var out []float64
	for _, l := range askOpenCV(t, input, args...) {
		v, err := strconv.ParseFloat(l, 64)
		if err != nil {
			t.Fatalf("opencv %v: %v", args, err)
		}
		out = append(out, v)
	}
	return out
}
