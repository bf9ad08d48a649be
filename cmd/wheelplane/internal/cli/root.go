// Package cli is the command line: one file a command, everything printed in
// output.go, every failure turned into a line and an exit code in exit.go.
//
// A command is an options struct, a constructor that fills it from flags, and
// a run function that takes the filled struct, so that a test needs no flags:
//
//	type frobOptions struct{ dir, out string }
//
//	func newFrobCommand(app *App) *cobra.Command {
//		var o frobOptions
//		c := &cobra.Command{
//			Use:     "frob DIR",
//			Short:   "One line for the list of commands",
//			Example: "  wheelplane frob bay-3",
//			Args:    exactly("DIR"),
//			ValidArgsFunction: completeDirs,
//			RunE: func(c *cobra.Command, args []string) error {
//				o.dir = args[0]
//				return app.frob(c.Context(), o)
//			},
//		}
//		c.Flags().StringVarP(&o.out, "out", "o", "", "file to write")
//		return c
//	}
//
//	func (a *App) frob(ctx context.Context, o frobOptions) error { … }
package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"regexp"
	"runtime"
	"strings"
	"sync"
	"syscall"

	"wheelplane/vision"

	"github.com/spf13/cobra"
	"golang.org/x/term"
)

// commands makes every command, in the order of the help, which is the order
// of the work.
var commands = []func(*App) *cobra.Command{
	newBoardCommand,
	newCameraCommand,
	newNewCommand,
	newServeCommand,
	newNextCommand,
	newCheckCommand,
	newVisitCommand,
	newStationCommand,
	newPlanCommand,
	newRollCommand,
	newFramesCommand,
	newInspectCommand,
	newMeasureCommand,
	newWatchCommand,
	newBudgetCommand,
	newSpecCommand,
	newJudgeCommand,
	newAdviseCommand,
	newReportCommand,
	newStudyCommand,
	newJigCommand,
	newAgainCommand,
	newFleetCommand,
	newDemoCommand,
	newLessonCommand,
}

// chapters part the help: a title, and the command each begins with.
var chapters = []struct{ title, first string }{
	{"Once, before the first job:", "board"},
	{"A job, step by step:", "new"},
	{"From photographs to readings:", "inspect"},
	{"What to do about them:", "spec"},
	{"To trust the numbers, and over the years:", "study"},
	{"To try, to learn and to teach:", "demo"},
}

// App is what a command may touch of the world outside: its output, and the
// options every command has. A test fills it with buffers.
type App struct {
	Stdout, Stderr io.Writer

	// Terminal says that Stderr is looked at by a person: progress is drawn
	// there, and nowhere else.
	Terminal bool

	JSON  bool // --json: the result as JSON on Stdout, and nothing else there
	Quiet bool // --quiet: no progress and no warnings

	mu  sync.Mutex
	bar *progress // the one on the screen now, or nil
}

// Main runs the command line of this process and returns its exit code.
// Ctrl-C cancels the command's context; a second one ends the process at once.
func Main() int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, stop)

	app := &App{
		Stdout:   os.Stdout,
		Stderr:   os.Stderr,
		Terminal: term.IsTerminal(int(os.Stderr.Fd())) && os.Getenv("TERM") != "dumb",
	}
	return app.Run(ctx, os.Args[1:], commands...)
}

// Run runs one command line, args without the program's name, and returns the
// exit code. A failure has then been told on Stderr.
func (a *App) Run(ctx context.Context, args []string, commands ...func(*App) *cobra.Command) int {
	out := &stickyWriter{w: a.Stdout}
	a.Stdout = out

	// Cobra's own errors, before a command runs, are errors of usage.
	running := false
	root := newRoot(a, commands)
	eachCommand(root, func(c *cobra.Command) {
		if run := c.RunE; run != nil {
			c.RunE = func(c *cobra.Command, args []string) error {
				running = true
				return run(c, args)
			}
		}
	})
	root.SetArgs(args)
	c, err := root.ExecuteContextC(ctx)
	if err != nil && !running {
		err = Hint(withCode(ExitUsage, err), "see "+c.CommandPath()+" --help")
	}
	if err == nil && out.err != nil {
		err = withCode(ExitFailed, fmt.Errorf("cannot write the output: %w", out.err))
	}
	a.endProgress()
	return a.tell(err)
}

