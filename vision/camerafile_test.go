package vision

import (
	"errors"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"
	"time"
)

// aCamera has no two equal numbers and a full covariance.
func aCamera() Camera {
	c := Camera{
		Name: `phone "main" \ lens, ünïcode`, Width: 4000, Height: 3000,
		FX: 2901.123456789012, FY: 2899.5, CX: 2003.25, CY: 1497 + 1.0/3,
		K1: 0.0712, K2: -0.153, P1: 3.1e-4, P2: -7.7e-4, K3: 0.0815,
		FocalMM: 4.164, Focal35MM: 26, RMSPx: 0.21, Views: 24,
		Calibrated: time.Date(2031, 5, 6, 7, 8, 9, 0, time.FixedZone("", 7200)),
	}
	c.Cov = someCov(PlainIntrinsics)
	return c
}

// someCov is a covariance of unlike numbers of the first n intrinsics.
func someCov(n int) *[NumIntrinsics][NumIntrinsics]float64 {
	// A·Aᵀ with a lower triangle of unlike numbers is positive definite.
	sd := [NumIntrinsics]float64{0.9, 0.8, 0.7, 0.6, 1e-3, 5e-3, 4e-5, 3e-5, 8e-3, 0.02, 0.07, 0.05, 3e-4, 9e-4, 2e-4, 7e-4}
	a := func(i, j int) float64 {
		if j > i {
			return 0
		}
		v := 0.1 * math.Sin(float64(1+3*i+7*j))
		if i == j {
			v++
		}
		return sd[i] * v
	}
	cov := new([NumIntrinsics][NumIntrinsics]float64)
	for i := range n {
		for j := range i + 1 {
			s := 0.0
			for k := range NumIntrinsics {
				s += a(i, k) * a(j, k)
			}
			cov[i][j], cov[j][i] = s, s
		}
	}
	return cov
}

// rational and rich are aCamera with more coefficients.
func rational() Camera {
	c := aCamera()
	c.K1, c.K2, c.K3, c.K4, c.K5, c.K6 = 0.4612, -2.4305, 1.3847, 0.3421, -2.2611, 1.3173
	c.Cov = someCov(12)
	return c
}

func rich() Camera {
	c := rational()
	c.S1, c.S2, c.S3, c.S4 = 1.1e-3, -2.3e-3, 3.1e-3, 0.7e-3
	c.Cov = someCov(NumIntrinsics)
	return c
}

func TestCameraFileRoundTrip(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "camera.yml")
	for _, c := range []Camera{aCamera(), rational(), rich()} {
		for range 2 { // over an existing file the second time
			if err := c.Save(path); err != nil {
				t.Fatal(err)
			}
		}
		got, err := LoadCamera(path)
		if err != nil {
			t.Fatal(err)
		}
		if got.path != path || !got.Calibrated.Equal(c.Calibrated) {
			t.Errorf("path %q, calibrated %v", got.path, got.Calibrated)
		}
		got.path, got.sum, got.Calibrated = "", "", c.Calibrated
		if !reflect.DeepEqual(*got, c) {
			t.Errorf("got  %+v\nwant %+v", *got, c)
		}
		if got.encode() == nil || string(got.encode()) != string(c.encode()) {
			t.Error("written again, the file differs")
		}
	}

	// Without what is optional.
	c := Camera{Width: 640, Height: 480, FX: 500, FY: 501, CX: 320, CY: 240}
	if err := c.Save(path); err != nil {
		t.Fatal(err)
	}
	got, err := LoadCamera(path)
	if err != nil {
		t.Fatal(err)
	}
	got.path, got.sum = "", ""
	if !reflect.DeepEqual(*got, c) {
		t.Errorf("got  %+v\nwant %+v", *got, c)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, ".*")); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

// OpenCV's FileStorage reads what we write, every digit.
func TestOpenCVReadsOurCameraFile(t *testing.T) {
	for c, n := range map[*Camera]int{ptr(aCamera()): 9, ptr(rational()): 12, ptr(rich()): 16} {
		path := filepath.Join(t.TempDir(), "camera.yml")
		if err := c.Save(path); err != nil {
			t.Fatal(err)
		}
		want := []float64{4000, 3000, c.FX, 0, c.CX, 0, c.FY, c.CY, 0, 0, 1}
		k := c.Intrinsics()
		want = append(want, k[4:n]...)
		for _, row := range c.Cov[:n] {
			want = append(want, row[:n]...)
		}
		for i := range n {
			want = append(want, math.Sqrt(c.Cov[i][i]))
		}
		want = append(want, c.RMSPx, c.FocalMM, 24)
		lines := askOpenCV(t, nil, "readcamera", path)
		if len(lines) != len(want)+2 {
			t.Fatalf("%d lines, want %d", len(lines), len(want)+2)
		}
		for i, w := range want {
			if v, err := strconv.ParseFloat(lines[i], 64); err != nil || v != w {
				t.Errorf("value %d: OpenCV reads %s, written %v", i, lines[i], w)
			}
		}
		if n := lines[len(want)]; n != c.Name {
			t.Errorf("OpenCV reads the name %q, written %q", n, c.Name)
		}
		if o := lines[len(want)+1]; o != "fx fy cx cy k1 k2 p1 p2 k3 k4 k5 k6 s1 s2 s3 s4"[:3*n-1] {
			t.Errorf("OpenCV reads the order %q", o)
		}
	}
}

