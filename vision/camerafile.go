package vision

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"
	"gonum.org/v1/gonum/mat"
)

// The camera file is OpenCV's own FileStorage YAML with the names that
// OpenCV's calibration sample uses, so that other tools can read it. Ours adds
//
//	camera_name, focal_length_mm, focal_length_35mm
//	intrinsics_order                  "fx fy cx cy k1 k2 p1 p2 k3"
//	intrinsics_standard_uncertainty   9 x 1 (k = 1)
//	intrinsics_covariance             9 x 9
//
// with fx ... cy in pixels, in the order stated. A lens with more coefficients
// has 12 (... k4 k5 k6) or 16 (... s1 s2 s3 s4) instead of 9, as the vector
// distortion_coefficients has 8 or 12 instead of 5. Other keys are ignored.

// sizes are the numbers of intrinsics that a file may hold: with OpenCV's 4, 5,
// 8 or 12 coefficients.
var sizes = []int{8, 9, 12, NumIntrinsics}

// Used is how many of the intrinsics, the first ones, say all of the camera: 9,
// 12 with a rational lens, 16 with a thin prism. The others are zero, for sure.
func (c *Camera) Used() int {
	k := c.Intrinsics()
	used := PlainIntrinsics
	for i := range k {
		if i >= used && (k[i] != 0 || c.Cov != nil && c.Cov[i][i] != 0) {
			used = i + 1
		}
	}
	for _, n := range sizes {
		if used <= n {
			return n
		}
	}
	return NumIntrinsics
}

// names lists, for each thing read, the spellings in use: ours first, which
// are those of OpenCV's sample, then those of its older versions.
var (
	keyWidth  = []string{"image_width", "image_Width"}
	keyHeight = []string{"image_height", "image_Height"}
	keyMatrix = []string{"camera_matrix", "Camera_Matrix", "cameraMatrix"}
	keyDist   = []string{"distortion_coefficients", "Distortion_Coefficients", "distCoeffs"}
	keyRMS    = []string{"avg_reprojection_error", "Avg_Reprojection_Error"}
	keyViews  = []string{"nframes", "nr_of_frames", "nrOfFrames"}
	keyTime   = []string{"calibration_time", "calibration_Time"}
)

const (
	keyName   = "camera_name"
	keyFocal  = "focal_length_mm"
	keyFocal3 = "focal_length_35mm"
	keyOrder  = "intrinsics_order"
	keySD     = "intrinsics_standard_uncertainty"
	keyCov    = "intrinsics_covariance"
)

// describe names the camera in messages.
func (c *Camera) describe() string {
	switch {
	case c.path != "":
		return "the camera file " + c.path
	case c.Name != "":
		return "the camera file of " + c.Name
	}
	return "the camera file"
}

// Validate tells what is wrong with the camera's numbers, if anything.
func (c *Camera) Validate() error {
	finite := true
	for _, v := range c.Intrinsics() {
		finite = finite && !math.IsNaN(v) && !math.IsInf(v, 0)
	}
	switch {
	case c.Width < 1 || c.Height < 1:
		return fmt.Errorf("the picture's size (%d x %d pixels) must be above 0", c.Width, c.Height)
	case !finite:
		return errors.New("an intrinsic is not a number: calibrate the camera again")
	case c.FX <= 0 || c.FY <= 0:
		return fmt.Errorf("the focal lengths (%g, %g px) must be above 0: calibrate the camera again", c.FX, c.FY)
	}
	for _, v := range []float64{c.FocalMM, c.Focal35MM, c.RMSPx} {
		if !(v >= 0) || math.IsInf(v, 0) {
			return fmt.Errorf("focal lengths in mm and the reprojection error must be numbers, 0 or more (found %g)", v)
		}
	}
	if c.Cov == nil {
		return nil
	}
	return validCovariance(c.Cov)
}

