package cli

import (
	"context"
	"encoding/json"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"wheelplane/cmd/wheelplane/internal/planned"
	"wheelplane/cmd/wheelplane/internal/record"
	"wheelplane/cmd/wheelplane/internal/spec"
	"wheelplane/pose/rig"
)

// FuzzFolder: whatever stands in the files that commands write for themselves and read
// again (result.json, plan.json, a film's list of frames, a page's memory of a
// photograph), those who read them read it or say in a line what is wrong, soon.
func FuzzFolder(f *testing.F) {
	dir := f.TempDir()
	app := &App{Stdout: io.Discard, Stderr: io.Discard, Quiet: true}
	knownJob(f, dir)
	_, _, err := app.measure(context.Background(), measureOptions{dir: dir})
	if err == nil {
		err = app.specUse(context.Background(), specUseOptions{dir: dir, name: "example-harbour-car"})
	}
	if err != nil {
		f.Fatal(err)
	}
	b, err := newBench(dir, record.Metric)
	if err != nil {
		f.Fatal(err)
	}
	files := []string{rig.ResultFile, planned.Name, "walk.json", "lesson.json"}
	was := map[string][]byte{}
	for i, name := range files {
		text, err := os.ReadFile(filepath.Join(dir, name))
		if err == nil {
			was[name] = text
			for node, put := range []string{"null", "0", "-1", "1e308", `""`, `"left"`, "[]", "{}", "[[[]]]", `"../../x"`} {
				f.Add(uint8(i), uint16(1+7*node), []byte(put))
			}
		}
	}
	f.Add(uint8(0), uint16(0), []byte(`{"readings":[{"quantity":"toe","axle":-3,"side":"left","value":1e300,"u":-1,"unit":"deg"}],"network":null,"stances":[{"epoch":"x"}]}`))
	f.Add(uint8(0), uint16(0), []byte(`{"readings":[{"quantity":"total_toe","axle":1,"epoch":"as found","value":0.1,"u":0,"unit":"deg"}],"tool":{"options":["--x"]},"inputs":{"photos":[{"path":"../../x"}]}}`))
	f.Add(uint8(1), uint16(0), []byte(`{"stations":[{"shots":[{"at":[1,2,3],"boards":["A"]}]}],"readings":[{}]}`))
	f.Add(uint8(2), uint16(0), []byte(`{"sha256":"","picked":[{"photo":"../x"}],"film":"walk.mp4"}`))
	// Of a file that is whole its node-th value is exchanged for text; node 0: text is
	// the file.
	f.Fuzz(func(t *testing.T, which uint8, node uint16, text []byte) {
		name := files[int(which)%len(files)]
		path := filepath.Join(dir, name)
		if good := was[name]; good != nil && node > 0 {
			var ok bool
			if text, ok = exchanged(good, int(node), text); !ok {
				return
			}
		}
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
		defer func() {
			os.Remove(path)
			if text := was[name]; text != nil {
				os.WriteFile(path, text, 0o600)
			}
		}()
		begun := time.Now()
		var errs []error
		switch name {
		case rig.ResultFile:
			_, view := b.View()
			_, _, report := app.writeRecord(reportOptions{dir: dir, Options: record.Options{Units: record.Metric, Angles: record.Degrees, Paper: record.Papers[0].Name}})
			errs = append(errs, view, report, app.judge(judgeOptions{dir: dir}), app.next(nextOptions{dir: dir}), app.advise(adviseOptions{dir: dir}))
		case planned.Name:
			_, err := loadPlan(dir)
			errs = append(errs, err, app.next(nextOptions{dir: dir}))
		case "walk.json":
			_, err := framePlace{dir: dir, name: "walk"}.before("")
			errs = append(errs, err)
		case "lesson.json":
			_, err := earlierLesson(dir, "runout")
			errs = append(errs, err)
		}
		for _, err := range errs {
			if err != nil && (strings.ContainsAny(err.Error(), "\n\r") || err.Error() == "") {
				t.Errorf("%s: not one line: %q", name, err)
			}
		}
		if d := time.Since(begun); d > 10*time.Second {
			t.Errorf("%s: it takes %s", name, d)
		}
		if _, err := os.Stat(filepath.Join(dir, spec.File)); err != nil {
			t.Fatalf("%s: another file went away: %v", name, err)
		}
	})
}

// exchanged is a JSON text with one of its values, counted in depth first with names
// in order, exchanged for another.
func exchanged(text []byte, node int, put []byte) ([]byte, bool) {
	if !json.Valid(put) {
		return nil, false
	}
	var tree any
	if err := json.Unmarshal(text, &tree); err != nil {
		return nil, false
	}
	var at func(v any) any
	at = func(v any) any {
		if node--; node == 0 {
			return json.RawMessage(put)
		}
		switch x := v.(type) {
		case map[string]any:
			for _, k := range slices.Sorted(maps.Keys(x)) {
				x[k] = at(x[k])
			}
		case []any:
			for i := range x {
				x[i] = at(x[i])
			}
		}
		return v
	}
	tree = at(tree)
	out, err := json.Marshal(tree)
	return out, err == nil && node <= 0
}
