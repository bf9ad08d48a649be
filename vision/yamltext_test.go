package vision

import (
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"
)

func TestYAMLText(t *testing.T) {
	for text, want := range map[string]string{
		"a: 1\nb: 2\nc: 3\nd: 4\ne: 5\n":    "line 1: unknown key a, line 2: unknown key b, line 3: unknown key c, and 2 more",
		"n: wide\n":                         "line 1: `wide` is not a whole number",
		"x: \"1\n\n  2\"\n":                 "line 1: `1 2` is not a number",
		"yes: perhaps\nlist: 3\n":           "line 1: `perhaps` is not true or false, line 2: `3` has the wrong form",
		"n: [1\n":                           ": not YAML; check indentation, brackets and quotes there",
		strings.Repeat("[", 20000) + "\n\n": "exceeded max depth of 10000: not YAML; check indentation, brackets and quotes there",
	} {
		dec := yaml.NewDecoder(strings.NewReader(text))
		dec.KnownFields(true)
		var v struct {
			N    int
			X    float64
			Yes  bool
			List []string
		}
		err := dec.Decode(&v)
		if err == nil {
			t.Fatalf("%q is read", text)
		}
		if got := YAMLText(err); !strings.HasSuffix(got, want) || strings.Contains(got, "\n") {
			t.Errorf("%.20q: %s", text, got)
		}
	}
}
