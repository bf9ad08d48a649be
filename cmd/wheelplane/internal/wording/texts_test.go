package wording

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// Every Say of the program has its text, with the places that it fills in; every
// text is said somewhere.
func TestEveryTextIsSaid(t *testing.T) {
	said := map[string]bool{}
	fset := token.NewFileSet()
	err := filepath.WalkDir("../..", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return err
		}
		file, err := parser.ParseFile(fset, path, nil, 0)
		if err != nil {
			return err
		}
		ast.Inspect(file, func(n ast.Node) bool {
			if sel, ok := n.(*ast.SelectorExpr); ok && isSay(sel) && !called(file, sel) {
				t.Errorf("%s: Say is handed on, so that nobody sees with what keys", fset.Position(n.Pos()))
			}
			call, ok := n.(*ast.CallExpr)
			if !ok || !isSay(call.Fun) {
				return true
			}
			for _, wrong := range sayWrongly(call, said) {
				t.Errorf("%s: %s", fset.Position(call.Pos()), wrong)
			}
			return true
		})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(said) < 50 {
		t.Fatalf("only %d texts are said: were the sources found?", len(said))
	}
	for _, key := range slices.Sorted(maps.Keys(english)) {
		// Which quantities there are is known in cli, whose test holds their names.
		if !said[key] && !strings.HasPrefix(key, "quantity.") {
			t.Errorf("nothing says %q", key)
		}
	}
}

func isSay(e ast.Expr) bool {
	sel, ok := e.(*ast.SelectorExpr)
	if !ok || sel.Sel.Name != "Say" {
		return false
	}
	x, ok := sel.X.(*ast.Ident)
	return ok && x.Name == "wording"
}

// called tells whether Say is called where it is named.
func called(file *ast.File, sel *ast.SelectorExpr) (found bool) {
	ast.Inspect(file, func(n ast.Node) bool {
		if call, ok := n.(*ast.CallExpr); ok && call.Fun == sel {
			found = true
		}
		return !found
	})
	return found
}

func sayWrongly(call *ast.CallExpr, said map[string]bool) (wrong []string) {
	literal := func(e ast.Expr) (string, bool) {
		lit, ok := e.(*ast.BasicLit)
		if !ok || lit.Kind != token.STRING {
			return "", false
		}
		text, err := strconv.Unquote(lit.Value)
		return text, err == nil
	}
	key, ok := literal(call.Args[0])
	if !ok {
		return []string{"the key is not written out"}
	}
	said[key] = true
	text, ok := english[key]
	if !ok {
		return []string{"there is no text " + key}
	}
	if len(call.Args)%2 == 0 || call.Ellipsis.IsValid() {
		return []string{key + ": what is filled in is not written out in pairs"}
	}
	var names []string
	for i := 1; i < len(call.Args); i += 2 {
		name, ok := literal(call.Args[i])
		if !ok {
			wrong = append(wrong, key+": the name of a place is not written out")
		}
		names = append(names, name)
	}
	slices.Sort(names)
	if want := Places(text); !slices.Equal(names, want) {
		wrong = append(wrong, key+": fills in "+strings.Join(names, ", ")+"; the text has "+strings.Join(want, ", "))
	}
	return wrong
}

// A text that a slip of the pen would leave with a brace, or empty.
func TestTextsAreWhole(t *testing.T) {
	for _, language := range Languages() {
		for key, text := range mustRead(language) {
			// A share is written "5 % of"; a verb of fmt has no blank behind its sign.
			if rest := strings.ReplaceAll(place.ReplaceAllString(text, ""), "% ", ""); strings.ContainsAny(rest, "{}%") || strings.TrimSpace(text) != text || text == "" {
				t.Errorf("%s: %q is %q", language, key, text)
			}
		}
	}
}

func TestSay(t *testing.T) {
	defer Use(Default)
	if got, want := Say("limits.both", "low", "{high}", "high", 2), "{high} to 2"; got != want {
		t.Errorf("%q, want %q: what is filled in is not looked at again", got, want)
	}
	other := English()
	other["limits.both"] = "bis {high} ab {low}"
	if err := Set("xx", other); err != nil {
		t.Fatal(err)
	}
	if got, want := Say("limits.both", "low", 1, "high", 2), "bis 2 ab 1"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	for _, c := range []struct {
		key, text string
		want      string
	}{
		{"limits.both", "bis {high}", `"limits.both" has the places [high], where [high low] are filled in`},
		{"limits.both", "", `there is none for "limits.both"`},
		{"limits.neither", "x", `nothing asks for "limits.neither"`},
	} {
		bad := English()
		bad[c.key] = c.text
		if c.text == "" {
			delete(bad, c.key)
		}
		if err := Set("yy", bad); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v, want %q", err, c.want)
		}
	}
	if err := Use("zz"); err == nil || !strings.Contains(err.Error(), `there are no texts in "zz": choose one of en`) {
		t.Errorf("%v", err)
	}
	if got := Say("limits.both", "low", 1, "high", 2); got != "bis 2 ab 1" {
		t.Errorf("a failed change of language changed it: %q", got)
	}
}

func TestCapital(t *testing.T) {
	for in, want := range map[string]string{"": "", "roll": "Roll", "öffne": "Öffne", "3 boards": "3 boards"} {
		if got := Capital(in); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
