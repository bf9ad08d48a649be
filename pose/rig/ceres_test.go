package rig_test

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"wheelplane/pose"
	"wheelplane/pose/bundle"
	"wheelplane/pose/rig"
)

// The outside solver is Ceres (ceres-solver.org), version 2.1 or later, in
// testdata/ceres/solve.cc. It shares the text of a problem with us, and no code.

var ceres struct {
	once   sync.Once
	path   string
	absent string // why it cannot be built here
	err    error
}

// ceresSolver builds the program and returns its path.
func ceresSolver(t testing.TB) string {
	t.Helper()
	if testing.Short() {
		t.Skip("building the program takes ten seconds")
	}
	ceres.once.Do(func() {
		gpp, err := exec.LookPath("g++")
		if err != nil {
			ceres.absent = "there is no g++"
			return
		}
		const eigen = "-I/usr/include/eigen3"
		look := exec.Command(gpp, eigen, "-E", "-x", "c++", "-")
		look.Stdin = strings.NewReader("#include <ceres/manifold.h>\n")
		if look.Run() != nil {
			ceres.absent = "there is no Ceres 2.1 or later: install libceres-dev"
			return
		}
		// os.MkdirTemp, for it outlives the test that happens to come first.
		dir, err := os.MkdirTemp("", "ceres")
		if err != nil {
			ceres.err = err
			return
		}
		ceres.path = filepath.Join(dir, "solve")
		out, err := exec.Command(gpp, "-std=c++17", "-O3", eigen, "-o", ceres.path,
			filepath.Join("testdata", "ceres", "solve.cc"), "-lceres", "-lglog").CombinedOutput()
		if err != nil {
			ceres.err = fmt.Errorf("%w\n%s", err, out)
		}
	})
	if ceres.absent != "" {
		t.Skip(ceres.absent)
	}
	if ceres.err != nil {
		t.Fatal(ceres.err)
	}
	return ceres.path
}

func TestMain(m *testing.M) {
	code := m.Run()
	if ceres.path != "" {
		os.RemoveAll(filepath.Dir(ceres.path))
	}
	os.Exit(code)
}

// outside is what Ceres made of a problem.
type outside struct {
	first, last float64 // cost
	wall, cpu   float64 // s, the covariance included
	values      map[bundle.BlockID][]float64
	hubs        []bundle.BlockID
	covariance  []float64
	said        string
}

// runCeres solves the problem in a file.
func runCeres(t testing.TB, file string, args ...string) *outside {
	t.Helper()
	cmd := exec.Command(ceresSolver(t), append(args, file)...)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("Ceres: %v\n%s", err, stderr.Bytes())
	}
	o := &outside{said: string(bytes.TrimSpace(stderr.Bytes())), values: map[bundle.BlockID][]float64{}}
	for line := range strings.Lines(string(out)) {
		words := strings.Fields(line)
		var v []float64
		for _, w := range words[1:] {
			x, err := strconv.ParseFloat(w, 64)
			if err != nil {
				t.Fatalf("Ceres: %v in %q", err, line)
			}
			v = append(v, x)
		}
		switch words[0] {
		case "cost":
			o.first, o.last = v[0], v[1]
		case "seconds":
			o.wall, o.cpu = v[0], v[1]
		case "value":
			o.values[bundle.BlockID(v[0])] = v[1:]
		case "hubs":
			for _, b := range v {
				o.hubs = append(o.hubs, bundle.BlockID(b))
			}
		case "covariance":
			o.covariance = v
		}
	}
	return o
}

