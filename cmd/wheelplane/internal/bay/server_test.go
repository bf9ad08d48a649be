package bay

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// shelf is an engine that keeps what it is given.
type shelf struct {
	dir string

	mu       sync.Mutex
	kept     map[string]string // what was taken, by sum
	acts     []Action
	measured int
	fail     error
}

func (s *shelf) View() (*View, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	v := &View{Job: "job <script>alert(1)</script>", Vehicle: "a truck", Stations: []Station{{Name: "s1", Now: true}}}
	for sum := range s.kept {
		v.Stations[0].Photos = append(v.Stations[0].Photos, Photo{ID: sum[:16], Name: sum[:4], Verdict: "good", Good: true})
	}
	v.Station = &v.Stations[0]
	return v, nil
}

func (s *shelf) Act(a Action) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if a.Do == "refuse" {
		return errors.New("this cannot be done: do that")
	}
	s.acts = append(s.acts, a)
	return nil
}

func (s *shelf) Undo() (string, error) { return "a step", nil }

func (s *shelf) Take(_ context.Context, f Upload) (*Taken, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.fail != nil {
		return nil, s.fail
	}
	if _, there := s.kept[f.SHA256]; there {
		return &Taken{Before: true}, nil
	}
	text, err := os.ReadFile(f.Path)
	if err != nil {
		return nil, err
	}
	if bytes.HasPrefix(text, []byte("cat")) {
		return &Taken{Refused: "no board in it"}, nil
	}
	s.kept[f.SHA256] = f.Station
	return &Taken{Photo: &Photo{ID: f.SHA256[:16]}}, nil
}

func (s *shelf) Due() bool { return false }
func (s *shelf) Measure(context.Context) error {
	s.measured++
	return nil
}
func (s *shelf) Picture(id string, small bool) (string, bool) { return "", false }
func (s *shelf) Record(string) (string, bool)                 { return "", false }

// bayAt opens a bay page on a folder.
func bayAt(t *testing.T, dir string) (*shelf, *Server, *httptest.Server) {
	t.Helper()
	e := &shelf{dir: dir, kept: map[string]string{}}
	s, err := New(e, Options{Dir: dir, Hosts: []string{"127.0.0.1"}, Log: t.Logf})
	if err != nil {
		t.Fatal(err)
	}
	web := httptest.NewServer(s.Handler())
	t.Cleanup(web.Close)
	return e, s, web
}

// browser is let in with a code.
func browser(t *testing.T, s *Server, web *httptest.Server) *http.Client {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	c := &http.Client{Jar: jar}
	r, err := c.PostForm(web.URL+"/enter", url.Values{"code": {s.Code()}, "to": {"/phone"}})
	if err != nil {
		t.Fatal(err)
	}
	r.Body.Close()
	if r.StatusCode != 200 || r.Request.URL.Path != "/phone" {
		t.Fatalf("not let in: %s at %s", r.Status, r.Request.URL)
	}
	return c
}

func status(t *testing.T, c *http.Client, r *http.Request) (int, string) {
	t.Helper()
	a, err := c.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Body.Close()
	text, err := io.ReadAll(a.Body)
	if err != nil {
		t.Fatal(err)
	}
	return a.StatusCode, string(text)
}

