package vision_test

import (
	"bytes"
	"image"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"wheelplane/vision"
)

// stripes is a frame of a pattern that has moved by (dx, dy) pixels.
func stripes(w, h int, dx, dy float64) *image.Gray {
	m := image.NewGray(image.Rect(0, 0, w, h))
	for i := range m.Pix {
		x, y := float64(i%w)-dx, float64(i/w)-dy
		m.Pix[i] = uint8(math.Round(128 + 50*math.Sin(x/5+math.Sin(y/9))*math.Cos(y/7) + 40*math.Sin(x/17-y/11)))
	}
	return m
}

// film writes count frames, each moved by 0.3 px, and returns its file.
func film(t *testing.T, name, codec string, w, h, count int) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	f, err := vision.CreateFilm(path, codec, 25, w, h)
	if err != nil {
		t.Skipf("the installed FFmpeg does not write %s: %v", codec, err)
	}
	for k := range count {
		if err := f.Add(stripes(w, h, 0.3*float64(k), 0)); err != nil {
			t.Fatal(err)
		}
	}
	f.Close()
	return path
}

// TestVideo reads films back: losslessly where the codec is, and to some levels
// where it is not.
func TestVideo(t *testing.T) {
	for _, c := range []struct {
		codec, name string
		levels      float64
	}{{"FFV1", "lossless.mkv", 0}, {"MJPG", "pictures.avi", 3}, {"avc1", "phone.mp4", 5}} {
		t.Run(c.codec, func(t *testing.T) {
			v, err := vision.OpenVideo(film(t, c.name, c.codec, 320, 180, 12))
			if err != nil {
				t.Fatal(err)
			}
			defer v.Close()
			if v.Width != 320 || v.Height != 180 || v.FPS != 25 {
				t.Errorf("read as %+v", v)
			}
			count := 0
			for ; ; count++ {
				seconds, ok, err := v.Next()
				if err != nil {
					t.Fatal(err)
				}
				if !ok {
					break
				}
				if math.Abs(seconds-float64(count)/25) > 0.0011 { // Matroska counts in ms
					t.Errorf("frame %d is at %g s", count, seconds)
				}
				got, err := v.Grey()
				if err != nil {
					t.Fatal(err)
				}
				want, sum := stripes(320, 180, 0.3*float64(count), 0), 0.0
				for i, p := range got.Pix {
					sum += math.Pow(float64(p)-float64(want.Pix[i]), 2)
				}
				if rms := math.Sqrt(sum / float64(len(got.Pix))); rms > c.levels {
					t.Errorf("frame %d is off by %.2f levels", count, rms)
				}
			}
			if count != 12 {
				t.Errorf("%d frames of 12", count)
			}
		})
	}
}

// TestVideoTurned: the rotation that a phone held upright writes into the file
// (ISO/IEC 14496-12, the matrix in the track header) turns nothing: frames stay as
// the sensor has them.
func TestVideoTurned(t *testing.T) {
	path := film(t, "phone.mp4", "mp4v", 320, 180, 5)
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	at := bytes.Index(data, []byte("tkhd")) + 4 + 40 // version 0: the matrix comes after 40 bytes
	one, minus := []byte{0, 1, 0, 0}, []byte{0xff, 0xff, 0, 0}
	if !bytes.Equal(data[at:at+4], one) || !bytes.Equal(data[at+16:at+20], one) {
		t.Fatal("the matrix is not where the standard says")
	}
	copy(data[at:], make([]byte, 20))
	copy(data[at+4:], one)    // b: x goes to y
	copy(data[at+12:], minus) // c: y goes to −x
	if err := os.WriteFile(path, data, 0o666); err != nil {
		t.Fatal(err)
	}
	v, err := vision.OpenVideo(path)
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	if v.Width != 320 || v.Height != 180 {
		t.Errorf("%d x %d pixels: turned", v.Width, v.Height)
	}
	if _, ok, err := v.Next(); !ok || err != nil {
		t.Fatal(err)
	}
	got, err := v.Grey()
	if err != nil {
		t.Fatal(err)
	}
	want, sum := stripes(320, 180, 0, 0), 0.0
	for i, p := range got.Pix {
		sum += math.Pow(float64(p)-float64(want.Pix[i]), 2)
	}
	if rms := math.Sqrt(sum / float64(len(got.Pix))); rms > 6 {
		t.Errorf("the frame is off by %.1f levels: turned", rms)
	}
}

