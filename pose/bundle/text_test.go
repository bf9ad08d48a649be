package bundle

import (
	"fmt"
	"strings"
	"testing"
)

// gauge is a residual that can be written down.
type gauge struct{ at float64 }

func (g gauge) Eval(x [][]float64, r []float64, jac [][]float64) bool {
	r[0] = x[0][0] - g.at
	if jac[0] != nil {
		jac[0][0] = 1
	}
	return true
}

func (g gauge) Describe() (string, []string) { return "gauge", []string{Line("at", g.at)} }

// mute is one that cannot.
type mute struct{ Residual }

func ExampleProblem_Text() {
	var p Problem
	level := p.AddBlock("level", []float64{0.1, 2}, Euclidean(2))
	p.Hold(level, 1)
	tank := p.AddBlock("tank 1", []float64{1.0 / 3}, Euclidean(1))
	p.Eliminate(tank)
	p.SetConstant(tank, true)
	p.AddResidual("first look", gauge{0.25}, 1, 0, nil, level)
	p.Deactivate(p.AddResidual("misread", gauge{7}, 1, 0, nil, level))
	p.AddResidual("second look", gauge{1e-9}, 1, 0, Huber(1.5), tank)
	text, err := p.Text()
	fmt.Print(text)
	fmt.Println(err)
	// Output:
	// problem 1
	// block space
	//   name level
	//   value 0.1 2
	//   held 1
	// block space
	//   name tank 1
	//   value 0.3333333333333333
	//   constant
	//   eliminate
	// residual gauge
	//   name first look
	//   blocks 0
	//   rows 1
	//   at 0.25
	// residual gauge
	//   name second look
	//   blocks 1
	//   rows 1
	//   loss huber 1.5 1
	//   at 1e-09
	// <nil>
}

// slide is a manifold that cannot be written down.
type slide struct{}

func (slide) Dim() int                     { return 1 }
func (slide) Plus(x, delta, out []float64) { out[0] = x[0] + delta[0] }

func TestTextNamesWhatItCannotWrite(t *testing.T) {
	for _, c := range []struct {
		add  func(p *Problem)
		want string
	}{
		{func(p *Problem) {
			p.AddResidual("a look", mute{gauge{}}, 1, 0, nil, p.AddBlock("a", []float64{1}, Euclidean(1)))
		}, `residual "a look"`},
		{func(p *Problem) { p.AddBlock("a slide", []float64{1}, slide{}) }, `manifold of "a slide"`},
		{func(p *Problem) {
			p.AddResidual("a look", gauge{}, 1, 0, struct{ Loss }{Huber(1)}, p.AddBlock("a", []float64{1}, Euclidean(1)))
		}, `loss of "a look"`},
	} {
		var p Problem
		c.add(&p)
		if text, err := p.Text(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("error %v does not name %s\n%s", err, c.want, text)
		}
	}
}
