package cli

import (
	"bytes"
	"os"
	"path/filepath"
	"time"

	"wheelplane/pose/rig"
	"wheelplane/vision"
)

// newestOf is the time of the newest of a job's files (job.yaml, photographs) that
// a result written at this time was not made from; zero where there is none.
//
// What the result was made from is told by content, for times mislead: a clock is
// set back, files are copied with or without their times. A photograph that bears a
// name the result knows is only looked into where it is dated later. A file that is
// new to the result counts as newer, whatever its date. Results of older versions,
// and of drawn corners, do not name their files; there the dates have to do.
func newestOf(folder *rig.Folder, result *rig.Result, measured time.Time) (newest time.Time) {
	at := func(path string) time.Time {
		info, err := os.Stat(path)
		if err != nil {
			return time.Time{}
		}
		return info.ModTime()
	}
	count := func(t time.Time) {
		if t.After(newest) {
			newest = t
		}
	}
	onDisk := func(photo string) string { return filepath.Join(folder.Dir, filepath.FromSlash(photo)) }
	job := filepath.Join(folder.Dir, rig.JobFile)
	if result == nil || result.Inputs == nil {
		count(at(job))
		for _, p := range folder.Job.Photos {
			count(at(onDisk(p.Path)))
		}
		return newest
	}
	after := func(t time.Time) {
		if !t.After(measured) {
			t = measured.Add(1)
		}
		count(t)
	}
	if folder.Sum != result.Inputs.Job.SHA256 {
		after(at(job))
	}
	sums, known := map[string]string{}, map[string]bool{}
	for _, p := range result.Inputs.Photos {
		sums[p.Path], known[p.SHA256] = p.SHA256, true
	}
	for _, p := range folder.Job.Photos {
		path := onDisk(p.Path)
		when := at(path)
		was, named := sums[p.Path]
		if named && !when.After(measured) {
			continue
		}
		if sum, err := vision.Sum(path); err != nil || named && sum != was || !named && !known[sum] {
			after(when)
		}
	}
	return newest
}

// stands tells whether a job's result.json is that of its photographs as they are,
// and says what this result says. It then keeps its date, so that what was accepted
// and recorded of it counts: measuring once more is no reason to ask again.
func stands(folder *rig.Folder, result *rig.Result) bool {
	path := filepath.Join(folder.Dir, rig.ResultFile)
	info, err := os.Stat(path)
	if err != nil {
		return false
	}
	measured := info.ModTime()
	var says bytes.Buffer
	if measured.After(time.Now()) || encodeJSON(&says, result) != nil {
		return false
	}
	text, err := vision.ReadFile(path, vision.MostText)
	return err == nil && bytes.Equal(text, says.Bytes()) && !newestOf(folder, result, measured).After(measured)
}

// slack is how far two clocks may be apart: that of a server of files and one's own.
const slack = 2 * time.Minute

// warnOfClock tells of a date that is still to come: what was told or written since
// then looks older than it is.
func (a *App) warnOfClock(path string, at, now time.Time) {
	if at.After(now.Add(slack)) {
		a.warn("%s is dated %s, which is still to come: the clock was set back, so what was done since may not count; write it again", path, at.Local().Format("2006-01-02 15:04"))
	}
}
