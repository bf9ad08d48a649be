// Package bay is a job in the browser: the laptop shows the bay, phones bring the
// photographs. It holds the pages, who may use them, uploads that survive a lost
// connection, undo, and news for every browser that looks; what a job is and how it
// is measured is behind [Engine].
package bay

import "time"

// View is all that a page shows of a job at one moment: made by the engine, set
// into HTML by the templates. Numbers are already in the units and digits they
// are shown in; what is told by colour is told by Verdict or State in words too.
type View struct {
	Version uint64 // rises with every change

	Job, Vehicle string
	Busy         string // what is being worked out, "" for nothing
	Trouble      string // why the last measurement failed, one line
	NotYet       string // what it still lacks, one line
	Warnings     []string

	Setup *Setup // what is to be told before there is a job; all else is empty then

	Now      *Step // nil: all is done
	Done, Of int
	Steps    []Step

	Station  *Station // where the vehicle stands now; nil before the first
	Stations []Station
	Shots    []Shot // still wanted at Station, best first

	Axles  []Axle // from the front
	Plan   Plan   // the vehicle from above, for the drawing
	Epochs []string
	Epoch  string // that the readings are of

	Advice []Advice // what to turn, in order
	Undo   string   // what the next undo takes back, "" for nothing
	Record bool     // there is one
	Wheels []Wheel  // what hangs where at Station, for moving a board
	Who    string   // the technician, "" where nobody has said
	Live   *Live    // nil: no camera watches
}

// Step is one thing of the work.
type Step struct {
	ID, Title, State string // State: done, now, later, skipped
	Do, Why          string
	Cares            []string // cautions
	Answers          []Answer // what can be told of it by a button
	By               string
	At               time.Time
}

// Answer is a button, or a choice with a button: what it sends. The page has the
// words for it by Label.
type Answer struct {
	Label   string // a key of the page's texts
	Action  Action
	Choices []Choice // of the value named Choose, where there is a choice
	Choose  string
	Link    string // a page to go to, instead of an action
	File    bool   // a file goes with it
}

// Choice is one of several.
type Choice struct{ Value, Label string }

// Setup is what is asked before there is a job.
type Setup struct {
	Name    string // the folder's
	Layouts []Choice
	Camera  bool // a camera file is there
}

// Wheel is a wheel end with the board on it, "" for none.
type Wheel struct {
	Axle  int
	Side  string
	Board string
}

// Station is a place the vehicle stood at.
type Station struct {
	Name, Epoch   string
	Do, Show      string // what is to be done and photographed
	Photos        []Photo
	Missing       []string // boards or wheels nothing shows yet, in words
	Complete, Now bool     // Complete: it has photographs and Missing is empty
}

// Photo is a photograph with what was found in it.
type Photo struct {
	ID      string // of our making; never a name from outside
	Name    string
	Verdict string // good, moved, too dark …; "" while nobody has looked
	Good    bool
	Why, Do string
	Boards  []string
}

// Shot is a photograph worth taking.
type Shot struct {
	Where, Phone string  // "in front of axle 1, left, 1.5 m high"; "upright" or "flat"
	X, Y, H      float64 // m, in the plan's frame
	Heading      float64 // rad, where the camera looks, 0 forward, positive to the left
	Boards       []string
}

// Axle is an axle with its readings.
type Axle struct {
	Number      int
	Name        string
	Reference   bool
	Steered     bool
	Readings    []Reading // of the whole axle
	Left, Right []Reading // of its wheels
	Verdict     string    // the worst of its readings': within, outside, undecided, ""
}

// Reading is one number, told.
type Reading struct {
	Quantity, Name string
	Value, U, Unit string  // "-0.042", "0.005", "deg"
	Low, High      string  // the target's limits, "" where there is none
	At             float64 // where the value lies between the limits: 0 at low, 1 at high
	Width          float64 // 2 u on the same scale
	Verdict        string  // within, outside, undecided, ""
}

// Plan is the vehicle from above, metres, x forward from the first axle, y left.
type Plan struct {
	Axles  []PlanAxle
	Boards []PlanBoard
}

// PlanAxle is an axle of a Plan; headings as measured, radians, or 0.
type PlanAxle struct {
	Number         int
	X, Track, Tyre float64
	Left, Right    float64 // toe as drawn
	Steered        bool
}

// PlanBoard is a board of a Plan.
type PlanBoard struct {
	Name, Kind string // wheel, floor, body
	X, Y       float64
	Seen       int // photographs of this station that show it
}

// Advice is one thing to adjust.
type Advice struct {
	Title, Do string
	Axle      int
	Why       []string
}

// Live is what a watching camera tells now.
type Live struct {
	Source   string
	State    string // moving, settled, hidden, knocked, waiting, lost
	Say      string // the state in a sentence
	Axle     int
	Readings []Reading
	Rate     float64 // frames a second
	At       time.Time
}
