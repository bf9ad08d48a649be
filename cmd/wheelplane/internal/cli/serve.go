package cli

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	"wheelplane/cmd/wheelplane/internal/bay"
	"wheelplane/cmd/wheelplane/internal/record"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/pose/rig"

	"github.com/gofrs/flock"
	"github.com/spf13/cobra"
)

type serveOptions struct {
	dir    string
	listen string
	units  string
	watch  watchOptions
}

// usualPort is where the page is, unless told.
const usualPort = "8717"

func newServeCommand(app *App) *cobra.Command {
	var o serveOptions
	c := &cobra.Command{
		Use:   "serve DIR",
		Short: "Open the bay page: photograph with the phone, watch the numbers on the laptop",
		Long: `serve opens a job in a browser: the laptop shows the bay, the phone is the camera.
DIR is a job's folder, or an empty or new one, in which the page begins a job.

It prints an address for this machine's browser, and an address with a QR code for
the phone. Each has a code in it that lets one browser in, once, within ten minutes;
the bay's page makes further ones. Who was let in stays so for twelve hours.

By itself it listens on this machine only, where no phone can reach it. To open it
to the bay's network, name the address to listen on:

  wheelplane serve DIR --listen :` + usualPort + `

Do so in a network that you trust: what goes over it is not encrypted. Only browsers
with a code can look or change anything.

Photographs arrive as the phone took them, go on after a lost connection, and are
never taken twice. Every step can be undone, also after the program was started
again. All the page knows lies in the job's folder; the other commands can be used on
it at the same time. Ctrl-C ends it: nothing that was acknowledged is lost.

With --axle and --device (or --film, --folder, --lens) a camera that stands still
watches an axle while it is adjusted, as 'wheelplane watch' does; see there.

The page tells what to do under a vehicle. It replaces neither its maker's manual nor
local codes nor licensed people where the law asks for them.`,
		Example: `  wheelplane serve bay-3
  wheelplane serve bay-3 --listen :` + usualPort + ` --units imperial
  wheelplane serve bay-3 --axle 1 --device 0 --lens webcam.yaml`,
		Args:              exactly("DIR"),
		ValidArgsFunction: completeDirs,
		RunE: func(c *cobra.Command, args []string) error {
			o.dir = args[0]
			if o.units != string(record.Metric) && o.units != string(record.Imperial) {
				return Usagef("--units %q: choose %s", o.units, orList(unitNames))
			}
			if n := len(o.watch.devices) + len(o.watch.films) + len(o.watch.folders); (n > 0) != c.Flags().Changed("axle") {
				return Usagef("to watch an axle name both: --axle N, and --device 0, --film FILE or --folder DIR")
			}
			o.watch.dir = o.dir
			return app.serve(c.Context(), o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.listen, "listen", "127.0.0.1:"+usualPort, "`ADDRESS` to listen on; :"+usualPort+" opens it to the network")
	f.StringVar(&o.units, "units", string(record.Metric), "of lengths: metric or imperial")
	f.IntVar(&o.watch.axle, "axle", 0, "watch this axle live")
	f.IntSliceVar(&o.watch.devices, "device", nil, "through a camera of this machine, by its number")
	f.StringSliceVar(&o.watch.films, "film", nil, "through a film `FILE`, or the address of a camera in the network")
	f.StringSliceVar(&o.watch.folders, "folder", nil, "through a `DIR` into which a camera drops photographs")
	f.StringSliceVar(&o.watch.lenses, "lens", nil, "camera `FILE` of what is watched through")
	c.RegisterFlagCompletionFunc("units", completeWords(unitNames...))
	return c
}

// served is what --json tells once, when the page is open.
type served struct {
	Bay    string   `json:"bay"`    // for this machine's browser
	Phones []string `json:"phones"` // for phones, one for each network; none: it listens on this machine only
}

func (a *App) serve(ctx context.Context, o serveOptions) error {
	if err := os.MkdirAll(o.dir, 0o777); err != nil {
		return cannotWrite(o.dir, err)
	}
	own := filepath.Join(o.dir, ".wheelplane")
	if err := os.Mkdir(own, 0o777); err != nil && !errors.Is(err, fs.ErrExist) {
		return cannotWrite(own, err)
	}
	alone := flock.New(filepath.Join(own, "serving"), flock.SetPermissions(0o666))
	switch ok, err := alone.TryLock(); {
	case err != nil:
		return cannotWrite(own, err)
	case !ok:
		return BadInputf("%s is served already: open that page, or end that server first", o.dir)
	}
	defer alone.Unlock()

	engine, err := newBench(o.dir, record.Units(o.units))
	if err != nil {
		return err
	}
	listener, err := net.Listen("tcp", o.listen)
	if err != nil {
		return withCode(ExitFailed, fmt.Errorf("--listen %s: %w: choose another address, or end what uses it", o.listen, plainNet(err)))
	}
	defer listener.Close()
	hosts, open := hostsOf(listener.Addr())
	options := bay.Options{Dir: own, Hosts: hosts, Log: func(format string, args ...any) {
		a.warn("%s %s", time.Now().Format(time.TimeOnly), fmt.Sprintf(format, args...))
	}}
	if o.watch.axle > 0 {
		options.Live = &watcher{a: engine.app, o: o.watch, bench: engine}
	}
	server, err := bay.New(engine, options)
	if err != nil {
		return BadInput(err)
	}
	a.tellAddresses(o, server, listener.Addr(), open)

	web := &http.Server{Handler: server.Handler(), ReadHeaderTimeout: 10 * time.Second, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 64 << 10}
	running, stop := context.WithCancel(ctx)
	defer stop()
	web.BaseContext = func(net.Listener) context.Context { return running }
	over := make(chan struct{})
	go func() { defer close(over); server.Run(running) }()
	ended := make(chan error, 1)
	go func() { ended <- web.Serve(listener) }()
	select {
	case err = <-ended:
	case <-ctx.Done():
		stop() // pages that wait for news
		last, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		err = web.Shutdown(last)
		if errors.Is(err, context.DeadlineExceeded) {
			err = web.Close()
		}
		a.say("ended; %s is as the page showed it", o.dir)
	}
	stop()
	<-over
	if errors.Is(err, http.ErrServerClosed) {
		err = nil
	}
	return err
}

// plainNet is an error of the network without the words around it.
func plainNet(err error) error {
	var op *net.OpError
	if errors.As(err, &op) {
		return op.Err
	}
	return err
}

// hostsOf are the names by which a server on an address may be called; open tells
// whether others than this machine reach it.
func hostsOf(at net.Addr) (hosts []string, open bool) {
	tcp, ok := at.(*net.TCPAddr)
	if !ok {
		return nil, false
	}
	if !tcp.IP.IsUnspecified() {
		if tcp.IP.IsLoopback() {
			return []string{"localhost", "127.0.0.1", "::1", tcp.IP.String()}, false
		}
		return []string{tcp.IP.String()}, true
	}
	hosts = []string{"localhost", "127.0.0.1", "::1"}
	if name, err := os.Hostname(); err == nil {
		hosts = append(hosts, name, name+".local")
	}
	list, err := net.InterfaceAddrs()
	if err != nil {
		return hosts, true
	}
	for _, x := range list {
		if n, ok := x.(*net.IPNet); ok && !n.IP.IsLoopback() && !n.IP.IsLinkLocalUnicast() {
			hosts = append(hosts, n.IP.String())
		}
	}
	return hosts, true
}

// tellAddresses says how to get in.
func (a *App) tellAddresses(o serveOptions, s *bay.Server, at net.Addr, open bool) {
	_, port, _ := net.SplitHostPort(at.String())
	hosts, _ := hostsOf(at)
	told := served{Phones: []string{}}
	for _, h := range hosts {
		ip := net.ParseIP(h)
		switch {
		case ip == nil:
		case ip.IsLoopback() && told.Bay == "":
			told.Bay = bay.Address("http", net.JoinHostPort(h, port), s.Code(), "/")
		case !ip.IsLoopback() && ip.To4() != nil:
			told.Phones = append(told.Phones, bay.Address("http", net.JoinHostPort(h, port), s.Code(), "/phone"))
		}
	}
	if told.Bay == "" && len(hosts) > 0 {
		told.Bay = bay.Address("http", net.JoinHostPort(hosts[0], port), s.Code(), "/")
	}
	if a.JSON {
		_ = a.printJSON(told) // the server goes on without
		return
	}
	a.printf("The bay, in this machine's browser:\n\n  %s\n\n", told.Bay)
	for _, p := range told.Phones {
		a.printf("The phone:\n\n  %s\n\n%s\n", p, bay.Terminal(p))
	}
	if !open {
		a.printf("%s\n  wheelplane serve %s --listen :%s\n\n", fold("", "No phone reaches it yet: it listens on this machine only. To open it to the bay's network, end it (Ctrl-C) and start it so:"), o.dir, port)
	} else if len(told.Phones) == 0 {
		a.printf("%s", fold("", "This machine seems to be in no network: no phone reaches it."))
	}
	a.printf("Each address lets one browser in, within ten minutes. Ctrl-C ends it.\n")
}

// say tells a person something that is no result.
func (a *App) say(format string, args ...any) {
	if a.JSON || a.Quiet {
		return
	}
	fmt.Fprintf(a.Stderr, "%s\n", oneLine(fmt.Sprintf(format, args...)))
}

// watcher is a camera that watches an axle for the page: it waits until the job is
// measured, and begins anew when the job has changed.
type watcher struct {
	a     *App
	o     watchOptions
	bench *bench
}

// Watch is [bay.Source].
func (w *watcher) Watch(ctx context.Context, tell func(*bay.Live)) {
	for ctx.Err() == nil {
		err := w.once(ctx, tell)
		state, text := "waiting", "The readings come when the job is measured."
		if err != nil && ctx.Err() == nil {
			if _, e := os.Stat(filepath.Join(w.o.dir, rig.ResultFile)); e == nil {
				state, text = "lost", strings.TrimPrefix(err.Error(), w.o.dir+": ")
			}
		}
		tell(&bay.Live{State: state, Say: text, Axle: w.o.axle, At: time.Now()})
		select {
		case <-ctx.Done():
		case <-time.After(2 * time.Second):
		}
	}
}

// errAnew ends a watch of a job that has changed.
var errAnew = errors.New("the job has changed")

// once watches the job as it stands, until it changes.
func (w *watcher) once(ctx context.Context, tell func(*bay.Live)) error {
	folder, err := rig.Read(w.o.dir)
	if err != nil {
		return err
	}
	if w.bench.Due() {
		return nil // it is being measured
	}
	state := w.bench.state(folder)
	if folder, err = folder.Photographed(); err != nil {
		return err
	}
	next := time.Now().Add(time.Second)
	source := "camera"
	err = w.a.watchFrames(ctx, w.o, folder, func(f watchedFrame) error {
		if t := time.Now(); t.After(next) {
			next = t.Add(time.Second)
			if now, err := rig.Read(w.o.dir); err != nil || w.bench.state(now) != state {
				return errAnew
			}
		}
		l := &bay.Live{Source: source, State: string(f.State), Say: f.Say, Axle: w.o.axle, Rate: f.Rate, At: time.Now()}
		if f.Lost != "" {
			l.State, l.Say = "lost", f.Lost
		}
		for _, r := range f.Readings {
			l.Readings = append(l.Readings, liveReading(r))
		}
		tell(l)
		return nil
	})
	if errors.Is(err, errAnew) {
		return nil
	}
	return err
}

// liveReading tells a reading by name and side; a live picture is of angles alone.
func liveReading(r watchedReading) bay.Reading {
	d := digits(r.U, r.Unit)
	x := bay.Reading{Quantity: string(r.Quantity), Name: strings.TrimSpace(nameOf(r.Quantity) + " " + string(r.Side)), Value: wording.Decimal(r.Value, d), U: wording.Decimal(r.U, d), Unit: "°", At: 0.5, Verdict: string(r.Verdict)}
	if r.Target == nil {
		return x
	}
	x.Low, x.High = limitText(r.Target.Low, r.Unit), limitText(r.Target.High, r.Unit)
	if low, high := r.Target.Low, r.Target.High; low != nil && high != nil && *high > *low {
		x.At, x.Width = (r.Value-*low)/(*high-*low), 2*r.U/(*high-*low)
	}
	return x
}