// validCovariance asks for a symmetric matrix that is positive definite over
// the parameters with a variance above 0; the others were held fixed and must
// have rows of zeros.
func validCovariance(cov *[NumIntrinsics][NumIntrinsics]float64) error {
	const remedy = "calibrate the camera again"
	var free []int
	for i := range cov {
		for j := range cov {
			v := cov[i][j]
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return fmt.Errorf("the covariance of %s and %s is not a number: %s", IntrinsicNames[i], IntrinsicNames[j], remedy)
			}
			if math.Abs(v-cov[j][i]) > 1e-9*math.Sqrt(math.Abs(cov[i][i]*cov[j][j])) {
				return fmt.Errorf("the covariance is not symmetric at %s, %s: %s", IntrinsicNames[i], IntrinsicNames[j], remedy)
			}
			if v != 0 && (cov[i][i] <= 0 || cov[j][j] <= 0) {
				return fmt.Errorf("the covariance is not positive definite at %s, %s: %s", IntrinsicNames[i], IntrinsicNames[j], remedy)
			}
		}
		if cov[i][i] > 0 {
			free = append(free, i)
		}
	}
	if len(free) == 0 {
		return errors.New("the covariance is all zero: leave it out if the uncertainty is not known")
	}
	// Correlations rather than covariances: pixels² and k3's units differ by
	// ten orders of magnitude.
	corr := mat.NewSymDense(len(free), nil)
	for a, i := range free {
		for b, j := range free[:a+1] {
			corr.SetSym(a, b, cov[i][j]/math.Sqrt(cov[i][i]*cov[j][j]))
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(corr) {
		return fmt.Errorf("the covariance is not positive definite: %s", remedy)
	}
	return nil
}

// LoadCamera reads a camera file: OpenCV's FileStorage as YAML (or JSON) with
// camera_matrix, distortion_coefficients (4, 5, 8 or 12, or more that are zero),
// image_width and image_height, as written by [Camera.Save], by OpenCV's
// calibration samples and by other tools in that layout. Unknown keys are
// ignored. Errors name the file and the remedy.
func LoadCamera(path string) (*Camera, error) {
	data, err := ReadFile(path, MostText)
	var c *Camera
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("camera file %s: no such file: check the name, or calibrate the camera first (%w)", path, fs.ErrNotExist)
	case err == nil:
		c, err = parseCamera(data)
	}
	if err == nil {
		err = c.Validate()
	}
	if err != nil {
		return nil, fmt.Errorf("camera file %s: %w", path, err)
	}
	c.path, c.sum = path, sum(data)
	return c, nil
}

func parseCamera(data []byte) (*Camera, error) {
	f, err := parseStorage(data)
	if err != nil {
		return nil, err
	}
	c := &Camera{}
	for _, v := range []struct {
		keys []string
		out  *int
	}{{keyWidth, &c.Width}, {keyHeight, &c.Height}} {
		x, ok, err := f.number(v.keys...)
		switch {
		case err != nil:
			return nil, err
		case !ok:
			return nil, fmt.Errorf("%s is missing: add the size of the calibration photographs in pixels", v.keys[0])
		case x != math.Trunc(x) || x < 1 || x > 1<<16:
			return nil, fmt.Errorf("%s is %g: it must be a whole number of pixels above 0", v.keys[0], x)
		}
		*v.out = int(x)
	}

	const missing = "give a file that OpenCV or the command camera has written"
	m, err := f.matrix(keyMatrix...)
	switch {
	case err != nil:
		return nil, err
	case m == nil:
		return nil, fmt.Errorf("%s is missing: %s", keyMatrix[0], missing)
	case m.rows != 3 || m.cols != 3:
		return nil, fmt.Errorf("camera_matrix is %d x %d: it must be 3 x 3", m.rows, m.cols)
	}
	d := m.data
	if d[1] != 0 || d[3] != 0 || d[6] != 0 || d[7] != 0 || d[8] != 1 {
		return nil, errors.New("camera_matrix is not of the form [fx 0 cx; 0 fy cy; 0 0 1]: calibrate without skew")
	}
	c.FX, c.FY, c.CX, c.CY = d[0], d[4], d[2], d[5]

	if x, ok, err := f.number("fisheye_model"); err != nil || ok && x != 0 {
		return nil, errors.New("this is a fisheye calibration: calibrate with OpenCV's standard model")
	}
	if s := f.text("distortion_model"); s != "" && s != "plumb_bob" && s != "rational_polynomial" {
		return nil, fmt.Errorf("distortion_model is %s: calibrate with OpenCV's standard model (plumb_bob or rational_polynomial)", s)
	}
	m, err = f.matrix(keyDist...)
	switch {
	case err != nil:
		return nil, err
	case m == nil:
		return nil, fmt.Errorf("%s is missing: %s", keyDist[0], missing)
	case m.rows != 1 && m.cols != 1 || len(m.data) < 4:
		return nil, fmt.Errorf("distortion_coefficients is %d x %d: it must be one row or column of 4, 5, 8 or 12 (k1 k2 p1 p2 k3 k4 k5 k6 s1 s2 s3 s4)", m.rows, m.cols)
	}
	k := c.Intrinsics()
	for i, v := range m.data {
		switch {
		case i < NumIntrinsics-4:
			k[4+i] = v
		case v != 0:
			return nil, fmt.Errorf("distortion_coefficients has %d values and number %d is %g: only the first 12 are known here; calibrate without the tilt model",
				len(m.data), i+1, v)
		}
	}
	c.SetIntrinsics(k)

	if c.FocalMM, _, err = f.number(keyFocal); err != nil {
		return nil, err
	}
	if c.Focal35MM, _, err = f.number(keyFocal3); err != nil {
		return nil, err
	}
	if c.RMSPx, _, err = f.number(keyRMS...); err != nil {
		return nil, err
	}
	// What is only told to people may be written in any way.
	c.Name = f.text(keyName)
	if n, _, err := f.number(keyViews...); err == nil && n > 0 && n < 1e6 {
		c.Views = int(n)
	}
	c.Calibrated, _ = time.Parse(time.RFC3339, f.text(keyTime...))

	m, err = f.matrix(keyCov)
	if err != nil || m == nil {
		return c, err
	}
	n := m.rows
	if m.cols != n || !slices.Contains(sizes, n) {
		return nil, fmt.Errorf("%s is %d x %d: it must be 9 x 9, or 12 x 12 with k4 k5 k6, or 16 x 16 with s1 s2 s3 s4 too", keyCov, m.rows, m.cols)
	}
	if o := f.text(keyOrder); o != intrinsicsOrder(n) {
		return nil, fmt.Errorf("%s is %q: it must be %q", keyOrder, o, intrinsicsOrder(n))
	}
	c.Cov = new([NumIntrinsics][NumIntrinsics]float64)
	for i, v := range m.data {
		c.Cov[i/n][i%n] = v
	}
	return c, nil
}

