package vision

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
)

// Limits of files that are read whole into memory.
const (
	MostText  = 8 << 20   // bytes of a text: no job, result or table comes near; parsed, it is a hundred times as much
	mostPhoto = 400 << 20 // of a picture: above any camera's
)

// ReadFile is os.ReadFile for files that somebody else may have made: one of more
// than most bytes, or that is no file (a pipe, a device), is an error instead of
// all memory or an endless wait.
func ReadFile(path string, most int64) ([]byte, error) {
	// A pipe would hold up opening it already.
	if st, err := os.Stat(path); err != nil || !st.Mode().IsRegular() {
		switch {
		case err != nil:
			return nil, err
		case st.IsDir():
			return nil, &fs.PathError{Op: "read", Path: path, Err: errors.New("is a folder, not a file")}
		}
		return nil, &fs.PathError{Op: "read", Path: path, Err: errors.New("is not a file: copy what it holds into one")}
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return nil, err
	}
	size := st.Size()
	if size > most {
		return nil, &fs.PathError{Op: "read", Path: path, Err: fmt.Errorf("has %d MB, more than the %d that such a file may have: look whether it is the right one", size>>20, most>>20)}
	}
	data := make([]byte, 0, size+512)
	for {
		n, err := f.Read(data[len(data):cap(data)])
		data = data[:len(data)+n]
		switch {
		case err == io.EOF:
			return data, nil
		case err != nil:
			return nil, err
		case int64(len(data)) > most: // it grew
			return nil, &fs.PathError{Op: "read", Path: path, Err: fmt.Errorf("grew beyond %d MB while it was read", most>>20)}
		case len(data) == cap(data):
			data = append(data, 0)[:len(data)]
		}
	}
}
