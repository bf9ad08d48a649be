package bundle

import (
	"fmt"
	"sort"
)

// layout is a problem prepared for solving: which component of which block is
// which column, and which residuals belong together.
//
// Columns of blocks that are not eliminated ("global" columns) are numbered
// through the problem. Each eliminated block has columns of its own, numbered
// from 0.
type layout struct {
	p       *Problem
	columns [][]int // by block: column of each component, -1 where held; nil where the block is constant
	n       int     // global columns
	groups  []group
	groupOf []int // by block: the group that eliminates it, or -1
	terms   []term

	values  []int // by block: where its value starts in a vector of all values
	nValues int
	rows    int // of all active residuals
	width   int // most columns of one term
	dim     int // most rows of one term
	span    int // most columns of one group, the eliminated ones included
}

// group is an eliminated block with all its residuals, or a run of residuals
// that touch none.
type group struct {
	block       int // eliminated, or -1
	d           int // columns of the eliminated block
	first, last int // terms [first, last)
	cols        []int32
}

// term is an active residual.
type term struct {
	id    int
	order []int32 // positions of its free blocks: the eliminated one first, then by global column
	width int     // free columns
	local []int32 // for each free column, its place among the columns of the group
}

// Runs of residuals that touch no eliminated block are closed at this many rows
// or columns.
const (
	runRows    = 512
	runColumns = 64
)

// newLayout also checks what can only be checked when all is there.
func newLayout(p *Problem) (*layout, error) {
	l := &layout{p: p, columns: make([][]int, len(p.blocks)), values: make([]int, len(p.blocks))}
	for b := range p.blocks {
		bl := &p.blocks[b]
		l.values[b] = l.nValues
		l.nValues += len(bl.x)
		if !finite(bl.x) {
			return nil, fmt.Errorf("the value of %q is not a finite number: give it a start", bl.name)
		}
		if bl.constant {
			continue
		}
		c := 0
		if !bl.eliminate {
			c = l.n
		}
		cols := make([]int, bl.dim)
		for i := range cols {
			cols[i] = -1
			if bl.held == nil || !bl.held[i] {
				cols[i] = c
				c++
			}
		}
		l.columns[b] = cols
		if !bl.eliminate {
			l.n = c
		}
	}

	l.groupOf = make([]int, len(p.blocks))
	for b := range l.groupOf {
		l.groupOf[b] = -1
	}
	byBlock := make([][]int, len(p.blocks))
	var loose []int
	for id := range p.residuals {
		res := &p.residuals[id]
		if res.inactive {
			continue
		}
		l.rows += res.dim
		l.dim = max(l.dim, res.dim)
		eliminated := -1
		for _, b := range res.blocks {
			if !l.eliminated(int(b)) {
				continue
			}
			if eliminated >= 0 {
				return nil, fmt.Errorf("residual %q touches two eliminated blocks, %q and %q: eliminate one of them at most",
					res.name, p.blocks[eliminated].name, p.blocks[b].name)
			}
			eliminated = int(b)
		}
		if eliminated >= 0 {
			byBlock[eliminated] = append(byBlock[eliminated], id)
		} else {
			loose = append(loose, id)
		}
	}
	if l.rows == 0 {
		return nil, fmt.Errorf("the problem has no residuals: add observations")
	}

	for len(loose) > 0 {
		ids := loose
		rows, seen := 0, map[int]bool{}
		for i, id := range loose {
			rows += p.residuals[id].dim
			for _, b := range p.residuals[id].blocks {
				for _, c := range l.columns[b] {
					seen[c] = true
				}
			}
			if i > 0 && (rows > runRows || len(seen) > runColumns) {
				ids = loose[:i]
				break
			}
		}
		loose = loose[len(ids):]
		l.addGroup(-1, ids)
	}
	for b := range p.blocks {
		if l.eliminated(b) {
			l.groupOf[b] = len(l.groups)
			l.addGroup(b, byBlock[b])
		}
	}
	return l, nil
}

// eliminated reports whether block b is free and eliminated.
func (l *layout) eliminated(b int) bool {
	return l.p.blocks[b].eliminate && l.columns[b] != nil
}

func (l *layout) addGroup(b int, ids []int) {
	g := group{block: b, first: len(l.terms)}
	if b >= 0 {
		g.d = count(l.columns[b])
	}
	seen := map[int]bool{}
	for _, id := range ids {
		for _, c := range l.p.residuals[id].blocks {
			if int(c) == b {
				continue
			}
			for _, col := range l.columns[c] {
				if col >= 0 && !seen[col] {
					seen[col] = true
					g.cols = append(g.cols, int32(col))
				}
			}
		}
	}
	sort.Slice(g.cols, func(i, j int) bool { return g.cols[i] < g.cols[j] })
	place := map[int]int32{}
	for i, c := range g.cols {
		place[int(c)] = int32(g.d + i)
	}
	for _, id := range ids {
		t := term{id: id}
		blocks := l.p.residuals[id].blocks
		for i, c := range blocks {
			if l.columns[c] != nil {
				t.order = append(t.order, int32(i))
			}
		}
		key := func(i int32) int { // the eliminated block first, then by column
			c := int(blocks[i])
			if c == b {
				return -1
			}
			return c
		}
		sort.Slice(t.order, func(i, j int) bool { return key(t.order[i]) < key(t.order[j]) })
		for _, i := range t.order {
			c := int(blocks[i])
			for _, col := range l.columns[c] {
				switch {
				case col < 0:
				case c == b:
					t.local = append(t.local, int32(col))
				default:
					t.local = append(t.local, place[col])
				}
			}
		}
		t.width = len(t.local)
		l.width = max(l.width, t.width)
		l.terms = append(l.terms, t)
	}
	g.last = len(l.terms)
	l.span = max(l.span, g.d+len(g.cols))
	l.groups = append(l.groups, g)
}

func count(cols []int) int {
	n := 0
	for _, c := range cols {
		if c >= 0 {
			n++
		}
	}
	return n
}

// parameters counts the free columns, eliminated ones included.
func (l *layout) parameters() int {
	n := l.n
	for i := range l.groups {
		n += l.groups[i].d
	}
	return n
}
