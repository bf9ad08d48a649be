package record_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"wheelplane/cmd/wheelplane/internal/draw/drawtest"
	"wheelplane/cmd/wheelplane/internal/record"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
)

func pdfOf(t testing.TB, in *record.Input, o record.Options) []byte {
	t.Helper()
	var b bytes.Buffer
	if _, err := record.WritePDF(&b, in, o); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func htmlOf(t testing.TB, in *record.Input, o record.Options) string {
	t.Helper()
	var b bytes.Buffer
	if err := record.WriteHTML(&b, in, o); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// Every example's PDF opens with its fonts embedded, at its paper's size, and
// the one-page style has one page (poppler's pdffonts and pdfinfo).
func TestPDFStructure(t *testing.T) {
	for _, x := range examples(t) {
		t.Run(x.name, func(t *testing.T) {
			pdf := pdfOf(t, x.in, x.o)
			rows := strings.Split(strings.TrimSpace(drawtest.Run(t, pdf, "pdffonts", "PDF")), "\n")[2:]
			if len(rows) != 2 {
				t.Errorf("%d fonts, want regular and bold: %q", len(rows), rows)
			}
			for _, r := range rows {
				// name, type (two words), encoding, embedded, subset, unicode map
				if f := strings.Fields(r); len(f) < 7 || f[4] != "yes" || f[6] != "yes" {
					t.Errorf("a font is not embedded, or its text cannot be read out: %s", r)
				}
			}
			info := drawtest.Run(t, pdf, "pdfinfo", "PDF")
			size := "595.28 x 841.89 pts (A4)"
			if x.o.Paper == "Letter" {
				size = "612 x 792 pts (letter)"
			}
			if !strings.Contains(info, size) {
				t.Errorf("want pages of %s:\n%s", size, info)
			}
			pages := regexp.MustCompile(`Pages: +(\d+)`).FindStringSubmatch(info)
			if n, _ := strconv.Atoi(pages[1]); x.o.Style == record.OnePage && n != 1 || n < 1 || n > 8 {
				t.Errorf("%d pages", n)
			}
			if x.name == "train" && !strings.Contains(drawtest.Run(t, pdf, "pdftotext", "-layout", "PDF", "-"), "page "+pages[1]+" of "+pages[1]) {
				t.Error("the last page does not say that it is")
			}
		})
	}
}

func TestPDFChecked(t *testing.T) {
	for _, x := range examples(t) {
		if out := drawtest.Run(t, pdfOf(t, x.in, x.o), "qpdf", "--check", "PDF"); !strings.Contains(out, "No syntax or stream encoding errors found") {
			t.Errorf("%s: %s", x.name, out)
		}
	}
}

// The same input gives the same bytes.
func TestRepeats(t *testing.T) {
	in := whole(t)
	pdf, page := pdfOf(t, in, record.Options{}), htmlOf(t, in, record.Options{})
	if !bytes.Equal(pdf, pdfOf(t, in, record.Options{})) {
		t.Error("the PDF differs from run to run")
	}
	if page != htmlOf(t, in, record.Options{}) {
		t.Error("the HTML differs from run to run")
	}
}

// What the record must tell can be read out of the PDF and the HTML.
func TestTells(t *testing.T) {
	in := whole(t)
	text := strings.Join(strings.Fields(drawtest.Run(t, pdfOf(t, in, record.Options{}), "pdftotext", "-layout", "PDF", "-")), " ")
	page := htmlOf(t, in, record.Options{})
	for _, want := range []string{
		"Wheel alignment record", "yard truck no. 3", "FY 0003", "48 210 km", "J. Tide", "14 March 2026", "315/80 R 22.5", "850", "tyre pressures",
		"axle 3, right end moved rearward", "As found", "As left", "within", "outside", "Thrust angle", "limits", "thrust line", "centreline",
		"angles drawn", "times larger", "42", "4381", "0.041", "k = 2", "JCGM 106", "Chock the wheels", "Turn plates are locked", "torque", "maker's manual", "local codes", "m per km",
		"Measured by", "Accepted for the customer", "wheelplane 0.3.0", "invented for the demo",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the PDF does not tell %q", want)
		}
		if !strings.Contains(strings.NewReplacer("&#39;", "'", "\u00a0", " ").Replace(page), want) {
			t.Errorf("the HTML does not tell %q", want)
		}
	}
	for _, r := range in.Readings {
		if r.Quantity == align.ThrustAngle && r.Epoch == "as left" {
			want := strings.Replace(strconv.FormatFloat(r.Value, 'f', 3, 64), "-", "−", 1)
			if !strings.Contains(text, want) || !strings.Contains(page, want) {
				t.Errorf("the thrust angle as left, %s, is not told", want)
			}
		}
	}
}

// The HTML is well-formed where it can be checked: its drawings are XML with a
// title that is announced, all ids are different, and nothing is fetched.
func TestHTML(t *testing.T) {
	for _, x := range examples(t) {
		page := htmlOf(t, x.in, x.o)
		drawings := regexp.MustCompile(`(?s)<svg.*?</svg>`).FindAllString(page, -1)
		if len(drawings) < 2 {
			t.Errorf("%s: %d drawings", x.name, len(drawings))
		}
		for _, d := range drawings {
			dec := xml.NewDecoder(strings.NewReader(d))
			for {
				if _, err := dec.Token(); errors.Is(err, io.EOF) {
					break
				} else if err != nil {
					t.Fatalf("%s: a drawing is not XML: %v\n%s", x.name, err, d)
				}
			}
			if strings.Contains(d, "NaN") || strings.Contains(d, "Inf") {
				t.Errorf("%s: a drawing has a number that is none", x.name)
			}
			if !strings.Contains(d, "aria-hidden") && !regexp.MustCompile(`role="img".*<title id=`).MatchString(d) {
				t.Errorf("%s: a drawing without a title", x.name)
			}
		}
		seen := map[string]bool{}
		for _, m := range regexp.MustCompile(` id="([^"]*)"`).FindAllStringSubmatch(page, -1) {
			if seen[m[1]] {
				t.Errorf("%s: id %s is used twice", x.name, m[1])
			}
			seen[m[1]] = true
		}
		if m := regexp.MustCompile(`(?i)<script|\ssrc=|href=|url\(|@import`).FindString(strings.ReplaceAll(page, "=HYPERLINK", "")); m != "" {
			t.Errorf("%s: the page fetches or runs something: %s", x.name, m)
		}
		if !strings.Contains(page, `<html lang="en-GB">`) || x.o.Style != record.Customer && !strings.Contains(page, `scope="rowgroup"`) {
			t.Errorf("%s: language or table headings are missing", x.name)
		}
		if x.name == "long" && (strings.Contains(page, "<b>Ferry") || !strings.Contains(page, "渡船")) {
			t.Error("a name is not escaped, or lost")
		}
		if strings.Contains(page, "ZgotmplZ") {
			t.Errorf("%s: the template refused a value", x.name)
		}
	}
}

func TestCSV(t *testing.T) {
	in := whole(t)
	in.Vehicle.Name = "=cmd|' /C calc'!A0"
	in.Job = "one, \"two\""
	var b bytes.Buffer
	if err := record.WriteCSV(&b, in); err != nil {
		t.Fatal(err)
	}
	// RFC 4180, 2.1: lines end with CR LF.
	if strings.Count(b.String(), "\r\n") != len(in.Readings)+1 {
		t.Errorf("%d lines end with CR LF, want %d", strings.Count(b.String(), "\r\n"), len(in.Readings)+1)
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	col := map[string]int{}
	for i, name := range rows[0] {
		col[name] = i
	}
	for i, r := range in.Readings {
		row := rows[i+1]
		get := func(name string) float64 {
			v, err := strconv.ParseFloat(row[col[name]], 64)
			if err != nil {
				t.Fatalf("row %d, %s: %v", i+1, name, err)
			}
			return v
		}
		if row[0] != "one, \"two\"" || row[1] != "'=cmd|' /C calc'!A0" {
			t.Fatalf("names came out as %q", row[:2])
		}
		if math.Abs(get("value")-r.Value) > 1e-6*math.Abs(r.Value) || math.Abs(get("expanded_u_k2")-2*r.U) > 1e-6*r.U || row[col["unit"]] != r.Unit {
			t.Errorf("row %q does not tell reading %+v", row, r)
		}
		target := in.Target(r)
		if (target == nil) != (row[col["verdict"]] == "") {
			t.Errorf("row %q: verdict and target do not go together", row)
		}
		if target != nil && r.Unit == "deg" {
			want := target.Judge(r.Value*math.Pi/180, r.U*math.Pi/180, in.Rule)
			if row[col["verdict"]] != string(want.Verdict) || math.Abs(get("probability_within")-want.Conformance) > 1e-6 || math.Abs(get("high")-target.High*180/math.Pi) > 1e-6 {
				t.Errorf("row %q, want %+v of %+v", row, want, *target)
			}
		}
	}
}

func TestJSON(t *testing.T) {
	in := whole(t)
	d, err := record.JSON(in)
	if err != nil {
		t.Fatal(err)
	}
	text, err := json.Marshal(d)
	if err != nil {
		t.Fatal(err)
	}
	var back struct {
		Epochs   []string
		Counts   map[string]int
		Readings []struct {
			Epoch, Unit string
			Value       float64
			Target      *struct {
				Low, High *float64
				Verdict   string
			}
		}
		Visit struct {
			Tyres []struct {
				TreadMM float64 `json:"tread_mm"`
			}
		}
		Spec struct {
			Confidence float64
		}
	}
	if err := json.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	count := map[string]int{}
	for _, r := range back.Readings {
		if r.Target != nil && r.Epoch == "as left" {
			count[r.Target.Verdict]++
		}
	}
	if len(back.Readings) != len(in.Readings) || strings.Join(back.Epochs, ", ") != "as found, tag axle squared, as left" || back.Visit.Tyres[0].TreadMM != 11.2 || back.Spec.Confidence != 0.95 {
		t.Errorf("got %d readings, epochs %v, tyres %v, confidence %g", len(back.Readings), back.Epochs, back.Visit.Tyres, back.Spec.Confidence)
	}
	for _, v := range []string{"within", "outside", "undecided"} {
		if back.Counts[v] != count[v] {
			t.Errorf("%s: counted %d, told %d", v, count[v], back.Counts[v])
		}
	}
}

func TestRefuses(t *testing.T) {
	in := whole(t)
	for _, x := range []struct {
		want string
		do   func() error
	}{
		{"no readings", func() error {
			_, err := record.WritePDF(io.Discard, &record.Input{Vehicle: in.Vehicle}, record.Options{})
			return err
		}},
		{"axle 9", func() error {
			bad := *in
			bad.Readings = append([]rig.Reading{{Epoch: "as found", Quantity: align.Toe, Axle: 9, Unit: "deg"}}, in.Readings...)
			return record.WriteHTML(io.Discard, &bad, record.Options{})
		}},
		{"choose A4 or Letter", func() error { return record.WriteHTML(io.Discard, in, record.Options{Paper: "A9"}) }},
		{"choose full", func() error { return record.WriteHTML(io.Discard, in, record.Options{Style: "fancy"}) }},
	} {
		if err := x.do(); err == nil || !strings.Contains(err.Error(), x.want) {
			t.Errorf("got %v, want an error that says %q", err, x.want)
		}
	}
}

// All files of the largest record take less than two seconds of processor time.
func TestUnderTwoSeconds(t *testing.T) {
	list := examples(t)
	x := list[slices.IndexFunc(list, func(x example) bool { return x.name == "train" })]
	used := func() time.Duration {
		var r syscall.Rusage
		if err := syscall.Getrusage(syscall.RUSAGE_SELF, &r); err != nil {
			t.Fatal(err)
		}
		return time.Duration(r.Utime.Nano() + r.Stime.Nano())
	}
	before := used()
	pdfOf(t, x.in, x.o)
	htmlOf(t, x.in, x.o)
	if err := record.WriteCSV(io.Discard, x.in); err != nil {
		t.Fatal(err)
	}
	if _, err := record.JSON(x.in); err != nil {
		t.Fatal(err)
	}
	if took := used() - before; took > 2*time.Second {
		t.Errorf("took %v", took)
	} else {
		t.Logf("took %v", took)
	}
}

func BenchmarkWritePDF(b *testing.B) {
	in := whole(b)
	for b.Loop() {
		if _, err := record.WritePDF(io.Discard, in, record.Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
