package rig

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
)

// Whatever job.yaml holds, it is a job or refused in one line; its photographs lie in
// its folder; written anew it reads as the same job.
func FuzzJobFile(f *testing.F) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		f.Fatal(err)
	}
	for _, part := range strings.Split(string(readme), "```yaml\n")[1:] {
		text, _, _ := strings.Cut(part, "```")
		f.Add([]byte(text))
	}
	dir := f.TempDir()
	f.Fuzz(func(t *testing.T, text []byte) {
		parsed, job, err := parseJob(text)
		if err != nil {
			if strings.ContainsAny(err.Error(), "\n\r") {
				t.Errorf("not one line: %q", err)
			}
			return
		}
		folder := &Folder{Dir: dir, Job: job}
		if err := folder.listPhotos(parsed.Station); err != nil {
			return
		}
		for st, s := range job.Stations {
			if p := folder.PhotosOf(st); !filepath.IsLocal(p) {
				t.Errorf("station %q: photographs in %q", s.Name, p)
			}
		}
		out, err := job.Text("camera.yaml")
		if err != nil {
			t.Fatalf("cannot be written: %v", err)
		}
		_, again, err := parseJob(out)
		if err != nil {
			t.Fatalf("does not read what it wrote: %v\n%s", err, out)
		}
		if len(again.Hangs) != len(job.Hangs) || len(again.Stations) != len(job.Stations) || !reflect.DeepEqual(again.Epochs, job.Epochs) {
			t.Errorf("wrote another job:\n%s", out)
		}
	})
}
