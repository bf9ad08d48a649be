package cli

import (
	"fmt"
	"math"
	"strings"

	"wheelplane/pose/plan"
	"wheelplane/pose/rig"
	"wheelplane/vision"
)

// A photograph's verdict: good, or what is wrong with it. What counts is what it
// costs: how uncertain a board's corners are together, against what a plan foresees
// of that board in a usual picture (plan.Detector).

// kind is what may be wrong with a photograph, or with a board in it.
type kind string

const (
	isGood    kind = "good"
	isMoved   kind = "moved"
	isBlurred kind = "blurred"
	isDark    kind = "too dark"
	isBright  kind = "too bright"
	isRough   kind = "not as printed"
	isCovered kind = "covered"
	isCut     kind = "cut off"
	isSmall   kind = "too small"
	isOblique kind = "too oblique"
	isFew     kind = "one board only"
	isNone    kind = "no board"
)

const (
	// mostCost is how many times what a plan foresees the uncertainty of a board's
	// corners may be. The demo's 184 boards have 0.94 in the middle, 1.6 at 95 %.
	mostCost = 2

	usualContrast = 170 // grey levels of white print over black, in the demo's photographs
	mostClipped   = 0.5 // of a board's white print at the top of the scale
)

// photoVerdict is what a photograph is good for.
type photoVerdict struct {
	Verdict kind   `json:"verdict"`
	Why     string `json:"why,omitempty"` // what was measured
	Do      string `json:"do,omitempty"`
	Spread  spread `json:"point_spread"`

	boards []boardVerdict // as the views
}

// spread is a point spread as scripts see it.
type spread struct {
	LongPx       float64 `json:"long_px"` // standard deviations along its axes
	ShortPx      float64 `json:"short_px"`
	DirectionDeg float64 `json:"direction_deg"` // of the long one, from the sensor's x towards its y
	TrailPx      float64 `json:"trail_px"`      // even motion that would draw it out so
}

func spreadOf(s vision.PointSpread) spread {
	long, short, direction := s.Axes()
	trail, _ := s.Motion()
	return spread{long, short, direction * 180 / math.Pi, trail}
}

type boardVerdict struct {
	Verdict kind
	Cost    float64 // stated over planned uncertainty of its corners
	why, do string
	quality vision.BoardQuality
}

func (v *photoVerdict) good() bool { return v.Verdict == isGood }

// line is the verdict in one line.
func (v *photoVerdict) line() string {
	if v.good() {
		return string(v.Verdict)
	}
	return fmt.Sprintf("%s: %s; %s", v.Verdict, v.Why, v.Do)
}

// judgePhoto looks at what was found in a photograph. least is how many good
// boards make a good one: two where it is to tie boards together. With closely the
// point spread is measured in a good one too.
func judgePhoto(photo *vision.Image, boards []vision.Board, r vision.Result, least int, closely bool) photoVerdict {
	v := photoVerdict{}
	list := vision.Weigh(boards, r)
	v.judge(boards, r, list, nil, photo.Info, least)
	if v.good() && !closely {
		return v
	}
	q := vision.Assess(photo.Pix, boards, r)
	v.judge(boards, r, q.Boards, &q, photo.Info, least)
	v.Spread = spreadOf(q.Spread)
	return v
}

func (v *photoVerdict) judge(boards []vision.Board, r vision.Result, list []vision.BoardQuality, all *vision.Quality, info vision.Info, least int) {
	v.boards = nil
	var sound, poor, beyond int
	var worst, far *boardVerdict
	for i := range r.Views {
		v.boards = append(v.boards, judgeBoard(&boards[r.Views[i].Board], &r.Views[i], list[i], info))
	}
	for i := range v.boards {
		switch b := &v.boards[i]; b.Verdict {
		case isGood:
			sound++
		case isSmall, isOblique:
			beyond++
			if far == nil {
				far = b
			}
		default:
			poor++
			if worst == nil || b.Cost > worst.Cost {
				worst = b
			}
		}
	}
	switch {
	case len(r.Views) == 0:
		v.Verdict = isNone
		v.Why, v.Do = "none is found in it", "have boards in the picture, or see 'wheelplane inspect --help' for the options that describe them"
		if all != nil {
			v.Why, v.Do = whyNone(all, r, info.Orientation)
		}
	case sound >= least && poor <= sound:
		v.Verdict = isGood
	case worst != nil:
		v.take(worst, boards, r)
	case far != nil:
		v.take(far, boards, r)
	default:
		v.Verdict = isFew
		v.Why, v.Do = "it ties to nothing", "have two or more boards in each photograph"
	}
}

