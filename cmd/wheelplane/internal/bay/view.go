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
	Version uint64 `json:"version"` // rises with every change

	Job      string   `json:"job"`
	Vehicle  string   `json:"vehicle"`
	Busy     string   `json:"busy"`    // what is being worked out, "" for nothing
	Trouble  string   `json:"trouble"` // why the last measurement failed, one line
	NotYet   string   `json:"not_yet"` // what it still lacks, one line
	Warnings []string `json:"warnings"`

	Setup *Setup `json:"setup"` // what is to be told before there is a job; all else is empty then

	Now   *Step  `json:"now"` // nil: all is done
	Done  int    `json:"done"`
	Of    int    `json:"of"`
	Steps []Step `json:"steps"`

	Station  *Station  `json:"station"` // where the vehicle stands now; nil before the first
	Stations []Station `json:"stations"`
	Shots    []Shot    `json:"shots"` // still wanted at Station, best first

	Axles  []Axle   `json:"axles"` // from the front
	Plan   Plan     `json:"plan"`  // the vehicle from above, for the drawing
	Epochs []string `json:"epochs"`
	Epoch  string   `json:"epoch"` // that the readings are of

	Advice []Advice `json:"advice"` // what to turn, in order
	Undo   string   `json:"undo"`   // what the next undo takes back, "" for nothing
	Record bool     `json:"record"` // there is one
	Wheels []Wheel  `json:"wheels"` // what hangs where at Station, for moving a board
	Who    string   `json:"who"`    // the technician, "" where nobody has said
	Live   *Live    `json:"live"`   // nil: no camera watches
}

// Step is one thing of the work.
type Step struct {
	ID      string    `json:"id"`
	Title   string    `json:"title"`
	State   string    `json:"state"` // done, now, later, skipped
	Do      string    `json:"do"`
	Why     string    `json:"why"`
	Cares   []string  `json:"cares"`   // cautions
	Answers []Answer  `json:"answers"` // what can be told of it by a button
	By      string    `json:"by"`
	At      time.Time `json:"at"`
}

// Answer is a button, or a choice with a button: what it sends. The page has the
// words for it by Label.
type Answer struct {
	Label   string   `json:"label"` // a key of the page's texts
	Action  Action   `json:"action"`
	Choices []Choice `json:"choices"` // of the value named Choose, where there is a choice
	Choose  string   `json:"choose"`
	Link    string   `json:"link"` // a page to go to, instead of an action
	File    bool     `json:"file"` // a file goes with it
}

// Choice is one of several.
type Choice struct {
	Value string `json:"value"`
	Label string `json:"label"`
}

// Setup is what is asked before there is a job.
type Setup struct {
	Name    string   `json:"name"` // the folder's
	Layouts []Choice `json:"layouts"`
	Camera  bool     `json:"camera"` // a camera file is there
}

// Wheel is a wheel end with the board on it, "" for none.
type Wheel struct {
	Axle  int    `json:"axle"`
	Side  string `json:"side"`
	Board string `json:"board"`
}

// Station is a place the vehicle stood at.
type Station struct {
	Name     string   `json:"name"`
	Epoch    string   `json:"epoch"`
	Do       string   `json:"do"` // what is to be done and photographed
	Show     string   `json:"show"`
	Photos   []Photo  `json:"photos"`
	Missing  []string `json:"missing"`  // boards or wheels nothing shows yet, in words
	Pending  int      `json:"pending"`  // photographs that nobody has looked at yet: then Missing is not known
	Complete bool     `json:"complete"` // it has photographs and Missing is empty
	Now      bool     `json:"now"`
}

// Photo is a photograph with what was found in it.
type Photo struct {
	ID      string   `json:"id"` // of our making; never a name from outside
	Name    string   `json:"name"`
	Verdict string   `json:"verdict"` // good, moved, too dark …; "" while nobody has looked
	Good    bool     `json:"good"`
	Why     string   `json:"why"`
	Do      string   `json:"do"`
	Boards  []string `json:"boards"`
}

// Shot is a photograph worth taking.
type Shot struct {
	Where   string   `json:"where"` // "in front of axle 1, left, 1.5 m high"
	Phone   string   `json:"phone"` // upright or flat
	X       float64  `json:"x"`     // m, in the plan's frame
	Y       float64  `json:"y"`
	H       float64  `json:"h"`
	Heading float64  `json:"heading"` // rad, where the camera looks, 0 forward, positive to the left
	Boards  []string `json:"boards"`
}

// Axle is an axle with its readings.
type Axle struct {
	Number    int       `json:"number"`
	Name      string    `json:"name"`
	Reference bool      `json:"reference"`
	Steered   bool      `json:"steered"`
	Readings  []Reading `json:"readings"` // of the whole axle
	Left      []Reading `json:"left"`     // of its wheels
	Right     []Reading `json:"right"`
	Verdict   string    `json:"verdict"` // the worst of its readings': within, outside, undecided, ""
}

// Reading is one number, told.
type Reading struct {
	Quantity string  `json:"quantity"`
	Name     string  `json:"name"`
	Value    string  `json:"value"` // "-0.042"
	U        string  `json:"u"`
	Unit     string  `json:"unit"`
	Low      string  `json:"low"` // the target's limits, "" where there is none
	High     string  `json:"high"`
	At       float64 `json:"at"`      // where the value lies between the limits: 0 at low, 1 at high
	Width    float64 `json:"width"`   // 2 u on the same scale
	Verdict  string  `json:"verdict"` // within, outside, undecided, ""
}

// Plan is the vehicle from above, metres, x forward from the first axle, y left.
type Plan struct {
	Axles  []PlanAxle  `json:"axles"`
	Boards []PlanBoard `json:"boards"`
}

// PlanAxle is an axle of a Plan; headings as measured, radians, or 0.
type PlanAxle struct {
	Number  int     `json:"number"`
	X       float64 `json:"x"`
	Track   float64 `json:"track"`
	Tyre    float64 `json:"tyre"`
	Left    float64 `json:"left"` // toe as drawn
	Right   float64 `json:"right"`
	Steered bool    `json:"steered"`
}

// PlanBoard is a board of a Plan.
type PlanBoard struct {
	Name string  `json:"name"`
	Kind string  `json:"kind"` // wheel, floor, body
	X    float64 `json:"x"`
	Y    float64 `json:"y"`
	Seen int     `json:"seen"` // photographs of this station that show it
}

// Advice is one thing to adjust.
type Advice struct {
	Title string   `json:"title"`
	Do    string   `json:"do"`
	Axle  int      `json:"axle"`
	Why   []string `json:"why"`
}

// Live is what a watching camera tells now.
type Live struct {
	Source   string    `json:"source"`
	State    string    `json:"state"` // moving, settled, hidden, knocked, waiting, lost
	Say      string    `json:"say"`   // the state in a sentence
	Axle     int       `json:"axle"`
	Readings []Reading `json:"readings"`
	Rate     float64   `json:"rate"` // frames a second
	At       time.Time `json:"at"`
}
