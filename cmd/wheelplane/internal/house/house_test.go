// Package house_test holds the code to its layout: which room may know which,
// what lies at the top, what the pure rooms must not do. DEVELOPERS.md draws
// the same picture for people, and is held to this one.
package house_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

const (
	root   = "../../../.."
	module = "wheelplane"
)

// rooms says, for each package, which of our packages its own files (not its
// tests) may import. A new package gets its line here and in DEVELOPERS.md.
var rooms = map[string][]string{
	"vision":                          {},
	"pose":                            {},
	"pose/bundle":                     {"pose"},
	"pose/align":                      {"pose"},
	"pose/rig":                        {"vision", "pose", "pose/bundle", "pose/align"},
	"pose/plan":                       {"vision", "pose", "pose/bundle", "pose/align", "pose/rig"},
	"pose/live":                       {"vision", "pose", "pose/align", "pose/rig"},
	"calib":                           {"vision", "pose", "pose/bundle"},
	"calib/jig":                       {"vision", "pose", "pose/align", "pose/rig"},
	"fixtures":                        {"vision", "pose", "pose/bundle", "pose/align", "pose/rig", "calib", "calib/jig"},
	"cmd/wheelplane":                  {"cmd/wheelplane/internal/cli"},
	"cmd/wheelplane/internal/cli":     {"cmd/wheelplane/internal/bay", "cmd/wheelplane/internal/wording", "vision", "pose", "pose/bundle", "pose/align", "pose/rig", "pose/plan", "pose/live", "calib", "fixtures", "cmd/wheelplane/internal/watching", "cmd/wheelplane/internal/spec", "cmd/wheelplane/internal/visit", "cmd/wheelplane/internal/work", "cmd/wheelplane/internal/draw", "cmd/wheelplane/internal/record", "cmd/wheelplane/internal/proof", "cmd/wheelplane/internal/planned", "calib/jig", "cmd/wheelplane/internal/history", "cmd/wheelplane/internal/lesson", "cmd/wheelplane/internal/seen", "cmd/wheelplane/internal/hold"},
	"cmd/wheelplane/internal/spec":    {"vision", "pose/align", "pose/rig"},
	"cmd/wheelplane/internal/visit":   {"vision", "pose/align"},
	"cmd/wheelplane/internal/work":    {"pose/align", "pose/rig", "cmd/wheelplane/internal/wording", "cmd/wheelplane/internal/spec", "cmd/wheelplane/internal/visit"},
	"cmd/wheelplane/internal/draw":    {},
	"cmd/wheelplane/internal/wording": {},
	"cmd/wheelplane/internal/lesson":  {"cmd/wheelplane/internal/wording", "cmd/wheelplane/internal/draw", "vision", "pose", "pose/align", "pose/rig", "fixtures"},
	"cmd/wheelplane/internal/record":  {"cmd/wheelplane/internal/wording", "cmd/wheelplane/internal/draw", "pose/align", "pose/rig"},
	"cmd/wheelplane/internal/proof":   {"cmd/wheelplane/internal/draw", "cmd/wheelplane/internal/record", "calib/jig", "pose/align", "pose/rig"},
	"cmd/wheelplane/internal/planned": {"cmd/wheelplane/internal/wording", "pose", "pose/align", "pose/rig", "pose/plan", "cmd/wheelplane/internal/draw"},
	"cmd/wheelplane/internal/bay":     {},
	"cmd/wheelplane/internal/house":   {},
	"cmd/wheelplane/internal/seen":    {"vision"},
	"cmd/wheelplane/internal/hold":    {},

	"cmd/wheelplane/internal/watching": {"vision", "pose/rig", "pose/live"},

	"cmd/wheelplane/internal/draw/drawtest": {"cmd/wheelplane/internal/draw"},

	"cmd/wheelplane/internal/bay/baytest": {},

	"cmd/wheelplane/internal/history": {"vision", "cmd/wheelplane/internal/draw", "cmd/wheelplane/internal/visit", "pose/align", "pose/rig"},
}

// pure rooms read no files, know no file format and print nothing.
var pure = []string{"pose", "pose/bundle", "pose/align", "pose/plan", "pose/live"}

