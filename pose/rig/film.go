package rig

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"

	"wheelplane/pose/bundle"
	"wheelplane/vision"

	"gonum.org/v1/gonum/mat"
)

// A film's codec draws a frame from pieces of the frames before, moved by steps of a
// quarter or half of a pixel, and leaves out what then differs by little. A board
// moves as one, so that in a frame it lies off as a whole, by hundredths of a pixel,
// many times what its corners are uncertain by beside each other: no residual within
// the board shows it. Other boards of the frame lie off otherwise, and so does the
// same board in the next frame (measured: DEVELOPERS.md, Films). How far, the
// measurement itself tells, for its boards do not fit together by as much.

// framePattern is a frame's file name: that of its film, and its number.
var framePattern = regexp.MustCompile(`^(.+)-\d{6,}\.png$`)

// FramePath is where a film's frame goes in a folder, with slashes.
func FramePath(folder, film string, frame int) string {
	return fmt.Sprintf("%s/%s-%06d.png", folder, film, frame)
}

// isFrame tells whether a picture is a film's frame: the list of what was taken from
// the film lies beside it.
func isFrame(path string) bool {
	m := framePattern.FindStringSubmatch(filepath.Base(path))
	if m == nil {
		return false
	}
	_, err := os.Stat(filepath.Join(filepath.Dir(path), m[1]+".json"))
	return err == nil
}

// codecNoise is how far off a codec draws boards: two variances, px².
type codecNoise [2]float64

const (
	codecShift = iota // of the whole board, in each coordinate
	codecWarp         // of its edges against its middle, for each way of warping
)

// usualCodec is where the estimate sets out: what H.264 does at half a megabit a
// full HD frame (measured), a little less.
var usualCodec = codecNoise{0.02 * 0.02, 0.01 * 0.01}

// leastCodec is so little that no corner is as certain.
var leastCodec = codecNoise{1e-4 * 1e-4, 1e-4 * 1e-4}

// codecModes is how many displacements of a board are told apart: 2 shifts, 4 of the
// first degree, 2 of perspective.
const codecModes = 8

// perspectiveShare is how large the last two are beside those of the first degree.
const perspectiveShare = 0.6

// codecBasis is 2n × codecModes: how each displacement moves n corners, by 1 at the
// board's edge.
func codecBasis(b *vision.Board, corners []vision.Corner) *mat.Dense {
	w, h := b.Size()
	m := mat.NewDense(2*len(corners), codecModes, nil)
	for i, c := range corners {
		p := b.Corner(c.Index)
		x, y := 2*p[0]/w, 2*p[1]/h
		const s = perspectiveShare
		m.SetRow(2*i, []float64{1, 0, x, 0, y, 0, s * x * x, s * x * y})
		m.SetRow(2*i+1, []float64{0, 1, 0, x, 0, y, s * x * y, s * y * y})
	}
	return m
}

// codecKind is which of the two variances a mode has.
func codecKind(mode int) int {
	if mode < 2 {
		return codecShift
	}
	return codecWarp
}

// drawnOff returns the observation with the covariance of a codec's displacements
// added. more may be less than 0, to take some back.
func (o Observation) drawnOff(b *vision.Board, more codecNoise) Observation {
	r, n := len(o.Joint.Rows), 2*len(o.Corners)
	rows := mat.NewDense(r, n, nil)
	for i, row := range o.Joint.Rows {
		rows.SetRow(i, row)
	}
	var seen mat.Dense
	seen.Mul(rows, codecBasis(b, o.Corners))
	cov := mat.NewSymDense(r, nil)
	for i := range r {
		cov.SetSym(i, i, 1)
	}
	for k := range codecModes {
		cov.SymRankOne(cov, more[codecKind(k)], seen.ColView(k))
	}
	var chol mat.Cholesky
	if !chol.Factorize(cov) {
		return o
	}
	var l mat.TriDense
	chol.LTo(&l)
	var white mat.Dense
	if l.SolveTo(&white, false, rows) != nil {
		return o
	}
	joint := *o.Joint
	joint.Rows = make([][]float64, r)
	for i := range joint.Rows {
		joint.Rows[i] = white.RawRowView(i)
	}
	o.Joint = &joint
	return o
}

// drawOff adds to what the corners of all frames are uncertain by.
func (f *fitting) drawOff(more codecNoise) {
	f.obs = slices.Clone(f.obs)
	for v, o := range f.obs {
		if f.job.Photos[o.Photo].Film && o.Joint != nil {
			f.obs[v] = o.drawnOff(&f.job.Boards[o.Board], more)
		}
	}
	for k := range f.codec {
		f.codec[k] += more[k]
	}
}

