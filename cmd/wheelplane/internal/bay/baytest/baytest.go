// Package baytest looks at the bay's pages through a browser, as a person at the bay
// would. For tests alone.
package baytest

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/dom"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/cdproto/target"
	"github.com/chromedp/chromedp"
)

// Screen is what somebody looks at.
type Screen struct {
	Name          string
	Width, Height int64
	Touch         bool
}

// The screens that the pages are held to.
var (
	Phone  = Screen{"phone", 360, 740, true}
	Tablet = Screen{"tablet", 768, 1024, true}
	Laptop = Screen{"laptop", 1920, 1080, false}
)

// Program is Chromium, running. Each of its windows is a browser of its own: they
// share no cookies and nothing that is stored.
type Program struct{ ctx context.Context }

// Start starts Chromium, and ends it with the test, which is skipped where there is
// none.
func Start(t *testing.T) *Program {
	t.Helper()
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		t.Skip("chromium is not installed")
	}
	// Not t.TempDir: Chromium's helpers write a moment longer than it lives itself.
	own, err := os.MkdirTemp("", "bay-browser-")
	if err != nil {
		t.Fatal(err)
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.UserDataDir(own),
		chromedp.NoSandbox, chromedp.DisableGPU, chromedp.WSURLReadTimeout(2*time.Minute))
	for _, flag := range []string{"disable-quic", "disable-background-networking", "disable-component-update", "disable-sync"} {
		options = append(options, chromedp.Flag(flag, true))
	}
	allocator, end := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, stop := chromedp.NewContext(allocator)
	t.Cleanup(func() {
		stop()
		end()
		for range 50 {
			if os.RemoveAll(own) == nil {
				return
			}
			time.Sleep(100 * time.Millisecond)
		}
		t.Logf("left behind: %s", own)
	})
	if err := chromedp.Run(ctx); err != nil {
		t.Fatalf("%s does not start: %v", path, err)
	}
	return &Program{ctx}
}

// Window is a browser with one page.
type Window struct {
	t      *testing.T
	ctx    context.Context
	screen Screen
	end    func()

	mu       sync.Mutex
	troubles []string
}

// patience is how long anything may take; the machine may be busy.
const patience = 90 * time.Second

// Open opens a browser of its own. What its pages complain of, a refused script or
// style among them, fails the test, but for what was allowed.
func (p *Program) Open(t *testing.T, s Screen) *Window {
	t.Helper()
	c := cdp.WithExecutor(p.ctx, chromedp.FromContext(p.ctx).Browser)
	own, err := target.CreateBrowserContext().Do(c)
	if err != nil {
		t.Fatal(err)
	}
	id, err := target.CreateTarget("about:blank").WithBrowserContextID(own).WithNewWindow(true).Do(c)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := chromedp.NewContext(p.ctx, chromedp.WithTargetID(id))
	w := &Window{t: t, ctx: ctx, screen: s, end: sync.OnceFunc(func() {
		_ = target.DisposeBrowserContext(own).Do(c) // the program ends soon anyway
		stop()
	})}
	chromedp.ListenTarget(ctx, func(ev any) {
		text := ""
		switch e := ev.(type) {
		case *log.EventEntryAdded:
			if e.Entry.Level == log.LevelError && e.Entry.Source != log.SourceNetwork {
				text = e.Entry.Text
			}
		case *runtime.EventExceptionThrown:
			text = e.ExceptionDetails.Error()
		case *page.EventJavascriptDialogOpening:
			text = "a dialog: " + e.Message
		}
		if text != "" {
			w.mu.Lock()
			w.troubles = append(w.troubles, text)
			w.mu.Unlock()
		}
	})
	size := emulation.SetDeviceMetricsOverride(s.Width, s.Height, 1, s.Touch)
	w.run(size, emulation.SetTouchEmulationEnabled(s.Touch))
	t.Cleanup(func() {
		w.mu.Lock()
		for _, x := range w.troubles {
			t.Errorf("%s: the page complains: %s", s.Name, x)
		}
		w.mu.Unlock()
		w.end()
	})
	return w
}

