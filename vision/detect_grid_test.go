package vision_test

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose"
	"wheelplane/vision"
)

var wholeGrid = flag.Bool("grid", false, "find boards on the whole grid of distances, angles, blurs and lights (minutes)")

// tag is a marker as the AprilTag library reads it.
type tag struct {
	id, wrong int
	corners   [4][2]float64
}

func (g tag) middle() (c [2]float64) {
	for _, p := range g.corners {
		c[0] += p[0] / 4
		c[1] += p[1] / 4
	}
	return
}

// buildAprilTag compiles testdata/apriltag.cc, once; without the library it says
// what is missing.
var buildAprilTag = sync.OnceValues(func() (program []byte, err error) {
	if _, err := os.Stat("/usr/include/apriltag/apriltag.h"); err != nil {
		return nil, errors.New("the AprilTag library is not installed: apt-get install libapriltag-dev")
	}
	if _, err := exec.LookPath("g++"); err != nil {
		return nil, errors.New("no g++ here to build AprilTag's side of the comparison")
	}
	dir, err := os.MkdirTemp("", "wheelplane-test-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	bin := filepath.Join(dir, "apriltag")
	if out, err := exec.Command("g++", "-O2", "-o", bin, filepath.Join("testdata", "apriltag.cc"), "-lapriltag", "-lpthread", "-lm").CombinedOutput(); err != nil {
		return nil, fmt.Errorf("testdata/apriltag.cc does not build: %v\n%s", err, out)
	}
	return os.ReadFile(bin)
})

// aprilTag is a function that asks the AprilTag library for a picture's tags, or
// nil and the reason.
func aprilTag(t testing.TB) (func(*image.Gray) ([]tag, error), error) {
	t.Helper()
	program, err := buildAprilTag()
	if err != nil {
		return nil, err
	}
	bin := filepath.Join(t.TempDir(), "apriltag")
	if err := os.WriteFile(bin, program, 0o700); err != nil {
		t.Fatal(err)
	}
	return func(p *image.Gray) (tags []tag, err error) {
		var in bytes.Buffer
		fmt.Fprintf(&in, "P5 %d %d 255\n", p.Rect.Dx(), p.Rect.Dy())
		for y := range p.Rect.Dy() {
			in.Write(p.Pix[y*p.Stride : y*p.Stride+p.Rect.Dx()])
		}
		cmd := exec.Command(bin)
		cmd.Stdin = &in
		out, err := cmd.Output()
		if err != nil {
			return nil, fmt.Errorf("AprilTag's side of the comparison: %w", err)
		}
		for line := range strings.Lines(string(out)) {
			var g tag
			c := &g.corners
			if _, err := fmt.Sscan(line, &g.id, &g.wrong, &c[0][0], &c[0][1], &c[1][0], &c[1][1], &c[2][0], &c[2][1], &c[3][0], &c[3][1]); err != nil {
				return nil, fmt.Errorf("AprilTag's line %q: %w", line, err)
			}
			tags = append(tags, g)
		}
		return tags, nil
	}, nil
}

// The photographs of ../shared/real with many small tags of 36h11, ids 0 and 1:
// the AprilTag library's own list, published beside them, has 12 and 25. Here
// the library is asked itself as well. Every tag of its is found, and no other
// id. The further tags that are read were looked at one by one: all are there.
func TestRealTags(t *testing.T) {
	for name, published := range map[string]int{"33369213973_9d9bb4cc96_c": 12, "34085369442_304b6bafd9_c": 25} {
		photo, err := vision.Load(shared(t, name+".jpg"))
		if err != nil {
			t.Fatal(err)
		}
		ours, err := vision.DetectMarkers(photo.Pix, "36h11")
		if err != nil {
			t.Fatal(err)
		}
		text, err := os.ReadFile(filepath.Join("..", "..", "shared", "real", name+".txt"))
		if err != nil {
			t.Fatal(err)
		}
		var theirs []tag
		for line := range strings.Lines(strings.NewReplacer("(", " ", ")", " ", ",", " ").Replace(string(text))) {
			var g tag
			c := &g.corners
			if _, err := fmt.Sscan(line, &g.id, &c[0][0], &c[0][1], &c[1][0], &c[1][1], &c[2][0], &c[2][1], &c[3][0], &c[3][1]); err != nil {
				t.Fatalf("%s.txt: %q: %v", name, line, err)
			}
			theirs = append(theirs, g)
		}
		if len(theirs) != published {
			t.Fatalf("%s.txt lists %d tags, want %d", name, len(theirs), published)
		}
		raw, err := vision.DetectRaw(photo.Pix, "36h11")
		if err != nil {
			t.Fatal(err)
		}
		check := func(who string, theirs []tag) {
			t.Logf("%s: %d tags here, %d by %s, %d by OpenCV's defaults", name, len(ours), len(theirs), who, len(raw))
			for _, g := range theirs {
				found := false
				mid := g.middle()
				for _, m := range ours {
					var c [2]float64
					for _, p := range m.Corners {
						c[0] += p[0] / 4
						c[1] += p[1] / 4
					}
					found = found || m.ID == g.id && math.Hypot(c[0]-mid[0], c[1]-mid[1]) < 4
				}
				if !found {
					t.Errorf("%s: tag %d at %.0f, in %s's list, was not read", name, g.id, mid, who)
				}
			}
		}
		check("the published list", theirs)
		for _, m := range ours {
			if m.ID > 1 {
				t.Errorf("%s: id %d at %.0f is not there", name, m.ID, m.Corners[0])
			}
		}
		if len(ours) < published {
			t.Errorf("%s: %d tags, the AprilTag library has %d", name, len(ours), published)
		}
		ask, err := aprilTag(t)
		if err != nil {
			t.Skip(err)
		}
		tags, err := ask(photo.Pix)
		if err != nil {
			t.Fatal(err)
		}
		check("the AprilTag library", tags)
	}
}

// The tutorial's six single markers, ids published, and OpenCV's samples without
// any.
func TestSingleMarkers(t *testing.T) {
	photo, err := vision.Load(shared(t, "singlemarkersoriginal.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	ms, err := vision.DetectMarkers(photo.Pix, "6x6_250")
	if err != nil {
		t.Fatal(err)
	}
	want := map[int]bool{23: true, 40: true, 62: true, 98: true, 124: true, 203: true}
	for _, m := range ms {
		if !want[m.ID] {
			t.Errorf("id %d is not there, or twice", m.ID)
		}
		delete(want, m.ID)
	}
	if len(want) > 0 {
		t.Errorf("ids %v were not read", want)
	}
}

func TestNoMarkersWhereNoneAre(t *testing.T) {
	paths, _ := filepath.Glob("/usr/share/doc/opencv-doc/examples/data/*.jpg")
	if len(paths) < 20 {
		t.Skip("OpenCV's sample pictures are not installed: apt-get install opencv-doc")
	}
	for i, path := range paths {
		photo, err := vision.Load(path)
		if err != nil || i%4 > 0 {
			continue
		}
		ms, err := vision.DetectMarkers(photo.Pix, "36h11")
		if err != nil {
			t.Fatal(err)
		}
		if len(ms) > 0 {
			t.Errorf("%s: %v are not there", path, ms)
		}
	}
}

func TestDetectMarkersRefuses(t *testing.T) {
	if _, err := vision.DetectMarkers(nil, "36h11"); err == nil {
		t.Error("no error without a picture")
	}
	if _, err := vision.DetectMarkers(image.NewGray(image.Rect(0, 0, 9, 9)), "7x7"); err == nil {
		t.Error("no error for a dictionary that is not known")
	}
	if ms, err := vision.DetectMarkers(image.NewGray(image.Rect(0, 0, 9, 9)), "36h11"); err != nil || len(ms) > 0 {
		t.Errorf("a tiny black picture: %v, %v", ms, err)
	}
}

// gridCell is one way of photographing a board.
type gridCell struct {
	distance, obliquity, blur float64
	light, hidden             string
}

// gridLights are what the light does to the grey levels of a board at half of
// full scale, across the picture from left to right.
var gridLights = map[string]func(v, x float64) float64{
	"bright":   func(v, x float64) float64 { return 1.6 * v },
	"dim":      func(v, x float64) float64 { return 4 + 0.16*v },
	"gradient": func(v, x float64) float64 { return v * math.Exp(2.2*(x-0.6)) },
}

// gridPicture is the part of a 12 MP photograph about a board.
func gridPicture(b vision.Board, cell gridCell, turn float64) *image.Gray {
	c := phone()
	c.K1, c.K2, c.P1, c.P2 = 0, 0, 0, 0
	p := at(&c, b, [2]float64{2400, 1700}, cell.distance, cell.obliquity, 80, turn)
	lo, hi := [2]float64{1e9, 1e9}, [2]float64{}
	for _, q := range b.Outline() {
		px, _ := c.Project(p.CameraFromBoard.Apply(q))
		for k := range px {
			lo[k], hi[k] = math.Min(lo[k], px[k]), math.Max(hi[k], px[k])
		}
	}
	margin := 30 + 0.2*math.Max(hi[0]-lo[0], hi[1]-lo[1])
	x, y := math.Floor(lo[0]-margin), math.Floor(lo[1]-margin)
	c.CX, c.CY = c.CX-x, c.CY-y
	c.Width, c.Height = int(hi[0]+margin-x), int(hi[1]+margin-y)
	img := render(c, fixtures.Optics{BlurPx: cell.blur}, 1, p)
	p.Board = b
	return hide(img, &c, p, cell)
}

// hide covers what the cell hides, then does the light and its noise.
func hide(img *image.Gray, c *vision.Camera, p fixtures.PlacedBoard, cell gridCell) *image.Gray {
	project := func(q [3]float64) [2]float64 {
		px, _ := c.Project(p.CameraFromBoard.Apply(pose.Vec(q)))
		return px
	}
	patch := func(q [4][3]float64, grey uint8) {
		var s [4][2]float64
		for i := range q {
			s[i] = project(q[i])
		}
		for y := range img.Rect.Dy() {
			for x := range img.Rect.Dx() {
				in := true
				for i := range s {
					a, b := s[i], s[(i+1)%4]
					in = in && (b[0]-a[0])*(float64(y)-a[1])-(b[1]-a[1])*(float64(x)-a[0]) >= 0
				}
				if in {
					img.Pix[y*img.Stride+x] = grey
				}
			}
		}
	}
	b := &p.Board
	w, h := b.Size()
	switch cell.hidden {
	case "half":
		patch([4][3]float64{{-0.02, h, 0}, {w, h, 0}, {w, -h, 0}, {-0.02, -h, 0}}, 90)
	case "all markers but one":
		for k := range b.NumMarkers() {
			if k == 8 {
				continue
			}
			m := b.MarkerCorners(k)
			x, y, d := (m[0][0]+m[2][0])/2, (m[0][1]+m[2][1])/2, 0.3*b.MarkerM
			patch([4][3]float64{{x - d, y + d, 0}, {x + d, y + d, 0}, {x + d, y - d, 0}, {x - d, y - d, 0}}, 60)
		}
	}
	rng := rand.New(rand.NewPCG(7, uint64(img.Rect.Dx())))
	light := gridLights[cell.light]
	for y := range img.Rect.Dy() {
		for x := range img.Rect.Dx() {
			v := &img.Pix[y*img.Stride+x]
			*v = uint8(math.Max(0, math.Min(255, math.Round(light(float64(*v), float64(x)/float64(img.Rect.Dx()))+2*rng.NormFloat64()))))
		}
	}
	return img
}

// Boards of the demo's kind (7 x 5 squares of 55 mm, 12 MP, f = 2900 px), one a
// picture, found by us, by OpenCV's detector with its limits opened and by the
// AprilTag library at full resolution: those two find a board when they read
// one of its ids. In no cell may either find more than we do, and nothing that
// is not there may be found. By default a coarse grid; the whole one, with its
// table, by
//
//	go test ./vision -run Grid -v -grid
func TestGrid(t *testing.T) {
	distances, angles, blurs := []float64{2, 7}, []float64{0, 50, 70}, []float64{0.7, 2}
	lights, hidden := []string{"dim", "gradient"}, []string{"nothing", "half", "all markers but one"}
	if *wholeGrid {
		distances, angles, blurs = []float64{1.5, 2.5, 4, 6, 9, 13}, []float64{0, 40, 60, 70, 78}, []float64{0.5, 1.2, 2.5}
		lights = []string{"bright", "dim", "gradient"}
	} else if testing.Short() {
		t.Skip("renders many pictures")
	}
	boards := vision.Set(16, a3)
	type trial struct {
		cell                gridCell
		board               int
		ours, opencv, april bool
	}
	ask, missing := aprilTag(t)
	var all []*trial
	for di, d := range distances {
		for ai, a := range angles {
			for bi, bl := range blurs {
				for li, l := range lights {
					for hi, h := range hidden {
						// Of the small grid every other cell, so that each value meets each other.
						if *wholeGrid || (di+ai+bi+li+hi)%2 == 0 {
							all = append(all, &trial{cell: gridCell{d, a, bl, l, h}, board: len(all) % 16})
						}
					}
				}
			}
		}
	}
	var wg sync.WaitGroup
	next := make(chan *trial)
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for k := range next {
				img := gridPicture(boards[k.board], k.cell, float64(37*k.board))
				own := func(id int) bool {
					return id >= boards[k.board].FirstID && id < boards[k.board].FirstID+a3.NumMarkers()
				}
				res, err := vision.Detect(img, boards, vision.DetectOptions{})
				if err != nil {
					t.Error(err)
				}
				for _, v := range res.Views {
					k.ours = k.ours || v.Board == k.board
					if v.Board != k.board {
						t.Errorf("%+v: board %s is not there", k.cell, boards[v.Board].Name)
					}
				}
				for _, id := range res.UnknownIDs {
					t.Errorf("%+v: id %d is not there", k.cell, id)
				}
				singles, err := vision.DetectMarkers(img, "36h11")
				if err != nil {
					t.Error(err)
				}
				for _, m := range singles {
					if !own(m.ID) {
						t.Errorf("%+v: id %d is not there", k.cell, m.ID)
					}
				}
				raw, err := vision.DetectOpened(img, "36h11")
				if err != nil {
					t.Error(err)
				}
				for _, m := range raw {
					k.opencv = k.opencv || own(m.ID)
				}
				if missing != nil {
					continue
				}
				tags, err := ask(img)
				if err != nil {
					t.Error(err)
				}
				for _, g := range tags {
					k.april = k.april || own(g.id)
				}
			}
		})
	}
	for _, k := range all {
		next <- k
	}
	close(next)
	wg.Wait()
	type sum struct{ n, ours, opencv, april int }
	count := func(v bool) int {
		if v {
			return 1
		}
		return 0
	}
	table := func(name string, of func(gridCell) string) {
		sums := map[string]*sum{}
		var order []string
		for _, k := range all {
			key := of(k.cell)
			s := sums[key]
			if s == nil {
				s = &sum{}
				sums[key] = s
				order = append(order, key)
			}
			s.n++
			s.ours += count(k.ours)
			s.opencv += count(k.opencv)
			s.april += count(k.april)
		}
		for _, key := range order {
			s := sums[key]
			t.Logf("| %s | %d | %d | %d | %d |", key, s.n, s.ours, s.opencv, s.april)
		}
	}
	t.Log("| | boards | found | by OpenCV | by AprilTag |")
	table("distance", func(c gridCell) string { return fmt.Sprintf("%g m", c.distance) })
	table("obliquity", func(c gridCell) string { return fmt.Sprintf("%g degrees", c.obliquity) })
	table("blur", func(c gridCell) string { return fmt.Sprintf("blur %g px", c.blur) })
	table("light", func(c gridCell) string { return c.light })
	table("hidden", func(c gridCell) string { return "hidden: " + c.hidden })
	table("all", func(gridCell) string { return "all" })
	if missing != nil {
		t.Logf("not compared with AprilTag: %v", missing)
	}
	for _, k := range all {
		if !k.ours && (k.opencv || k.april) {
			t.Errorf("%+v: not found; OpenCV %v, AprilTag %v", k.cell, k.opencv, k.april)
		}
	}
}