// take makes a board's trouble the photograph's, and names the boards that have it.
func (v *photoVerdict) take(b *boardVerdict, boards []vision.Board, r vision.Result) {
	v.Verdict, v.Why, v.Do = b.Verdict, b.why, b.do
	var names []string
	for i := range v.boards {
		if v.boards[i].Verdict == b.Verdict {
			names = append(names, boards[r.Views[i].Board].Name)
		}
	}
	noun := "board"
	if len(names) > 1 {
		noun = "boards"
	}
	cost := ""
	if b.Cost > mostCost {
		cost = fmt.Sprintf(", corners %.0f times as uncertain as planned", b.Cost)
	}
	v.Why = fmt.Sprintf("%s (%s %s%s)", v.Why, noun, strings.Join(names, ", "), cost)
}

// judgeBoard says what is wrong with a board's picture, of several things that
// which costs most.
func judgeBoard(board *vision.Board, view *vision.View, q vision.BoardQuality, info vision.Info) boardVerdict {
	width, orientation := info.Width, info.Orientation
	d := plan.Detector{}.WithDefaults(width)
	b := boardVerdict{Verdict: isGood, quality: q}
	px := allCorners(board, view)
	foreseen := sigmaOf(board, px, d, width)
	if foreseen > 0 {
		b.Cost = math.Min(999, q.SigmaPx/foreseen)
	}
	switch {
	case view.SquarePx < d.LeastSquarePx:
		b.Verdict, b.why, b.do = isSmall, fmt.Sprintf("squares of %.1f px where %.0f are needed", view.SquarePx, d.LeastSquarePx), "go nearer"
		return b
	case q.Obliquity > d.MostOblique:
		b.Verdict, b.why, b.do = isOblique, fmt.Sprintf("seen at %.0f degrees, where up to %.0f count", q.Obliquity*180/math.Pi, d.MostOblique*180/math.Pi), "stand more in front of it"
		return b
	case b.Cost <= mostCost:
		return b
	}
	_, short, _ := q.Spread.Axes()
	trail, direction := q.Spread.Motion()
	blurred := d
	blurred.BlurPx = math.Max(short, d.BlurPx)
	// What each is worth of the cost. Blur as foreseen; a trail as measured on phone
	// pictures with trails of 0 to 4 px: 1, 2, 3.7, 5.7 times as uncertain at 0, 2, 3,
	// 4 px, with point spreads of 0.8 px.
	causes := []struct {
		kind    kind
		factor  float64
		why, do string
	}{
		{isMoved, 1 + math.Pow(trail/(2.3*short), 2),
			fmt.Sprintf("points are drawn out by %.1f px %s", trail, wayOf(direction, orientation)), "hold the camera still, leaned on something, or give it more light"},
		{isBlurred, sigmaOf(board, px, blurred, width) / foreseen,
			fmt.Sprintf("point spread of %.1f px where %.1f is usual", short, d.BlurPx), "focus on the boards and wipe the lens"},
		{isDark, usualContrast / math.Max(1, q.Contrast),
			fmt.Sprintf("white print is %.0f grey levels above black where %d are usual", q.Contrast, usualContrast), "more light, or a longer exposure held still"},
		{isBright, clippedCost(q.Clipped, b.Cost),
			fmt.Sprintf("%.0f %% of the white print is at the top of the scale", 100*q.Clipped), "less exposure, no sun on the board"},
		{isCovered, missing(q.Missing, q.Covered, q.Outside),
			fmt.Sprintf("%d of %d corners are hidden", q.Covered, board.NumCorners()), "take away what is before it, or stand elsewhere"},
		{isCut, missing(q.Missing, q.Outside, q.Covered),
			fmt.Sprintf("%d of %d corners are outside the picture", q.Outside, board.NumCorners()), "have the whole board in the picture"},
		{isRough, 1.5, "it does not look as it was designed", "look for glare, dirt, bad print or a bent board"},
	}
	best := causes[0]
	for _, c := range causes[1:] {
		if c.factor > best.factor {
			best = c
		}
	}
	b.Verdict, b.why, b.do = best.kind, best.why, best.do
	return b
}

// allCorners are where a board's corners are in the picture, used or not; nil where
// that is not known of all.
func allCorners(board *vision.Board, view *vision.View) [][2]float64 {
	px := make([][2]float64, board.NumCorners())
	if len(view.Corners)+len(view.Rejected) != len(px) {
		return nil
	}
	for _, c := range view.Corners {
		px[c.Index] = c.Px
	}
	for _, c := range view.Rejected {
		px[c.Index] = c.Px
	}
	return px
}

