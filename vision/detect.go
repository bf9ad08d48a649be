package vision

import (
	"errors"
	"fmt"
	"image"
	"maps"
	"math"
	"slices"
	"sort"
	"sync"
)

// Corner is one measured inner corner of a board in a photograph.
type Corner struct {
	Index int        // as in [Board.Corner]
	Px    [2]float64 // pixels
	Cov   [3]float64 // covariance of Px: xx, xy, yy, px²
}

// RejectedCorner is an inner corner that was looked for and not used.
type RejectedCorner struct {
	Index  int
	Px     [2]float64 // where it should be, pixels
	Reason string     // a few words
}

// View is one board in one photograph.
type View struct {
	Board    int // index in the slice given to Detect
	Corners  []Corner
	Rejected []RejectedCorner
	Markers  int    // markers read
	Note     string // what the user should know, or ""

	// Joint tells how the errors of Corners hang together; nil when they were
	// measured one by one, and then independent.
	Joint *Joint

	SquarePx  float64       // root of the area of a square at the board's middle, pixels
	Obliquity float64       // between line of sight and normal, rad: from the board's shape, so only good near the picture's middle
	BlurPx    float64       // standard deviation of the point spread with the pixel's own area, pixels
	Outline   [4][2]float64 // the chessboard's corners, clockwise from the top left as printed, pixels

	fit *known // for [Assess]
}

// Joint is what a fit of the whole board knows of its corners together. Edges
// between and outside the corners tell of all of them at once, so taken one by
// one, with the covariances in [Corner.Cov], they say less.
type Joint struct {
	// Rows is r × 2n for n corners. With e = (x0, y0, x1, y1, ...) the true
	// less the measured positions of View.Corners, pixels, Rows·e has mean zero
	// and unit covariance. r is at most 2n: the smooth ways a board's picture can
	// differ (its pose, its bend, the lens) of which the picture tells anything.
	Rows [][]float64

	// LackOfFit is a variance factor that Rows already contain, of retouched
	// pictures in part: how the parts of the board scatter about its smooth
	// picture, over what white noise as large as the residuals would do. Above 1 the picture is not quite as
	// predicted, or the print uneven; below 1 the noise is of a kind that edges
	// average out, as after sharpening.
	LackOfFit float64
}

// Result is what a photograph holds.
type Result struct {
	Views []View // in the order of the boards given; boards not seen have none

	// UnknownIDs are the ids of markers read that belong to no board given,
	// in rising order.
	UnknownIDs []int
}

// DetectOptions adjusts [Detect]. The zero value works.
type DetectOptions struct {
	// Camera, when known, straightens the lens's distortion while corners
	// are predicted. Detect works without.
	Camera *Camera
}

// minCorners is the fewest corners that make a view: fewer cannot check each
// other.
const minCorners = 6

// Detect finds the boards in a grey photograph and measures their inner
// corners. It is safe to call from several goroutines, and meant to be: it
// uses one thread each. Pixels are those of img with its first pixel at
// (0, 0).
//
// Markers name the corners and say where to look; one or two readable ones are
// enough. A board of which none can be read is known by its chessboard and by
// its markers all together, and its view says so in a note. The corners
// themselves come from a least-squares fit of the predicted picture of the whole
// board, see refine_board.go; on clean 12 MP pictures they are good to 0.0005 to
// 0.0015 px, and Cov and Joint are true for them. A corner that does not look as
// predicted (covered, in glare, cut off) is listed as rejected. Nothing found
// is an empty result. Errors: an empty picture, boards that are not valid or
// share ids.
func Detect(img *image.Gray, boards []Board, opts DetectOptions) (Result, error) {
	if img == nil || img.Bounds().Empty() {
		return Result{}, errors.New("the picture is empty: load a photograph first")
	}
	owner, err := idOwners(boards)
	if err != nil {
		return Result{}, err
	}
	singleThreaded()
	s, err := newScene(img, boards, opts)
	if err != nil {
		return Result{}, err
	}
	defer s.done()
	s.owner = owner
	if err := s.find(); err != nil {
		return Result{}, err
	}
	return s.result(), nil
}

// find looks for the boards where print seems to be, then where it would be in
// dimmer light; in the whole picture only when little is found, and at last
// closer.
func (s *scene) find() error {
	s.print = s.findBlocks()
	if err := s.search(); err != nil {
		return err
	}
	if bright, dim := s.print.limit, s.dimmer(); dim < bright*2/3 {
		n := len(s.explained)
		s.print.limit, s.patient = dim, n == 0
		if err := s.search(); err != nil {
			return err
		}
		if len(s.explained) == n {
			s.print.limit = bright
		}
	}
	if s.count() == 0 {
		s.patient = true
		s.chessEverywhere()
	}
	if n := s.count(); n < 2 && n < len(s.boards) {
		if err := s.findByMarkers(s.searchWhole); err != nil {
			return err
		}
	}
	err := s.findByMarkers(func(dictionary string) ([]Marker, error) { return s.searchRegions(dictionary, s.regions(), true) })
	if err == nil && s.count() == 0 {
		err = s.findByMarkers(s.searchClosely)
	}
	return err
}

