package rig

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"wheelplane/pose"
	"wheelplane/pose/bundle"
	"wheelplane/vision"
)

func testBoard() *vision.Board {
	return &vision.Board{Name: "T", Dictionary: "36h11", Cols: 7, Rows: 5, SquareM: 0.055, MarkerM: 0.041, ScaleX: 1.001, ScaleY: 0.998}
}

func testCamera() []float64 {
	return []float64{2900, 2910, 2003, 1497, 0.07, -0.14, 0.0006, -0.0004, 0.08, 0.03, -0.02, 0.01, 3e-4, -2e-4, 5e-4, 1e-4}
}

func someCorners(r *rand.Rand, n int) []vision.Corner {
	var out []vision.Corner
	for i := range n {
		sx, sy := 0.02+0.03*r.Float64(), 0.02+0.03*r.Float64()
		out = append(out, vision.Corner{Index: 2 * i, Px: [2]float64{3000 * r.Float64(), 2000 * r.Float64()}, Cov: [3]float64{sx * sx, 0.5 * sx * sy, sy * sy}})
	}
	return out
}

func nudge(r *rand.Rand, t pose.SE3, s float64) pose.SE3 {
	var d [6]float64
	for i := range d {
		d[i] = s * r.NormFloat64()
	}
	return t.Plus(d)
}

// someJoint is a full set of rows for n corners.
func someJoint(r *rand.Rand, n, rows int) *vision.Joint {
	j := &vision.Joint{LackOfFit: 1}
	for range rows {
		row := make([]float64, 2*n)
		for k := range row {
			row[k] = 20 * r.NormFloat64()
		}
		j.Rows = append(j.Rows, row)
	}
	return j
}

// The chain's derivatives against central differences, at a place where no two
// values are equal and residuals are far from zero: for every chain there is, with
// corners by themselves and together, with and without a shape, a wander and a drift.
func TestBoardViewJacobian(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	cameraFromFloor := nudge(r, pose.SE3{R: pose.RotX(-math.Pi / 2).Transpose(), T: pose.Vec{0.3, 1.1, 3}}, 0.05)
	cameraFromFloor.R = pose.FromColumns(pose.Vec{-1, 0, 0}, pose.Vec{0, 0, -1}, pose.Vec{0, -1, 0}).Orthonormal()
	cameraFromFloor = nudge(r, cameraFromFloor, 0.05)
	hub := nudge(r, pose.SE3{R: pose.IdentityRotation(), T: pose.Vec{0.2, 0.9, 0.5}}, 0.03)
	for _, chain := range []struct {
		name  string
		links []linkKind
		x     [][]float64
		m     []bundle.Manifold
	}{
		{
			"on a wheel", []linkKind{poseLink, hubLink, spinLink, poseLink},
			[][]float64{bundle.PoseValue(nudge(r, pose.Identity(), 0.05)), bundle.PoseValue(hub), {0.47}, bundle.PoseValue(nudge(r, squareHang(0.25), 0.03))},
			[]bundle.Manifold{bundle.PoseManifold, hubManifold{}, bundle.Euclidean(1), bundle.PoseManifold},
		},
		{
			"on a swept wheel", []linkKind{poseLink, steerLink, hubLink, spinLink, poseLink},
			[][]float64{
				bundle.PoseValue(nudge(r, pose.Identity(), 0.05)),
				bundle.PoseValue(nudge(r, pose.SE3{R: pose.IdentityRotation(), T: pose.Vec{0.2, 0.8, 0.5}}, 0.1)), {0.31},
				bundle.PoseValue(hub), {0.47}, bundle.PoseValue(nudge(r, squareHang(0.25), 0.03)),
			},
			[]bundle.Manifold{bundle.PoseManifold, lineManifold{}, bundle.Euclidean(1), hubManifold{}, bundle.Euclidean(1), bundle.PoseManifold},
		},
		{
			"on the floor", []linkKind{poseLink},
			[][]float64{bundle.PoseValue(nudge(r, pose.SE3{R: pose.RotZ(0.7), T: pose.Vec{0.3, 1.2, 0.003}}, 0.02))},
			[]bundle.Manifold{bundle.PoseManifold},
		},
	} {
		for kind := range 16 {
			o := Observation{Corners: someCorners(r, 9)}
			if kind&1 > 0 {
				o.Joint = someJoint(r, 9, 11)
			}
			links, x, m := []linkKind{poseLink}, [][]float64{bundle.PoseValue(cameraFromFloor)}, []bundle.Manifold{bundle.PoseManifold}
			if kind&2 > 0 {
				links, m = []linkKind{photoLink}, []bundle.Manifold{photoManifold}
				x[0] = append(x[0], 0.013, 2.1, -3.3)
			}
			if kind&8 > 0 { // far more than any hand
				links, m = []linkKind{rollLink}, []bundle.Manifold{rollManifold}
				x[0] = append(append(x[0][:bundle.PoseSize:bundle.PoseSize], 0.013, 2.1, -3.3), 0.03, -0.05, 0.04, 0.02, 0.03, -0.06)
			}
			links, x, m = append(links, chain.links...), append(x, chain.x...), append(m, chain.m...)
			x, m = append(x, testCamera(), []float64{1.0007, 0.9991}), append(m, bundle.Euclidean(vision.NumIntrinsics), bundle.Euclidean(2))
			if kind&4 > 0 {
				x, m = append(x, []float64{0.003, -0.002, 0.004, 0.003, -0.005}), append(m, bundle.Euclidean(shapeSize))
			}
			v := newBoardView(testBoard(), o, kind&4 > 0, 3000, links...)
			if worst, err := bundle.CheckJacobian(v, x, m, v.dim()); err != nil || worst > 1e-6 {
				t.Errorf("board %s, together %v, wander %v, shape %v, drift %v: worst relative difference %g, %v", chain.name, kind&1 > 0, kind&2 > 0, kind&4 > 0, kind&8 > 0, worst, err)
			}
		}
	}
}

