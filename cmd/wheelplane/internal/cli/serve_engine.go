package cli

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"io/fs"
	"math"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"

	"wheelplane/cmd/wheelplane/internal/bay"
	"wheelplane/cmd/wheelplane/internal/planned"
	"wheelplane/cmd/wheelplane/internal/record"
	"wheelplane/cmd/wheelplane/internal/spec"
	"wheelplane/cmd/wheelplane/internal/visit"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"golang.org/x/image/draw"
)

// bench is the job behind the bay page: it does what buttons ask for by the commands
// of the same names, as steps of a journal.
type bench struct {
	app   *App // prints nowhere
	dir   string
	units record.Units

	journal *bay.Journal

	mu     sync.Mutex
	sums   map[string]string // of the photographs, by path and time
	looked map[string]*lookedAt
	tried  string // what could not be measured or planned: not tried again until it changes
}

// Where the page keeps its own files in a job's folder.
const (
	baySteps = ".wheelplane/steps"
	bayShown = ".wheelplane/shown"
)

// lookedAt is what a photograph showed, for the page.
type lookedAt struct {
	Verdict string   `json:"verdict"`
	Good    bool     `json:"good"`
	Why     string   `json:"why,omitempty"`
	Do      string   `json:"do,omitempty"`
	Boards  []string `json:"boards"`
}

func newBench(dir string, units record.Units) (*bench, error) {
	b := &bench{app: &App{Stdout: io.Discard, Stderr: io.Discard, Quiet: true}, dir: dir, units: units,
		sums: map[string]string{}, looked: map[string]*lookedAt{}}
	if err := os.MkdirAll(filepath.Join(dir, bayShown), 0o777); err != nil {
		return nil, cannotWrite(dir, err)
	}
	var err error
	b.journal, err = bay.OpenJournal(dir, baySteps)
	return b, err
}

func (b *bench) path(rel string) string { return filepath.Join(b.dir, filepath.FromSlash(rel)) }

// step does something as one step of the journal, the job held meanwhile.
func (b *bench) step(what string, files []string, act func() error) error {
	return b.app.editing(context.Background(), b.dir, func() error { return b.journal.Do(what, files, act) })
}

// Act is [bay.Engine].
func (b *bench) Act(a bay.Action) error {
	get := func(k string) string { return strings.TrimSpace(a.With[k]) }
	switch a.Do {
	case "begin":
		return b.begin(get("layout"), get("name"))
	case "tell":
		o := checkOptions{dir: b.dir, what: get("what"), result: get("result"), note: get("note"), now: now()}
		return b.step(o.what+": "+o.result, []string{visit.File}, func() error { return b.app.check(o) })
	case "targets":
		return b.step("target values "+get("spec"), []string{spec.File}, func() error {
			return b.app.specUse(context.Background(), specUseOptions{dir: b.dir, name: get("spec"), held: true})
		})
	case "visit":
		return b.step(get("key")+" "+get("value"), []string{visit.File}, func() error {
			return b.app.visit(b.dir, []string{get("key") + "=" + get("value")})
		})
	case "station":
		return b.addStation(get("epoch"), get("moved"), get("steer"), get("lifted"))
	case "hang":
		return b.hang(get("board"), get("wheel"))
	case "forget":
		return b.forget(get("photo"))
	case "record":
		files := []string{"record.pdf", "record.html", "record.csv", "record.json"}
		return b.step("the record", files, func() error {
			_, _, err := b.app.writeRecord(reportOptions{dir: b.dir, Options: record.Options{Units: b.units, Angles: record.Degrees, Paper: record.Papers[0].Name}})
			return err
		})
	case "camera":
		return b.camera([]byte(a.With["file"]))
	}
	return fmt.Errorf("nothing is called %q here: load the page again", a.Do)
}

// Undo is [bay.Engine].
func (b *bench) Undo() (what string, err error) {
	err = b.app.editing(context.Background(), b.dir, func() error {
		what, err = b.journal.Undo()
		return err
	})
	if err == nil && what == "" {
		err = errors.New("there is nothing to undo")
	}
	return what, err
}

