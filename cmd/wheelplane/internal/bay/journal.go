package bay

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Journal keeps what every step changed in a folder, so that it can be taken back:
// the last first. It lies in the folder and survives the program. A step that was
// not finished when the program ended is taken back when the journal is opened.
type Journal struct {
	root string // of the job
	dir  string // the journal's
	most int    // steps that can be taken back
}

// entry is step.json.
type entry struct {
	What  string    `json:"what"`
	At    time.Time `json:"at"`
	Done  bool      `json:"done"`
	Files []kept    `json:"files"`
}

// kept is a file as it was before a step.
type kept struct {
	Path string `json:"path"` // in the folder, with slashes
	Was  bool   `json:"was"`  // it was there: the journal has it under its place in the list
}

// mostSteps is how many steps can be taken back.
const mostSteps = 200

// OpenJournal opens the journal of a folder that exists, dir within it.
func OpenJournal(root, dir string) (*Journal, error) {
	j := &Journal{root, filepath.Join(root, dir), mostSteps}
	if err := os.MkdirAll(j.dir, 0o700); err != nil {
		return nil, err
	}
	steps, err := j.steps()
	if err != nil {
		return nil, err
	}
	if n := len(steps); n > 0 {
		e, err := j.read(steps[n-1])
		switch {
		case errors.Is(err, fs.ErrNotExist): // it was not begun
			err = os.RemoveAll(j.at(steps[n-1]))
		case err == nil && !e.Done:
			err = j.takeBack(steps[n-1], e)
		}
		if err != nil {
			return nil, err
		}
	}
	return j, nil
}

func (j *Journal) at(step int) string { return filepath.Join(j.dir, fmt.Sprintf("%06d", step)) }

// steps lists the steps that can be taken back, oldest first.
func (j *Journal) steps() ([]int, error) {
	list, err := os.ReadDir(j.dir)
	if err != nil {
		return nil, err
	}
	var out []int
	for _, e := range list {
		if n, err := strconv.Atoi(e.Name()); err == nil && e.IsDir() {
			out = append(out, n)
		}
	}
	slices.Sort(out)
	return out, nil
}

func (j *Journal) read(step int) (*entry, error) {
	text, err := os.ReadFile(filepath.Join(j.at(step), "step.json"))
	if err != nil {
		return nil, err
	}
	var e entry
	if err := json.Unmarshal(text, &e); err != nil {
		return nil, fmt.Errorf("%s: damaged (%w): delete this folder; that step can then not be taken back", j.at(step), err)
	}
	for _, f := range e.Files {
		if err := j.inside(f.Path); err != nil {
			return nil, fmt.Errorf("%s: %w: delete this folder; that step can then not be taken back", j.at(step), err)
		}
	}
	return &e, nil
}

// inside refuses what does not lie in the folder: a job may come from somebody else,
// its journal with it.
func (j *Journal) inside(file string) error {
	local := filepath.FromSlash(file)
	if !filepath.IsLocal(local) {
		return fmt.Errorf("%q is not in the job's folder", file)
	}
	root, err := filepath.EvalSymlinks(j.root)
	if err != nil {
		return err
	}
	for at := filepath.Dir(local); at != "."; at = filepath.Dir(at) {
		real, err := filepath.EvalSymlinks(filepath.Join(j.root, at))
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return err
		}
		if rel, err := filepath.Rel(root, real); err != nil || !filepath.IsLocal(rel) {
			return fmt.Errorf("%q is not in the job's folder, for %s is a link to another place", file, at)
		}
		break
	}
	return nil
}

func (j *Journal) write(step int, e *entry) error {
	text, err := json.Marshal(e)
	if err != nil {
		return err
	}
	return replace(filepath.Join(j.at(step), "step.json"), text)
}

// Do takes a step. files are all that it may write or take away, with slashes,
// within the folder. If act fails, the files are put back as they were.
func (j *Journal) Do(what string, files []string, act func() error) error {
	return j.DoMore(what, files, func() ([]string, error) { return nil, act() })
}

