package cli

import (
	"strings"
	"testing"

	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/pose/align"
)

// Every quantity of the tables has its name among the texts, and no other has one.
func TestQuantitiesHaveNames(t *testing.T) {
	named := map[string]bool{}
	for key := range wording.English() {
		if q, ok := strings.CutPrefix(key, "quantity."); ok {
			named[q] = true
		}
	}
	for _, q := range quantities {
		if !named[string(q)] {
			t.Errorf("%s has no name", q)
		}
		delete(named, string(q))
	}
	for q := range named {
		t.Errorf("%q has a name and is in no table", q)
	}
	if got := nameOf(align.ToeOutOnTurns); got != "toe-out on turns" {
		t.Errorf("got %q", got)
	}
}
