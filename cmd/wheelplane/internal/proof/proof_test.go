package proof

import (
	"bytes"
	"flag"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"wheelplane/calib/jig"
	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/cmd/wheelplane/internal/draw/drawtest"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

var gallery = flag.String("gallery", "", "write the documents as PDF into this `folder`, to be looked at")

var made = draw.About{Title: "test", Version: "0.2.0", Made: time.Date(2026, 3, 14, 9, 0, 0, 0, time.UTC)}

// drawn is a study of invented numbers.
func drawn(t *testing.T, name, unit string, parts, operators, trials int, o jig.Options) Study {
	t.Helper()
	r := rand.New(rand.NewPCG(5, uint64(parts)))
	var list []jig.Trial
	for p := range parts {
		part := 2 * r.NormFloat64()
		for k := range operators {
			for range trials {
				list = append(list, jig.Trial{Part: fmt.Sprintf("%s %d", "no.", p+1), Operator: fmt.Sprintf("person %d", k+1), Value: part + 0.1*float64(k) + 0.2*r.NormFloat64()})
			}
		}
	}
	l, err := jig.Arrange(list)
	if err != nil {
		t.Fatal(err)
	}
	s, err := jig.Analyse(l, o)
	if err != nil {
		t.Fatal(err)
	}
	return Study{Name: name, Unit: unit, Study: s}
}

// compared is a jig of invented readings, measured so many times.
func compared(times int, claim float64) JigDocument {
	r := rand.New(rand.NewPCG(6, uint64(times)))
	var known []rig.Reading
	for axle := 1; axle <= 3; axle++ {
		for _, q := range []align.Quantity{align.Camber, align.Toe} {
			for _, side := range []align.Side{align.Left, align.Right} {
				known = append(known, rig.Reading{Epoch: rig.AsFound, Quantity: q, Axle: axle, Side: side, Unit: "deg", Value: r.NormFloat64(), U: 0.003})
			}
		}
		known = append(known, rig.Reading{Epoch: rig.AsFound, Quantity: align.Wheelbase, Axle: axle, Unit: "mm", Value: 12345.6 * float64(axle), U: 0.6})
	}
	d := JigDocument{
		Jig:      &jig.Jig{Name: "beam jig", Certificate: jig.Certificate{Number: "K-0214", By: "calibration room of the ferry yard", Method: "sine bar and angle blocks on a surface plate", Date: "2026-01-12", Temperature: jig.Quantity{Value: 20, U: 1, Unit: "°C"}}},
		ClaimDeg: claim, Temperature: math.NaN(), About: made,
		Name: func(q align.Quantity) string { return strings.ReplaceAll(string(q), "_", " ") },
	}
	var jobs []jig.Measured
	for k := range times {
		m := jig.Measured{Name: fmt.Sprintf("garage/jig/measured in spring/number %d", k+1), Epoch: rig.AsFound}
		for _, x := range known {
			u := 0.008
			if x.Unit == "mm" {
				u = 1
			}
			x.Value, x.U = x.Value+u*r.NormFloat64(), u
			m.Readings = append(m.Readings, x)
		}
		jobs = append(jobs, m)
		d.Jobs = append(d.Jobs, JigJob{Name: m.Name, Date: "2026-02-01", By: "R. Vell", Network: &rig.Network{Photos: 42, RMSPx: 0.03}, Tool: rig.Tool{Version: "0.2.0"}})
	}
	d.Comparison = jig.Compare(known, jobs, jig.CompareOptions{AngleDeg: claim})
	return d
}

type example struct {
	name  string
	write func(w io.Writer) ([]rune, error)
	tells []string // what can be read out of it
}

func examples(t *testing.T) []example {
	study := func(name string, tells []string, list ...Study) example {
		d := StudyDocument{Title: name, Parts: "fleet_no", By: "technician", Studies: list, About: made}
		return example{name, d.WritePDF, append(tells, "Gauge study", "How it was worked out")}
	}
	certificate := func(name string, d JigDocument, tells ...string) example {
		return example{name, d.WritePDF, append(tells, "Comparison with a known jig", "K-0214", "How it was decided", "Signatures")}
	}
	usual := drawn(t, "toe 1 left", "deg", 10, 3, 3, jig.Options{Tolerance: 5})
	large := drawn(t, "toe 1 left", "deg", 30, 7, 2, jig.Options{})
	one := drawn(t, "camber 1 left", "deg", 5, 1, 3, jig.Options{})
	single := drawn(t, "value", "", 6, 3, 1, jig.Options{Tolerance: 0.01})
	return []example{
		study("usual", []string{"Components, analysis of variance", "% tolerance", "Ranges", "By operator", fmt.Sprint(usual.Categories)}, usual),
		study("large", []string{"no. 30", "person 7"}, large),
		study("one operator", []string{"1 operator"}, one),
		study("one trial", []string{"unit not stated", "No average and range: one trial in each cell"}, single),
		study("several", []string{"All readings, standard deviations", "camber 1 left, deg"}, usual, large, one),
		certificate("jig once", compared(1, 0.05), "measured", "against angles ± 0.05 deg"),
		certificate("jig repeated", compared(6, 0.02), "bias", "worst error"),
		certificate("jig without a claim", compared(3, 0), "No accuracy is claimed"),
	}
}

// Every document is a sound PDF, tells what it must, keeps its margins, sets no
// word over another, and is the same when written again.
func TestDocuments(t *testing.T) {
	for _, x := range examples(t) {
		t.Run(x.name, func(t *testing.T) {
			var a, b bytes.Buffer
			lost, err := x.write(&a)
			if err != nil {
				t.Fatal(err)
			}
			if len(lost) > 0 {
				t.Errorf("signs lost: %q", lost)
			}
			if _, err := x.write(&b); err != nil || !bytes.Equal(a.Bytes(), b.Bytes()) {
				t.Errorf("written again it differs: %v", err)
			}
			if *gallery != "" {
				if err := os.WriteFile(filepath.Join(*gallery, x.name+".pdf"), a.Bytes(), 0o666); err != nil {
					t.Fatal(err)
				}
			}
			if out := drawtest.Run(t, a.Bytes(), "qpdf", "--check", "PDF"); !strings.Contains(out, "No syntax or stream encoding errors found") {
				t.Error(out)
			}
			text := strings.Join(strings.Fields(drawtest.Run(t, a.Bytes(), "pdftotext", "-layout", "PDF", "-")), " ")
			for _, want := range x.tells {
				if !strings.Contains(text, want) {
					t.Errorf("it does not tell %q", want)
				}
			}
			for i, page := range drawtest.Pages(t, a.Bytes()) {
				tidy(t, i+1, page)
			}
		})
	}
}

// tidy looks at where words stand on a page.
func tidy(t *testing.T, number int, page drawtest.Page) {
	for _, w := range page.Words {
		if w.X0 < 13.5 || w.X1 > draw.A4Width-13.5 || w.Y1 > draw.A4Height-7 {
			t.Errorf("page %d: %q stands in the margin", number, w.Text)
		}
	}
	for _, o := range page.Overlaps(0.2) {
		t.Errorf("page %d: %q and %q overlap", number, o[0].Text, o[1].Text)
	}
	if len(page.Words) == 0 {
		t.Errorf("page %d is empty", number)
	}
}

// A name in another script is not lost unseen.
func TestLostSigns(t *testing.T) {
	x := drawn(t, "渡船", "deg", 4, 2, 2, jig.Options{})
	lost, err := StudyDocument{Title: "t", Studies: []Study{x}, About: made}.WritePDF(io.Discard)
	if err != nil || string(lost) != "渡船" {
		t.Errorf("lost %q, %v", string(lost), err)
	}
}

// The certificate says of every verdict what it is called, and of what.
func TestVerdictWords(t *testing.T) {
	for claim, want := range map[float64]string{1: "pass", 0.001: "fail"} {
		if got := VerdictWord(compared(1, claim).Comparison.Verdict); got != want {
			t.Errorf("a claim of %g: %s", claim, got)
		}
	}
	if got := VerdictWord(align.Undecided); got != "undecided" {
		t.Errorf("undecided is called %q", got)
	}
	for _, c := range []struct {
		deg, mm float64
		want    string
	}{{0.05, 0, "angles ± 0.05 deg"}, {0.05, 3, "angles ± 0.05 deg, lengths ± 3 mm"}, {0, 0, "nothing is claimed"}} {
		if got := ClaimText(c.deg, c.mm); got != c.want {
			t.Errorf("%q", got)
		}
	}
}
