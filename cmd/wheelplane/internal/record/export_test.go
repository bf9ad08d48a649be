package record

// Box is a text of a drawing with where it stands, mm.
type Box struct {
	Text           string
	X0, Y0, X1, Y1 float64
}

// Drawing is what tests see of a picture.
type Drawing struct {
	W, H  float64
	Texts []Box
	SVG   string
}

// Plans draws the vehicle from above, with and without the names of readings.
func Plans(in *Input, o Options) ([]Drawing, error) {
	t, err := tell(in, o)
	if err != nil {
		return nil, err
	}
	var out []Drawing
	for _, p := range []*picture{t.plan(182, 190, true), t.plan(182, 100, false), t.plan(62, 60, false)} {
		d := Drawing{W: p.w, H: p.h, SVG: p.svg("plan", "plan")}
		for _, s := range p.shapes {
			if s.text == "" {
				continue
			}
			w := textWidth(s.text, s.size/point, s.bold)
			x := s.x - w*float64(s.anchor)/2
			// Cap height and descender of Liberation Sans, of its size.
			d.Texts = append(d.Texts, Box{s.text, x, s.y - 0.73*s.size, x + w, s.y + 0.05*s.size})
		}
		out = append(out, d)
	}
	return out, nil
}

// Sentences tells an axle in plain words, each with its verdict.
func Sentences(in *Input, o Options, axle int) ([][2]string, error) {
	t, err := tell(in, o)
	if err != nil {
		return nil, err
	}
	var out [][2]string
	for _, s := range t.sentences(axle) {
		out = append(out, [2]string{s.text, s.verdict})
	}
	return out, nil
}

// VerdictColours are those of within, undecided and outside, and the inks.
var VerdictColours, Inks = []string{string(blue), string(yellow), string(vermilion)}, []string{string(ink), string(soft)}
