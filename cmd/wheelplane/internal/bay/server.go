package bay

import (
	"bytes"
	"context"
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"io"
	"io/fs"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"
)

//go:embed page
var pageFiles embed.FS

// Options are a server's; Dir and Hosts are needed.
type Options struct {
	Dir   string                           // for the server's own files: sessions, uploads that are not finished
	Hosts []string                         // names and addresses the server may be called by, without the port
	Log   func(format string, args ...any) // of trouble, a line each
	Live  Source                           // nil: no camera watches
}

// Source is a watching camera.
type Source interface {
	// Watch calls tell with what the camera tells, until ctx ends.
	Watch(ctx context.Context, tell func(*Live))
}

// Server is the bay page of one job.
type Server struct {
	engine Engine
	o      Options
	gate   *gate
	up     *uploads
	pages  *template.Template

	act sync.Mutex // one change at a time

	mu       sync.Mutex
	view     *View
	live     *Live
	busy     string
	trouble  error
	version  uint64
	watching map[chan struct{}]bool
	measure  chan struct{} // wakes who measures
}

// New makes the server of a job.
func New(engine Engine, o Options) (*Server, error) {
	if o.Log == nil {
		o.Log = func(string, ...any) {}
	}
	s := &Server{engine: engine, o: o, watching: map[chan struct{}]bool{}, measure: make(chan struct{}, 1)}
	if left, err := filepath.Glob(filepath.Join(o.Dir, ".new-*")); err == nil {
		for _, f := range left { // of a server that was killed
			os.Remove(f)
		}
	}
	s.gate = newGate(filepath.Join(o.Dir, "sessions.json"), time.Now)
	var err error
	if s.up, err = newUploads(filepath.Join(o.Dir, "incoming"), s.take, o.Log); err != nil {
		return nil, err
	}
	if s.pages, err = pages(); err != nil {
		return nil, err
	}
	return s, s.look()
}

// Code makes a code that lets one browser in.
func (s *Server) Code() string { return s.gate.newCode() }

// Run measures when there is something new, and watches, until ctx ends.
func (s *Server) Run(ctx context.Context) {
	var wait sync.WaitGroup
	if s.o.Live != nil {
		wait.Go(func() {
			s.o.Live.Watch(ctx, func(l *Live) {
				s.mu.Lock()
				s.live = l
				s.mu.Unlock()
				s.news()
			})
		})
	}
	wait.Go(func() { s.measuring(ctx) })
	s.wake()
	wait.Wait()
}

func (s *Server) wake() {
	select {
	case s.measure <- struct{}{}:
	default:
	}
}

// measuring works out readings whenever the job has changed. What comes meanwhile
// ends a measurement that is then out of date.
func (s *Server) measuring(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-s.measure:
		}
		for again := true; again && ctx.Err() == nil; {
			again = false
			s.act.Lock()
			due := s.engine.Due()
			s.act.Unlock()
			if !due {
				break
			}
			one, stop := context.WithCancel(ctx)
			done := make(chan error, 1)
			s.say("measuring", nil)
			go func() { done <- s.engine.Measure(one) }()
			var err error
			select {
			case err = <-done:
			case <-s.measure:
				stop()
				<-done
				again = true
			}
			stop()
			if again {
				continue
			}
			if ctx.Err() != nil {
				err = nil
			}
			if lacks := (NotYet{}); err != nil && !errors.As(err, &lacks) {
				s.o.Log("measuring: %v", err)
			}
			s.say("", err)
			s.relook()
		}
		s.say("", s.troubleNow())
	}
}

func (s *Server) troubleNow() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.trouble
}

func (s *Server) say(busy string, trouble error) {
	s.mu.Lock()
	same := s.busy == busy && (busy != "" || s.trouble == trouble)
	s.busy = busy
	if busy == "" {
		s.trouble = trouble
	}
	s.mu.Unlock()
	if !same {
		s.changed()
	}
}

// look reads the job anew.
func (s *Server) look() error {
	v, err := s.engine.View()
	if err != nil {
		return err
	}
	s.mu.Lock()
	s.view = v
	s.mu.Unlock()
	s.changed()
	return nil
}

// relook is look where nobody waits for an error.
func (s *Server) relook() {
	if err := s.look(); err != nil {
		s.o.Log("%v", err)
		s.say("", err)
	}
}

