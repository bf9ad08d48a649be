package record

import "wheelplane/cmd/wheelplane/internal/draw"

// Plans draws the vehicle from above, with and without the names of readings.
func Plans(in *Input, o Options) ([]*draw.Picture, error) {
	t, err := tell(in, o)
	if err != nil {
		return nil, err
	}
	return []*draw.Picture{t.plan(182, 190, true), t.plan(182, 100, false), t.plan(62, 60, false)}, nil
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
var VerdictColours, Inks = []string{string(draw.Blue), string(draw.Yellow), string(draw.Vermilion)}, []string{string(draw.Ink), string(draw.Soft)}
