package bay

import "context"

// Engine is the job behind the pages. One call at a time changes it; View may be
// asked at any time.
type Engine interface {
	// View reads the job as it stands.
	View() (*View, error)

	// Act does what a button asks for. An error is one line for people.
	Act(Action) error

	// Undo takes back the last step and says which it was.
	Undo() (string, error)

	// Take takes a file that has arrived whole: a photograph or film of a station, or a
	// camera file. It copies or moves it into the job, or refuses it. What it returns
	// is told to whoever sent it.
	Take(ctx context.Context, file Upload) (*Taken, error)

	// Due tells whether there is something new to measure.
	Due() bool
	// Measure works out the readings anew. [NotYet]: more photographs are needed.
	Measure(ctx context.Context) error

	// Picture returns the file of an annotated photograph: a JPEG. ok is false where
	// there is none of that ID.
	Picture(id string, small bool) (path string, ok bool)
	// Record returns the file of the record: "pdf" or "html".
	Record(kind string) (path string, ok bool)
}

// NotYet is an error of Measure that is no trouble: what is there does not tell enough
// yet. It says what is missing.
type NotYet struct{ Err error }

func (n NotYet) Error() string { return n.Err.Error() }

// Action is what a button sends.
type Action struct {
	Do string `json:"do"` // begin, tell, targets, station, hang, forget, visit, record
	// What belongs to it:
	//   begin    layout, name, pairs     a new job
	//   tell     what, result, note      of a check: ok, bad, skipped
	//   targets  spec                    target values by name
	//   station  epoch, moved, steer, lifted    all may be left out
	//   hang     board, axle, side       on another wheel, from a new station on
	//   forget   photo                   out of the job
	//   visit    key, value
	//   record                           written anew
	With map[string]string `json:"with"`
}

// Upload is a file that has arrived whole.
type Upload struct {
	Path    string // where it lies now; not a name from outside
	Kind    string // photo, film, camera
	Station string // that the sender looked at; "": the present one
	SHA256  string // hexadecimal, of the file
	Size    int64
}

// Taken is what became of an upload.
type Taken struct {
	Photo   *Photo `json:"photo,omitempty"`
	Station string `json:"station,omitempty"`
	Before  bool   `json:"before,omitempty"`  // it was there already
	Refused string `json:"refused,omitempty"` // why it was not taken: one line
}
