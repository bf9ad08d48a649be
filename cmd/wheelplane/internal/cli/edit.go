package cli

import (
	"context"
	"os"
	"path/filepath"

	"wheelplane/cmd/wheelplane/internal/hold"
	"wheelplane/pose/rig"
)

// editing does an edit of a job's folder, from reading to writing, while nobody
// else edits it; see package hold. In a folder without a job it holds nothing: the
// edit says what is missing.
func (a *App) editing(ctx context.Context, dir string, edit func() error) error {
	if _, err := os.Stat(filepath.Join(dir, rig.JobFile)); err != nil {
		return edit()
	}
	held, err := hold.Take(ctx, dir)
	if err != nil {
		return err
	}
	defer held.Release()
	return edit()
}
