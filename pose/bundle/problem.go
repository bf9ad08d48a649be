package bundle

import (
	"fmt"
	"math"
)

// BlockID names a block of a [Problem].
type BlockID int

// ResidualID names a residual of a [Problem].
type ResidualID int

// Residual is one observation, or several that belong together, as a function
// of the blocks it was added with.
//
// Eval is called from several goroutines at once for different residuals of a
// problem, never for the same one: a Residual that is added once may keep
// buffers of its own.
type Residual interface {
	// Eval writes the whitened residuals r (model minus observation, over the
	// standard uncertainty) at the values x of its blocks. For each i with
	// jac[i] not nil it also writes the Jacobian with respect to the step of
	// block i: len(r) × Dim of block i, row by row. r and jac come as zeros;
	// x must not be changed.
	//
	// It returns false where the residual is not defined (a point behind the
	// camera): a step that leads there is refused.
	Eval(x [][]float64, r []float64, jac [][]float64) bool
}

// Problem is a set of blocks and residuals. The zero value is empty and ready.
// It is not safe for use by several goroutines.
type Problem struct {
	blocks    []block
	residuals []residual
}

type block struct {
	name      string
	x         []float64
	manifold  Manifold
	dim       int
	constant  bool
	eliminate bool
	held      []bool // by component of the step; nil: none
}

type residual struct {
	name     string
	f        Residual
	dim      int
	group    int
	loss     Loss
	blocks   []BlockID
	inactive bool
}

// AddBlock adds a block with the starting value x, which is copied. The name
// appears in errors.
func (p *Problem) AddBlock(name string, x []float64, m Manifold) BlockID {
	if e, ok := m.(euclidean); ok && int(e) != len(x) {
		panic(fmt.Sprintf("bundle: block %q has %d numbers on a space of %d", name, len(x), e))
	}
	if e, ok := m.(poseManifold); ok && len(x) != PoseSize+e.beside {
		panic(fmt.Sprintf("bundle: block %q has %d numbers, a transform has %d and what is beside it %d", name, len(x), PoseSize, e.beside))
	}
	p.blocks = append(p.blocks, block{name: name, x: append([]float64(nil), x...), manifold: m, dim: m.Dim()})
	return BlockID(len(p.blocks) - 1)
}

// SetConstant holds a block at its value, or lets it go again.
func (p *Problem) SetConstant(b BlockID, constant bool) { p.blocks[b].constant = constant }

// Hold holds some components of a block's step at zero (k3 among the
// intrinsics, say) and lets all others of the block go; without components it
// lets all go. Residuals still write the whole Jacobian of the block.
func (p *Problem) Hold(b BlockID, components ...int) {
	bl := &p.blocks[b]
	bl.held = nil
	for _, c := range components {
		if bl.held == nil {
			bl.held = make([]bool, bl.dim)
		}
		bl.held[c] = true
	}
}

// Eliminate marks a block to be taken out of the linear systems by the Schur
// complement. A residual may touch one such block at most. Use it for blocks
// that are many and small, each touched by residuals of its own.
func (p *Problem) Eliminate(b BlockID) { p.blocks[b].eliminate = true }

// Name returns the name of a block.
func (p *Problem) Name(b BlockID) string { return p.blocks[b].name }

// ResidualName returns the name of a residual.
func (p *Problem) ResidualName(id ResidualID) string { return p.residuals[id].name }

// Dim returns the number of components of a block's step, held ones included.
func (p *Problem) Dim(b BlockID) int { return p.blocks[b].dim }

// Value returns a copy of the value of a block.
func (p *Problem) Value(b BlockID) []float64 { return append([]float64(nil), p.blocks[b].x...) }

// SetValue changes the value of a block to a copy of x.
func (p *Problem) SetValue(b BlockID, x []float64) {
	if len(x) != len(p.blocks[b].x) {
		panic(fmt.Sprintf("bundle: block %q has %d numbers, not %d", p.blocks[b].name, len(p.blocks[b].x), len(x)))
	}
	copy(p.blocks[b].x, x)
}

// AddResidual adds a residual of dim rows that depends on the given blocks, all
// different, in the order Eval sees them. A loss, if any, acts on each group of
// consecutive rows of that size (0: all rows together). The name appears in
// errors.
func (p *Problem) AddResidual(name string, f Residual, dim, group int, loss Loss, blocks ...BlockID) ResidualID {
	if group == 0 {
		group = dim
	}
	switch {
	case dim < 1:
		panic(fmt.Sprintf("bundle: residual %q has no rows", name))
	case group < 0 || dim%group != 0:
		panic(fmt.Sprintf("bundle: residual %q has %d rows, which groups of %d do not fill", name, dim, group))
	case len(blocks) == 0:
		panic(fmt.Sprintf("bundle: residual %q depends on no block", name))
	}
	for i, b := range blocks {
		_ = p.blocks[b]
		for _, c := range blocks[:i] {
			if b == c {
				panic(fmt.Sprintf("bundle: residual %q names block %q twice", name, p.blocks[b].name))
			}
		}
	}
	p.residuals = append(p.residuals, residual{
		name: name, f: f, dim: dim, group: group, loss: loss,
		blocks: append([]BlockID(nil), blocks...),
	})
	return ResidualID(len(p.residuals) - 1)
}

// SetLoss changes the loss of a residual; nil is the plain square.
func (p *Problem) SetLoss(id ResidualID, loss Loss) { p.residuals[id].loss = loss }

// Deactivate leaves a residual out until [Problem.Activate].
func (p *Problem) Deactivate(id ResidualID) { p.residuals[id].inactive = true }

// Activate takes a residual in again.
func (p *Problem) Activate(id ResidualID) { p.residuals[id].inactive = false }

// EvalResidual returns the whitened rows of a residual at the current values,
// without its loss and whether active or not; ok is false where it is not
// defined.
func (p *Problem) EvalResidual(id ResidualID) (r []float64, ok bool) {
	res := &p.residuals[id]
	x := make([][]float64, len(res.blocks))
	for i, b := range res.blocks {
		x[i] = p.blocks[b].x
	}
	r = make([]float64, res.dim)
	ok = res.f.Eval(x, r, make([][]float64, len(res.blocks)))
	return r, ok && finite(r)
}

func finite(v []float64) bool {
	for _, a := range v {
		if math.IsNaN(a) || math.IsInf(a, 0) {
			return false
		}
	}
	return true
}
