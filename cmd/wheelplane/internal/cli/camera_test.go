package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"image/png"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"wheelplane/fixtures"
	"wheelplane/pose"
	"wheelplane/vision"
)

// cameraRun runs the real command line.
func cameraRun(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, msg bytes.Buffer
	app := &App{Stdout: &out, Stderr: &msg}
	code = app.Run(t.Context(), append([]string{"camera"}, args...), commands...)
	return code, out.String(), msg.String()
}

// The command on rendered photographs: the file holds the true camera within
// its stated uncertainty, the picture is there, and the table and the JSON say
// the same.
func TestCameraCommand(t *testing.T) {
	dir := t.TempDir()
	truth := vision.Camera{Width: 800, Height: 600, FX: 590, FY: 590, CX: 405, CY: 296, K1: 0.08, K2: -0.15, P1: 0.0005, P2: -0.0004, K3: 0.1}
	board := vision.Board{Name: "A", Dictionary: "36h11", Cols: 7, Rows: 5, SquareM: 0.055, MarkerM: 0.041}
	rng := rand.New(rand.NewPCG(1, 1))
	var pictures []fixtures.Picture
	for i := range 7 {
		azimuth, tilt, z := 0.9*float64(i), 0.3+0.4*rng.Float64(), 0.5+0.3*rng.Float64()
		r := pose.Exp(pose.Vec{tilt * math.Cos(azimuth), tilt * math.Sin(azimuth), 0}).Mul(pose.RotZ(math.Pi / 2 * float64(i%2))).Mul(pose.RotX(math.Pi))
		at := pose.Vec{0.7 * (rng.Float64() - 0.5) * z, 0.5 * (rng.Float64() - 0.5) * z, z}
		pictures = append(pictures, fixtures.Picture{
			Path: filepath.Join(dir, "photos", string(rune('a'+i))+".jpg"), Seed: uint64(i),
			Shot: fixtures.Shot{Camera: truth, Boards: []fixtures.PlacedBoard{{Board: board, CameraFromBoard: pose.SE3{R: r, T: at}}}},
			Exif: fixtures.PhoneExif(truth, time.Date(2024, 5, 1, 10, i, 0, 0, time.UTC)),
		})
	}
	photos := filepath.Join(dir, "photos")
	if err := os.Mkdir(photos, 0o777); err != nil {
		t.Fatal(err)
	}
	if err := fixtures.RenderAll(context.Background(), pictures, fixtures.DefaultOptics(800), nil); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(photos, "notes.jpg"), []byte("not a picture\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	file, picture := filepath.Join(dir, "camera.yaml"), filepath.Join(dir, "camera.png")

	// A folder that is not there for the picture: nothing is written.
	code, stdout, stderr := cameraRun(t, photos, "--out", file, "--picture", filepath.Join(dir, "no", "camera.png"))
	if code != int(ExitFailed) || stdout != "" || !strings.Contains(stderr, "make the folder first") {
		t.Errorf("exit code %d, stdout %q, stderr %q", code, stdout, stderr)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, "*camera*")); len(left) > 0 {
		t.Errorf("a failed run left %v", left)
	}

	code, stdout, stderr = cameraRun(t, photos, "--out", file, "--picture", picture)
	if code != 0 {
		t.Fatalf("exit code %d: %s", code, stderr)
	}
	if !strings.Contains(stderr, "warning: skipped: photo "+filepath.Join(photos, "notes.jpg")) {
		t.Errorf("the bad photo is not named: %q", stderr)
	}
	for _, want := range []string{"Example Phone 1, 800 x 600 px, from 7 photographs (1 skipped) with 168 corners\n", "\nfx ", "\nk3 ",
		"residuals: RMS", "\nnumber ", "no: photograph it 10 times or more", "the photographs ", "wrote " + file + " and " + picture} {
		if !strings.Contains(stdout, want) {
			t.Errorf("%q is not in:\n%s", want, stdout)
		}
	}
	cam, err := vision.LoadCamera(file)
	if err != nil {
		t.Fatal(err)
	}
	if cam.Name != "Example Phone 1" || cam.Views != 7 || cam.RMSPx <= 0 || cam.Focal35MM == 0 || cam.Calibrated.IsZero() || cam.Cov == nil {
		t.Errorf("%+v", cam)
	}
	got, want := cam.Intrinsics(), truth.Intrinsics()
	for i := range cam.Used() {
		if z := (got[i] - want[i]) / math.Sqrt(cam.Cov[i][i]); math.Abs(z) > 3.5 {
			t.Errorf("%s is off by %.1f of its uncertainty", vision.IntrinsicNames[i], z)
		}
	}
	f, err := os.Open(picture)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := png.Decode(f); err != nil {
		t.Error(err)
	}

	// Again, over the first, as JSON.
	code, stdout, stderr = cameraRun(t, photos, "--out", file, "--json", "--quiet", "--name", "yard phone")
	if code != 0 || stderr != "" {
		t.Fatalf("exit code %d: %q", code, stderr)
	}
	var told calibrated
	if err := json.Unmarshal([]byte(stdout), &told); err != nil {
		t.Fatal(err)
	}
	if told.Camera != "yard phone" || told.Photos != 7 || len(told.Skipped) != 1 || len(told.Intrinsics) != 9 || len(told.Covariance) != 9 || told.Varied || told.Board == nil {
		t.Errorf("%+v", told)
	}
	for i, v := range told.Intrinsics {
		if v.Name != vision.IntrinsicNames[i] || math.Abs(v.Value-got[i]) > 1e-6*math.Abs(got[i]) || math.Abs(v.U-math.Sqrt(cam.Cov[i][i])) > 1e-6*v.U {
			t.Errorf("%+v, in the file %g", v, got[i])
		}
	}

	// Photographs of another zoom do not replace it.
	other := pictures[0]
	other.Exif.Focal35MM = 90
	other.Path = filepath.Join(dir, "zoomed.jpg")
	if err := fixtures.RenderAll(context.Background(), []fixtures.Picture{other}, fixtures.DefaultOptics(800), nil); err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	code, _, stderr = cameraRun(t, other.Path, "--out", file)
	if code != int(ExitInput) || !strings.Contains(stderr, other.Path) || !strings.Contains(stderr, "choose another --out") {
		t.Errorf("exit code %d, stderr %q", code, stderr)
	}
	code, _, stderr = cameraRun(t, photos, other.Path, "--out", filepath.Join(dir, "new.yaml"))
	if code != int(ExitInput) || !strings.Contains(stderr, other.Path) || !strings.Contains(stderr, "but the others have") {
		t.Errorf("exit code %d, stderr %q", code, stderr)
	}
	if after, err := os.ReadFile(file); err != nil || !bytes.Equal(before, after) {
		t.Errorf("the camera file was changed (%v)", err)
	}
}

func TestWithUncertainty(t *testing.T) {
	for _, c := range []struct {
		v, u        float64
		value, want string
	}{
		{2920.3149, 0.7123, "2920.31", "0.71"},
		{-0.26549, 0.016123, "-0.265", "0.016"},
		{461.3, 24.4, "461", "24"},
		{461.3, 240, "461", "240"},
		{0.0009812, 0.00028, "0.00098", "0.00028"},
	} {
		if value, u := withUncertainty(c.v, c.u); value != c.value || u != c.want {
			t.Errorf("%g ± %g: %s ± %s, want %s ± %s", c.v, c.u, value, u, c.value, c.want)
		}
	}
}
