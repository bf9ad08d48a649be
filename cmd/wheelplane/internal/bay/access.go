package bay

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"
)

const (
	codeLife    = 10 * time.Minute
	sessionLife = 12 * time.Hour
	mostCodes   = 20 // open at once: the oldest goes
	// mostWrong wrong codes a minute are answered; a code has 2^40 values.
	mostWrong  = 10
	cookieName = "bay"
)

// The ways in which a code is no good. They are told to whoever brings it.
var (
	errCode = errors.New("this code is unknown, used or older than ten minutes: take the one that the bay's page shows now")
	errWait = errors.New("too many wrong codes: wait a minute, then take the code that the bay's page shows")
)

// gate lets browsers in: who brings a code, once, gets a session. Sessions are kept
// in a file, as hashes, so that a phone goes on after the server was started again.
type gate struct {
	path string // "" for none
	now  func() time.Time

	mu       sync.Mutex
	codes    []code
	sessions map[string]time.Time // by hash, until when
	wrong    []time.Time
}

type code struct {
	hash  string
	until time.Time
}

func hashed(s string) string {
	h := sha256.Sum256([]byte(s))
	return hex.EncodeToString(h[:])
}

func newGate(path string, now func() time.Time) *gate {
	g := &gate{path: path, now: now, sessions: map[string]time.Time{}}
	if text, err := os.ReadFile(path); path != "" && err == nil {
		// A file that cannot be read means that everybody brings a code again.
		_ = json.Unmarshal(text, &g.sessions)
	}
	for k, until := range g.sessions {
		if now().After(until) {
			delete(g.sessions, k)
		}
	}
	return g
}

// letters of a code: no two that are taken for each other.
const letters = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"

// newCode makes a code of eight letters, 40 bits, good once and for ten minutes.
func (g *gate) newCode() string {
	var b [8]byte
	rand.Read(b[:]) // never fails
	for i, v := range b {
		b[i] = letters[int(v)%len(letters)] // 256 is a multiple of their 32
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	g.codes = append(g.codes, code{hashed(string(b[:])), g.now().Add(codeLife)})
	if len(g.codes) > mostCodes {
		g.codes = g.codes[len(g.codes)-mostCodes:]
	}
	return string(b[:])
}

// enter trades a code for a session.
func (g *gate) enter(text string) (session string, err error) {
	clean := strings.Map(func(r rune) rune {
		if strings.ContainsRune(letters, r) {
			return r
		}
		return -1
	}, strings.ToUpper(text))
	g.mu.Lock()
	defer g.mu.Unlock()
	now := g.now()
	recent := g.wrong[:0]
	for _, t := range g.wrong {
		if now.Sub(t) < time.Minute {
			recent = append(recent, t)
		}
	}
	if g.wrong = recent; len(g.wrong) >= mostWrong {
		return "", errWait
	}
	// Hashes are compared: how long that takes tells nothing of the code.
	h := hashed(clean)
	for i, c := range g.codes {
		if c.hash == h && now.Before(c.until) {
			g.codes = append(g.codes[:i], g.codes[i+1:]...)
			session = rand.Text()
			g.sessions[hashed(session)] = now.Add(sessionLife)
			return session, g.keep()
		}
	}
	g.wrong = append(g.wrong, now)
	return "", errCode
}

// keep writes the sessions, whole or not at all, for their owner alone.
func (g *gate) keep() error {
	if g.path == "" {
		return nil
	}
	text, err := json.Marshal(g.sessions)
	if err != nil {
		return err
	}
	return replace(g.path, text)
}

// inside tells whether a request comes from a browser that was let in.
func (g *gate) inside(r *http.Request) bool {
	c, err := r.Cookie(cookieName)
	if err != nil {
		return false
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	until, ok := g.sessions[hashed(c.Value)]
	return ok && g.now().Before(until)
}

// replace writes a file of our own beside its place and renames it, on the disk
// before it is told.
func replace(path string, text []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".new-*") // 0600
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // where it was not renamed
	_, err = f.Write(text)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	return err
}
