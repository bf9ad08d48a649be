package cli

import (
	"fmt"
	"math"
	"os"
	"strings"
	"time"

	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/pose/align"
	"wheelplane/pose/live"
	"wheelplane/pose/rig"

	"golang.org/x/term"
)

// watchScreen shows a watch to people: on a terminal as one steady picture that is
// drawn anew in place, elsewhere a line whenever the state changes or a second has
// gone by.
type watchScreen struct {
	app      *App
	title    string
	terminal *os.File // nil: not one
	shown    time.Time
	drawn    bool
	state    live.State
	lost     string
	told     float64
}

func (a *App) watchScreen(job *rig.Job, axle int) *watchScreen {
	s := &watchScreen{app: a, title: axleTitle(job, axle)}
	out := a.Stdout
	if sticky, ok := out.(*stickyWriter); ok {
		out = sticky.w
	}
	if f, ok := out.(*os.File); ok && a.Terminal && !a.JSON && term.IsTerminal(int(f.Fd())) {
		s.terminal = f
	}
	return s
}

// screenEvery is how often the terminal is drawn anew at most: more is not read.
const screenEvery = 66 * time.Millisecond

// Escape sequences (ECMA-48): to the top left, clear what follows on the line and on
// the screen, the cursor hidden and shown.
const (
	toTop      = "\x1b[H"
	clearLine  = "\x1b[K"
	clearBelow = "\x1b[J"
	hideCursor = "\x1b[?25l"
	showCursor = "\x1b[?25h"
	clearAll   = "\x1b[2J"
)

func (s *watchScreen) show(w watchedFrame) {
	if s.terminal == nil {
		s.line(w)
		return
	}
	if time.Since(s.shown) < screenEvery && w.State == s.state {
		return
	}
	s.shown, s.state = time.Now(), w.State
	width, height, err := term.GetSize(int(s.terminal.Fd()))
	if err != nil {
		width, height = 80, 24
	}
	var b strings.Builder
	if !s.drawn {
		b.WriteString(hideCursor + clearAll)
		s.drawn = true
	}
	b.WriteString(toTop)
	for _, l := range strings.Split(strings.TrimSuffix(screenText(s.title, w, width, height), "\n"), "\n") {
		b.WriteString(l + clearLine + "\r\n")
	}
	b.WriteString(clearBelow)
	s.app.printf("%s", b.String())
}

func (s *watchScreen) close() {
	if s != nil && s.drawn {
		s.app.printf("%s", showCursor)
	}
}

// line tells of a frame where no screen is.
func (s *watchScreen) line(w watchedFrame) {
	if w.State == s.state && w.Lost == s.lost && w.Seconds-s.told < 1 {
		return
	}
	s.state, s.lost, s.told = w.State, w.Lost, w.Seconds
	say := w.Say
	if w.Lost != "" {
		say = w.Lost
	}
	text := fmt.Sprintf("%8.2f s  %s", w.Seconds, say)
	for _, r := range w.Readings {
		text += fmt.Sprintf("; %s %s", readingName(r.Quantity, r.Side), valueText(r))
		if r.Verdict != "" {
			text += " " + marks[r.Verdict] + " " + string(r.Verdict)
		}
	}
	s.app.printf("%s\n", text)
}

// valueText is the value with its uncertainty, both to two digits of that.
func valueText(r watchedReading) string {
	d := digits(r.U, r.Unit)
	return fmt.Sprintf("%s ± %s", withSign(r.Value, d), wording.Decimal(r.U, d))
}

// withSign always has its sign, so that a number that goes through zero stands still.
func withSign(v float64, d int) string {
	text := wording.Decimal(math.Abs(v), d)
	if v < 0 {
		return "-" + text
	}
	return "+" + text
}

// stateShapes say the state by a shape, too.
var stateShapes = map[live.State]string{live.Waiting: "...", live.Moving: ">>>", live.Settled: "[#]", live.Hidden: "[ ]", live.Knocked: "!!!"}

