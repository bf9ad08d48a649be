package lesson

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"wheelplane/cmd/wheelplane/internal/draw"
)

// Imprint is what stands at the foot of every page.
type Imprint struct {
	Version string
	Made    time.Time
}

// Sizes of type, points: larger than a record's, to be read by two over a bench.
const (
	sizeText  = 9.5
	sizeTable = 8.5
	sizeSmall = 8
)

// marginX is the margin at the left and the right, mm.
const marginX = 18.0

// setter sets blocks into pages.
type setter struct{ *draw.Sheet }

// WritePDF writes blocks as A4 pages under a title. The same blocks give the same
// bytes. It returns the signs that the fonts lack.
func (s *Sheet) WritePDF(w io.Writer, title string, blocks []Block, im Imprint) (lost []rune, err error) {
	t := setter{draw.NewSheet(draw.A4Width, draw.A4Height, draw.About{Title: title, Version: im.Version, Made: im.Made})}
	t.X0, t.X1 = marginX, draw.A4Width-marginX
	t.Title(title, s.subject(), "")
	for i := range blocks {
		t.block(blocks, i)
	}
	t.Edges(title, "", fmt.Sprintf("wheelplane %s · lesson %s, seed %d", im.Version, s.Name, s.Seed))
	return t.LostSigns(), t.Output(w)
}

// subject stands under the title.
func (s *Sheet) subject() string {
	return fmt.Sprintf("a lesson; the numbers are those of seed %d", s.Seed)
}

func (t setter) width() float64 { return t.X1 - t.X0 }

// height is how high a block will be, without its heading.
func (t setter) height(b Block) float64 {
	switch {
	case b.Table != nil:
		return t.tableHeight(b.Table)
	case b.Picture != nil:
		return b.Picture.H + 3
	case b.Lines > 0:
		return lineHeight * float64(b.Lines)
	}
	return t.ParaHeight("", typeset(b.Text), b.size())
}

// size is that of a block's text.
func (b Block) size() float64 {
	if b.Soft {
		return sizeSmall
	}
	return sizeText
}

func leading(size float64) float64 { return size * draw.Point * 1.38 }

// typeset writes minus signs as they are printed.
func typeset(s string) string {
	r := []rune(s)
	for i := range r {
		if r[i] == '-' && i+1 < len(r) && r[i+1] >= '0' && r[i+1] <= '9' && (i == 0 || strings.ContainsRune(" (", r[i-1])) {
			r[i] = '−'
		}
	}
	return string(r)
}

// lineHeight is that of a line to write on, mm.
const lineHeight = 8.0

func (t setter) block(blocks []Block, i int) {
	b := blocks[i]
	h := t.height(b)
	if b.Table == nil && b.Picture == nil && b.Lines == 0 && !b.Soft {
		h = math.Min(h, 3*leading(sizeText)) // a text may go on overleaf
	}
	if (b.Table != nil || b.Picture != nil) && i+1 < len(blocks) && blocks[i+1].Soft {
		h += t.height(blocks[i+1]) // with its caption
	}
	if b.Head != "" {
		t.Head(b.Head, h)
	} else {
		t.Need(h)
	}
	switch {
	case b.Table != nil:
		t.Y += 1.5
		t.table(b.Table)
	case b.Picture != nil:
		t.Y += 2
		t.Paint(b.Picture, (t.W-b.Picture.W)/2, t.Y)
		t.Y += b.Picture.H + 1
	case b.Lines > 0:
		for range b.Lines {
			t.Y += lineHeight
			t.Rule(t.Y, draw.Hairline, 0.25)
		}
	default:
		c := draw.Ink
		if b.Soft {
			c = draw.Soft
		}
		t.Para("", typeset(b.Text), b.size(), c)
	}
}

const rowHeight = 5.0

// layout is how wide a table's columns are, and its headings, broken into lines.
func (t setter) layout(tab *Table) (widths []float64, heads [][]string, high int) {
	n := len(tab.Columns)
	widths, heads = make([]float64, n), make([][]string, n)
	sum := 0.0
	for i, c := range tab.Columns {
		for _, word := range strings.Fields(c.Name) {
			widths[i] = math.Max(widths[i], draw.TextWidth(word, sizeSmall, false))
		}
		for _, r := range tab.Rows {
			if i < len(r) {
				widths[i] = math.Max(widths[i], draw.TextWidth(typeset(r[i]), sizeTable, false))
			}
		}
		sum += widths[i]
	}
	// What is left over is shared out, so that headings need fewer lines.
	more := math.Max(0, math.Min((t.width()-sum)/float64(n)-3, 9))
	for i, c := range tab.Columns {
		widths[i] += more
		heads[i] = draw.Wrap(c.Name, sizeSmall, false, widths[i])
		high = max(high, len(heads[i]))
	}
	return widths, heads, high
}

func (t setter) tableHeight(tab *Table) float64 {
	_, _, high := t.layout(tab)
	return 1.5 + leading(sizeSmall)*float64(high) + 2.5 + rowHeight*float64(len(tab.Rows)) + 1
}

// table sets a table that is as wide as its cells: a lesson's have up to eight
// columns of numbers, whose headings take more than one line.
func (t setter) table(tab *Table) {
	widths, heads, high := t.layout(tab)
	free := t.width()
	for _, w := range widths {
		free -= w
	}
	gap := math.Min(free/math.Max(1, float64(len(widths)-1)), 8)
	put := func(i int, x, y float64, s string, size float64, c draw.Colour) {
		if tab.Columns[i].Right {
			t.Text(x+widths[i], y, s, size, c, false, draw.End)
		} else {
			t.Text(x, y, s, size, c, false, draw.Start)
		}
	}
	x := t.X0
	for i := range tab.Columns {
		for k, l := range heads[i] {
			put(i, x, t.Y+leading(sizeSmall)*float64(high-len(heads[i])+k+1), l, sizeSmall, draw.Soft)
		}
		x += widths[i] + gap
	}
	t.Y += leading(sizeSmall)*float64(high) + 1.5
	t.Rule(t.Y, draw.Ink, 0.25)
	for _, row := range tab.Rows {
		x = t.X0
		t.Y += rowHeight
		for i := range row {
			put(i, x, t.Y-1.4, typeset(row[i]), sizeTable, draw.Ink)
			x += widths[i] + gap
		}
		t.Rule(t.Y, draw.Hairline, 0.15)
	}
	t.Y += 1
}