// DoMore is [Journal.Do] for an act that finds out itself which files it makes, and
// returns their names. Those of an act that was not finished stay.
func (j *Journal) DoMore(what string, files []string, act func() (made []string, err error)) error {
	steps, err := j.steps()
	if err != nil {
		return err
	}
	step := 1
	if n := len(steps); n > 0 {
		step = steps[n-1] + 1
	}
	if err := os.Mkdir(j.at(step), 0o700); err != nil {
		return err
	}
	e := &entry{What: what, At: time.Now()}
	for i, f := range files {
		if err := j.inside(f); err != nil {
			return errors.Join(fmt.Errorf("%w: what it leads to could not be put back by an undo; make it a folder", err), os.RemoveAll(j.at(step)))
		}
		was, err := copyFile(j.path(f), filepath.Join(j.at(step), strconv.Itoa(i)))
		if err != nil {
			return errors.Join(err, os.RemoveAll(j.at(step)))
		}
		e.Files = append(e.Files, kept{f, was})
	}
	if err := j.write(step, e); err != nil {
		return errors.Join(err, os.RemoveAll(j.at(step)))
	}
	made, err := act()
	for _, f := range made {
		e.Files = append(e.Files, kept{Path: f})
	}
	if err != nil {
		return errors.Join(err, j.takeBack(step, e))
	}
	e.Done = true
	if err := j.write(step, e); err != nil {
		return errors.Join(err, j.takeBack(step, e))
	}
	for len(steps) >= j.most {
		os.RemoveAll(j.at(steps[0])) // one more may be there: no harm
		steps = steps[1:]
	}
	return nil
}

func (j *Journal) path(f string) string { return filepath.Join(j.root, filepath.FromSlash(f)) }

// takeBack puts the files of a step back. It may be done twice: what a crash left
// half done is done again.
func (j *Journal) takeBack(step int, e *entry) error {
	if e.Done {
		e.Done = false // a crash from here on ends in taking it back
		if err := j.write(step, e); err != nil {
			return err
		}
	}
	for i, f := range e.Files {
		saved := filepath.Join(j.at(step), strconv.Itoa(i))
		if !f.Was {
			if err := os.Remove(j.path(f.Path)); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return err
			}
			continue
		}
		if err := os.MkdirAll(filepath.Dir(j.path(f.Path)), 0o777); err != nil {
			return err
		}
		tmp := j.path(f.Path) + ".back"
		os.Remove(tmp) // of a crash; it may be a second name of what is saved
		if _, err := copyFile(saved, tmp); err != nil {
			return err
		}
		if err := os.Rename(tmp, j.path(f.Path)); err != nil {
			return err
		}
	}
	// Gone at once, however many files it has.
	gone := filepath.Join(j.dir, "gone-"+filepath.Base(j.at(step)))
	if err := os.RemoveAll(gone); err != nil { // of a crash
		return err
	}
	if err := os.Rename(j.at(step), gone); err != nil {
		return err
	}
	return os.RemoveAll(gone)
}

// Last says what the last step was, "" where there is none.
func (j *Journal) Last() string {
	steps, err := j.steps()
	if err != nil || len(steps) == 0 {
		return ""
	}
	e, err := j.read(steps[len(steps)-1])
	if err != nil {
		return ""
	}
	return e.What
}

// Undo takes back the last step and says what it was; "" where there is none.
func (j *Journal) Undo() (string, error) {
	steps, err := j.steps()
	if err != nil || len(steps) == 0 {
		return "", err
	}
	last := steps[len(steps)-1]
	e, err := j.read(last)
	if err != nil {
		return "", err
	}
	return e.What, j.takeBack(last, e)
}

// copyFile copies a file to a new one, onto the disk; was is false where there is
// none. Photographs are written once and never changed, so a second name is enough.
func copyFile(from, to string) (was bool, err error) {
	in, err := os.Open(from)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	defer in.Close()
	if slices.Contains([]string{".jpg", ".jpeg", ".png"}, strings.ToLower(filepath.Ext(from))) && os.Link(from, to) == nil {
		return true, nil
	}
	st, err := in.Stat()
	if err != nil {
		return false, err
	}
	out, err := os.OpenFile(to, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, st.Mode().Perm())
	if err != nil {
		return false, err
	}
	_, err = io.Copy(out, in)
	return true, errors.Join(err, out.Sync(), out.Close())
}
