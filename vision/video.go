package vision

/*
#cgo LDFLAGS: -ldl
#include <stdlib.h>
#include "video_shim.h"
*/
import "C"

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"io"
	"io/fs"
	"math"
	"os"
	"runtime"
	"unsafe"
)

// Video is a film that is read frame by frame, each in grey and in the sensor's
// orientation: the rotation that the file asks a viewer for is not applied,
// because a camera file describes the sensor.
type Video struct {
	Path          string
	Width, Height int     // of the frames as they come
	FPS           float64 // frames a second as the file states them; 0: not stated
	Count         int     // number of frames as the file states it; 0: not stated

	c    *C.wp_video
	live bool // a camera: without an end
	read int
	last float64 // time of the last frame read
}

// The most frames taken on: an hour at 60 a second.
const maxFrames = 3600 * 60

// OpenVideo opens a film for reading: MP4, MOV, Matroska, WebM or AVI with a codec
// that the installed FFmpeg has. OpenCV's library for it is loaded now, not when
// the program starts. Errors name the file and the remedy.
func OpenVideo(path string) (*Video, error) {
	if err := looksLikeVideo(path); err != nil {
		return nil, videoFileError(path, err)
	}
	v, _, err := openVideo(path)
	if err != nil {
		return nil, err
	}
	if v == nil {
		return nil, videoFileError(path, errNoVideo)
	}
	if err := v.learn(); err != nil {
		return nil, err
	}
	return v, nil
}

// openVideo is the film or stream of a name; nil, and why not, where there is none.
func openVideo(name string) (v *Video, why string, err error) {
	text := C.CString(name)
	defer C.free(unsafe.Pointer(text))
	var msg [256]C.char
	var missing C.int
	c := C.wp_video_open(text, &missing, &msg[0], C.int(len(msg)))
	switch {
	case c == nil && missing != 0:
		return nil, "", noVideoio(name, C.GoString(&msg[0]))
	case c == nil:
		return nil, C.GoString(&msg[0]), nil
	}
	return &Video{Path: name, c: c}, "", nil
}

// OpenStream opens what a camera in the network sends, by its address
// (rtsp://, http:// and so on). It may be waited for as long as FFmpeg does, half a
// minute.
func OpenStream(url string) (*Video, error) {
	v, why, err := openVideo(url)
	if err != nil {
		return nil, err
	}
	if v == nil {
		return nil, fmt.Errorf("stream %s: cannot be opened (%s): check the address, the network and that the camera is on", url, why)
	}
	v.live = true
	if err := v.learn(); err != nil {
		return nil, err
	}
	return v, nil
}

// OpenDevice opens a camera of this machine by its number and asks it for frames of
// a size and rate; it may give others.
func OpenDevice(index, width, height int, fps float64) (*Video, error) {
	name := fmt.Sprintf("/dev/video%d", index)
	var msg [256]C.char
	var missing C.int
	c := C.wp_video_open_device(C.int(index), C.int(width), C.int(height), C.double(fps), &missing, &msg[0], C.int(len(msg)))
	switch {
	case c == nil && missing != 0:
		return nil, noVideoio(name, C.GoString(&msg[0]))
	case c == nil:
		if _, err := os.Stat(name); errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("camera %d: there is no %s: plug it in, or give another number", index, name)
		}
		return nil, fmt.Errorf("camera %d: %s (%s): close the program that uses it, or plug it in anew", index, C.GoString(&msg[0]), name)
	}
	v := &Video{Path: name, c: c, live: true}
	if err := v.learn(); err != nil {
		return nil, err
	}
	return v, nil
}

// learn takes over what the film's header or the camera states.
func (v *Video) learn() error {
	c, path := v.c, v.Path
	runtime.SetFinalizer(v, (*Video).Close)
	var w, h C.int
	var fps, frames C.double
	C.wp_video_info(c, &w, &h, &fps, &frames)
	v.Width, v.Height = int(w), int(h)
	if f := float64(fps); f > 0 && f < 10000 {
		v.FPS = f
	}
	if n := float64(frames); n > 0 && n < maxFrames {
		v.Count = int(n)
	}
	if v.Width < 16 || v.Height < 16 || v.Width*v.Height > maxPixels {
		v.Close()
		return videoFileError(path, fmt.Errorf("frames of %d x %d pixels: give the film as the phone wrote it", v.Width, v.Height))
	}
	return nil
}