// search looks for boards in the regions that look like print: by their
// chessboards, whose corners say where the markers are; then by OpenCV's search
// for markers.
func (s *scene) search() error {
	s.findChess(s.regions())
	return s.findByMarkers(func(dictionary string) ([]Marker, error) { return s.searchRegions(dictionary, s.regions(), false) })
}

// findByMarkers searches for markers of every family and measures the boards
// they show.
func (s *scene) findByMarkers(search func(dictionary string) ([]Marker, error)) error {
	names := slices.Sorted(maps.Keys(s.owner))
	for _, name := range names {
		read, err := search(name)
		if err != nil {
			return err
		}
		for _, m := range read {
			if b, ok := s.owner[name][m.ID]; ok {
				s.seen[b] = addMarker(s.seen[b], m)
			} else {
				s.unknown[m.ID] = true
			}
		}
	}
	for i := range s.boards {
		if s.found[i] == nil && len(s.seen[i]) > 0 {
			if s.found[i] = s.view(i); s.found[i] != nil {
				s.explain(s.found[i].view.Outline)
			}
		}
	}
	return nil
}

// count is the number of boards found.
func (s *scene) count() (n int) {
	for _, m := range s.found {
		if m != nil {
			n++
		}
	}
	return n
}

func (s *scene) result() (res Result) {
	all := slices.DeleteFunc(slices.Clone(s.found), func(m *measured) bool { return m == nil })
	s.straighten(all)
	for _, m := range all {
		res.Views = append(res.Views, m.view)
	}
	if len(s.unknown) > 0 {
		res.UnknownIDs = slices.Sorted(maps.Keys(s.unknown))
	}
	return res
}

// idOwners maps dictionary and id to the board that carries it.
func idOwners(boards []Board) (map[string]map[int]int, error) {
	if len(boards) == 0 {
		return nil, errors.New("no boards to look for: name at least one")
	}
	owner := map[string]map[int]int{}
	for i := range boards {
		b := &boards[i]
		if err := b.Validate(); err != nil {
			return nil, err
		}
		if owner[b.Dictionary] == nil {
			owner[b.Dictionary] = map[int]int{}
		}
		for id := b.FirstID; id < b.FirstID+b.NumMarkers(); id++ {
			if other, twice := owner[b.Dictionary][id]; twice {
				return nil, fmt.Errorf("boards %s and %s both carry marker id %d: give each board ids of its own",
					boards[other].Name, b.Name, id)
			}
			owner[b.Dictionary][id] = i
		}
	}
	return owner, nil
}

// scene is one photograph being worked.
type scene struct {
	boards []Board
	lens   lens
	levels []*image.Gray // level k is reduced by 2^k
	owner  map[string]map[int]int

	seen    [][]Marker  // by board
	found   []*measured // by board, or nil
	unknown map[int]bool

	print     blocks
	explained [][4][2]float64 // where boards were found, with a margin

	look look // of the last board measured
	*tools

	failed  map[int]int // by board: how often it was named and could not be measured
	patient bool        // nothing is found yet: more may be tried
}

// tools is the room that work on a photograph needs, left to the next one: fresh
// memory costs a twentieth of the work.
type tools struct {
	bench  bench
	room   room
	halves [3][]uint8
}

var toolbox = sync.Pool{New: func() any { return new(tools) }}

// done leaves the tools to the next photograph. The scene is not used after it.
func (s *scene) done() {
	t := s.tools
	s.tools = nil
	toolbox.Put(t)
}

func newScene(img *image.Gray, boards []Board, opts DetectOptions) (*scene, error) {
	s := &scene{
		boards: boards, lens: lens{opts.Camera}, levels: []*image.Gray{img},
		seen: make([][]Marker, len(boards)), found: make([]*measured, len(boards)), unknown: map[int]bool{},
		failed: map[int]int{},
		look:   look{blur: 0.9},
		tools:  toolbox.Get().(*tools),
	}
	for k := range s.tools.halves {
		half, err := reduceInto(s.tools.halves[k], s.levels[k], 2)
		if err != nil {
			return nil, err
		}
		s.tools.halves[k] = half.Pix
		s.levels = append(s.levels, half)
	}
	return s, nil
}

// smallestSide is the smallest marker side sought, in pixels of the picture
// searched: a marker of eight cells is not readable much below; enlarged, a
// little less is.
const (
	smallestSide     = 10.0
	smallestEnlarged = 6.0
)

// reducedFrom is the size from which the search takes the picture at half
// size.
const reducedFrom = 1600