func TestPriorJacobians(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	hang := bundle.PoseValue(nudge(r, squareHang(0.25), 0.05))
	if worst, err := bundle.CheckJacobian(mountPrior{0.017, 0.02, 0.25, 0.0005}, [][]float64{hang}, []bundle.Manifold{bundle.PoseManifold}, 5); err != nil || worst > 1e-6 {
		t.Errorf("mount prior: %g, %v", worst, err)
	}
	level := bundle.PoseValue(nudge(r, pose.SE3{R: pose.RotZ(1), T: pose.Vec{1, 2, 0.01}}, 0.05))
	if worst, err := bundle.CheckJacobian(levelPrior{0.003, 0.001, 0.004}, [][]float64{level}, []bundle.Manifold{bundle.PoseManifold}, 3); err != nil || worst > 1e-6 {
		t.Errorf("level prior: %g, %v", worst, err)
	}
	other := bundle.PoseValue(nudge(r, pose.SE3{R: pose.RotZ(0.5), T: pose.Vec{2, 1, 0.02}}, 0.05))
	if worst, err := bundle.CheckJacobian(sameLevel{0.001, 0.004}, [][]float64{level, other}, []bundle.Manifold{bundle.PoseManifold, bundle.PoseManifold}, 3); err != nil || worst > 1e-6 {
		t.Errorf("same level: %g, %v", worst, err)
	}
	var hubs [][]float64
	for range 4 {
		hubs = append(hubs, bundle.PoseValue(nudge(r, pose.SE3{R: pose.IdentityRotation(), T: pose.Vec{1, 0.9, 0.5}}, 0.1)))
	}
	m := []bundle.Manifold{hubManifold{}, hubManifold{}, hubManifold{}, hubManifold{}}
	if worst, err := bundle.CheckJacobian(centrelineGauge{}, hubs, m, 3); err != nil || worst > 1e-6 {
		t.Errorf("centreline gauge: %g, %v", worst, err)
	}
	line := bundle.PoseValue(nudge(r, pose.SE3{R: pose.RotX(0.1), T: pose.Vec{1, 0.8, 0.4}}, 0.1))
	if worst, err := bundle.CheckJacobian(steerPrior{pose.Vec{1.1, 0.9, 0.5}, 0.2, 0.3}, [][]float64{line}, []bundle.Manifold{lineManifold{}}, 4); err != nil || worst > 1e-6 {
		t.Errorf("steering prior: %g, %v", worst, err)
	}
	if worst, err := bundle.CheckJacobian(same{0.002}, [][]float64{{0.3}, {0.4}}, []bundle.Manifold{bundle.Euclidean(1), bundle.Euclidean(1)}, 1); err != nil || worst > 1e-6 {
		t.Errorf("held brakes: %g, %v", worst, err)
	}
	photo := append(bundle.PoseValue(nudge(r, pose.Identity(), 0.5)), 0.0003, 0.4, -0.7)
	for _, f := range []wanderPrior{{0.0002, 0.5}, {0, 0.5}, {0.0002, 0}} {
		if worst, err := bundle.CheckJacobian(f, [][]float64{photo}, []bundle.Manifold{photoManifold}, f.rows()); err != nil || worst > 1e-6 {
			t.Errorf("%+v: %g, %v", f, worst, err)
		}
	}
	moved := append(photo, 0.0003, -0.0002, 0.0005, 0.002, -0.003, 0.001)
	for _, f := range []driftPrior{{0.0002, 0.001}, {0, 0.001}, {0.0002, 0}} {
		if worst, err := bundle.CheckJacobian(f, [][]float64{moved}, []bundle.Manifold{rollManifold}, f.rows()); err != nil || worst > 1e-6 {
			t.Errorf("%+v: %g, %v", f, worst, err)
		}
	}
	p := &prior{mean: []float64{1, 2}, white: []float64{3, 0.5, 0, 2}}
	if worst, err := bundle.CheckJacobian(p, [][]float64{{1.5, 1.7}}, []bundle.Manifold{bundle.Euclidean(2)}, 2); err != nil || worst > 1e-6 {
		t.Errorf("prior: %g, %v", worst, err)
	}
}

