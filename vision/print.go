package vision

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Set makes n boards like the template with consecutive ids from its FirstID,
// so that no id is used twice, named A, B, ... Z, AA, AB, ...
// [Board.Validate] tells when the dictionary runs out of ids.
func Set(n int, template Board) []Board {
	boards := make([]Board, n)
	for i := range boards {
		b := template
		b.Name = setName(i)
		b.FirstID += i * b.NumMarkers()
		boards[i] = b
	}
	return boards
}

// setName counts A ... Z, AA ... ZZ, AAA ...
func setName(i int) string {
	s := ""
	for i++; i > 0; i = (i - 1) / 26 {
		s = string(rune('A'+(i-1)%26)) + s
	}
	return s
}

// Paper is a sheet, portrait: width not above height, metres.
type Paper struct {
	Name            string
	WidthM, HeightM float64
}

// Papers are the sizes known by name. A sizes: ISO 216; Letter and Tabloid:
// ANSI/ASME Y14.1 (A and B).
var Papers = []Paper{
	{"A4", 0.210, 0.297}, {"A3", 0.297, 0.420}, {"A2", 0.420, 0.594}, {"A1", 0.594, 0.841}, {"A0", 0.841, 1.189},
	{"Letter", 0.2159, 0.2794}, {"Tabloid", 0.2794, 0.4318},
}

var paperSize = regexp.MustCompile(`^([0-9.]+)x([0-9.]+)$`)

// PaperNamed returns a paper by its name, in capitals or not, or by its size
// in millimetres written as 500x700.
func PaperNamed(name string) (Paper, error) {
	var names []string
	for _, p := range Papers {
		if strings.EqualFold(p.Name, name) {
			return p, nil
		}
		names = append(names, p.Name)
	}
	if m := paperSize.FindStringSubmatch(name); m != nil {
		a, errA := strconv.ParseFloat(m[1], 64)
		b, errB := strconv.ParseFloat(m[2], 64)
		if errA == nil && errB == nil && min(a, b) >= 50 && max(a, b) <= 5000 {
			return Paper{name + " mm", min(a, b) / 1e3, max(a, b) / 1e3}, nil
		}
	}
	return Paper{}, fmt.Errorf("no paper is called %q: use %s, or a size in millimetres such as 500x700 (50 to 5000)", name, strings.Join(names, ", "))
}

// Distances on a printed sheet, millimetres.
const (
	printerMM  = 6  // nothing is printed closer to the paper's edge
	quietMM    = 10 // white border round the chessboard
	stripMinMM = 5  // the strip beside the border that holds name and ruler
	stripMaxMM = 25
)

// The marker's share of its square: 41 mm in 55 mm. The white round a marker
// is then wider than one of its cells, which detectors ask for.
const markerShare = 41.0 / 55

// Fit returns the largest square, in whole millimetres, of which cols × rows
// fit the paper with their white border and the strip for name and ruler, and
// the marker that goes with it. A3 and 7 × 5 give 55 mm and 41 mm.
func (p Paper) Fit(cols, rows int) (squareM, markerM float64, err error) {
	for size := math.Floor(p.HeightM * 1e3 / float64(max(cols, rows, 1))); size >= 5; size-- {
		b := Board{Cols: cols, Rows: rows, SquareM: size / 1e3}
		if _, ok := layOut(&b, p); ok {
			return b.SquareM, MarkerFor(b.SquareM), nil
		}
	}
	return 0, 0, fmt.Errorf("%d x %d squares do not fit %s: take fewer squares or larger paper", cols, rows, p.Name)
}

// MarkerFor returns a marker size for a square, in whole millimetres where the
// square is large enough.
func MarkerFor(squareM float64) float64 {
	unit := 1e-3
	if squareM < 0.02 {
		unit = 1e-4
	}
	return math.Round(squareM*markerShare/unit) * unit
}

// layout is where things lie on the paper, millimetres from its top left.
type layout struct {
	w, h           float64 // paper as turned
	x, y           float64 // the chessboard's top left
	bw, bh         float64 // the chessboard
	right, bottom  float64 // thickness of the strips; 0 is no strip
	x0, y0, x1, y1 float64 // the board with its border and strips
}

