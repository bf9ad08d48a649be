package rig

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"wheelplane/pose/align"
	"wheelplane/vision"

	"go.yaml.in/yaml/v3"
)

// JobFile is the name of the file that describes a job in its folder.
const JobFile = "job.yaml"

// AsFound is the epoch of a station that names none.
const AsFound = "as found"

// file mirrors job.yaml. Lengths are millimetres, angles degrees.
type file struct {
	Name    string      `yaml:"name,omitempty"`
	Vehicle fileVehicle `yaml:"vehicle"`
	Boards  fileBoards  `yaml:"boards"`
	Hangs   []fileHang  `yaml:"hangs"`
	Floor   fileFloor   `yaml:"floor"`
	Body    fileBody    `yaml:"body,omitempty"`
	Mount   fileMount   `yaml:"mount,omitempty"`
	Sweep   fileSweep   `yaml:"sweep,omitempty"`
	Epochs  []fileEpoch `yaml:"epochs,omitempty"`
	Station []fileStop  `yaml:"stations"`
	Camera  string      `yaml:"camera"`
	Wander  fileWander  `yaml:"camera_wander,omitempty"`
	Roll    fileRoll    `yaml:"rolling_shutter,omitempty"`
}

type fileRoll struct {
	TurnDeg *float64 `yaml:"turn_deg,omitempty"`
	ShiftMM *float64 `yaml:"shift_mm,omitempty"`
}

type fileWander struct {
	Focal    *float64 `yaml:"focal,omitempty"`
	CentrePx *float64 `yaml:"centre_px,omitempty"`
}

type fileVehicle struct {
	Name      string       `yaml:"name,omitempty"`
	Reference int          `yaml:"reference_axle,omitempty"`
	Axles     []fileAxle   `yaml:"axles"`
	Kingpin   *fileKingpin `yaml:"kingpin,omitempty"`
}

type fileKingpin struct {
	Board string   `yaml:"board"`
	XMM   float64  `yaml:"x_mm"`
	YMM   float64  `yaml:"y_mm"`
	ZMM   float64  `yaml:"z_mm,omitempty"`
	UMM   *float64 `yaml:"u_mm,omitempty"`
}

type fileBody struct {
	Boards []string `yaml:"boards,flow,omitempty"`
}

type fileSweep struct {
	BrakeSlipDeg *float64 `yaml:"brake_slip_deg,omitempty"`
}

type fileEpoch struct {
	Name  string       `yaml:"name"`
	Moved *[]fileWheel `yaml:"moved,omitempty"` // an empty list: nothing moved; none: everything may have
}

// fileWheel is one wheel, or both of an axle where side is left out.
type fileWheel struct {
	Axle int    `yaml:"axle"`
	Side string `yaml:"side,omitempty"`
}

type fileAxle struct {
	Name       string  `yaml:"name,omitempty"`
	PositionMM float64 `yaml:"position_mm"`
	TrackMM    float64 `yaml:"track_mm"`
	TyreMM     float64 `yaml:"tyre_diameter_mm,omitempty"`
	Steered    bool    `yaml:"steered,omitempty"`
	Driven     bool    `yaml:"driven,omitempty"`
}

type fileBoards struct {
	Dictionary string      `yaml:"dictionary,omitempty"`
	Squares    []int       `yaml:"squares,flow,omitempty"`
	SquareMM   float64     `yaml:"square_mm"`
	MarkerMM   float64     `yaml:"marker_mm"`
	Scale      *fileScale  `yaml:"print_scale,omitempty"`
	Spread     *float64    `yaml:"print_spread,omitempty"`
	FlatnessMM *float64    `yaml:"flatness_mm,omitempty"`
	List       []fileBoard `yaml:"list"`
}

type fileScale struct {
	X float64  `yaml:"x"`
	Y float64  `yaml:"y"`
	U *float64 `yaml:"u,omitempty"`
}