// A step of the hub in its own five numbers is the step of pose.SE3.Plus that
// hubStep says it is, to first order.
func TestHubStep(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	hub := nudge(r, pose.SE3{R: pose.RotZ(2), T: pose.Vec{1, 2, 3}}, 0.3)
	m := hubStep(hub)
	x, out := bundle.PoseValue(hub), make([]float64, bundle.PoseSize)
	for k := range 5 {
		d := make([]float64, 5)
		d[k] = 1e-6
		hubManifold{}.Plus(x, d, out)
		got := bundle.GetPose(out).Minus(hub)
		for i := range 6 {
			if math.Abs(got[i]/1e-6-m[i][k]) > 1e-5 {
				t.Errorf("component %d of the step, number %d: %g, want %g", i, k, got[i]/1e-6, m[i][k])
			}
		}
	}
	// Turning about the spin axis is not among the five.
	for k := range 2 {
		w := pose.Vec{m[0][k], m[1][k], m[2][k]}
		if math.Abs(pose.Dot(w, hub.R.Column(1))) > 1e-12 {
			t.Error("a step of the hub turns it about its own spin axis")
		}
	}
}

func TestWhiten(t *testing.T) {
	cov := [3]float64{0.0009, 0.0004, 0.0016}
	w := Whiten(cov)
	// W·cov·Wᵀ by hand.
	a := w[0] * cov[0]
	b := w[1]*cov[0] + w[2]*cov[1]
	c := w[1]*cov[1] + w[2]*cov[2]
	got := [3]float64{a * w[0], a*w[1] + w[0]*cov[1]*w[2], b*w[1] + c*w[2]}
	for i, want := range []float64{1, 0, 1} {
		if math.Abs(got[i]-want) > 1e-12 {
			t.Errorf("whitened covariance %v", got)
		}
	}
}

func TestWhitenMatrix(t *testing.T) {
	var cov [vision.NumIntrinsics][vision.NumIntrinsics]float64
	sd := []float64{1.5, 1.6, 0.8, 0.7, 1e-3, 4e-3, 1e-5, 0, 5e-3} // p2 held exactly
	for i := range sd {
		for k := range sd {
			cov[i][k] = sd[i] * sd[k] * math.Pow(0.6, math.Abs(float64(i-k)))
		}
	}
	w, held := whitenMatrix(&cov)
	if want := []int{7, 9, 10, 11, 12, 13, 14, 15}; !slices.Equal(held, want) {
		t.Fatalf("held %v, want %v", held, want)
	}
	const n = vision.NumIntrinsics
	if len(w) != (n-len(held))*n {
		t.Fatalf("%d numbers, want a row of %d for each of %d free intrinsics", len(w), n, n-len(held))
	}
	for a := range n - len(held) {
		for b := range n - len(held) {
			sum := 0.0
			for i := range n {
				for k := range n {
					sum += w[a*n+i] * cov[i][k] * w[b*n+k]
				}
			}
			want := 0.0
			if a == b {
				want = 1
			}
			if math.Abs(sum-want) > 1e-9 {
				t.Fatalf("W·cov·Wᵀ (%d, %d) = %g, want %g", a, b, sum, want)
			}
		}
	}
}