// newFit is a drawn job ready for its last fit. Corners are measured one by one,
// or whole boards, bowed and photographed by a camera that wanders, where the
// scene's name is followed by "together"; by "rolling", the camera moves besides
// while it reads a photo, as far as the fit knows.
func newFit(t testing.TB, scene string) *rig.Fit {
	t.Helper()
	name, rolling := strings.CutSuffix(scene, " rolling")
	name, whole := strings.CutSuffix(name, " together")
	s := newScene(t, name, 1)
	obs := s.DrawCorners(0.05, maxOblique, 1)
	if whole || rolling {
		s.Shape(0.0003, 0.0003)
		s.Wander(0.0005, 2)
		obs = together(s, 0.02, 1)
	}
	if rolling {
		s.Job.Priors.RollTurn, s.Job.Priors.RollShift = 0.0002, 0.0005
	}
	f, err := rig.NewFit(context.Background(), s.Job, s.Camera, obs)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// textFile writes a problem to a file.
func textFile(t testing.TB, p rig.Problem) string {
	t.Helper()
	text, err := p.Text()
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "problem.txt")
	if err := os.WriteFile(file, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
	return file
}

// TestAgainstCeres gives Ceres the last fit of drawn jobs, from the first guess:
// it finds the same minimum, the same values of every block and the same
// covariance of the hubs. Its derivatives are automatic ones, so this checks
// ours too.
func TestAgainstCeres(t *testing.T) {
	ceresSolver(t)
	fits := map[string]*rig.Fit{}
	for _, c := range []struct {
		scene string
		width float64
		args  []string
	}{
		{"yard-truck", 0, nil},
		{"yard-truck", 3, []string{"--solver", "sparse"}},
		{"sweep", 0, nil},
		{"sweep", 0, []string{"--analytic", "--solver", "sparse"}},
		{"yard-truck rolling", 0, nil},
		{"yard-truck rolling", 0, []string{"--analytic", "--solver", "sparse"}},
		{"gravel-tipper", 0, nil},
		{"body-boards", 0, nil},
		{"yard-truck together", 0, nil},
		{"yard-truck together", 0, []string{"--analytic"}},
		{"sweep together", 3, nil},
	} {
		name := strings.Join(append([]string{c.scene}, c.args...), " ")
		t.Run(name, func(t *testing.T) {
			if fits[c.scene] == nil {
				fits[c.scene] = newFit(t, c.scene)
			}
			p := fits[c.scene].FirstGuess(c.width)
			theirs := runCeres(t, textFile(t, p), c.args...)
			t.Logf("Ceres: %s", theirs.said)
			b := p.Bundle()
			sum, err := b.Solve(context.Background(), bundle.Options{CostTolerance: 1e-15})
			if err != nil {
				t.Fatal(err)
			}
			t.Logf("%d rows, %d unknowns, %d iterations, cost %.6f from %.6g", sum.Rows, sum.Parameters, sum.Iterations, sum.FinalCost, sum.InitialCost)
			if d := math.Abs(theirs.first/sum.InitialCost - 1); d > 1e-10 {
				t.Errorf("cost at the start %.15g, Ceres says %.15g: the problems differ", sum.InitialCost, theirs.first)
			}
			if d := math.Abs(theirs.last/sum.FinalCost - 1); !(d <= 1e-8) {
				t.Errorf("cost %.15g, Ceres says %.15g", sum.FinalCost, theirs.last)
			}
			cov, err := b.Covariance()
			if err != nil {
				t.Fatal(err)
			}
			worst, where := 0.0, ""
			for id, v := range theirs.values {
				mine, turn, shift := meaning(b.Name(id), b.Dim(id), b.Value(id))
				yours, _, _ := meaning(b.Name(id), b.Dim(id), v)
				// What is beside a transform moves by components of its own.
				for i := bundle.PoseSize; turn == 9 && i < len(v); i++ {
					k := 6 + i - bundle.PoseSize
					worst = max(worst, math.Abs(b.Value(id)[i]-v[i])/math.Sqrt(cov.Between(id, id).At(k, k)))
				}
				for i, x := range mine {
					u := 1e-12 // constant blocks
					for k := range b.Dim(id) {
						if i < turn && k < shift || i >= turn && k >= shift && k < 6 && turn > 0 || turn == 0 && k == i {
							u = math.Hypot(u, math.Sqrt(cov.Between(id, id).At(k, k)))
						}
					}
					if d := math.Abs(x-yours[i]) / u; d > worst {
						worst, where = d, b.Name(id)
					}
				}
			}
			t.Logf("values differ by up to %.1e standard uncertainties (%s)", worst, where)
			if !(worst < 1e-3) {
				t.Errorf("values differ by %.2g standard uncertainties (%s)", worst, where)
			}
			if c.width > 0 {
				return // Ceres also weighs the curvature of the loss
			}
			// At their values, for their hubs' frames are turned a little.
			for id, v := range theirs.values {
				b.SetValue(id, v)
			}
			if cov, err = b.Covariance(); err != nil {
				t.Fatal(err)
			}
			ours, hubs := p.Hubs(cov)
			if !slices.Equal(hubs, theirs.hubs) {
				t.Fatalf("hubs are blocks %v, Ceres says %v", hubs, theirs.hubs)
			}
			n, off := ours.SymmetricDim(), 0.0
			for i := range n {
				for j := range n {
					d := math.Abs(ours.At(i, j) - theirs.covariance[i*n+j])
					off = max(off, d/math.Sqrt(ours.At(i, i)*ours.At(j, j)))
				}
			}
			t.Logf("covariances of %d hubs differ by up to %.1e of the variances", len(hubs), off)
			if !(off < 1e-4) {
				t.Errorf("covariances of the hubs differ by %.2g of the variances", off)
			}
		})
	}
}

// meaning returns those numbers of a block that mean something: two runs that
// step differently may turn a hub's frame differently about its own axis, and
// the boards on it against that. The first turn of the numbers move with the
// first shift components of a step, the others with the others; turn is 0 for a
// vector, where each number is a component.
func meaning(name string, dim int, x []float64) (numbers []float64, turn, shift int) {
	if len(x) < bundle.PoseSize || dim == len(x) {
		return x, 0, 0
	}
	t := bundle.GetPose(x)
	column := func(k int) []float64 { c := t.R.Column(k); return c[:] }
	switch {
	case dim == 5: // a hub: its axis and the wheel's centre
		return append(column(1), t.T[:]...), 3, 2
	case dim == 4: // a steering axis: its direction and its point next to the origin
		z := t.R.Column(2)
		foot := pose.Sub(t.T, pose.Scale(pose.Dot(t.T, z), z))
		return append(column(2), foot[:]...), 3, 2
	case strings.HasPrefix(name, "mount of"): // what a turn about y leaves
		return append(append([]float64{}, t.R[1][:]...), t.T[1], math.Hypot(t.T[0], t.T[2])), 3, 3
	}
	return x[:bundle.PoseSize], 9, 3
}

// BenchmarkAgainstCeres times solving and covariance, ours and Ceres', on the
// same problem from the same start to the same tolerance: the last fit of drawn
// jobs, from the first guess and from the robust solution, with one thread and
// with two. Ceres has its derivatives written out (--analytic) and the better of
// its dense and sparse Schur solvers, and reads and builds the problem outside
// the time, as we do. The metrics are medians over the runs; above 1 we are
// slower. Time of processors tells more than time on the wall on a machine that
// does other things too.
//
//	go test ./pose/rig -run '^$' -bench AgainstCeres -benchtime 11x
func BenchmarkAgainstCeres(b *testing.B) {
	ceresSolver(b)
	for _, scene := range []string{"yard-truck", "sweep", "gravel-tipper", "yard-truck together", "sweep together", "gravel-tipper together"} {
		f := newFit(b, scene)
		for _, start := range []string{"first guess", "robust"} {
			build := f.FirstGuess
			if start == "robust" {
				build = f.Robust
			}
			file := textFile(b, build(0))
			for _, threads := range []int{1, 2} {
				b.Run(fmt.Sprintf("%s/%s/%d", scene, start, threads), func(b *testing.B) {
					defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(threads))
					var wall, cpu, ours []float64
					for b.Loop() {
						p := build(0)
						runtime.GC() // not on this account
						w, c := time.Now(), processorTime()
						sum, err := p.Bundle().Solve(context.Background(), bundle.Options{})
						if err != nil {
							b.Fatal(err)
						}
						cov, err := p.Bundle().Covariance()
						if err != nil {
							b.Fatal(err)
						}
						p.Hubs(cov)
						ourCPU, ourWall := processorTime()-c, time.Since(w).Seconds()

						best := [2]float64{math.Inf(1), math.Inf(1)}
						for _, solver := range []string{"dense", "sparse"} {
							o := runCeres(b, file, "--analytic", "--tolerance", "1e-12", "--solver", solver, "--threads", fmt.Sprint(threads))
							if d := math.Abs(o.last/sum.FinalCost - 1); d > 1e-8 {
								b.Fatalf("cost %.15g, Ceres says %.15g", sum.FinalCost, o.last)
							}
							best = [2]float64{min(best[0], o.wall), min(best[1], o.cpu)}
						}
						wall, cpu, ours = append(wall, ourWall/best[0]), append(cpu, ourCPU/best[1]), append(ours, ourCPU)
					}
					b.ReportMetric(median(cpu), "cpu-ratio")
					b.ReportMetric(median(wall), "wall-ratio")
					b.ReportMetric(1e3*median(ours), "our-cpu-ms")
					b.ReportMetric(0, "ns/op") // would be both together
				})
			}
		}
	}
}

