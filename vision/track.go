package vision

import (
	"errors"
	"fmt"
	"image"
	"math"
	"math/bits"
	"runtime"
	"slices"
	"sync"
)

// Tracker finds boards in frame after frame of a camera that stands still or nearly
// so: where a board was in the last frame it is predicted in the next, look and all,
// and fitted as a whole as [Detect] does, without a search. Boards that are not where
// they were are looked for again, a part of the frame at a time, so that the rate
// holds. It is for one goroutine; the work of a frame is shared by all cores.
type Tracker struct {
	boards []Board
	opts   DetectOptions
	owner  map[string]map[int]int
	tracks []track
	size   image.Point
	frame  int
	slice  int // of the search, the next one
}

// Sight is how much of a board a frame shows.
type Sight int

// The sights.
const (
	Unseen Sight = iota // never seen yet
	Gone                // seen before: hidden, or carried away
	Partly              // a quarter of its corners or more is hidden
	Whole
)

// Tracked is what a frame shows.
type Tracked struct {
	Result
	Sights []Sight // by board
}

// track is a board from frame to frame.
type track struct {
	m      *measured // as last seen; nil: never
	coarse *pattern
	nodes  []node     // room for what is left behind where a frame fails
	seen   int        // the frame it was last seen in
	drift  [2]float64 // how far it went in the last frame, pixels
	now    bool
	hunted int // the frame it was last looked for around its place
}

// NewTracker begins. Errors: boards that are not valid or share ids.
func NewTracker(boards []Board, opts DetectOptions) (*Tracker, error) {
	owner, err := idOwners(boards)
	if err != nil {
		return nil, err
	}
	singleThreaded()
	return &Tracker{boards: slices.Clone(boards), opts: opts, owner: owner, tracks: make([]track, len(boards))}, nil
}

const (
	// restPx is how far a board goes at most from frame to frame, pixels, that is
	// taken to stand still: one pass over its pixels then does.
	restPx = 0.15

	// leastKept is the share of the corners seen in the last frame that must be
	// found near where they were, for the board to be followed by them.
	leastKept = 0.5

	// A board that is gone is looked for where it was for so many frames, and by a
	// wider reach every so many.
	waitFrames = 900
	widerEvery = 6

	// searchEvery is how many frames go by from one part searched to the next;
	// boards that were never seen may wait longer.
	searchEvery = 5
	idleEvery   = 15
)

// Track finds the boards in the next frame. Views are as those of [Detect]. Errors:
// an empty picture, or one of another size than the first.
func (t *Tracker) Track(img *image.Gray) (Tracked, error) {
	if img == nil || img.Bounds().Empty() {
		return Tracked{}, errors.New("the frame is empty: check the camera")
	}
	if t.frame == 0 {
		t.size = img.Bounds().Size()
	} else if img.Bounds().Size() != t.size {
		return Tracked{}, fmt.Errorf("a frame of %d x %d pixels follows one of %d x %d: leave the camera's mode as it is", img.Bounds().Dx(), img.Bounds().Dy(), t.size.X, t.size.Y)
	}
	t.frame++
	// The reduced pictures serve boards that moved far and the search.
	reduced := sync.OnceValues(func() ([]*image.Gray, error) {
		s, err := newScene(img, t.boards, t.opts)
		if err != nil {
			return nil, err
		}
		// The pool's room goes to the next photograph, so these are copies.
		levels := []*image.Gray{img}
		for _, l := range s.levels[1:] {
			levels = append(levels, &image.Gray{Pix: slices.Clone(l.Pix), Stride: l.Stride, Rect: l.Rect})
		}
		s.done()
		return levels, nil
	})
	var known []int
	for i := range t.tracks {
		tr := &t.tracks[i]
		tr.now = false
		if tr.m != nil && t.frame-tr.seen < waitFrames {
			known = append(known, i)
		}
	}
	// The largest first, for the cores to end together.
	slices.SortFunc(known, func(a, b int) int {
		return int(math.Copysign(1, t.tracks[b].m.view.SquarePx-t.tracks[a].m.view.SquarePx))
	})
	inTurn(len(known), func(k int) {
		i := known[k]
		tr := &t.tracks[i]
		s := t.sceneOf(img, nil)
		defer s.done()
		tr.now = t.follow(s, tr, reduced)
		if tr.now {
			tr.seen = t.frame
		}
	})
	if err := t.search(img, reduced); err != nil {
		return Tracked{}, err
	}
	out := Tracked{Sights: make([]Sight, len(t.boards))}
	for i := range t.tracks {
		tr := &t.tracks[i]
		switch {
		case tr.now:
			out.Views = append(out.Views, tr.m.view)
			out.Sights[i] = Whole
			if 4*len(tr.m.view.Corners) < 3*t.boards[i].NumCorners() {
				out.Sights[i] = Partly
			}
		case tr.m != nil:
			out.Sights[i] = Gone
		}
	}
	return out, nil
}