// coarsen makes the corners of each frame's boards as uncertain as they are beside
// each other: a codec draws one board more coarsely than another, by how much is free
// to it. Beyond the ways in which the codec and the unknowns may move a board whole,
// nothing is left of a board's residuals but this. stated are the observations as
// detection has them, which the last fit is of but for the codec.
func (f *fitting) coarsen(stated []Observation) {
	f.obs, f.codec = slices.Clone(stated), codecNoise{}
	for v, part := range f.net.views {
		o := stated[v]
		if part.id < 0 || o.Joint == nil || !f.job.Photos[o.Photo].Film {
			continue
		}
		r, n := len(o.Joint.Rows), 2*len(o.Corners)
		off, ok := f.net.offsets(part)
		if spare := r - codecModes; !ok || spare < coarseLeast {
			continue
		}
		rows, e := mat.NewDense(r, n, nil), mat.NewVecDense(r, nil)
		for i, row := range o.Joint.Rows {
			rows.SetRow(i, row)
			for c, d := range off {
				e.SetVec(i, e.AtVec(i)+row[2*c]*d[0]+row[2*c+1]*d[1])
			}
		}
		var seen mat.Dense
		var qr mat.QR
		var amount, along mat.VecDense
		seen.Mul(rows, codecBasis(&f.job.Boards[o.Board], o.Corners))
		qr.Factorize(&seen)
		if err := qr.SolveVecTo(&amount, false, e); err != nil {
			continue
		}
		along.MulVec(&seen, &amount)
		e.SubVec(e, &along)
		f.obs[v].weigh((mat.Dot(e, e) + coarseLeast) / float64(r-codecModes+coarseLeast))
	}
}

// coarseLeast is how many rows beyond a board's whole displacements tell how coarsely
// it is drawn, at least, and how many more say that it is drawn as usual.
const coarseLeast = 4

// films tells whether any photo is a film's frame.
func (j *Job) films() bool {
	for _, p := range j.Photos {
		if p.Film {
			return true
		}
	}
	return false
}

// codecSteps of the estimate, each with a fit, take it from far off to some percent.
const codecSteps = 4

// weighCodec finds how far the codec drew boards off, from the last fit on, and
// counts it among what their corners are uncertain by. again fits anew.
func (f *fitting) weighCodec(again func() error) error {
	for range codecSteps {
		next, ok, err := f.codecStep()
		if err != nil || !ok {
			return err
		}
		more, far := codecNoise{}, false
		for k := range more {
			more[k] = next[k] - f.codec[k]
			far = far || math.Abs(more[k]) > 0.1*f.codec[k]
		}
		f.drawOff(more)
		if err := again(); err != nil || !far {
			return err
		}
	}
	return nil
}

// codecStep is a step towards the most likely variances, restricted to what the
// unknowns leave (Patterson and Thompson 1971): where residuals r of covariance 1
// hold what G brings of a component, rᵀGGᵀr is on average the trace of Gᵀ(1 − H)G, H
// the share that the unknowns follow. What is more than that makes the component
// larger. ok is false where nothing is to be learnt.
func (f *fitting) codecStep() (next codecNoise, ok bool, err error) {
	cov, err := f.net.p.Covariance()
	if err != nil {
		return next, false, solveError(err)
	}
	var found, wanted codecNoise
	for v, part := range f.net.views {
		o := f.obs[v]
		if part.id < 0 || o.Joint == nil || !f.job.Photos[o.Photo].Film {
			continue
		}
		e, jac, blocks, defined := f.net.linear(part)
		sum := 0.0
		for _, x := range e {
			sum += x * x
		}
		// A board that moved is not the codec's.
		if !defined || sum > chiSquared(len(e), codecRare) {
			continue
		}
		var g, t, left mat.Dense
		g.Mul(mat.NewDense(len(e), 2*len(o.Corners), part.f.rows), codecBasis(&f.job.Boards[o.Board], o.Corners))
		t.Mul(jac.T(), &g)
		left.Mul(cov.Joint(blocks), &t)
		for k := range codecModes {
			gk, lk := g.ColView(k), left.ColView(k)
			along := mat.Dot(mat.NewVecDense(len(e), e), gk)
			found[codecKind(k)] += along * along
			wanted[codecKind(k)] += math.Max(0, mat.Dot(gk, gk)-mat.Dot(t.ColView(k), lk))
		}
	}
	next = f.codec
	for k := range next {
		if !(wanted[k] > 0) {
			return next, false, nil
		}
		// No further at once than what is far off may be trusted.
		next[k] = math.Max(leastCodec[k], next[k]*math.Min(10, found[k]/wanted[k]))
	}
	return next, true, nil
}

// codecRare is how rarely a sound board is left out of the estimate.
const codecRare = 1e-4

// linear are a view's whitened rows at the current values, and their derivatives by
// the steps of its blocks, one after the other.
func (n *network) linear(v view) (e []float64, jac *mat.Dense, blocks []bundle.BlockID, ok bool) {
	e = make([]float64, v.f.dim())
	var x, parts [][]float64
	width := 0
	for _, b := range v.blocks {
		x = append(x, n.p.Value(b))
		parts = append(parts, make([]float64, len(e)*n.p.Dim(b)))
		width += n.p.Dim(b)
	}
	ok = v.f.Eval(x, e, parts)
	jac = mat.NewDense(len(e), width, nil)
	at := 0
	for k, b := range v.blocks {
		d := n.p.Dim(b)
		for i := range e {
			copy(jac.RawRowView(i)[at:at+d], parts[k][i*d:(i+1)*d])
		}
		at += d
	}
	return e, jac, v.blocks, ok
}
