package planned_test

import (
	"bytes"
	"flag"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/cmd/wheelplane/internal/planned"
	"wheelplane/fixtures"
	"wheelplane/pose/plan"
)

var gallery = flag.String("gallery", "", "write every example's PDF and SVG into this `folder`, to be looked at")

const degree = math.Pi / 180

// made are the examples' plans: tests look at the same ones.
var made = map[string]*plan.Choice{}

// example plans a scene the quickest way: stations, roll and floor are told.
func example(t *testing.T, name string, stations int, around bool) (*planned.File, *plan.Choice) {
	t.Helper()
	s, err := fixtures.NewScene(name, 5, 4000)
	if err != nil {
		t.Fatal(err)
	}
	o := plan.Options{Wanted: 0.03 * degree, Turn: 30 * degree, Steady: true}
	o.FloorFromBoard = plan.BesidePlaces(s.Job, len(s.Job.Floor), 2)
	if around {
		o.FloorFromBoard = plan.FloorPlaces(s.Job, len(s.Job.Floor))
	}
	key := fmt.Sprint(name, stations, around)
	c := made[key]
	if c == nil {
		if c, err = plan.Choose(s.Job, s.Camera, stations, o); err != nil {
			t.Fatal(err)
		}
		made[key] = c
	}
	return planned.NewFile(s.Job, c, o.Wanted), c
}

var examples = []struct {
	name     string
	stations int
	around   bool
}{{"harbour-car", 2, false}, {"yard-truck", 2, true}, {"five-axle", 1, false}, {"semi-trailer", 2, false}, {"jacked", 1, false}, {"sweep", 1, false}, {"body-boards", 1, true}}

// On no page do texts overlap or stand in the margins, and nothing to be carried
// out is drawn in a colour: it may be copied in grey.
func TestPagesAreTidy(t *testing.T) {
	for _, x := range examples {
		f, c := example(t, x.name, x.stations, x.around)
		if x.name == "harbour-car" {
			f.Trades = trades()
		}
		pages := planned.Pages(f, c, "demo: "+x.name)
		if want := 2 + len(f.Stations); len(pages) < want {
			t.Errorf("%s: %d pages, want %d or more", x.name, len(pages), want)
		}
		for i, p := range pages {
			for _, fault := range p.Untidy() {
				t.Errorf("%s, page %d: %s", x.name, i+1, fault)
			}
			for _, b := range p.Texts() {
				if b.X0 < 12.9 || b.X1 > draw.A4Width-12.9 || b.Y0 < 8 || b.Y1 > draw.A4Height-6 {
					t.Errorf("%s, page %d: %q stands in the margin: %+v", x.name, i+1, b.Text, b)
				}
			}
			for _, s := range p.Shapes {
				for _, colour := range []draw.Colour{s.Fill, s.Stroke} {
					if chroma(colour) > 30 && i <= len(f.Stations) {
						t.Errorf("%s, page %d: drawn in %s", x.name, i+1, colour)
					}
				}
			}
		}
		if *gallery != "" {
			write(t, filepath.Join(*gallery, x.name), pages)
		}
	}
}

// chroma is how far a colour is from grey, of 255.
func chroma(c draw.Colour) int {
	if c == "" {
		return 0
	}
	v, err := strconv.ParseUint(string(c[1:]), 16, 32)
	if err != nil {
		panic(err)
	}
	r, g, b := int(v>>16), int(v>>8&255), int(v&255)
	return max(r, g, b) - min(r, g, b)
}

func write(t *testing.T, base string, pages []*draw.Picture) {
	t.Helper()
	var pdf, svg bytes.Buffer
	if _, err := draw.WritePDF(&pdf, draw.About{Title: base}, pages...); err != nil {
		t.Fatal(err)
	}
	if err := planned.WriteSVG(&svg, pages); err != nil {
		t.Fatal(err)
	}
	for ext, b := range map[string][]byte{".pdf": pdf.Bytes(), ".svg": svg.Bytes()} {
		if err := os.WriteFile(base+ext, b, 0o666); err != nil {
			t.Fatal(err)
		}
	}
}

func trades() *planned.Trades {
	line := func(scale float64, xs ...float64) (out []planned.TradePoint) {
		for i, x := range xs {
			u := scale / float64(i+1)
			out = append(out, planned.TradePoint{X: x, RollMM: 9 * x, Photos: 5 * (i + 1), Worst: u, Camber: u, Toe: u / 3, Course: u / 20})
		}
		return out
	}
	return &planned.Trades{Photos: line(0.1, 9, 10, 11, 12, 13), PhotosBody: line(0.05, 9, 10, 11), Turn: line(0.1, 10, 15, 20, 30, 45, 60, 90),
		Stations: line(1, 1, 2, 3, 4, 5), StationsBody: line(0.3, 1, 2, 3, 4, 5), Floor: line(0.04, 2, 4, 6, 8, 10)}
}