// Next goes on by a frame; ok is false after the last. seconds counts from the
// first frame. A film that ends long before its header says so is an error: it was
// cut short when it was copied.
func (v *Video) Next() (seconds float64, ok bool, err error) {
	var msg [256]C.char
	var at C.double
	switch C.wp_video_next(v.c, &at, &msg[0], C.int(len(msg))) {
	case 1:
		if v.read++; v.read > maxFrames && !v.live {
			return 0, false, videoFileError(v.Path, errors.New("it is longer than an hour: film one station at a time"))
		}
		v.last = math.Max(0, float64(at))
		if v.last == 0 && v.FPS > 0 {
			v.last = float64(v.read-1) / v.FPS
		}
		return v.last, true, nil
	case 0:
		if v.live {
			return 0, false, nil
		}
		// Players and phones do not agree on the last few, and where frames come at an
		// uneven rate their number may be a guess, but not how long it takes.
		if v.read < v.Count*9/10 && v.last*v.FPS < 0.9*float64(v.Count) {
			return 0, false, videoFileError(v.Path, fmt.Errorf("only %d of its %d frames can be read (it is cut short or damaged): copy it from the phone again", v.read, v.Count))
		}
		if v.read == 0 {
			return 0, false, videoFileError(v.Path, errors.New("there is no frame in it: film again"))
		}
		return 0, false, nil
	}
	return 0, false, videoFileError(v.Path, fmt.Errorf("OpenCV could not read it (%s): copy it from the phone again", C.GoString(&msg[0])))
}

// Grey decodes the present frame.
func (v *Video) Grey() (*image.Gray, error) { return v.GreyInto(nil) }

// GreyInto is Grey with room for the pixels, if that is large enough.
func (v *Video) GreyInto(room []uint8) (*image.Gray, error) {
	if cap(room) < v.Width*v.Height {
		room = pixelsFor(v.Width * v.Height)
	}
	out := &image.Gray{Pix: room[:v.Width*v.Height], Stride: v.Width, Rect: image.Rect(0, 0, v.Width, v.Height)}
	var msg [256]C.char
	switch C.wp_video_grey(v.c, C.int(v.Width), C.int(v.Height), (*C.uchar)(unsafe.Pointer(&out.Pix[0])), &msg[0], C.int(len(msg))) {
	case 0:
		return out, nil
	case 1:
		return nil, videoFileError(v.Path, fmt.Errorf("frame %d cannot be decoded: copy it from the phone again", v.read))
	}
	return nil, videoFileError(v.Path, fmt.Errorf("OpenCV could not decode frame %d (%s): copy it from the phone again", v.read, C.GoString(&msg[0])))
}

// Close ends the reading; it may be called twice.
func (v *Video) Close() {
	C.wp_video_close(v.c)
	v.c = nil
	runtime.SetFinalizer(v, nil)
}

// FitsVideo tells whether a film can have been taken with the camera: only its
// size tells. Phones cut and scale what they film, so the camera file of their
// photographs does not serve.
func (c *Camera) FitsVideo(v *Video) error {
	if v.Width == c.Width && v.Height == c.Height {
		return nil
	}
	what := "phones cut and scale what they film"
	if v.Width == c.Height && v.Height == c.Width {
		what = "an app has turned it"
	}
	return fmt.Errorf("video %s: %d x %d pixels, but %s is for %d x %d (%s): calibrate with a film of a board in the same mode (wheelplane camera FILM), and name that camera file",
		v.Path, v.Width, v.Height, c.describe(), c.Width, c.Height, what)
}