// Close closes the browser, what it stored and all.
func (w *Window) Close() { w.end() }

func (w *Window) run(actions ...chromedp.Action) {
	w.t.Helper()
	if err := w.try(actions...); err != nil {
		w.t.Fatalf("%s: %v", w.screen.Name, err)
	}
}

func (w *Window) try(actions ...chromedp.Action) error {
	// The first run of a context makes its page, which must not end with a deadline.
	if err := chromedp.Run(w.ctx); err != nil {
		return err
	}
	ctx, done := context.WithTimeout(w.ctx, patience)
	defer done()
	return chromedp.Run(ctx, actions...)
}

// Go opens an address.
func (w *Window) Go(url string) {
	w.t.Helper()
	w.run(chromedp.Navigate(url))
}

// Look chooses between bright and dark, as the system would.
func (w *Window) Look(dark bool) {
	w.t.Helper()
	look := "light"
	if dark {
		look = "dark"
	}
	w.run(emulation.SetEmulatedMedia().WithFeatures([]*emulation.MediaFeature{
		{Name: "prefers-color-scheme", Value: look}, {Name: "prefers-reduced-motion", Value: "reduce"}}))
}

// Size makes the window another screen.
func (w *Window) Size(s Screen) {
	w.t.Helper()
	w.screen = s
	w.run(emulation.SetDeviceMetricsOverride(s.Width, s.Height, 1, s.Touch), emulation.SetTouchEmulationEnabled(s.Touch))
}

// Eval evaluates a script that tells a value, which goes to what.
func (w *Window) Eval(script string, what any) {
	w.t.Helper()
	w.run(chromedp.Evaluate(script, what, func(p *runtime.EvaluateParams) *runtime.EvaluateParams { return p.WithAwaitPromise(true) }))
}

// Press presses the button or link with this text, in the part of the page that a
// selector names ("" for anywhere). It must be there to be pressed.
func (w *Window) Press(in, text string) {
	w.t.Helper()
	w.Wait(fmt.Sprintf("a button %q", text), fmt.Sprintf("Boolean(%s)", button(in, text)))
	// Found, seen to be uncovered and pressed in one go: the page may change meanwhile.
	covered := ""
	w.Eval(fmt.Sprintf(`(() => {
		const b = %s;
		if (!b) return "it is gone";
		b.scrollIntoView({block: "center"});
		const r = b.getBoundingClientRect(), top = document.elementFromPoint(r.x + r.width / 2, r.y + r.height / 2);
		if (!top || !(b.contains(top) || top.contains(b))) return top ? top.outerHTML.slice(0, 90) : "the edge of the screen";
		b.click();
		return "";
	})()`, button(in, text)), &covered)
	if covered != "" {
		w.t.Fatalf("%s: the button %q is covered by %s", w.screen.Name, text, covered)
	}
}

func button(in, text string) string {
	quote := func(s string) string { q, _ := json.Marshal(s); return string(q) }
	if in == "" {
		in = "body"
	}
	return fmt.Sprintf(`[...document.querySelectorAll(%s)].flatMap((p) => [...p.querySelectorAll("button,a,summary,label")]).find((b) => b.textContent.trim().replace(/\s+/g, " ").startsWith(%s) && !b.disabled && b.offsetParent !== null)`, quote(in), quote(text))
}

// Fill writes a text into a field, or chooses a value.
func (w *Window) Fill(selector, text string) {
	w.t.Helper()
	w.run(chromedp.WaitReady(selector, chromedp.ByQuery), chromedp.SetValue(selector, text, chromedp.ByQuery))
}

// Keys presses keys.
func (w *Window) Keys(keys string) {
	w.t.Helper()
	w.run(chromedp.KeyEvent(keys))
}