func median(v []float64) float64 {
	slices.Sort(v)
	return (v[(len(v)-1)/2] + v[len(v)/2]) / 2
}

// processorTime is what this process has used so far, s.
func processorTime() float64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		panic(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano()).Seconds()
}

// TestWrittenProblem: what Solve writes leads Ceres to the axes that Solve found.
// Ours stops when the cost changes by no more than 1e-12 of some 3000, which is
// some 1e-4 of a standard uncertainty: 1e-8 rad and m here.
func TestWrittenProblem(t *testing.T) {
	ceresSolver(t)
	s := newScene(t, "yard-truck", 2)
	file := filepath.Join(t.TempDir(), "problem.txt")
	w, err := os.Create(file)
	if err != nil {
		t.Fatal(err)
	}
	sol, err := rig.Solve(context.Background(), s.Job, s.Camera, s.DrawCorners(0.05, maxOblique, 2), rig.Options{Problem: w})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	theirs := runCeres(t, file)
	if len(theirs.hubs) != len(sol.State.BodyFromHub) {
		t.Fatalf("%d hubs, %d written", len(sol.State.BodyFromHub), len(theirs.hubs))
	}
	for a, ours := range sol.State.BodyFromHub {
		other := bundle.GetPose(theirs.values[theirs.hubs[a]])
		axis := pose.Norm(pose.Sub(ours.R.Column(1), other.R.Column(1)))
		centre := pose.Norm(pose.Sub(ours.T, other.T))
		if !(axis < 1e-8 && centre < 1e-8) {
			t.Errorf("axis %d: directions differ by %g rad, centres by %g m", a, axis, centre)
		}
	}
}