// A picture of the whole grid that the AprilTag library read and we once did not, as
// it is and turned: the board as a whole is followed by its outline, though its inner
// windows are covered.
func TestOnceMissed(t *testing.T) {
	boards := vision.Set(16, a3)
	for turn := range 6 {
		img := gridPicture(boards[3], gridCell{6, 0, 1.2, "dim", "all markers but one"}, 37*3+7*float64(turn))
		res, err := vision.Detect(img, boards, vision.DetectOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if len(res.Views) != 1 || res.Views[0].Board != 3 {
			t.Errorf("turn %d: %d boards, want board %s alone", turn, len(res.Views), boards[3].Name)
		}
	}
}

// A board printed, or photographed, as in a mirror is none: its markers spell nothing,
// and its squares alone do not make it one. Its picture otherwise is found.
func TestMirrored(t *testing.T) {
	boards := vision.Set(16, a3)
	for i, c := range []gridCell{{2, 0, 0.7, "bright", "nothing"}, {3, 50, 1.2, "gradient", "nothing"}, {4, 30, 0.7, "dim", "half"}} {
		img := gridPicture(boards[3*i], c, float64(10*i))
		flipped := image.NewGray(img.Rect)
		for y := img.Rect.Min.Y; y < img.Rect.Max.Y; y++ {
			for x := img.Rect.Min.X; x < img.Rect.Max.X; x++ {
				flipped.SetGray(img.Rect.Max.X-1-x+img.Rect.Min.X, y, img.GrayAt(x, y))
			}
		}
		for _, p := range []struct {
			img  *image.Gray
			want int
		}{{img, 1}, {flipped, 0}} {
			res, err := vision.Detect(p.img, boards, vision.DetectOptions{})
			if err != nil {
				t.Fatal(err)
			}
			if len(res.Views) != p.want || len(res.UnknownIDs) > 0 {
				t.Errorf("%+v: %d boards, want %d, and ids %v", c, len(res.Views), p.want, res.UnknownIDs)
			}
		}
	}
}

// Strongly blurred boards are followed as wholes: their blur is found before
// sharpening is, which far from it looks the same undone.
func TestStrongBlur(t *testing.T) {
	scene, err := fixtures.NewScene("yard-truck", 1, 2000)
	if err != nil {
		t.Fatal(err)
	}
	optics := fixtures.DefaultOptics(2000)
	optics.BlurPx = 2.4
	boards, whole := 0, 0
	for p := 0; p < len(scene.Job.Photos); p += 7 {
		img := fixtures.Gray(fixtures.Render(scene.Shot(p), optics, uint64(p)))
		res, err := vision.Detect(img, scene.Job.Boards, vision.DetectOptions{Camera: &scene.Camera})
		if err != nil {
			t.Fatal(err)
		}
		for _, v := range res.Views {
			boards++
			if v.Joint != nil {
				whole++
			}
		}
	}
	if boards < 12 || float64(whole) < 0.9*float64(boards) {
		t.Errorf("%d of %d boards are followed as wholes", whole, boards)
	}
}
