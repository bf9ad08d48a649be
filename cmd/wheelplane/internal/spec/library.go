package spec

import (
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

//go:embed library/*.yaml
var embedded embed.FS

// Entry is a specification of a library.
type Entry struct {
	ID string // the file's name without .yaml
	*Spec
	Own bool // from a folder of the user's, not shipped
}

// Folder is where a fleet keeps specifications of its own: what the environment
// variable WHEELPLANE_SPECS names, or wheelplane/specs below the user's
// configuration folder.
func Folder() string {
	if dir := os.Getenv("WHEELPLANE_SPECS"); dir != "" {
		return dir
	}
	dir, err := os.UserConfigDir()
	if err != nil {
		return ""
	}
	return filepath.Join(dir, "wheelplane", "specs")
}

// Library lists the specifications that are shipped and those in folder, which
// need not exist and whose files go before shipped ones of the same name. A file
// that cannot be read is told in bad, and the others are listed.
func Library(folder string) (list []Entry, bad []error) {
	read := func(f fs.FS, dir string, own bool, path func(name string) string) {
		names, err := fs.Glob(f, filepath.ToSlash(filepath.Join(dir, "*.yaml")))
		if err != nil {
			bad = append(bad, err)
		}
		for _, name := range names {
			text, err := fs.ReadFile(f, name)
			id := strings.TrimSuffix(filepath.Base(name), ".yaml")
			if err == nil {
				var s *Spec
				if s, err = Parse(text, path(name)); err == nil {
					list = slices.DeleteFunc(list, func(e Entry) bool { return e.ID == id })
					list = append(list, Entry{id, s, own})
				}
			}
			if err != nil {
				bad = append(bad, err)
			}
		}
	}
	read(embedded, "library", false, func(name string) string { return filepath.Base(name) + " (shipped)" })
	if folder != "" {
		if info, err := os.Stat(folder); err == nil && info.IsDir() {
			read(os.DirFS(folder), ".", true, func(name string) string { return filepath.Join(folder, name) })
		} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
			bad = append(bad, err)
		}
	}
	slices.SortFunc(list, func(a, b Entry) int { return strings.Compare(a.ID, b.ID) })
	return list, bad
}

// Search lists the entries in which every word is found, in name, words, text
// about it or id; the best first. No words: all.
func Search(list []Entry, query []string) []Entry {
	type hit struct {
		Entry
		score int
	}
	var hits []hit
next:
	for _, e := range list {
		h := hit{Entry: e}
		for _, w := range query {
			w = strings.ToLower(w)
			score := 0
			for _, x := range []struct {
				text   string
				weight int
			}{{e.ID, 4}, {e.Name, 3}, {strings.Join(e.Words, " "), 2}, {e.About + " " + e.Source, 1}} {
				if strings.Contains(strings.ToLower(x.text), w) {
					score = max(score, x.weight)
				}
			}
			if score == 0 {
				continue next
			}
			h.score += score
		}
		hits = append(hits, h)
	}
	slices.SortStableFunc(hits, func(a, b hit) int { return b.score - a.score })
	var out []Entry
	for _, h := range hits {
		out = append(out, h.Entry)
	}
	return out
}

// Pick returns the one specification meant: a file where name ends in .yaml, or
// else an entry of the library by its id.
func Pick(list []Entry, name string) (*Spec, error) {
	if strings.HasSuffix(name, ".yaml") {
		return Load(name)
	}
	for _, e := range list {
		if e.ID == name {
			return e.Spec, nil
		}
	}
	near := Search(list, strings.Fields(name))
	if len(near) == 0 {
		return nil, fmt.Errorf("no specification is called %q; 'wheelplane spec list' names those there are", name)
	}
	var ids []string
	for _, e := range near[:min(4, len(near))] {
		ids = append(ids, e.ID)
	}
	return nil, fmt.Errorf("no specification is called %q; near it: %s", name, strings.Join(ids, ", "))
}