// screenText is the whole screen: each reading large where there is room.
func screenText(title string, w watchedFrame, width, height int) string {
	var b strings.Builder
	state := strings.ToUpper(string(w.State))
	fmt.Fprintf(&b, "%s   %s %s   %.0f frames/s\n%s\n", title, stateShapes[w.State], state, w.Rate, w.Say)
	if w.Lost != "" {
		fmt.Fprintf(&b, "%s\n", strings.ToUpper(w.Lost[:1])+w.Lost[1:])
	}
	b.WriteString("\n")
	large := len(w.Readings) > 0 && height >= 5+8*len(w.Readings) && width >= 60
	for _, r := range w.Readings {
		d := digits(r.U, r.Unit)
		head := readingName(r.Quantity, r.Side)
		if r.Held {
			head += " (hidden: as last seen)"
		}
		tail := fmt.Sprintf("± %s %s", wording.Decimal(r.U, d), r.Unit)
		verdict := ""
		if r.Verdict != "" {
			verdict = coloured(r.Verdict, marks[r.Verdict]+" "+strings.ToUpper(string(r.Verdict)))
		}
		if !large {
			fmt.Fprintf(&b, "%-14s %s %s  %s\n", head, withSign(r.Value, d), tail, verdict)
			fmt.Fprintf(&b, "%14s %s\n", "", bandText(r, width-16))
			continue
		}
		fmt.Fprintf(&b, "%s   %s   %s\n", head, tail, verdict)
		for _, l := range bigText(withSign(r.Value, d)) {
			b.WriteString(l + "\n")
		}
		fmt.Fprintf(&b, "%s\n\n", bandText(r, min(width-2, 72)))
	}
	var hidden []string
	for _, x := range w.Boards {
		if x.Sight != live.Whole {
			hidden = append(hidden, x.Board+" "+string(x.Sight))
		}
	}
	if len(hidden) > 0 {
		fmt.Fprintf(&b, "boards: %s\n", strings.Join(hidden, ", "))
	}
	b.WriteString("Ctrl-C ends\n")
	return trimLines(b.String(), width+20) // escape sequences take no room
}

// coloured adds a colour to a verdict that says itself in words and shape.
func coloured(v align.Verdict, text string) string {
	colour := map[align.Verdict]string{align.Within: "32", align.Outside: "31", align.Undecided: "33"}[v]
	return "\x1b[1;" + colour + "m" + text + "\x1b[0m"
}

// bandText draws the target band and the value on it with two standard
// uncertainties: [ and ] are the limits, + the value, = within 2 u of it.
func bandText(r watchedReading, width int) string {
	if r.Target == nil || width < 20 {
		return ""
	}
	low, high := r.Target.Low, r.Target.High
	lo, hi := r.Target.Target-0.5, r.Target.Target+0.5
	switch {
	case low != nil && high != nil:
		lo, hi = *low-(*high-*low)/2, *high+(*high-*low)/2
	case low != nil:
		lo, hi = *low-0.5, *low+0.5
	case high != nil:
		lo, hi = *high-0.5, *high+0.5
	}
	if !(hi > lo) {
		return ""
	}
	line := []rune(strings.Repeat("-", width))
	at := func(v float64) int {
		return min(max(int(math.Round((v-lo)/(hi-lo)*float64(width-1))), 0), width-1)
	}
	for i := at(r.Value - 2*r.U); i <= at(r.Value+2*r.U); i++ {
		line[i] = '='
	}
	if low != nil {
		line[at(*low)] = '['
	}
	if high != nil {
		line[at(*high)] = ']'
	}
	switch {
	case r.Value < lo:
		line[0] = '<'
	case r.Value > hi:
		line[width-1] = '>'
	default:
		line[at(r.Value)] = '+'
	}
	return string(line)
}

// bigDigits are drawn five rows high, to be read from some metres away.
var bigDigits = map[rune][5]string{
	'0': {"█████", "█   █", "█   █", "█   █", "█████"},
	'1': {"  █  ", " ██  ", "  █  ", "  █  ", "█████"},
	'2': {"█████", "    █", "█████", "█    ", "█████"},
	'3': {"█████", "    █", "█████", "    █", "█████"},
	'4': {"█   █", "█   █", "█████", "    █", "    █"},
	'5': {"█████", "█    ", "█████", "    █", "█████"},
	'6': {"█████", "█    ", "█████", "█   █", "█████"},
	'7': {"█████", "    █", "   █ ", "  █  ", "  █  "},
	'8': {"█████", "█   █", "█████", "█   █", "█████"},
	'9': {"█████", "█   █", "█████", "    █", "█████"},
	'+': {"     ", "  █  ", "█████", "  █  ", "     "},
	'-': {"     ", "     ", "█████", "     ", "     "},
	'.': {"  ", "  ", "  ", "  ", "██"},
}

func bigText(s string) (rows [5]string) {
	for _, c := range s {
		glyph := bigDigits[c]
		for i := range rows {
			rows[i] += glyph[i] + "  "
		}
	}
	return rows
}