// Send chooses files in a file field, as a phone's camera does.
func (w *Window) Send(selector string, files ...string) {
	w.t.Helper()
	send := chromedp.ActionFunc(func(ctx context.Context) error {
		root, err := dom.GetDocument().Do(ctx)
		if err != nil {
			return err
		}
		id, err := dom.QuerySelector(root.NodeID, selector).Do(ctx)
		if err != nil {
			return err
		}
		return dom.SetFileInputFiles(files).WithNodeID(id).Do(ctx)
	})
	// The page may change between finding the field and filling it.
	var err error
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if err = w.try(send); err == nil || !strings.Contains(err.Error(), "node") {
			break
		}
	}
	if err != nil {
		w.t.Fatalf("%s: %v", w.screen.Name, err)
	}
}

// Wait waits until a script tells true; what says what is waited for.
func (w *Window) Wait(what, script string) {
	w.t.Helper()
	for end := time.Now().Add(patience); ; time.Sleep(50 * time.Millisecond) {
		ok := false
		// Between two pages there is nothing to ask.
		err := w.try(chromedp.Evaluate("Boolean("+script+")", &ok))
		if err == nil && ok {
			return
		}
		if time.Now().After(end) {
			name := filepath.Join(os.TempDir(), "waited-"+w.screen.Name+".png")
			w.Shot(name)
			w.t.Fatalf("%s: waited for %s: %v; see %s; the page says: %s", w.screen.Name, what, err, name, w.Text("body"))
		}
	}
}

// Text is what a part of the page says; "" where it is not there.
func (w *Window) Text(selector string) string {
	w.t.Helper()
	text := ""
	w.Eval(fmt.Sprintf(`(document.querySelector(%q) || {innerText: ""}).innerText`, selector), &text)
	return strings.Join(strings.Fields(text), " ")
}

// Shot writes a picture of the whole page.
func (w *Window) Shot(path string) {
	w.t.Helper()
	var png []byte
	w.run(chromedp.FullScreenshot(&png, 100))
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		w.t.Fatal(err)
	}
	if err := os.WriteFile(path, png, 0o666); err != nil {
		w.t.Fatal(err)
	}
}

// axe is axe-core (https://github.com/dequelabs/axe-core), which judges pages by the
// Web Content Accessibility Guidelines; "" where it was not fetched.
var axe = sync.OnceValue(func() string {
	dir, err := os.Getwd()
	for err == nil && dir != "/" {
		if _, e := os.Stat(filepath.Join(dir, "go.mod")); e == nil {
			text, _ := os.ReadFile(filepath.Join(dir, "build", "axe-core", "package", "axe.min.js"))
			return string(text)
		}
		dir = filepath.Dir(dir)
	}
	return ""
})

// Judged tells whether [Window.Judge] can judge; if not, why.
func Judged() (bool, string) {
	return axe() != "", "axe-core is not in build/axe-core: .ci/run fetches it (npm pack axe-core)"
}

// Judge holds the page as it stands to the guidelines, by axe-core's rules for WCAG
// 2.1 A and AA and its best practices; colours says to judge the colours alone, for
// another look of a page that was judged whole.
func (w *Window) Judge(name string, colours bool) {
	w.t.Helper()
	if axe() == "" {
		return
	}
	var has bool
	w.Eval("Boolean(window.axe)", &has)
	if !has {
		w.run(chromedp.Evaluate(axe()+";true", nil))
	}
	only := `{type: "tag", values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"]}`
	if colours {
		only = `{type: "rule", values: ["color-contrast", "link-in-text-block"]}`
	}
	var found []string
	w.Eval(`axe.run(document, {runOnly: `+only+`, resultTypes: ["violations"]}).then((r) => r.violations.flatMap((v) => v.nodes.map((n) => v.id + ": " + v.help + ": " + n.html.slice(0, 160) + " " + n.any.map((a) => a.message).join("; "))))`, &found)
	for _, x := range found {
		w.t.Errorf("%s, %s: %s", name, w.screen.Name, x)
	}
}

