package cli

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/cmd/wheelplane/internal/draw/drawtest"
	"wheelplane/cmd/wheelplane/internal/lesson"
	"wheelplane/vision"

	"gonum.org/v1/gonum/diff/fd"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

var lessonGallery = flag.String("lessons", "", "leave the lessons of the tests in this `folder`, to be looked at")

// held holds a lesson: with drawn corners, unless it is told otherwise.
func held(t *testing.T, o lessonOptions) (s *lesson.Sheet, numbers map[string]any, dir string) {
	t.Helper()
	dir = t.TempDir()
	if *lessonGallery != "" {
		dir = filepath.Join(*lessonGallery, fmt.Sprintf("%s-%d-%d", o.name, o.seed, o.size))
		if err := os.MkdirAll(dir, 0o777); err != nil {
			t.Fatal(err)
		}
	}
	a := &App{Stdout: &bytes.Buffer{}, Stderr: &bytes.Buffer{}, Quiet: true}
	s, err := a.holdLesson(t.Context(), lesson.Find(o.name), o, dir)
	if err != nil {
		t.Fatalf("seed %d: %v", o.seed, err)
	}
	if err := a.writeLesson(dir, s, lessonJSON{Lesson: s.Name, Numbers: s.Data}); err != nil {
		t.Fatal(err)
	}
	text, err := json.Marshal(s.Data)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &numbers); err != nil {
		t.Fatal(err)
	}
	tidyLesson(t, s, dir)
	return s, numbers, dir
}

func drawnLesson(name string, seed uint64) lessonOptions {
	return lessonOptions{name: name, seed: seed, size: 1600, noPictures: true, repeats: 40}
}

// at follows keys and indices into decoded JSON.
func at(t *testing.T, v any, path ...any) float64 {
	t.Helper()
	for _, k := range path {
		switch k := k.(type) {
		case string:
			v = v.(map[string]any)[k]
		case int:
			list := v.([]any)
			if k < 0 {
				k += len(list)
			}
			v = list[k]
		}
	}
	f, ok := v.(float64)
	if !ok {
		t.Fatalf("no number at %v: %v", path, v)
	}
	return f
}

// errorsOf is the root mean square of errors and of uncertainties of a quantity in
// a case of lesson.json, and the largest error over its u.
func errorsOf(numbers map[string]any, which int, quantity string) (off, u, worst float64) {
	n := 0.0
	for _, r := range numbers["cases"].([]any)[which].(map[string]any)["readings"].([]any) {
		r := r.(map[string]any)
		if r["quantity"] == quantity {
			e, s := r["error"].(float64), r["u"].(float64)
			off, u, n, worst = off+e*e, u+s*s, n+1, math.Max(worst, math.Abs(e/s))
		}
	}
	return math.Sqrt(off / n), math.Sqrt(u / n), worst
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %g, want %g within %g", what, got, want, tolerance)
	}
}

func above(t *testing.T, what string, got, least float64) {
	t.Helper()
	if !(got > least) {
		t.Errorf("%s: %g, want more than %g", what, got, least)
	}
}

// Runout: one station errs more than ten times as much as three. The answer's half
// turn is that of the sine wave through the three stations' directions, found by
// solving for it: a direction that goes round a circle, projected (geometry).
func checkRunout(t *testing.T, d map[string]any) {
	above(t, "error of one station over that of three", at(t, d, "rms_error_one_station")/at(t, d, "rms_error_three_stations"), 10)
	for which := range 2 {
		if _, _, worst := errorsOf(d, which, "toe"); worst > 4 {
			t.Errorf("case %d: toe is off by %.1f u", which, worst)
		}
	}
	var m mat.Dense
	rows, values := mat.NewDense(3, 3, nil), mat.NewVecDense(3, nil)
	for i := range 3 {
		phi := at(t, d, "directions", i, "turned_deg") * math.Pi / 180
		rows.SetRow(i, []float64{1, math.Cos(phi), math.Sin(phi)})
		values.SetVec(i, at(t, d, "directions", i, "toe"))
	}
	if err := m.Solve(rows, values); err != nil {
		t.Fatal(err)
	}
	near(t, "middle of the wave", at(t, d, "toe"), m.At(0, 0), 0.01)
	near(t, "half a turn on", at(t, d, "answer_half_turn"), m.At(0, 0)-m.At(1, 0), 0.01)
	near(t, "half a turn on, in truth", at(t, d, "answer_half_turn"), at(t, d, "true_half_turn"), 8*at(t, d, "u"))
	near(t, "the mean", at(t, d, "answer_mean"), at(t, d, "true_toe"), 4*at(t, d, "u"))
}