func ptr[T any](v T) *T { return &v }

// We read what OpenCV's FileStorage writes, as YAML and as JSON, with 4, 5, 8,
// 12 and 14 coefficients.
func TestWeReadOpenCVsCameraFile(t *testing.T) {
	c := rich()
	for _, n := range []int{4, 5, 8, 12, 14} {
		k := c.Intrinsics()
		clear(k[min(4+n, len(k)):])
		in := append([]float64{float64(4 + n)}, k[:min(4+n, len(k))]...)
		for len(in) < 5+n {
			in = append(in, 0) // no tilt
		}
		for _, name := range []string{"camera.yml", "camera.json"} {
			path := filepath.Join(t.TempDir(), name)
			askOpenCV(t, in, "writecamera", path)
			got, err := LoadCamera(path)
			if err != nil {
				t.Error(err)
				continue
			}
			if got.Intrinsics() != k || got.Width != 4000 || got.Height != 3000 || got.RMSPx != 0.25 || got.Views != 12 || got.Cov != nil {
				t.Errorf("%s, %d coefficients: %+v", name, n, got)
			}
		}
	}
}

// A camera file written before there were more than five coefficients, as this
// program wrote it then.
func TestOlderCameraFile(t *testing.T) {
	c, err := LoadCamera("testdata/camera-nine.yaml")
	if err != nil {
		t.Fatal(err)
	}
	want := [NumIntrinsics]float64{2920.4567890123456, 2914, 2012.5, 1487.25, 0.11, -0.28, 7e-4, -4e-4, 0.17}
	if c.Intrinsics() != want || c.Name != "yard phone" || c.Views != 14 {
		t.Errorf("%+v", c)
	}
	for i := range c.Cov {
		for j := range c.Cov {
			// As the file was made: correlations of a quarter.
			sd := [NumIntrinsics]float64{1.5, 1.25, 0.75, 0.5, 1e-3, 4e-3, 5e-5, 4e-5, 5e-3}
			v := sd[i] * sd[j]
			if i != j {
				v /= 4
			}
			if math.Abs(c.Cov[i][j]-v) > 1e-12*v {
				t.Errorf("covariance %d, %d: %g, want %g", i, j, c.Cov[i][j], v)
			}
		}
	}
	path := filepath.Join(t.TempDir(), "again.yaml")
	if err := c.Save(path); err != nil {
		t.Fatal(err)
	}
	old, _ := os.ReadFile("testdata/camera-nine.yaml")
	if again, _ := os.ReadFile(path); string(again) != string(old) {
		t.Errorf("written again it differs:\n%s", again)
	}
}

// Camera files published with OpenCV.
func TestPublishedCameraFiles(t *testing.T) {
	for path, want := range map[string]Camera{
		// OpenCV contrib, modules/aruco/tutorials.
		"../../shared/real/tutorial_camera_charuco.yml": {Width: 640, Height: 480,
			FX: 4.5251072219637672e+02, FY: 4.5676707935146891e+02, CX: 3.1770297317353277e+02, CY: 2.7775155919135995e+02,
			K1: 1.2136925618707872e-01, K2: -1.0854664722560681e+00, P1: 1.1786843796668460e-04, P2: -4.6240686046485508e-04,
			K3: 2.9542589406810080e+00, RMSPx: 1.8234905535936044e-01},
		// OpenCV, samples/data.
		"/usr/share/doc/opencv-doc/examples/data/left_intrinsics.yml": {Width: 640, Height: 480,
			FX: 5.3591573396163199e+02, FY: 5.3591573396163199e+02, CX: 3.4228315473308373e+02, CY: 2.3557082909788173e+02,
			K1: -2.6637260909660682e-01, K2: -3.8588898922304653e-02, P1: 1.7831947042852964e-03, P2: -2.8122100441115472e-04,
			K3: 2.3839153080878486e-01, RMSPx: 3.9259098975581364e-01, Views: 13},
	} {
		t.Run(filepath.Base(path), func(t *testing.T) {
			if _, err := os.Stat(path); err != nil {
				t.Skip("not on this machine: ", err)
			}
			got, err := LoadCamera(path)
			if err != nil {
				t.Fatal(err)
			}
			got.path, got.sum = "", ""
			if !reflect.DeepEqual(*got, want) {
				t.Errorf("got  %+v\nwant %+v", *got, want)
			}
		})
	}
}

