package bay

import (
	"bytes"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// FuzzRequest: no request, from inside or outside, makes the server panic, fail, hang
// or write where it should not; from outside it changes nothing at all.
func FuzzRequest(f *testing.F) {
	for _, s := range [][4]string{
		{"GET", "/", "", ""}, {"GET", "/phone", "", ""}, {"GET", "/part/bay", "", ""}, {"GET", "/state.json", "", ""}, {"GET", "/code", "", ""},
		{"GET", "/photo/0123456789abcdef?small=1", "", ""}, {"GET", "/photo/../../etc/passwd", "", ""}, {"GET", "/record.pdf", "", ""},
		{"GET", "/static/bay.js", "", ""}, {"GET", "/static/..%2f..%2fx", "", ""}, {"GET", "/enter?to=//evil&code=ABC", "", ""},
		{"POST", "/enter", "application/x-www-form-urlencoded", "code=ABCDEF&to=/phone"},
		{"POST", "/do", "application/x-www-form-urlencoded", "do=tell&what=x&result=ok"},
		{"POST", "/do", "application/x-www-form-urlencoded", "do=undo"},
		{"POST", "/do", "application/x-www-form-urlencoded", "do=station&epoch=as+left&moved=1"},
		{"POST", "/do", "multipart/form-data; boundary=x", "--x\r\nContent-Disposition: form-data; name=\"do\"\r\n\r\ncamera\r\n--x\r\nContent-Disposition: form-data; name=\"file\"; filename=\"c.yaml\"\r\n\r\n%YAML:1.0\r\n--x--\r\n"},
		{"POST", "/up/", "Upload-Length: 10\nUpload-Metadata: kind cGhvdG8=,station MQ==,name YS5qcGc=\nTus-Resumable: 1.0.0", ""},
		{"PATCH", "/up/0123456789abcdef0123456789abcdef", "Upload-Offset: 0\nTus-Resumable: 1.0.0\nContent-Type: application/offset+octet-stream", "abc"},
		{"HEAD", "/up/0123456789abcdef0123456789abcdef", "Tus-Resumable: 1.0.0", ""}, {"DELETE", "/up/..", "Tus-Resumable: 1.0.0", ""}, {"OPTIONS", "/up/", "", ""},
	} {
		f.Add(s[0], s[1], s[2], []byte(s[3]), true)
		f.Add(s[0], s[1], s[2], []byte(s[3]), false)
	}
	top := f.TempDir()
	dir := filepath.Join(top, "job")
	if err := os.Mkdir(dir, 0o777); err != nil {
		f.Fatal(err)
	}
	e := &shelf{dir: dir, kept: map[string]string{}}
	s, err := New(e, Options{Dir: dir, Hosts: []string{"127.0.0.1"}, Log: func(string, ...any) {}})
	if err != nil {
		f.Fatal(err)
	}
	handler := s.Handler()
	// Let in once, as a browser is.
	in := httptest.NewRequest("POST", "http://127.0.0.1/enter", strings.NewReader(url.Values{"code": {s.Code()}, "to": {"/phone"}}.Encode()))
	in.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	let := httptest.NewRecorder()
	handler.ServeHTTP(let, in)
	cookies := let.Result().Cookies()
	if len(cookies) == 0 {
		f.Fatalf("not let in: %d", let.Code)
	}
	f.Fuzz(func(t *testing.T, method, target, header string, body []byte, inside bool) {
		if strings.HasPrefix(target, "/events") { // it has no end
			return
		}
		u, err := url.ParseRequestURI(target)
		if err != nil || u.Host != "" || !strings.HasPrefix(target, "/") || !token(method) {
			return // net/http's server refuses it before us
		}
		r := httptest.NewRequest("GET", "http://127.0.0.1/", bytes.NewReader(body))
		r.Method, r.URL, r.RequestURI = method, u, target
		r.URL.Scheme, r.URL.Host = "", ""
		if !strings.Contains(header, ":") {
			r.Header.Set("Content-Type", strings.Map(printable, header))
		}
		for _, line := range strings.Split(header, "\n") {
			if name, value, ok := strings.Cut(line, ":"); ok && token(name) {
				r.Header.Set(name, strings.Map(printable, strings.TrimSpace(value)))
			}
		}
		if inside {
			for _, c := range cookies {
				r.AddCookie(c)
			}
		} else {
			r.Header.Del("Cookie")
		}
		e.mu.Lock()
		acts, kept := len(e.acts), len(e.kept)
		e.mu.Unlock()
		begun := time.Now()
		w := httptest.NewRecorder()
		handler.ServeHTTP(w, r)
		if d := time.Since(begun); d > 10*time.Second {
			t.Errorf("it takes %s", d)
		}
		if w.Code >= 500 && w.Code != http.StatusNotImplemented {
			t.Errorf("%s %s: %d %s", method, target, w.Code, w.Body)
		}
		e.mu.Lock()
		defer e.mu.Unlock()
		if !inside && (len(e.acts) != acts || len(e.kept) != kept) {
			t.Errorf("%s %s: somebody outside changed the job", method, target)
		}
		list, err := os.ReadDir(top)
		if err != nil || len(list) != 1 {
			t.Errorf("%s %s: there is more than the job's folder now: %v, %v", method, target, list, err)
		}
	})
}

// token tells whether net/http would take it as a method or a header's name.
func token(s string) bool {
	return s != "" && !strings.ContainsFunc(s, func(r rune) bool {
		return r <= ' ' || r >= 0x7f || strings.ContainsRune(`()<>@,;:\"/[]?={}`, r)
	})
}

// printable leaves out of a header's value what net/http refuses.
func printable(r rune) rune {
	if r < ' ' || r == 0x7f {
		return -1
	}
	return r
}

// FuzzJournal: a step's file that somebody else wrote is read or refused; whatever it
// says, nothing outside of the folder is touched.
func FuzzJournal(f *testing.F) {
	f.Add([]byte(`{"what":"x","done":true,"files":[{"path":"job.yaml","was":false}]}`))
	f.Add([]byte(`{"what":"x","done":false,"files":[{"path":"../mine","was":false},{"path":"a/../../mine","was":true}]}`))
	f.Add([]byte(`{"files":[{"path":"","was":true},{"path":".","was":false},{"path":"steps","was":false}]}`))
	top := f.TempDir()
	mine, root := filepath.Join(top, "mine"), filepath.Join(top, "job")
	if err := os.WriteFile(mine, nil, 0o600); err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		os.RemoveAll(root)
		step := filepath.Join(root, "steps", "000001")
		if err := os.MkdirAll(step, 0o700); err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{filepath.Join(step, "step.json"), filepath.Join(step, "0"), filepath.Join(root, "job.yaml")} {
			if err := os.WriteFile(name, text, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		j, err := OpenJournal(root, "steps")
		if err == nil {
			j.Last()
			_, err = j.Undo()
		}
		if err != nil && strings.ContainsAny(err.Error(), "\n\r") {
			t.Errorf("not one line: %q", err)
		}
		if list, err := os.ReadDir(top); err != nil || len(list) != 2 {
			t.Errorf("outside of the folder: %v, %v", list, err)
		}
	})
}
