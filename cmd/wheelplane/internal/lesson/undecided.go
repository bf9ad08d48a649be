package lesson

import (
	"context"
	"fmt"
	"math"

	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/fixtures"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"

	"gonum.org/v1/gonum/stat/distuv"
)

// undecidedData is the undecided lesson's part of lesson.json; degrees.
type undecidedData struct {
	Cases       []Case        `json:"cases"`
	Limit       float64       `json:"limit"`
	Value       float64       `json:"value"`
	U           float64       `json:"u"`
	True        float64       `json:"truth"`
	Z           float64       `json:"answer_z"`
	Conformance float64       `json:"answer_probability_within"`
	Verdict     align.Verdict `json:"answer_verdict"`
	NeededU     float64       `json:"answer_u_needed"`
	Repeats     int           `json:"repeats"`
	TypicalU    float64       `json:"repeats_u"`
	Shares      []shares      `json:"shares"`
}

// shares is how often which verdict came, where the true value lies so many u
// inside the limit (below 0: outside).
type shares struct {
	Inside    float64 `json:"true_value_inside_u"`
	Within    float64 `json:"within"`
	Undecided float64 `json:"undecided"`
	Outside   float64 `json:"outside"`
	Wrong     float64 `json:"wrong"`         // surely said, and wrong
	Hasty     float64 `json:"wrong_hastily"` // wrong, if the value alone is held against the limit

	// What a normal distribution expects of them.
	ExpectedWithin    float64 `json:"expected_within"`
	ExpectedUndecided float64 `json:"expected_undecided"`
	ExpectedHasty     float64 `json:"expected_wrong_hastily"`
}

// sure is how sure a verdict must be, as for any job.
const sure = 0.95

