package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"wheelplane/cmd/wheelplane/internal/lesson"
	"wheelplane/fixtures"
	"wheelplane/pose/rig"
	"wheelplane/vision"

	"github.com/spf13/cobra"
)

type lessonOptions struct {
	name, dir  string
	seed       uint64
	size       int
	noPictures bool
	answer     bool
	repeats    int // 0: as the lesson has it
}

func newLessonCommand(app *App) *cobra.Command {
	o := lessonOptions{}
	var names []string
	for _, l := range lesson.List {
		names = append(names, l.Name)
	}
	c := &cobra.Command{
		Use:   "lesson [NAME [DIR]]",
		Short: "Lessons for a class: photographed, measured, explained, with an exercise",
		Long: `lesson holds one lesson of the list that it prints without a name: it photographs
an invented vehicle, measures the photographs in more ways than one, and tells
what came of it, with a table, a picture and an exercise. Everything is worked
out anew; --seed gives every class, or every group, numbers of its own.

Into DIR it writes the handout (lesson.pdf and lesson.html, A4), the answer to
the exercise on sheets of its own (answer.pdf, answer.html), all numbers
(lesson.json), and the job folders, whose photographs can be looked at and
measured again with the usual commands. Without DIR nothing is kept.`,
		Example: `  wheelplane lesson
  wheelplane lesson runout /tmp/runout
  wheelplane lesson runout /tmp/group-2 --seed 2
  wheelplane lesson undecided --answer`,
		Args: atMost(2),
		ValidArgsFunction: func(c *cobra.Command, args []string, word string) ([]string, cobra.ShellCompDirective) {
			if len(args) == 0 {
				return names, cobra.ShellCompDirectiveNoFileComp
			}
			return completeDirs(c, args, word)
		},
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) == 0 {
				return app.listLessons()
			}
			o.name = args[0]
			if len(args) > 1 {
				o.dir = args[1]
			}
			if o.size < 640 || o.size > 16000 {
				return Usagef("a picture %d pixels wide is not sensible; choose 640 to 16000", o.size)
			}
			return app.lesson(c.Context(), o)
		},
	}
	f := c.Flags()
	f.Uint64Var(&o.seed, "seed", 1, "everything random comes from it")
	f.IntVar(&o.size, "size", 1600, "width of the photographs, pixels")
	f.BoolVar(&o.noPictures, "no-pictures", false, "draw corners instead of photographs: a lesson in some seconds, with nothing to look at")
	f.BoolVar(&o.answer, "answer", false, "print the answer to the exercise too")
	return c
}

func (a *App) listLessons() error {
	if a.JSON {
		type one struct {
			Name  string `json:"name"`
			Title string `json:"title"`
		}
		out := []one{}
		for _, l := range lesson.List {
			out = append(out, one{l.Name, l.Title})
		}
		return a.printJSON(out)
	}
	t := newTable(left("lesson"), left("what it shows"))
	for _, l := range lesson.List {
		t.row(l.Name, l.Title)
	}
	a.printf("%s", t)
	return nil
}

// The files of a lesson beside its job folders.
const lessonFile = "lesson.json"

var lessonFiles = []string{"lesson.pdf", "lesson.html", "answer.pdf", "answer.html", lessonFile}

// lessonJSON is lesson.json: what the lesson says, and all numbers behind it.
type lessonJSON struct {
	Lesson   string          `json:"lesson"`
	Title    string          `json:"title"`
	Folders  []lesson.Folder `json:"folders"`
	Exercise []string        `json:"exercise"`
	Answer   []string        `json:"answer"`
	Numbers  any             `json:"numbers"`
	Tool     rig.Tool        `json:"tool"`
}

