package plan_test

import (
	"flag"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"wheelplane/pose/rig"
	"wheelplane/vision"

	"gonum.org/v1/gonum/mat"
)

var jobsWithPhotos = flag.String("photos", "", "comma-separated folders of rendered jobs: tell how well the detector states the boards in their photographs, by size and obliquity")

// effective is the standard deviation of independent corners that would fix
// the eight degrees of freedom of a view's board in the picture as well as the
// view states it fixes them: the geometric mean over them, px.
func effective(b *vision.Board, v *vision.View) (sigma, spread float64, ok bool) {
	n := len(v.Corners)
	a := mat.NewDense(2*n, 8, nil)
	y := mat.NewVecDense(2*n, nil)
	var at [][2]float64
	for _, c := range v.Corners {
		p := b.Corner(c.Index)
		at = append(at, [2]float64{p[0] / b.SquareM / 3, p[1] / b.SquareM / 3})
	}
	for i, c := range v.Corners {
		for k := range 2 {
			row := make([]float64, 8)
			row[3*k], row[3*k+1], row[3*k+2] = at[i][0], at[i][1], 1
			row[6], row[7] = -c.Px[k]*at[i][0], -c.Px[k]*at[i][1]
			a.SetRow(2*i+k, row)
			y.SetVec(2*i+k, c.Px[k])
		}
	}
	var h mat.VecDense
	if h.SolveVec(a, y) != nil {
		return
	}
	j := mat.NewDense(2*n, 8, nil)
	for i := range v.Corners {
		x, yy := at[i][0], at[i][1]
		w := h.AtVec(6)*x + h.AtVec(7)*yy + 1
		u := [2]float64{(h.AtVec(0)*x + h.AtVec(1)*yy + h.AtVec(2)) / w, (h.AtVec(3)*x + h.AtVec(4)*yy + h.AtVec(5)) / w}
		for k := range 2 {
			row := make([]float64, 8)
			row[3*k], row[3*k+1], row[3*k+2] = x/w, yy/w, 1/w
			row[6], row[7] = -u[k]*x/w, -u[k]*yy/w
			j.SetRow(2*i+k, row)
		}
	}
	rj := j
	if v.Joint != nil {
		r := mat.NewDense(len(v.Joint.Rows), 2*n, nil)
		for i, row := range v.Joint.Rows {
			r.SetRow(i, row)
		}
		rj = new(mat.Dense)
		rj.Mul(r, j)
	}
	var full, unit mat.SymDense
	full.SymOuterK(1, rj.T())
	unit.SymOuterK(1, j.T())
	var c mat.Cholesky
	if !c.Factorize(&unit) {
		return
	}
	var l mat.TriDense
	c.LTo(&l)
	var li mat.Dense
	if li.Inverse(&l) != nil {
		return
	}
	var t, w mat.Dense
	t.Mul(&li, &full)
	w.Mul(&t, li.T())
	s := mat.NewSymDense(8, nil)
	for i := range 8 {
		for k := i; k < 8; k++ {
			s.SetSym(i, k, w.At(i, k))
		}
	}
	var e mat.EigenSym
	if !e.Factorize(s, false) {
		return
	}
	v8 := e.Values(nil)
	log := 0.0
	for _, x := range v8 {
		log += math.Log(x)
	}
	return math.Exp(-log / 16), math.Sqrt(v8[7] / v8[0]), true
}

// The numbers of plan.Detector: how it was measured, for whoever measures it
// again.
func TestDetectorMeasured(t *testing.T) {
	if *jobsWithPhotos == "" {
		t.Skip("no -photos given")
	}
	type row struct{ size, oblique, blur, sigma, spread, lack float64 }
	for _, dir := range strings.Split(*jobsWithPhotos, ",") {
		var rows []row
		f, err := rig.Open(dir)
		if err != nil {
			t.Fatal(err)
		}
		cam, err := vision.LoadCamera(f.Camera)
		if err != nil {
			t.Fatal(err)
		}
		for p, photo := range f.Job.Photos {
			if p%4 != 0 {
				continue
			}
			img, err := vision.Load(filepath.Join(dir, photo.Path))
			if err != nil {
				t.Fatal(err)
			}
			res, err := vision.Detect(img.Pix, f.Job.Boards, vision.DetectOptions{Camera: cam})
			img.Release()
			if err != nil {
				t.Fatal(err)
			}
			for i := range res.Views {
				v := &res.Views[i]
				if len(v.Corners) < 20 {
					continue
				}
				if s, spread, ok := effective(&f.Job.Boards[v.Board], v); ok {
					lack := 0.0
					if v.Joint != nil {
						lack = v.Joint.LackOfFit
					}
					rows = append(rows, row{v.SquarePx, v.Obliquity * 180 / math.Pi, v.BlurPx, s, spread, lack})
				}
			}
		}
		slices.SortFunc(rows, func(a, b row) int { return int(1e3 * (a.size - b.size)) })
		fmt.Println(dir)
		for _, r := range rows {
			fmt.Printf("size %5.1f oblique %4.0f blur %.2f sigma %.4f spread %.2f lack %.2f  sigma*size*sqrt(cos)/blur^1.5 %.4f\n", r.size, r.oblique, r.blur, r.sigma, r.spread, r.lack, r.sigma*r.size/math.Pow(r.blur, 1.5))
		}
	}
}