// TestVideoRefused: what cannot be read is told in one line with file and remedy.
func TestVideoRefused(t *testing.T) {
	dir := t.TempDir()
	write := func(name string, data []byte) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, data, 0o666); err != nil {
			t.Fatal(err)
		}
		return path
	}
	whole, err := os.ReadFile(film(t, "a.avi", "MJPG", 320, 180, 40))
	if err != nil {
		t.Fatal(err)
	}
	mp4, err := os.ReadFile(film(t, "a.mp4", "mp4v", 320, 180, 40))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ path, says string }{
		{filepath.Join(dir, "none.mp4"), "no such file"},
		{dir, "is a folder"},
		{write("empty.mp4", nil), "the file is empty"},
		{write("text.mp4", []byte("a list of things\nto do\n")), "a text file, not a film"},
		{write("list.m3u8", []byte("#EXTM3U\n#EXTINF:1,\nother.ts\n")), "a text file, not a film"},
		{write("photo.mp4", append([]byte("\xff\xd8\xff\xe0"), whole[:100]...)), "a photograph, not a film"},
		{write("heic.mov", append([]byte("\x00\x00\x00\x18ftypheic"), whole[:100]...)), "a HEIC picture, not a film"},
		{write("noise.mp4", []byte("\x00\x00\x00\x18ftypisom\x01\x02\x03\x04\x05\x06\x07\x08 and so on")), "cannot be read as a film"},
		{write("cut.mp4", mp4[:len(mp4)*2/3]), "cannot be read as a film"}, // its index comes last
		{write("cut.avi", whole[:len(whole)/3]), "copy it from the phone again"},
	} {
		v, err := vision.OpenVideo(c.path)
		if err == nil {
			for ok := true; ok && err == nil; {
				_, ok, err = v.Next()
			}
			v.Close()
		}
		if err == nil || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), c.path) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v; wanted a line with %q", filepath.Base(c.path), err, c.says)
		}
	}
}

// TestMovedBetween: how far a picture moved, against how far it was moved.
func TestMovedBetween(t *testing.T) {
	a := stripes(320, 180, 0, 0)
	for _, d := range [][2]float64{{0, 0}, {0.2, 0}, {0, -0.4}, {0.5, 0.5}, {-1.2, 0.3}} {
		moved, want := vision.MovedBetween(a, stripes(320, 180, d[0], d[1])), math.Hypot(d[0], d[1])
		if math.Abs(moved-want) > 0.02+0.35*want {
			t.Errorf("moved by %v, found %.3f px", d, moved)
		}
	}
}

// TestStills: the stillest frame of every span is the one that was still.
func TestStills(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.avi")
	f, err := vision.CreateFilm(path, "MJPG", 25, 320, 180)
	if err != nil {
		t.Skip(err)
	}
	x := 0.0
	for k := range 64 {
		// It comes to rest at the frames 20, 41 and 62.
		x += 0.1 * math.Abs(float64((k+11)%21)-10.5)
		if err := f.Add(stripes(320, 180, x, 0)); err != nil {
			t.Fatal(err)
		}
	}
	f.Close()
	v, err := vision.OpenVideo(path)
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	var frames []int
	count, err := v.Stills(20.5/25, nil, func(s vision.Still) error {
		frames = append(frames, s.Frame)
		if s.MovedPx > 0.3 {
			t.Errorf("frame %d moves by %.2f px", s.Frame, s.MovedPx)
		}
		if math.Abs(s.Seconds-float64(s.Frame)/25) > 1e-6 || math.Abs(s.Gap-1.0/25) > 1e-6 {
			t.Errorf("frame %d is at %g s, %g s before the next", s.Frame, s.Seconds, s.Gap)
		}
		return nil
	})
	if err != nil || count != 64 {
		t.Errorf("%d frames, %v", count, err)
	}
	if !slices.Equal(frames, []int{20, 41, 62}) {
		t.Errorf("still are %v", frames)
	}
}

// TestVideoOfUnevenRate: the time of each frame is its own, as a phone that films in
// dim light takes them. The film is made uneven by ffmpeg, where that is installed.
func TestVideoOfUnevenRate(t *testing.T) {
	ffmpeg, err := exec.LookPath("ffmpeg")
	if err != nil {
		t.Skip("ffmpeg is not installed")
	}
	even := film(t, "even.mp4", "mp4v", 320, 180, 20)
	uneven := filepath.Join(t.TempDir(), "uneven.mp4")
	// From frame 10 on each comes twice as late after the one before.
	if out, err := exec.Command(ffmpeg, "-v", "error", "-i", even, "-vf", "setpts=if(gte(N\\,10)\\,(2*N-10)/25/TB\\,PTS)", "-vsync", "vfr", "-c:v", "mpeg4", uneven).CombinedOutput(); err != nil {
		t.Skipf("ffmpeg does not make it: %v, %s", err, out)
	}
	v, err := vision.OpenVideo(uneven)
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	for k := 0; ; k++ {
		seconds, ok, err := v.Next()
		if err != nil {
			t.Fatal(err)
		}
		if !ok {
			if k != 20 {
				t.Errorf("%d frames of 20", k)
			}
			break
		}
		want := float64(k) / 25
		if k >= 10 {
			want = float64(2*k-10) / 25
		}
		if math.Abs(seconds-want) > 0.002 {
			t.Errorf("frame %d is at %.3f s, not %.3f", k, seconds, want)
		}
	}
}