// The list names each shot with its boards, and the PDF holds it as text (poppler
// reads it).
func TestPDFSaysIt(t *testing.T) {
	tool, err := exec.LookPath("pdftotext")
	if err != nil {
		t.Skip("pdftotext (poppler-utils) is not installed")
	}
	f, c := example(t, "harbour-car", 2, false)
	base := filepath.Join(t.TempDir(), "plan")
	write(t, base, planned.Pages(f, c, "demo"))
	out, err := exec.Command(tool, "-raw", base+".pdf", "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Join(strings.Fields(string(out)), " ")
	for _, s := range f.Shots {
		if boards := strings.Join(s.Boards, " "); !strings.Contains(text, boards) {
			t.Errorf("shot %d: boards %s are not on a page", s.Number, boards)
		}
	}
	for _, want := range []string{"Station 1 (1 of 2)", "Roll forward by", "Half a metre", "chocked", "maker's manual"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not in the PDF", want)
		}
	}
	for i, s := range f.Stations {
		if i > 0 && !strings.Contains(text, strconv.Itoa(int(s.RollMM))+" mm") {
			t.Errorf("the roll to station %s, %g mm, is not in the PDF", s.Name, s.RollMM)
		}
	}
}

// Marks stand where the plan says, to the drawing's scale, unless they would hide
// each other: then a line leads to the place.
func TestDrawingIsTrue(t *testing.T) {
	f, c := example(t, "harbour-car", 2, false)
	svg := planned.Pages(f, c, "demo")[1].SVG("", "")
	// The views begin where one stands.
	var got [][2]float64
	for _, m := range regexp.MustCompile(`<path d="M([\d.]+) ([\d.]+)L[^"]*" fill="#e3e7ea"`).FindAllStringSubmatch(svg, -1) {
		x, _ := strconv.ParseFloat(m[1], 64)
		y, _ := strconv.ParseFloat(m[2], 64)
		got = append(got, [2]float64{x, y})
	}
	var want [][3]float64
	for _, s := range f.Shots {
		if s.Station == f.Stations[0].Name {
			want = append(want, s.AtMM)
		}
	}
	if len(got) != len(want) || len(got) < 3 {
		t.Fatalf("%d views drawn of %d shots", len(got), len(want))
	}
	// Two of them give the scale, which the others keep.
	d := func(i, j int) (page, ground float64) {
		return math.Hypot(got[i][0]-got[j][0], got[i][1]-got[j][1]), math.Hypot(want[i][0]-want[j][0], want[i][1]-want[j][1])
	}
	p, g := d(0, len(got)-1)
	scale := p / g
	for i := 1; i < len(got); i++ {
		if dx, wx := got[i][0]-got[0][0], -(want[i][1]-want[0][1])*scale; math.Abs(dx-wx) > 0.05 {
			t.Errorf("shot %d is drawn %.2f mm across from the first, want %.2f", i+1, dx, wx)
		}
		if dy, wy := got[i][1]-got[0][1], -(want[i][0]-want[0][0])*scale; math.Abs(dy-wy) > 0.05 {
			t.Errorf("shot %d is drawn %.2f mm below the first, want %.2f", i+1, dy, wy)
		}
	}
}

// What is done before a station follows from how it differs from the one before.
func TestDo(t *testing.T) {
	for name, want := range map[string][]string{
		"jacked": {"Leave the vehicle", "Clamp board A on to axle 1 left", "lift axle 1", "Spin the lifted wheels"},
		"sweep":  {"Leave the vehicle", "steer about 10 degrees to the left", "steer about 20 degrees to the left", "steer about 10 degrees to the right", "steer about 20 degrees to the right"},
	} {
		f, _ := example(t, name, 1, false)
		at := 0
		for _, s := range f.Stations {
			for at < len(want) && strings.Contains(s.Do, want[at]) {
				at++
			}
		}
		if at < len(want) {
			t.Errorf("%s: no station says %q: %+v", name, want[at], f.Stations)
		}
	}
}

// Marks of shots from one place stand beside each other, off the vehicle and
// within the picture.
func TestMarksAreApart(t *testing.T) {
	at := [][2]float64{{20, 30}, {20.5, 30}, {21, 31}, {38, 50}, {2, 2}, {20, 30}}
	if gap := planned.Apart(100, 100, at, [4]float64{40, 20, 60, 80}); gap < 0.2 {
		t.Errorf("marks are %.2f mm apart", gap)
	}
}