// Roll: uncertainty falls as the rule says. The rule against the covariance of a
// least-squares fit (Gauss-Markov, as in the GUM, JCGM 100, H.3): two directions
// are a middle and a radius turned about it.
func checkRoll(t *testing.T, d map[string]any) {
	u := func(turnDeg float64) float64 {
		s, c := math.Sincos(turnDeg * math.Pi / 180)
		j := mat.NewDense(4, 4, []float64{
			1, 0, 1, 0,
			0, 1, 0, 1,
			1, 0, c, -s,
			0, 1, s, c,
		})
		var n, cov mat.Dense
		n.Mul(j.T(), j)
		if err := cov.Inverse(&n); err != nil {
			t.Fatal(err)
		}
		return math.Sqrt(cov.At(0, 0))
	}
	first, last := at(t, d, "rolls", 0, "turn_deg"), at(t, d, "rolls", -1, "turn_deg")
	near(t, "u foreseen", at(t, d, "answer_u_foreseen"), at(t, d, "rolls", 0, "u")*u(last)/u(first), 1e-9)
	near(t, "u foreseen over u found", at(t, d, "answer_u_foreseen")/at(t, d, "rolls", -1, "u"), 1, 0.35)
	near(t, "u at the answer's turn", at(t, d, "rolls", 0, "u")*u(at(t, d, "answer_turn_deg"))/u(first), at(t, d, "wanted_u"), 1e-9)
	// On the ground as far as a wheel's rim is long over that part of its turn.
	near(t, "way", at(t, d, "answer_way_mm"), 2*math.Pi*at(t, d, "rolling_radius")*at(t, d, "answer_turn_deg")/360, 1e-6)
	above(t, "u of the shortest roll over that of the longest", at(t, d, "rolls", 0, "u")/at(t, d, "rolls", -1, "u"), 6)
	for i := range d["rolls"].([]any) {
		if z := at(t, d, "rolls", i, "error") / at(t, d, "rolls", i, "u"); math.Abs(z) > 4 {
			t.Errorf("roll %d: off by %.1f u", i, z)
		}
	}
}

// Place: one more from another place is worth several from the same one, whose
// information adds up to less than that of repeated readings does (GUM, JCGM 100,
// 4.2.3), for they are correlated (5.2).
func checkPlace(t *testing.T, d map[string]any) {
	once, often, other := at(t, d, "walks", 1, "information"), at(t, d, "walks", 3, "information"), at(t, d, "walks", 4, "information")
	above(t, "gained by another place over gained by the same one", (other-1)/(once-1), 2)
	if once < 1 || once > 1.5 {
		t.Errorf("one again makes %g times the information", once)
	}
	if often < 1.4 || often > 3 {
		t.Errorf("three more of each make %g times the information: four is what averaging would give if nothing were common", often)
	}
	near(t, "u by averaging", at(t, d, "answer_u_if_noise_were_all"), at(t, d, "walks", 0, "u")*math.Sqrt(3.0/12), 1e-12)
	near(t, "u by averaging so many", at(t, d, "walks", 0, "u")/math.Sqrt(at(t, d, "answer_photos_needed")/3), at(t, d, "walks", 4, "u"), 1e-12)
}