// layOut places a board on the paper, turned as the board is. ok is false when
// it does not fit.
func layOut(b *Board, p Paper) (l layout, ok bool) {
	l = layout{w: p.WidthM * 1e3, h: p.HeightM * 1e3, bw: float64(b.Cols) * b.SquareM * 1e3, bh: float64(b.Rows) * b.SquareM * 1e3}
	if l.bw > l.bh {
		l.w, l.h = l.h, l.w
	}
	const tiny = 1e-6 // of rounding
	spareX, spareY := l.w-l.bw-2*quietMM, l.h-l.bh-2*quietMM
	if spareX < -tiny || spareY < -tiny {
		return l, false
	}
	if t := spareX - printerMM; t >= stripMinMM-tiny {
		l.right = min(t, stripMaxMM)
	}
	if t := spareY - printerMM; t >= stripMinMM-tiny {
		l.bottom = min(t, stripMaxMM)
	}
	if l.right == 0 && l.bottom == 0 {
		return l, false
	}
	// In the middle, but the strips clear of the paper's edge.
	place := func(spare, strip float64) float64 {
		if strip > 0 {
			spare -= printerMM
		}
		return (spare - strip) / 2
	}
	l.x0, l.y0 = place(spareX, l.right), place(spareY, l.bottom)
	l.x, l.y = l.x0+quietMM, l.y0+quietMM
	l.x1, l.y1 = l.x+l.bw+quietMM+l.right, l.y+l.bh+quietMM+l.bottom
	return l, true
}

// A Sheet is one printed page: a board with its name and ruler, or the notes
// that go with a set. It is written by [WritePDF] and [Sheet.PNG].
type Sheet struct {
	Title             string
	WidthMM, HeightMM float64

	board  *Board
	layout layout
	ink    []box // the board's pattern: no overlap
	boxes  []box // rulers and lines
	shapes [][][2]float64
	texts  []label
}

// box is a black rectangle on paper, millimetres from the top left, y down.
type box struct{ x0, y0, x1, y1 float64 }

// label is a text: its baseline starts at (x, y) and runs to the right, or
// upwards where up is set.
type label struct {
	x, y, sizeMM float64
	up, bold     bool
	s            string
}

// At takes a point of the sheet's board, in board coordinates as designed
// (print scale 1), to millimetres from the paper's top left corner. It panics
// on a sheet of notes.
func (s *Sheet) At(p [3]float64) [2]float64 {
	l := &s.layout
	return [2]float64{l.x + l.bw/2 + p[0]*1e3, l.y + l.bh/2 - p[1]*1e3}
}