func (a *App) lesson(ctx context.Context, o lessonOptions) error {
	l := lesson.Find(o.name)
	if l == nil {
		var names []string
		for _, x := range lesson.List {
			names = append(names, x.Name)
		}
		return Usagef("no lesson %q; there are: %s", o.name, strings.Join(names, ", "))
	}
	old, err := earlierLesson(o.dir, o.name)
	if err != nil {
		return err
	}
	// All is made beside its place and moved there at the end, so that a lesson
	// that fails leaves nothing, and an earlier one as it was.
	beside := ""
	if o.dir != "" {
		beside = filepath.Dir(filepath.Clean(o.dir))
	}
	stage, err := os.MkdirTemp(beside, ".lesson-")
	if err != nil {
		return cannotWrite(o.dir, err)
	}
	defer os.RemoveAll(stage)

	sheet, err := a.holdLesson(ctx, l, o, stage)
	if err != nil {
		var coded *codedError
		if !errors.As(err, &coded) && ctx.Err() == nil {
			err = Unmeasurable(err)
		}
		return err
	}
	out := lessonJSON{Lesson: l.Name, Title: l.Title, Folders: sheet.Folders, Exercise: sheet.Exercise, Answer: sheet.Answer, Numbers: sheet.Data, Tool: thisTool()}
	out.Tool.Options = map[string]string{"seed": strconv.FormatUint(o.seed, 10), "size": strconv.Itoa(o.size)}
	if o.noPictures {
		out.Tool.Options["no_pictures"] = "true"
	}
	if o.dir != "" {
		if err := a.writeLesson(stage, sheet, out); err != nil {
			return err
		}
		if err := moveLesson(stage, o.dir, old); err != nil {
			return err
		}
	}
	if a.JSON {
		return a.printJSON(out)
	}
	a.printf("%s", lessonText(sheet, o))
	return nil
}

// holdLesson runs a lesson in a folder that exists.
func (a *App) holdLesson(ctx context.Context, l *lesson.Lesson, o lessonOptions, dir string) (*lesson.Sheet, error) {
	bench := &lessonBench{app: a, dir: dir, o: o, scenes: map[string]*fixtures.Scene{}, jobs: map[string]*rig.Job{}, cameras: map[string]*vision.Camera{},
		origin: map[string]string{}, seen: map[string]sighting{}, drawn: map[string][]rig.Observation{}}
	s, err := l.Run(ctx, bench, lesson.Class{Seed: o.seed, Size: o.size, Drawn: o.noPictures, Repeats: o.repeats})
	if err != nil {
		return nil, err
	}
	s.Name, s.Title, s.Seed = l.Name, l.Title, o.seed
	return s, nil
}

// earlierLesson lists what an earlier run of the same lesson left in a folder.
// Another folder must be new or empty.
func earlierLesson(dir, name string) (old []string, err error) {
	if dir == "" {
		return nil, nil
	}
	entries, err := os.ReadDir(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, nil
	case err != nil:
		return nil, BadInputf("%s: cannot be used as the lesson's folder: %w", dir, err)
	case len(entries) == 0:
		return nil, nil
	}
	var before lessonJSON
	text, err := vision.ReadFile(filepath.Join(dir, lessonFile), vision.MostText)
	if err != nil || json.Unmarshal(text, &before) != nil || before.Lesson == "" {
		return nil, BadInputf("%s: the folder holds something that is not a lesson: choose a new or empty folder", dir)
	}
	if before.Lesson != name {
		return nil, BadInputf("%s: the folder holds the lesson %s: choose a new or empty folder", dir, before.Lesson)
	}
	old = slices.Clone(lessonFiles)
	for _, f := range before.Folders {
		if f.Name == filepath.Base(f.Name) && filepath.IsLocal(f.Name) && f.Name != "." {
			old = append(old, f.Name)
		}
	}
	return old, nil
}

// moveLesson puts what was made into its place, instead of what was there.
func moveLesson(stage, dir string, old []string) error {
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return cannotWrite(dir, err)
	}
	for _, name := range old {
		if err := os.RemoveAll(filepath.Join(dir, name)); err != nil {
			return cannotWrite(dir, err)
		}
	}
	entries, err := os.ReadDir(stage)
	if err != nil {
		return err
	}
	for _, e := range entries {
		if err := os.Rename(filepath.Join(stage, e.Name()), filepath.Join(dir, e.Name())); err != nil {
			return cannotWrite(filepath.Join(dir, e.Name()), err)
		}
	}
	return nil
}