// inTurn calls f(0) ... f(n-1) on all cores.
func inTurn(n int, f func(k int)) {
	workers := min(n, runtime.GOMAXPROCS(0))
	if workers <= 1 {
		for k := range n {
			f(k)
		}
		return
	}
	next := make(chan int, n)
	for k := range n {
		next <- k
	}
	close(next)
	var wg sync.WaitGroup
	for range workers {
		wg.Go(func() {
			for k := range next {
				f(k)
			}
		})
	}
	wg.Wait()
}

// sceneOf is a frame to be worked on; levels nil: without reduced pictures.
func (t *Tracker) sceneOf(img *image.Gray, levels []*image.Gray) *scene {
	if levels == nil {
		levels = []*image.Gray{img}
	}
	return &scene{
		boards: t.boards, lens: lens{t.opts.Camera}, levels: levels, owner: t.owner,
		seen: make([][]Marker, len(t.boards)), found: make([]*measured, len(t.boards)), unknown: map[int]bool{}, failed: map[int]int{},
		look: look{blur: 0.9}, tools: toolbox.Get().(*tools),
	}
}

// follow finds a board of the last frame in this one.
func (t *Tracker) follow(s *scene, tr *track, reduced func() ([]*image.Gray, error)) bool {
	m := tr.m
	b := &t.boards[m.board]
	was := *m
	tr.nodes = append(tr.nodes[:0], m.nodes...)
	fail := func() bool {
		copy(m.nodes, tr.nodes)
		nodes := m.nodes
		*m = was
		m.nodes = nodes
		tr.drift = [2]float64{}
		return false
	}
	before, _ := m.warp.at([2]float64{float64(b.Cols) / 2, float64(b.Rows) / 2})
	if t.frame-tr.seen == 1 {
		m.warp.shift(tr.drift)
	}
	still, ok := s.catch(m, b)
	if !ok && (t.frame-tr.seen == 1 || t.frame%widerEvery == 0) {
		levels, err := reduced()
		if err != nil {
			return fail()
		}
		m.warp = was.warp
		wide := *s
		wide.levels = levels
		if ok = wide.catchWide(m, b, tr); ok {
			_, ok = s.catch(m, b)
		}
		still = false
	}
	if !ok {
		return fail()
	}
	if still {
		ok = s.onePass(m)
	} else {
		ok = s.fullPasses(m)
	}
	if !ok || !s.agrees(m) || !s.finish(m) {
		return fail()
	}
	now, _ := m.warp.at([2]float64{float64(b.Cols) / 2, float64(b.Rows) / 2})
	tr.drift = [2]float64{now[0] - before[0], now[1] - before[1]}
	if t.frame-tr.seen != 1 || math.Hypot(tr.drift[0], tr.drift[1]) < 2*restPx {
		tr.drift = [2]float64{}
	}
	return true
}

