package bay

import (
	"encoding/json"
	"fmt"
	"html/template"
	"math"
	"strings"
	"unicode"
	"unicode/utf8"
)

// texts are all the words of the pages that are not the work's own, by key.
func texts(language string) (map[string]string, error) {
	text, err := pageFiles.ReadFile("page/" + language + ".json")
	if err != nil {
		return nil, err
	}
	out := map[string]string{}
	return out, json.Unmarshal(text, &out)
}

// pages reads the templates.
func pages() (*template.Template, error) {
	words, err := texts("en")
	if err != nil {
		return nil, err
	}
	return template.New("").Funcs(template.FuncMap{
		"t": func(key string, args ...any) (string, error) {
			text, ok := words[key]
			switch {
			case !ok:
				return "", fmt.Errorf("there is no text %q", key)
			case len(args) > 0:
				return fmt.Sprintf(text, args...), nil
			}
			return text, nil
		},
		"join":     func(list []string) string { return strings.Join(list, ", ") },
		"minus":    func(a, b int) int { return a - b },
		"sentence": sentence,
		"ended": func(s string) string {
			if s = sentence(s); s != "" && !strings.ContainsAny(s[len(s)-1:], ".!?:") {
				s += "."
			}
			return s
		},
		"mark": func(state string) string {
			return map[string]string{"done": "✓", "now": "▶", "skipped": "–"}[state]
		},
		"with2": func(page string, a []Answer) any {
			return struct {
				Page    string
				Answers []Answer
			}{page, a}
		},
		"title":   func(page, job string) any { return struct{ Page, Job string }{page, job} },
		"band":    bandOf,
		"drawing": drawingOf,
		"last": func(list []Photo) *Photo {
			if len(list) == 0 {
				return nil
			}
			return &list[len(list)-1]
		},
		"qrbox": func(m [][]bool) string { return fmt.Sprintf("-4 -4 %d %d", len(m)+8, len(m)+8) },
		"qrpath": func(m [][]bool) string {
			var b strings.Builder
			for y, row := range m {
				for x, dark := range row {
					if dark {
						fmt.Fprintf(&b, "M%d %dh1v1h-1z", x, y)
					}
				}
			}
			return b.String()
		},
	}).ParseFS(pageFiles, "page/*.html")
}

// bandMarks are a reading's places on its band, of 120: the limits are at 30 and 90.
type bandMarks struct{ At, From, To float64 }

func bandOf(r Reading) *bandMarks {
	if r.Low == "" || r.High == "" || math.IsNaN(r.At) {
		return nil
	}
	on := func(share float64) float64 { return math.Round(10*math.Max(1, math.Min(119, 30+60*share))) / 10 }
	return &bandMarks{on(r.At), on(r.At - r.Width), on(r.At + r.Width)}
}

// drawing is the vehicle from above as shapes: metres, front up.
type drawing struct {
	Box, Body      string
	Lines          []string
	Wheels, Boards []shape
	Views          []shape
	Texts          []shape
	Axles, Shots   int

	Labels  []label // beside the axles, from LabelX on, within WideBox
	LabelX  float64
	WideBox string
}

// label tells the reading of an axle that counts, beside it.
type label struct {
	Reading
	Side     string // of the wheel it is of, "" for the whole axle
	Y, WordY float64
}

type shape struct {
	Path, Class, Text string
	X, Y, TextY       float64
}

