package cli

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"sync/atomic"
	"testing"
	"time"

	"wheelplane/cmd/wheelplane/internal/seen"
	"wheelplane/fixtures"
	"wheelplane/pose/rig"
	"wheelplane/vision"
)

// photographedJob renders a few photographs of a job, too few to measure.
func photographedJob(t *testing.T) (string, *rig.Folder, *vision.Camera) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "job")
	scene, err := fixtures.NewScene("first-look", 3, 1000)
	if err != nil {
		t.Fatal(err)
	}
	scene.Job.Photos = scene.Job.Photos[:5]
	err = makeFolders(dir, scene, true)
	if err == nil {
		err = scene.Camera.Save(filepath.Join(dir, "camera.yaml"))
	}
	if err == nil {
		err = scene.PhotographFrom(t.Context(), dir, 0, fixtures.DefaultOptics(1000), nil)
	}
	if err == nil {
		var text []byte
		if text, err = scene.Job.Text("camera.yaml"); err == nil {
			err = writeFile(filepath.Join(dir, rig.JobFile), these(text))
		}
	}
	if err != nil {
		t.Fatal(err)
	}
	folder, err := rig.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	camera, err := vision.LoadCamera(folder.Camera)
	if err != nil {
		t.Fatal(err)
	}
	return dir, folder, camera
}

// What the store recalls is what looking gives, to the last bit; nothing is looked
// at twice but what changed, and a run that was ended goes on where it stopped.
func TestRecall(t *testing.T) {
	if testing.Short() {
		t.Skip("renders photographs")
	}
	dir, folder, camera := photographedJob(t)
	quiet := &App{Stdout: io.Discard, Stderr: io.Discard, Quiet: true}
	photos := len(folder.Job.Photos)
	var looks atomic.Int32
	counting := func(file *vision.File, boards []vision.Board, camera *vision.Camera) sighting {
		looks.Add(1)
		return look(file, boards, camera)
	}
	pass := func(ctx context.Context, fresh bool, counting looker, want int) *found {
		t.Helper()
		looks.Store(0)
		f, err := quiet.findBoards(ctx, folder, camera, recall(seen.Open(dir, camera, folder.Job.Boards), counting, fresh), false)
		if err != nil && !errors.Is(err, context.Canceled) {
			t.Fatal(err)
		}
		if n := int(looks.Load()); want >= 0 && n != want {
			t.Errorf("looked at %d photographs, want %d", n, want)
		}
		return f
	}

	// Ended after two photographs; they are not looked at again.
	ctx, end := context.WithCancel(t.Context())
	var ended atomic.Int32
	pass(ctx, false, func(file *vision.File, boards []vision.Board, camera *vision.Camera) sighting {
		s := counting(file, boards, camera)
		if ended.Add(1) == 2 {
			end()
		}
		return s
	}, -1)
	done := int(looks.Load())
	if done < 2 || done >= photos {
		t.Fatalf("%d of %d photographs were looked at: nothing was interrupted", done, photos)
	}
	plain, err := quiet.findBoards(t.Context(), folder, camera, look, false)
	if err != nil {
		t.Fatal(err)
	}
	first := pass(t.Context(), false, counting, photos-done)
	second := pass(t.Context(), false, counting, 0)
	fresh := pass(t.Context(), true, counting, photos)
	for what, f := range map[string]*found{"partly recalled": first, "recalled": second, "fresh": fresh} {
		if len(f.obs) == 0 || !reflect.DeepEqual(f, plain) {
			t.Errorf("%s: not what looking gives", what)
		}
	}

	// A photograph that changed is looked at again, be it as long and as old as before.
	path := filepath.Join(dir, filepath.FromSlash(folder.Job.Photos[0].Path))
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	data[len(data)/2] ^= 4
	if err := os.WriteFile(path, data, 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.Chtimes(path, info.ModTime(), info.ModTime()); err != nil {
		t.Fatal(err)
	}
	pass(t.Context(), false, counting, 1)

	// One that is renamed is not.
	if err := os.Rename(path, filepath.Join(filepath.Dir(path), "aaa.jpg")); err != nil {
		t.Fatal(err)
	}
	if folder, err = rig.Open(dir); err != nil {
		t.Fatal(err)
	}
	pass(t.Context(), false, counting, 0)

	// A folder that cannot keep anything is measured all the same.
	if err := os.RemoveAll(filepath.Join(dir, ".wheelplane")); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, ".wheelplane"), nil, 0o666); err != nil {
		t.Fatal(err)
	}
	pass(t.Context(), false, counting, photos)
	if _, err := quiet.recallBoards(t.Context(), folder, camera, false, false); err != nil {
		t.Error(err)
	}
}

// Measured once more, a result that says the same keeps its date, and any other is
// written.
func TestStands(t *testing.T) {
	if testing.Short() {
		t.Skip("renders photographs")
	}
	dir, folder, camera := photographedJob(t)
	quiet := &App{Stdout: io.Discard, Stderr: io.Discard, Quiet: true}
	f, err := quiet.findBoards(t.Context(), folder, camera, look, false)
	if err != nil {
		t.Fatal(err)
	}
	result := &rig.Result{Job: "bay", Inputs: f.inputs}
	if stands(folder, result) {
		t.Error("a result that is not there stands")
	}
	if err := keepResult(dir, result); err != nil {
		t.Fatal(err)
	}
	dated := func(path string, at time.Time) {
		t.Helper()
		if err := os.Chtimes(filepath.Join(dir, path), at, at); err != nil {
			t.Fatal(err)
		}
	}
	ago := time.Now().Add(-time.Hour)
	dated(rig.ResultFile, ago)
	if !stands(folder, result) {
		t.Error("the same does not stand")
	}
	photo := folder.Job.Photos[0].Path
	dated(photo, time.Now())
	if !stands(folder, result) {
		t.Error("a photograph copied anew, of another date alone, makes it fall")
	}
	if stands(folder, &rig.Result{Job: "another", Inputs: f.inputs}) {
		t.Error("what says something else stands")
	}
	dated(rig.ResultFile, time.Now().Add(time.Hour))
	if stands(folder, result) {
		t.Error("a result from the future stands")
	}
	dated(rig.ResultFile, ago)
	if err := os.WriteFile(filepath.Join(dir, filepath.FromSlash(photo)), []byte("another picture"), 0o666); err != nil {
		t.Fatal(err)
	}
	if stands(folder, result) {
		t.Error("it stands though a photograph is another")
	}
}
