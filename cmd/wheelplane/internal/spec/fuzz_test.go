package spec

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"wheelplane/pose/rig"
)

// Whatever a specification holds, it is targets that can be judged by, or refused in
// one line that names the file.
func FuzzSpec(f *testing.F) {
	names, err := filepath.Glob("library/*.yaml")
	if err != nil || len(names) == 0 {
		f.Fatalf("no seeds: %v", err)
	}
	for _, name := range names {
		text, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	vehicles := []rig.Vehicle{
		{Reference: 2, Axles: []rig.Axle{{Name: "front", Track: 1.5, TyreDiameter: 0.6, Steered: true}, {Name: "rear", Position: 2.6, Track: 1.5, TyreDiameter: 0.6, Driven: true}}},
		{Reference: 4, Axles: []rig.Axle{{Track: 2, TyreDiameter: 1, Steered: true}, {Position: 1.9, Track: 2, TyreDiameter: 1, Steered: true}, {Position: 5, Track: 1.8, TyreDiameter: 1}, {Position: 6.3, Track: 1.8, TyreDiameter: 1}}},
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		s, err := Parse(text, "x.yaml")
		for i := range vehicles {
			var targets []Target
			if err == nil {
				targets, err = s.Targets(&vehicles[i])
			}
			if err == nil {
				_, err = s.Adjusters(&vehicles[i])
			}
			if err != nil {
				if strings.ContainsAny(err.Error(), "\n\r") || !strings.HasPrefix(err.Error(), "x.yaml") {
					t.Errorf("%q", err)
				}
				return
			}
			for _, x := range targets {
				if math.IsNaN(x.Low) || math.IsNaN(x.High) || x.Low > x.High {
					t.Errorf("%+v", x)
				}
			}
		}
	})
}
