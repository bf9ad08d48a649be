package cli

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strings"
)

// ExitCode is what the process returns to the shell.
type ExitCode int

// The exit codes; exitMeanings says what they mean.
const (
	ExitOK           ExitCode = 0
	ExitFailed       ExitCode = 1
	ExitUsage        ExitCode = 2
	ExitInput        ExitCode = 3
	ExitUnmeasurable ExitCode = 4
	ExitDiffers      ExitCode = 5
	ExitInterrupted  ExitCode = 130
)

// exitMeanings is the one table of exit codes: the help prints it, and a test
// holds the README's table to it.
var exitMeanings = []struct {
	code    ExitCode
	meaning string
}{
	{ExitOK, "done"},
	{ExitFailed, "failed: could not write, or something unforeseen"},
	{ExitUsage, "the command line is wrong"},
	{ExitInput, "a file or photograph is missing, damaged or contradicts another"},
	{ExitUnmeasurable, "the input is sound, but does not fix what was asked for"},
	{ExitDiffers, "compared, and it is not the same: files changed, or more than it should differ"},
	{ExitInterrupted, "interrupted (Ctrl-C)"},
}

func exitTable() string {
	var b strings.Builder
	b.WriteString("Exit codes:\n")
	for _, e := range exitMeanings {
		fmt.Fprintf(&b, "  %3d  %s\n", e.code, e.meaning)
	}
	b.WriteString("A run that fails leaves the files it would have written as they were.")
	return b.String()
}

type codedError struct {
	code ExitCode
	error
}

func (e *codedError) Unwrap() error { return e.error }

func withCode(code ExitCode, err error) error {
	if err == nil {
		return nil
	}
	return &codedError{code, err}
}

// BadInput marks err as the fault of a file the user gave: exit code 3. The
// error names the file and ends with the remedy.
func BadInput(err error) error { return withCode(ExitInput, err) }

// BadInputf is BadInput of fmt.Errorf.
func BadInputf(format string, args ...any) error { return BadInput(fmt.Errorf(format, args...)) }

// Unmeasurable marks err as input that is sound but does not fix what was
// asked for: exit code 4.
func Unmeasurable(err error) error { return withCode(ExitUnmeasurable, err) }

// Usagef is an error in the command line that only the command could see, such
// as two options that exclude each other: exit code 2.
func Usagef(format string, args ...any) error {
	return withCode(ExitUsage, fmt.Errorf(format, args...))
}

type hintError struct {
	error
	hint string
}

func (e *hintError) Unwrap() error { return e.error }

// Hint adds to err what to do next, for a second line below the error's. Most
// errors need none: they end with their remedy.
func Hint(err error, hint string) error {
	if err == nil {
		return nil
	}
	return &hintError{err, hint}
}

// exitCode says which code an error stands for: the outermost mark, or else
// what the error itself shows.
func exitCode(err error) ExitCode {
	var coded *codedError
	switch {
	case err == nil:
		return ExitOK
	case errors.Is(err, context.Canceled):
		return ExitInterrupted
	case errors.As(err, &coded):
		return coded.code
	case errors.Is(err, fs.ErrNotExist):
		return ExitInput
	}
	return ExitFailed
}

// tell writes what went wrong, if anything, and returns the exit code. It is
// the only place where a failure becomes text.
func (a *App) tell(err error) int {
	code := exitCode(err)
	switch code {
	case ExitOK:
		return int(code)
	case ExitInterrupted:
		fmt.Fprintln(a.Stderr, "wheelplane: interrupted")
		return int(code)
	}
	fmt.Fprintf(a.Stderr, "wheelplane: %s\n", oneLine(err.Error()))
	var hinted *hintError
	if errors.As(err, &hinted) {
		fmt.Fprintf(a.Stderr, "  hint: %s\n", oneLine(hinted.hint))
	}
	return int(code)
}

// oneLine joins the lines of a text, so that an error is one line whatever
// library it comes from.
func oneLine(s string) string {
	var parts []string
	for _, line := range strings.Split(s, "\n") {
		if line = strings.TrimSpace(line); line != "" {
			parts = append(parts, line)
		}
	}
	return strings.Join(parts, "; ")
}
