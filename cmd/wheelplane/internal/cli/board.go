package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"

	"wheelplane/vision"

	"github.com/spf13/cobra"
)

type boardOptions struct {
	count      int
	names      []string
	paper      string
	squares    string
	squareMM   float64 // 0: the largest that fits
	markerMM   float64 // 0: in proportion
	dictionary string
	firstID    int
	output     string
	dpi        float64
	force      bool
}

func newBoardCommand(app *App) *cobra.Command {
	var o boardOptions
	c := &cobra.Command{
		Use:   "board",
		Short: "Write boards to print: a PDF at true scale, or PNG pictures",
		Long: `board writes a set of boards, one a page. Ids are given out consecutively, so
that every board of the set is told apart. The first page has rulers and says
how to print, mount and measure the boards: print it first.

Print at 100 % ("actual size", never "fit to page") on matt paper, and glue each
board without bubbles on a rigid flat plate: a board that bends is seen as a
wheel that tilts.

Printers stretch paper by parts per thousand, and not equally in both
directions. Measure a printed chessboard from the first to the last black edge
of its top row (x) and of its left column (y), divide by the designed lengths,
which are printed beside it, and state the two numbers in the job:

  boards:
    print_scale: {x: 1.0007, y: 0.9995}

The default paper, A3, holds 7 x 5 squares of 55 mm; A4 38 mm, Tabloid 51 mm,
Letter 36 mm. Larger boards measure better and from farther away.`,
		Example: `  wheelplane board
  wheelplane board --paper A4 --count 6 --out small.pdf
  wheelplane board --names B1,B2,B3,B4,B5,B6,F1,F2,F3
  wheelplane board --paper 700x500 --out pictures --dpi 200
  wheelplane board --count 1 --names spare --first-id 238 --out spare.pdf`,
		Args:              atMost(0),
		ValidArgsFunction: cobra.NoFileCompletions,
		RunE: func(c *cobra.Command, args []string) error {
			if c.Flags().Changed("names") {
				if !c.Flags().Changed("count") {
					o.count = len(o.names)
				}
			} else {
				o.names = nil
			}
			return app.board(c.Context(), o)
		},
	}
	f := c.Flags()
	f.IntVarP(&o.count, "count", "n", 14, "how many boards: one a wheel end, and some for the floor")
	f.StringSliceVar(&o.names, "names", nil, "their names, separated by commas (default A, B, C ...)")
	f.StringVar(&o.paper, "paper", "A3", "A4, A3, A2, A1, A0, Letter, Tabloid, or a size in mm such as 700x500")
	f.StringVar(&o.squares, "squares", "7x5", "squares across and down")
	f.Float64Var(&o.squareMM, "square-mm", 0, "side of a square (default the largest that fits the paper)")
	f.Float64Var(&o.markerMM, "marker-mm", 0, "side of a marker (default three quarters of the square)")
	f.StringVar(&o.dictionary, "dictionary", "36h11", "family of markers")
	f.IntVar(&o.firstID, "first-id", 0, "id of the first marker of the first board")
	f.StringVarP(&o.output, "out", "o", "boards.pdf", "PDF to write, or a folder for PNG pictures")
	f.Float64Var(&o.dpi, "dpi", 300, "resolution of PNG pictures; the nearest with whole pixels is taken")
	f.BoolVar(&o.force, "force", false, "replace files that are there")
	var papers []string
	for _, p := range vision.Papers {
		papers = append(papers, p.Name)
	}
	c.RegisterFlagCompletionFunc("paper", completeWords(papers...))
	c.RegisterFlagCompletionFunc("dictionary", completeWords(vision.DictionaryNames()...))
	c.RegisterFlagCompletionFunc("out", completeFiles("pdf"))
	return c
}