type fileBoard struct {
	Name    string `yaml:"name"`
	FirstID int    `yaml:"first_id"`
}

type fileHang struct {
	Board string `yaml:"board"`
	Axle  int    `yaml:"axle"`
	Side  string `yaml:"side"`

	Stations []string `yaml:"stations,flow,omitempty"`
}

type fileFloor struct {
	Boards      []string `yaml:"boards,flow"`
	FlatnessMM  *float64 `yaml:"flatness_mm,omitempty"`
	TiltDeg     *float64 `yaml:"tilt_deg,omitempty"`
	ThicknessMM *float64 `yaml:"thickness_mm,omitempty"`
}

type fileMount struct {
	TiltDeg    *float64 `yaml:"tilt_deg,omitempty"`
	OffsetMM   *float64 `yaml:"offset_mm,omitempty"`
	StandoffMM *float64 `yaml:"standoff_mm,omitempty"`
	StandoffU  *float64 `yaml:"standoff_u_mm,omitempty"`
}

type fileStop struct {
	Name   string   `yaml:"name"`
	Epoch  string   `yaml:"epoch,omitempty"`
	Photos []string `yaml:"photos,flow,omitempty"`

	Lifted   []fileWheel `yaml:"lifted,omitempty"`
	SteerDeg *float64    `yaml:"steer_deg,omitempty"`
}

// Folder is a job on disk.
type Folder struct {
	Dir     string
	Job     *Job
	Camera  string // path of the camera file
	Missing []int  // stations without a photograph
	Sum     string // SHA-256 of job.yaml as read, hexadecimal

	patterns [][]string // where the photographs of each station are looked for
}

