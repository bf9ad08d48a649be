package watching

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"wheelplane/vision"

	"github.com/fsnotify/fsnotify"
)

// fits tells whether frames of a size can be of a lens.
func fits(v *vision.Video, lens *vision.Camera) error {
	if lens == nil {
		return nil
	}
	return lens.FitsVideo(v)
}

// film is a film that plays at its own rate, or as fast as it can be worked.
type film struct {
	video *vision.Video
	fast  bool
	begun time.Time
}

// Film opens a film that was taken with a lens. fast: every frame, as quickly as they
// can be worked; otherwise at the film's own rate, and frames for which there was no
// time are left.
func Film(path string, lens *vision.Camera, fast bool) (Source, error) {
	v, err := vision.OpenVideo(path)
	if err == nil {
		if err = fits(v, lens); err != nil {
			v.Close()
		}
	}
	if err != nil {
		return nil, err
	}
	return &film{video: v, fast: fast}, nil
}

func (f *film) Name() string { return f.video.Path }
func (f *film) Live() bool   { return false }
func (f *film) Close()       { f.video.Close() }

func (f *film) Next(ctx context.Context, room []uint8) (Shot, error) {
	for {
		seconds, ok, err := f.video.Next()
		if err != nil {
			return Shot{}, err
		}
		if !ok {
			return Shot{}, io.EOF
		}
		if !f.fast {
			if f.begun.IsZero() {
				f.begun = time.Now()
			}
			wait := time.Duration(seconds*float64(time.Second)) - time.Since(f.begun)
			if f.video.FPS > 0 && wait < -time.Duration(float64(time.Second)/f.video.FPS) {
				continue // too late
			}
			select {
			case <-time.After(wait):
			case <-ctx.Done():
				return Shot{}, ctx.Err()
			}
		}
		m, err := f.video.GreyInto(room)
		return Shot{m, seconds}, err
	}
}

// feed is a camera that sends without end, and may fall silent.
type feed struct {
	name  string
	open  func() (*vision.Video, error)
	lens  *vision.Camera
	video *vision.Video // nil: silent
	begun time.Time
}

// Device opens a camera of this machine by its number, for frames of the size of a
// lens.
func Device(number int, lens *vision.Camera) (Source, error) {
	width, height := 1920, 1080
	if lens != nil {
		width, height = lens.Width, lens.Height
	}
	return newFeed(fmt.Sprintf("camera %d", number), lens, func() (*vision.Video, error) {
		return vision.OpenDevice(number, width, height, 30)
	})
}

// Stream opens what a camera in the network sends, by its address.
func Stream(url string, lens *vision.Camera) (Source, error) {
	return newFeed("stream "+url, lens, func() (*vision.Video, error) { return vision.OpenStream(url) })
}

// IsStream tells an address from a file's name.
func IsStream(name string) bool { return strings.Contains(name, "://") }

func newFeed(name string, lens *vision.Camera, open func() (*vision.Video, error)) (Source, error) {
	f := &feed{name: name, lens: lens, begun: time.Now()}
	f.open = func() (*vision.Video, error) {
		v, err := open()
		if err != nil {
			return nil, err
		}
		if err := fits(v, lens); err != nil {
			v.Close()
			return nil, err
		}
		return v, nil
	}
	var err error
	f.video, err = f.open()
	return f, err
}

func (f *feed) Name() string { return f.name }
func (f *feed) Live() bool   { return true }

func (f *feed) Close() {
	if f.video != nil {
		f.video.Close()
		f.video = nil
	}
}

func (f *feed) Next(ctx context.Context, room []uint8) (Shot, error) {
	if f.video == nil {
		v, err := f.open()
		if err != nil {
			return Shot{}, fmt.Errorf("%w from %s: it was unplugged or switched off; waiting for it", ErrSilent, f.name)
		}
		f.video = v
	}
	_, ok, err := f.video.Next()
	seconds := time.Since(f.begun).Seconds()
	if err == nil && ok {
		m, err := f.video.GreyInto(room)
		if err == nil {
			return Shot{m, seconds}, nil
		}
	}
	f.Close()
	return Shot{}, fmt.Errorf("%w from %s: it was unplugged or switched off; waiting for it", ErrSilent, f.name)
}