// sigmaOf is SigmaPx of [vision.BoardQuality] as a detector foresees it; 0 where
// that is not known.
func sigmaOf(board *vision.Board, px [][2]float64, d plan.Detector, width int) float64 {
	if px == nil {
		return 0
	}
	v, ok := d.Foresee(board, px, width)
	if !ok {
		return 0
	}
	sigma := vision.Weigh([]vision.Board{*board}, vision.Result{Views: []vision.View{v}})[0].SigmaPx
	if math.IsInf(sigma, 0) {
		return 0
	}
	return sigma
}

// clippedCost puts all that a board costs down to clipping where most of its white
// print is clipped.
func clippedCost(clipped, cost float64) float64 {
	if clipped < mostClipped {
		return 1
	}
	return cost
}

// missing is the factor for corners that are missing if most are for this reason.
func missing(factor float64, here, other int) float64 {
	if here <= other {
		return 1
	}
	return factor
}

// wayOf says a direction in the upright picture.
func wayOf(direction float64, orientation int) string {
	slope := math.Abs(math.Atan2(math.Abs(math.Sin(direction)), math.Abs(math.Cos(direction)))) * 180 / math.Pi
	if orientation >= 5 && orientation <= 8 {
		slope = 90 - slope
	}
	switch {
	case slope < 25:
		return "sideways"
	case slope > 65:
		return "up and down"
	}
	return "slantwise"
}

// Where no board is found, what the picture itself tells.
const (
	darkLevel   = 60  // all but a hundredth of the pixels are darker: boards are lost between 33 and 56 in rendered pictures
	brightShare = 0.3 // of all pixels at the top of the scale
	// Point spreads and trails at which boards of the plan's least size are lost, px.
	lostBlurPx  = 3
	lostTrailPx = 7
)

func whyNone(q *vision.Quality, r vision.Result, orientation int) (why, do string) {
	s := spreadOf(q.Spread)
	_, direction := q.Spread.Motion()
	switch {
	case len(r.UnknownIDs) > 0:
		return "its markers are of no board that is known here: ids " + ranges(r.UnknownIDs), "name the boards as they are printed"
	case q.Light.Bright < darkLevel:
		return fmt.Sprintf("the picture is dark, hardly a pixel above grey level %.0f of 255", q.Light.Bright), "more light, or a longer exposure held still"
	case q.Light.Full > brightShare:
		return fmt.Sprintf("%.0f %% of the picture is at the top of the scale", 100*q.Light.Full), "less exposure"
	case s.TrailPx > lostTrailPx && s.LongPx > 1.5*s.ShortPx:
		return fmt.Sprintf("the picture is moved, points drawn out by some %.0f px %s", s.TrailPx, wayOf(direction, orientation)), "hold the camera still, or give it more light"
	case s.ShortPx > lostBlurPx:
		return fmt.Sprintf("the picture is blurred, with a point spread of some %.0f px", s.ShortPx), "focus on the boards and wipe the lens"
	}
	return "no board is in sight, or too far away or covered", "have boards in the picture, with squares of 8 px or more"
}

// remarks are the verdict on the annotated picture.
func (v *photoVerdict) remarks() vision.Remarks {
	say := vision.Remarks{}
	if v.good() {
		say.Title = []string{"good"}
	} else {
		say.Title = append(inLines(string(v.Verdict)+": "+v.Why), inLines(v.Do)...)
	}
	for _, b := range v.boards {
		text := ""
		if b.Verdict != isGood {
			text = string(b.Verdict)
		}
		say.Boards = append(say.Boards, text)
	}
	if v.Verdict == isMoved || v.Verdict == isNone && strings.Contains(v.Why, "moved") {
		sin, cos := math.Sincos(v.Spread.DirectionDeg * math.Pi / 180)
		say.Trail = [2]float64{v.Spread.TrailPx * cos, v.Spread.TrailPx * sin}
	}
	return say
}

// inLines breaks a text for the top of a picture that may be upright.
func inLines(text string) []string {
	const most = 60 // characters
	var out []string
	line := ""
	for _, word := range strings.Fields(text) {
		if line != "" && len(line)+1+len(word) > most {
			out = append(out, line)
			line = ""
		}
		line = strings.TrimPrefix(line+" "+word, " ")
	}
	return append(out, line)
}

// notGoodText lists the photographs that are not good, a line each.
func notGoodText(list []rig.PhotoVerdict) string {
	if len(list) == 0 {
		return ""
	}
	var b strings.Builder
	b.WriteString("\nphotographs that are not good:\n")
	for _, v := range list {
		fmt.Fprintf(&b, "%s: %s: %s; %s\n", v.Photo, v.Verdict, v.Why, v.Do)
	}
	return b.String()
}