// begin makes the job in the folder that is served.
func (b *bench) begin(layout, name string) error {
	at := slices.IndexFunc(layouts, func(l struct {
		name, about string
		axles       []rig.Axle
	}) bool {
		return l.name == layout
	})
	if at < 0 {
		return errors.New("choose one of the vehicles")
	}
	return b.journal.Do("a new job", []string{rig.JobFile}, func() error {
		return b.app.newJob(context.Background(), newOptions{dir: b.dir, layout: layout, name: name, stations: 3, squareMM: 55, markerMM: 41})
	})
}

// camera takes a camera file into the job.
func (b *bench) camera(text []byte) error {
	tmp := b.path(bayShown + "/camera.new.yaml")
	if err := os.WriteFile(tmp, text, 0o600); err != nil {
		return err
	}
	defer os.Remove(tmp)
	if _, err := vision.LoadCamera(tmp); err != nil {
		return errors.New(strings.Replace(err.Error(), tmp, "that was sent", 1))
	}
	return b.step("the camera file", []string{"camera.yaml"}, func() error {
		return writeFile(b.path("camera.yaml"), these(text))
	})
}

// addStation is the next place, state or steer of the vehicle. Where the job has one
// that is not photographed yet and nothing else is asked for, the present one is
// called done.
func (b *bench) addStation(epoch, moved, steer, lifted string) error {
	f, err := b.app.workFolder(b.dir)
	if err != nil {
		return err
	}
	job := f.Job.Job
	if epoch == "" && moved == "" && steer == "" && lifted == "" {
		if st := b.here(f.Job); st+1 < len(job.Stations) {
			if slices.Contains(f.Job.Missing, st) {
				return fmt.Errorf("station %s has no photographs yet: photograph it first, or undo", job.Stations[st].Name)
			}
			o := checkOptions{dir: b.dir, what: "station-" + job.Stations[st].Name, result: string(visit.OK), by: who(f.Visit), now: now()}
			return b.step("on to station "+job.Stations[st+1].Name, []string{visit.File}, func() error { return b.app.check(o) })
		}
	}
	o := stationOptions{dir: b.dir, stop: rig.NewStation{Epoch: epoch}}
	if moved != "" {
		o.moved = strings.Split(moved, ",")
	}
	if lifted != "" {
		o.lifted = strings.Split(lifted, ",")
	}
	if steer != "" {
		if _, err := fmt.Sscanf(steer, "%g", &o.steerDeg); err != nil || !(o.steerDeg >= -60 && o.steerDeg <= 60) || o.steerDeg > -2 && o.steerDeg < 2 {
			return fmt.Errorf("steered by %q: give 2 to 60 degrees, to the right with a minus sign", steer)
		}
		o.stop.Sweep, o.stop.Steer = true, o.steerDeg*math.Pi/180
	}
	what := "a new station"
	if epoch != "" {
		what = "a new station, " + epoch
	}
	return b.step(what, []string{rig.JobFile}, func() error { return b.app.station(o) })
}

// hang moves a board to another wheel, from a new station on.
func (b *bench) hang(board, wheel string) error {
	list, err := wheelList("wheel", []string{wheel})
	if err != nil || len(list) != 1 {
		return errors.New("choose the board, and the wheel it is moved to")
	}
	return b.step(fmt.Sprintf("board %s to %s", board, list[0]), []string{rig.JobFile}, func() error {
		text, err := rig.AddStation(b.dir, rig.NewStation{Hung: map[string]rig.Wheel{board: list[0]}})
		if err != nil {
			return err
		}
		return writeFile(b.path(rig.JobFile), these(text))
	})
}

// forget takes a photograph out of the job. It stays in the journal.
func (b *bench) forget(id string) error {
	folder, err := rig.Read(b.dir)
	if err != nil {
		return err
	}
	for _, p := range folder.Job.Photos {
		if b.id(p.Path) == id {
			return b.step("photograph "+path.Base(p.Path)+" taken out", []string{p.Path}, func() error { return os.Remove(b.path(p.Path)) })
		}
	}
	return errors.New("this photograph is not there any more")
}

