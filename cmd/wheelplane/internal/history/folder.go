package history

import (
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"wheelplane/cmd/wheelplane/internal/visit"
	"wheelplane/pose/align"
	"wheelplane/pose/rig"
	"wheelplane/vision"
)

// files are those of a job's folder that the index depends on.
var files = []string{rig.ResultFile, visit.File, rig.JobFile}

// stampOf tells by times and sizes whether the files of a folder are as they
// were.
func stampOf(dir string) string {
	var b strings.Builder
	for _, name := range files {
		if info, err := os.Stat(filepath.Join(dir, name)); err == nil {
			fmt.Fprintf(&b, "%d.%d ", info.ModTime().UnixNano(), info.Size())
		} else {
			b.WriteString("- ")
		}
	}
	return b.String()
}

// resultPart is what the index wants of result.json.
type resultPart struct {
	Readings []rig.Reading `json:"readings"`
	Network  *struct {
		Camera *rig.CameraFit `json:"camera"`
	} `json:"network"`
	Inputs *rig.Inputs `json:"inputs"`
	Tool   rig.Tool    `json:"tool"`
}

// readFolder reads a measured job. An error means that it has no readings that
// can be used; what else is wrong stands among the visit's doubts.
func readFolder(root, folder string) (*Visit, error) {
	dir := filepath.Join(root, filepath.FromSlash(folder))
	v := &Visit{Folder: folder, stamp: stampOf(dir)}
	path := filepath.Join(dir, rig.ResultFile)
	text, err := vision.ReadFile(path, vision.MostText)
	if err != nil {
		return nil, err
	}
	var r resultPart
	if err := json.Unmarshal(text, &r); err != nil {
		return nil, fmt.Errorf("%s: damaged (%w): measure that job again", path, err)
	}
	if len(r.Readings) == 0 {
		return nil, fmt.Errorf("%s: there are no readings in it", path)
	}
	hash := sha256.New()
	hash.Write(text)
	if told, err := vision.ReadFile(filepath.Join(dir, visit.File), vision.MostText); err == nil {
		hash.Write(told)
	}
	v.sum = fmt.Sprintf("%x", hash.Sum(nil))
	v.Version = r.Tool.Version
	if r.Network != nil {
		v.fit = r.Network.Camera
	}
	if r.Inputs != nil {
		v.Camera = r.Inputs.Camera.SHA256
	}
	v.readReadings(r.Readings)
	v.readTold(dir)
	v.readJob(dir)
	return v, v.readDate(dir, r.Inputs)
}

// readReadings takes over the readings, epoch by epoch in their order.
func (v *Visit) readReadings(list []rig.Reading) {
	for _, x := range list {
		e := slices.IndexFunc(v.Epochs, func(e Epoch) bool { return e.Name == x.Epoch })
		if e < 0 {
			e = len(v.Epochs)
			v.Epochs = append(v.Epochs, Epoch{Name: x.Epoch})
		}
		v.readings = append(v.readings, Reading{e, x.Quantity, x.Axle, x.Side, x.Station, x.Value, x.U, x.Unit})
	}
}

func (v *Visit) readTold(dir string) {
	told, err := visit.Load(dir)
	if err != nil {
		v.Doubts = append(v.Doubts, err.Error())
		return
	}
	v.Visit = *told
}

// readJob takes over the vehicle's layout and what moved between epochs.
func (v *Visit) readJob(dir string) {
	job, err := rig.Read(dir)
	if err != nil {
		v.Doubts = append(v.Doubts, err.Error())
		return
	}
	v.Kind, v.Axles = job.Job.Vehicle.Name, len(job.Job.Vehicle.Axles)
	for _, e := range job.Job.Epochs {
		if i := slices.IndexFunc(v.Epochs, func(x Epoch) bool { return x.Name == e.Name }); i > 0 {
			v.Epochs[i].Moved = movedText(e.Moved)
		}
	}
}

// movedText names what was adjusted; nil means that all may have been.
func movedText(moved []rig.Wheel) string {
	if moved == nil {
		return "all axles may have moved"
	}
	var names []string
	for _, w := range moved {
		other := rig.Wheel{Axle: w.Axle, Side: align.Left}
		if w.Side == align.Left {
			other.Side = align.Right
		}
		name := w.String()
		if slices.Contains(moved, other) {
			name = fmt.Sprintf("axle %d", w.Axle)
		}
		if !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	if len(names) == 0 {
		return "nothing"
	}
	return strings.Join(names, ", ")
}

// readDate tells the day of the visit: what people told, else when it was
// photographed, else when the result was written.
func (v *Visit) readDate(dir string, in *rig.Inputs) error {
	if _, err := time.Parse(time.DateOnly, v.Visit.Date); err == nil {
		v.Date, v.DateFrom = v.Visit.Date, FromVisit
		return nil
	}
	if v.Visit.Date != "" {
		v.Doubts = append(v.Doubts, fmt.Sprintf("%s: date %q: write it like 2026-11-25", filepath.Join(dir, visit.File), v.Visit.Date))
	}
	if in != nil && !in.Photographed.IsZero() {
		v.Date, v.DateFrom = dateOf(in.Photographed), FromPhotos
		return nil
	}
	info, err := os.Stat(filepath.Join(dir, rig.ResultFile))
	if err != nil {
		return err
	}
	v.Date, v.DateFrom = dateOf(info.ModTime()), FromFile
	return nil
}

// foldersBelow lists the folders of measured jobs below root, relative to it, in
// the order of their names. Folders that cannot be looked into are told of.
func foldersBelow(root string) (out, closed []string, err error) {
	if _, err := os.ReadDir(root); err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return nil, nil, fmt.Errorf("%s: no such folder; give the one that holds the jobs' folders", root)
		}
		return nil, nil, err
	}
	err = filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			closed = append(closed, err.Error())
			return fs.SkipDir
		}
		if !d.IsDir() {
			return nil
		}
		if path != root && strings.HasPrefix(d.Name(), ".") {
			return fs.SkipDir
		}
		job, measured := false, false
		for _, name := range files {
			if _, err := os.Stat(filepath.Join(path, name)); err == nil {
				job = true
				measured = measured || name == rig.ResultFile
			}
		}
		if measured {
			rel, err := filepath.Rel(root, path)
			if err != nil {
				return err
			}
			out = append(out, filepath.ToSlash(rel))
		}
		if job {
			return fs.SkipDir // jobs hold photographs, not jobs
		}
		return nil
	})
	return out, closed, err
}