const plainCamera = `%YAML:1.0
---
image_width: 640
image_height: 480
camera_matrix: !!opencv-matrix
   rows: 3
   cols: 3
   dt: d
   data: [ 5.0e+02, 0., 3.2e+02, 0., 5.1e+02, 2.4e+02, 0., 0., 1. ]
distortion_coefficients: !!opencv-matrix
   rows: 5
   cols: 1
   dt: d
   data: [ 0.1, 0.2, 0.003, 0.004, 0.5 ]
`

func TestOtherLayouts(t *testing.T) {
	want := [NumIntrinsics]float64{500, 510, 320, 240, 0.1, 0.2, 0.003, 0.004, 0.5}
	four, eight, twelve := want, want, want
	four[8] = 0
	eight[9], eight[10], eight[11] = 0.6, 0.7, 0.8
	twelve[12], twelve[15] = 0.01, 0.02
	for name, c := range map[string]struct {
		from, to []string
		want     [NumIntrinsics]float64
	}{
		"as it is":              {nil, nil, want},
		"byte order mark, CRLF": {[]string{"%YAML", "\n"}, []string{"\ufeff%YAML", "\r\n"}, want},
		"no header":             {[]string{"%YAML:1.0\n---\n"}, []string{""}, want},
		"later header":          {[]string{"%YAML:1.0"}, []string{"%YAML 1.2"}, want},
		"older names": {[]string{"camera_matrix", "distortion_coefficients", "image_width", "image_height"},
			[]string{"Camera_Matrix", "Distortion_Coefficients", "image_Width", "image_Height"}, want},
		"row":              {[]string{"rows: 5\n   cols: 1\n"}, []string{"rows: 1\n   cols: 5\n"}, want},
		"four":             {[]string{"rows: 5\n   cols: 1\n", ", 0.5 ]"}, []string{"rows: 1\n   cols: 4\n", " ]"}, four},
		"eight with zero":  {[]string{"rows: 5", "0.5 ]"}, []string{"rows: 8", "0.5, 0., 0, 0.0e+00 ]"}, want},
		"eight":            {[]string{"rows: 5", "0.5 ]"}, []string{"rows: 8", "0.5, 0.6, 0.7, 0.8 ]"}, eight},
		"twelve":           {[]string{"rows: 5", "0.5 ]"}, []string{"rows: 12", "0.5, 0, 0, 0, 0.01, 0, 0, 0.02 ]"}, twelve},
		"fourteen":         {[]string{"rows: 5", "0.5 ]"}, []string{"rows: 14", "0.5, 0, 0, 0, 0.01, 0, 0, 0.02, 0., 0. ]"}, twelve},
		"rational by name": {[]string{"image_width"}, []string{"distortion_model: rational_polynomial\nimage_width"}, want},
		"plain tables":     {[]string{" !!opencv-matrix", "   dt: d\n"}, []string{"", ""}, want},
		"unknown keys":     {[]string{"image_width"}, []string{"a: { b: [ 1, 2 ] }\nimage_width"}, want},
	} {
		s := plainCamera
		for i := range c.from {
			s = strings.ReplaceAll(s, c.from[i], c.to[i])
		}
		got, err := LoadCamera(write(t, "c.yml", []byte(s)))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if got.Intrinsics() != c.want {
			t.Errorf("%s: %v", name, got.Intrinsics())
		}
	}
}

