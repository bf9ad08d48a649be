package cli

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"syscall"
	"time"
)

// writeFile writes one file whole or not at all: beside it first, then
// renamed. What was there stays if write fails.
func writeFile(path string, write func(w io.Writer) error) error {
	var out outputs
	defer out.discard()
	if err := out.add(path, write); err != nil {
		return err
	}
	return out.commit()
}

// these writes a text that is ready, for writeFile and outputs.add.
func these(text []byte) func(io.Writer) error {
	return func(w io.Writer) error {
		_, err := w.Write(text)
		return err
	}
}

// outputs are the files of one run. They are written beside their places and
// appear together at commit, so that a failed run leaves no output:
//
//	var out outputs
//	defer out.discard()
//	if err := out.add(path, write); err != nil { … }
//	…
//	return out.commit()
type outputs struct {
	files []stagedFile
}

type stagedFile struct{ tmp, path string }

// add writes a file through write, which gets a buffered writer.
func (o *outputs) add(path string, write func(w io.Writer) error) error {
	return o.addPath(path, func(tmp string) error {
		f, err := os.OpenFile(tmp, os.O_WRONLY|os.O_TRUNC, 0)
		if err != nil {
			return err
		}
		w := bufio.NewWriterSize(f, 1<<16)
		err = write(w)
		if err == nil {
			err = w.Flush()
		}
		if err == nil {
			err = f.Sync()
		}
		return errors.Join(err, f.Close())
	})
}

// addPath is add for a library that wants a file name: write gets one in the
// same folder, with the same extension, of an empty file.
func (o *outputs) addPath(path string, write func(tmp string) error) error {
	if info, err := os.Stat(path); err == nil && !info.Mode().IsRegular() {
		return withCode(ExitFailed, fmt.Errorf("cannot write %s: it is not a file: choose another name", path))
	}
	ext := filepath.Ext(path)
	base := filepath.Base(path)
	tmp := filepath.Join(filepath.Dir(path), fmt.Sprintf(".%s.%08x%s", base[:len(base)-len(ext)], rand.Uint32(), ext))
	f, err := os.OpenFile(tmp, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o666)
	if err == nil {
		o.files = append(o.files, stagedFile{tmp, path})
		err = f.Close()
	}
	if err != nil {
		return cannotWrite(path, err)
	}
	if err := write(tmp); err != nil {
		return cannotWrite(path, err)
	}
	return nil
}

// commit renames every file into its place, and clears away what runs that were
// killed left beside it.
func (o *outputs) commit() error {
	folders := map[string][]string{}
	for len(o.files) > 0 {
		f := o.files[0]
		if err := os.Rename(f.tmp, f.path); err != nil {
			return cannotWrite(f.path, err)
		}
		o.files = o.files[1:]
		folders[filepath.Dir(f.path)] = append(folders[filepath.Dir(f.path)], filepath.Base(f.path))
	}
	for dir, names := range folders {
		settle(dir)
		clearAway(dir, names)
	}
	return nil
}

// settle lets the names in a folder last through a power cut, where the file system
// can do that.
func settle(dir string) {
	if d, err := os.Open(dir); err == nil {
		d.Sync()
		d.Close()
	}
}

// abandoned is how old a temporary file is that nobody writes any more: no run
// takes so long from beginning a file to naming it.
const abandoned = time.Hour

// leftover is the name of a temporary file: of outputs, or of the camera file's own
// writer. What it was to become is its first part and its extension, or its first
// part alone.
var leftover = regexp.MustCompile(`^\.(.+)\.(?:[0-9a-f]{8}(\.[^.]*)?|[0-9]{6,})$`)

// clearAway removes from a folder the temporary files of these names that were
// abandoned. One dated in the future is of a clock that was wrong.
func clearAway(dir string, names []string) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return
	}
	for _, e := range entries {
		m := leftover.FindStringSubmatch(e.Name())
		if m == nil || !slices.Contains(names, m[1]+m[2]) {
			continue
		}
		if info, err := e.Info(); err == nil && info.Mode().IsRegular() && time.Since(info.ModTime()).Abs() > abandoned {
			os.Remove(filepath.Join(dir, e.Name()))
		}
	}
}

// discard removes what was not committed. It is meant to be deferred.
func (o *outputs) discard() {
	for _, f := range o.files {
		os.Remove(f.tmp)
	}
	o.files = nil
}

// cannotWrite names the file that was wanted, not the one beside it. An error
// that carries a code of its own, or an interruption, did not come from the
// disk and passes unchanged.
func cannotWrite(path string, err error) error {
	var coded *codedError
	if errors.As(err, &coded) || exitCode(err) == ExitInterrupted {
		return err
	}
	remedy := ""
	switch {
	case errors.Is(err, fs.ErrNotExist):
		remedy = ": make the folder first"
	case errors.Is(err, fs.ErrPermission):
		remedy = ": choose a folder you may write to"
	case errors.Is(err, syscall.EROFS):
		remedy = ": it is on a disk that may only be read; copy the folder to one that may be written to"
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		remedy = ": make room on that disk, then run it again"
	}
	var pathErr *fs.PathError
	var linkErr *os.LinkError
	if errors.As(err, &pathErr) {
		err = pathErr.Err
	} else if errors.As(err, &linkErr) {
		err = linkErr.Err
	}
	return withCode(ExitFailed, fmt.Errorf("cannot write %s: %w%s", path, err, remedy))
}
