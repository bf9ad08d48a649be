package record

import (
	"fmt"
	"math"

	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/pose/align"
)

// sentence is a reading in plain words, with what is to be thought of it.
type sentence struct {
	*line
	text, verdict string
}

// sentences tells the readings of an axle in plain words.
func (t *telling) sentences(axle int) []sentence {
	var out []sentence
	add := func(l *line, text string) {
		if l != nil && l.now() != nil {
			out = append(out, sentence{l, text, plainVerdict(l.now())})
		}
	}
	if l := t.of(align.TotalToe, axle, align.NoSide); l != nil {
		add(l, t.told(l, func(v float64) string {
			return t.pointing("The wheels", v, axle, "toward each other", "away from each other")
		}))
	} else {
		for _, side := range []align.Side{align.Left, align.Right} {
			if l := t.of(align.Toe, axle, side); l != nil {
				add(l, t.told(l, func(v float64) string {
					return t.pointing("The "+string(side)+" wheel", v, axle, "inward", "outward")
				}))
			}
		}
	}
	for _, q := range []align.Quantity{align.ThrustAngle, align.ScrubAngle} {
		l := t.of(q, axle, align.NoSide)
		if l == nil {
			continue
		}
		left, right := "to the left", "to the right"
		if q == align.ScrubAngle {
			to := fmt.Sprintf("axle %d", t.Vehicle.Reference)
			left, right = "to the left of where "+to+" points", "to the right of where "+to+" points"
		}
		add(l, t.told(l, func(v float64) string { return t.pointing("The axle", v, axle, left, right) }))
	}
	if l := t.of(align.AxleOffset, axle, align.NoSide); l != nil && l.target != nil {
		add(l, t.told(l, func(v float64) string {
			if t.small(l, v) {
				return "The axle sits on the vehicle's middle line"
			}
			return fmt.Sprintf("The axle sits %s %s of the vehicle's middle line", t.plainLength(math.Abs(v)), pick(v > 0, "to the left", "to the right"))
		}))
	}
	for _, side := range []align.Side{align.Left, align.Right} {
		if l := t.of(align.Camber, axle, side); l != nil {
			add(l, t.told(l, func(v float64) string {
				if t.small(l, v) {
					return fmt.Sprintf("The %s wheel stands upright", side)
				}
				return fmt.Sprintf("The %s wheel leans %s at the top by %s", side, pick(v > 0, "outward", "inward"), t.plainAngle(math.Abs(v)))
			}))
		}
	}
	for _, side := range []align.Side{align.Left, align.Right} {
		if l := t.of(align.Caster, axle, side); l != nil {
			add(l, t.told(l, func(v float64) string {
				return fmt.Sprintf("The steering axis at the %s leans %s by %s (caster)", side, pick(v >= 0, "rearward", "forward"), t.plainAngle(math.Abs(v)))
			}))
		}
	}
	return out
}

// told is a sentence about a reading as it stands, and as it was where that was
// something else.
func (t *telling) told(l *line, say func(v float64) string) string {
	text := say(l.now().value)
	if l.left == nil || l.found == nil {
		return text
	}
	if was := say(l.found.value); was == text {
		return text + ", as before"
	}
	k, _, _ := t.scale(l.quantity, l.axle)
	was := t.plainAngle(math.Abs(l.found.value))
	switch {
	case l.IsLength():
		was = t.plainLength(math.Abs(l.found.value))
	case t.pointed(l.Quantity) && t.reference(l.axle) > 0:
		was = t.plainLength(t.reference(l.axle) * math.Abs(l.found.value))
	}
	if (l.found.value > 0) != (l.left.value > 0) && math.Abs(l.left.value)*k > 0 && !t.small(l, l.found.value) {
		was += ", the other way"
	}
	return fmt.Sprintf("%s (%s: %s)", text, t.first, was)
}

func pick(first bool, a, b string) string {
	if first {
		return a
	}
	return b
}

// pointed tells whether a quantity is a direction told as a distance over the
// wheel.
func (t *telling) pointed(q align.Quantity) bool {
	return q == align.Toe || q == align.TotalToe || q == align.ThrustAngle || q == align.ScrubAngle
}

// pointing tells a direction as a distance over the wheel, or as an angle where
// its diameter is not known.
func (t *telling) pointing(who string, v float64, axle int, positive, negative string) string {
	verb := "points"
	if who == "The wheels" {
		verb = "point"
	}
	d := t.reference(axle)
	amount := t.plainAngle(math.Abs(v))
	nothing := math.Abs(v) < 0.005*degree
	if d > 0 {
		// Over a wheel of diameter D an angle is D·sin(angle).
		amount = t.plainLength(d*math.Sin(math.Abs(v))) + " over the wheel"
		nothing = d*math.Abs(v) < 0.05e-3
	}
	if nothing {
		return who + " " + verb + " straight ahead"
	}
	return fmt.Sprintf("%s %s %s %s", who, verb, amount, pick(v > 0, positive, negative))
}

