package rig

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"wheelplane/pose/bundle"
	"wheelplane/vision"

	"gonum.org/v1/gonum/mat"
)

// CameraFit is what a job found its camera to be, beside what the camera file
// says. The file's numbers and their covariance are observations of the job's
// least squares, so the difference of estimate and file has as its covariance
// the file's less the estimate's: what both share cancels (an estimate and a
// better one that contains it: Hausman, "Specification tests in econometrics",
// Econometrica 46, 1978).
type CameraFit struct {
	Name       string         `json:"name,omitempty"`      // of the camera, as its file has it
	Calibrated time.Time      `json:"calibrated,omitzero"` // likewise
	Intrinsics []IntrinsicFit `json:"intrinsics"`          // those that the file does not hold exact

	// ChiSquare is of all differences jointly, in as many Directions as the job
	// knows better than the file.
	ChiSquare  float64 `json:"chi_square"`
	Directions int     `json:"directions"`

	// The lower triangles of the covariances of the intrinsics listed, a row a
	// string.
	FileCovariance []string `json:"file_covariance"`
	Covariance     []string `json:"covariance"`
}

// IntrinsicFit is one intrinsic; px, or 1 for distortion.
type IntrinsicFit struct {
	Name     string  `json:"name"`
	File     float64 `json:"file"`
	UFile    float64 `json:"u_file"`
	Estimate float64 `json:"estimate"`
	U        float64 `json:"u"`
	// Normalised is the difference, estimate less file, over its standard
	// uncertainty; 0 where the job says nothing about this intrinsic.
	Normalised float64 `json:"normalised"`
}

// leastTold is by what share a job must know a direction's variance better than
// the camera file does before their difference counts: below, it is rounding.
const leastTold = 1e-4

// cameraFit compares the camera as solved with its file, which states a
// covariance.
func (n *network) cameraFit(s *State, cov *bundle.Covariance, file *vision.Camera) *CameraFit {
	all := cov.Joint([]bundle.BlockID{n.camera})
	now, then := s.Camera.Intrinsics(), file.Intrinsics()
	var free []int
	for i := range vision.IntrinsicNames {
		if file.Cov[i][i] > 0 {
			free = append(free, i)
		}
	}
	if len(free) == 0 {
		return nil
	}
	c0, c1 := mat.NewSymDense(len(free), nil), mat.NewSymDense(len(free), nil)
	step := mat.NewVecDense(len(free), nil)
	var names []string
	for a, i := range free {
		names = append(names, vision.IntrinsicNames[i])
		step.SetVec(a, now[i]-then[i])
		for b, k := range free[:a+1] {
			c0.SetSym(a, b, file.Cov[i][k])
			c1.SetSym(a, b, all.At(i, k))
		}
	}
	return NewCameraFit(file, names, step, c0, c1)
}

// NewCameraFit compares some intrinsics of a camera file, their covariance c0,
// with an estimate that has the file among its observations: by how much it
// differs and its covariance c1.
func NewCameraFit(file *vision.Camera, names []string, step mat.Vector, c0, c1 mat.Symmetric) *CameraFit {
	fit := &CameraFit{Name: file.Name, Calibrated: file.Calibrated, FileCovariance: triangle(c0, -1), Covariance: triangle(c1, -1)}
	then := file.Intrinsics()
	for a, name := range names {
		at := then[slices.Index(vision.IntrinsicNames[:], name)]
		f := IntrinsicFit{Name: name, File: at, UFile: math.Sqrt(c0.At(a, a)), Estimate: at + step.AtVec(a), U: math.Sqrt(c1.At(a, a))}
		if told := c0.At(a, a) - c1.At(a, a); told > leastTold*c0.At(a, a) {
			f.Normalised = step.AtVec(a) / math.Sqrt(told)
		}
		fit.Intrinsics = append(fit.Intrinsics, f)
	}
	if w, err := fit.Whitened(); err == nil {
		fit.ChiSquare, fit.Directions = w.ChiSquare()
	}
	return fit
}

// WhitenedFit is a [CameraFit] in coordinates y = W·(intrinsics − file) in which
// the file's covariance is the unit matrix.
type WhitenedFit struct {
	White *mat.Dense    // W, n×n
	Diff  *mat.VecDense // estimate less file, n
	Cov   *mat.SymDense // of the estimate, n×n; no direction above 1
}

// Whitened returns the fit relative to the file's covariance. A covariance that
// is none is an error.
func (f *CameraFit) Whitened() (*WhitenedFit, error) {
	n := len(f.Intrinsics)
	if n == 0 {
		return nil, errors.New("no intrinsics are listed")
	}
	c0, err := symmetric(f.FileCovariance, n)
	if err != nil {
		return nil, fmt.Errorf("file_covariance: %w", err)
	}
	c1, err := symmetric(f.Covariance, n)
	if err != nil {
		return nil, fmt.Errorf("covariance: %w", err)
	}
	for i, x := range f.Intrinsics {
		if !(c0.At(i, i) > 0) {
			return nil, fmt.Errorf("file_covariance: %s has no variance", x.Name)
		}
	}
	out := &WhitenedFit{White: whitener(c0), Diff: mat.NewVecDense(n, nil)}
	diff := mat.NewVecDense(n, nil)
	for i, x := range f.Intrinsics {
		diff.SetVec(i, x.Estimate-x.File)
	}
	out.Diff.MulVec(out.White, diff)
	var m mat.Dense
	m.Product(out.White, c1, out.White.T())
	out.Cov = mat.NewSymDense(n, nil)
	for i := range n {
		for k := range i + 1 {
			out.Cov.SetSym(i, k, (m.At(i, k)+m.At(k, i))/2)
		}
	}
	return out, nil
}

// ChiSquare is of the difference, whose covariance is 1 − Cov, in the directions
// about which the job knows more than the file.
func (w *WhitenedFit) ChiSquare() (chi2 float64, directions int) {
	cov := mat.NewSymDense(w.Cov.SymmetricDim(), nil)
	for i := range cov.SymmetricDim() {
		for k := range i {
			cov.SetSym(i, k, -w.Cov.At(i, k))
		}
		cov.SetSym(i, i, 1-w.Cov.At(i, i))
	}
	return chiSquareIn(w.Diff, cov, leastTold)
}

// triangle writes the lower triangle of a covariance for files, a row a string;
// digits -1 for all of them.
func triangle(cov mat.Symmetric, digits int) (out []string) {
	for r := range cov.SymmetricDim() {
		var line []string
		for k := range r + 1 {
			line = append(line, strconv.FormatFloat(cov.At(r, k), 'g', digits, 64))
		}
		out = append(out, strings.Join(line, " "))
	}
	return out
}

// symmetric reads what triangle wrote.
func symmetric(lines []string, n int) (*mat.SymDense, error) {
	if len(lines) != n {
		return nil, fmt.Errorf("its covariance has %d rows for %d numbers", len(lines), n)
	}
	cov := mat.NewSymDense(n, nil)
	for r, line := range lines {
		fields := strings.Fields(line)
		if len(fields) != r+1 {
			return nil, fmt.Errorf("row %d of its covariance has %d numbers", r+1, len(fields))
		}
		for k, f := range fields {
			v, err := strconv.ParseFloat(f, 64)
			if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
				return nil, fmt.Errorf("row %d of its covariance holds %q, which is no number", r+1, f)
			}
			cov.SetSym(r, k, v)
		}
	}
	return cov, nil
}
