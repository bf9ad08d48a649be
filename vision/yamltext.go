package vision

import (
	"errors"
	"fmt"
	"regexp"
	"strings"

	"go.yaml.in/yaml/v3"
)

// mostFindings is how many of a YAML file's faults one line tells.
const mostFindings = 3

// YAMLText tells on one line, in words of a person who writes such a file, what the
// YAML library found wrong with it. What to do about it the caller adds; of text that
// is no YAML it is said here.
func YAMLText(err error) string {
	var t *yaml.TypeError
	if !errors.As(err, &t) {
		return flat(strings.TrimPrefix(err.Error(), "yaml: ")) + ": not YAML; check indentation, brackets and quotes there"
	}
	var found []string
	for i, e := range t.Errors {
		if i == mostFindings {
			found = append(found, fmt.Sprintf("and %d more", len(t.Errors)-i))
			break
		}
		if i := strings.Index(e, " not found in type "); i >= 0 {
			e = strings.Replace(e[:i], "field ", "unknown key ", 1)
		}
		found = append(found, yamlType.ReplaceAllStringFunc(e, func(m string) string {
			part := yamlType.FindStringSubmatch(m)
			what := "has the wrong form"
			switch {
			case strings.HasPrefix(part[2], "int"), strings.HasPrefix(part[2], "uint"):
				what = "is not a whole number"
			case strings.HasPrefix(part[2], "float"):
				what = "is not a number"
			case part[2] == "bool":
				what = "is not true or false"
			}
			return strings.TrimSpace(part[1] + " " + what)
		}))
	}
	// A value that is quoted may have lines of its own.
	return flat(strings.Join(found, ", "))
}

func flat(s string) string { return strings.Join(strings.Fields(s), " ") }

// yamlType is how the library tells that a value has the wrong type.
var yamlType = regexp.MustCompile("cannot unmarshal !!\\w+ ?(`[^`]*`)? ?into \\*?([\\w.\\[\\]*]+)")