// drawingOf draws a view's plan. A wheel's toe is drawn twenty times as large as it
// is, or nothing would be seen of it.
func drawingOf(v *View) *drawing {
	p := v.Plan
	if len(p.Axles) == 0 {
		return nil
	}
	const enlarged = 20
	d := &drawing{Axles: len(p.Axles), Shots: len(v.Shots)}
	// Drawn: x to the right is the vehicle's -y, y down its -x.
	at := func(x, y float64) (float64, float64) { return round3(-y), round3(-x) }
	low, high := [2]float64{math.Inf(1), math.Inf(1)}, [2]float64{math.Inf(-1), math.Inf(-1)}
	grow := func(x, y float64) {
		a, b := at(x, y)
		low[0], low[1] = math.Min(low[0], a), math.Min(low[1], b)
		high[0], high[1] = math.Max(high[0], a), math.Max(high[1], b)
	}
	half, front, rear := 0.0, math.Inf(-1), math.Inf(1)
	for _, a := range p.Axles {
		half = math.Max(half, a.Track/2)
		front, rear = math.Max(front, a.X), math.Min(rear, a.X)
	}
	half += 0.15
	front, rear = front+1.1, rear-1.1
	x0, y0 := at(front, half)
	x1, y1 := at(rear, -half)
	d.Body = fmt.Sprintf("M%g %gH%gQ%g %g %g %gV%gH%gV%gQ%g %g %g %gz", x0+0.4, y0, x1-0.4, x1, y0, x1, round3(y0+0.4), y1, x0, round3(y0+0.4), x0, y0, x0+0.4, y0)
	grow(front, half+1.2)
	grow(rear, -half-1.2)
	for i, a := range p.Axles {
		lx, ly := at(a.X, a.Track/2)
		rx, ry := at(a.X, -a.Track/2)
		d.Lines = append(d.Lines, fmt.Sprintf("M%g %gL%g %g", lx, ly, rx, ry))
		for _, w := range []struct{ y, toe, in float64 }{{a.Track / 2, a.Left, -1}, {-a.Track / 2, a.Right, 1}} {
			// Toe-in turns the front of the left wheel to the right.
			turn := w.in * enlarged * w.toe
			c, s := math.Cos(turn), math.Sin(turn)
			var path strings.Builder
			for k, q := range [][2]float64{{1, 1}, {1, -1}, {-1, -1}, {-1, 1}} {
				fx, fy := q[0]*a.Tyre/2, q[1]*0.14
				px, py := at(a.X+c*fx-s*fy, w.y+s*fx+c*fy)
				fmt.Fprintf(&path, "%s%g %g", []string{"M", "L", "L", "L"}[k], px, py)
			}
			path.WriteString("z")
			verdict := ""
			if i < len(v.Axles) {
				verdict = v.Axles[i].Verdict
			}
			d.Wheels = append(d.Wheels, shape{Path: path.String(), Class: verdict})
		}
		tx, ty := at(a.X, a.Track/2+0.95)
		d.Texts = append(d.Texts, shape{Class: "number", X: tx, Y: round3(ty + 0.16), Text: fmt.Sprint(a.Number)})
	}
	for _, b := range p.Boards {
		class := b.Kind
		if b.Seen == 0 {
			class += " unseen"
		}
		bx, by := at(b.X, b.Y)
		grow(b.X, b.Y)
		d.Boards = append(d.Boards, shape{X: round3(bx - 0.15), Y: round3(by - 0.15), Class: class})
	}
	for i, s := range v.Shots {
		x, y := at(s.X, s.Y)
		grow(s.X, s.Y)
		var path strings.Builder
		fmt.Fprintf(&path, "M%g %g", x, y)
		for _, side := range []float64{0.45, -0.45} {
			px, py := at(s.X+1.1*math.Cos(s.Heading+side), s.Y+1.1*math.Sin(s.Heading+side))
			fmt.Fprintf(&path, "L%g %g", px, py)
		}
		path.WriteString("z")
		d.Views = append(d.Views, shape{Path: path.String(), X: x, Y: y, TextY: round3(y + 0.12), Text: fmt.Sprint(i + 1)})
	}
	below := math.Inf(-1)
	for i, a := range p.Axles {
		if i >= len(v.Axles) {
			break
		}
		if r, side := counts(&v.Axles[i]); r != nil {
			_, y := at(a.X, 0)
			y = math.Max(y-0.4, below) // those of a tandem do not meet
			below = y + 1.75
			d.Labels = append(d.Labels, label{*r, side, round3(y), round3(y + 1.18)})
			high[1] = math.Max(high[1], y+1.3)
		}
	}
	box := func(left float64) string {
		return fmt.Sprintf("%g %g %g %g", round3(low[0]-0.6-left), round3(low[1]-0.6), round3(high[0]-low[0]+1.2+left), round3(high[1]-low[1]+1.2))
	}
	const across = 4.4 // of a label
	d.Box, d.WideBox, d.LabelX = box(0), box(across), round3(low[0]-0.6-across)
	return d
}

// counts is the reading of an axle that is told where there is room for one: of the
// worst verdict, of the whole axle rather than of a wheel.
func counts(a *Axle) (best *Reading, side string) {
	worse := map[string]int{"": 0, "within": 1, "undecided": 2, "outside": 3}
	for _, list := range []struct {
		side string
		of   []Reading
	}{{"", a.Readings}, {"left", a.Left}, {"right", a.Right}} {
		for _, r := range list.of {
			if best == nil || worse[r.Verdict] > worse[best.Verdict] {
				best, side = &r, list.side
			}
		}
	}
	return best, side
}

// sentence begins as a sentence does.
func sentence(s string) string {
	if s == "" {
		return ""
	}
	first, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(first)) + s[n:]
}

func round3(v float64) float64 { return math.Round(v*1e3) / 1e3 }