// Due is [bay.Engine]: what was measured is not what there is.
func (b *bench) Due() bool {
	folder, err := rig.Read(b.dir)
	if err != nil {
		return false
	}
	if !b.allLooked(folder) {
		return true
	}
	state := b.state(folder)
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.tried != state
}

// state names all that a measurement and a plan depend on.
func (b *bench) state(f *rig.Folder) string {
	h := sha256.New()
	fmt.Fprintln(h, f.Sum, b.timeOf(f.Camera), b.timeOf(b.path(spec.File)))
	for _, p := range f.Job.Photos {
		fmt.Fprintln(h, p.Path, b.timeOf(b.path(p.Path)))
	}
	return fmt.Sprintf("%x", h.Sum(nil))
}

func (b *bench) timeOf(path string) int64 {
	st, err := os.Stat(path)
	if err != nil {
		return 0
	}
	return st.ModTime().UnixNano() + st.Size()
}

// Measure is [bay.Engine]. It also plans what is to be photographed, where nobody
// has, and looks at photographs that came by another way.
func (b *bench) Measure(ctx context.Context) error {
	folder, err := rig.Read(b.dir)
	if err != nil {
		return err
	}
	state := b.state(folder)
	camera, err := vision.LoadCamera(folder.Camera)
	if errors.Is(err, fs.ErrNotExist) {
		b.done(state)
		return nil // the page asks for it
	}
	if err != nil {
		return err
	}
	for _, p := range folder.Job.Photos {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if b.seen(p.Path) == nil {
			if _, err := b.lookAt(b.path(p.Path), b.id(p.Path), folder.Job.Boards, camera); err != nil {
				b.keep(b.id(p.Path), &lookedAt{Verdict: "unusable", Why: err.Error()})
			}
		}
	}
	if _, err := os.Stat(b.path(planned.Name)); errors.Is(err, fs.ErrNotExist) && len(folder.Job.Photos) == 0 {
		// Without one, stations are photographed by the rule of two boards.
		_ = b.app.plan(planOptions{dir: b.dir, wantedDeg: wantedDeg, most: 20})
	}
	if len(folder.Missing) < len(folder.Job.Stations) {
		err = b.measure(ctx, folder)
	} else if e := os.Remove(b.path(rig.ResultFile)); e != nil && !errors.Is(e, fs.ErrNotExist) {
		err = e // the photographs were taken back
	}
	if ctx.Err() == nil {
		b.done(state)
	}
	return err
}

func (b *bench) done(state string) {
	b.mu.Lock()
	b.tried = state
	b.mu.Unlock()
}

// measure measures the stations that are photographed: those to come are not missed
// yet.
func (b *bench) measure(ctx context.Context, folder *rig.Folder) error {
	so, err := folder.Photographed()
	if err != nil {
		return err
	}
	result, err := b.app.resultOf(ctx, so, measureOptions{ignoreUnknown: true}, rig.Options{})
	if err == nil {
		return keepResult(b.dir, result)
	}
	if plain := b.plain(err); exitCode(err) == ExitUnmeasurable {
		// What was measured of fewer photographs still holds; of some that are gone, not.
		if b.ofPhotosGone(folder) {
			if e := os.Remove(b.path(rig.ResultFile)); e != nil && !errors.Is(e, fs.ErrNotExist) {
				return e
			}
		}
		return bay.NotYet{Err: plain}
	} else if ctx.Err() == nil {
		return plain
	}
	return err
}

// ofPhotosGone tells whether the result is of photographs that are not there any more.
func (b *bench) ofPhotosGone(f *rig.Folder) bool {
	r, err := loadResult(b.dir)
	if err != nil || r.Inputs == nil {
		return true
	}
	return slices.ContainsFunc(r.Inputs.Photos, func(in rig.Input) bool {
		return !slices.ContainsFunc(f.Job.Photos, func(p rig.Photo) bool { return p.Path == in.Path })
	})
}

