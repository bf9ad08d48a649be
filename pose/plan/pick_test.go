package plan

import (
	"math"
	"math/rand/v2"
	"testing"

	"wheelplane/pose"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"gonum.org/v1/gonum/mat"
)

// ring is boards on the ground in a ring, and photographs of it, each from where it
// shows some of them.
func ring(places []float64, sigma float64) (vision.Camera, []vision.Board, []rig.Observation, []pose.SE3) {
	camera := vision.Camera{Width: 1920, Height: 1080, FX: 1400, FY: 1400, CX: 959.5, CY: 539.5}
	var boards []vision.Board
	var at []pose.SE3
	for k := range 10 {
		b := vision.Board{Dictionary: "36h11", Cols: 7, Rows: 5, SquareM: 0.055, MarkerM: 0.041, ScaleX: 1, ScaleY: 1}
		boards = append(boards, b)
		a := 2 * math.Pi * float64(k) / 10
		at = append(at, pose.SE3{R: pose.RotZ(a + 0.3).Mul(pose.RotX(0.1 * float64(k%3))), T: pose.Vec{2.5 * math.Cos(a), 2.5 * math.Sin(a), 0}})
	}
	var obs []rig.Observation
	for p, a := range places {
		eye, aim := pose.Vec{5 * math.Cos(a), 5 * math.Sin(a), 1.6}, pose.Vec{2.5 * math.Cos(a), 2.5 * math.Sin(a), 0}
		t := lookAt(eye, aim, false)
		for b := range boards {
			o := rig.Observation{Photo: p, Board: b}
			for c := range boards[b].NumCorners() {
				px, ok := camera.Project(t.Mul(at[b]).Apply(pose.Vec(boards[b].Corner(c))))
				if ok && px[0] > 0 && px[1] > 0 && px[0] < 1919 && px[1] < 1079 {
					o.Corners = append(o.Corners, vision.Corner{Index: c, Px: px, Cov: [3]float64{sigma * sigma, 0, sigma * sigma}})
				}
			}
			if len(o.Corners) == boards[b].NumCorners() {
				obs = append(obs, o)
			}
		}
	}
	return camera, boards, obs, at
}

// TestPickInformation: what a photograph is taken to say of two boards is what it
// says: the place of one against the other, from corners drawn with noise, each
// board's pose by itself (which is all of the likelihood when the photograph's own
// place is free).
func TestPickInformation(t *testing.T) {
	camera, boards, obs, _ := ring([]float64{0.3}, 0.05)
	if len(obs) < 2 {
		t.Fatalf("%d boards in view", len(obs))
	}
	obs = obs[:2]
	c := &picker{camera: &camera, boards: boards, places: make([]map[int]pose.Vec, 1)}
	c.rows, c.cols = make([]*mat.Dense, 1), make([][]int32, 1)
	c.look(0, obs)
	var h mat.Dense
	h.Mul(c.rows[0].T(), c.rows[0])
	second := mat.NewSymDense(6, nil)
	for i := range 6 {
		for j := i; j < 6; j++ {
			second.SetSym(i, j, h.At(6+i, 6+j))
		}
	}
	var chol mat.Cholesky
	var cov mat.SymDense
	if !chol.Factorize(second) || chol.InverseTo(&cov) != nil {
		t.Fatal("one photograph does not fix two boards against each other")
	}
	r := rand.New(rand.NewPCG(4, 5))
	truth := func() pose.SE3 {
		a, _ := rig.BoardPose(&camera, &boards[obs[0].Board], obs[0].Corners)
		b, _ := rig.BoardPose(&camera, &boards[obs[1].Board], obs[1].Corners)
		return a.Inverse().Mul(b)
	}
	exact := truth()
	var square [6]float64
	const n = 600
	clean := [2][]vision.Corner{obs[0].Corners, obs[1].Corners}
	for range n {
		for k := range 2 {
			obs[k].Corners = append([]vision.Corner(nil), clean[k]...)
			for i := range obs[k].Corners {
				obs[k].Corners[i].Px[0] += 0.05 * r.NormFloat64()
				obs[k].Corners[i].Px[1] += 0.05 * r.NormFloat64()
			}
		}
		// A step in the second board's own frame: exact⁻¹·found.
		d := exact.Inverse().Mul(truth())
		w := d.R.Log()
		for i := range 3 {
			square[i] += w[i] * w[i] / n
			square[3+i] += d.T[i] * d.T[i] / n
		}
	}
	for i := range 6 {
		if ratio := square[i] / cov.At(i, i); math.Abs(ratio-1) > 0.25 { // a variance of 600 is good to 6 %
			t.Errorf("step %d: variance %.3g, foretold %.3g", i, square[i], cov.At(i, i))
		}
	}
}

// TestPick: a walk around the ring with many photographs from nearly the same
// places; few are chosen, of every part, none from a place twice.
func TestPick(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 7))
	var places []float64
	for k := range 12 {
		for range 5 {
			places = append(places, 2*math.Pi*float64(k)/12+0.004*r.NormFloat64())
		}
	}
	camera, boards, obs, _ := ring(places, 0.02)
	// The third of each five is blurred: its corners are ten times worse.
	for i := range obs {
		if obs[i].Photo%5 == 2 {
			for k := range obs[i].Corners {
				for j := range obs[i].Corners[k].Cov {
					obs[i].Corners[k].Cov[j] *= 100
				}
			}
		}
	}
	count := func(most int) (n, blurred int, seen map[int]int) {
		seen = map[int]int{}
		choice := Pick(&camera, boards, obs, len(places), PickOptions{Most: most, Apart: 0.2})
		took := map[int]bool{}
		for p, c := range choice {
			if c == Picked {
				n++
				if p%5 == 2 {
					blurred++
				}
				if took[p/5] {
					t.Errorf("two of place %d", p/5)
				}
				took[p/5] = true
			}
		}
		for _, o := range obs {
			if choice[o.Photo] == Picked {
				seen[o.Board]++
			}
		}
		return n, blurred, seen
	}
	if n, blurred, seen := count(100); n != 12 || blurred > 0 || len(seen) != 10 {
		t.Errorf("of twelve places %d are chosen, %d blurred, showing %d boards of ten", n, blurred, len(seen))
	}
	n, _, seen := count(5)
	if n != 5 || len(seen) != 10 {
		t.Errorf("%d photographs show %d boards of ten", n, len(seen))
	}
	alone := Pick(&camera, boards, obs[:1], 1, PickOptions{Most: 3})
	if alone[0] != TooFew {
		t.Errorf("a photograph of one board: %v", alone)
	}
}
