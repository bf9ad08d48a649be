package calib

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"

	"wheelplane/vision"
)

// FrameMap holds a figure for each cell of a grid over the frame.
type FrameMap struct {
	NX, NY int
	CellPx [2]float64 // width and height of a cell
	Values []float64  // row by row from the top left; NaN where the lens model has no inverse
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
// together with the pose does no harm. The turn is the one that fits best where
// the lens is known well. It is nil without covariance.
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
	cov := mat.NewDense(vision.NumIntrinsics, vision.NumIntrinsics, nil)
	for a := range c.Cov {
		cov.SetRow(a, c.Cov[a][:])
	}
	weight := make([]float64, n)
	for k := range weight {
		weight[k] = 1
	}
	for range 4 {
		// Rows times the root of their weight; weights are 1/variance next time.
		wTurn, wJac := mat.DenseCopyOf(turn), mat.DenseCopyOf(jac)
		for row := range 2 * n {
			w := math.Sqrt(weight[row/2])
			floats.Scale(w, wTurn.RawRowView(row))
			floats.Scale(w, wJac.RawRowView(row))
		}
		var coef, left mat.Dense
		if err := coef.Solve(wTurn, wJac); err != nil {
			return nil
		}
		left.Mul(turn, &coef)
		left.Sub(jac, &left)
		for k := range f.Values {
			if bad[k] {
				f.Values[k], weight[k] = math.NaN(), 0
				continue
			}
			var v float64
			for r := range 2 {
				row := left.RowView(2*k + r)
				v += mat.Inner(row, cov, row) / 2
			}
			f.Values[k] = math.Sqrt(math.Max(0, v))
			weight[k] = 1 / math.Max(v, 1e-12)
		}
	}
	return f
}

// Median returns the value that half of the cells do not exceed.
func (f *FrameMap) Median() float64 {
	var v []float64
	for _, x := range f.Values {
		if !math.IsNaN(x) {
			v = append(v, x)
		}
	}
	if len(v) == 0 {
		return math.NaN()
	}
	slices.Sort(v)
	return v[(len(v)-1)/2]
}

// Largest returns the largest value of the cells that have one.
func (f *FrameMap) Largest() float64 {
	largest := 0.0
	for _, v := range f.Values {
		if v > largest { // false for NaN
			largest = v
		}
	}
	return largest
}
