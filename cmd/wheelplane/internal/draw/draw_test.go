package draw_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"wheelplane/cmd/wheelplane/internal/draw"
)

var gallery = flag.String("gallery", "", "write the drawings as SVG and PDF into this `folder`, to be looked at")

func charts() map[string]*draw.Picture {
	var fall, low []draw.Dot
	for n := 3; n <= 20; n++ {
		fall = append(fall, draw.Dot{X: float64(n), Y: 0.5 / float64(n), U: 0.08 / float64(n)})
		low = append(low, draw.Dot{X: float64(n), Y: 0.2 / float64(n)})
	}
	return map[string]*draw.Picture{
		"linear": draw.Chart{W: 85, H: 60, Title: "Photographs and uncertainty", X: draw.Axis{Name: "photographs", Whole: true}, Y: draw.Axis{Name: "largest standard uncertainty, degrees"},
			Lines: []draw.Series{{Name: "chosen", Dots: fall, Band: true}, {Name: "with boards on the body", Dots: low}}, Guides: []draw.Guide{{Name: "wanted", At: 0.05}}}.Picture(),
		"log": draw.Chart{W: 120, H: 70, X: draw.Axis{Name: "turn, degrees", Log: true}, Y: draw.Axis{Name: "u, degrees", Log: true},
			Lines:  []draw.Series{{Name: "one", Dots: fall, Loose: true}, {Name: "two", Dots: low, Loose: true}, {Name: "three", Dots: low[4:], Loose: true}, {Name: "four", Dots: fall[6:9]}},
			Guides: []draw.Guide{{Name: "here", At: 18, Upright: true}, {At: 0.01, Name: "asked"}}}.Picture(),
		"signs": draw.Chart{W: 60, H: 45, X: draw.Axis{Name: "x"}, Y: draw.Axis{Name: "y"}, Lines: []draw.Series{{Dots: []draw.Dot{{X: -2, Y: -0.4, U: 0.1}, {X: 0, Y: 0.1, U: 0.1}, {X: 3, Y: 0.5, U: 0.2}}}}}.Picture(),
		"one":   draw.Chart{W: 60, H: 45, X: draw.Axis{Name: "x"}, Y: draw.Axis{Name: "y"}, Lines: []draw.Series{{Dots: []draw.Dot{{X: 2, Y: 7}}}}}.Picture(),
		"none":  draw.Chart{W: 60, H: 45, X: draw.Axis{Name: "x"}, Y: draw.Axis{Name: "y", Log: true}}.Picture(),
		"bars": draw.Bars{W: 182, Title: "Where it comes from", Unit: "%", Max: 100, Sources: []string{"corners", "camera", "print scale", "flatness", "floor", "clamps", "slip", "kingpin", "rest"},
			Rows: []draw.Bar{{Name: "axle 1 toe left", Parts: []float64{20, 10, 5, 15, 30, 10, 4, 3, 3}, Note: "0.0113 deg"}, {Name: "axle 2 camber right", Parts: []float64{0, 0, 50, 0, 50}, Note: "0.0144 deg"}}}.Picture(),
		"short bars": draw.Bars{W: 70, Sources: []string{"corners", "floor"}, Rows: []draw.Bar{{Name: "toe", Parts: []float64{0, 0}}, {Name: "a name that is far too long for the room it has", Parts: []float64{1, 2}, Note: "x"}}}.Picture(),
		"wedges":     wedges(),
	}
}

func wedges() *draw.Picture {
	p := &draw.Picture{W: 40, H: 40, Title: "Wedges"}
	p.Add(draw.Shape{Path: draw.Wedge(20, 20, 15, 0, 0.5), Fill: draw.Blue})
	p.Add(draw.Shape{Path: draw.Wedge(20, 20, 15, math.Pi, 1.9*math.Pi), Stroke: draw.Ink, Width: 0.3})
	v := draw.Vehicle{Axles: []draw.Axle{{X: 4, Half: 1, Tyre: 1, Width: 0.3}, {Half: 1, Tyre: 1, Width: 0.3}}}
	v.Enclose()
	p.Body(&v, draw.Above{X: 30, Y: 30, Scale: 4}, true)
	return p
}