func ask(t *testing.T, method, address, body string, header ...string) *http.Request {
	t.Helper()
	r, err := http.NewRequest(method, address, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i+1 < len(header); i += 2 {
		if header[i] == "Host" {
			r.Host = header[i+1]
		}
		r.Header.Set(header[i], header[i+1])
	}
	return r
}

// Nobody without a session sees or changes anything, whatever the address.
func TestOutside(t *testing.T) {
	e, _, web := bayAt(t, t.TempDir())
	c := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	for _, p := range []string{"/", "/phone", "/part/bay", "/events", "/state.json", "/code", "/photo/0123456789abcdef", "/record.pdf", "/record.html", "/up/0123456789abcdef0123456789abcdef", "/nothing"} {
		for _, cookie := range []string{"", "bay=", "bay=forged", "bay=" + strings.Repeat("A", 26)} {
			if code, text := status(t, c, ask(t, "GET", web.URL+p, "", "Cookie", cookie)); code != 401 || strings.Contains(text, "a truck") {
				t.Errorf("GET %s with %q: %d", p, cookie, code)
			}
		}
	}
	for _, r := range []*http.Request{
		ask(t, "POST", web.URL+"/do", "do=tell", "Content-Type", "application/x-www-form-urlencoded"),
		ask(t, "POST", web.URL+"/up/", "", "Tus-Resumable", "1.0.0", "Upload-Length", "5", "Upload-Metadata", "kind cGhvdG8="),
		ask(t, "PATCH", web.URL+"/up/0123456789abcdef0123456789abcdef", "x", "Tus-Resumable", "1.0.0", "Upload-Offset", "0"),
	} {
		if code, _ := status(t, c, r); code != 401 {
			t.Errorf("%s %s: %d", r.Method, r.URL, code)
		}
	}
	if len(e.acts) > 0 || len(e.kept) > 0 {
		t.Error("something was done")
	}
}

// A code lets one browser in, once, for ten minutes; who tries many is stopped.
func TestCodes(t *testing.T) {
	now := time.Date(2026, 11, 27, 9, 0, 0, 0, time.UTC)
	path := filepath.Join(t.TempDir(), "sessions.json")
	g := newGate(path, func() time.Time { return now })
	code := g.newCode()
	if len(code) != 8 || strings.ContainsAny(code, "01IO") {
		t.Errorf("code %q", code)
	}
	session, err := g.enter(" " + strings.ToLower(code[:4]) + "-" + code[4:])
	if err != nil {
		t.Fatalf("as people type it: %v", err)
	}
	if _, err := g.enter(code); !errors.Is(err, errCode) {
		t.Errorf("used twice: %v", err)
	}
	late := g.newCode()
	now = now.Add(codeLife + time.Second)
	if _, err := g.enter(late); !errors.Is(err, errCode) {
		t.Errorf("too old: %v", err)
	}
	good := g.newCode()
	for range mostWrong {
		g.enter("WRONGONE")
	}
	if _, err := g.enter(good); !errors.Is(err, errWait) {
		t.Errorf("after many wrong ones: %v", err)
	}
	now = now.Add(time.Minute + time.Second)
	if _, err := g.enter(good); err != nil {
		t.Errorf("a minute later: %v", err)
	}

	// Sessions outlive the program, not their time, and are written as hashes for the
	// owner alone.
	r := httptest.NewRequest("GET", "/", nil)
	r.AddCookie(&http.Cookie{Name: cookieName, Value: session})
	if g = newGate(path, func() time.Time { return now }); !g.inside(r) {
		t.Error("not inside after the program was started again")
	}
	text, err := os.ReadFile(path)
	if err != nil || strings.Contains(string(text), session) {
		t.Errorf("the session itself is written down: %v", err)
	}
	if st, err := os.Stat(path); err != nil || st.Mode().Perm() != 0o600 {
		t.Errorf("sessions may be read by others: %v", st.Mode())
	}
	now = now.Add(sessionLife)
	if g.inside(r) {
		t.Error("inside for ever")
	}
	if err := os.WriteFile(path, []byte("{damaged"), 0o600); err != nil {
		t.Fatal(err)
	}
	if newGate(path, func() time.Time { return now }).inside(r) {
		t.Error("a damaged file lets in")
	}
}

// Other names, other sites' pages and paths that lead elsewhere get nowhere; every
// answer says what a browser may do with it; no name is written as HTML.
func TestHostileRequests(t *testing.T) {
	e, s, web := bayAt(t, t.TempDir())
	c := browser(t, s, web)
	form := []string{"Content-Type", "application/x-www-form-urlencoded"}
	for _, x := range []struct {
		r    *http.Request
		want int
	}{
		{ask(t, "GET", web.URL+"/", "", "Host", "rebound.example"), 421},
		{ask(t, "POST", web.URL+"/do", "do=tell", append(form, "Origin", "http://elsewhere.example")...), 403},
		{ask(t, "POST", web.URL+"/do", "do=tell", append(form, "Sec-Fetch-Site", "cross-site")...), 403},
		{ask(t, "POST", web.URL+"/up/", "", "Tus-Resumable", "1.0.0", "Upload-Length", "5", "Upload-Metadata", "kind cGhvdG8=", "Origin", "http://elsewhere.example"), 403},
		{ask(t, "GET", web.URL+"/static/..%2fen.json", ""), 404},
		{ask(t, "GET", web.URL+"/static/%2e%2e", ""), 404},
		{ask(t, "GET", web.URL+"/photo/..%2f..%2fjob.yaml", ""), 404},
		{ask(t, "HEAD", web.URL+"/up/..%2fsessions.json", "", "Tus-Resumable", "1.0.0"), 404},
		{ask(t, "HEAD", web.URL+"/up/0123456789abcdef0123456789abcdef", "", "Tus-Resumable", "1.0.0"), 404},
		{ask(t, "GET", web.URL+"/part/door", ""), 404},
		{ask(t, "POST", web.URL+"/do", "do="+strings.Repeat("x", 2<<20), form...), 400},
		{ask(t, "POST", web.URL+"/do", "do=refuse", append(form, "X-Part", "1")...), 422},
	} {
		a, err := c.Do(x.r)
		if err != nil {
			t.Fatal(err)
		}
		a.Body.Close()
		if a.StatusCode != x.want {
			t.Errorf("%s %s %v: %d, want %d", x.r.Method, x.r.URL, x.r.Header, a.StatusCode, x.want)
		}
		if h := a.Header; !strings.Contains(h.Get("Content-Security-Policy"), "default-src 'none'") || h.Get("X-Content-Type-Options") != "nosniff" {
			t.Errorf("%s: headers %v", x.r.URL, h)
		}
	}
	if len(e.acts) > 0 {
		t.Errorf("done: %v", e.acts)
	}
	for _, p := range []string{"/", "/phone", "/part/bay", "/part/phone"} {
		if code, text := status(t, c, ask(t, "GET", web.URL+p, "")); code != 200 || strings.Contains(text, "<script>alert") || !strings.Contains(text, "&lt;script&gt;") {
			t.Errorf("%s: %d, a name is written as it is", p, code)
		}
	}
	// Without a script the error comes back in the page.
	if code, text := status(t, c, ask(t, "POST", web.URL+"/do", "do=refuse", form...)); code != 200 || !strings.Contains(text, "this cannot be done: do that") {
		t.Errorf("%d: the error is not told", code)
	}
}

// meta and send are an upload as tus has it.
func meta(kv ...string) string {
	var out []string
	for i := 0; i+1 < len(kv); i += 2 {
		out = append(out, kv[i]+" "+base64.StdEncoding.EncodeToString([]byte(kv[i+1])))
	}
	return strings.Join(out, ",")
}

func begin(t *testing.T, c *http.Client, web string, size int64, kv ...string) (code int, text, at string) {
	t.Helper()
	a, err := c.Do(ask(t, "POST", web+"/up/", "", "Tus-Resumable", "1.0.0", "Upload-Length", fmt.Sprint(size), "Upload-Metadata", meta(kv...)))
	if err != nil {
		t.Fatal(err)
	}
	defer a.Body.Close()
	b, _ := io.ReadAll(a.Body)
	return a.StatusCode, string(b), a.Header.Get("Location")
}

// send sends a file in pieces and returns what the last was answered.
func send(t *testing.T, c *http.Client, web string, data []byte, pieces int, kv ...string) (int, string) {
	t.Helper()
	code, text, at := begin(t, c, web, int64(len(data)), kv...)
	if code != 201 {
		return code, text
	}
	for i := range pieces {
		from, to := i*len(data)/pieces, (i+1)*len(data)/pieces
		code, text = status(t, c, ask(t, "PATCH", at, string(data[from:to]), "Tus-Resumable", "1.0.0", "Upload-Offset", fmt.Sprint(from), "Content-Type", "application/offset+octet-stream"))
		if code >= 300 {
			break
		}
	}
	return code, text
}

// What is too large, of no kind, empty, damaged or not wanted is refused in a line,
// and leaves nothing behind.
func TestUploadsRefused(t *testing.T) {
	dir := t.TempDir()
	e, s, web := bayAt(t, dir)
	c := browser(t, s, web)
	for _, x := range []struct {
		size int64
		kv   []string
		want int
		say  string
	}{
		{200 << 20, []string{"kind", "photo"}, 413, "at most 100 MB"},
		{5 << 30, []string{"kind", "film"}, 413, ""},
		{2 << 20, []string{"kind", "camera"}, 413, "at most 1 MB"},
		{10, []string{"kind", "../../x"}, 400, "a photo, a film or a camera file"},
		{10, nil, 400, ""},
		{0, []string{"kind", "photo"}, 400, "empty"},
	} {
		if code, text, _ := begin(t, c, web.URL, x.size, x.kv...); code != x.want || !strings.Contains(text, x.say) {
			t.Errorf("%d bytes of %v: %d %s", x.size, x.kv, code, text)
		}
	}
	// One that lies about its size does not get more in than it told of.
	code, _, at := begin(t, c, web.URL, 4, "kind", "photo")
	if code != 201 {
		t.Fatal(code)
	}
	if code, _ := status(t, c, ask(t, "PATCH", at, "123456789", "Tus-Resumable", "1.0.0", "Upload-Offset", "0", "Content-Type", "application/offset+octet-stream")); code != 413 {
		t.Errorf("more than it told of: %d", code)
	}

	if code, text := send(t, c, web.URL, []byte("a photograph"), 1, "kind", "photo", "sha256", strings.Repeat("0", 64)); code != 460 || !strings.Contains(text, "damaged") {
		t.Errorf("a damaged one: %d %s", code, text)
	}
	if code, text := send(t, c, web.URL, []byte("cat"), 1, "kind", "photo"); code != 200 || !strings.Contains(text, "no board in it") {
		t.Errorf("a cat: %d %s", code, text)
	}
	e.fail = errors.New("no space left on device")
	if code, text := send(t, c, web.URL, []byte("another"), 1, "kind", "photo"); code != 500 || !strings.Contains(text, "no space left") {
		t.Errorf("a full disk: %d %s", code, text)
	}
	e.fail = nil
	if len(e.kept) > 0 {
		t.Errorf("kept %v", e.kept)
	}
	if left, _ := os.ReadDir(filepath.Join(dir, "incoming")); len(left) != 2 { // of the one that lied
		t.Errorf("left behind: %v", left)
	}
	if code, _ := send(t, c, web.URL, []byte("good"), 1, "kind", "photo"); code != 200 || len(e.kept) != 1 {
		t.Errorf("the next good one: %d", code)
	}
	// Uploads that nobody ends do not pile up for ever, and stale ones go.
	for range mostOpen {
		begin(t, c, web.URL, 10, "kind", "photo")
	}
	if code, text, _ := begin(t, c, web.URL, 10, "kind", "photo"); code != 429 {
		t.Errorf("one too many: %d %s", code, text)
	}
	old := time.Now().Add(-staleness - time.Hour)
	left, _ := filepath.Glob(filepath.Join(dir, "incoming", "*"))
	for _, p := range left {
		if err := os.Chtimes(p, old, old); err != nil {
			t.Fatal(err)
		}
	}
	if code, text, _ := begin(t, c, web.URL, 10, "kind", "photo"); code != 201 {
		t.Errorf("after a day: %d %s", code, text)
	}
}

// An upload goes on where it stopped, after a lost connection and after the server was
// started again, with the session of before.
func TestUploadResumed(t *testing.T) {
	dir := t.TempDir()
	_, s, web := bayAt(t, dir)
	c := browser(t, s, web)
	data := bytes.Repeat([]byte("photograph "), 1000)
	code, _, at := begin(t, c, web.URL, int64(len(data)), "kind", "photo", "station", "s1")
	if code != 201 {
		t.Fatal(code)
	}
	status(t, c, ask(t, "PATCH", at, string(data[:5000]), "Tus-Resumable", "1.0.0", "Upload-Offset", "0", "Content-Type", "application/offset+octet-stream"))
	web.Close()

	e, _, web2 := bayAt(t, dir)
	old, _ := url.Parse(web.URL)
	now, _ := url.Parse(web2.URL)
	c.Jar.SetCookies(now, c.Jar.Cookies(old))
	at = strings.Replace(at, old.Host, now.Host, 1)
	a, err := c.Do(ask(t, "HEAD", at, "", "Tus-Resumable", "1.0.0"))
	if err != nil {
		t.Fatal(err)
	}
	a.Body.Close()
	if a.Header.Get("Upload-Offset") != "5000" {
		t.Fatalf("goes on at %q: %s", a.Header.Get("Upload-Offset"), a.Status)
	}
	code, text := status(t, c, ask(t, "PATCH", at, string(data[5000:]), "Tus-Resumable", "1.0.0", "Upload-Offset", "5000", "Content-Type", "application/offset+octet-stream"))
	if code != 200 || e.kept[fmt.Sprintf("%x", sha256.Sum256(data))] != "s1" {
		t.Errorf("%d %s %v", code, text, e.kept)
	}
	// Sent once more: it was there.
	if code, text := send(t, c, web2.URL, data, 2, "kind", "photo"); code != 200 || !strings.Contains(text, `"before":true`) || len(e.kept) != 1 {
		t.Errorf("%d %s", code, text)
	}
}

// Ten phones at once, each with photographs of its own and one that all have: each is
// taken once, and every page shows the same.
func TestTenPhones(t *testing.T) {
	e, s, web := bayAt(t, t.TempDir())
	var phones []*http.Client
	for range 10 {
		phones = append(phones, browser(t, s, web))
	}
	var wait sync.WaitGroup
	for i, c := range phones {
		wait.Go(func() {
			for k := range 4 {
				text := fmt.Sprintf("photograph %d of phone %d %s", k, i, strings.Repeat("x", 20000))
				if k == 3 {
					text = "the same " + strings.Repeat("y", 20000)
				}
				if code, answer := send(t, c, web.URL, []byte(text), 3, "kind", "photo"); code != 200 {
					t.Errorf("phone %d: %d %s", i, code, answer)
				}
				status(t, c, ask(t, "POST", web.URL+"/do", "do=tell&what=x", "Content-Type", "application/x-www-form-urlencoded", "X-Part", "1"))
			}
		})
	}
	wait.Wait()
	if len(e.kept) != 31 || len(e.acts) != 40 {
		t.Errorf("%d photographs and %d presses, want 31 and 40", len(e.kept), len(e.acts))
	}
	var seen []string
	for _, c := range phones {
		_, text := status(t, c, ask(t, "GET", web.URL+"/state.json", ""))
		var v View
		if err := json.Unmarshal([]byte(text), &v); err != nil {
			t.Fatal(err)
		}
		seen = append(seen, fmt.Sprint(v.Version, len(v.Stations[0].Photos)))
	}
	if len(slices.Compact(seen)) != 1 {
		t.Errorf("pages differ: %v", seen)
	}
}

// Pages hear of what is new, and of the camera; who leaves is forgotten.
func TestNews(t *testing.T) {
	_, s, web := bayAt(t, t.TempDir())
	c := browser(t, s, web)
	before := runtime.NumGoroutine()
	ctx, leave := context.WithCancel(t.Context())
	var lines []chan string
	for range 20 {
		r := ask(t, "GET", web.URL+"/events", "").WithContext(ctx)
		a, err := c.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		got := make(chan string, 100)
		lines = append(lines, got)
		go func() {
			defer a.Body.Close()
			in := bufio.NewScanner(a.Body)
			for in.Scan() {
				select {
				case got <- in.Text():
				default:
				}
			}
		}()
	}
	wait := func(got chan string, what string) {
		t.Helper()
		for end := time.After(20 * time.Second); ; {
			select {
			case l := <-got:
				if strings.Contains(l, what) {
					return
				}
			case <-end:
				t.Fatalf("never heard %q", what)
			}
		}
	}
	for _, got := range lines {
		wait(got, "event: view")
	}
	if err := s.do(Action{Do: "tell"}); err != nil {
		t.Fatal(err)
	}
	s.mu.Lock()
	s.live = &Live{State: "settled", Say: "nothing moves", Axle: 1}
	s.mu.Unlock()
	s.news()
	for _, got := range lines {
		wait(got, "nothing moves")
	}
	leave()
	c.CloseIdleConnections()
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		s.mu.Lock()
		n := len(s.watching)
		s.mu.Unlock()
		if n == 0 && runtime.NumGoroutine() < before+10 {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("%d still listen, %d goroutines more", n, runtime.NumGoroutine()-before)
		}
	}
}