func (s *scene) searchLevel() int {
	if b := s.levels[0].Bounds(); max(b.Dx(), b.Dy()) >= reducedFrom {
		return 1
	}
	return 0
}

// searchWhole looks for markers in the whole picture, reduced where large.
func (s *scene) searchWhole(dictionary string) ([]Marker, error) {
	b := s.levels[0].Bounds()
	return s.searchPart(dictionary, image.Rect(0, 0, b.Dx(), b.Dy()), s.searchLevel(), 1)
}

// view measures board i from the markers seen, or answers nil.
func (s *scene) view(i int) *measured {
	var best *measured
	others := 0
	for _, g := range groupMarkers(&s.boards[i], s.seen[i], s.lens) {
		m, ok := s.grow(i, g)
		if !ok {
			continue
		}
		if best == nil || len(m.view.Corners) > len(best.view.Corners) {
			best, m = m, best
		}
		if m != nil {
			others++
		}
	}
	if others > 0 {
		best.view.Note = seenTwice
	}
	return best
}

// group is a set of markers of one board that agree with one map.
type group []Marker

// groupMarkers sorts a board's markers into groups that fit one map each,
// largest first. A board seen twice gives two; a wrong reading one of its own.
func groupMarkers(b *Board, seen []Marker, l lens) (groups []group) {
	left := append([]Marker(nil), seen...)
	for len(left) > 0 {
		var best []int
		for seed := range left {
			if g := growGroup(b, left, seed, l); len(g) > len(best) {
				best = g
			}
			if len(best) == len(left) {
				break
			}
		}
		if len(best) == 0 {
			break
		}
		var g group
		taken := map[int]bool{}
		for _, k := range best {
			g = append(g, left[k])
			taken[k] = true
		}
		groups = append(groups, g)
		var rest []Marker
		for k, m := range left {
			if !taken[k] {
				rest = append(rest, m)
			}
		}
		left = rest
	}
	sort.SliceStable(groups, func(i, j int) bool { return len(groups[i]) > len(groups[j]) })
	return groups
}

// markerMatches are a marker's corners on the board and in the picture.
func markerMatches(b *Board, m Marker, sd float64) (out [4]match) {
	k := m.ID - b.FirstID
	col, row := b.MarkerSquare(k)
	g := (1 - b.MarkerM/b.SquareM) / 2
	x0, y0, x1, y1 := float64(col)+g, float64(row)+g, float64(col+1)-g, float64(row+1)-g
	for i, p := range [4][2]float64{{x0, y0}, {x1, y0}, {x1, y1}, {x0, y1}} {
		out[i] = match{p, m.Corners[i], sd}
	}
	return
}

// side is the mean side of a marker's quadrilateral, pixels.
func (m *Marker) side() float64 {
	var s float64
	for i := range m.Corners {
		j := (i + 1) % 4
		s += math.Hypot(m.Corners[i][0]-m.Corners[j][0], m.Corners[i][1]-m.Corners[j][1]) / 4
	}
	return s
}

// coarseSD is what OpenCV's marker corners are good to at half size, pixels.
const coarseSD = 1.5

func growGroup(b *Board, ms []Marker, seed int, l lens) []int {
	in := []int{seed}
	used := map[int]bool{seed: true}
	ids := map[int]bool{ms[seed].ID: true}
	var pts []match
	add := func(k int) {
		q := markerMatches(b, ms[k], coarseSD)
		pts = append(pts, q[:]...)
	}
	add(seed)
	for {
		w, ok := fitWarp(pts, l, b, false)
		if !ok {
			return in
		}
		// The nearest marker on the board that agrees.
		best, bestD := -1, math.Inf(1)
		for k := range ms {
			if used[k] || ids[ms[k].ID] {
				continue
			}
			q := markerMatches(b, ms[k], coarseSD)
			var worst float64
			for _, m := range q {
				p, ok := w.at(m.board)
				if !ok {
					worst = math.Inf(1)
					break
				}
				tol := 3*coarseSD + 3*w.h.sd(m.board, &w.cov) + 0.04*ms[k].side()
				worst = math.Max(worst, math.Hypot(p[0]-m.px[0], p[1]-m.px[1])/tol)
			}
			if worst > 1 {
				continue
			}
			d := math.Inf(1)
			for _, j := range in {
				c1, r1 := b.MarkerSquare(ms[j].ID - b.FirstID)
				c2, r2 := b.MarkerSquare(ms[k].ID - b.FirstID)
				d = math.Min(d, math.Hypot(float64(c1-c2), float64(r1-r2)))
			}
			if d < bestD {
				best, bestD = k, d
			}
		}
		if best < 0 {
			return in
		}
		in = append(in, best)
		used[best], ids[ms[best].ID] = true, true
		add(best)
	}
}