var errNoVideo = errors.New("it cannot be read as a film (cut short, damaged or of an unknown codec): copy it from the phone again, as H.264 ('most compatible') if there is a choice")

// looksLikeVideo looks at a file's first bytes: FFmpeg takes play lists and plain
// text for films too.
func looksLikeVideo(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	if st, err := f.Stat(); err == nil && st.IsDir() {
		return errors.New("is a folder: give the film's file")
	}
	head := make([]byte, 64)
	n, err := f.Read(head)
	if err != nil && err != io.EOF {
		return err
	}
	head = head[:n]
	if n == 0 {
		return errors.New("the file is empty: copy it from the phone again")
	}
	if bytes.HasPrefix(head, []byte("\xff\xd8\xff")) || bytes.HasPrefix(head, []byte("\x89PNG\r\n\x1a\n")) {
		return errors.New("a photograph, not a film: photographs go into the station's folder as they are")
	}
	if bytes.HasPrefix(head, []byte("\x1a\x45\xdf\xa3")) { // Matroska, WebM: EBML
		return nil
	}
	if len(head) >= 12 {
		if string(head[:4]) == "RIFF" && string(head[8:12]) == "AVI " {
			return nil
		}
		switch string(head[4:8]) { // ISO/IEC 14496-12 and QuickTime: the first box
		case "moov", "mdat", "wide", "free", "skip":
			return nil
		case "ftyp":
			if kind, remedy := guessKind(head); kind != "a film" {
				return fmt.Errorf("%s, not a film: %s", kind, remedy)
			}
			return nil
		}
	}
	kind, _ := guessKind(head)
	return fmt.Errorf("%s, not a film: give an MP4, MOV, MKV, WebM or AVI file", kind)
}

func videoFileError(path string, err error) error {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("video %s: no such file: check the name and the folder (%w)", path, fs.ErrNotExist)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("video %s: may not be read: change its permissions (%w)", path, fs.ErrPermission)
	}
	return fmt.Errorf("video %s: %w", path, err)
}

func noVideoio(path, why string) error {
	return fmt.Errorf("video %s: OpenCV's library for films cannot be loaded (%s): install the distribution's libopencv-videoio", path, why)
}

// Film is a film that is written frame by frame.
type Film struct {
	path          string
	width, height int
	c             *C.wp_film
}

// CreateFilm begins a film of grey frames. codec is four characters, such as
// "avc1" (H.264) or "MJPG"; what the file's name ends with says which container.
func CreateFilm(path, codec string, fps float64, width, height int) (*Film, error) {
	if len(codec) != 4 {
		panic("vision: a codec is named by four characters")
	}
	name, four := C.CString(path), C.CString(codec)
	defer C.free(unsafe.Pointer(name))
	defer C.free(unsafe.Pointer(four))
	var msg [256]C.char
	var missing C.int
	c := C.wp_film_create(name, four, C.double(fps), C.int(width), C.int(height), &missing, &msg[0], C.int(len(msg)))
	if c == nil && missing != 0 {
		return nil, noVideoio(path, C.GoString(&msg[0]))
	}
	if c == nil {
		return nil, fmt.Errorf("video %s: cannot be written with codec %s: %s", path, codec, C.GoString(&msg[0]))
	}
	return &Film{path, width, height, c}, nil
}

// Add writes a frame. Its stride must be its width.
func (f *Film) Add(m *image.Gray) error {
	if m.Rect.Dx() != f.width || m.Rect.Dy() != f.height || m.Stride != f.width {
		panic("vision: a frame of another size than the film")
	}
	var msg [256]C.char
	if C.wp_film_add(f.c, C.int(f.width), C.int(f.height), (*C.uchar)(unsafe.Pointer(&m.Pix[0])), &msg[0], C.int(len(msg))) != 0 {
		return fmt.Errorf("video %s: cannot be written: %s", f.path, C.GoString(&msg[0]))
	}
	return nil
}

// Close ends the film; without it the file is not readable.
func (f *Film) Close() {
	C.wp_film_close(f.c)
	f.c = nil
}
