package bundle

import (
	"fmt"
	"strconv"
	"strings"
)

// Described is a [Residual], a [Manifold] or a [Loss] that can be written down,
// see [Problem.Text].
type Described interface {
	// Describe returns the kind, one word, and for a residual the lines that
	// tell it from others of its kind: a keyword each, then numbers or words
	// (see [Line]).
	Describe() (kind string, lines []string)
}

// Line writes a keyword and numbers, so that reading them gives the same
// numbers to the last bit.
func Line(keyword string, numbers ...float64) string {
	b := []byte(keyword)
	for _, v := range numbers {
		b = append(b, ' ')
		b = strconv.AppendFloat(b, v, 'g', -1, 64)
	}
	return string(b)
}

// Text writes the problem at its current values as plain text, complete for
// whoever knows the kinds: another solver can be given the very same problem.
// It is an error where a residual, manifold or loss is not [Described].
//
// Each line is a keyword and what belongs to it, separated by single spaces.
// The first is "problem 1", the version of this format. Lines of a block or
// residual are indented by two spaces and follow it. Names run to the end of
// the line. Blocks are numbered from 0 in their order.
//
//	block MANIFOLD            starts a block
//	  name NAME
//	  value X ...             where it starts
//	  constant                held at its value
//	  held COMPONENT ...      components of the step held at zero, from 0
//	  eliminate               best taken out of the linear systems by the Schur complement
//	residual KIND             starts a residual
//	  name NAME
//	  blocks BLOCK ...        what it depends on, in the order the kind expects
//	  rows N
//	  loss LOSS WIDTH GROUP   huber, cauchy or tukey, on each GROUP consecutive rows;
//	                          none where the line is missing
//	  ...                     what the kind needs besides
//
// The cost is ½ Σ ρ(|r|²) over the groups of rows of all residuals written;
// inactive ones are not. Manifolds known here:
//
//	space                     value and step of the same length, moves by addition
//	pose                      R row by row, then T; step (ω, τ): R → exp(ω)·R, T → T + τ;
//	                          numbers that follow T move by addition, after (ω, τ) in the step
func (p *Problem) Text() (string, error) {
	var b strings.Builder
	b.WriteString("problem 1\n")
	line := func(words ...string) {
		b.WriteString("  ")
		b.WriteString(strings.Join(words, " "))
		b.WriteByte('\n')
	}
	name := func(s string) { line("name", strings.Join(strings.Fields(s), " ")) }
	for i := range p.blocks {
		bl := &p.blocks[i]
		m, ok := bl.manifold.(Described)
		if !ok {
			return "", fmt.Errorf("bundle: the manifold of %q cannot be written down: give %T a Describe", bl.name, bl.manifold)
		}
		kind, _ := m.Describe()
		fmt.Fprintf(&b, "block %s\n", kind)
		name(bl.name)
		line(Line("value", bl.x...))
		if bl.constant {
			line("constant")
		}
		if bl.held != nil {
			held := "held"
			for c, h := range bl.held {
				if h {
					held += fmt.Sprint(" ", c)
				}
			}
			line(held)
		}
		if bl.eliminate {
			line("eliminate")
		}
	}
	for i := range p.residuals {
		res := &p.residuals[i]
		if res.inactive {
			continue
		}
		f, ok := res.f.(Described)
		if !ok {
			return "", fmt.Errorf("bundle: residual %q cannot be written down: give %T a Describe", res.name, res.f)
		}
		kind, lines := f.Describe()
		fmt.Fprintf(&b, "residual %s\n", kind)
		name(res.name)
		blocks := "blocks"
		for _, id := range res.blocks {
			blocks += fmt.Sprint(" ", id)
		}
		line(blocks)
		line("rows", strconv.Itoa(res.dim))
		if res.loss != nil {
			l, ok := res.loss.(Described)
			if !ok {
				return "", fmt.Errorf("bundle: the loss of %q cannot be written down: give %T a Describe", res.name, res.loss)
			}
			kind, width := l.Describe()
			line("loss", kind, strings.Join(width, " "), strconv.Itoa(res.group))
		}
		for _, l := range lines {
			line(l)
		}
	}
	return b.String(), nil
}

func (euclidean) Describe() (string, []string)    { return "space", nil }
func (poseManifold) Describe() (string, []string) { return "pose", nil }

func width(c float64) []string { return []string{strconv.FormatFloat(c, 'g', -1, 64)} }

func (l huber) Describe() (string, []string)  { return "huber", width(l.c) }
func (l cauchy) Describe() (string, []string) { return "cauchy", width(l.c) }
func (l tukey) Describe() (string, []string)  { return "tukey", width(l.c) }
