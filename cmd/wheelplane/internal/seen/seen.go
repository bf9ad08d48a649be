// Package seen keeps what photographs gave in the job's folder, so that no
// photograph is looked at twice: an entry, a file in DIR/.wheelplane/seen, for
// each, written as soon as the photograph is done. A run that was ended in the
// middle goes on where it stopped.
//
// An entry is found by all that it depends on: the SHA-256 of the photograph, that
// of the camera file, the boards, and the program itself (see [program]). So an
// entry is never stale, and nobody has to remember a version number; and a
// photograph that is only renamed, or copied with its folder, is known. Files are
// always hashed: size and time of change would miss a photograph that was replaced
// within a tick of the clock or copied with its times, and save a millisecond of
// the ninety that looking takes.
//
// Entries are no truth of their own. Whatever is wrong with one (cut short,
// damaged, of another program), it is as if it were not there; a folder that may
// not be written to keeps none, and that is no failure.
package seen

import (
	"bytes"
	"crypto/sha256"
	"debug/elf"
	"encoding/gob"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"time"

	"wheelplane/vision"
)

// Dir is where entries lie in a job's folder.
const Dir = ".wheelplane/seen"

const (
	extension = ".seen"
	temporary = ".part"
	mark      = "wheelplane seen 1\n" // how an entry begins

	// mostBytes is more than any photograph gives: a board's corners take 8 kB.
	mostBytes = 64 << 20

	// abandoned is how old a temporary file is that nobody writes any more.
	abandoned = 10 * time.Minute
)

// Store is what was seen with one camera file of one set of boards. A nil Store
// keeps nothing. Its methods may be called from several goroutines; several
// processes may have the same folder open.
type Store struct {
	dir    string
	of     string // camera, boards and program, as a part of every key
	opened time.Time

	mu   sync.Mutex
	used map[string]bool // names of entries
}

// Open prepares the store of a job's folder; it touches no file yet. It is nil
// where nothing can be kept: of a camera that was not read from a file, or of a
// program that does not know itself.
func Open(dir string, camera *vision.Camera, boards []vision.Board) *Store {
	id := program()
	if id == "" || camera.Sum() == "" {
		return nil
	}
	text, err := json.Marshal(boards)
	if err != nil { // a number that is not finite
		return nil
	}
	return &Store{dir: filepath.Join(dir, filepath.FromSlash(Dir)), of: id + "\n" + camera.Sum() + "\n" + string(text),
		opened: time.Now(), used: map[string]bool{}}
}

// name is the file of a photograph with this SHA-256.
func (s *Store) name(sum string) string {
	return fmt.Sprintf("%x", sha256.Sum256([]byte(sum+"\n"+s.of))) + extension
}

// Get fills in what was kept of the photograph with this SHA-256, and tells
// whether there was anything. The value is what [Store.Put] was given, with
// empty slices as nil.
func (s *Store) Get(sum string, value any) bool {
	if s == nil || sum == "" {
		return false
	}
	name := s.name(sum)
	data, err := vision.ReadFile(filepath.Join(s.dir, name), mostBytes)
	if err != nil || open(name, data, value) != nil {
		return false
	}
	s.use(name)
	return true
}

// Put keeps what the photograph with this SHA-256 gave, a pointer to a struct that
// encoding/gob can write. That it cannot be kept is an error only for tests:
// nothing is lost but time.
func (s *Store) Put(sum string, value any) error {
	if s == nil || sum == "" {
		return errors.New("nothing is kept here")
	}
	name := s.name(sum)
	data, err := seal(name, value)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(s.dir, 0o777); err != nil {
		return err
	}
	part := filepath.Join(s.dir, fmt.Sprintf(".%.16s.%08x%s", name, rand.Uint32(), temporary))
	// No Sync: what a power cut leaves of an entry is told by its checksum.
	err = write(part, data)
	if err == nil {
		err = os.Rename(part, filepath.Join(s.dir, name))
	}
	if err != nil {
		os.Remove(part)
		return err
	}
	s.use(name)
	return nil
}

func write(path string, data []byte) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o666)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	return errors.Join(err, f.Close())
}

func (s *Store) use(name string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.used[name] = true
}