func TestBadCameraFiles(t *testing.T) {
	full := aCamera()
	withCov := string(full.encode())
	row := func(i, j int) string { return storageNumber(full.Cov[i][j]) }
	for _, c := range []struct{ name, base, from, to, want string }{
		{"empty", plainCamera, plainCamera, "", "empty"},
		{"text", plainCamera, plainCamera, "just some words", "not OpenCV's YAML layout"},
		{"broken", plainCamera, "data: [ 5", "data: [[ 5", "not OpenCV's YAML layout"},
		{"XML", plainCamera, plainCamera, "<?xml version=\"1.0\"?>\n<opencv_storage/>", "XML"},
		{"no matrix", plainCamera, "camera_matrix", "M1", "camera_matrix is missing"},
		{"no distortion", plainCamera, "distortion_coefficients", "D1", "distortion_coefficients is missing"},
		{"no width", plainCamera, "image_width", "width", "image_width is missing"},
		{"zero height", plainCamera, "480", "0", "image_height is 0"},
		{"fraction", plainCamera, "480", "480.5", "image_height is 480.5"},
		{"NaN", plainCamera, "5.0e+02", ".Nan", "not a number"},
		{"NaN height", plainCamera, "480", ".Nan", "not a number"},
		{"infinite", plainCamera, "0.003", ".Inf", "not a number"},
		{"infinite 2", plainCamera, "0.003", "1e999", "not a number"},
		{"words", plainCamera, "0.003", "unknown", "not a number"},
		{"zero focal length", plainCamera, "5.0e+02", "0.", "above 0"},
		{"negative", plainCamera, "5.1e+02", "-5.1e+02", "above 0"},
		{"skew", plainCamera, "5.0e+02, 0.,", "5.0e+02, 0.1,", "skew"},
		{"2 x 3", plainCamera, "rows: 3", "rows: 2", "2 x 3"},
		{"three", plainCamera, "rows: 5\n   cols: 1\n   dt: d\n   data: [ 0.1, 0.2,", "rows: 3\n   cols: 1\n   dt: d\n   data: [", "3 x 1"},
		{"tilt", plainCamera, "rows: 5\n   cols: 1\n   dt: d\n   data: [ 0.1,", "rows: 14\n   cols: 1\n   dt: d\n   data: [ 0.1, 0, 0, 0, 0, 0, 0, 0, 0, 0,", "tilt"},
		{"twice", plainCamera, "image_height: 480\n", "image_height: 480\nimage_height: 480\n", "twice"},
		{"fisheye", plainCamera, "image_width", "fisheye_model: 1\nimage_width", "fisheye"},
		{"equidistant", plainCamera, "image_width", "distortion_model: equidistant\nimage_width", "equidistant"},
		{"base64", plainCamera, "[ 0.1, 0.2, 0.003, 0.004, 0.5 ]", "\"$base64$AAAA\"", "not a matrix"},
		{"no table", plainCamera, plainCamera[strings.Index(plainCamera, " !!"):strings.Index(plainCamera, "distortion")], " 5\n", "not a matrix"},
		{"NaN covariance", withCov, row(3, 3), ".Nan", "not a number"},
		{"negative variance", withCov, " " + row(0, 0) + ",", " -" + row(0, 0) + ",", "not positive definite"},
		{"lopsided", withCov, " " + row(1, 0), " " + storageNumber(full.Cov[1][0]*1.5+1e-3), "not symmetric"},
		{"9 x 8", withCov, "cols: 9", "cols: 8", "9 x 8"},
		{"8 x 9", withCov, "rows: 9\n   cols: 9", "rows: 3\n   cols: 27", "16 x 16"},
		{"other order", withCov, "fx fy cx cy", "cx cy fx fy", "intrinsics_order"},
		{"negative focal length", withCov, "focal_length_mm: ", "focal_length_mm: -", "0 or more"},
	} {
		s := strings.Replace(c.base, c.from, c.to, 1)
		if s == c.base {
			t.Fatalf("%s: nothing replaced", c.name)
		}
		path := write(t, "camera.yml", []byte(s))
		got, err := LoadCamera(path)
		if err == nil {
			t.Errorf("%s: no error, read %+v", c.name, got)
			continue
		}
		oneLine(t, err, path, c.want)
	}
	missing := filepath.Join(t.TempDir(), "missing.yml")
	_, err := LoadCamera(missing)
	oneLine(t, err, missing, "no such file")
	if !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("%v is not fs.ErrNotExist", err)
	}
	if _, err := LoadCamera(t.TempDir()); err == nil {
		t.Error("a folder: no error")
	}
}

func TestSaveRefusesNonsense(t *testing.T) {
	path := filepath.Join(t.TempDir(), "camera.yml")
	good := aCamera()
	if err := good.Save(path); err != nil {
		t.Fatal(err)
	}
	before, _ := os.ReadFile(path)
	for want, change := range map[string]func(*Camera){
		"not a number":          func(c *Camera) { c.K2 = math.NaN() },
		"size":                  func(c *Camera) { c.Width = 0 },
		"not positive definite": func(c *Camera) { c.Cov[4][4] *= 0.01 },
		"all zero":              func(c *Camera) { *c.Cov = [NumIntrinsics][NumIntrinsics]float64{} },
	} {
		c := aCamera()
		change(&c)
		oneLine(t, c.Save(path), path, want)
	}
	if after, _ := os.ReadFile(path); string(after) != string(before) {
		t.Error("the existing file was changed")
	}
	// A parameter held fixed has no variance; that is no error.
	c := aCamera()
	for i := range c.Cov {
		c.Cov[8][i], c.Cov[i][8] = 0, 0
	}
	if err := c.Save(path); err != nil {
		t.Error(err)
	}
	if _, err := LoadCamera(path); err != nil {
		t.Error(err)
	}
	if err := good.Save(filepath.Join(path, "under", "a file.yml")); err == nil {
		t.Error("saved below a file")
	}
}
