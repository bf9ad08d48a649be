// Package drawtest looks at PDFs as a reader of them would, with poppler's and
// qpdf's programs. For tests alone.
package drawtest

import (
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"wheelplane/cmd/wheelplane/internal/draw"
)

// Run runs a program on a PDF, which takes the place of the argument "PDF", and
// returns what it says; the test is skipped where the program is not installed.
func Run(t *testing.T, pdf []byte, name string, args ...string) string {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		t.Skipf("%s is not installed", name)
	}
	path := filepath.Join(t.TempDir(), "page.pdf")
	if err := os.WriteFile(path, pdf, 0o666); err != nil {
		t.Fatal(err)
	}
	for i, a := range args {
		if a == "PDF" {
			args[i] = path
		}
	}
	out, err := exec.Command(name, args...).CombinedOutput()
	if err != nil {
		t.Errorf("%s: %v\n%s", name, err, out)
	}
	return string(out)
}

// Page is what stands on a page.
type Page struct {
	Text  string // as pdftotext tells it, a <word> each
	Words []draw.Box
}

var word = regexp.MustCompile(`<word xMin="([\d.-]+)" yMin="([\d.-]+)" xMax="([\d.-]+)" yMax="([\d.-]+)">(.*?)</word>`)

// Pages tells where words stand on the pages of a PDF, mm from the top left.
func Pages(t *testing.T, pdf []byte) (out []Page) {
	t.Helper()
	for _, part := range strings.Split(Run(t, pdf, "pdftotext", "-bbox", "PDF", "-"), "<page ")[1:] {
		page := Page{Text: part}
		for _, m := range word.FindAllStringSubmatch(part, -1) {
			var v [4]float64
			for i := range v {
				v[i], _ = strconv.ParseFloat(m[i+1], 64)
				v[i] *= draw.Point
			}
			// What is told is the font's ascent to descent, a line and more.
			h := v[3] - v[1]
			page.Words = append(page.Words, draw.Box{Text: m[5], X0: v[0], Y0: v[1] + 0.2*h, X1: v[2], Y1: v[3] - 0.2*h})
		}
		out = append(out, page)
	}
	return out
}

// Overlaps lists the words that have more than so many mm in common both ways.
func (p *Page) Overlaps(most float64) (out [][2]draw.Box) {
	for i, a := range p.Words {
		for _, b := range p.Words[:i] {
			if math.Min(a.X1, b.X1)-math.Max(a.X0, b.X0) > most && math.Min(a.Y1, b.Y1)-math.Max(a.Y0, b.Y0) > most {
				out = append(out, [2]draw.Box{a, b})
			}
		}
	}
	return out
}