// shift moves the map in the picture.
func (w *warp) shift(d [2]float64) {
	if d == [2]float64{} {
		return
	}
	if !w.bend {
		w.bend = true
		w.scale = [2]float64{1, 1}
	}
	w.bx[0] += d[0]
	w.by[0] += d[1]
}

// catch finds how far a board went by its corners, a few pixels of each, and moves
// its map there. still: it hardly went at all. ok is false where too few of the
// corners that were seen last are near.
func (s *scene) catch(m *measured, b *Board) (still, ok bool) {
	for round := range 4 {
		var pts []match
		var far float64
		expected := 0
		for i := range m.cs {
			at := b.cornerSquares(i)
			f := s.measureCorner(m.pat, &m.warp, at, roughPass, m.look)
			if f.why == outside {
				continue
			}
			expected++
			if !f.ok {
				continue
			}
			far = math.Max(far, math.Hypot(f.last.shift[0], f.last.shift[1]))
			pts = append(pts, match{at, f.px, math.Max(f.sd, 0.02)})
		}
		if len(pts) < minCorners || float64(len(pts)) < leastKept*float64(expected) && len(pts) < 8 {
			return false, false
		}
		if far < restPx+4*pts[0].sd {
			return round == 0, true
		}
		w, good := fitWarp(pts, s.lens, b, len(pts) >= 8)
		if !good {
			return false, false
		}
		m.warp = w
		if far < 0.5 {
			return false, true
		}
	}
	return false, true
}

// catchWide does so on reduced pictures, for boards that went far.
func (s *scene) catchWide(m *measured, b *Board, tr *track) bool {
	if tr.coarse == nil {
		tr.coarse = newPattern(b, greyPatch)
	}
	top := s.levelFor(m.view.SquarePx, growSquarePx/2)
	for level := top; level >= max(0, top-1); level-- {
		var pts []match
		for i := range m.cs {
			at := b.cornerSquares(i)
			if f, ok := s.settle(&m.warp, tr.coarse, m.pat, at, level); ok {
				pts = append(pts, match{at, f.px, f.sd})
			}
		}
		if len(pts) < 8 {
			continue
		}
		if w, ok := fitWarp(pts, s.lens, b, true); ok {
			m.warp = w
			return true
		}
	}
	return false
}

// onePass fits a board that stands still as a whole, by one pass over its pixels and
// a second where that moved it after all.
func (s *scene) onePass(m *measured) bool {
	b := &s.boards[m.board]
	cols := numCols
	if m.look.sharp == 0 {
		cols = colSharp
	}
	var whole smooth
	for pass := range 2 {
		s.fullPass(m, cols, mostPixels)
		var ok bool
		if whole, ok = m.solve(b, cols-colBlur); !ok {
			return false
		}
		if moved := m.follow(&whole); pass == 0 && !moved.large() {
			break
		}
	}
	return s.settleWhole(m, &whole)
}

// agrees tells whether the markers' bits still say which board it is: none that is
// readable says otherwise, but for a few that something covers.
func (s *scene) agrees(m *measured) bool {
	b := &s.boards[m.board]
	book := codesOf(b.Dictionary)
	side := b.MarkerM / b.SquareM
	g := (1 - side) / 2
	good, bad := 0, 0
	for k := range b.NumMarkers() {
		col, row := b.MarkerSquare(k)
		var q [4][2]float64
		ok := true
		for i, d := range [4][2]float64{{g, g}, {1 - g, g}, {1 - g, 1 - g}, {g, 1 - g}} {
			p, fine := m.warp.at([2]float64{float64(col) + d[0], float64(row) + d[1]})
			ok, q[i] = ok && fine, p
		}
		if !ok {
			continue
		}
		word := book.words[b.FirstID+k]
		for n, share := range shares {
			r, ok := readQuad(s.levels[0], q, book.bits+2, share)
			if !ok || r.border > wrongBorder {
				continue
			}
			if wrong := bits.OnesCount64(r.word ^ word); wrong <= min(wrongAmong, book.correct) {
				good++
				break
			}
			if n == len(shares)-1 {
				bad++
			}
		}
	}
	m.markers = good
	return bad <= good || good == 0 && bad < 3
}