// changed tells every page that there is something new.
func (s *Server) changed() {
	s.mu.Lock()
	s.version++
	s.mu.Unlock()
	s.news()
}

func (s *Server) news() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for c := range s.watching {
		select {
		case c <- struct{}{}:
		default: // it has not looked yet, and will see the newest
		}
	}
}

// View is what pages show now.
func (s *Server) View() *View {
	s.mu.Lock()
	defer s.mu.Unlock()
	v := *s.view
	v.Version, v.Busy, v.Live = s.version, s.busy, s.live
	if lacks := (NotYet{}); errors.As(s.trouble, &lacks) {
		v.NotYet = lacks.Error()
	} else if s.trouble != nil {
		v.Trouble = s.trouble.Error()
	}
	return &v
}

// take takes a file that has arrived.
func (s *Server) take(ctx context.Context, file Upload) (*Taken, error) {
	s.act.Lock()
	taken, err := s.engine.Take(ctx, file)
	s.act.Unlock()
	if err == nil && taken.Refused == "" && !taken.Before {
		s.relook()
		s.wake()
	}
	return taken, err
}

// do does what a button asks for.
func (s *Server) do(a Action) (err error) {
	s.act.Lock()
	if a.Do == "undo" {
		_, err = s.engine.Undo()
	} else {
		err = s.engine.Act(a)
	}
	s.act.Unlock()
	if err == nil {
		s.relook()
		s.wake()
	}
	return err
}

// Handler answers requests.
func (s *Server) Handler() http.Handler {
	open := http.NewServeMux() // for everybody
	open.HandleFunc("GET /static/{name}", s.static)
	open.HandleFunc("GET /enter", s.enterPage)
	open.HandleFunc("POST /enter", s.enter)

	in := http.NewServeMux() // for those who brought a code
	in.HandleFunc("GET /{$}", s.page("bay"))
	in.HandleFunc("GET /phone", s.page("phone"))
	in.HandleFunc("GET /part/{name}", s.part)
	in.HandleFunc("GET /events", s.events)
	in.HandleFunc("GET /state.json", s.state)
	in.HandleFunc("POST /do", s.post)
	in.HandleFunc("GET /photo/{id}", s.photo)
	in.HandleFunc("GET /record.pdf", s.record("pdf"))
	in.HandleFunc("GET /record.html", s.record("html"))
	in.HandleFunc("GET /code", s.codePage)
	in.Handle(upPath, s.up)

	return s.guarded(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if _, pattern := open.Handler(r); pattern != "" {
			open.ServeHTTP(w, r)
			return
		}
		if !s.gate.inside(r) {
			s.outside(w, r)
			return
		}
		in.ServeHTTP(w, r)
	}))
}

// guarded keeps off what no page of ours sends: other names for this server (DNS
// rebinding), writes from other sites' pages, other sites' frames and scripts.
func (s *Server) guarded(next http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'; manifest-src 'self'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		host := r.Host
		if name, _, err := net.SplitHostPort(host); err == nil {
			host = name
		}
		if !s.known(strings.Trim(host, "[]")) {
			s.o.Log("refused a request for %q from %s: not a name of this server", cut(r.Host, 80), r.RemoteAddr)
			http.Error(w, "this server does not go by that name: use the address it prints", http.StatusMisdirectedRequest)
			return
		}
		if err := cross.Check(r); err != nil {
			s.o.Log("refused a %s from another site's page (%q) from %s", r.Method, cut(r.Header.Get("Origin"), 80), r.RemoteAddr)
			http.Error(w, "another site's page may not change this job", http.StatusForbidden)
			return
		}
		if !strings.HasPrefix(r.URL.Path, upPath) {
			r.Body = http.MaxBytesReader(w, r.Body, 1<<20)
		}
		next.ServeHTTP(w, r)
	})
}

func (s *Server) known(host string) bool {
	for _, h := range s.o.Hosts {
		if strings.EqualFold(h, host) {
			return true
		}
	}
	return false
}