// top is what may lie at the top of the repository, besides names that start
// with a dot.
var top = []string{"cmd", "vision", "pose", "calib", "fixtures", "testdata", "README.md", "DEVELOPERS.md", "go.mod", "go.sum", "LICENSE", "Makefile"}

type source struct {
	room, name string // "pose/bundle", "solve.go"
	test       bool
	file       *ast.File
	fset       *token.FileSet
}

// sources parses every Go file of the module.
func sources(t *testing.T) []source {
	t.Helper()
	var all []source
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, p)
		if err != nil {
			return err
		}
		rel = filepath.ToSlash(rel)
		if d.IsDir() {
			if rel != "." && (d.Name()[0] == '.' || d.Name()[0] == '_' || d.Name() == "testdata" || rel == "build") {
				return filepath.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(rel, ".go") {
			return nil
		}
		fset := token.NewFileSet()
		f, err := parser.ParseFile(fset, p, nil, parser.ParseComments)
		if err != nil {
			return err
		}
		all = append(all, source{path.Dir(rel), path.Base(rel), strings.HasSuffix(rel, "_test.go"), f, fset})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(all) < 10 {
		t.Fatalf("found only %d Go files under %s: the test looks in the wrong place", len(all), root)
	}
	return all
}

func (s source) imports() []string {
	var list []string
	for _, i := range s.file.Imports {
		p, err := strconv.Unquote(i.Path.Value)
		if err != nil {
			panic(err)
		}
		list = append(list, p)
	}
	return list
}

// Each package imports only the rooms before it, and OpenCV stays where it is
// kept.
func TestArrows(t *testing.T) {
	for _, s := range sources(t) {
		allowed, known := rooms[s.room]
		if !known {
			t.Errorf("%s/%s: no room of that name: give %s a line in rooms and in DEVELOPERS.md", s.room, s.name, s.room)
			continue
		}
		if s.test {
			continue
		}
		for _, p := range s.imports() {
			ours, isOurs := strings.CutPrefix(p, module+"/")
			switch {
			case isOurs && !slices.Contains(allowed, ours):
				t.Errorf("%s/%s imports %s: the arrows point the other way", s.room, s.name, ours)
			case strings.HasPrefix(p, "gocv.io/") && s.room != "vision" && s.room != "calib":
				t.Errorf("%s/%s imports %s: OpenCV does not leave vision and calib", s.room, s.name, p)
			case p == "C" && s.room != "vision":
				t.Errorf("%s/%s uses cgo: the shim to OpenCV in vision is the only place", s.room, s.name)
			}
		}
	}
}

// The table itself has no circle and never points up.
func TestRoomsHaveAnOrder(t *testing.T) {
	order := []string{"vision", "pose", "calib", "fixtures", "cmd"}
	floor := func(room string) int { return slices.Index(order, strings.SplitN(room, "/", 2)[0]) }
	for room, allowed := range rooms {
		if floor(room) < 0 {
			t.Errorf("%s lies on no floor of %v", room, order)
		}
		for _, a := range allowed {
			if _, known := rooms[a]; !known {
				t.Errorf("%s may import %s, which is no room", room, a)
			}
			if floor(a) > floor(room) || slices.Contains(rooms[a], room) {
				t.Errorf("%s may import %s: that is upwards, or a circle", room, a)
			}
		}
		if slices.Contains([]string{"util", "utils", "common", "helper", "helpers", "misc", "base"}, path.Base(room)) {
			t.Errorf("%s: a room is named for what it holds", room)
		}
	}
}

func TestPureRooms(t *testing.T) {
	for _, s := range sources(t) {
		if s.test || !slices.Contains(pure, s.room) {
			continue
		}
		for _, p := range s.imports() {
			if slices.Contains([]string{"os", "io", "io/fs", "io/ioutil", "log", "log/slog", "bufio", "path/filepath", "syscall", "net/http", "encoding/json"}, p) || strings.Contains(p, "yaml") {
				t.Errorf("%s/%s imports %s: this room reads no files and prints nothing", s.room, s.name, p)
			}
		}
		ast.Inspect(s.file, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok {
				return true
			}
			name := ""
			switch f := call.Fun.(type) {
			case *ast.Ident:
				name = f.Name
			case *ast.SelectorExpr:
				if x, ok := f.X.(*ast.Ident); ok {
					name = x.Name + "." + f.Sel.Name
				}
			}
			if slices.Contains([]string{"print", "println", "fmt.Print", "fmt.Printf", "fmt.Println"}, name) {
				t.Errorf("%s: %s calls %s: this room prints nothing", s.room, s.fset.Position(call.Pos()), name)
			}
			return true
		})
	}
}

