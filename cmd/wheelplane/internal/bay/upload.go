package bay

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"sync"
	"time"

	"github.com/tus/tusd/v2/pkg/filestore"
	"github.com/tus/tusd/v2/pkg/handler"
	"github.com/tus/tusd/v2/pkg/memorylocker"
	"golang.org/x/exp/slog"
)

// Uploads follow the tus protocol, version 1.0 (https://tus.io/protocols): a file
// arrives in pieces, and goes on where it stopped, after a lost connection, a closed
// page or a server that was started again.

// The most that is taken, by kind.
var mostBytes = map[string]int64{
	"photo":  100 << 20,
	"film":   4 << 30,
	"camera": 1 << 20,
}

const (
	mostOpen  = 40             // uploads that are not finished, of all phones together
	staleness = 24 * time.Hour // after which one that does not go on is dropped
	upPath    = "/up/"
)

type uploads struct {
	dir  string
	tus  http.Handler
	take func(context.Context, Upload) (*Taken, error)
	log  func(format string, args ...any)

	mu sync.Mutex // of creating: counting and creating are one
}

// uploadID is how tusd names uploads; nothing else gets near a file.
var uploadID = regexp.MustCompile(`^[0-9a-f]{32}$`)

func newUploads(dir string, take func(context.Context, Upload) (*Taken, error), log func(string, ...any)) (*uploads, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, err
	}
	u := &uploads{dir: dir, take: take, log: log}
	store := filestore.New(dir)
	store.DirModePerm, store.FileModePerm = 0o700, 0o600
	composer := handler.NewStoreComposer()
	store.UseIn(composer)
	memorylocker.New().UseIn(composer)
	tus, err := handler.NewHandler(handler.Config{
		StoreComposer: composer, BasePath: upPath, MaxSize: slices.Max([]int64{mostBytes["photo"], mostBytes["film"], mostBytes["camera"]}),
		DisableDownload: true, DisableConcatenation: true,
		Cors:                      &handler.CorsConfig{Disable: true},
		Logger:                    quiet(),
		PreUploadCreateCallback:   u.before,
		PreFinishResponseCallback: u.finished,
		NetworkTimeout:            60 * time.Second,
	})
	if err != nil {
		return nil, err
	}
	u.tus = http.StripPrefix(upPath, tus)
	return u, nil
}

func refuse(status int, format string, args ...any) handler.Error {
	text := fmt.Sprintf(format, args...)
	return handler.NewError("REFUSED", text, status)
}

// ServeHTTP takes only names of uploads that are ours.
func (u *uploads) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if id := r.URL.Path[len(upPath):]; id != "" && !uploadID.MatchString(id) {
		http.Error(w, "there is no such upload", http.StatusNotFound)
		return
	}
	if r.Method == http.MethodPost {
		u.mu.Lock()
		defer u.mu.Unlock()
	}
	u.tus.ServeHTTP(w, r)
}

// before looks at an upload before its first byte.
func (u *uploads) before(h handler.HookEvent) (handler.HTTPResponse, handler.FileInfoChanges, error) {
	none := handler.FileInfoChanges{}
	kind := h.Upload.MetaData["kind"]
	most, ok := mostBytes[kind]
	switch {
	case !ok:
		return handler.HTTPResponse{}, none, refuse(http.StatusBadRequest, "an upload is a photo, a film or a camera file, not %q", cut(kind, 20))
	case h.Upload.SizeIsDeferred || h.Upload.Size <= 0:
		return handler.HTTPResponse{}, none, refuse(http.StatusBadRequest, "the file is empty: take the photograph again")
	case h.Upload.Size > most:
		u.log("refused a %s of %d MB: at most %d", kind, h.Upload.Size>>20, most>>20)
		return handler.HTTPResponse{}, none, refuse(http.StatusRequestEntityTooLarge, "a %s of %d MB: at most %d MB are taken", kind, h.Upload.Size>>20, most>>20)
	}
	open, err := u.open()
	if err != nil {
		return handler.HTTPResponse{}, none, err
	}
	if open >= mostOpen {
		u.log("refused an upload: %d are not finished", open)
		return handler.HTTPResponse{}, none, refuse(http.StatusTooManyRequests, "%d uploads are not finished: let them end first", open)
	}
	// Only what is meant for us is kept, and not at any length.
	meta := handler.MetaData{"kind": kind}
	for _, k := range []string{"station", "sha256"} {
		if v := h.Upload.MetaData[k]; v != "" && len(v) <= 200 {
			meta[k] = v
		}
	}
	return handler.HTTPResponse{}, handler.FileInfoChanges{MetaData: meta}, nil
}

// open counts the uploads that are not finished, and drops those that nobody goes on
// with.
func (u *uploads) open() (n int, err error) {
	list, err := filepath.Glob(filepath.Join(u.dir, "*.info"))
	if err != nil {
		return 0, err
	}
	for _, info := range list {
		data := info[:len(info)-len(".info")]
		st, err := os.Stat(data)
		if err != nil || time.Since(st.ModTime()) > staleness {
			os.Remove(data)
			os.Remove(info)
			continue
		}
		n++
	}
	return n, nil
}

// finished is called when the last byte of an upload is there, before it is
// acknowledged: what the sender is told of has become part of the job, on the disk.
func (u *uploads) finished(h handler.HookEvent) (handler.HTTPResponse, error) {
	path := filepath.Join(u.dir, h.Upload.ID)
	defer func() {
		os.Remove(path)
		os.Remove(path + ".info")
	}()
	sum, err := onDisk(path)
	if err != nil {
		u.log("upload: %v", err)
		return handler.HTTPResponse{}, refuse(http.StatusInternalServerError, "the file could not be kept: is the disk full?")
	}
	if want := h.Upload.MetaData["sha256"]; want != "" && want != sum {
		u.log("upload: a file arrived damaged")
		return handler.HTTPResponse{}, refuse(460, "the file arrived damaged: send it again") // as tus' checksum extension has it
	}
	taken, err := u.take(context.WithoutCancel(h.Context), Upload{Path: path, Kind: h.Upload.MetaData["kind"], Station: h.Upload.MetaData["station"], SHA256: sum, Size: h.Upload.Size})
	if err != nil {
		u.log("upload: %v", err)
		return handler.HTTPResponse{}, refuse(http.StatusInternalServerError, "the file could not be taken into the job: %v", err)
	}
	if taken.Refused != "" {
		u.log("upload not taken: %s", taken.Refused)
	}
	text, err := json.Marshal(taken)
	if err != nil {
		return handler.HTTPResponse{}, err
	}
	return handler.HTTPResponse{StatusCode: http.StatusOK, Body: string(text), Header: handler.HTTPHeader{"Content-Type": "application/json"}}, nil
}

// onDisk makes sure of a file, and sums it.
func onDisk(path string) (sum string, err error) {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return "", err
	}
	h := sha256.New()
	_, err = io.Copy(h, f)
	return hex.EncodeToString(h.Sum(nil)), errors.Join(err, f.Sync(), f.Close())
}

func cut(s string, n int) string {
	if len(s) > n {
		return s[:n]
	}
	return s
}

// quiet is a log for tusd: what matters is told by us.
func quiet() *slog.Logger { return slog.New(slog.NewTextHandler(io.Discard, nil)) }
