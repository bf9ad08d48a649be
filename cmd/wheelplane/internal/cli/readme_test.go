package cli

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"wheelplane/pose/rig"
)

func readme(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile("../../../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// The README repeats the table of exit codes.
func TestReadmeExitCodes(t *testing.T) {
	text := readme(t)
	for _, e := range exitMeanings {
		if line := fmt.Sprintf("| %d | %s |\n", e.code, e.meaning); !strings.Contains(text, line) {
			t.Errorf("README.md lacks the line %s", line)
		}
	}
}

// The README's job.yaml is a job that opens.
func TestReadmeJob(t *testing.T) {
	m := regexp.MustCompile("(?s)```yaml\n(.*?)```").FindStringSubmatch(readme(t))
	if m == nil {
		t.Fatal("README.md shows no job.yaml")
	}
	dir := t.TempDir()
	for name, content := range map[string]string{
		rig.JobFile:           m[1],
		"photos/s1/a.jpg":     "",
		"photos/s2/a.jpg":     "",
		"photos/third/a.jpg":  "",
		"photos/third/b.jpg":  "",
		"photos/third/README": "not a photograph",
	} {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(content), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	folder, err := rig.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	if got := len(folder.Job.Photos); got != 4 {
		t.Errorf("%d photos, want 4", got)
	}
}

// The README's result.json is one, and it names every quantity and every key.
func TestReadmeResult(t *testing.T) {
	text := readme(t)
	m := regexp.MustCompile("(?s)```json\n(.*?)```").FindStringSubmatch(text)
	if m == nil {
		t.Fatal("README.md shows no result.json")
	}
	var r rig.Result
	dec := json.NewDecoder(strings.NewReader(m[1]))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&r); err != nil {
		t.Fatal(err)
	}
	if len(r.Readings) == 0 || r.Readings[0].Unit != "deg" {
		t.Errorf("got %+v", r)
	}
	for _, q := range quantities {
		if !strings.Contains(text, fmt.Sprintf("\n| `%s` |", q)) {
			t.Errorf("README.md has no row for %s", q)
		}
	}
	for f := range reflect.TypeFor[rig.Network]().Fields() {
		key, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		if !strings.Contains(text, "`"+key+"`") {
			t.Errorf("README.md does not tell of network's %s", key)
		}
	}
}