// Every package says what it is for.
func TestPackageDocs(t *testing.T) {
	documented := map[string]bool{}
	for _, s := range sources(t) {
		if d := s.file.Doc; d != nil && (strings.HasPrefix(d.Text(), "Package ") || strings.HasPrefix(d.Text(), "Command ")) {
			documented[s.room] = true
		}
	}
	for _, s := range sources(t) {
		if !documented[s.room] {
			t.Errorf("%s has no package comment", s.room)
			documented[s.room] = true
		}
	}
}

func TestTop(t *testing.T) {
	entries, err := os.ReadDir(root)
	if err != nil {
		t.Fatal(err)
	}
	ignored, err := os.ReadFile(filepath.Join(root, ".gitignore"))
	if err != nil {
		t.Fatal(err)
	}
	var made []string // by building and running, never committed
	for line := range strings.Lines(string(ignored)) {
		if name, ok := strings.CutPrefix(strings.TrimSpace(line), "/"); ok {
			made = append(made, strings.TrimSuffix(name, "/"))
		}
	}
	for _, e := range entries {
		if n := e.Name(); n[0] != '.' && !slices.Contains(top, n) && !slices.Contains(made, n) {
			t.Errorf("%s lies at the top of the repository: there is room for it inside %v", n, top[:6])
		}
	}
}

// DEVELOPERS.md shows every room.
func TestDevelopersPicture(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(root, "DEVELOPERS.md"))
	if err != nil {
		t.Fatal(err)
	}
	for room := range rooms {
		if !strings.Contains(string(text), "`"+room+"`") {
			t.Errorf("DEVELOPERS.md does not show `%s`", room)
		}
	}
}

// Nothing names a folder that only one machine has.
func TestNoForeignPaths(t *testing.T) {
	for _, s := range sources(t) {
		ast.Inspect(s.file, func(n ast.Node) bool {
			lit, ok := n.(*ast.BasicLit)
			if !ok || lit.Kind != token.STRING {
				return true
			}
			for _, dir := range []string{"home", "root", "Users", "work"} {
				if strings.HasPrefix(strings.Trim(lit.Value, "\"`"), "/"+dir+"/") {
					t.Errorf("%s: %s is a path of one machine", s.fset.Position(lit.Pos()), lit.Value)
				}
			}
			return true
		})
	}
}

// Every module that is used stands in DEVELOPERS.md with its licence, by its
// organisation or its own name.
func TestLicencesAreListed(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(root, "DEVELOPERS.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, part, found := strings.Cut(string(text), "## Dependencies and their licences")
	part, _, ended := strings.Cut(part, "\n## ")
	if !found || !ended {
		t.Fatal("DEVELOPERS.md has no chapter on licences")
	}
	mod, err := os.ReadFile(filepath.Join(root, "go.mod"))
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for line := range strings.Lines(string(mod)) {
		name, version, ok := strings.Cut(strings.TrimPrefix(strings.TrimSpace(line), "require "), " ")
		if !ok || !strings.HasPrefix(version, "v") || !strings.Contains(name, ".") {
			continue
		}
		n++
		list := strings.Split(name, "/")[1:]
		if strings.HasPrefix(name, "golang.org/x/") {
			list = []string{"golang.org/x"}
		}
		if !strings.Contains(part, name) && !slices.ContainsFunc(list, func(s string) bool { return len(s) > 2 && strings.Contains(part, strings.TrimPrefix(s, "~")) }) {
			t.Errorf("%s is used but DEVELOPERS.md does not tell its licence", name)
		}
	}
	if n < 10 {
		t.Fatalf("found only %d modules in go.mod", n)
	}
}