// plain is an error without the folder's name, which the page need not tell.
func (b *bench) plain(err error) error {
	text := strings.TrimPrefix(err.Error(), b.dir+": ")
	return withCode(exitCode(err), errors.New(strings.ReplaceAll(text, b.dir+string(filepath.Separator), "")))
}

// allLooked tells whether every photograph was looked at for the page.
func (b *bench) allLooked(f *rig.Folder) bool {
	return !slices.ContainsFunc(f.Job.Photos, func(p rig.Photo) bool { return b.seen(p.Path) == nil })
}

// Take is [bay.Engine].
func (b *bench) Take(ctx context.Context, file bay.Upload) (*bay.Taken, error) {
	refused := func(err error) (*bay.Taken, error) {
		// Whoever sent it knows no file of ours.
		text := strings.TrimPrefix(strings.ReplaceAll(b.plain(err).Error(), "photo "+file.Path+": ", ""), "camera file "+file.Path+": ")
		return &bay.Taken{Refused: strings.ReplaceAll(text, file.Path, "it")}, nil
	}
	if file.Kind == "camera" {
		text, err := vision.ReadFile(file.Path, 1<<20)
		if err == nil {
			err = b.camera(text)
		}
		if err != nil {
			return refused(err)
		}
		return &bay.Taken{}, nil
	}
	folder, err := rig.Read(b.dir)
	if err != nil {
		return refused(err)
	}
	st := slices.IndexFunc(folder.Job.Stations, func(s rig.Station) bool { return s.Name == file.Station })
	if st < 0 {
		st = b.here(folder)
	}
	if st < 0 {
		return refused(errors.New("the job has no station: add one on the bay's page"))
	}
	station := folder.Job.Stations[st].Name
	camera, err := vision.LoadCamera(folder.Camera)
	if errors.Is(err, fs.ErrNotExist) {
		return refused(errors.New("the job has no camera file yet: give it one on the bay's page, then send this again"))
	}
	if err != nil {
		return refused(err)
	}
	if file.Kind == "film" {
		return b.takeFilm(ctx, file, station, refused)
	}
	for _, p := range folder.Job.Photos {
		if b.sum(p.Path) == file.SHA256 {
			return &bay.Taken{Before: true, Station: folder.Job.Stations[p.Station].Name, Photo: b.photo(p.Path)}, nil
		}
	}
	info, err := vision.ReadInfo(file.Path)
	if err == nil {
		err = camera.Fits(info)
	}
	if err != nil {
		return refused(err)
	}
	ext := ".jpg"
	if head := make([]byte, 4); readHead(file.Path, head) && string(head[1:]) == "PNG" {
		ext = ".png"
	}
	to, err := b.free(folder, st, ext)
	if err != nil {
		return nil, err
	}
	// Looked at where it lies: what is no good is not taken in.
	look, err := b.lookAt(file.Path, "", folder.Job.Boards, camera)
	if err != nil {
		return refused(err)
	}
	if len(look.told.Boards) == 0 {
		text := "no board of this job was found in it"
		if look.told.Why != "" {
			text += ": " + look.told.Why
		}
		if look.told.Do != "" {
			text += "; " + look.told.Do
		}
		return &bay.Taken{Refused: text}, nil
	}
	err = b.step(fmt.Sprintf("photograph %s of station %s", path.Base(to), station), []string{to}, func() error {
		if err := os.MkdirAll(filepath.Dir(b.path(to)), 0o777); err != nil {
			return err
		}
		return b.moveIn(file.Path, b.path(to))
	})
	if err != nil {
		return nil, err
	}
	if err := look.write(b, b.id(to)); err != nil {
		return nil, err
	}
	return &bay.Taken{Photo: b.photo(to), Station: station}, nil
}

func readHead(path string, head []byte) bool {
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	_, err = io.ReadFull(f, head)
	return err == nil
}

