package bay_test

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"wheelplane/cmd/wheelplane/internal/bay"
	"wheelplane/cmd/wheelplane/internal/bay/baytest"
)

var gallery = flag.String("gallery", "", "`DIR` to write pictures of every page into, on every screen in both looks")

// stage is an engine whose views are made up: it shows the one that was last asked
// for by the action "show".
type stage struct {
	mu      sync.Mutex
	view    string
	picture string
	acted   []bay.Action
	undone  int
	live    chan *bay.Live
}

func (s *stage) View() (*bay.View, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return made(s.view), nil
}

func (s *stage) Act(a bay.Action) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case a.Do == "show":
		s.view = a.With["view"]
		return nil
	case a.With["result"] == "bad":
		return errors.New("brakes: say in the note what is bad, then press again")
	}
	s.acted = append(s.acted, a)
	return nil
}

func (s *stage) Undo() (string, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.undone++
	return "photograph 007", nil
}

func (s *stage) Take(context.Context, bay.Upload) (*bay.Taken, error) {
	return &bay.Taken{Refused: "no board of this job was found in it"}, nil
}
func (s *stage) Due() bool                                { return false }
func (s *stage) Measure(context.Context) error            { return nil }
func (s *stage) Picture(id string, _ bool) (string, bool) { return s.picture, true }
func (s *stage) Record(string) (string, bool)             { return "", false }
func (s *stage) Watch(ctx context.Context, tell func(*bay.Live)) {
	for {
		select {
		case <-ctx.Done():
			return
		case l := <-s.live:
			tell(l)
		}
	}
}

