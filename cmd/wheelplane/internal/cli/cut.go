package cli

import (
	"fmt"
	"path"
	"path/filepath"
	"regexp"

	"wheelplane/pose/rig"
	"wheelplane/vision"
)

// A film's frames that another program cut out have no list beside them. They are told
// by what they lack: a camera's photograph says which camera took it and when, and has
// not a film's size.

// numbered is the name of a picture that is one of many.
var numbered = regexp.MustCompile(`(?i)\d\d\.(png|jpe?g)$`)

// leastCut is how many pictures of a station look like frames where any are taken for
// them.
const leastCut = 3

// likeFrames takes a job's photographs that look like frames cut out of a film for what
// they look like, so that what the codec does to boards is allowed for, and says so in
// one line; empty where there are none.
func likeFrames(folder *rig.Folder, camera *vision.Camera) string {
	if !filmSize(camera.Width, camera.Height) {
		return ""
	}
	job := folder.Job
	like := make([][]int, len(job.Stations))
	for p, photo := range job.Photos {
		if photo.Film || !numbered.MatchString(photo.Path) {
			continue
		}
		info, err := vision.ReadInfo(filepath.Join(folder.Dir, filepath.FromSlash(photo.Path)))
		if err == nil && info.Maker == "" && info.Model == "" && info.FocalMM == 0 && info.Taken.IsZero() {
			like[photo.Station] = append(like[photo.Station], p)
		}
	}
	count, first := 0, -1
	for _, list := range like {
		if len(list) < leastCut {
			continue
		}
		for _, p := range list {
			job.Photos[p].Film = true
			if count++; first < 0 {
				first = p
			}
		}
	}
	if count == 0 {
		return ""
	}
	photo := job.Photos[first]
	return fmt.Sprintf("%s: %d pictures, the first %s, look like frames cut from a film (%d x %d pixels, numbered, no camera named in them) and are measured as such; let 'wheelplane frames %s %s FILM' cut them: it takes the stillest, and allows for a rolling shutter",
		folder.Dir, count, path.Base(photo.Path), camera.Width, camera.Height, folder.Dir, job.Stations[photo.Station].Name)
}

// filmSize tells whether pictures have the shape of films, 16:9 (Recommendations ITU-R
// BT.709 and BT.2020) or 17:9 (4096 x 2160, SMPTE ST 2048-1), and are no wider.
func filmSize(width, height int) bool {
	long, short := float64(max(width, height)), float64(min(width, height))
	for _, shape := range []float64{16.0 / 9, 4096.0 / 2160} {
		// Coded heights are whole blocks: 1088 for 1080.
		if r := long / short / shape; long <= 4096 && r > 0.99 && r < 1.01 {
			return true
		}
	}
	return false
}