// Print: lengths go with the scale, angles do not; a print that is off one way
// contradicts itself.
func checkPrint(t *testing.T, d map[string]any) {
	near(t, "wheelbase read over true", at(t, d, "wheelbase_read")/at(t, d, "true_wheelbase"), 1/at(t, d, "true_scale_fit_to_page"), 0.002)
	near(t, "scale by rule", at(t, d, "answer_scale"), at(t, d, "true_scale_fit_to_page"), 0.5/385+0.0015) // read to 0.5 mm, and what printers add
	near(t, "wheelbase", at(t, d, "answer_wheelbase"), at(t, d, "true_wheelbase"), 4*0.25/385*2680)
	wrong, _, worst := errorsOf(d, 0, "total_toe")
	right, u, _ := errorsOf(d, 1, "total_toe")
	if worst > 4 || math.Abs(wrong-right) > 2*u {
		t.Errorf("total toe is off by %g with a wrong scale and by %g with the right one", wrong, right)
	}
	above(t, "chi-square of a print stretched one way", at(t, d, "cases", 2, "chi_square"), 5)
	near(t, "chi-square where the print is left open", at(t, d, "cases", 3, "chi_square"), 1, 0.2)
	if _, _, worst := errorsOf(d, 3, "total_toe"); worst > 4 {
		t.Errorf("print left open: total toe is off by %.1f u", worst)
	}
}