// made are views of every kind, invented.
func made(name string) *bay.View {
	if name == "setup" {
		return &bay.View{Setup: &bay.Setup{Name: "bay-3", Layouts: []bay.Choice{{Value: "car", Label: "car, two axles"}, {Value: "tractor-6x4", Label: "tractor with a driven tandem, three axles"}, {Value: "semitrailer-3", Label: "semitrailer with three axles, measured from its kingpin"}}}}
	}
	read := func(n, value, u, low, high string, at, width float64, verdict string) bay.Reading {
		return bay.Reading{Quantity: strings.ReplaceAll(n, " ", "-"), Name: n, Value: value, U: u, Unit: "°", Low: low, High: high, At: at, Width: width, Verdict: verdict}
	}
	v := &bay.View{Job: "unit 12, spring service", Vehicle: "three-axle truck", Done: 9, Of: 14, Undo: "photograph 007 of station 2", Who: "M. Reed", Epoch: "as found", Epochs: []string{"as found"}}
	for i, s := range []struct{ title, state string }{{"Vehicle chocked, brakes applied", "done"}, {"Tyre pressures", "done"}, {"Play in bearings and kingpins", "skipped"}, {"Target values", "done"}, {"Station 1", "done"}, {"Station 2", "now"}, {"Station 3", "later"}, {"The record", "later"}} {
		v.Steps = append(v.Steps, bay.Step{ID: fmt.Sprint("s", i), Title: s.title, State: s.state, By: "M. Reed"})
	}
	v.Now = &bay.Step{ID: "station-2", Title: "Photograph station 2", State: "now", Do: "Photograph in a ring around the vehicle, each picture with two or more boards.", Why: "the wheels have turned by a third since station 1, so that the spin axes show",
		Cares:   []string{"Brakes on and wheels chocked while anybody stands beside the vehicle.", "Boards stand out from the wheels: keep clear while a wheel turns."},
		Answers: []bay.Answer{{Label: "photograph", Link: "/phone"}, {Label: "enough", Action: bay.Action{Do: "tell", With: map[string]string{"what": "station-2", "result": "ok"}}}}}
	photo := func(n int, verdict string, good bool, why, do string, boards ...string) bay.Photo {
		return bay.Photo{ID: fmt.Sprintf("%016x", n), Name: fmt.Sprintf("%03d", n), Verdict: verdict, Good: good, Why: why, Do: do, Boards: boards}
	}
	v.Stations = []bay.Station{
		{Name: "1", Epoch: "as found", Complete: true, Photos: []bay.Photo{photo(1, "good", true, "", "", "B1", "B2", "F1"), photo(2, "good", true, "", "", "B3", "F2"), photo(3, "good", true, "", "", "B5", "F3", "B6")}},
		{Name: "2", Epoch: "as found", Now: true, Do: "Roll the vehicle forward by 0.26 m, one at the controls, one watching.", Show: "all wheel boards", Missing: []string{"B4 (axle 2 right)", "B6 (axle 3 right)"},
			Photos: []bay.Photo{photo(6, "good", true, "", "", "B1", "B3", "F1"), photo(7, "moved", false, "the camera moved by 4 pixels while it exposed", "Hold it still, or add light", "B2", "F2")}},
		{Name: "3", Epoch: "as found"},
	}
	v.Station = &v.Stations[1]
	v.Shots = []bay.Shot{
		{Where: "beside axle 2, right, 1.5 m high", Phone: "flat", X: -3.6, Y: -2.9, H: 1.5, Heading: 1.7, Boards: []string{"B4", "F4"}},
		{Where: "behind the vehicle, right, 1.6 m high", Phone: "upright", X: -6.9, Y: -2.2, H: 1.6, Heading: 0.8, Boards: []string{"B6", "F5"}},
	}
	for i, x := range []float64{0, -3.6, -4.95} {
		v.Plan.Axles = append(v.Plan.Axles, bay.PlanAxle{Number: i + 1, X: x, Track: 2.05, Tyre: 1, Left: 0.001 * float64(2-i), Right: 0.0008, Steered: i == 0})
		for s, y := range []float64{1.35, -1.35} {
			v.Plan.Boards = append(v.Plan.Boards, bay.PlanBoard{Name: fmt.Sprintf("B%d", 2*i+s+1), Kind: "wheel", X: x, Y: y, Seen: (5 - 2*i - s) / 2})
			v.Wheels = append(v.Wheels, bay.Wheel{Axle: i + 1, Side: []string{"left", "right"}[s], Board: fmt.Sprintf("B%d", 2*i+s+1)})
		}
	}
	for i, at := range [][2]float64{{1.6, 0.7}, {1.6, -0.8}, {-1.8, 1.8}, {-1.8, -1.9}, {-6, 0.4}} {
		v.Plan.Boards = append(v.Plan.Boards, bay.PlanBoard{Name: fmt.Sprintf("F%d", i+1), Kind: "floor", X: at[0], Y: at[1], Seen: i % 3})
	}
	v.Axles = []bay.Axle{
		{Number: 1, Name: "front", Steered: true, Verdict: "outside", Readings: []bay.Reading{read("total toe", "0.231", "0.008", "-0.05", "0.1", 1.87, 0.11, "outside")},
			Left:  []bay.Reading{read("camber", "0.192", "0.014", "-0.5", "0.75", 0.55, 0.02, "within"), read("toe", "0.118", "0.006", "", "", 0.5, 0, "")},
			Right: []bay.Reading{read("camber", "-0.250", "0.014", "-0.5", "0.75", 0.2, 0.02, "within"), read("toe", "0.113", "0.006", "", "", 0.5, 0, "")}},
		{Number: 2, Name: "drive", Reference: true, Verdict: "undecided", Readings: []bay.Reading{read("thrust angle", "0.097", "0.005", "-0.1", "0.1", 0.985, 0.05, "undecided"), read("total toe", "0.020", "0.009", "-0.1", "0.1", 0.6, 0.1, "within")},
			Left: []bay.Reading{read("camber", "0.05", "0.014", "", "0.5", math.NaN(), 0, "within")}, Right: []bay.Reading{read("camber", "0.07", "0.014", "", "0.5", math.NaN(), 0, "within")}},
		{Number: 3, Name: "tag", Verdict: "within", Readings: []bay.Reading{read("scrub angle", "0.012", "0.001", "-0.1", "0.1", 0.56, 0.01, "within")}},
	}
	switch name {
	case "photographing":
	case "empty":
		v.Axles, v.Epoch, v.Epochs, v.Undo, v.Who = nil, "", nil, "", ""
		for i := range v.Stations {
			v.Stations[i].Photos, v.Stations[i].Missing, v.Stations[i].Complete = nil, nil, false
		}
		v.Now = &bay.Step{ID: "brakes", Title: "Chocks and brakes", State: "now", Do: "Apply the brakes, chock the wheels.", Cares: []string{"A vehicle that rolls kills."},
			Answers: []bay.Answer{{Label: "ok", Action: bay.Action{Do: "tell", With: map[string]string{"what": "brakes", "result": "ok"}}}}}
	case "check":
		v.Now = &bay.Step{ID: "brakes", Title: "Chocks and brakes", State: "now", Do: "Apply the brakes, chock the wheels.", Cares: []string{"A vehicle that rolls kills."},
			Answers: []bay.Answer{{Label: "ok", Action: bay.Action{Do: "tell", With: map[string]string{"what": "brakes", "result": "ok"}}},
				{Label: "skipped", Action: bay.Action{Do: "tell", With: map[string]string{"what": "brakes", "result": "skipped"}}},
				{Label: "bad", Action: bay.Action{Do: "tell", With: map[string]string{"what": "brakes", "result": "bad"}}}}}
	case "targets":
		v.Now = &bay.Step{ID: "targets", Title: "Target values", State: "now", Do: "Choose what the vehicle is held to.",
			Answers: []bay.Answer{{Label: "targets", Action: bay.Action{Do: "targets"}, Choose: "spec", Choices: []bay.Choice{{Value: "heavy", Label: "heavy truck, common practice"}, {Value: "car", Label: "car, common practice, no source, to be replaced by the maker's own"}}}, {Label: "skipped", Action: bay.Action{Do: "tell"}}}}
	case "camera":
		v.Now = &bay.Step{ID: "camera", Title: "Camera file", State: "now", Do: "Give the job the camera file of the phone that photographs here.", Answers: []bay.Answer{{Label: "camera", Action: bay.Action{Do: "camera"}, File: true}}}
	case "adjust":
		v.Now = &bay.Step{ID: "adjust-1", Title: "Adjust axle 1", State: "now", Do: "Shorten the tie rod by 1.2 turns.", Why: "total toe is outside",
			Cares:   []string{"The maker's manual comes first.", "Tighten every fastener to the maker's torque."},
			Answers: []bay.Answer{{Label: "adjusted", Action: bay.Action{Do: "station", With: map[string]string{"epoch": "as left", "moved": "1"}}}, {Label: "accept", Action: bay.Action{Do: "tell"}}}}
		v.Advice = []bay.Advice{{Title: "Tie rod of axle 1", Do: "Shorten by 1.2 turns (0.13 degrees of total toe).", Axle: 1, Why: []string{"total toe would be 0.03 ± 0.01 °"}}, {Title: "Axle 2, left spring seat", Do: "Move back by 0.8 mm.", Axle: 2}}
		v.Warnings = []string{"corners fit 1.6 times worse than stated: is a board loose?", "photos/2/007.jpg: left out, it moved"}
		v.Record = true
	case "done":
		v.Now, v.Shots, v.Done, v.Record = nil, nil, v.Of, true
	}
	return v
}