// folder is where a tethered camera drops its photographs.
type folder struct {
	dir    string
	lens   *vision.Camera
	events *fsnotify.Watcher
	queue  []string // there, or on its way
	done   map[string]bool
	begun  time.Time
	warn   func(format string, args ...any)
}

// Folder takes the photographs that are in a folder, in the order of their names, and
// then those that arrive, each once it is whole. What is no photograph of the lens is
// told by warn and left.
func Folder(dir string, lens *vision.Camera, warn func(format string, args ...any)) (Source, error) {
	st, err := os.Stat(dir)
	if err != nil {
		return nil, fmt.Errorf("folder %s: %w", dir, err)
	}
	if !st.IsDir() {
		return nil, fmt.Errorf("folder %s: is a file: give the folder that photographs arrive in", dir)
	}
	events, err := fsnotify.NewWatcher()
	if err == nil {
		err = events.Add(dir)
	}
	if err != nil {
		return nil, fmt.Errorf("folder %s: cannot be watched: %w", dir, err)
	}
	f := &folder{dir: dir, lens: lens, events: events, done: map[string]bool{}, begun: time.Now(), warn: warn}
	list, err := os.ReadDir(dir)
	if err != nil {
		events.Close()
		return nil, fmt.Errorf("folder %s: %w", dir, err)
	}
	for _, e := range list {
		f.add(filepath.Join(dir, e.Name()))
	}
	return f, nil
}

func (f *folder) Name() string { return "folder " + f.dir }
func (f *folder) Live() bool   { return false }
func (f *folder) Close()       { f.events.Close() }

// add queues a file that may be a photograph.
func (f *folder) add(path string) {
	switch strings.ToLower(filepath.Ext(path)) {
	case ".jpg", ".jpeg", ".png":
	default:
		return
	}
	if strings.HasPrefix(filepath.Base(path), ".") || f.done[path] || slices.Contains(f.queue, path) {
		return
	}
	f.queue = append(f.queue, path)
}

const (
	wholeAfter = 300 * time.Millisecond // without growing
	wholePause = 100 * time.Millisecond
	patience   = 20 * time.Second // for one that grows or cannot be read yet
)

func (f *folder) Next(ctx context.Context, _ []uint8) (Shot, error) {
	for {
		for len(f.queue) == 0 {
			select {
			case <-ctx.Done():
				return Shot{}, ctx.Err()
			case e, ok := <-f.events.Events:
				if !ok {
					return Shot{}, io.EOF
				}
				if e.Has(fsnotify.Create) || e.Has(fsnotify.Write) || e.Has(fsnotify.Rename) {
					f.add(e.Name)
				}
			case err, ok := <-f.events.Errors:
				if ok {
					return Shot{}, fmt.Errorf("folder %s: cannot be watched: %w", f.dir, err)
				}
			}
		}
		path := f.queue[0]
		f.queue = f.queue[1:]
		f.done[path] = true
		if err := f.whole(ctx, path); err != nil {
			if ctx.Err() != nil {
				return Shot{}, ctx.Err()
			}
			continue // it went away again
		}
		info, err := vision.ReadInfo(path)
		if err == nil && f.lens != nil {
			err = f.lens.Fits(info)
		}
		var m *vision.Image
		if err == nil {
			m, err = vision.Load(path)
		}
		if err != nil {
			f.warn("%v", err)
			continue
		}
		return Shot{m.Pix, time.Since(f.begun).Seconds()}, nil
	}
}

// whole waits until a file does not grow any more.
func (f *folder) whole(ctx context.Context, path string) error {
	var size int64 = -1
	var since time.Time
	for end := time.Now().Add(patience); time.Now().Before(end); {
		st, err := os.Stat(path)
		if err != nil {
			return err
		}
		if st.Size() != size {
			size, since = st.Size(), time.Now()
			// One that has lain there is whole.
			if time.Since(st.ModTime()) > 5*wholeAfter && size > 0 {
				return nil
			}
		} else if size > 0 && time.Since(since) > wholeAfter {
			return nil
		}
		select {
		case <-time.After(wholePause):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}
