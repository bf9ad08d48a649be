// Package bundle solves nonlinear least squares: it finds the values of blocks
// of parameters that make
//
//	cost = ½ Σ ρ(|r|²)
//
// smallest, where r are whitened residuals (divided by their standard
// uncertainty, so of unit variance) and ρ is the identity or a robust [Loss],
// and it gives the covariance of what it found. It knows no cameras.
//
// A [Problem] holds blocks (values on a [Manifold]: a vector, a rigid
// transform) and residuals, each a function of a few blocks. Solving is
// Levenberg and Marquardt's method on the manifold. Blocks marked with
// [Problem.Eliminate] (photographs, of which there may be thousands) are taken
// out of each linear system by the Schur complement, so that time and memory
// grow linearly with their number; all other blocks are solved densely and
// should have a few hundred components together.
//
// Results do not depend on the number of workers, to the last bit.
//
// Sizes that do not fit (a value of the wrong length, a residual of no rows)
// panic, for they are mistakes in the calling code. Numbers that do not work
// out are errors.
//
// Sources: Nocedal and Wright, Numerical Optimization, 2nd ed. 2006, ch. 10
// (the method); Moré 1978 (scaling and the tests for convergence); Madsen,
// Nielsen and Tingleff, Methods for Non-Linear Least Squares Problems, 2nd ed.
// 2004 (damping); Triggs et al., Bundle Adjustment - A Modern Synthesis, 2000,
// sections 4.3 (robust losses) and 6.1 (Schur complement). They are cited from
// memory.
package bundle
