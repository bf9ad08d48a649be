package cli

import (
	"fmt"
	"math"
	"strings"

	"wheelplane/cmd/wheelplane/internal/wording"
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

	boards    []boardVerdict // as the views
	movedAway bool           // no board is found, for the picture is moved
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
		v.Why, v.Do = wording.Say("verdict.none.why"), wording.Say("verdict.none.do")
		if all != nil {
			v.Why, v.Do, v.movedAway = whyNone(all, r, info.Orientation)
		}
	case sound >= least && poor <= sound:
		v.Verdict = isGood
	case worst != nil:
		v.take(worst, boards, r)
	case far != nil:
		v.take(far, boards, r)
	default:
		v.Verdict = isFew
		v.Why, v.Do = wording.Say("verdict.few.why"), wording.Say("verdict.few.do")
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
	cost := ""
	if b.Cost > mostCost {
		cost = wording.Say("verdict.cost", "times", fmt.Sprintf("%.0f", b.Cost))
	}
	list := strings.Join(names, ", ")
	if len(names) > 1 {
		v.Why = wording.Say("verdict.boards", "why", v.Why, "boards", list, "cost", cost)
	} else {
		v.Why = wording.Say("verdict.board", "why", v.Why, "board", list, "cost", cost)
	}
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
		b.Verdict, b.why, b.do = isSmall, wording.Say("verdict.small.why", "size", fmt.Sprintf("%.1f", view.SquarePx), "least", fmt.Sprintf("%.0f", d.LeastSquarePx)), wording.Say("verdict.small.do")
		return b
	case q.Obliquity > d.MostOblique:
		b.Verdict, b.why, b.do = isOblique, wording.Say("verdict.oblique.why", "angle", fmt.Sprintf("%.0f", q.Obliquity*180/math.Pi), "most", fmt.Sprintf("%.0f", d.MostOblique*180/math.Pi)), wording.Say("verdict.oblique.do")
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
			wording.Say("verdict.moved.why", "trail", fmt.Sprintf("%.1f", trail), "way", wayOf(direction, orientation)), wording.Say("verdict.moved.do")},
		{isBlurred, sigmaOf(board, px, blurred, width) / foreseen,
			wording.Say("verdict.blurred.why", "spread", fmt.Sprintf("%.1f", short), "usual", fmt.Sprintf("%.1f", d.BlurPx)), wording.Say("verdict.blurred.do")},
		{isDark, usualContrast / math.Max(1, q.Contrast),
			wording.Say("verdict.dark.why", "levels", fmt.Sprintf("%.0f", q.Contrast), "usual", usualContrast), wording.Say("verdict.dark.do")},
		{isBright, clippedCost(q.Clipped, b.Cost),
			wording.Say("verdict.bright.why", "share", fmt.Sprintf("%.0f", 100*q.Clipped)), wording.Say("verdict.bright.do")},
		{isCovered, missing(q.Missing, q.Covered, q.Outside),
			wording.Say("verdict.covered.why", "count", q.Covered, "all", board.NumCorners()), wording.Say("verdict.covered.do")},
		{isCut, missing(q.Missing, q.Outside, q.Covered),
			wording.Say("verdict.cut.why", "count", q.Outside, "all", board.NumCorners()), wording.Say("verdict.cut.do")},
		{isRough, 1.5, wording.Say("verdict.rough.why"), wording.Say("verdict.rough.do")},
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
		return wording.Say("way.sideways")
	case slope > 65:
		return wording.Say("way.upright")
	}
	return wording.Say("way.slantwise")
}

// Where no board is found, what the picture itself tells.
const (
	darkLevel   = 60  // all but a hundredth of the pixels are darker: boards are lost between 33 and 56 in rendered pictures
	brightShare = 0.3 // of all pixels at the top of the scale
	// Point spreads and trails at which boards of the plan's least size are lost, px.
	lostBlurPx  = 3
	lostTrailPx = 7
)

// moved: it is a trail that hides them.
func whyNone(q *vision.Quality, r vision.Result, orientation int) (why, do string, moved bool) {
	s := spreadOf(q.Spread)
	_, direction := q.Spread.Motion()
	switch {
	case len(r.UnknownIDs) > 0:
		return wording.Say("verdict.unknown.why", "ids", ranges(r.UnknownIDs)), wording.Say("verdict.unknown.do"), false
	case q.Light.Bright < darkLevel:
		return wording.Say("verdict.none.dark", "level", fmt.Sprintf("%.0f", q.Light.Bright)), wording.Say("verdict.dark.do"), false
	case q.Light.Full > brightShare:
		return wording.Say("verdict.none.bright", "share", fmt.Sprintf("%.0f", 100*q.Light.Full)), wording.Say("verdict.none.bright.do"), false
	case s.TrailPx > lostTrailPx && s.LongPx > 1.5*s.ShortPx:
		return wording.Say("verdict.none.moved", "trail", fmt.Sprintf("%.0f", s.TrailPx), "way", wayOf(direction, orientation)), wording.Say("verdict.none.moved.do"), true
	case s.ShortPx > lostBlurPx:
		return wording.Say("verdict.none.blurred", "spread", fmt.Sprintf("%.0f", s.ShortPx)), wording.Say("verdict.blurred.do"), false
	}
	return wording.Say("verdict.none.far"), wording.Say("verdict.none.far.do"), false
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
	if v.Verdict == isMoved || v.movedAway {
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