// PhotosOf is where the photographs of a station belong: a folder in the job's,
// or a pattern where that does not name one folder.
func (f *Folder) PhotosOf(station int) string {
	if station >= len(f.patterns) { // a folder that was not read from disk
		return "photos/" + f.Job.Stations[station].Name
	}
	pattern := f.patterns[station][0]
	if dir := path.Dir(pattern); !strings.ContainsAny(dir, `*?[\`) {
		return dir
	}
	return pattern
}

// Takes tells whether a station takes a picture of this path in the job's folder,
// with slashes, for a photograph of its own.
func (f *Folder) Takes(station int, photo string) bool {
	return IsPhoto(photo) && slices.ContainsFunc(f.patterns[station], func(pattern string) bool {
		ok, err := path.Match(pattern, photo)
		return ok && err == nil
	})
}

// Open reads DIR/job.yaml and lists the photographs of each station, which
// needs one at least. Every error is one line that names the file and what to
// do.
func Open(dir string) (*Folder, error) {
	f, err := Read(dir)
	if err != nil {
		return nil, err
	}
	if len(f.Missing) > 0 {
		st := f.Missing[0]
		return nil, fmt.Errorf("%s: station %s has no photo: nothing matches %s; put its photographs there or take the station out",
			filepath.Join(dir, JobFile), f.Job.Stations[st].Name, strings.Join(f.patterns[st], ", "))
	}
	return f, nil
}

// Photographed is the folder as far as the job has come: without the stations at its
// end that have no photograph yet, and what belongs to those alone.
func (f *Folder) Photographed() (*Folder, error) {
	n := len(f.Job.Stations)
	for n > 0 && slices.Contains(f.Missing, n-1) {
		n--
	}
	for _, st := range f.Missing {
		if st < n {
			return nil, fmt.Errorf("%s: station %s has no photo, but a later one has; photograph it, or take it out", filepath.Join(f.Dir, JobFile), f.Job.Stations[st].Name)
		}
	}
	job := *f.Job
	job.Stations = job.Stations[:n]
	job.Hangs = nil
	for _, h := range f.Job.Hangs {
		if h.Stations != nil {
			h.Stations = slices.DeleteFunc(slices.Clone(h.Stations), func(st int) bool { return st >= n })
			if len(h.Stations) == 0 {
				continue
			}
		}
		job.Hangs = append(job.Hangs, h)
	}
	job.Epochs = slices.DeleteFunc(slices.Clone(job.Epochs), func(e Epoch) bool {
		return !slices.ContainsFunc(job.Stations, func(s Station) bool { return s.Epoch == e.Name })
	})
	out := *f
	out.Job, out.Missing, out.patterns = &job, nil, f.patterns[:n]
	if err := job.Validate(); err != nil {
		return nil, fmt.Errorf("%s: as far as it is photographed: %w", filepath.Join(f.Dir, JobFile), err)
	}
	return &out, nil
}

// Read is [Open] for a job that is not photographed yet, or not to its end.
func Read(dir string) (*Folder, error) {
	info, err := os.Stat(dir)
	if err != nil {
		if errors.Is(err, os.ErrNotExist) {
			return nil, fmt.Errorf("%s: no such folder; give the job's folder, the one that holds %s", dir, JobFile)
		}
		return nil, err
	}
	if !info.IsDir() {
		return nil, fmt.Errorf("%s: not a folder; give the job's folder, the one that holds %s", dir, JobFile)
	}
	path := filepath.Join(dir, JobFile)
	text, err := vision.ReadFile(path, vision.MostText)
	if err != nil {
		if errors.Is(err, os.ErrNotExist) {
			return nil, fmt.Errorf("%s: no such file; a job's folder holds one (see 'wheelplane measure --help')", path)
		}
		return nil, err
	}
	f, job, err := parseJob(text)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	if f.Camera == "" {
		return nil, fmt.Errorf("%s: camera: no file named; make one with 'wheelplane camera' and name it here", path)
	}
	folder := &Folder{Dir: dir, Job: job, Camera: f.Camera, Sum: fmt.Sprintf("%x", sha256.Sum256(text))}
	if !filepath.IsAbs(folder.Camera) {
		folder.Camera = filepath.Join(dir, f.Camera)
	}
	if err := folder.listPhotos(f.Station); err != nil {
		return nil, err
	}
	return folder, nil
}

// parseJob reads a job from the text of a job.yaml, without its photographs.
func parseJob(text []byte) (*file, *Job, error) {
	var f file
	dec := yaml.NewDecoder(bytes.NewReader(text))
	dec.KnownFields(true)
	if err := dec.Decode(&f); err != nil {
		if errors.Is(err, io.EOF) {
			return nil, nil, errors.New("the file is empty; describe vehicle, boards, hangs, floor, stations and camera in it")
		}
		return nil, nil, errors.New(yamlError(err))
	}
	job, err := f.job()
	if err == nil {
		err = job.Validate()
	}
	return &f, job, err
}

// yamlError tells what is wrong with a job's YAML and where to look it up.
func yamlError(err error) string {
	text := vision.YAMLText(err)
	var t *yaml.TypeError
	if errors.As(err, &t) {
		text += "; see 'wheelplane measure --help'"
	}
	return text
}

// measuredPrintScale is how well a print scale is known that was measured with a
// good rule, where job.yaml does not say.
const measuredPrintScale = 0.0005

func set(v *float64, from *float64, unit float64) {
	if from != nil {
		*v = *from * unit
	}
}

// job turns the file into a Job, without its photographs.
func (f *file) job() (*Job, error) {
	j := &Job{Name: f.Name, Priors: DefaultPriors()}
	if err := finite(f); err != nil {
		return nil, err
	}
	j.Vehicle = Vehicle{Name: f.Vehicle.Name, Reference: f.Vehicle.Reference}
	if j.Vehicle.Reference == 0 {
		j.Vehicle.Reference = f.Vehicle.lastUnsteered()
	}
	for _, a := range f.Vehicle.Axles {
		if a.TyreMM < 0 {
			return nil, fmt.Errorf("vehicle: tyre_diameter_mm %g must be above 0", a.TyreMM)
		}
		j.Vehicle.Axles = append(j.Vehicle.Axles, Axle{
			Name: a.Name, Position: a.PositionMM / 1e3, Track: a.TrackMM / 1e3, TyreDiameter: a.TyreMM / 1e3,
			Steered: a.Steered, Driven: a.Driven,
		})
	}
	b := f.Boards
	if b.Dictionary == "" {
		b.Dictionary = "36h11"
	}
	if len(b.Squares) == 0 {
		b.Squares = []int{7, 5}
	}
	if len(b.Squares) != 2 {
		return nil, fmt.Errorf("boards: squares needs two numbers, across and down, like [7, 5]")
	}
	sx, sy := 1.0, 1.0
	if b.Scale != nil {
		sx, sy = b.Scale.X, b.Scale.Y
		if !(sx > 0.5 && sx < 2 && sy > 0.5 && sy < 2) {
			return nil, fmt.Errorf("boards: print_scale x %g, y %g: give the measured over the designed length, near 1", sx, sy)
		}
		j.Priors.PrintScale = measuredPrintScale
		set(&j.Priors.PrintScale, b.Scale.U, 1)
	}
	set(&j.Priors.PrintSpread, b.Spread, 1)
	set(&j.Priors.BoardFlatness, b.FlatnessMM, 1e-3)
	number := map[string]int{}
	for _, l := range b.List {
		if l.Name == "" {
			return nil, fmt.Errorf("boards: a board with first_id %d has no name; give it the one printed on it", l.FirstID)
		}
		if _, twice := number[l.Name]; !twice {
			number[l.Name] = len(j.Boards)
		}
		j.Boards = append(j.Boards, vision.Board{
			Name: l.Name, Dictionary: b.Dictionary, Cols: b.Squares[0], Rows: b.Squares[1],
			SquareM: b.SquareMM / 1e3, MarkerM: b.MarkerMM / 1e3, FirstID: l.FirstID, ScaleX: sx, ScaleY: sy,
		})
	}
	board := func(name, where string) (int, error) {
		n, ok := number[name]
		if !ok {
			return 0, fmt.Errorf("%s: board %q is not in the list of boards; add it there or correct the name", where, name)
		}
		return n, nil
	}
	stop := map[string]int{}
	for i, s := range f.Station {
		stop[s.Name] = i
	}
	for _, h := range f.Hangs {
		n, err := board(h.Board, "hangs")
		if err != nil {
			return nil, err
		}
		hang := Hang{Board: n, Wheel: Wheel{h.Axle, align.Side(h.Side)}}
		for _, name := range h.Stations {
			st, ok := stop[name]
			if !ok {
				return nil, fmt.Errorf("hangs: board %s: there is no station %q; name one of the list of stations", h.Board, name)
			}
			hang.Stations = append(hang.Stations, st)
		}
		j.Hangs = append(j.Hangs, hang)
	}
	for _, name := range f.Floor.Boards {
		n, err := board(name, "floor")
		if err != nil {
			return nil, err
		}
		j.Floor = append(j.Floor, Lay{Board: n})
	}
	for _, name := range f.Body.Boards {
		n, err := board(name, "body")
		if err != nil {
			return nil, err
		}
		j.Body = append(j.Body, n)
	}
	if k := f.Vehicle.Kingpin; k != nil {
		n, err := board(k.Board, "vehicle: kingpin")
		if err != nil {
			return nil, err
		}
		j.Kingpin = &Kingpin{Board: n, Point: [3]float64{k.XMM / 1e3, k.YMM / 1e3, k.ZMM / 1e3}, U: 0.001}
		set(&j.Kingpin.U, k.UMM, 1e-3)
	}
	p := &j.Priors
	set(&p.FloorFlatness, f.Floor.FlatnessMM, 1e-3)
	set(&p.FloorTilt, f.Floor.TiltDeg, math.Pi/180)
	set(&p.FloorThickness, f.Floor.ThicknessMM, 1e-3)
	set(&p.MountTilt, f.Mount.TiltDeg, math.Pi/180)
	set(&p.MountOffset, f.Mount.OffsetMM, 1e-3)
	set(&p.Standoff, f.Mount.StandoffMM, 1e-3)
	set(&p.StandoffU, f.Mount.StandoffU, 1e-3)
	set(&p.BrakeSlip, f.Sweep.BrakeSlipDeg, math.Pi/180)
	set(&p.WanderFocal, f.Wander.Focal, 1)
	set(&p.WanderCentre, f.Wander.CentrePx, 1)
	set(&p.RollTurn, f.Roll.TurnDeg, math.Pi/180)
	set(&p.RollShift, f.Roll.ShiftMM, 1e-3)
	for i, s := range f.Station {
		if s.Name == "" {
			return nil, fmt.Errorf("stations: station %d has no name; give it one, such as its number", i+1)
		}
		if s.Epoch == "" {
			s.Epoch = AsFound
		}
		st := Station{Name: s.Name, Epoch: s.Epoch, Lifted: wheels(s.Lifted)}
		if s.SteerDeg != nil {
			st.Sweep, st.Steer = true, *s.SteerDeg*math.Pi/180
		}
		j.Stations = append(j.Stations, st)
	}
	for _, e := range f.Epochs {
		if e.Name == "" {
			return nil, fmt.Errorf("epochs: an epoch has no name; give it one, such as \"as left\"")
		}
		if j.epoch(e.Name) >= 0 {
			return nil, fmt.Errorf("epochs: the name %q is used twice; give every epoch its own", e.Name)
		}
		epoch := Epoch{Name: e.Name}
		if e.Moved != nil {
			epoch.Moved = append([]Wheel{}, wheels(*e.Moved)...)
		}
		j.Epochs = append(j.Epochs, epoch)
	}
	// Epochs that only the stations name follow in the order of the stations.
	for _, s := range j.Stations {
		if j.epoch(s.Epoch) >= 0 {
			continue
		}
		if len(f.Epochs) > 0 {
			return nil, fmt.Errorf("stations: station %s is of epoch %q, which the list of epochs does not name; add it there", s.Name, s.Epoch)
		}
		j.Epochs = append(j.Epochs, Epoch{Name: s.Epoch})
	}
	return j, nil
}

// wheels spells out axles as both their wheels.
func wheels(list []fileWheel) []Wheel {
	var out []Wheel
	for _, w := range list {
		if w.Side == "" {
			out = append(out, Wheel{w.Axle, align.Left}, Wheel{w.Axle, align.Right})
		} else {
			out = append(out, Wheel{w.Axle, align.Side(w.Side)})
		}
	}
	return out
}

func fileWheels(list []Wheel) []fileWheel {
	var out []fileWheel
	for _, w := range list {
		out = append(out, fileWheel{w.Axle, string(w.Side)})
	}
	return out
}

// lastUnsteered is the reference axle of a file that names none: the last that
// is not steered, or the last.
func (v *fileVehicle) lastUnsteered() int {
	for i := len(v.Axles); i > 0; i-- {
		if !v.Axles[i-1].Steered {
			return i
		}
	}
	return len(v.Axles)
}

// finite refuses NaN and infinity anywhere in the file.
func finite(f *file) error {
	check := func(where string, values ...*float64) error {
		for _, v := range values {
			if v != nil && (math.IsNaN(*v) || math.IsInf(*v, 0)) {
				return fmt.Errorf("%s: a number is %g; write a finite one", where, *v)
			}
		}
		return nil
	}
	for i, a := range f.Vehicle.Axles {
		if err := check(fmt.Sprintf("vehicle: axle %d", i+1), &a.PositionMM, &a.TrackMM, &a.TyreMM); err != nil {
			return err
		}
	}
	if err := check("camera_wander", f.Wander.Focal, f.Wander.CentrePx); err != nil {
		return err
	}
	if err := check("rolling_shutter", f.Roll.TurnDeg, f.Roll.ShiftMM); err != nil {
		return err
	}
	if err := check("boards", &f.Boards.SquareMM, &f.Boards.MarkerMM, f.Boards.Spread, f.Boards.FlatnessMM); err != nil {
		return err
	}
	if s := f.Boards.Scale; s != nil {
		if err := check("boards: print_scale", &s.X, &s.Y, s.U); err != nil {
			return err
		}
	}
	for _, st := range f.Station {
		if err := check("stations: "+st.Name, st.SteerDeg); err != nil {
			return err
		}
	}
	if k := f.Vehicle.Kingpin; k != nil {
		if err := check("vehicle: kingpin", &k.XMM, &k.YMM, &k.ZMM, k.UMM); err != nil {
			return err
		}
	}
	if err := check("sweep", f.Sweep.BrakeSlipDeg); err != nil {
		return err
	}
	if err := check("floor", f.Floor.FlatnessMM, f.Floor.TiltDeg, f.Floor.ThicknessMM); err != nil {
		return err
	}
	return check("mount", f.Mount.TiltDeg, f.Mount.OffsetMM, f.Mount.StandoffMM, f.Mount.StandoffU)
}

// IsPhoto tells by its name whether a file is taken for a photograph. Hidden ones
// are not: they are half written, or what some systems leave beside each picture.
func IsPhoto(name string) bool {
	if strings.HasPrefix(filepath.Base(name), ".") {
		return false
	}
	switch strings.ToLower(filepath.Ext(name)) {
	case ".jpg", ".jpeg", ".png":
		return true
	}
	return false
}

// listPhotos finds each station's photographs: the files its photos patterns
// name, or all pictures in photos/<station>.
func (f *Folder) listPhotos(stops []fileStop) error {
	owner := map[string]string{}
	root := os.DirFS(f.Dir)
	for i, s := range stops {
		patterns := s.Photos
		if len(patterns) == 0 {
			patterns = []string{"photos/" + s.Name + "/*"}
		}
		f.patterns = append(f.patterns, patterns)
		var paths []string
		for _, pattern := range patterns {
			if !filepath.IsLocal(filepath.FromSlash(pattern)) {
				return fmt.Errorf("%s: station %s: photos: %q leads out of the job's folder; put the photographs into it, so that it can be handed on whole", filepath.Join(f.Dir, JobFile), s.Name, pattern)
			}
			found, err := fs.Glob(root, path.Clean(pattern))
			if err != nil {
				return fmt.Errorf("%s: station %s: photos: %q is not a valid pattern; write one like photos/third/*.jpg", filepath.Join(f.Dir, JobFile), s.Name, pattern)
			}
			for _, photo := range found {
				if IsPhoto(photo) && !slices.Contains(paths, photo) {
					paths = append(paths, photo)
				}
			}
		}
		if len(paths) == 0 {
			f.Missing = append(f.Missing, i)
		}
		slices.Sort(paths)
		for _, photo := range paths {
			if other, taken := owner[photo]; taken {
				return fmt.Errorf("%s: %s is filed under station %s and station %s; a photo belongs to one", filepath.Join(f.Dir, JobFile), filepath.Join(f.Dir, photo), other, s.Name)
			}
			owner[photo] = s.Name
			f.Job.Photos = append(f.Job.Photos, Photo{Path: photo, Station: i, Film: isFrame(filepath.Join(f.Dir, filepath.FromSlash(photo)))})
		}
	}
	return nil
}

// Text returns the job as the text of a job.yaml that [Open] reads back.
// camera is the camera file's path relative to the job's folder. Stations'
// photographs are those in photos/<station>.
func (j *Job) Text(camera string) ([]byte, error) {
	ptr := func(v float64) *float64 { return &v }
	f := file{Name: j.Name, Camera: camera}
	f.Vehicle = fileVehicle{Name: j.Vehicle.Name, Reference: j.Vehicle.Reference}
	for _, a := range j.Vehicle.Axles {
		f.Vehicle.Axles = append(f.Vehicle.Axles, fileAxle{a.Name, mm(a.Position), mm(a.Track), mm(a.TyreDiameter), a.Steered, a.Driven})
	}
	if len(j.Boards) > 0 {
		b := j.Boards[0]
		f.Boards = fileBoards{Dictionary: b.Dictionary, Squares: []int{b.Cols, b.Rows}, SquareMM: mm(b.SquareM), MarkerMM: mm(b.MarkerM)}
		u := j.Priors.PrintScale
		f.Boards.Scale = &fileScale{X: 1, Y: 1, U: &u}
		if b.ScaleX > 0 && b.ScaleY > 0 {
			f.Boards.Scale.X, f.Boards.Scale.Y = b.ScaleX, b.ScaleY
		}
	}
	f.Boards.Spread, f.Boards.FlatnessMM = ptr(j.Priors.PrintSpread), ptr(mm(j.Priors.BoardFlatness))
	if j.Priors.rolling() {
		f.Roll = fileRoll{ptr(deg(j.Priors.RollTurn)), ptr(mm(j.Priors.RollShift))}
	}
	f.Wander = fileWander{ptr(j.Priors.WanderFocal), ptr(j.Priors.WanderCentre)}
	for _, b := range j.Boards {
		f.Boards.List = append(f.Boards.List, fileBoard{b.Name, b.FirstID})
	}
	for _, h := range j.Hangs {
		hang := fileHang{Board: j.Boards[h.Board].Name, Axle: h.Wheel.Axle, Side: string(h.Wheel.Side)}
		for _, st := range h.Stations {
			hang.Stations = append(hang.Stations, j.Stations[st].Name)
		}
		f.Hangs = append(f.Hangs, hang)
	}
	for _, l := range j.Floor {
		f.Floor.Boards = append(f.Floor.Boards, j.Boards[l.Board].Name)
	}
	for _, b := range j.Body {
		f.Body.Boards = append(f.Body.Boards, j.Boards[b].Name)
	}
	p := j.Priors
	if k := j.Kingpin; k != nil {
		f.Vehicle.Kingpin = &fileKingpin{j.Boards[k.Board].Name, mm(k.Point[0]), mm(k.Point[1]), mm(k.Point[2]), ptr(mm(k.U))}
	}
	if len(j.Epochs) > 1 {
		for _, e := range j.Epochs {
			epoch := fileEpoch{Name: e.Name}
			if e.Moved != nil {
				moved := append([]fileWheel{}, fileWheels(e.Moved)...)
				epoch.Moved = &moved
			}
			f.Epochs = append(f.Epochs, epoch)
		}
	}
	f.Floor.FlatnessMM, f.Floor.TiltDeg, f.Floor.ThicknessMM = ptr(mm(p.FloorFlatness)), ptr(deg(p.FloorTilt)), ptr(mm(p.FloorThickness))
	f.Mount = fileMount{ptr(deg(p.MountTilt)), ptr(mm(p.MountOffset)), ptr(mm(p.Standoff)), ptr(mm(p.StandoffU))}
	for _, s := range j.Stations {
		stop := fileStop{Name: s.Name, Epoch: s.Epoch, Lifted: fileWheels(s.Lifted)}
		if s.Sweep {
			stop.SteerDeg = ptr(deg(s.Steer))
			f.Sweep.BrakeSlipDeg = ptr(deg(p.BrakeSlip))
		}
		f.Station = append(f.Station, stop)
	}
	var out bytes.Buffer
	enc := yaml.NewEncoder(&out)
	enc.SetIndent(2)
	if err := enc.Encode(&f); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// mm and deg round away the noise of the change of unit, for files.
func mm(v float64) float64  { return math.Round(v*1e3*1e9) / 1e9 }
func deg(v float64) float64 { return math.Round(v*180/math.Pi*1e9) / 1e9 }
