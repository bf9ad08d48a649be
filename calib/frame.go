package calib

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"wheelplane/vision"
)

// FrameMap holds a figure for each cell of a grid over the frame.
type FrameMap struct {
	NX, NY int
	CellPx [2]float64 // width and height of a cell
	Values []float64  // row by row from the top left
}

// At returns the value of column i and row j.
func (f *FrameMap) At(i, j int) float64 { return f.Values[j*f.NX+i] }

// Centre returns the pixel in the middle of column i and row j.
func (f *FrameMap) Centre(i, j int) [2]float64 {
	return [2]float64{(float64(i)+0.5)*f.CellPx[0] - 0.5, (float64(j)+0.5)*f.CellPx[1] - 0.5}
}

// LeftUncertain tells what the camera's covariance means in the picture: the
// standard uncertainty, per coordinate and in pixels, of where a known
// direction is seen, for each cell of the frame. A turn of the whole camera is
// taken out, for no measurement notices it: a principal point that is wrong
// together with the pose does no harm. It is nil without covariance.
func LeftUncertain(c *vision.Camera) *FrameMap {
	if c.Cov == nil {
		return nil
	}
	f := &FrameMap{}
	long := float64(max(c.Width, c.Height))
	cell := long / 24
	f.NX, f.NY = int(math.Ceil(float64(c.Width)/cell-1e-9)), int(math.Ceil(float64(c.Height)/cell-1e-9))
	f.CellPx = [2]float64{float64(c.Width) / float64(f.NX), float64(c.Height) / float64(f.NY)}
	f.Values = make([]float64, f.NX*f.NY)

	n := f.NX * f.NY
	jac := mat.NewDense(2*n, vision.NumIntrinsics, nil)
	turn := mat.NewDense(2*n, 3, nil)
	bad := make([]bool, n)
	for j := range f.NY {
		for i := range f.NX {
			k := j*f.NX + i
			xy, ok := c.Ray(f.Centre(i, j))
			_, dPoint, dK, fine := c.ProjectJacobian([3]float64{xy[0], xy[1], 1})
			if !ok || !fine {
				bad[k] = true
				continue
			}
			for r := range 2 {
				jac.SetRow(2*k+r, dK[r][:])
				// d(ω × p)
				d := dPoint[r]
				turn.SetRow(2*k+r, []float64{
					d[2]*xy[1] - d[1],
					d[0] - d[2]*xy[0],
					d[1]*xy[0] - d[0]*xy[1],
				})
			}
		}
	}
	var coef, taken mat.Dense
	if err := coef.Solve(turn, jac); err == nil {
		taken.Mul(turn, &coef)
		jac.Sub(jac, &taken)
	}
	cov := mat.NewDense(vision.NumIntrinsics, vision.NumIntrinsics, nil)
	for a := range c.Cov {
		cov.SetRow(a, c.Cov[a][:])
	}
	for k := range f.Values {
		if bad[k] {
			f.Values[k] = math.NaN()
			continue
		}
		var v float64
		for r := range 2 {
			row := jac.RowView(2*k + r)
			v += mat.Inner(row, cov, row) / 2
		}
		f.Values[k] = math.Sqrt(math.Max(0, v))
	}
	return f
}

// Middle returns the value in the frame's middle and Worst the largest one;
// NaN where some cell has none.
func (f *FrameMap) Middle() float64 { return f.At(f.NX/2, f.NY/2) }

// Worst returns the largest value, NaN if a cell has none.
func (f *FrameMap) Worst() float64 {
	worst := 0.0
	for _, v := range f.Values {
		if math.IsNaN(v) {
			return v
		}
		worst = math.Max(worst, v)
	}
	return worst
}
