package cli

import (
	"fmt"
	"image"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"wheelplane/fixtures"
	"wheelplane/pose/rig"
	"wheelplane/vision"
)

// Pictures that other programs cut from a film are told from photographs by size,
// numbers and the camera that they do not name.
func TestLikeFrames(t *testing.T) {
	for _, c := range []struct {
		what, name    string // of the pictures, by number
		width, height int
		count         int
		phone         bool // the file says which camera
		film          bool
	}{
		{"frames", "out%04d.png", 320, 180, 3, false, true},
		{"frames as JPEG", "frame_%02d.JPG", 320, 180, 4, false, true},
		{"frames of a phone held upright", "%03d.jpeg", 180, 320, 3, false, true},
		{"two only", "out%04d.png", 320, 180, 2, false, false},
		{"names without numbers", "%c.png", 320, 180, 5, false, false},
		{"photographs' size", "out%04d.png", 320, 240, 5, false, false},
		{"photographs", "IMG_%04d.jpg", 320, 180, 5, true, false},
	} {
		dir := t.TempDir()
		camera := vision.Camera{Width: c.width, Height: c.height, FX: 300, FY: 300, CX: 160, CY: 90}
		folder := &rig.Folder{Dir: dir, Job: &rig.Job{Stations: []rig.Station{{Name: "1"}, {Name: "2"}}}}
		m := image.NewGray(image.Rect(0, 0, c.width, c.height))
		for k := range c.count {
			p := fmt.Sprintf(c.name, k+'a')
			folder.Job.Photos = append(folder.Job.Photos, rig.Photo{Path: p, Station: 1})
			path := filepath.Join(dir, p)
			if strings.HasSuffix(p, ".png") {
				f, err := os.Create(path)
				if err == nil {
					err = png.Encode(f, m)
				}
				if err == nil {
					err = f.Close()
				}
				if err != nil {
					t.Fatal(err)
				}
				continue
			}
			var e fixtures.Exif
			if c.phone {
				e = fixtures.PhoneExif(camera, time.Date(2026, 5, 4, 10, 0, 0, 0, time.UTC))
			}
			if err := fixtures.WriteJPEG(path, m, e, 90); err != nil {
				t.Fatal(err)
			}
		}
		told := likeFrames(folder, &camera)
		if (told != "") != c.film || strings.Contains(told, "\n") || c.film && !strings.Contains(told, "wheelplane frames "+dir+" 2 FILM") {
			t.Errorf("%s: told %q", c.what, told)
		}
		for _, p := range folder.Job.Photos {
			if p.Film != c.film {
				t.Errorf("%s: %s is taken for a frame: %v", c.what, p.Path, p.Film)
			}
		}
	}
}