// Sweep drops the entries that were neither read nor written since Open: of
// photographs that are gone or were replaced, of other boards, cameras and programs.
// It is called when all photographs of the job are through, so the store holds an
// entry a photograph. What somebody else wrote meanwhile stays until the next time.
func (s *Store) Sweep() {
	if s == nil {
		return
	}
	list, err := os.ReadDir(s.dir)
	if err != nil {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	now := time.Now()
	for _, e := range list {
		name := e.Name()
		info, err := e.Info()
		if err != nil || s.used[name] {
			continue
		}
		// Times beyond now come from a clock that was wrong: those are no reason to wait.
		since := now.Sub(info.ModTime())
		recent := func(span time.Duration) bool { return since <= span && since > -abandoned }
		switch {
		case strings.HasSuffix(name, extension) && !recent(now.Sub(s.opened)+time.Second), // file systems' clocks tick coarsely
			strings.HasSuffix(name, temporary) && !recent(abandoned):
			os.Remove(filepath.Join(s.dir, name))
		}
	}
}

// seal is an entry's file: the mark, the SHA-256 of the rest, and the rest, which
// are the entry's own name and the value.
func seal(name string, value any) ([]byte, error) {
	var rest bytes.Buffer
	e := gob.NewEncoder(&rest)
	if err := e.Encode(name); err != nil {
		return nil, err
	}
	if err := e.Encode(value); err != nil {
		return nil, err
	}
	sum := sha256.Sum256(rest.Bytes())
	return append(append([]byte(mark), sum[:]...), rest.Bytes()...), nil
}

// open undoes seal.
func open(name string, data []byte, value any) error {
	rest, ok := bytes.CutPrefix(data, []byte(mark))
	if !ok || len(rest) < sha256.Size {
		return errors.New("no entry, or one that is cut short")
	}
	if sum := sha256.Sum256(rest[sha256.Size:]); !bytes.Equal(sum[:], rest[:sha256.Size]) {
		return errors.New("damaged")
	}
	d := gob.NewDecoder(bytes.NewReader(rest[sha256.Size:]))
	var own string
	if err := d.Decode(&own); err != nil {
		return err
	}
	if own != name {
		return errors.New("another entry under this name")
	}
	return d.Decode(value)
}

// program names the program that runs, so that what another version saw is not
// taken for what this one would: by the identity that Go writes into every
// executable, which is made of all that it was built from, or where it was left out
// by the file's SHA-256. Empty where neither can be read.
//
// A number to be raised by hand would keep entries over more versions. But a change
// anywhere below Detect, in a library or in a compiler's option counts, and one
// that was forgotten would give a mixture of two versions that nothing tells.
// Looking again after an update costs a job of 42 photographs four seconds.
var program = sync.OnceValue(func() string {
	path, err := os.Executable()
	if runtime.GOOS == "linux" {
		path, err = "/proc/self/exe", nil // the one that runs, though it may have been replaced since
	}
	if err != nil {
		return ""
	}
	f, err := os.Open(path)
	if err != nil {
		return ""
	}
	defer f.Close()
	id := goBuildID(f)
	if id == "" {
		h := sha256.New()
		if _, err := io.Copy(h, f); err != nil {
			return ""
		}
		id = fmt.Sprintf("%x", h.Sum(nil))
	}
	return id + " OpenCV " + vision.OpenCVVersion()
})

// goBuildID is the Go build ID of an ELF file, "" where it has none. Source of the
// note's form: the Go toolchain's cmd/internal/buildid, and the ELF specification's
// note section (three words for the lengths of name and text and the kind, then
// name and text).
func goBuildID(r io.ReaderAt) string {
	f, err := elf.NewFile(r)
	if err != nil {
		return ""
	}
	section := f.Section(".note.go.buildid")
	if section == nil {
		return ""
	}
	note, err := section.Data()
	if err != nil || len(note) < 16 {
		return ""
	}
	length := int(f.ByteOrder.Uint32(note[4:]))
	if string(note[12:16]) != "Go\x00\x00" || length <= 0 || length > len(note)-16 {
		return ""
	}
	return string(note[16 : 16+length])
}
