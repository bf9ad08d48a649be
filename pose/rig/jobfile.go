package rig

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"sort"
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
	Mount   fileMount   `yaml:"mount,omitempty"`
	Station []fileStop  `yaml:"stations"`
	Camera  string      `yaml:"camera"`
}

type fileVehicle struct {
	Name      string     `yaml:"name,omitempty"`
	Reference int        `yaml:"reference_axle,omitempty"`
	Axles     []fileAxle `yaml:"axles"`
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
}

// Folder is a job on disk.
type Folder struct {
	Dir    string
	Job    *Job
	Camera string // path of the camera file
}

// Open reads DIR/job.yaml and lists the photographs of each station. Every
// error is one line that names the file and what to do.
func Open(dir string) (*Folder, error) {
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
	text, err := os.ReadFile(path)
	if err != nil {
		if errors.Is(err, os.ErrNotExist) {
			return nil, fmt.Errorf("%s: no such file; a job's folder holds one (see 'wheelplane measure --help')", path)
		}
		return nil, err
	}
	var f file
	dec := yaml.NewDecoder(bytes.NewReader(text))
	dec.KnownFields(true)
	if err := dec.Decode(&f); err != nil {
		if errors.Is(err, io.EOF) {
			return nil, fmt.Errorf("%s: the file is empty; describe vehicle, boards, hangs, floor, stations and camera in it", path)
		}
		return nil, fmt.Errorf("%s: %s", path, yamlError(err))
	}
	job, err := f.job()
	if err == nil {
		err = job.Validate()
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	if f.Camera == "" {
		return nil, fmt.Errorf("%s: camera: no file named; make one with 'wheelplane camera' and name it here", path)
	}
	folder := &Folder{Dir: dir, Job: job, Camera: f.Camera}
	if !filepath.IsAbs(folder.Camera) {
		folder.Camera = filepath.Join(dir, f.Camera)
	}
	if err := folder.listPhotos(f.Station); err != nil {
		return nil, err
	}
	return folder, nil
}

// yamlError flattens a YAML error to one line with our words for its fields.
func yamlError(err error) string {
	var t *yaml.TypeError
	if errors.As(err, &t) {
		var lines []string
		for _, e := range t.Errors {
			if i := strings.Index(e, " not found in type "); i >= 0 {
				e = strings.Replace(e[:i], "field ", "unknown key ", 1) + "; check its spelling against 'wheelplane measure --help'"
			}
			lines = append(lines, e)
		}
		return strings.Join(lines, "; ")
	}
	return strings.ReplaceAll(strings.TrimPrefix(err.Error(), "yaml: "), "\n", " ")
}

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
		j.Vehicle.Reference = len(f.Vehicle.Axles)
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
			return nil, fmt.Errorf("boards: print_scale x %g, y %g: give measured length divided by nominal length, near 1", sx, sy)
		}
		set(&j.Priors.PrintScale, b.Scale.U, 1)
	}
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
	for _, h := range f.Hangs {
		n, err := board(h.Board, "hangs")
		if err != nil {
			return nil, err
		}
		j.Hangs = append(j.Hangs, Hang{Board: n, Wheel: Wheel{h.Axle, align.Side(h.Side)}})
	}
	for _, name := range f.Floor.Boards {
		n, err := board(name, "floor")
		if err != nil {
			return nil, err
		}
		j.Floor = append(j.Floor, n)
	}
	p := &j.Priors
	set(&p.FloorFlatness, f.Floor.FlatnessMM, 1e-3)
	set(&p.FloorTilt, f.Floor.TiltDeg, math.Pi/180)
	set(&p.FloorThickness, f.Floor.ThicknessMM, 1e-3)
	set(&p.MountTilt, f.Mount.TiltDeg, math.Pi/180)
	set(&p.MountOffset, f.Mount.OffsetMM, 1e-3)
	set(&p.Standoff, f.Mount.StandoffMM, 1e-3)
	set(&p.StandoffU, f.Mount.StandoffU, 1e-3)
	for i, s := range f.Station {
		if s.Name == "" {
			return nil, fmt.Errorf("stations: station %d has no name", i+1)
		}
		if s.Epoch == "" {
			s.Epoch = AsFound
		}
		j.Stations = append(j.Stations, Station{Name: s.Name, Epoch: s.Epoch})
	}
	return j, nil
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
	if err := check("boards", &f.Boards.SquareMM, &f.Boards.MarkerMM); err != nil {
		return err
	}
	if s := f.Boards.Scale; s != nil {
		if err := check("boards: print_scale", &s.X, &s.Y, s.U); err != nil {
			return err
		}
	}
	if err := check("floor", f.Floor.FlatnessMM, f.Floor.TiltDeg, f.Floor.ThicknessMM); err != nil {
		return err
	}
	return check("mount", f.Mount.TiltDeg, f.Mount.OffsetMM, f.Mount.StandoffMM, f.Mount.StandoffU)
}