func undecided(ctx context.Context, b Bench, c Class) (*Sheet, error) {
	const folder = "car"
	scene, err := fixtures.NewScene("harbour-car", c.Seed, c.Size)
	if err != nil {
		return nil, err
	}
	if err := b.Photograph(ctx, folder, scene); err != nil {
		return nil, err
	}
	m, err := measured(ctx, b, folder)
	if err != nil {
		return nil, err
	}
	got, truth, err := m.find(align.TotalToe, 1, align.NoSide)
	if err != nil {
		return nil, err
	}
	d := &undecidedData{Cases: dataOf([]*Measured{m}), Value: got.Value, U: got.U, True: truth.Value, Repeats: c.Repeats}
	if d.Repeats == 0 {
		d.Repeats = 120
	}
	// A limit near the value, as a class would want it, to a thousandth.
	d.Limit = math.Ceil((got.Value+0.9*got.U)*1e3) / 1e3
	target := align.Target{Quantity: align.TotalToe, Axle: 1, Low: math.Inf(-1), High: d.Limit}
	j := target.Judge(got.Value, got.U, align.Rule{Confidence: sure})
	d.Z, d.Conformance, d.Verdict = (d.Limit-got.Value)/got.U, j.Conformance, j.Verdict
	z95 := distuv.UnitNormal.Quantile(sure)
	d.NeededU = (d.Limit - got.Value) / z95

	again, err := repeats(ctx, b, scene, d.Repeats)
	if err != nil {
		return nil, err
	}
	for _, r := range again {
		d.TypicalU += r.U / float64(len(again))
	}
	t := Table{
		Caption: fmt.Sprintf("Of %d repeats, percent. In brackets: what the normal distribution expects.", len(again)),
		Columns: []Column{words("true value"), numbers("within"), numbers("undecided"), numbers("outside"), numbers("surely said, and wrong"), numbers("hastily said, and wrong")},
	}
	bars := draw.Bars{W: 170, Title: "Verdicts, by where the true value lies", Desc: "Undecided is widest where the true value is near the limit.", Unit: "%", Max: 100, Sources: []string{"within", "undecided", "outside"}}
	for _, k := range []float64{4, 3, 2, 1, 0, -1, -2, -3, -4} {
		s := shareOf(again, truth.Value, k, d.TypicalU, z95)
		d.Shares = append(d.Shares, s)
		what := "on the limit"
		if k > 0 {
			what = fmt.Sprintf("%g u inside", k)
		} else if k < 0 {
			what = fmt.Sprintf("%g u outside", -k)
		}
		beside := func(v, expected float64) string {
			return fmt.Sprintf("%s (%s)", wording.Decimal(100*v, 0), wording.Decimal(100*expected, 0))
		}
		t.Rows = append(t.Rows, []string{what, beside(s.Within, s.ExpectedWithin), beside(s.Undecided, s.ExpectedUndecided), beside(s.Outside, 1-s.ExpectedWithin-s.ExpectedUndecided), wording.Decimal(100*s.Wrong, 1), beside(s.Hasty, s.ExpectedHasty)})
		bars.Rows = append(bars.Rows, draw.Bar{Name: what, Parts: []float64{100 * s.Within, 100 * s.Undecided, 100 * s.Outside}, Note: wording.Decimal(100*s.Undecided, 0) + " % undecided"})
	}
	near := d.Shares[3] // 1 u inside
	return &Sheet{
		Question: "A reading lies just inside its limit. Why does the program not say that it is within?",
		Guess:    fmt.Sprintf("Total toe of the front axle is measured as %s ± %s degrees, and may be %s at most. A hundred honest workshops measure this car. How many of them would find it beyond the limit?", wording.Decimal(d.Value, 4), wording.Decimal(d.U, 4), wording.Decimal(d.Limit, 3)),
		Done: []string{
			c.photographed(len(scene.Job.Photos), "car with two axles"),
			fmt.Sprintf("Then the same car is measured %d times more, each time from the beginning: other clamps, floor boards, places, another phone with its own calibration. For these repeats the boards' corners are drawn with noise of %g pixels, instead of rendering some thousand photographs. Each gives a value with its u (%s degrees on average), and each is judged against limits that lie at different distances from the true value.", d.Repeats, CornerPx, wording.Decimal(d.TypicalU, 4)),
			fmt.Sprintf("The program says within, or outside, only if that is %s %% sure (JCGM 106); otherwise it says undecided. Hastily means: whoever just compares the value with the limit.", wording.Decimal(100*sure, 0)),
		},
		Tables: []Table{t},
		Numbers: []string{
			fmt.Sprintf("The repeats do not agree to the last digit, and nobody has made a mistake: that is what u tells beforehand. %s", scatterText(again, truth.Value, d.TypicalU)),
			fmt.Sprintf("Where the true value lies one u inside its limit, %s %% of the repeats find it beyond. Whoever compares hastily sends these cars away with the wrong verdict. The program says outside to %s %% of them, and undecided to %s %%.", wording.Decimal(100*near.Hasty, 0), wording.Decimal(100*near.Outside, 0), wording.Decimal(100*near.Undecided, 0)),
			"Far from the limit hardly anything is undecided. So undecided does not mean that the measurement was bad. It means that it was not good enough for this limit, so near to it.",
		},
		Picture: bars.Picture(),
		Caption: "How often which verdict came, for true values at different distances from the limit.",
		Bay: []string{
			"Undecided is an answer: do not round it to within, nor to outside. Adjust nearer to the target, which is cheap for toe, or measure better: more places, a longer roll, one more station.",
			"A reading that must be within, such as one that a law asks for, is within only where the program says so. A customer may see the probability that stands beside it.",
		},
		Exercise: []string{
			fmt.Sprintf("Measured: %s ± %s degrees. Limit: at most %s degrees.", wording.Decimal(d.Value, 4), wording.Decimal(d.U, 4), wording.Decimal(d.Limit, 3)),
			"a) By how many u is the value inside the limit? What is the probability that the true value is within? (From a table of the normal distribution: 0.5 u 69 %, 0.75 u 77 %, 1 u 84 %, 1.25 u 89 %, 1.5 u 93 %, 2 u 98 %.) What is the verdict?",
			"b) The value stays. How small must u be for the verdict to become within? (95 % belong to 1.645 u.)",
		},
		Answer: []string{
			fmt.Sprintf("a) (%s − %s) / %s = %s u inside. The probability is %s %%, which is not %s %%: %s. (True, and known only because the car is invented, is %s degrees.)", wording.Decimal(d.Limit, 3), wording.Decimal(d.Value, 4), wording.Decimal(d.U, 4), wording.Decimal(d.Z, 2), wording.Decimal(100*d.Conformance, 1), wording.Decimal(100*sure, 0), d.Verdict, wording.Decimal(d.True, 4)),
			fmt.Sprintf("b) (%s − %s) / 1.645 = %s degrees or less. As measured it is %s: %s times as large.", wording.Decimal(d.Limit, 3), wording.Decimal(d.Value, 4), wording.Decimal(d.NeededU, 5), wording.Decimal(d.U, 4), wording.Decimal(d.U/d.NeededU, 2)),
		},
		Folders: []Folder{{folder, "the car that is judged"}},
		Data:    d,
	}, nil
}