// Fits holds the page to its screen: nothing is wider, and what is pressed is large
// enough for a finger in a glove.
func (w *Window) Fits(name string) {
	w.t.Helper()
	const finger = 48 // CSS pixels, 9 mm on most phones; common practice, WCAG 2.1 asks for 44 (2.5.5, AAA)
	var found []string
	w.Eval(fmt.Sprintf(`(() => {
		const out = [];
		const d = document.documentElement;
		if (d.scrollWidth > innerWidth) out.push("the page is " + d.scrollWidth + " wide on a screen of " + innerWidth + ": " + [...document.querySelectorAll("body *")].filter((e) => e.getBoundingClientRect().right > innerWidth + 1).slice(0, 3).map((e) => e.outerHTML.slice(0, 90)).join(" | "));
		for (const e of document.querySelectorAll("button, a.button, select, input, summary, .photos a")) {
			if (e.type === "hidden" || e.matches(".file") || e.offsetParent === null && getComputedStyle(e).position !== "fixed") continue;
			const r = (e.closest("label.pick") || e).getBoundingClientRect();
			if (r.width < %[1]d - 0.5 || r.height < %[1]d - 0.5) out.push(e.outerHTML.slice(0, 90) + " is " + Math.round(r.width) + " by " + Math.round(r.height));
		}
		return out;
	})()`, finger), &found)
	for _, x := range found {
		w.t.Errorf("%s, %s: %s", name, w.screen.Name, x)
	}
}

// Line is a way to a server that can be cut: a phone's radio behind a truck.
type Line struct {
	Addr string // to connect to

	to       string
	listener net.Listener
	mu       sync.Mutex
	cut      bool
	through  int64 // bytes that went to the server since the last Cut
	most     int64
	open     map[net.Conn]bool
}

// NewLine opens a way to a server, until the test ends.
func NewLine(t *testing.T, to string) *Line {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	line := &Line{Addr: l.Addr().String(), to: to, listener: l, open: map[net.Conn]bool{}}
	t.Cleanup(func() {
		l.Close()
		line.Cut()
	})
	go line.serve()
	return line
}

// Cut ends all that is connected, and lets nobody through.
func (l *Line) Cut() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.cutNow()
}

func (l *Line) cutNow() {
	l.cut, l.most = true, 0
	for c := range l.open {
		c.Close()
	}
}

// CutAfter cuts once so many more bytes have gone to the server.
func (l *Line) CutAfter(bytes int64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.through, l.most = 0, bytes
}

// IsCut tells whether the line is cut.
func (l *Line) IsCut() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.cut
}

// Mend lets through again.
func (l *Line) Mend() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.cut = false
}

func (l *Line) serve() {
	for {
		in, err := l.listener.Accept()
		if err != nil {
			return
		}
		out, err := net.Dial("tcp", l.to)
		l.mu.Lock()
		if l.cut || err != nil {
			in.Close()
			if err == nil {
				out.Close()
			}
			l.mu.Unlock()
			continue
		}
		l.open[in], l.open[out] = true, true
		l.mu.Unlock()
		go l.copy(out, in, true)
		go l.copy(in, out, false)
	}
}

func (l *Line) copy(to, from net.Conn, count bool) {
	defer func() {
		to.Close()
		from.Close()
		l.mu.Lock()
		delete(l.open, from)
		l.mu.Unlock()
	}()
	b := make([]byte, 16<<10)
	for {
		n, err := from.Read(b)
		if n > 0 {
			if _, e := to.Write(b[:n]); e != nil {
				return
			}
		}
		if count {
			l.mu.Lock()
			l.through += int64(n)
			if l.most > 0 && l.through > l.most {
				l.cutNow()
			}
			l.mu.Unlock()
		}
		if err != nil {
			return
		}
	}
}