// goWords is what a failed conversion of a flag's value says about Go.
var goWords = regexp.MustCompile(`strconv\.Parse\w+: parsing "[^"]*": `)

// Cobra has one order for all: set once, not by each of several Apps at work.
func init() { cobra.EnableCommandSorting = false }

func newRoot(a *App, commands []func(*App) *cobra.Command) *cobra.Command {
	root := &cobra.Command{
		Use:   "wheelplane",
		Short: "Measure wheel alignment from photographs",
		Long: `wheelplane measures wheel alignment of trucks, buses, trailers and cars from
photographs of printed boards clamped to the wheels. Every number comes with
its standard uncertainty.

` + exitTable(),
		Version:       version(),
		SilenceErrors: true,
		SilenceUsage:  true,
		Args: func(c *cobra.Command, args []string) error {
			if len(args) == 0 {
				return nil
			}
			if near := c.SuggestionsFor(args[0]); len(near) > 0 {
				return fmt.Errorf("no command is called %q: did you mean %s?", args[0], strings.Join(near, " or "))
			}
			return fmt.Errorf("no command is called %q", args[0])
		},
		RunE: func(c *cobra.Command, args []string) error { return c.Help() },
	}
	root.SuggestionsMinimumDistance = 2
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error {
		text := goWords.ReplaceAllString(err.Error(), "")
		return errors.New(strings.Replace(text, ": invalid syntax", ": not a value it can take", 1))
	})
	root.SetOut(a.Stdout)
	root.SetErr(a.Stderr)
	root.SetVersionTemplate(fmt.Sprintf("{{.Name}} {{.Version}} (OpenCV %s, %s)\n", vision.OpenCVVersion(), runtime.Version()))
	root.PersistentFlags().BoolVar(&a.JSON, "json", false, "write the result as JSON on standard output, nothing else")
	root.PersistentFlags().BoolVarP(&a.Quiet, "quiet", "q", false, "no progress, no warnings")
	group := ""
	for _, newCommand := range commands {
		c := newCommand(a)
		for _, ch := range chapters {
			if ch.first == c.Name() {
				group = ch.first
				root.AddGroup(&cobra.Group{ID: group, Title: ch.title})
			}
		}
		c.GroupID = group
		root.AddCommand(c)
	}
	return root
}

func eachCommand(c *cobra.Command, f func(*cobra.Command)) {
	f(c)
	for _, sub := range c.Commands() {
		eachCommand(sub, f)
	}
}

// exactly is for cobra's Args: one argument for each name, and an error that
// says which is missing.
func exactly(names ...string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) < len(names) {
			return fmt.Errorf("%s needs %s", c.CommandPath(), strings.Join(names[len(args):], " and "))
		}
		if len(args) > len(names) {
			return extraArgument(c, args[len(names)])
		}
		return nil
	}
}

// atLeastOne is for cobra's Args: one argument or more.
func atLeastOne(name string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) == 0 {
			return fmt.Errorf("%s needs %s", c.CommandPath(), name)
		}
		return nil
	}
}

// atMost is for cobra's Args: up to n arguments.
func atMost(n int) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) > n {
			return extraArgument(c, args[n])
		}
		return nil
	}
}

func extraArgument(c *cobra.Command, arg string) error {
	return fmt.Errorf("%s has no use for the argument %q", c.CommandPath(), arg)
}

// completeDirs completes folders on the shell's line.
func completeDirs(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
	return nil, cobra.ShellCompDirectiveFilterDirs
}

// completeFiles completes files with one of the extensions ("jpg", no dot).
func completeFiles(extensions ...string) cobra.CompletionFunc {
	return func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
		return extensions, cobra.ShellCompDirectiveFilterFileExt
	}
}

// completeWords completes an option's value from a fixed list.
func completeWords(words ...string) cobra.CompletionFunc {
	return cobra.FixedCompletions(words, cobra.ShellCompDirectiveNoFileComp)
}