func intrinsicsOrder(n int) string { return strings.Join(IntrinsicNames[:n], " ") }

// Save writes the camera file, which OpenCV's FileStorage reads too. It
// replaces an existing file only once the new one is whole.
func (c *Camera) Save(path string) error {
	err := c.Validate()
	if err == nil {
		err = replaceFile(path, c.encode())
	}
	if err != nil {
		return fmt.Errorf("camera file %s: %w", path, err)
	}
	return nil
}

// encode writes the camera as OpenCV 4 would, numbers with all their digits.
func (c *Camera) encode() []byte {
	var b bytes.Buffer
	b.WriteString("%YAML:1.0\n---\n")
	if !c.Calibrated.IsZero() {
		fmt.Fprintf(&b, "%s: \"%s\"\n", keyTime[0], c.Calibrated.Format(time.RFC3339))
	}
	if c.Name != "" {
		fmt.Fprintf(&b, "%s: %s\n", keyName, storageString(c.Name))
	}
	if c.Views > 0 {
		fmt.Fprintf(&b, "%s: %d\n", keyViews[0], c.Views)
	}
	fmt.Fprintf(&b, "%s: %d\n%s: %d\n", keyWidth[0], c.Width, keyHeight[0], c.Height)
	for _, v := range []struct {
		key string
		x   float64
	}{{keyFocal, c.FocalMM}, {keyFocal3, c.Focal35MM}} {
		if v.x > 0 {
			fmt.Fprintf(&b, "%s: %s\n", v.key, storageNumber(v.x))
		}
	}
	writeMatrix(&b, keyMatrix[0], 3, 3, []float64{c.FX, 0, c.CX, 0, c.FY, c.CY, 0, 0, 1})
	k, n := c.Intrinsics(), c.Used()
	writeMatrix(&b, keyDist[0], n-4, 1, k[4:n])
	if c.RMSPx > 0 {
		fmt.Fprintf(&b, "%s: %s\n", keyRMS[0], storageNumber(c.RMSPx))
	}
	if c.Cov != nil {
		var sd, cov []float64
		for i, row := range c.Cov[:n] {
			sd = append(sd, math.Sqrt(row[i]))
			cov = append(cov, row[:n]...)
		}
		fmt.Fprintf(&b, "%s: \"%s\"\n", keyOrder, intrinsicsOrder(n))
		writeMatrix(&b, keySD, n, 1, sd)
		writeMatrix(&b, keyCov, n, n, cov)
	}
	return b.Bytes()
}

func writeMatrix(b *bytes.Buffer, key string, rows, cols int, data []float64) {
	fmt.Fprintf(b, "%s: !!opencv-matrix\n   rows: %d\n   cols: %d\n   dt: d\n   data: [", key, rows, cols)
	column := len("   data: [")
	for i, v := range data {
		s := " " + storageNumber(v)
		if i < len(data)-1 {
			s += ","
		}
		if column+len(s) > 78 {
			b.WriteString("\n      ")
			column = 6
		}
		b.WriteString(s)
		column += len(s)
	}
	b.WriteString(" ]\n")
}

// storageNumber writes a float as OpenCV does: whole numbers keep a point, so
// that they stay floats.
func storageNumber(v float64) string {
	if v == math.Trunc(v) && math.Abs(v) < 1e9 {
		return strconv.FormatFloat(v, 'f', 0, 64) + "."
	}
	return strconv.FormatFloat(v, 'e', 16, 64)
}

// storageString quotes a string so that OpenCV and YAML read the same.
func storageString(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, s)
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace(s) + `"`
}

