package vision

import (
	"image"
	"slices"
)

// Refits finds the boards in a photograph and returns, for each found, its fit
// once more: from corners known to a fifth of a pixel, knowing nothing of how
// the photograph was taken.
func Refits(img *image.Gray, boards []Board, opts DetectOptions) (again []func() bool, err error) {
	s, err := newScene(img, boards, opts)
	if err != nil {
		return nil, err
	}
	if s.owner, err = idOwners(boards); err != nil {
		return nil, err
	}
	if err := s.find(); err != nil {
		return nil, err
	}
	for _, m := range s.found {
		if m == nil {
			continue
		}
		from := slices.Clone(m.cs)
		for i := range from {
			from[i].px[i%2] += 0.2
			from[i].sd = 0.2
		}
		again = append(again, func() bool {
			s.look = look{blur: 0.9}
			_, ok := s.measure(m.board, m.markers, m.pat, slices.Clone(from))
			return ok
		})
	}
	return again, nil
}
