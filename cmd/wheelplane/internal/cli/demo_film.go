package cli

import (
	"context"
	"fmt"
	"os"
	"path/filepath"

	"wheelplane/fixtures"
	"wheelplane/pose/rig"
)

// filmScene films every station of a scene and takes frames from the films.
func (a *App) filmScene(ctx context.Context, scene *fixtures.Scene, o demoOptions) error {
	films := filepath.Join(o.dir, "films")
	if err := os.MkdirAll(films, 0o777); err != nil {
		return cannotWrite(films, err)
	}
	options := fixtures.QuickFilm()
	options.Width = o.size
	optics := fixtures.FilmOptics(o.size)
	if o.plain {
		optics = fixtures.DefaultOptics(o.size)
		optics.Vignette = 0
	}
	for st, station := range scene.Job.Stations {
		film := filepath.Join(films, station.Name+".mp4")
		f := scene.Filming(st, options)
		bar := a.progress(fmt.Sprintf("filming station %s", station.Name), f.Frames)
		err := f.Write(ctx, film, "avc1", optics, func() { bar.add(1) })
		bar.done()
		if err != nil {
			return err
		}
		list, _, err := a.frames(ctx, framesOptions{dir: o.dir, station: station.Name, film: film, most: 16})
		if err != nil {
			return err
		}
		if !a.JSON {
			a.printf("%s\n", list.text(o.dir, false))
		}
	}
	folder, err := rig.Open(o.dir)
	if err != nil {
		return BadInput(err)
	}
	scene.Job.Photos = folder.Job.Photos
	return nil
}
