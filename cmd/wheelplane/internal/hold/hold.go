// Package hold lets one at a time change a job: whoever reads a file of its folder,
// changes it and writes it back holds the folder meanwhile, so that of two edits at
// once neither is lost.
//
//	held, err := hold.Take(ctx, dir)
//	if err != nil {
//		return err
//	}
//	defer held.Release()
//	… read, change, write …
//
// Who only reads needs no hold: files appear whole. Hold it for an edit, not for the
// length of a measurement or while somebody thinks.
package hold

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/gofrs/flock"
)

// File is the lock in a job's folder. It is empty, and stays: the lock is the
// operating system's, on the open file, and ends with the process however that ends.
const File = ".wheelplane/lock"

// ErrBusy is the error of Take when somebody else holds the job all the time.
var ErrBusy = errors.New("is being changed by another run of wheelplane")

// Patience is how long Take waits by itself.
const Patience = 10 * time.Second

const retry = 10 * time.Millisecond

// Held is a hold on a job's folder.
type Held struct{ lock *flock.Flock }

// Take waits until nobody else holds the job in this folder, in this process or
// another, up to [Patience], and holds it. Goroutines of one process wait for each
// other too; taking it twice in one is waiting for oneself.
//
// Errors: ErrBusy, in a line that names the folder and what to do; ctx's when that
// ends first. Where there can be no lock, none is held, and that is no error: in a
// folder that is not there or may not be written to, where the edit itself will
// fail and say why, and on the rare file system that knows no locks.
func Take(ctx context.Context, dir string) (*Held, error) { return take(ctx, dir, Patience) }

func take(ctx context.Context, dir string, patience time.Duration) (*Held, error) {
	path := filepath.Join(dir, filepath.FromSlash(File))
	if err := os.Mkdir(filepath.Dir(path), 0o777); err != nil && !errors.Is(err, os.ErrExist) {
		return &Held{}, nil
	}
	if info, err := os.Stat(path); err == nil && !info.Mode().IsRegular() { // opening a pipe would wait for ever
		return &Held{}, nil
	}
	limited, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	lock := flock.New(path, flock.SetPermissions(0o666))
	_, err := lock.TryLockContext(limited, retry)
	switch {
	case err == nil:
		return &Held{lock}, nil
	case ctx.Err() != nil:
		lock.Close()
		return nil, ctx.Err()
	case limited.Err() != nil:
		lock.Close()
		return nil, fmt.Errorf("%s: %w, which has not finished in %.0f seconds: try again when it has", dir, ErrBusy, patience.Seconds())
	}
	lock.Close()
	return &Held{}, nil
}

// Release ends the hold. It may be called more than once.
func (h *Held) Release() {
	if h != nil && h.lock != nil {
		h.lock.Close()
		h.lock = nil
	}
}