// IsPhoto tells by its name whether a file is taken for a photograph.
func IsPhoto(name string) bool {
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
	for i, s := range stops {
		patterns := s.Photos
		if len(patterns) == 0 {
			patterns = []string{"photos/" + s.Name + "/*"}
		}
		var paths []string
		for _, pattern := range patterns {
			found, err := filepath.Glob(filepath.Join(f.Dir, filepath.FromSlash(pattern)))
			if err != nil {
				return fmt.Errorf("%s: station %s: photos: %q is not a valid pattern", filepath.Join(f.Dir, JobFile), s.Name, pattern)
			}
			for _, path := range found {
				if IsPhoto(path) && index(paths, path) < 0 {
					paths = append(paths, path)
				}
			}
		}
		if len(paths) == 0 {
			return fmt.Errorf("%s: station %s has no photo: nothing matches %s; put its photographs there or take the station out",
				filepath.Join(f.Dir, JobFile), s.Name, strings.Join(patterns, ", "))
		}
		sort.Strings(paths)
		for _, path := range paths {
			if other, taken := owner[path]; taken {
				return fmt.Errorf("%s: %s is filed under station %s and station %s; a photo belongs to one", filepath.Join(f.Dir, JobFile), path, other, s.Name)
			}
			owner[path] = s.Name
			rel, err := filepath.Rel(f.Dir, path)
			if err != nil {
				return err
			}
			f.Job.Photos = append(f.Job.Photos, Photo{Path: filepath.ToSlash(rel), Station: i})
		}
	}
	return nil
}

// Text returns the job as the text of a job.yaml that [Open] reads back.
// camera is the camera file's path relative to the job's folder. Stations'
// photographs are those in photos/<station>.
func (j *Job) Text(camera string) ([]byte, error) {
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
	for _, b := range j.Boards {
		f.Boards.List = append(f.Boards.List, fileBoard{b.Name, b.FirstID})
	}
	for _, h := range j.Hangs {
		f.Hangs = append(f.Hangs, fileHang{j.Boards[h.Board].Name, h.Wheel.Axle, string(h.Wheel.Side)})
	}
	for _, b := range j.Floor {
		f.Floor.Boards = append(f.Floor.Boards, j.Boards[b].Name)
	}
	ptr := func(v float64) *float64 { return &v }
	p := j.Priors
	f.Floor.FlatnessMM, f.Floor.TiltDeg, f.Floor.ThicknessMM = ptr(mm(p.FloorFlatness)), ptr(deg(p.FloorTilt)), ptr(mm(p.FloorThickness))
	f.Mount = fileMount{ptr(deg(p.MountTilt)), ptr(mm(p.MountOffset)), ptr(mm(p.Standoff)), ptr(mm(p.StandoffU))}
	for _, s := range j.Stations {
		f.Station = append(f.Station, fileStop{Name: s.Name, Epoch: s.Epoch})
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