var liveStates = []string{"settled", "moving", "hidden", "knocked", "waiting", "lost"}

func live(state string) *bay.Live {
	l := &bay.Live{Source: "camera", State: state, Say: "Total toe of axle 1 stands still at 0.041 °.", Axle: 1, Rate: 24, At: time.Now()}
	if state != "waiting" && state != "lost" {
		l.Readings = []bay.Reading{{Quantity: "total-toe", Name: "total toe", Value: "0.041", U: "0.009", Unit: "°", Low: "-0.05", High: "0.1", At: 0.6, Width: 0.12, Verdict: "within"},
			{Quantity: "toe", Name: "toe left", Value: "-0.118", U: "0.011", Unit: "°", At: 0.5}, {Quantity: "toe", Name: "toe right", Value: "0.159", U: "0.011", Unit: "°", At: 0.5}}
	}
	return l
}

// opened is a server with made-up views.
func opened(t *testing.T) (*stage, *bay.Server, string) {
	t.Helper()
	s := &stage{view: "photographing", picture: filepath.Join(t.TempDir(), "p.jpg"), live: make(chan *bay.Live)}
	img := image.NewRGBA(image.Rect(0, 0, 640, 480))
	for i := range img.Pix {
		img.Pix[i] = byte(90 + i/640/40)
	}
	for x := 200; x < 300; x++ {
		for y := 150; y < 250; y++ {
			img.Set(x, y, color.White)
		}
	}
	f, err := os.Create(s.picture)
	if err == nil {
		err = errors.Join(jpeg.Encode(f, img, nil), f.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
	server, err := bay.New(s, bay.Options{Dir: t.TempDir(), Hosts: []string{"127.0.0.1"}, Live: s, Log: t.Logf})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() { defer close(ended); server.Run(ctx) }()
	h := httptest.NewServer(server.Handler())
	t.Cleanup(func() {
		stop()
		<-ended
		h.CloseClientConnections()
		h.Close()
	})
	return s, server, h.URL
}

func enter(w *baytest.Window, s *bay.Server, url, to string) {
	w.Go(url + "/enter?code=" + s.Code() + "&to=" + to)
	w.Wait("to be let in", `document.body.dataset.page !== "enter"`)
}

// Every page in every state, on every screen and in both looks, breaks none of the
// guidelines, is no wider than its screen, and has nothing too small to press.
func TestPages(t *testing.T) {
	program := baytest.Start(t)
	if ok, why := baytest.Judged(); !ok {
		t.Log("not judged: " + why)
	}
	s, server, url := opened(t)
	w := program.Open(t, baytest.Laptop)
	screens := []baytest.Screen{baytest.Laptop, baytest.Phone}
	if *gallery != "" {
		screens = append(screens, baytest.Tablet)
	}
	see := func(name string) {
		t.Helper()
		for _, screen := range screens {
			w.Size(screen)
			w.Look(false)
			w.Fits(name)
			// What else the guidelines ask for is the same in both looks.
			w.Judge(name, false)
			if *gallery != "" {
				w.Shot(fmt.Sprintf("%s/%s-%d-bright.png", *gallery, name, screen.Width))
			}
			w.Look(true)
			w.Judge(name+", dark", true)
			if *gallery != "" {
				w.Shot(fmt.Sprintf("%s/%s-%d-dark.png", *gallery, name, screen.Width))
			}
		}
	}
	w.Go(url + "/")
	w.Wait("the door", `document.querySelector("input[name=code]")`)
	see("door")
	w.Fill("input[name=code]", "WRONG234")
	w.Press("#enter", "Go in")
	w.Wait("a refusal", `document.querySelector("[role=alert]")`)
	see("door-refused")
	enter(w, server, url, "/")
	for _, name := range []string{"setup", "empty", "check", "targets", "camera", "photographing", "adjust", "done"} {
		w.Eval(`fetch("/do", {method: "POST", headers: {"X-Part": "1"}, body: new URLSearchParams({do: "show", view: "`+name+`"})}).then((r) => r.status)`, nil)
		w.Go(url + "/")
		w.Eval(`document.querySelectorAll("details").forEach((d) => d.open = true)`, nil)
		see("bay-" + name)
		if name == "setup" || name == "empty" || name == "photographing" {
			w.Go(url + "/phone")
			see("phone-" + name)
		}
	}
	w.Go(url + "/code")
	see("code")
	w.Go(url + "/")
	for _, state := range liveStates {
		s.live <- live(state)
		w.Wait("live "+state, fmt.Sprintf(`document.querySelector("section#live.%s")`, state))
		if state == "settled" || *gallery != "" {
			see("live-" + state)
		}
	}
}

// The page by keyboard, what two windows see, and what somebody is typing meanwhile.
func TestKeysAndNews(t *testing.T) {
	program := baytest.Start(t)
	s, server, url := opened(t)
	w, other := program.Open(t, baytest.Laptop), program.Open(t, baytest.Phone)
	w.Look(false)
	enter(w, server, url, "/")
	w.Wait("to be connected", `typeof Idiomorph === "object" && document.readyState === "complete"`)
	focus := func(what string) {
		t.Helper()
		w.Wait("focus on "+what, fmt.Sprintf(`document.activeElement.matches(%q)`, what))
	}
	w.Keys("\t")
	focus(".skip")
	w.Keys("\r")
	focus("#now")
	w.Keys("2")
	focus("#readings")
	w.Keys("3")
	focus("#stations")
	w.Keys("1")
	focus("#now")
	w.Keys("l")
	w.Wait("the dark look", `document.documentElement.dataset.look === "dark" && getComputedStyle(document.body).backgroundColor === "rgb(16, 25, 29)"`)
	w.Keys("u")
	w.Wait("undo", `!document.querySelector("[data-key=u]").disabled`)
	undone := func() int {
		s.mu.Lock()
		defer s.mu.Unlock()
		return s.undone
	}
	for end := time.Now().Add(30 * time.Second); undone() == 0 && time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
	}
	if n := undone(); n != 1 {
		t.Errorf("u undid %d steps", n)
	}

	// What somebody types stays when the other window changes the job, and the page
	// shows the change.
	w.Eval(`document.querySelector("input[name=epoch]").focus()`, nil)
	w.Eval(`document.querySelector("input[name=epoch]").value = ""`, nil)
	w.Keys("as left, 1")
	enter(other, server, url, "/phone")
	other.Wait("the phone's page", `document.querySelector(".latest")`)
	other.Eval(`fetch("/do", {method: "POST", body: new URLSearchParams({do: "show", view: "check"})}).then((r) => r.status)`, nil)
	w.Wait("news of the other window", `document.getElementById("now-title").textContent === "Chocks and brakes"`)
	other.Wait("its own change", `document.getElementById("now-title").textContent === "Chocks and brakes"`)
	w.Wait("what was typed", `document.activeElement.name === "epoch" && document.activeElement.value === "as left, 1"`)
	w.Press("#now", "Bad")
	w.Wait("to be told why not", `document.getElementById("said").textContent.includes("say in the note what is bad")`)
	w.Press("#now", "Done, good")
	w.Wait("that to be gone", `document.getElementById("said").hidden`)
	s.mu.Lock()
	if len(s.acted) != 1 || s.acted[0].With["what"] != "brakes" || s.acted[0].With["result"] != "ok" {
		t.Errorf("the presses came as %v", s.acted)
	}
	s.mu.Unlock()

	// Live values change in place.
	l := live("settled")
	s.live <- l
	w.Wait("live readings", `document.querySelector("section#live.settled")`)
	// While there is nothing to read, twice, for the second time changes texts only.
	for _, say := range []string{"waiting for boards", "waiting for board A"} {
		s.live <- &bay.Live{Source: l.Source, State: "waiting", Say: say, Axle: l.Axle}
		w.Wait("to be told why", fmt.Sprintf(`document.querySelector("section#live.waiting .say").textContent === %q`, say))
	}
	s.live <- l
	w.Wait("live readings again", `document.querySelector("section#live.settled")`)
	// Not by an attribute: news of the page, which may come now, takes away what it does not have.
	w.Eval(`void (window.mine = document.querySelector("#live strong"))`, nil)
	next := *l
	next.Readings = append([]bay.Reading(nil), l.Readings...)
	next.Readings[0].Value = "0.044"
	s.live <- &next
	w.Wait("the next value, in the same place", `window.mine === document.querySelector("#live strong") && window.mine.textContent === "0.044"`)
}