// outside answers who has not brought a code.
func (s *Server) outside(w http.ResponseWriter, r *http.Request) {
	if r.Method == http.MethodGet && strings.Contains(r.Header.Get("Accept"), "text/html") {
		s.render(w, http.StatusUnauthorized, "enter", door{To: to(r.URL.Path)})
		return
	}
	http.Error(w, "not let in: open the address with a code that the bay's page or the program shows", http.StatusUnauthorized)
}

// door is what the page before the door shows.
type door struct{ Code, To, Error string }

// to is where to go once inside: a page of ours.
func to(path string) string {
	if path == "/phone" {
		return path
	}
	return "/"
}

// enterPage asks for a code, or to use the one in the address: reading an address must
// not use it up, for phones look ahead.
func (s *Server) enterPage(w http.ResponseWriter, r *http.Request) {
	s.render(w, http.StatusOK, "enter", door{Code: cut(r.FormValue("code"), 40), To: to(r.FormValue("to"))})
}

func (s *Server) enter(w http.ResponseWriter, r *http.Request) {
	where := to(r.FormValue("to"))
	session, err := s.gate.enter(cut(r.FormValue("code"), 40))
	if err != nil {
		status := http.StatusForbidden
		switch {
		case s.gate.inside(r): // who is inside already may go on
			http.Redirect(w, r, where, http.StatusSeeOther)
			return
		case errors.Is(err, errWait):
			status = http.StatusTooManyRequests
		case !errors.Is(err, errCode):
			s.o.Log("%v", err)
			status = http.StatusInternalServerError
		}
		s.o.Log("a code was refused from %s", r.RemoteAddr)
		s.render(w, status, "enter", door{To: where, Error: err.Error()})
		return
	}
	http.SetCookie(w, &http.Cookie{Name: cookieName, Value: session, Path: "/", HttpOnly: true, Secure: r.TLS != nil,
		SameSite: http.SameSiteStrictMode, MaxAge: int(sessionLife / time.Second)})
	http.Redirect(w, r, where, http.StatusSeeOther)
}

// content is what a template gets.
type content struct {
	*View
	Page string
	Flip bool
	Told string // what came of the last press, where the page has no script
}

func (s *Server) page(name string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		s.render(w, http.StatusOK, name, content{View: s.View(), Page: name, Told: cut(r.FormValue("told"), 400)})
	}
}

// part is the changing part of a page.
func (s *Server) part(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	if name != "bay" && name != "phone" {
		s.notFound(w, r)
		return
	}
	s.render(w, http.StatusOK, name+"-part", content{View: s.View(), Page: name})
}

