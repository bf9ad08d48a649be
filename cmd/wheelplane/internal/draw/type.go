package draw

import (
	"strings"
	"sync"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"golang.org/x/image/font"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

// The fonts: Liberation Sans, embedded in what we write as PDF; the HTML asks
// for it or for one as wide.
var (
	regularTTF = liberationsansregular.TTF
	boldTTF    = liberationsansbold.TTF
)

// letters measures a font, each sign once.
type letters struct {
	mu    sync.Mutex
	font  *sfnt.Font
	width map[rune]float64 // of the size; absent signs have none
	buf   sfnt.Buffer
}

var fonts = sync.OnceValue(func() [2]*letters {
	var out [2]*letters
	for i, data := range [][]byte{regularTTF, boldTTF} {
		f, err := sfnt.Parse(data)
		if err != nil {
			panic(err)
		}
		out[i] = &letters{font: f, width: map[rune]float64{}}
	}
	return out
})

func lettersOf(bold bool) *letters {
	if bold {
		return fonts()[1]
	}
	return fonts()[0]
}

// of returns a sign's width over the size; false where the font lacks it.
func (l *letters) of(r rune) (float64, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if w, ok := l.width[r]; ok {
		return w, w >= 0
	}
	w := -1.0
	if g, err := l.font.GlyphIndex(&l.buf, r); err == nil && g != 0 && r <= 0xffff {
		if a, err := l.font.GlyphAdvance(&l.buf, g, fixed.I(1000), font.HintingNone); err == nil {
			w = float64(a) / 64 / 1000
		}
	}
	l.width[r] = w
	return w, w >= 0
}

// TextWidth is a text's width in mm.
func TextWidth(s string, points float64, bold bool) float64 {
	l, sum := lettersOf(bold), 0.0
	for _, r := range s {
		w, ok := l.of(r)
		if !ok {
			w = 0.6
		}
		sum += w
	}
	return sum * points * Point
}

// Wrap breaks a text into lines no wider than w mm; a word that is wider is
// broken within.
func Wrap(s string, points float64, bold bool, w float64) []string {
	var out []string
	for _, paragraph := range strings.Split(s, "\n") {
		line := ""
		for _, word := range strings.Fields(paragraph) {
			if line != "" && TextWidth(line+" "+word, points, bold) <= w {
				line += " " + word
				continue
			}
			if line != "" {
				out = append(out, line)
			}
			for TextWidth(word, points, bold) > w {
				cut := 0
				for i := range word {
					if i > 0 && TextWidth(word[:i], points, bold) > w {
						break
					}
					cut = i
				}
				if cut == 0 {
					break
				}
				out = append(out, word[:cut])
				word = word[cut:]
			}
			line = word
		}
		out = append(out, line)
	}
	return out
}

// Fit shortens a text to w mm, with an ellipsis.
func Fit(s string, points float64, bold bool, w float64) string {
	if TextWidth(s, points, bold) <= w {
		return s
	}
	r := []rune(s)
	for len(r) > 0 && TextWidth(string(r)+"…", points, bold) > w {
		r = r[:len(r)-1]
	}
	return strings.TrimRight(string(r), " ") + "…"
}

// Clean replaces signs that the fonts lack by a box, and notes them in lost, so
// that nothing is lost unseen.
func Clean(text string, lost map[rune]bool) string {
	return strings.Map(func(r rune) rune {
		if r == '\u00a0' {
			return ' '
		}
		if _, ok := lettersOf(false).of(r); !ok {
			lost[r] = true
			return '□'
		}
		return r
	}, text)
}