// repeats measures the front axle's total toe so many times anew.
func repeats(ctx context.Context, b Bench, scene *fixtures.Scene, n int) ([]rig.Reading, error) {
	out := make([]rig.Reading, n)
	err := b.Each(ctx, "measuring again", n, func(i int) error {
		again, err := scene.ByOthers(scene.Seed*1000003 + uint64(i) + 1)
		if err != nil {
			return err
		}
		obs := again.DrawCorners(CornerPx, DrawnOblique, uint64(i))
		s, err := rig.Solve(ctx, again.Job, again.Camera, obs, rig.Options{})
		if err != nil {
			return fmt.Errorf("repeat %d: %w", i+1, err)
		}
		var ok bool
		out[i], ok = rig.Find(rig.ForFiles(s.Readings), rig.Reading{Epoch: rig.AsFound, Quantity: align.TotalToe, Axle: 1})
		if !ok {
			return fmt.Errorf("repeat %d gave no total toe of axle 1: choose another --seed", i+1)
		}
		return nil
	})
	return out, err
}

// shareOf counts the verdicts where the true value lies k of u inside an upper
// limit, and what a normal distribution expects of them.
func shareOf(again []rig.Reading, truth, k, u, z95 float64) shares {
	s := shares{Inside: k}
	limit := truth + k*u
	t := align.Target{Low: math.Inf(-1), High: limit}
	one := 1 / float64(len(again))
	for _, r := range again {
		v := t.Judge(r.Value, r.U, align.Rule{Confidence: sure}).Verdict
		switch v {
		case align.Within:
			s.Within += one
		case align.Outside:
			s.Outside += one
		default:
			s.Undecided += one
		}
		if v == align.Outside && k >= 0 || v == align.Within && k < 0 {
			s.Wrong += one
		}
		if (r.Value > limit) != (k < 0) {
			s.Hasty += one
		}
	}
	phi := distuv.UnitNormal.CDF
	s.ExpectedWithin = phi(k - z95)
	s.ExpectedUndecided = phi(k+z95) - phi(k-z95)
	s.ExpectedHasty = phi(-math.Abs(k))
	return s
}

// scatterText tells how the repeats lie around the truth.
func scatterText(again []rig.Reading, truth, u float64) string {
	in, sum := 0, 0.0
	for _, r := range again {
		sum += (r.Value - truth) * (r.Value - truth)
		if math.Abs(r.Value-truth) <= 2*r.U {
			in++
		}
	}
	return fmt.Sprintf("They lie around the true value by %s degrees (root mean square) where u says %s, and %s %% of them within 2 u.",
		wording.Decimal(math.Sqrt(sum/float64(len(again))), 4), wording.Decimal(u, 4), wording.Decimal(100*float64(in)/float64(len(again)), 0))
}