func (s *Server) render(w http.ResponseWriter, status int, name string, data any) {
	var b bytes.Buffer
	if err := s.pages.ExecuteTemplate(&b, name, data); err != nil {
		s.o.Log("page %s: %v", name, err)
		http.Error(w, "this page cannot be shown: see the program's log", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = b.WriteTo(w)
}

func (s *Server) state(w http.ResponseWriter, r *http.Request) {
	text, err := json.MarshalIndent(s.View(), "", "  ")
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	_, _ = w.Write(text)
}

// post does what a button asks for. A page with a script gets the error as text; one
// without goes back to where it was.
func (s *Server) post(w http.ResponseWriter, r *http.Request) {
	err := r.ParseForm()
	if strings.HasPrefix(r.Header.Get("Content-Type"), "multipart/form-data") {
		err = r.ParseMultipartForm(1 << 20)
	}
	if err != nil {
		http.Error(w, "the form cannot be read: go back and press again", http.StatusBadRequest)
		return
	}
	a := Action{Do: r.PostForm.Get("do"), With: map[string]string{}}
	for k, v := range r.PostForm {
		if k != "do" && k != "from" && len(v) > 0 {
			a.With[k] = v[0]
		}
	}
	if r.MultipartForm != nil {
		for _, f := range r.MultipartForm.File["file"] {
			if in, err := f.Open(); err == nil { // of at most a megabyte, as all of the body
				text, _ := io.ReadAll(in)
				in.Close()
				a.With["file"] = string(text)
			}
		}
	}
	err = s.do(a)
	if err != nil {
		s.o.Log("%s: %v", cut(a.Do, 20), err)
	}
	if r.Header.Get("X-Part") != "" { // our own script
		if err != nil {
			http.Error(w, err.Error(), http.StatusUnprocessableEntity)
			return
		}
		w.WriteHeader(http.StatusNoContent)
		return
	}
	where := to(r.PostForm.Get("from"))
	if err != nil {
		where += "?told=" + url.QueryEscape(err.Error())
	}
	http.Redirect(w, r, where, http.StatusSeeOther)
}

func (s *Server) photo(w http.ResponseWriter, r *http.Request) {
	path, ok := s.engine.Picture(r.PathValue("id"), r.FormValue("small") != "")
	if !ok {
		s.notFound(w, r)
		return
	}
	w.Header().Set("Content-Type", "image/jpeg")
	http.ServeFile(w, r, path)
}

func (s *Server) record(kind string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		path, ok := s.engine.Record(kind)
		if !ok {
			s.notFound(w, r)
			return
		}
		if kind == "html" { // its styles are in it, and it has no scripts
			w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:; frame-ancestors 'none'")
		}
		http.ServeFile(w, r, path)
	}
}

func (s *Server) codePage(w http.ResponseWriter, r *http.Request) {
	s.render(w, http.StatusOK, "code", s.invitation(r))
}

// Invitation is how the next phone gets in.
type Invitation struct {
	Address string
	Code    string
	QR      [][]bool
	Here    bool // the address is this machine's own: no phone gets there
}

func (s *Server) invitation(r *http.Request) Invitation {
	code := s.Code()
	host := r.Host
	if name, port, err := net.SplitHostPort(host); err == nil && isLocal(name) {
		for _, h := range s.o.Hosts {
			if ip := net.ParseIP(h); ip != nil && !ip.IsLoopback() && ip.To4() != nil {
				host = net.JoinHostPort(h, port)
				break
			}
		}
	}
	name, _, _ := net.SplitHostPort(host)
	scheme := "http"
	if r.TLS != nil {
		scheme = "https"
	}
	address := Address(scheme, host, code, "/phone")
	return Invitation{Address: scheme + "://" + host, Code: code, QR: qrOf(address), Here: isLocal(name)}
}

func isLocal(name string) bool {
	ip := net.ParseIP(name)
	return name == "localhost" || ip != nil && ip.IsLoopback()
}

// Address is where a browser gets in with a code.
func Address(scheme, host, code, page string) string {
	return fmt.Sprintf("%s://%s/enter?%s", scheme, host, url.Values{"code": {code}, "to": {page}}.Encode())
}

func (s *Server) notFound(w http.ResponseWriter, r *http.Request) {
	http.Error(w, "there is no such page", http.StatusNotFound)
}

func (s *Server) static(w http.ResponseWriter, r *http.Request) {
	name := "page/static/" + r.PathValue("name")
	if _, err := fs.Stat(pageFiles, name); err != nil {
		s.notFound(w, r)
		return
	}
	w.Header().Set("Cache-Control", "no-cache")
	http.ServeFileFS(w, r, pageFiles, name)
}

// events tells a page that there is something new, as server-sent events
// (https://html.spec.whatwg.org/multipage/server-sent-events.html).
func (s *Server) events(w http.ResponseWriter, r *http.Request) {
	news := make(chan struct{}, 1)
	s.mu.Lock()
	s.watching[news] = true
	s.mu.Unlock()
	defer func() {
		s.mu.Lock()
		delete(s.watching, news)
		s.mu.Unlock()
	}()
	w.Header().Set("Content-Type", "text/event-stream")
	out := http.NewResponseController(w)
	beat := time.NewTicker(15 * time.Second)
	defer beat.Stop()
	var told uint64
	var live *Live
	for {
		v := s.View()
		text := ""
		if v.Version != told {
			told = v.Version
			text += fmt.Sprintf("event: view\ndata: %d\n\n", told)
		}
		if v.Live != live && v.Live != nil {
			live = v.Live
			if j, err := json.Marshal(live); err == nil {
				text += fmt.Sprintf("event: live\ndata: %s\n\n", j)
			}
		}
		if text == "" {
			text = ": still here\n\n"
		}
		_ = out.SetWriteDeadline(time.Now().Add(20 * time.Second))
		if _, err := w.Write([]byte(text)); err != nil || out.Flush() != nil {
			return
		}
		select {
		case <-r.Context().Done():
			return
		case <-news:
		case <-beat.C:
		}
	}
}
