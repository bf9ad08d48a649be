package bay

import (
	"strings"

	"rsc.io/qr"
)

// qrOf is the QR code (ISO/IEC 18004) of a text: its modules, dark is true, without
// the quiet zone around.
func qrOf(text string) [][]bool {
	c, err := qr.Encode(text, qr.M)
	if err != nil { // too long: none of our addresses
		return nil
	}
	out := make([][]bool, c.Size)
	for y := range out {
		out[y] = make([]bool, c.Size)
		for x := range out[y] {
			out[y][x] = c.Black(x, y)
		}
	}
	return out
}

// Terminal draws a QR code for a terminal: two modules a character, one above the
// other, dark on light whatever the terminal's colours are.
func Terminal(text string) string {
	m := qrOf(text)
	const quiet = 4 // modules, as the standard asks for
	dark := func(x, y int) bool {
		x, y = x-quiet, y-quiet
		return y >= 0 && y < len(m) && x >= 0 && x < len(m) && m[y][x]
	}
	var b strings.Builder
	for y := 0; y < len(m)+2*quiet; y += 2 {
		b.WriteString("\x1b[38;5;16;48;5;231m") // black on white
		for x := range len(m) + 2*quiet {
			switch {
			case dark(x, y) && dark(x, y+1):
				b.WriteRune('█')
			case dark(x, y):
				b.WriteRune('▀')
			case dark(x, y+1):
				b.WriteRune('▄')
			default:
				b.WriteByte(' ')
			}
		}
		b.WriteString("\x1b[0m\n")
	}
	return b.String()
}