// storage is the top level of an OpenCV FileStorage file.
type storage map[string]*yaml.Node

type storageMatrix struct {
	rows, cols int
	data       []float64 // row by row
}

// parseStorage reads OpenCV's YAML, whose first line (%YAML:1.0) no YAML
// library accepts: the directive has a space in YAML 1.0 and later alike.
func parseStorage(data []byte) (storage, error) {
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	switch {
	case len(bytes.TrimSpace(data)) == 0:
		return nil, errors.New("the file is empty: calibrate the camera again")
	case bytes.HasPrefix(bytes.TrimSpace(data), []byte("<")):
		return nil, errors.New("this is XML: let OpenCV write it as .yml")
	}
	if bytes.HasPrefix(data, []byte("%YAML")) {
		_, data, _ = bytes.Cut(data, []byte("\n"))
	}
	var doc yaml.Node
	if err := yaml.Unmarshal(data, &doc); err != nil {
		return nil, fmt.Errorf("not OpenCV's YAML layout (%s): give a file that OpenCV or the command camera has written",
			strings.TrimPrefix(strings.ReplaceAll(err.Error(), "\n", " "), "yaml: "))
	}
	if doc.Kind != yaml.DocumentNode || doc.Content[0].Kind != yaml.MappingNode {
		return nil, errors.New("not OpenCV's YAML layout: give a file that OpenCV or the command camera has written")
	}
	return mapping(doc.Content[0])
}

func mapping(n *yaml.Node) (storage, error) {
	f := storage{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		k := n.Content[i].Value
		if f[k] != nil {
			return nil, fmt.Errorf("%s is there twice: remove one", k)
		}
		f[k] = n.Content[i+1]
	}
	return f, nil
}

// find returns the first of the keys that is there, with its name.
func (f storage) find(keys ...string) (*yaml.Node, string) {
	for _, k := range keys {
		if n := f[k]; n != nil {
			return n, k
		}
	}
	return nil, ""
}

// text returns a string, or "".
func (f storage) text(keys ...string) string {
	if n, _ := f.find(keys...); n != nil && n.Kind == yaml.ScalarNode {
		return n.Value
	}
	return ""
}

// number returns a finite number; ok is false when no key is there.
func (f storage) number(keys ...string) (v float64, ok bool, err error) {
	n, key := f.find(keys...)
	if n == nil {
		return 0, false, nil
	}
	v, err = scalar(n)
	if err != nil {
		return 0, false, fmt.Errorf("%s: %w", key, err)
	}
	return v, true, nil
}

func scalar(n *yaml.Node) (float64, error) {
	v, err := strconv.ParseFloat(n.Value, 64)
	if n.Kind != yaml.ScalarNode || err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		what := n.Value
		if n.Kind != yaml.ScalarNode {
			what = "a list or a table"
		}
		return 0, fmt.Errorf("line %d holds %q, which is not a number: correct it or calibrate the camera again", n.Line, what)
	}
	return v, nil
}

// matrix returns an opencv-matrix of finite numbers, nil when no key is there.
func (f storage) matrix(keys ...string) (*storageMatrix, error) {
	n, key := f.find(keys...)
	if n == nil {
		return nil, nil
	}
	bad := func(why string) (*storageMatrix, error) {
		return nil, fmt.Errorf("%s: %s: give a file that OpenCV or the command camera has written", key, why)
	}
	if n.Kind != yaml.MappingNode {
		return bad("not a matrix with rows, cols and data")
	}
	g, err := mapping(n)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", key, err)
	}
	rows, okR, errR := g.number("rows")
	cols, okC, errC := g.number("cols")
	data := g["data"]
	switch {
	case errR != nil || errC != nil:
		return nil, fmt.Errorf("%s: %w", key, errors.Join(errR, errC))
	case !okR || !okC || data == nil || data.Kind != yaml.SequenceNode:
		return bad("not a matrix with rows, cols and data")
	case rows != math.Trunc(rows) || cols != math.Trunc(cols) || rows < 1 || cols < 1 || float64(len(data.Content)) != rows*cols:
		return bad(fmt.Sprintf("%g x %g values stated, %d found", rows, cols, len(data.Content)))
	}
	m := &storageMatrix{rows: int(rows), cols: int(cols)}
	for _, d := range data.Content {
		v, err := scalar(d)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", key, err)
		}
		m.data = append(m.data, v)
	}
	return m, nil
}

// replaceFile writes beside the path and renames, so that a failure leaves an
// existing file as it was.
func replaceFile(path string, data []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*")
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	if e := f.Close(); err == nil {
		err = e
	}
	if err == nil {
		err = os.Chmod(f.Name(), 0o644)
	}
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		os.Remove(f.Name())
	}
	return err
}