// small tells whether nobody needs to be told of a value.
func (t *telling) small(l *line, v float64) bool {
	if l.IsLength() {
		return math.Abs(v) < 0.05e-3
	}
	return math.Abs(v) < 0.05*degree
}

func (t *telling) plainLength(m float64) string {
	if t.Units == Imperial {
		return decimal(m/inch, 2) + "\u00a0in"
	}
	return decimal(m*1e3, 1) + "\u00a0mm"
}

func (t *telling) plainAngle(v float64) string {
	if t.Angles == Minutes {
		return minutes(v / degree)
	}
	return decimal(v/degree, 1) + "°"
}

func plainVerdict(c *cell) string {
	switch c.Verdict {
	case align.Within:
		return "within what the target allows"
	case align.Outside:
		return "outside what the target allows"
	case align.Undecided:
		return "too close to the limit to tell"
	}
	return "no target was given"
}

// plainSummary is the customer's first sentence.
func (t *telling) plainSummary() string {
	within, undecided, outside, _ := t.tally(false)
	n := within + undecided + outside
	switch {
	case n == 0:
		return "This is how the wheels stand. No target values were given, so nothing is judged here."
	case outside == 1:
		return fmt.Sprintf("Of %s with a target, one lies outside what the target allows. It is marked below.", wording.Count(n, "reading"))
	case outside > 0:
		return fmt.Sprintf("Of %s with a target, %d lie outside what the target allows. They are marked below.", wording.Count(n, "reading"), outside)
	case undecided == 1:
		return fmt.Sprintf("No reading lies outside what the target allows; of %s, one lies too close to a limit to tell.", wording.Count(n, "reading"))
	case undecided > 0:
		return fmt.Sprintf("No reading lies outside what the target allows; of %s, %d lie too close to a limit to tell.", wording.Count(n, "reading"), undecided)
	}
	return fmt.Sprintf("All %s with a target lie within what the target allows.", wording.Count(n, "reading"))
}

// customer sets the record in plain words.
func (s *sheet) customer() {
	s.Title(s.heading(), s.subject(), s.date())
	s.Facts(4, s.shortFacts())
	s.Y += 2
	h := s.ParaHeight("", s.plainSummary(), 11) + 3
	s.Fill(s.X0, s.Y, s.X1-s.X0, h, draw.Tint)
	for i, l := range draw.Wrap(s.clean(s.plainSummary()), 11, true, s.X1-s.X0-8) {
		s.Text(s.X0+4, s.Y+6+11*draw.Point*1.38*float64(i), l, 11, draw.Ink, true, draw.Start)
	}
	s.Y += h + 2
	p := s.plan(s.X1-s.X0, 100, false)
	s.Need(p.H)
	s.Paint(p, s.X0, s.Y+1)
	s.Y += p.H + 2
	strip := 42.0
	for axle := 1; axle <= len(s.Vehicle.Axles); axle++ {
		list := s.sentences(axle)
		s.Need(6 + 11*min(2, float64(len(list))))
		s.Y += 6.2
		s.Text(s.X0, s.Y, draw.Fit(s.clean(s.axleTitle(axle)), draw.SizeHead, true, s.X1-s.X0), draw.SizeHead, draw.Ink, true, draw.Start)
		s.Y += 1.6
		s.Rule(s.Y, draw.Hairline, 0.25)
		if len(list) == 0 {
			s.Para("", "This axle was not measured.", draw.SizeText, draw.Soft)
		}
		for _, x := range list {
			lines := draw.Wrap(s.clean(x.text), 9, false, s.X1-s.X0-strip-9)
			h := 4.2*float64(len(lines)) + 5.4
			s.Need(h)
			s.mark(s.X0+2, s.Y+3.4, x.now().Verdict)
			for i, l := range lines {
				s.Text(s.X0+6, s.Y+4.4+4.2*float64(i), l, 9, draw.Ink, false, draw.Start)
			}
			c := draw.Soft
			if x.now().Verdict != "" {
				c = draw.Ink
			}
			s.Text(s.X0+6, s.Y+4.2+4.2*float64(len(lines)), x.verdict, draw.SizeTable, c, x.now().Verdict == align.Outside, draw.Start)
			s.Paint(s.strip(x.line, strip, 6), s.X1-strip, s.Y+(h-6)/2)
			s.Y += h
			s.Rule(s.Y, draw.Hairline, 0.12)
		}
	}
	if s.judged {
		s.legend()
	}
	for _, g := range s.grids() {
		if !g.plain {
			continue
		}
		s.section(g, "")
	}
	if len(s.Slip) > 0 {
		s.section(s.slipGrid(), slipText)
	}
	s.Head("Please note", 20)
	for _, c := range plainCautions {
		s.Para("–", c, draw.SizeText, draw.Ink)
	}
	s.Head("Signatures", 23)
	s.signatures()
}
