package cli

import (
	"context"
	"runtime"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/sync/errgroup"
)

// progress is a bar on standard error. Where nobody looks (piped, --quiet) it
// is silent, but still there: a command never asks. Its methods may be called
// from several goroutines.
type progress struct {
	app *App
	bar *progressbar.ProgressBar
}

// progress starts a bar of total steps, such as "reading photos", 42. A total
// of -1 is a spinner. It replaces the bar before it; call done, or let the end
// of the command do it.
func (a *App) progress(what string, total int) *progress {
	a.endProgress()
	options := []progressbar.Option{
		progressbar.OptionSetWriter(a.Stderr),
		progressbar.OptionSetVisibility(a.Terminal && !a.Quiet),
		progressbar.OptionSetDescription(what),
		progressbar.OptionSetWidth(30),
		progressbar.OptionThrottle(100 * time.Millisecond),
		progressbar.OptionClearOnFinish(),
		progressbar.OptionSetRenderBlankState(true),
	}
	if total >= 0 {
		options = append(options, progressbar.OptionShowCount())
	}
	p := &progress{app: a, bar: progressbar.NewOptions(total, options...)}
	a.mu.Lock()
	a.bar = p
	a.mu.Unlock()
	return p
}

// add moves the bar by n steps.
func (p *progress) add(n int) {
	p.app.mu.Lock()
	defer p.app.mu.Unlock()
	p.bar.Add(n)
}

// say changes the bar's text.
func (p *progress) say(what string) {
	p.app.mu.Lock()
	defer p.app.mu.Unlock()
	p.bar.Describe(what)
}

// done clears the bar from the screen.
func (p *progress) done() {
	p.app.mu.Lock()
	defer p.app.mu.Unlock()
	p.bar.Finish()
	if p.app.bar == p {
		p.app.bar = nil
	}
}

// each does n pieces of work, as many at once as there are processors, under a
// bar of n steps, and returns the first error. None begins once ctx is done.
func (a *App) each(ctx context.Context, what string, n int, do func(i int) error) error {
	bar := a.progress(what, n)
	defer bar.done()
	var g errgroup.Group
	g.SetLimit(runtime.GOMAXPROCS(0))
	for i := range n {
		g.Go(func() error {
			defer bar.add(1)
			if ctx.Err() != nil {
				return ctx.Err()
			}
			return do(i)
		})
	}
	return g.Wait()
}

func (a *App) endProgress() {
	a.mu.Lock()
	p := a.bar
	a.mu.Unlock()
	if p != nil {
		p.done()
	}
}
