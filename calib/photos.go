package calib

import (
	"context"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"runtime"
	"strings"

	"golang.org/x/sync/errgroup"

	"wheelplane/vision"
)

// Photos is what a set of photographs of one board holds.
type Photos struct {
	Views   []View
	Skipped []error // photographs not used: one line each, naming the file and the remedy

	Width, Height      int
	FocalMM, Focal35MM float64 // from EXIF, 0 if not stated
	Camera             string  // maker and model from EXIF, "" if not stated
}

// PhotoOptions steer [ReadPhotos]. The zero value works.
type PhotoOptions struct {
	// Camera, where known, straightens the lens while corners are looked for.
	Camera *vision.Camera
	// Start, if any, is called before photographs are read, and Progress after
	// each, from several goroutines.
	Start    func(what string, photos int)
	Progress func()
}

// ReadPhotos finds one board in photographs, several at a time. A board
// without a dictionary is a plain chessboard (see [vision.Chessboard]).
//
// A photograph that cannot be read, or that does not show the board, is
// skipped. One that was taken with another camera, zoom or picture size than
// most is an error that names it, for then the set is not what it should be;
// so is a set of which no photograph is left.
func ReadPhotos(ctx context.Context, paths []string, board vision.Board, opts PhotoOptions) (*Photos, error) {
	p := &Photos{}
	var infos []vision.Info
	for _, path := range paths {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		info, err := vision.ReadInfo(path)
		if err != nil {
			p.Skipped = append(p.Skipped, err)
			continue
		}
		infos = append(infos, info)
	}
	if err := sameCamera(infos); err != nil {
		return nil, err
	}

	if opts.Start != nil {
		what := "reading photographs"
		if opts.Camera != nil {
			what = "looking again, with the lens known"
		}
		opts.Start(what, len(infos))
	}
	views := make([]View, len(infos))
	failed := make([]error, len(infos))
	var g errgroup.Group
	g.SetLimit(runtime.GOMAXPROCS(0))
	for i := range infos {
		g.Go(func() error {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			views[i], failed[i] = readPhoto(infos[i].Path, board, opts.Camera)
			if opts.Progress != nil {
				opts.Progress()
			}
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		return nil, err
	}
	for i := range infos {
		if failed[i] != nil {
			p.Skipped = append(p.Skipped, failed[i])
			continue
		}
		p.Views = append(p.Views, views[i])
	}
	switch {
	case len(paths) == 0:
		return nil, errors.New("no photographs: name JPEG or PNG files, or a folder of them")
	case len(p.Views) == 0 && len(p.Skipped) == 1:
		return nil, p.Skipped[0]
	case len(p.Views) == 0:
		return nil, fmt.Errorf("none of the %d photographs can be used; the first: %w", len(p.Skipped), p.Skipped[0])
	}
	first := infos[0]
	p.Width, p.Height = first.Width, first.Height
	for _, i := range infos {
		p.FocalMM = math.Max(p.FocalMM, i.FocalMM)
		p.Focal35MM = math.Max(p.Focal35MM, i.Focal35MM)
		if p.Camera == "" {
			p.Camera = cameraName(i)
		}
	}
	return p, nil
}

// readPhoto loads one photograph and finds the board in it.
func readPhoto(path string, board vision.Board, camera *vision.Camera) (View, error) {
	v := View{Name: path, Board: board}
	img, err := vision.Load(path)
	if err != nil {
		return v, err
	}
	opts := vision.DetectOptions{Camera: camera}
	if board.Dictionary == "" {
		found, ok, err := vision.DetectChessboard(img.Pix, board, opts)
		if err != nil {
			return v, fmt.Errorf("photo %s: %w", path, err)
		}
		if !ok {
			return v, fmt.Errorf("photo %s: no chessboard of %d x %d inner corners found: show all of it, sharp and evenly lit, or check --chessboard", path, board.Cols-1, board.Rows-1)
		}
		v.Corners, v.Joint = found.Corners, found.Joint
		return v, nil
	}
	res, err := vision.Detect(img.Pix, []vision.Board{board}, opts)
	if err != nil {
		return v, fmt.Errorf("photo %s: %w", path, err)
	}
	if len(res.Views) == 0 {
		if len(res.UnknownIDs) > 0 {
			return v, fmt.Errorf("photo %s: shows markers of another board (ids %d to %d): check --first-id and --squares", path, res.UnknownIDs[0], res.UnknownIDs[len(res.UnknownIDs)-1])
		}
		return v, fmt.Errorf("photo %s: the board was not found: photograph it sharp and evenly lit, or check --dictionary, --squares and --first-id", path)
	}
	v.Corners, v.Joint = res.Views[0].Corners, res.Views[0].Joint
	return v, nil
}

func cameraName(i vision.Info) string {
	if strings.HasPrefix(i.Model, i.Maker) {
		return i.Model
	}
	return strings.TrimSpace(i.Maker + " " + i.Model)
}

// sameCamera finds photographs that differ from most in size, in EXIF focal
// length or in camera. What EXIF does not state is not compared.
func sameCamera(infos []vision.Info) error {
	const sameLens = "leave it out, and photograph all with the same lens and zoom"
	if0 := func(v float64, format string) string {
		if v == 0 {
			return ""
		}
		return fmt.Sprintf(format, v)
	}
	for _, f := range []struct {
		what   func(vision.Info) string // "" where not stated
		remedy string
	}{
		{func(i vision.Info) string { return fmt.Sprintf("%d x %d pixels", i.Width, i.Height) },
			"leave it out, or use the pictures straight from the camera, all of one size and not turned by an app"},
		{func(i vision.Info) string { return if0(i.FocalMM, "a focal length of %.3g mm") }, sameLens},
		{func(i vision.Info) string { return if0(i.Focal35MM, "a focal length of %.3g mm (in 35 mm film)") }, sameLens},
		{cameraName, "leave it out: a calibration is for one camera"},
	} {
		count := map[string]int{}
		most := ""
		for _, i := range infos {
			if s := f.what(i); s != "" {
				if count[s]++; count[s] > count[most] {
					most = s
				}
			}
		}
		var odd []vision.Info
		for _, i := range infos {
			if s := f.what(i); s != "" && s != most {
				odd = append(odd, i)
			}
		}
		if len(odd) == 0 {
			continue
		}
		also := ""
		for k, i := range odd[1:] {
			if k == 3 {
				also += fmt.Sprintf(" and %d more", len(odd)-4)
				break
			}
			also += ", " + filepath.Base(i.Path)
		}
		if also != "" {
			also = " (also" + also[1:] + ")"
		}
		return fmt.Errorf("photo %s%s: %s, but the others have %s: %s", odd[0].Path, also, f.what(odd[0]), most, f.remedy)
	}
	for _, i := range infos {
		if i.DigitalZoom > 1.001 {
			return fmt.Errorf("photo %s: taken with a digital zoom of %.3g: photograph without digital zoom", i.Path, i.DigitalZoom)
		}
	}
	return nil
}

// mostLooks is how often photographs are looked at again. The first time the lens
// is not known and the corners are off by several of their standard deviations,
// so the second look still has a lens that is a little wrong; the third or
// fourth settles.
const mostLooks = 4

// apart is how far two cameras' intrinsics differ, the most of any one in its
// standard uncertainty.
func apart(a, b *vision.Camera) (most float64) {
	if b.Cov == nil {
		return 0
	}
	x, y := a.Intrinsics(), b.Intrinsics()
	for i := range x {
		if v := b.Cov[i][i]; v > 0 {
			most = math.Max(most, math.Abs(x[i]-y[i])/math.Sqrt(v))
		}
	}
	return most
}

// FromPhotos is the whole calibration from photographs: read, calibrate, and,
// where the lens has hidden corners from the first look or bent boards that are
// fitted as a whole, look again with the lens known and calibrate again, until
// the lens stays what it is. The photographs are returned also with a [*TooWeak]
// error.
func FromPhotos(ctx context.Context, paths []string, board vision.Board, photo PhotoOptions, opts Options) (*Result, *Photos, error) {
	p, err := ReadPhotos(ctx, paths, board, photo)
	if err != nil {
		return nil, nil, err
	}
	res, err := Calibrate(ctx, p.Views, p.Width, p.Height, opts)
	if err != nil {
		return nil, p, err
	}
	for look := 0; look < mostLooks && (missing(p) || whole(p)) && invertible(&res.Camera); look++ {
		photo.Camera = &res.Camera
		again, err := ReadPhotos(ctx, paths, board, photo)
		if ctx.Err() != nil {
			return nil, p, ctx.Err()
		}
		if err != nil || corners(again) < corners(p) || corners(again) == corners(p) && !whole(again) {
			break
		}
		better, err := Calibrate(ctx, again.Views, again.Width, again.Height, opts)
		if ctx.Err() != nil {
			return nil, p, ctx.Err()
		}
		if err != nil {
			break
		}
		settled := apart(&res.Camera, &better.Camera) < 0.3
		res, p = better, again
		if settled {
			break
		}
	}
	res.Camera.Focal35MM, res.Camera.FocalMM = p.Focal35MM, p.FocalMM
	return res, p, nil
}

// whole tells whether boards were fitted as a whole: smoothly, and a lens that is
// known is smoother than one that is not.
func whole(p *Photos) bool {
	for i := range p.Views {
		if p.Views[i].Joint != nil {
			return true
		}
	}
	return false
}

func missing(p *Photos) bool {
	for i := range p.Views {
		if len(p.Views[i].Corners) < p.Views[i].Board.NumCorners() {
			return true
		}
	}
	return false
}

func corners(p *Photos) (n int) {
	for _, v := range p.Views {
		n += len(v.Corners)
	}
	return n
}