// writeLesson writes handout, answer and numbers into a folder.
func (a *App) writeLesson(dir string, s *lesson.Sheet, numbers lessonJSON) error {
	im := lesson.Imprint{Version: version(), Made: time.Now().UTC().Truncate(time.Second)}
	handout := append(s.Handout(), s.MeasureAgain()...)
	if numbers.Tool.Options["no_pictures"] != "" {
		handout = s.Handout() // nothing to measure again
	}
	var out outputs
	defer out.discard()
	for _, page := range []struct {
		name, title string
		blocks      []lesson.Block
	}{{"lesson", s.Title, handout}, {"answer", "Answer: " + strings.ToLower(s.Title[:1]) + s.Title[1:], s.AnswerSheet()}} {
		err := out.add(filepath.Join(dir, page.name+".pdf"), func(w io.Writer) error {
			_, err := s.WritePDF(w, page.title, page.blocks, im)
			return err
		})
		if err != nil {
			return err
		}
		if err := out.add(filepath.Join(dir, page.name+".html"), func(w io.Writer) error { return s.WriteHTML(w, page.title, page.blocks, im) }); err != nil {
			return err
		}
	}
	if err := out.add(filepath.Join(dir, lessonFile), func(w io.Writer) error { return encodeJSON(w, numbers) }); err != nil {
		return err
	}
	return out.commit()
}

// lessonText is the lesson for a terminal.
func lessonText(s *lesson.Sheet, o lessonOptions) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s (lesson %s, seed %d)\n", s.Title, s.Name, s.Seed)
	list := s.Handout()
	if o.answer {
		list = append(list, s.AnswerSheet()[len(s.Exercise):]...)
	}
	for _, x := range list {
		if x.Head != "" {
			fmt.Fprintf(&b, "\n%s\n\n", strings.ToUpper(x.Head))
		}
		switch {
		case x.Table != nil:
			var columns []column
			for _, c := range x.Table.Columns {
				columns = append(columns, column{c.Name, c.Right})
			}
			t := newTable(columns...)
			for _, r := range x.Table.Rows {
				t.row(r...)
			}
			fmt.Fprintf(&b, "%s\n", t)
		case x.Picture != nil:
			if o.dir != "" {
				fmt.Fprintf(&b, "\n(picture: in %s)\n", filepath.Join(o.dir, "lesson.pdf"))
			}
		case x.Text != "" && (x.Head != "" || !x.Soft || o.dir != ""):
			b.WriteString(fold("", x.Text))
		}
	}
	b.WriteString("\n")
	if o.dir == "" {
		b.WriteString("nothing is kept: give a folder for the handout with its picture and for the photographs\n")
		return b.String()
	}
	for _, name := range lessonFiles {
		fmt.Fprintf(&b, "wrote %s\n", filepath.Join(o.dir, name))
	}
	for _, f := range s.Folders {
		fmt.Fprintf(&b, "job folder: %s (%s)\n", filepath.Join(o.dir, f.Name), f.About)
	}
	return b.String()
}

// lessonBench keeps a lesson's job folders and measures them. A photograph that
// several of them share is looked at once for each camera and print.
type lessonBench struct {
	app     *App
	dir     string
	o       lessonOptions
	scenes  map[string]*fixtures.Scene // by folder
	jobs    map[string]*rig.Job
	cameras map[string]*vision.Camera
	origin  map[string]string // of a photograph in a folder told anew: where it was first

	mu    sync.Mutex
	seen  map[string]sighting
	drawn map[string][]rig.Observation // of a photograph, by where it was first; only without pictures
}

func (l *lessonBench) photo(folder, path string) string {
	return filepath.Join(l.dir, folder, filepath.FromSlash(path))
}

// Photograph is for lesson.Bench.
func (l *lessonBench) Photograph(ctx context.Context, folder string, s *fixtures.Scene) error {
	o := demoOptions{dir: filepath.Join(l.dir, folder), scene: s.Name, seed: s.Seed, size: l.o.size, noPictures: l.o.noPictures, cornerPx: lesson.CornerPx}
	l.scenes[folder], l.jobs[folder], l.cameras[folder] = s, s.Job, &s.Camera
	if l.o.noPictures {
		for _, x := range s.DrawCorners(lesson.CornerPx, lesson.DrawnOblique, s.Seed) {
			p := l.photo(folder, s.Job.Photos[x.Photo].Path)
			l.drawn[p] = append(l.drawn[p], x)
		}
	}
	_, err := l.app.writeScene(ctx, s, o, 0)
	return err
}