func TestTidy(t *testing.T) {
	for name, p := range charts() {
		for _, fault := range p.Untidy() {
			t.Errorf("%s: %s", name, fault)
		}
		if *gallery != "" {
			var svg, pdf bytes.Buffer
			if err := p.WriteSVG(&svg); err != nil {
				t.Fatal(err)
			}
			if _, err := draw.WritePDF(&pdf, draw.About{Title: name}, p); err != nil {
				t.Fatal(err)
			}
			for ext, b := range map[string][]byte{".svg": svg.Bytes(), ".pdf": pdf.Bytes()} {
				if err := os.WriteFile(filepath.Join(*gallery, name+ext), b, 0o666); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	over := &draw.Picture{W: 20, H: 10}
	over.Write(1, 5, "long enough", 8, draw.Ink, false, draw.Start)
	over.Write(3, 5.5, "over it", 8, draw.Ink, false, draw.Start)
	over.Write(15, 5, "out of the picture", 8, draw.Ink, false, draw.Start)
	if n := len(over.Untidy()); n < 3 {
		t.Errorf("only %d faults are seen in a picture that has three", n)
	}
}

// Every picture is XML that Go's own reader takes, and says what it shows.
func TestSVGIsXML(t *testing.T) {
	for name, p := range charts() {
		var b bytes.Buffer
		if err := p.WriteSVG(&b); err != nil {
			t.Fatal(err)
		}
		d := xml.NewDecoder(&b)
		for {
			if _, err := d.Token(); errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
		}
	}
}

// numbers lists those of every path with these words after it.
func numbers(svg, after string) (out [][]float64) {
	for _, m := range regexp.MustCompile(`<path d="([^"]*)" `+after).FindAllStringSubmatch(svg, -1) {
		var list []float64
		for _, s := range regexp.MustCompile(`-?[\d.]+`).FindAllString(m[1], -1) {
			v, _ := strconv.ParseFloat(s, 64)
			list = append(list, v)
		}
		out = append(out, list)
	}
	return out
}

// A line stands where its axes say: halves are half way, and on logarithmic axes
// equal ratios are equal ways.
func TestChartIsTrue(t *testing.T) {
	axis := func(log bool) draw.Axis { return draw.Axis{Log: log, Min: 1, Max: 9} }
	line := []draw.Series{{Dots: []draw.Dot{{X: 1, Y: 9}, {X: 3, Y: 3}, {X: 5, Y: 5}, {X: 9, Y: 1}}, Band: true}}
	for _, c := range []struct {
		log   bool
		where int // of the dot half way along both axes
	}{{false, 2}, {true, 1}} {
		svg := draw.Chart{W: 80, H: 60, X: axis(c.log), Y: axis(c.log), Lines: line}.Picture().SVG("", "")
		way := numbers(svg, `fill="none" stroke="#0072b2"`)
		if len(way) != 1 || len(way[0]) != 8 {
			t.Fatalf("the line is not found: %v", way)
		}
		w := way[0]
		for k := range 2 {
			if got, want := w[2*c.where+k], (w[k]+w[6+k])/2; math.Abs(got-want) > 0.01 {
				t.Errorf("log %v: coordinate %d of the middle is %g, want %g", c.log, k, got, want)
			}
		}
		if w[0] >= w[6] || w[1] >= w[7] {
			t.Errorf("log %v: the axes do not grow to the right and up: %v", c.log, w)
		}
	}
}

// Parts are as long as they say, one after the other, to the scale's end.
func TestBarsAreTrue(t *testing.T) {
	svg := draw.Bars{W: 100, Max: 10, Sources: []string{"a", "b"}, Rows: []draw.Bar{{Name: "x", Parts: []float64{2, 8}}}}.Picture().SVG("", "")
	a, b := numbers(svg, `fill="#0072b2"`), numbers(svg, `fill="#d7e6f1"`)
	if len(a) != 2 || len(b) != 2 { // in the key and in the bar
		t.Fatalf("%d and %d parts", len(a), len(b))
	}
	wa, wb := a[1][2]-a[1][0], b[1][2]-b[1][0]
	if math.Abs(wb-4*wa) > 0.01 || math.Abs(b[1][0]-a[1][2]) > 0.01 || math.Abs(b[1][2]-98) > 0.01 {
		t.Errorf("parts of 2 and 8: %v %v", a[1], b[1])
	}
}

// An arc of cubic curves leaves its circle by less than 2.7e-4 of the radius
// even over a quarter (Goldapp 1991, from memory); ours span an eighth.
func TestWedgeIsRound(t *testing.T) {
	path := draw.Wedge(5, 7, 2, 0.3, 4)
	from := path[1].P[0]
	for _, g := range path[2 : len(path)-1] {
		for k := 0.0; k <= 1; k += 0.125 {
			b := [4]float64{(1 - k) * (1 - k) * (1 - k), 3 * k * (1 - k) * (1 - k), 3 * k * k * (1 - k), k * k * k}
			x := b[0]*from[0] + b[1]*g.P[0][0] + b[2]*g.P[1][0] + b[3]*g.P[2][0]
			y := b[0]*from[1] + b[1]*g.P[0][1] + b[2]*g.P[1][1] + b[3]*g.P[2][1]
			if r := math.Hypot(x-5, y-7); math.Abs(r-2) > 2e-5 {
				t.Fatalf("radius %g, want 2", r)
			}
		}
		from = g.P[2]
	}
	if end := [2]float64{5 + 2*math.Cos(4), 7 - 2*math.Sin(4)}; math.Hypot(from[0]-end[0], from[1]-end[1]) > 1e-9 {
		t.Errorf("the arc ends at %v, want %v", from, end)
	}
}

func TestWritePDF(t *testing.T) {
	var b bytes.Buffer
	p := &draw.Picture{W: 100, H: 50}
	p.Write(1, 10, "snowman \u2603", 10, draw.Ink, false, draw.Start)
	lost, err := draw.WritePDF(&b, draw.About{Title: "two pages"}, p, p)
	if err != nil || !strings.HasPrefix(b.String(), "%PDF-") || string(lost) != "\u2603" {
		t.Errorf("lost %q, %v", string(lost), err)
	}
	if n := strings.Count(b.String(), "/Type /Page\n"); n != 2 {
		t.Errorf("%d pages, want 2", n)
	}
	if _, err := draw.WritePDF(&b, draw.About{}, &draw.Picture{W: 220, H: 50}); err == nil {
		t.Error("a picture wider than the page is set")
	}
}