func (a *App) board(ctx context.Context, o boardOptions) error {
	boards, paper, err := o.boards()
	if err != nil {
		return withCode(ExitUsage, err)
	}
	sheets, err := vision.Sheets(boards, paper)
	if err != nil {
		return withCode(ExitUsage, err)
	}
	var files []string
	if strings.EqualFold(filepath.Ext(o.output), ".pdf") {
		files, err = a.writeBoardsPDF(o, sheets)
	} else {
		files, err = a.writeBoardPictures(ctx, o, boards, sheets)
	}
	if err != nil {
		return err
	}
	set := newBoardSet(boards, sheets[0], paper, files)
	if a.JSON {
		return a.printJSON(set)
	}
	names := boards[0].Name
	if len(boards) > 1 {
		names += " to " + boards[len(boards)-1].Name
	}
	many := "boards"
	if len(boards) == 1 {
		many = "board"
	}
	a.printf("wrote %s: notes and %d %s, %s, for %s paper\n", o.output, len(boards), many, names, paper.Name)
	a.printf("print at 100 %%; a chessboard then measures %g x %g mm, black to black\n\nfor job.yaml:\n\n%s", set.BlackMM[0], set.BlackMM[1], set.Boards.yaml())
	return nil
}

var sizeText = regexp.MustCompile(`^(\d{1,3})x(\d{1,3})$`)

// acrossAndDown reads an option like 7x5.
func acrossAndDown(option, text string) (across, down int, err error) {
	m := sizeText.FindStringSubmatch(text)
	if m == nil {
		return 0, 0, fmt.Errorf("--%s %q: write how many across and down, such as 7x5", option, text)
	}
	across, _ = strconv.Atoi(m[1])
	down, _ = strconv.Atoi(m[2])
	return across, down, nil
}

// boards makes the set that the options ask for.
func (o *boardOptions) boards() ([]vision.Board, vision.Paper, error) {
	paper, err := vision.PaperNamed(o.paper)
	if err != nil {
		return nil, paper, err
	}
	b := vision.Board{Dictionary: o.dictionary, FirstID: o.firstID, SquareM: o.squareMM / 1e3, MarkerM: o.markerMM / 1e3}
	if b.Cols, b.Rows, err = acrossAndDown("squares", o.squares); err != nil {
		return nil, paper, err
	}
	switch {
	case b.Cols < 2 || b.Rows < 2 || b.Cols > 100 || b.Rows > 100:
		return nil, paper, fmt.Errorf("--squares %s: take 2 to 100 squares across and down", o.squares)
	case o.count < 1 || o.count > 1000:
		return nil, paper, fmt.Errorf("--count %d: ask for 1 to 1000 boards", o.count)
	case o.names != nil && len(o.names) != o.count:
		return nil, paper, fmt.Errorf("--names gives %d names for %d boards: give one for each", len(o.names), o.count)
	case !(o.squareMM >= 0) || !(o.markerMM >= 0):
		return nil, paper, errors.New("--square-mm and --marker-mm: sizes must be above 0")
	}
	if b.SquareM == 0 {
		if b.SquareM, _, err = paper.Fit(b.Cols, b.Rows); err != nil {
			return nil, paper, err
		}
	}
	if b.MarkerM == 0 {
		b.MarkerM = vision.MarkerFor(b.SquareM)
	}
	boards := vision.Set(o.count, b)
	for i, name := range o.names {
		boards[i].Name = strings.TrimSpace(name)
	}
	for i := range boards {
		d, known := vision.Dictionaries[o.dictionary]
		if n := boards[i].NumMarkers(); known && o.firstID >= 0 && boards[i].FirstID+n > d.Size {
			return nil, paper, fmt.Errorf("dictionary %s has ids 0 to %d, enough for %d such boards from id %d on: ask for fewer, or for a --dictionary with more ids",
				o.dictionary, d.Size-1, max(0, d.Size-o.firstID)/n, o.firstID)
		}
	}
	return boards, paper, nil
}

// mayWrite refuses to replace a file unasked: a set printed earlier may carry
// other ids under the same names.
func (o *boardOptions) mayWrite(path string) error {
	if _, err := os.Lstat(path); o.force || errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return withCode(ExitFailed, fmt.Errorf("%s is there already: choose another --out, or replace it with --force", path))
}

func (a *App) writeBoardsPDF(o boardOptions, sheets []vision.Sheet) ([]string, error) {
	if err := o.mayWrite(o.output); err != nil {
		return nil, err
	}
	return []string{o.output}, writeFile(o.output, func(w io.Writer) error { return vision.WritePDF(w, sheets) })
}

