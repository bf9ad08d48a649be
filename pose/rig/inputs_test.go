package rig_test

import (
	"slices"
	"testing"

	"wheelplane/pose/rig"
)

func TestInputsSince(t *testing.T) {
	then := &rig.Inputs{Job: rig.Input{SHA256: "j"}, Camera: rig.Input{SHA256: "c"},
		Photos: []rig.Input{{Path: "a", SHA256: "1"}, {Path: "b", SHA256: "2"}, {Path: "c", SHA256: "3"}, {Path: "d", SHA256: "4"}}}
	now := &rig.Inputs{Job: rig.Input{SHA256: "j"}, Camera: rig.Input{SHA256: "other"},
		Photos: []rig.Input{{Path: "a", SHA256: "1"}, {Path: "b", SHA256: "9"}, {Path: "e", SHA256: "3"}, {Path: "f", SHA256: "7"}}}
	c := now.Since(then)
	if !slices.Equal(c.Missing, []string{"d"}) || !slices.Equal(c.Changed, []string{"b"}) || !slices.Equal(c.Added, []string{"f"}) ||
		!slices.Equal(c.Renamed, []string{"c as e"}) || !c.Camera || c.Job || c.None() || len(c.Lines()) != 5 {
		t.Errorf("got %+v", c)
	}
	if c := then.Since(then); !c.None() || len(c.Lines()) != 0 {
		t.Errorf("nothing changed, and yet: %+v", c)
	}
}
