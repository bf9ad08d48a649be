package cli

import (
	"context"
	"path/filepath"
	"time"

	"wheelplane/cmd/wheelplane/internal/seen"
	"wheelplane/pose/rig"
	"wheelplane/vision"
)

// kept is what is kept of a sighting: all of it that findBoards uses. What cannot be
// used is not kept: it was told in no time, and is to be replaced.
type kept struct {
	Views   []vision.View
	Unknown []int
	Taken   time.Time
	Verdict kind
	Why, Do string
	Spread  spread
}

// recall is look, but for photographs that the store knows: those are not decoded.
// With fresh it looks at all, and keeps what it sees.
func recall(store *seen.Store, look looker, fresh bool) looker {
	return func(file *vision.File, boards []vision.Board, camera *vision.Camera) sighting {
		var k kept
		if !fresh && store.Get(file.Sum, &k) && k.fits(boards) {
			return sighting{views: k.Views, unknown: k.Unknown, sum: file.Sum, taken: k.Taken,
				verdict: photoVerdict{Verdict: k.Verdict, Why: k.Why, Do: k.Do, Spread: k.Spread}}
		}
		s := look(file, boards, camera)
		if s.err == nil {
			v := &s.verdict
			store.Put(s.sum, &kept{s.views, s.unknown, s.taken, v.Verdict, v.Why, v.Do, v.Spread})
		}
		return s
	}
}

// recallBoards is findBoards with the store in the job's folder.
func (a *App) recallBoards(ctx context.Context, folder *rig.Folder, camera *vision.Camera, fresh, ignoreUnknown bool) (*found, error) {
	store := seen.Open(folder.Dir, camera, folder.Job.Boards)
	found, err := a.findBoards(ctx, folder, camera, recall(store, look, fresh), ignoreUnknown)
	if err == nil {
		store.Sweep()
	}
	return found, err
}

// knownBoards tells which boards the photographs of a job show, by what is kept of
// them; nil where one was not looked at yet. No photograph is opened.
func knownBoards(folder *rig.Folder) func(photo string) []string {
	camera, err := vision.LoadCamera(folder.Camera)
	if err != nil {
		return nil
	}
	store := seen.Open(folder.Dir, camera, folder.Job.Boards)
	shows := map[string][]string{}
	for _, p := range folder.Job.Photos {
		var k kept
		sum, err := vision.Sum(filepath.Join(folder.Dir, filepath.FromSlash(p.Path)))
		if err != nil || store == nil || !store.Get(sum, &k) || !k.fits(folder.Job.Boards) {
			return nil
		}
		boards := []string{}
		for _, v := range k.Views {
			boards = append(boards, folder.Job.Boards[v.Board].Name)
		}
		shows[p.Path] = boards
	}
	return func(photo string) []string { return shows[photo] }
}

// freshHelp is the help of --fresh.
const freshHelp = "look at every photograph again, also at those known from the last time"

// fits tells whether what was kept speaks of these boards: a folder from elsewhere
// may hold anything.
func (k *kept) fits(boards []vision.Board) bool {
	for i := range k.Views {
		v := &k.Views[i]
		if v.Board < 0 || v.Board >= len(boards) {
			return false
		}
		for _, c := range v.Corners {
			if c.Index < 0 || c.Index >= boards[v.Board].NumCorners() {
				return false
			}
		}
	}
	return k.Verdict != ""
}