// Retell is for lesson.Bench.
func (l *lessonBench) Retell(folder, of string, job *rig.Job, camera *vision.Camera) error {
	l.scenes[folder], l.jobs[folder], l.cameras[folder] = l.scenes[of], job, camera
	dir := filepath.Join(l.dir, folder)
	for _, p := range job.Photos {
		from, to := l.photo(of, p.Path), l.photo(folder, p.Path)
		l.origin[to] = from
		if l.o.noPictures {
			continue
		}
		if err := os.MkdirAll(filepath.Dir(to), 0o777); err != nil {
			return cannotWrite(dir, err)
		}
		if err := linkOrCopy(from, to); err != nil {
			return cannotWrite(to, err)
		}
	}
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return cannotWrite(dir, err)
	}
	truth, err := vision.ReadFile(filepath.Join(l.dir, of, rig.TruthFile), vision.MostText)
	if err != nil {
		return err
	}
	text, err := job.Text("camera.yaml")
	if err != nil {
		return err
	}
	var out outputs
	defer out.discard()
	for name, content := range map[string][]byte{rig.TruthFile: truth, rig.JobFile: text} {
		if err := out.add(filepath.Join(dir, name), these(content)); err != nil {
			return err
		}
	}
	if err := out.addPath(filepath.Join(dir, "camera.yaml"), camera.Save); err != nil {
		return err
	}
	return out.commit()
}

// linkOrCopy gives a file a second name, or copies it where a disk knows no
// second names.
func linkOrCopy(from, to string) error {
	if os.Link(from, to) == nil {
		return nil
	}
	text, err := os.ReadFile(from)
	if err != nil {
		return err
	}
	return os.WriteFile(to, text, 0o666)
}

// Measure is for lesson.Bench.
func (l *lessonBench) Measure(ctx context.Context, folder string) (*lesson.Measured, error) {
	dir := filepath.Join(l.dir, folder)
	m := &lesson.Measured{Folder: folder, Job: l.jobs[folder]}
	camera, seen := l.cameras[folder], &found{}
	if l.o.noPictures {
		for p, photo := range m.Job.Photos {
			for _, x := range l.drawn[l.first(l.photo(folder, photo.Path))] {
				x.Photo = p
				seen.obs = append(seen.obs, x)
			}
		}
	} else {
		f, err := rig.Open(dir)
		if err != nil {
			return nil, err
		}
		m.Job = f.Job
		if camera, err = vision.LoadCamera(f.Camera); err != nil {
			return nil, err
		}
		if seen, err = l.app.findBoards(ctx, f, camera, l.look, false); err != nil {
			return nil, err
		}
	}
	scene := l.scenes[folder]
	truth, err := scene.World.Truth(scene.Truth)
	if err != nil {
		return nil, err
	}
	m.Truth = rig.ForFiles(truth)
	bar := l.app.progress("solving", -1)
	m.Solution, err = rig.Solve(ctx, m.Job, *camera, seen.obs, rig.Options{Unusable: seen.unusable, Progress: bar.say})
	bar.done()
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	if err != nil {
		m.Refused = err.Error()
		return m, nil
	}
	m.Readings = rig.ForFiles(m.Solution.Readings)
	result := &rig.Result{Job: m.Job.Name, Readings: m.Readings, Stances: rig.StancesForFiles(&m.Job.Vehicle, m.Solution.Readings), Network: &m.Solution.Network, Warnings: m.Solution.Warnings, NotGood: seen.notGood, Inputs: seen.inputs, Tool: thisTool()}
	return m, keepResult(dir, result)
}

// first is where a photograph was taken first.
func (l *lessonBench) first(path string) string {
	if from, ok := l.origin[path]; ok {
		return from
	}
	return path
}

// look is look, once for each photograph, camera and print.
func (l *lessonBench) look(file *vision.File, boards []vision.Board, camera *vision.Camera) sighting {
	key := fmt.Sprint(l.first(file.Path), camera.Intrinsics(), boards)
	l.mu.Lock()
	s, ok := l.seen[key]
	l.mu.Unlock()
	if ok {
		return s
	}
	s = look(file, boards, camera)
	l.mu.Lock()
	defer l.mu.Unlock()
	l.seen[key] = s
	return s
}

// Each is for lesson.Bench.
func (l *lessonBench) Each(ctx context.Context, what string, n int, do func(i int) error) error {
	return l.app.each(ctx, what, n, do)
}