// moveIn gives a file that has arrived its place. It is on the disk by then; its
// name is afterwards.
func (b *bench) moveIn(from, to string) error {
	if _, err := os.Lstat(to); err == nil {
		return fmt.Errorf("%s is there already", to)
	}
	if err := os.Chmod(from, 0o644); err != nil {
		return err
	}
	if err := os.Rename(from, to); err != nil {
		return err
	}
	d, err := os.Open(filepath.Dir(to))
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// takeFilm picks frames from a film, as the command does.
func (b *bench) takeFilm(ctx context.Context, file bay.Upload, station string, refused func(error) (*bay.Taken, error)) (*bay.Taken, error) {
	// The command names frames after the film: a name of ours, that says which it is.
	film := filepath.Join(filepath.Dir(file.Path), "film-"+file.SHA256[:8]+".mp4")
	if err := os.Rename(file.Path, film); err != nil {
		return nil, err
	}
	defer os.Remove(film)
	var list *frameList
	again := false
	// The command holds the job itself where it edits it.
	err := b.journal.DoMore("a film of station "+station, []string{rig.JobFile}, func() (made []string, err error) {
		list, again, err = b.app.frames(ctx, framesOptions{dir: b.dir, station: station, film: film, most: usualFrames})
		if err != nil || again {
			return nil, err
		}
		for _, f := range list.Picked {
			made = append(made, f.Photo)
		}
		return made, nil
	})
	if err != nil {
		return refused(errors.New(strings.ReplaceAll(err.Error(), film, "the film")))
	}
	return &bay.Taken{Station: station, Before: again}, nil
}

// free is the next free name for a photograph of a station.
func (b *bench) free(f *rig.Folder, st int, ext string) (string, error) {
	folder := f.PhotosOf(st)
	if strings.ContainsAny(folder, `*?[\`) {
		folder = "photos/" + f.Job.Stations[st].Name
	}
	for n := 1; n < 10000; n++ {
		name := fmt.Sprintf("%s/%03d", folder, n)
		taken := false
		for _, e := range []string{".jpg", ".png", ".jpeg"} {
			if _, err := os.Lstat(b.path(name + e)); err == nil {
				taken = true
			}
		}
		if taken {
			continue
		}
		if !f.Takes(st, name+ext) {
			return "", BadInputf("%s: station %s would not look for %s: give its photos a pattern that does, or none", filepath.Join(b.dir, rig.JobFile), f.Job.Stations[st].Name, name+ext)
		}
		return name + ext, nil
	}
	return "", fmt.Errorf("%s is full", folder)
}

// sum is the SHA-256 of a photograph of the job.
func (b *bench) sum(rel string) string {
	key := fmt.Sprint(rel, b.timeOf(b.path(rel)))
	b.mu.Lock()
	s := b.sums[key]
	b.mu.Unlock()
	if s == "" {
		s, _ = vision.Sum(b.path(rel))
		b.mu.Lock()
		b.sums[key] = s
		b.mu.Unlock()
	}
	return s
}

// id names a photograph to pages: it tells nothing of where it lies.
func (b *bench) id(rel string) string {
	return fmt.Sprintf("%x", sha256.Sum256([]byte(fmt.Sprint(rel, b.timeOf(b.path(rel))))))[:16]
}

var photoID = regexp.MustCompile(`^[0-9a-f]{16}$`)

// Picture is [bay.Engine].
func (b *bench) Picture(id string, small bool) (string, bool) {
	if !photoID.MatchString(id) {
		return "", false
	}
	name := b.path(bayShown + "/" + id + ".jpg")
	if small {
		name = b.path(bayShown + "/" + id + "-small.jpg")
	}
	_, err := os.Stat(name)
	return name, err == nil
}

// Record is [bay.Engine].
func (b *bench) Record(kind string) (string, bool) {
	name := b.path("record." + kind)
	_, err := os.Stat(name)
	return name, err == nil && (kind == "pdf" || kind == "html")
}

// look is what lookAt found, to be written under a name once there is one.
type bayLook struct {
	told         *lookedAt
	large, small image.Image
}

// Sizes of annotated pictures on pages, pixels across.
const (
	largePicture = 1600
	smallPicture = 320
)

// lookAt looks at a photograph as inspect does. With an id it is written at once.
func (b *bench) lookAt(file, id string, boards []vision.Board, camera *vision.Camera) (*bayLook, error) {
	photo, err := vision.Load(file)
	if err != nil {
		return nil, err
	}
	defer photo.Release()
	res, err := vision.Detect(photo.Pix, boards, vision.DetectOptions{Camera: camera})
	if err != nil {
		return nil, err
	}
	v := judgePhoto(photo, boards, res, min(2, len(boards)), false)
	l := &bayLook{told: &lookedAt{Verdict: string(v.Verdict), Good: v.good(), Why: v.Why, Do: v.Do, Boards: []string{}}}
	for _, view := range res.Views {
		l.told.Boards = append(l.told.Boards, boards[view.Board].Name)
	}
	slices.Sort(l.told.Boards)
	drawn, err := vision.Annotate(photo.Pix, photo.Orientation, boards, res, v.remarks())
	if err != nil {
		return nil, err
	}
	l.large, l.small = shrunk(drawn, largePicture), nil
	l.small = shrunk(l.large, smallPicture)
	if id != "" {
		return l, l.write(b, id)
	}
	return l, nil
}

func shrunk(img image.Image, across int) image.Image {
	b := img.Bounds()
	n := max(b.Dx(), b.Dy())
	if n <= across {
		return img
	}
	out := image.NewRGBA(image.Rect(0, 0, b.Dx()*across/n, b.Dy()*across/n))
	draw.ApproxBiLinear.Scale(out, out.Bounds(), img, b, draw.Src, nil)
	return out
}

func (l *bayLook) write(b *bench, id string) error {
	for name, img := range map[string]image.Image{id + ".jpg": l.large, id + "-small.jpg": l.small} {
		err := writeFile(b.path(bayShown+"/"+name), func(w io.Writer) error { return jpeg.Encode(w, img, &jpeg.Options{Quality: 82}) })
		if err != nil {
			return err
		}
	}
	return b.keep(id, l.told)
}

func (b *bench) keep(id string, told *lookedAt) error {
	b.mu.Lock()
	b.looked[id] = told
	b.mu.Unlock()
	return writeFile(b.path(bayShown+"/"+id+".json"), func(w io.Writer) error { return encodeJSON(w, told) })
}

// seen is what a photograph of the job showed; nil where nobody has looked.
func (b *bench) seen(rel string) *lookedAt {
	id := b.id(rel)
	b.mu.Lock()
	told := b.looked[id]
	b.mu.Unlock()
	if told != nil {
		return told
	}
	text, err := vision.ReadFile(b.path(bayShown+"/"+id+".json"), vision.MostText)
	told = &lookedAt{}
	if err != nil || json.Unmarshal(text, told) != nil || told.Verdict == "" {
		return nil
	}
	b.mu.Lock()
	b.looked[id] = told
	b.mu.Unlock()
	return told
}

func (b *bench) photo(rel string) *bay.Photo {
	p := &bay.Photo{ID: b.id(rel), Name: strings.TrimSuffix(path.Base(rel), path.Ext(rel))}
	if told := b.seen(rel); told != nil {
		p.Verdict, p.Good, p.Why, p.Do, p.Boards = told.Verdict, told.Good, told.Why, told.Do, told.Boards
	}
	return p
}

// who is the technician, or a word for whoever works here.
func who(v *visit.Visit) string {
	if v.Technician != "" {
		return v.Technician
	}
	return "at the bay"
}

// here is the station where the vehicle stands: the first that is not done with, or
// the last with photographs.
func (b *bench) here(f *rig.Folder) int {
	w, err := b.app.workFolder(b.dir)
	if err != nil {
		return len(f.Job.Stations) - 1
	}
	w.Shows, w.AsTheyCome = b.shows, true // as the view has it: measured is not yet left
	return w.Here()
}

func (b *bench) shows(rel string) []string {
	if told := b.seen(rel); told != nil {
		return told.Boards
	}
	return nil
}
