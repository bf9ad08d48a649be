package bundle

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"
)

// wide is a residual of many columns whose evaluation costs next to nothing, to
// measure the solver alone: r = A·x + ¼(A·x)³/c² − y.
type wide struct {
	a    []float64 // rows × all columns
	y    []float64
	cols int
}

func (w *wide) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	for i := range r {
		row := w.a[i*w.cols : (i+1)*w.cols]
		sum, at := 0.0, 0
		for _, v := range x {
			for j, c := range v {
				sum += row[at+j] * c
			}
			at += len(v)
		}
		r[i] = sum*(1+sum*sum*1e-4) - w.y[i]
		f := 1 + 3e-4*sum*sum
		at = 0
		for b, v := range x {
			if jac[b] != nil {
				to := jac[b][i*len(v) : (i+1)*len(v)]
				for j := range to {
					to[j] = f * row[at+j]
				}
			}
			at += len(v)
		}
	}
	return true
}

// newWide builds a problem of the size of a three-axle job: photographs of six
// unknowns, each with several views of 48 rows that depend on the photograph,
// the camera and six more blocks, 45 columns together.
func newWide(photos, views, blocks int) *Problem {
	rng := rand.New(rand.NewPCG(1, 2))
	p := &Problem{}
	normal := func(n int) []float64 {
		v := make([]float64, n)
		for i := range v {
			v[i] = rng.NormFloat64()
		}
		return v
	}
	camera := p.AddBlock("camera", normal(9), Euclidean(9))
	var global []BlockID
	for i := range blocks {
		global = append(global, p.AddBlock(fmt.Sprintf("block %d", i), normal(5), Euclidean(5)))
	}
	const rows, cols = 48, 6 + 9 + 6*5
	for i := range photos {
		photo := p.AddBlock(fmt.Sprintf("photo %d", i), normal(6), Euclidean(6))
		p.Eliminate(photo)
		for v := range views {
			on := []BlockID{photo, camera}
			// Neighbours see mostly the same blocks, as photographs do.
			for k := range 6 {
				on = append(on, global[(i*blocks/photos+k+2*v)%blocks])
			}
			w := &wide{a: normal(rows * cols), y: normal(rows), cols: cols}
			p.AddResidual(fmt.Sprintf("view %d of photo %d", v, i), w, rows, 2, nil, on...)
		}
	}
	return p
}

func (p *Problem) values() [][]float64 {
	var v [][]float64
	for b := range p.blocks {
		v = append(v, p.Value(BlockID(b)))
	}
	return v
}

func (p *Problem) setValues(v [][]float64) {
	for b := range v {
		p.SetValue(BlockID(b), v[b])
	}
}

// BenchmarkSolve solves a job of 45 photographs with six views each, and its
// covariance: the invented network with its true geometry, and the solver alone
// on residuals of 45 columns among 309 global ones.
func BenchmarkSolve(b *testing.B) {
	n := newNetwork(networkOptions{photos: 45, views: 6, boards: 12, stations: 3, seed: 1, start: 0.02})
	for _, c := range []struct {
		name string
		p    *Problem
	}{{"network", &n.p}, {"wide", newWide(45, 6, 60)}, {"wide450", newWide(450, 6, 60)}} {
		start := c.p.values()
		for _, workers := range []int{1, 2} {
			b.Run(fmt.Sprintf("%s/workers=%d", c.name, workers), func(b *testing.B) {
				b.ReportAllocs()
				var sum Summary
				for b.Loop() {
					c.p.setValues(start)
					var err error
					if sum, err = c.p.Solve(context.Background(), Options{Workers: workers}); err != nil {
						b.Fatal(err)
					}
				}
				b.ReportMetric(float64(sum.Iterations), "iterations")
				b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N)/float64(sum.Iterations), "ms/iteration")
			})
		}
		b.Run(c.name+"/covariance", func(b *testing.B) {
			for b.Loop() {
				if _, err := c.p.Covariance(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