// Camera: of the wrong files the one that is a little off costs nothing, those that
// are far off are named and set aside, and the one that states nothing fits nothing. What the lens does, against the
// camera's projection, which is held to OpenCV's elsewhere.
func checkCamera(t *testing.T, d map[string]any, dir string) {
	cam, err := vision.LoadCamera(filepath.Join(dir, "right-camera", "camera.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	cam.P1, cam.P2 = 0, 0
	r := at(t, d, "edge_over_focal")
	px, ok := cam.Project([3]float64{r, 0, 1})
	if !ok {
		t.Fatal("the exercise's point is not in the picture")
	}
	near(t, "moved by the lens", at(t, d, "answer_moved_px"), px[0]-(cam.CX+cam.FX*r), 1e-9)
	near(t, "times the corners' misfit", at(t, d, "answer_times"), math.Abs(px[0]-(cam.CX+cam.FX*r))/at(t, d, "rms_px"), 1e-6)
	near(t, "chi-square of the right file", at(t, d, "cases", 0, "chi_square"), 1, 0.2)
	for which := 1; which < 4; which++ {
		near(t, fmt.Sprintf("chi-square of file %d", which), at(t, d, "cases", which, "chi_square"), 1, 0.2)
		if _, _, worst := errorsOf(d, which, "total_toe"); worst > 4 {
			t.Errorf("file %d: total toe is off by %.1f u", which, worst)
		}
		told, _ := json.Marshal(d["cases"].([]any)[which].(map[string]any)["warnings"])
		if named := strings.Contains(string(told), "the camera is not what its file says"); named != (which > 1) {
			t.Errorf("file %d: the program warns of %s", which, told)
		}
	}
	if d["cases"].([]any)[4].(map[string]any)["refused"] == nil {
		above(t, "chi-square of the file that states nothing", at(t, d, "cases", 4, "chi_square"), 1.5)
	}
}

// Bent: every bow is found as it is; told flat, nothing fits. The slope against a
// numerical derivative of the parabola.
func checkBent(t *testing.T, d map[string]any) {
	for i := range d["bows"].([]any) {
		if z := (at(t, d, "bows", i, "found_mm") - at(t, d, "bows", i, "true_mm")) / at(t, d, "bows", i, "u_mm"); math.Abs(z) > 5 {
			t.Errorf("bow %d is off by %.1f u", i, z)
		}
	}
	gap, w := at(t, d, "answer_gap_mm"), at(t, d, "width_mm")
	slope := fd.Derivative(func(x float64) float64 { return gap * (2 * x / w) * (2 * x / w) }, w/2, nil)
	near(t, "slope at the edge", at(t, d, "answer_slope_deg"), math.Atan(slope)*180/math.Pi, 1e-6)
	near(t, "gap", gap, at(t, d, "true_gap_mm"), 5*at(t, d, "u_gap_mm"))
	if d["cases"].([]any)[0].(map[string]any)["refused"] == nil {
		above(t, "chi-square told flat", at(t, d, "cases", 0, "chi_square"), 3)
	}
	near(t, "chi-square allowed to bend", at(t, d, "cases", 1, "chi_square"), 1, 0.2)
}

// Undecided: verdicts come as often as a normal distribution has them, and the
// answer is JCGM 106:2012, 7.3: the probability below an upper limit is that of
// the standard normal at (limit − value) / u.
func checkUndecided(t *testing.T, d map[string]any, repeats int) {
	z := (at(t, d, "limit") - at(t, d, "value")) / at(t, d, "u")
	near(t, "probability", at(t, d, "answer_probability_within"), distuv.UnitNormal.CDF(z), 1e-12)
	if d["answer_verdict"] != "undecided" {
		t.Errorf("verdict %v at %g u inside", d["answer_verdict"], z)
	}
	// Of the standard normal 95 % lie below 1.644854 (any table).
	near(t, "u needed", at(t, d, "answer_u_needed"), (at(t, d, "limit")-at(t, d, "value"))/1.644854, 1e-7)
	for i := range d["shares"].([]any) {
		for _, what := range []string{"within", "undecided"} {
			p := at(t, d, "shares", i, "expected_"+what)
			// Binomial, and u differs a little from repeat to repeat.
			near(t, fmt.Sprint(what, " where the truth is inside by ", at(t, d, "shares", i, "true_value_inside_u")), at(t, d, "shares", i, what), p, 4*math.Sqrt(p*(1-p)/float64(repeats))+0.04)
		}
		sum := at(t, d, "shares", i, "within") + at(t, d, "shares", i, "undecided") + at(t, d, "shares", i, "outside")
		near(t, "all verdicts", sum, 1, 1e-9)
	}
	if hasty, wrong := at(t, d, "shares", 4, "wrong_hastily"), at(t, d, "shares", 4, "wrong"); hasty < 3*wrong {
		t.Errorf("on the limit %g are wrong hastily and %g surely: the lesson shows nothing", hasty, wrong)
	}
}

// Every lesson holds what it says, for classes with other numbers too. Corners are
// drawn here; TestLessonFromPhotographs renders.
func TestLessons(t *testing.T) {
	for _, l := range lesson.List {
		t.Run(l.Name, func(t *testing.T) {
			seeds := []uint64{1, 2}
			if l.Name == "undecided" || l.Name == "camera" || testing.Short() {
				seeds = seeds[:1] // these take seconds
			}
			for _, seed := range seeds {
				o := drawnLesson(l.Name, seed)
				_, d, dir := held(t, o)
				switch l.Name {
				case "runout":
					checkRunout(t, d)
				case "roll":
					checkRoll(t, d)
				case "place":
					checkPlace(t, d)
				case "print":
					checkPrint(t, d)
				case "camera":
					checkCamera(t, d, dir)
				case "bent":
					checkBent(t, d)
				case "undecided":
					checkUndecided(t, d, o.repeats)
				default:
					t.Fatalf("nothing checks the lesson %s", l.Name)
				}
				if t.Failed() {
					t.Fatalf("seed %d", seed)
				}
			}
		})
	}
}

// From rendered photographs, small ones; and the job folders it leaves measure as
// the lesson did.
func TestLessonFromPhotographs(t *testing.T) {
	if testing.Short() {
		t.Skip("renders photographs")
	}
	o := drawnLesson("runout", 1)
	o.noPictures, o.size = false, 900
	_, d, dir := held(t, o)
	checkRunout(t, d)
	before, err := os.ReadFile(filepath.Join(dir, "one-station", "result.json"))
	if err != nil {
		t.Fatal(err)
	}
	a := &App{Stdout: &bytes.Buffer{}, Stderr: &bytes.Buffer{}, Quiet: true}
	if _, _, err := a.measure(t.Context(), measureOptions{dir: filepath.Join(dir, "one-station")}); err != nil {
		t.Fatal(err)
	}
	after, err := os.ReadFile(filepath.Join(dir, "one-station", "result.json"))
	if err != nil {
		t.Fatal(err)
	}
	// A lesson does not ask what is still weak.
	var told, again map[string]any
	if err := errors.Join(json.Unmarshal(before, &told), json.Unmarshal(after, &again)); err != nil {
		t.Fatal(err)
	}
	delete(again, "still_weak")
	if len(told) == 0 || !reflect.DeepEqual(told, again) {
		t.Error("measured again, the folder gives another result")
	}
}

// unfilled is what a number that is none, or a wrong format, leaves in a text.
var unfilled = regexp.MustCompile(`NaN|\bInf\b|%!|\.\.|±\s*$`)

// tidyLesson looks at a lesson's pages: the picture's texts and the words of the
// pages stand clear of each other and of the margins (poppler's pdftotext tells
// where they stand), nothing is left unfilled, and the handout keeps the answer to
// itself.
func tidyLesson(t *testing.T, s *lesson.Sheet, dir string) {
	t.Helper()
	for _, fault := range s.Picture.Untidy() {
		t.Errorf("lesson %s, picture: %s", s.Name, fault)
	}
	if s.Picture.Title == "" || s.Picture.Desc == "" {
		t.Errorf("lesson %s: the picture does not say what it shows", s.Name)
	}
	var blocks []string
	for _, b := range append(s.Handout(), s.AnswerSheet()...) {
		blocks = append(blocks, b.Text)
		if b.Table != nil {
			for _, r := range b.Table.Rows {
				blocks = append(blocks, r...)
			}
		}
	}
	for _, x := range blocks {
		if unfilled.MatchString(x) {
			t.Errorf("lesson %s: %q", s.Name, x)
		}
	}
	page, err := os.ReadFile(filepath.Join(dir, "lesson.html"))
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range s.Answer {
		if bytes.Contains(page, []byte(a[:20])) {
			t.Errorf("lesson %s: the handout gives the answer away", s.Name)
		}
	}
	if _, err := exec.LookPath("pdftotext"); err != nil {
		return
	}
	for _, name := range []string{"lesson.pdf", "answer.pdf"} {
		pdf, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		pages := drawtest.Pages(t, pdf)
		if len(pages) > 2 {
			t.Errorf("lesson %s: %s has %d pages", s.Name, name, len(pages))
		}
		for i, page := range pages {
			if len(page.Words) < 10 {
				t.Errorf("lesson %s: %s, page %d: only %d words", s.Name, name, i+1, len(page.Words))
			}
			for _, w := range page.Words {
				if w.X0 < 17.9 || w.X1 > draw.A4Width-17.9 || w.Y0 < 8 || w.Y1 > draw.A4Height-7.5 {
					t.Errorf("lesson %s: %s, page %d: %q stands in the margin: %+v", s.Name, name, i+1, w.Text, w)
				}
			}
			for _, o := range page.Overlaps(0.3) {
				t.Errorf("lesson %s: %s, page %d: %q and %q overlap", s.Name, name, i+1, o[0].Text, o[1].Text)
			}
		}
	}
}

// Every lesson is checked by name above, and README.md tells of each.
func TestReadmeLessons(t *testing.T) {
	text := readme(t)
	var names []string
	for _, l := range lesson.List {
		if slices.Contains(names, l.Name) {
			t.Errorf("two lessons are called %s", l.Name)
		}
		names = append(names, l.Name)
		if !strings.Contains(text, "`"+l.Name+"`") {
			t.Errorf("README.md does not tell of the lesson `%s`", l.Name)
		}
	}
}
