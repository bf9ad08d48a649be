package plan

import (
	"wheelplane/pose"
	"wheelplane/pose/bundle"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"gonum.org/v1/gonum/mat"
)

// PickOptions steer [Pick].
type PickOptions struct {
	Most  int     // photographs
	Apart float64 // least distance between places from which two see a board, m
}

// Fate is what became of a photograph that could be chosen.
type Fate int

const (
	Picked    Fate = iota
	TooFew         // it shows fewer than two boards: it ties nothing
	SamePlace      // one that was chosen was taken from the same place
	NotNeeded      // others say more
)

// Pick picks, of many photographs of one station such as a film's frames, those
// that tell most of how the boards lie to each other, and says of each what became
// of it. Of the observations the corners count, with their covariances.
//
// Each step takes the photograph that adds most to the logarithm of the determinant
// of the information about all boards' places together, its own place being unknown
// (D-optimal design, greedily). A board's place is a step from where it is, in its
// own frame, so nothing but each photograph by itself is needed to work it out, and
// any part of a station will do.
func Pick(camera *vision.Camera, boards []vision.Board, obs []rig.Observation, photos int, o PickOptions) []Fate {
	c := &picker{camera: camera, boards: boards, places: make([]map[int]pose.Vec, photos)}
	c.rows, c.cols = make([]*mat.Dense, photos), make([][]int32, photos)
	of := make([][]rig.Observation, photos)
	for _, ob := range obs {
		of[ob.Photo] = append(of[ob.Photo], ob)
	}
	out := make([]Fate, photos)
	for p := range out {
		out[p] = NotNeeded
		if c.look(p, of[p]); c.rows[p] == nil {
			out[p] = TooFew
		}
	}
	n := 6 * len(boards)
	c.c = mat.NewSymDense(n, nil)
	for i := range n {
		// What the eye knows of a board's place: a tenth of a radian and 0.3 m.
		u := 0.1
		if i%6 >= 3 {
			u = 0.3
		}
		c.c.SetSym(i, i, u*u)
	}
	for range o.Most {
		best, most := -1, 0.0
		for p, is := range out {
			if is != NotNeeded {
				continue
			}
			if g := c.gain(p); g > most {
				best, most = p, g
			}
		}
		if best < 0 {
			break
		}
		out[best] = Picked
		c.update(best, 1)
		for p, is := range out {
			if is == NotNeeded && c.together(p, best, o.Apart) {
				out[p] = SamePlace
			}
		}
	}
	return out
}

type picker struct {
	camera *vision.Camera
	boards []vision.Board
	places []map[int]pose.Vec // by photo and board: the camera in the board's frame
	shares
}

// look works out what a photograph says; nothing unless it shows two boards.
func (c *picker) look(p int, views []rig.Observation) {
	c.places[p] = map[int]pose.Vec{}
	if len(views) < 2 {
		return
	}
	const eye = 6 // the camera's own step comes first
	n := eye + 6*len(views)
	h := mat.NewSymDense(n, nil)
	row := make([]float64, n)
	for k, v := range views {
		t, ok := rig.BoardPose(c.camera, &c.boards[v.Board], v.Corners)
		if !ok {
			return
		}
		c.places[p][v.Board] = t.Inverse().T
		for i := range 6 {
			c.cols[p] = append(c.cols[p], int32(6*v.Board+i))
		}
		for _, corner := range v.Corners {
			b := pose.Vec(c.boards[v.Board].Corner(corner.Index))
			x := t.Apply(b)
			var px [2]float64
			var d [2][3]float64
			if !c.camera.ProjectTo((*[3]float64)(&x), &px, &d, nil, 0) {
				continue
			}
			w := rig.Whiten(corner.Cov)
			for _, g := range []pose.Vec{pose.Scale(w[0], d[0]), pose.Add(pose.Scale(w[1], d[0]), pose.Scale(w[2], d[1]))} {
				clear(row)
				turn, inBoard := pose.Cross(x, g), t.R.Transpose().Apply(g)
				boardTurn := pose.Cross(b, inBoard)
				copy(row, turn[:])
				copy(row[3:], g[:])
				copy(row[eye+6*k:], boardTurn[:])
				copy(row[eye+6*k+3:], inBoard[:])
				h.SymRankOne(h, 1, mat.NewVecDense(n, row))
			}
		}
	}
	// The camera's place is unknown: eliminate it.
	var chol mat.Cholesky
	if !chol.Factorize(h.SliceSym(0, eye)) {
		return
	}
	m := n - eye
	cross := mat.NewDense(eye, m, nil)
	for i := range eye {
		for j := range m {
			cross.Set(i, j, h.At(i, eye+j))
		}
	}
	var solved, gone mat.Dense
	if chol.SolveTo(&solved, cross) != nil {
		return
	}
	gone.Mul(cross.T(), &solved)
	left := mat.NewSymDense(m, nil)
	for i := range m {
		for j := i; j < m; j++ {
			left.SetSym(i, j, h.At(eye+i, eye+j)-gone.At(i, j))
		}
	}
	c.rows[p] = bundle.Rows(left)
}

// gain is what a photograph adds to the logarithm of the determinant.
func (c *picker) gain(p int) float64 {
	inner, ok := c.factor(c.rows[p], c.cols[p], 1)
	if !ok {
		return 0
	}
	return inner.LogDet()
}

// together tells whether two photographs see a board from the same place.
func (c *picker) together(p, q int, apart float64) bool {
	for b, at := range c.places[p] {
		if other, both := c.places[q][b]; both && pose.Norm(pose.Sub(at, other)) < apart {
			return true
		}
	}
	return false
}
