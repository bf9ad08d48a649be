package cli

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"syscall"
	"testing"
	"time"

	"wheelplane/fixtures"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"gocv.io/x/gocv"
	"golang.org/x/sync/errgroup"
)

// spent is wall time and processor time, the children's in it.
type spent struct{ wall, cpu time.Duration }

func (s *spent) on(b *testing.B, f func() error) {
	b.Helper()
	cpu := func() (sum time.Duration) {
		for _, who := range []int{syscall.RUSAGE_SELF, syscall.RUSAGE_CHILDREN} {
			var u syscall.Rusage
			if err := syscall.Getrusage(who, &u); err != nil {
				b.Fatal(err)
			}
			sum += time.Duration(u.Utime.Nano() + u.Stime.Nano())
		}
		return sum
	}
	start, before := time.Now(), cpu()
	if err := f(); err != nil {
		b.Fatal(err)
	}
	s.wall += time.Since(start)
	s.cpu += cpu() - before
}

// BenchmarkMeasure measures the demo's job at 12 MP on two cores, and in turn
// lets OpenCV do less with the same files on as many goroutines: read them, in
// colour as cv::imread does unasked and in grey; and read them and look for
// markers at full resolution with its default parameters. What counts are the
// ratios of the times, ours over OpenCV's, wall and processor.
//
//	go test ./cmd/... -run '^$' -bench Measure -benchtime 3x
func BenchmarkMeasure(b *testing.B) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(2))
	dir := filepath.Join(b.TempDir(), "job")
	quiet := &App{Stdout: io.Discard, Stderr: io.Discard, Quiet: true}
	err := quiet.demo(context.Background(), demoOptions{dir: dir, scene: fixtures.DefaultScene, seed: 1, size: 4000, photosOnly: true})
	if err != nil {
		b.Fatal(err)
	}
	folder, err := rig.Open(dir)
	if err != nil {
		b.Fatal(err)
	}
	bytes := int64(0)
	each := func(f func(path string) error) func() error {
		return func() error {
			var g errgroup.Group
			g.SetLimit(2)
			for _, p := range folder.Job.Photos {
				g.Go(func() error { return f(filepath.Join(dir, filepath.FromSlash(p.Path))) })
			}
			return g.Wait()
		}
	}
	for _, p := range folder.Job.Photos {
		info, err := os.Stat(filepath.Join(dir, filepath.FromSlash(p.Path)))
		if err != nil {
			b.Fatal(err)
		}
		bytes += info.Size()
	}
	read := func(how gocv.IMReadFlag) func() error {
		return each(func(path string) error {
			m := gocv.IMRead(path, how)
			defer m.Close()
			if m.Empty() {
				return fmt.Errorf("OpenCV cannot read %s", path)
			}
			return nil
		})
	}
	var ours, colour, grey, markers spent
	for b.Loop() {
		ours.on(b, func() error {
			_, _, err := quiet.measure(context.Background(), measureOptions{dir: dir, fresh: true})
			return err
		})
		colour.on(b, read(gocv.IMReadColor))
		grey.on(b, read(gocv.IMReadGrayScale))
		markers.on(b, each(func(path string) error {
			photo, err := vision.Load(path)
			if err != nil {
				return err
			}
			_, err = vision.DetectRaw(photo.Pix, folder.Job.Boards[0].Dictionary)
			return err
		}))
	}
	n := len(folder.Job.Photos)
	b.Logf("%d photographs, %.1f MB each; ours %.2f s a job (processor %.2f s), reading in colour %.2f s (%.2f s), in grey %.2f s (%.2f s); OpenCV %s, Go %s, %d cores",
		n, float64(bytes)/float64(n)/1e6, ours.wall.Seconds()/float64(b.N), ours.cpu.Seconds()/float64(b.N), colour.wall.Seconds()/float64(b.N), colour.cpu.Seconds()/float64(b.N),
		grey.wall.Seconds()/float64(b.N), grey.cpu.Seconds()/float64(b.N), gocv.OpenCVVersion(), runtime.Version(), runtime.NumCPU())
	for _, k := range []struct {
		name   string
		theirs spent
	}{{"colour-read", colour}, {"grey-read", grey}, {"markers", markers}} {
		b.ReportMetric(float64(ours.wall)/float64(k.theirs.wall), "wall/"+k.name)
		b.ReportMetric(float64(ours.cpu)/float64(k.theirs.cpu), "cpu/"+k.name)
	}
}

// BenchmarkStartUp starts 'wheelplane --help' as 'make build' links it, and in
// turn the smallest Go program that links OpenCV through gocv. What counts is
// the ratio of the medians.
func BenchmarkStartUp(b *testing.B) {
	root, err := filepath.Abs("../../../..")
	if err != nil {
		b.Fatal(err)
	}
	dir := b.TempDir()
	small := filepath.Join(dir, "main.go")
	if err := os.WriteFile(small, []byte("package main\n\nimport _ \"gocv.io/x/gocv\"\n\nfunc main() {}\n"), 0o666); err != nil {
		b.Fatal(err)
	}
	build := func(name string, args ...string) string {
		bin := filepath.Join(dir, name)
		cmd := exec.Command("go", append([]string{"build", "-buildvcs=false", "-o", bin}, args...)...)
		cmd.Dir = root
		if out, err := cmd.CombinedOutput(); err != nil {
			b.Fatalf("%v\n%s", err, out)
		}
		return bin
	}
	ours := build("wheelplane", "-ldflags", "-extld='"+filepath.Join(root, ".ci", "link")+"'", "./cmd/wheelplane")
	theirs := build("smallest", small)
	var a, o []time.Duration
	for b.Loop() {
		for range 10 {
			var s, t spent
			s.on(b, exec.Command(ours, "--help").Run)
			t.on(b, exec.Command(theirs).Run)
			a, o = append(a, s.cpu), append(o, t.cpu)
		}
	}
	slices.Sort(a)
	slices.Sort(o)
	b.ReportMetric(float64(a[len(a)/2].Microseconds())/1e3, "ms-cpu")
	b.ReportMetric(float64(a[len(a)/2])/float64(o[len(o)/2]), "cpu/smallest")
}