var boardName = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9 ._-]*$`)

// Sheets lays out a set for printing: first a sheet of notes with rulers, then
// one sheet a board, at true scale whatever print scale the boards state.
// Errors: no boards, boards that are not valid, names or ids used twice, a
// board too large for the paper.
func Sheets(boards []Board, paper Paper) ([]Sheet, error) {
	if len(boards) == 0 {
		return nil, errors.New("no boards to print: ask for at least one")
	}
	names, ids := map[string]bool{}, map[string]string{}
	var sheets []Sheet
	for _, b := range boards {
		b.ScaleX, b.ScaleY = 0, 0
		if err := b.Validate(); err != nil {
			return nil, err
		}
		switch {
		case !boardName.MatchString(b.Name) || utf8.RuneCountInString(b.Name) > 40:
			return nil, fmt.Errorf("board %q: a name is 1 to 40 letters, digits, spaces, dots, dashes or underscores, beginning with a letter or digit: rename it", b.Name)
		case names[b.Name]:
			return nil, fmt.Errorf("board %s: the name is there twice: rename one", b.Name)
		}
		names[b.Name] = true
		for i := range b.NumMarkers() {
			k := fmt.Sprintf("%s %d", b.Dictionary, b.FirstID+i)
			if other, ok := ids[k]; ok {
				return nil, fmt.Errorf("boards %s and %s: both have id %d: give them ids that do not overlap", other, b.Name, b.FirstID+i)
			}
			ids[k] = b.Name
		}
		if cell := b.MarkerM / float64(Dictionaries[b.Dictionary].Bits+2); b.SquareM-b.MarkerM < cell*(1-1e-9) {
			return nil, fmt.Errorf("board %s: the white round a marker of %g mm in a square of %g mm is less than half a cell: take a marker of at most %.3g mm",
				b.Name, mm(b.MarkerM), mm(b.SquareM), math.Floor(b.SquareM*1e4*markerShare)/10)
		}
		s, err := boardSheet(b, paper)
		if err != nil {
			return nil, err
		}
		sheets = append(sheets, s)
	}
	return append([]Sheet{notesSheet(boards, sheets)}, sheets...), nil
}

// mm shows metres as millimetres without rounding noise.
func mm(m float64) float64 { return math.Round(m*1e7) / 1e4 }

func boardSheet(b Board, paper Paper) (Sheet, error) {
	l, ok := layOut(&b, paper)
	if !ok {
		need := fmt.Sprintf("%g x %g mm with its white border and name", math.Ceil(l.bw)+2*quietMM+stripMinMM+printerMM, math.Ceil(l.bh)+2*quietMM)
		fit, _, err := paper.Fit(b.Cols, b.Rows)
		if err != nil {
			return Sheet{}, err
		}
		return Sheet{}, fmt.Errorf("board %s: %d x %d squares of %g mm need %s, but %s is %g x %g mm: take squares of at most %g mm, or larger paper",
			b.Name, b.Cols, b.Rows, mm(b.SquareM), need, paper.Name, l.w, l.h, mm(fit))
	}
	s := Sheet{Title: "Board " + b.Name, WidthMM: l.w, HeightMM: l.h, board: &b, layout: l}
	for _, r := range b.BlackRects() {
		p, q := s.At([3]float64{r.X0, r.Y1}), s.At([3]float64{r.X1, r.Y0})
		s.ink = append(s.ink, box{p[0], p[1], q[0], q[1]})
	}
	bottom := strip{s: &s, x: l.x, y: l.y + l.bh + quietMM, length: l.bw, thick: l.bottom}
	right := strip{s: &s, x: l.x + l.bw + quietMM, y: l.y + l.bh, length: l.bh, thick: l.right, up: true}
	words := []string{
		fmt.Sprintf("ids %d to %d of %s,  %d x %d squares of %g mm,  markers %g mm", b.FirstID, b.FirstID+b.NumMarkers()-1, b.Dictionary, b.Cols, b.Rows, mm(b.SquareM), mm(b.MarkerM)),
		fmt.Sprintf("printed at 100 %%: %s", spans(&b)),
	}
	main, other := &right, &bottom
	if bottom.thick > right.thick {
		main, other = &bottom, &right
	}
	main.fill(b.Name, words)
	if other.thick > 0 {
		other.ruler(0, other.length)
	}
	s.cutLines()
	return s, nil
}

// spans says what to measure on a printed chessboard.
func spans(b *Board) string {
	w, h := b.BlackSpans()
	return fmt.Sprintf("black to black %.1f mm wide, %.1f mm high", w*1e3, h*1e3)
}

// BlackSpans returns the distances, as designed, from the outer edge of the
// first black square to that of the last in the top row and in the left
// column, metres: what a printed board's scale is measured on.
func (b *Board) BlackSpans() (wide, high float64) {
	odd := func(n int) float64 { return float64(n - 1 + n%2) }
	return odd(b.Cols) * b.SquareM, odd(b.Rows) * b.SquareM
}

// cutLines draws a dashed line along each side of the board that is not close
// to the paper's edge anyway.
func (s *Sheet) cutLines() {
	l := &s.layout
	const width, on, off = 0.2, 3.0, 3.0
	const near = printerMM + 4
	for _, x := range []float64{l.x0, l.x1} {
		if x < near || x > l.w-near {
			continue
		}
		for y := float64(printerMM); y < l.h-printerMM; y += on + off {
			s.boxes = append(s.boxes, box{x - width/2, y, x + width/2, min(y+on, l.h-printerMM)})
		}
		s.texts = append(s.texts, label{x: x - 0.8, y: l.h - printerMM - 2, sizeMM: 2.2, up: true, s: "cut here"})
	}
	for _, y := range []float64{l.y0, l.y1} {
		if y < near || y > l.h-near {
			continue
		}
		for x := float64(printerMM); x < l.w-printerMM; x += on + off {
			s.boxes = append(s.boxes, box{x, y - width/2, min(x+on, l.w-printerMM), y + width/2})
		}
		s.texts = append(s.texts, label{x: printerMM + 2, y: y - 0.8, sizeMM: 2.2, s: "cut here"})
	}
}

// strip is a band beside the board: along the bottom from left to right, or
// along the right side from the bottom up. Within it u runs along and v
// across, away from the board.
type strip struct {
	s             *Sheet
	x, y          float64 // of u = v = 0
	length, thick float64
	up            bool
}

func (t *strip) box(u0, v0, u1, v1 float64) {
	b := box{t.x + u0, t.y + v0, t.x + u1, t.y + v1}
	if t.up {
		b = box{t.x + v0, t.y - u1, t.x + v1, t.y - u0}
	}
	t.s.boxes = append(t.s.boxes, b)
}

func (t *strip) text(u, v, sizeMM float64, bold bool, s string) {
	l := label{t.x + u, t.y + v, sizeMM, false, bold, s}
	if t.up {
		l.x, l.y, l.up = t.x+v, t.y-u, true
	}
	t.s.texts = append(t.s.texts, l)
}

// fill writes the arrow that tells which way is up, the name as large as there
// is room for, the words, and the ruler where room is left.
func (t *strip) fill(name string, words []string) {
	const gap = 3.0
	// The arrow points to the board's top, at the end of the strip.
	a := min(t.thick, 6)
	cu, cv := t.length-a/2, a/2
	var pts [][2]float64
	for _, p := range [][2]float64{{0, -0.5}, {0.5, 0.1}, {0.17, 0.1}, {0.17, 0.5}, {-0.17, 0.5}, {-0.17, 0.1}, {-0.5, 0.1}} {
		q := [2]float64{t.x + cu + p[0]*a, t.y + cv + p[1]*a}
		if t.up {
			q = [2]float64{t.x + cv + p[0]*a, t.y - cu + p[1]*a}
		}
		pts = append(pts, q)
	}
	t.s.shapes = append(t.s.shapes, pts)
	end := t.length - a - gap

	cap := min(t.thick, 20)
	if w := textWidth(name, cap/capHeight, true); w > 0.3*end {
		cap *= 0.3 * end / w
	}
	size := cap / capHeight
	t.text(0, cap, size, true, name)
	u := textWidth(name, size, true) + gap

	// Two lines, smaller where the ruler would not fit otherwise.
	longest := 0.0
	for _, w := range words {
		longest = max(longest, textWidth(w, 1, false))
	}
	size = min(4, t.thick/2.4)
	if rest := end - u - gap - rulerMM - rulerEndMM; longest*size > rest && rest > 0 {
		size = max(rest/longest, min(size, 1.9))
	}
	if longest*size > end-u {
		size = (end - u) / longest
	}
	for i, w := range words {
		t.text(u, size*(0.9+1.25*float64(i)), size, false, w)
	}
	u += longest*size + gap
	t.ruler(u, end)
}

const (
	rulerMM    = 101.6 // 4 in
	rulerEndMM = 9     // for what is written behind it
)

// ruler draws a ruler of 100 mm and 4 in between u0 and u1, if it fits: the
// millimetres on one side, the inches on the other.
func (t *strip) ruler(u0, u1 float64) {
	if u1-u0 < rulerMM+rulerEndMM-1e-6 {
		return
	}
	t.rulerOf(u0+0.2, 100, 4)
}

// rulerOf draws a ruler of that many millimetres and inches from u0. Lengths
// count from middle to middle of the ticks.
func (t *strip) rulerOf(u0 float64, mms, inches int) {
	const line, v = 0.15, 2.2
	tick := func(u, v0, v1 float64) { t.box(u0+u-line/2, min(v0, v1), u0+u+line/2, max(v0, v1)) }
	end := max(float64(mms), 25.4*float64(inches))
	t.box(u0-line/2, v-line/2, u0+end+line/2, v+line/2)
	for i := 0; i <= mms; i++ {
		h := 1.0
		switch {
		case i%10 == 0:
			h = 2.2
		case i%5 == 0:
			h = 1.5
		}
		tick(float64(i), v, v+h)
		if i%50 == 0 && i > 0 && i < mms && mms > 100 {
			t.text(u0+float64(i)-1, v+4.2, 2.1, false, strconv.Itoa(i))
		}
	}
	for i := 0; i <= 4*inches; i++ {
		h := 1.0
		if i%4 == 0 {
			h = 2
		}
		tick(25.4/4*float64(i), v, v-h)
	}
	t.text(u0+25.4*float64(inches)+0.8, v-0.5, 2.1, false, fmt.Sprintf("%d in", inches))
	t.text(u0+float64(mms)+0.8+max(0, 25.4*float64(inches)-float64(mms)), v+2.2, 2.1, false, fmt.Sprintf("%d mm", mms))
}

// notesSheet is the page to print first: rulers as long as the paper allows,
// and how to print, mount and measure the boards.
func notesSheet(boards []Board, sheets []Sheet) Sheet {
	l := sheets[0].layout
	s := Sheet{Title: "How to print and mount the boards", WidthMM: l.w, HeightMM: l.h}
	b := &boards[0]
	list := fmt.Sprintf("%d boards, %s to %s", len(boards), boards[0].Name, boards[len(boards)-1].Name)
	if len(boards) == 1 {
		list = "1 board, " + boards[0].Name
	}
	const edge = printerMM + 4
	size := min(7, max(3.4, min(l.w, l.h)/60))
	x, y := float64(edge), edge+1.6*size
	s.texts = append(s.texts, label{x: x, y: y, sizeMM: 1.7 * size, bold: true, s: list})
	y += 1.6 * size
	// The first and last board suffice: ids are consecutive in a set.
	s.texts = append(s.texts, label{x: x, y: y, sizeMM: size, s: fmt.Sprintf("dictionary %s, %d x %d squares of %g mm, markers of %g mm, ids %d to %d",
		b.Dictionary, b.Cols, b.Rows, mm(b.SquareM), mm(b.MarkerM), b.FirstID, boards[len(boards)-1].FirstID+b.NumMarkers()-1)})
	y += 1.2 * size
	wide := l.w - 2*edge - 12 // the upright ruler's room
	for _, step := range []string{
		"Print this page first, at 100 % (\"actual size\", never \"fit to page\"), on the printer and paper meant for the boards.",
		"Measure both rulers with a steel rule. Off by more than 0.5 %: the print dialog still scales; put it right and print again.",
		"Print the boards on heavy, matt paper: gloss reflects lamps and hides corners. Better still, let a print shop print them on rigid matt sheet.",
		"Mount each board on a plate that is rigid and flat (aluminium composite of 3 mm or more): adhesive over the whole face, no bubbles, no waves, not just tape along the edges. A straightedge laid across must not rock.",
		"Measure the mounted chessboard, to 0.2 mm or better, from the first to the last black edge of the top row and of the left column: " + spans(b) + " as designed. Measured over designed is the print scale, which the job states, for example print_scale: {x: 1.0007, y: 0.9995}.",
		"Leave the white border round the chessboard white and uncovered. Never use two boards of one name in a job; a board that has been bent is waste.",
		"The arrow marks a board's top; on a wheel or the floor it may lie any way round. Fix boards so that they cannot fall or catch on anything, and keep clear of a vehicle that moves. Secure it against rolling as its maker's manual and local rules ask.",
	} {
		y += 0.7 * size
		for i, line := range wrap(step, size, wide-1.2*size) {
			if i == 0 {
				s.boxes = append(s.boxes, box{x + 0.2*size, y + 0.65*size, x + 0.55*size, y + size})
			}
			y += 1.3 * size
			s.texts = append(s.texts, label{x: x + 1.2*size, y: y, sizeMM: size, s: line})
		}
	}
	// Which ids are whose, as far as there is room above the ruler.
	var ids []string
	for i := range boards {
		b := &boards[i]
		ids = append(ids, fmt.Sprintf("%s: %d to %d", b.Name, b.FirstID, b.FirstID+b.NumMarkers()-1))
	}
	y += 0.7 * size
	for _, line := range wrap("Ids of "+strings.Join(ids, ",  "), size, wide) {
		if y += 1.3 * size; y < l.h-edge-8 {
			s.texts = append(s.texts, label{x: x, y: y, sizeMM: size, s: line})
		}
	}
	// As long as the paper allows; whole inches and half decimetres.
	lengths := func(room float64) (mms, inches int) {
		return int(room/50) * 50, int(room / 25.4)
	}
	along := strip{s: &s, x: edge, y: l.h - edge - 5, up: false}
	mms, inches := lengths(l.w - 2*edge - 12 - rulerEndMM)
	along.rulerOf(0.2, mms, inches)
	upright := strip{s: &s, x: l.w - edge - 5, y: l.h - edge - 8, up: true}
	mms, inches = lengths(l.h - 2*edge - 8 - rulerEndMM)
	upright.rulerOf(0.2, mms, inches)
	return s
}

// wrap breaks a text into lines no wider than that.
func wrap(s string, sizeMM, widthMM float64) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(s) {
		next := strings.TrimSpace(line + " " + word)
		if line != "" && textWidth(next, sizeMM, false) > widthMM {
			lines = append(lines, line)
			next = word
		}
		line = next
	}
	return append(lines, line)
}
