package cli

import (
	"math"
	"strings"
	"testing"

	"wheelplane/fixtures"
	"wheelplane/pose/rig"
)

// What is told and drawn adds up: the squares of u_from to that of u, the parts of
// every bar to 100 percent.
func TestBudgetAddsUp(t *testing.T) {
	for _, name := range []string{"adjusted", "semi-trailer", "sweep"} {
		s, err := fixtures.NewScene(name, 4, 4000)
		if err != nil {
			t.Fatal(err)
		}
		s.Shape(0.0003, 0.0003)
		s.Wander(0.0005, 2)
		epochs, shares, err := rig.Budget(s.Job, s.Camera, s.DrawCorners(0.03, drawnOblique, 4), s.Truth)
		if err != nil {
			t.Fatal(err)
		}
		lines := budgetLines(epochs, shares)
		for _, l := range lines {
			sum := 0.0
			for _, u := range l.From {
				sum += u * u
			}
			if math.Abs(math.Sqrt(sum)-l.U) > 1e-4*l.U {
				t.Errorf("%s, %s of axle %d %s: sources make %g, u is %g", name, l.Quantity, l.Axle, l.Side, math.Sqrt(sum), l.U)
			}
		}
		_, shown := budgetOf(lines)
		pictures := budgetBars("Where uncertainty comes from", lines)
		if len(pictures) != len(epochs) {
			t.Errorf("%s: %d pictures of %d epochs", name, len(pictures), len(epochs))
		}
		for _, p := range pictures {
			if bad := p.Untidy(); len(bad) > 0 {
				t.Errorf("%s: %v", name, bad)
			}
			var text strings.Builder
			for _, b := range p.Texts() {
				text.WriteString(b.Text + "\n")
			}
			for _, from := range shown {
				if !strings.Contains(text.String(), string(from)) {
					t.Errorf("%s: no legend for %s", name, from)
				}
			}
		}
		if text := budgetText(lines); !strings.Contains(text, "corners: more photographs") {
			t.Errorf("%s:\n%s", name, text)
		}
	}
	for _, from := range rig.Sources {
		if budgetWords[from].is == "" || budgetWords[from].do == "" {
			t.Errorf("no words for %s", from)
		}
	}
}