// search looks for boards that are not tracked in a part of the frame; in all of the
// first frame.
func (t *Tracker) search(img *image.Gray, reduced func() ([]*image.Gray, error)) error {
	if t.frame == 1 {
		return t.searchIn(img, img.Bounds().Sub(img.Bounds().Min), reduced)
	}
	lost, never := -1, false
	for i := range t.tracks {
		tr := &t.tracks[i]
		switch {
		case tr.now:
		case tr.m == nil:
			never = true
		case lost < 0 || tr.hunted < t.tracks[lost].hunted:
			lost = i
		}
	}
	w, h := t.size.X, t.size.Y
	switch {
	case lost >= 0 && t.frame%searchEvery == 0 && t.frame%(3*searchEvery) != 0:
		// Around where it was, twice its size.
		tr := &t.tracks[lost]
		tr.hunted = t.frame
		lo, hi := boundsOf(tr.m.view.Outline)
		dx, dy := (hi[0]-lo[0])/2, (hi[1]-lo[1])/2
		box := image.Rect(int(lo[0]-dx), int(lo[1]-dy), int(hi[0]+dx), int(hi[1]+dy)).Intersect(image.Rect(0, 0, w, h))
		return t.searchIn(img, box, reduced)
	case lost >= 0 && t.frame%(3*searchEvery) == 0, never && t.frame%idleEvery == 0:
		// Parts of half the frame's width and two thirds of its height, overlapping by
		// half: a board is whole in one of them, or nearly.
		t.slice = (t.slice + 1) % 6
		x, y := t.slice%3*w/4, t.slice/3*h/3
		return t.searchIn(img, image.Rect(x, y, x+w/2, y+2*h/3), reduced)
	}
	return nil
}

// searchIn looks for boards in a part of the frame.
func (t *Tracker) searchIn(img *image.Gray, box image.Rectangle, reduced func() ([]*image.Gray, error)) error {
	if box.Dx() < 32 || box.Dy() < 32 {
		return nil
	}
	origin := img.Bounds().Min
	part := img.SubImage(box.Add(origin)).(*image.Gray)
	opts := t.opts
	if c := opts.Camera; c != nil {
		moved := *c
		moved.CX -= float64(box.Min.X)
		moved.CY -= float64(box.Min.Y)
		opts.Camera = &moved
	}
	s, err := newScene(part, t.boards, opts)
	if err != nil {
		return err
	}
	defer s.done()
	s.owner = t.owner
	s.print = s.findBlocks()
	for i := range t.tracks {
		if tr := &t.tracks[i]; tr.now {
			q := tr.m.view.Outline
			for k := range q {
				q[k][0] -= float64(box.Min.X)
				q[k][1] -= float64(box.Min.Y)
			}
			s.explain(q)
		}
	}
	if t.frame == 1 {
		err = s.find()
	} else {
		err = s.search()
	}
	if err != nil {
		return err
	}
	for i, f := range s.found {
		tr := &t.tracks[i]
		if f == nil || tr.now {
			continue
		}
		whole := t.sceneOf(img, nil)
		whole.look = f.look
		cs := make([]found, t.boards[i].NumCorners())
		for _, c := range f.view.Corners {
			cs[c.Index] = found{px: [2]float64{c.Px[0] + float64(box.Min.X), c.Px[1] + float64(box.Min.Y)}, sd: 0.1, ok: true}
		}
		m, ok := whole.measure(i, f.markers, f.pat, cs)
		whole.done()
		if !ok || m.whole == nil || m.view.Note == seenTwice {
			continue // corners one by one are not enough to be followed by
		}
		tr.m, tr.now, tr.seen, tr.drift = m, true, t.frame, [2]float64{}
	}
	return nil
}