// notesPicture is the file of the notes beside the boards' pictures.
const notesPicture = "print-and-mount.png"

func (a *App) writeBoardPictures(ctx context.Context, o boardOptions, boards []vision.Board, sheets []vision.Sheet) ([]string, error) {
	if strings.EqualFold(filepath.Ext(o.output), ".png") {
		return nil, Usagef("--out %s: name a folder for the pictures, or a .pdf file", o.output)
	}
	files := []string{filepath.Join(o.output, notesPicture)}
	taken := map[string]string{}
	for _, b := range boards {
		// Some file systems do not tell a from A.
		if other, ok := taken[strings.ToLower(b.Name)]; ok {
			return nil, Usagef("boards %s and %s would have the same file: rename one", other, b.Name)
		}
		taken[strings.ToLower(b.Name)] = b.Name
		files = append(files, filepath.Join(o.output, "board-"+b.Name+".png"))
	}
	for _, f := range files {
		if err := o.mayWrite(f); err != nil {
			return nil, err
		}
	}
	if err := os.Mkdir(o.output, 0o777); err == nil {
		defer os.Remove(o.output) // which only an empty folder lets happen
	} else if st, e := os.Stat(o.output); e != nil || !st.IsDir() {
		return nil, cannotWrite(o.output, err)
	}
	var out outputs
	defer out.discard()
	bar := a.progress("drawing boards", len(sheets))
	defer bar.done()
	for i, f := range files {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		err := out.add(f, func(w io.Writer) error {
			return withCode(ExitUsage, sheets[i].PNG(w, o.dpi))
		})
		if err != nil {
			return nil, err
		}
		bar.add(1)
	}
	return files, out.commit()
}

// boardSet is what --json prints. Its boards are written as in job.yaml.
type boardSet struct {
	Boards  boardsOfJob `json:"boards"`
	Paper   string      `json:"paper"`
	PageMM  [2]float64  `json:"page_mm"`
	BlackMM [2]float64  `json:"black_to_black_mm"` // designed lengths to measure a print against
	Files   []string    `json:"files"`
}

type boardsOfJob struct {
	Dictionary string       `json:"dictionary"`
	Squares    [2]int       `json:"squares"`
	SquareMM   float64      `json:"square_mm"`
	MarkerMM   float64      `json:"marker_mm"`
	List       []boardOfJob `json:"list"`
}

type boardOfJob struct {
	Name    string `json:"name"`
	FirstID int    `json:"first_id"`
}

func newBoardSet(boards []vision.Board, page vision.Sheet, paper vision.Paper, files []string) *boardSet {
	b := &boards[0]
	mm := func(m float64) float64 { // without rounding noise
		v, _ := strconv.ParseFloat(strconv.FormatFloat(m*1e3, 'f', 4, 64), 64)
		return v
	}
	wide, high := b.BlackSpans()
	s := &boardSet{
		Boards:  boardsOfJob{b.Dictionary, [2]int{b.Cols, b.Rows}, mm(b.SquareM), mm(b.MarkerM), nil},
		Paper:   paper.Name,
		PageMM:  [2]float64{page.WidthMM, page.HeightMM},
		BlackMM: [2]float64{mm(wide), mm(high)},
		Files:   files,
	}
	for _, b := range boards {
		s.Boards.List = append(s.Boards.List, boardOfJob{b.Name, b.FirstID})
	}
	return s
}

var plainYAML = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9]*$`)

// yaml writes the boards as a job file has them.
func (b *boardsOfJob) yaml() string {
	var s strings.Builder
	fmt.Fprintf(&s, "boards:\n  dictionary: %s\n  squares: [%d, %d]\n  square_mm: %g\n  marker_mm: %g\n  print_scale: {x: 1, y: 1}   # measured over designed\n  list:\n",
		b.Dictionary, b.Squares[0], b.Squares[1], b.SquareMM, b.MarkerMM)
	for _, x := range b.List {
		name := x.Name
		if !plainYAML.MatchString(name) {
			name = strconv.Quote(name)
		}
		fmt.Fprintf(&s, "    - {name: %s, first_id: %d}\n", name, x.FirstID)
	}
	return s.String()
}
