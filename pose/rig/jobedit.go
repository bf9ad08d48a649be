package rig

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"wheelplane/vision"

	"go.yaml.in/yaml/v3"
)

// NewStation is a station to be added to the end of a job.
type NewStation struct {
	Name   string
	Epoch  string  // "": that of the station before
	Moved  []Wheel // of a new epoch: the wheels whose axes changed; nil: all may have
	Lifted []Wheel
	Steer  float64 // rad; only with Sweep
	Sweep  bool
	Hung   map[string]Wheel // boards, by name, that are moved to another wheel for it
}

// AddStation returns the text of DIR/job.yaml with a station added at the end,
// on the boards as they hang there. Comments stay. The new text is read once
// more before it is returned, so what it says is sound.
func AddStation(dir string, s NewStation) ([]byte, error) {
	before, err := Read(dir)
	if err != nil {
		return nil, err
	}
	path := filepath.Join(dir, JobFile)
	text, err := vision.ReadFile(path, vision.MostText)
	if err != nil {
		return nil, err
	}
	var root yaml.Node
	if err := yaml.Unmarshal(text, &root); err != nil {
		return nil, fmt.Errorf("%s: %s", path, yamlError(err))
	}
	top := root.Content[0]
	job := before.Job
	if s.Name == "" {
		s.Name = freeName(job)
	}
	if slices.ContainsFunc(job.Stations, func(o Station) bool { return o.Name == s.Name }) {
		return nil, fmt.Errorf("%s: there is a station %s already; choose another name", path, s.Name)
	}
	last := ""
	if n := len(job.Stations); n > 0 {
		last = job.Stations[n-1].Name
	}
	epoch := s.Epoch
	if epoch == "" && len(job.Stations) > 0 {
		epoch = job.Stations[len(job.Stations)-1].Epoch
	}
	stop := stopNode(Station{Name: s.Name, Epoch: epoch, Lifted: s.Lifted, Sweep: s.Sweep, Steer: s.Steer})
	stations := value(top, "stations")
	if stations == nil || stations.Kind != yaml.SequenceNode {
		return nil, fmt.Errorf("%s: stations is not a list; write the first station by hand", path)
	}
	stations.Content = append(stations.Content, stop)

	// Boards hung at the last station hang there still, but for those that are moved.
	hangs := value(top, "hangs")
	for board := range s.Hung {
		if !slices.ContainsFunc(before.Job.Hangs, func(h Hang) bool { return job.Boards[h.Board].Name == board }) {
			return nil, fmt.Errorf("%s: board %s hangs on no wheel; name one that does", path, board)
		}
	}
	if hangs != nil && last != "" {
		for _, h := range hangs.Content {
			if name := value(h, "board"); name != nil {
				list := value(h, "stations")
				there := list == nil || slices.ContainsFunc(list.Content, func(n *yaml.Node) bool { return n.Value == last })
				if to, moved := s.Hung[name.Value]; moved && there {
					if err := leave(h, job, to); err != nil {
						return nil, fmt.Errorf("%s: board %s %w", path, name.Value, err)
					}
					continue
				}
			}
			if list := value(h, "stations"); list != nil && slices.ContainsFunc(list.Content, func(n *yaml.Node) bool { return n.Value == last }) {
				list.Content = append(list.Content, scalar(s.Name))
			}
		}
	}
	for _, board := range slices.Sorted(maps.Keys(s.Hung)) {
		to := s.Hung[board]
		h := flowMap("board", board)
		put(h, "axle", &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!int", Value: strconv.Itoa(to.Axle)})
		put(h, "side", scalar(string(to.Side)))
		put(h, "stations", &yaml.Node{Kind: yaml.SequenceNode, Style: yaml.FlowStyle, Content: []*yaml.Node{scalar(s.Name)}})
		hangs.Content = append(hangs.Content, h)
	}
	if epoch != "" && job.epoch(epoch) < 0 {
		epochs := value(top, "epochs")
		if epochs == nil {
			epochs = &yaml.Node{Kind: yaml.SequenceNode}
			for _, e := range job.Epochs {
				epochs.Content = append(epochs.Content, flowMap("name", e.Name))
			}
			top.Content = append(top.Content, scalar("epochs"), epochs)
		}
		e := flowMap("name", epoch)
		if s.Moved != nil {
			put(e, "moved", wheelNodes(s.Moved))
		}
		epochs.Content = append(epochs.Content, e)
	} else if s.Moved != nil {
		return nil, fmt.Errorf("%s: epoch %q is there already, and what moved for it is written there; name a new epoch", path, epoch)
	}

	out, err := encoded(&root)
	if err != nil {
		return nil, err
	}
	if _, _, err := parseJob(out); err != nil {
		return nil, fmt.Errorf("%s: with the station added: %w", path, err)
	}
	return out, nil
}

// leave ends a hang before the station that is being added: it names the stations
// there were.
func leave(h *yaml.Node, job *Job, to Wheel) error {
	if axle, side := value(h, "axle"), value(h, "side"); axle != nil && side != nil && axle.Value == strconv.Itoa(to.Axle) && side.Value == string(to.Side) {
		return errors.New("hangs there already; choose another wheel")
	}
	if value(h, "stations") == nil {
		list := &yaml.Node{Kind: yaml.SequenceNode, Style: yaml.FlowStyle}
		for _, st := range job.Stations {
			list.Content = append(list.Content, scalar(st.Name))
		}
		put(h, "stations", list)
	}
	return nil
}

// stopNode is a station of the list of stations.
func stopNode(s Station) *yaml.Node {
	stop := flowMap("name", s.Name)
	if s.Epoch != "" && s.Epoch != AsFound {
		put(stop, "epoch", scalar(s.Epoch))
	}
	if len(s.Lifted) > 0 {
		put(stop, "lifted", wheelNodes(s.Lifted))
	}
	if s.Sweep {
		put(stop, "steer_deg", &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!float", Value: strconv.FormatFloat(deg(s.Steer), 'f', -1, 64)})
	}
	return stop
}

// ourNote begins the comments that [SetStations] writes, by which it knows them.
const ourNote = "# plan: "

// SetStations returns the text of DIR/job.yaml with the stations of another job, which
// is the same but for them and for at which of them its boards hang, and in words what
// changed; nothing where that is nothing. A station that both have stays as it is
// written. notes, one a station and "" for none, go beside stations as comments, where
// none is yet but an earlier note. A station with photographs is not taken out. The
// new text is read once more and compared.
func SetStations(dir string, to *Job, notes []string) (text []byte, changed []string, err error) {
	before, err := Read(dir)
	if err != nil {
		return nil, nil, err
	}
	path := filepath.Join(dir, JobFile)
	old, err := vision.ReadFile(path, vision.MostText)
	if err != nil {
		return nil, nil, err
	}
	var root yaml.Node
	if err := yaml.Unmarshal(old, &root); err != nil {
		return nil, nil, fmt.Errorf("%s: %s", path, yamlError(err))
	}
	top, job := root.Content[0], before.Job
	stations, hangs := value(top, "stations"), value(top, "hangs")
	if stations == nil || stations.Kind != yaml.SequenceNode || hangs == nil || len(hangs.Content) != len(to.Hangs) {
		return nil, nil, fmt.Errorf("%s: stations or hangs are not written as lists; change the stations by hand", path)
	}
	written := map[string]*yaml.Node{}
	for i, s := range job.Stations {
		written[s.Name] = stations.Content[i]
		if slices.ContainsFunc(to.Stations, func(o Station) bool { return o.Name == s.Name }) {
			continue
		}
		if photos := job.PhotosAt(i); photos != nil {
			return nil, nil, fmt.Errorf("%s: station %s has photographs, %s among them, and would go: plan with more --stations, or take it out by hand", path, s.Name, photos[0])
		}
		changed = append(changed, fmt.Sprintf("station %s taken out", s.Name))
	}
	stations.Content = nil
	for i, s := range to.Stations {
		node := written[s.Name]
		if node == nil {
			node = stopNode(s)
			changed = append(changed, fmt.Sprintf("station %s added", s.Name))
		}
		if note := ourNote + notes[i]; notes[i] != "" && node.Style&yaml.FlowStyle != 0 && node.LineComment != note && (node.LineComment == "" || strings.HasPrefix(node.LineComment, ourNote)) {
			node.LineComment = note
			changed = append(changed, fmt.Sprintf("noted beside station %s: %s", s.Name, notes[i]))
		}
		stations.Content = append(stations.Content, node)
	}
	for i, h := range to.Hangs {
		list := value(hangs.Content[i], "stations")
		if list == nil || h.Stations == nil {
			continue
		}
		if len(h.Stations) == 0 {
			return nil, nil, fmt.Errorf("%s: hangs: board %s on %s would hang at no station any more; plan with more --stations", path, job.Boards[h.Board].Name, h.Wheel)
		}
		was := list.Content
		list.Content = nil
		for _, st := range h.Stations {
			name := to.Stations[st].Name
			if k := slices.IndexFunc(was, func(n *yaml.Node) bool { return n.Value == name }); k >= 0 {
				list.Content = append(list.Content, was[k])
			} else {
				list.Content = append(list.Content, scalar(name))
			}
		}
	}
	if changed == nil {
		return nil, nil, nil
	}
	if text, err = encoded(&root); err != nil {
		return nil, nil, err
	}
	_, got, err := parseJob(text)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: with the stations changed: %w", path, err)
	}
	same := slices.EqualFunc(got.Stations, to.Stations, func(a, b Station) bool {
		return a.Name == b.Name && a.Epoch == b.Epoch && a.Sweep == b.Sweep && slices.Equal(a.Lifted, b.Lifted)
	}) && slices.EqualFunc(got.Hangs, to.Hangs, func(a, b Hang) bool { return slices.Equal(a.Stations, b.Stations) })
	if !same {
		return nil, nil, fmt.Errorf("%s: the stations cannot be changed without changing more; change them by hand", path)
	}
	return text, changed, nil
}

// AllowRolling returns the text of DIR/job.yaml with a camera allowed for that turns
// and shifts by so much (rad, m) while it reads a photo: added where the job says
// nothing of that, raised where it allows for clearly less. What it says is none (0)
// stays none. nil where nothing changes.
func AllowRolling(dir string, turn, shift float64) ([]byte, error) {
	path := filepath.Join(dir, JobFile)
	text, err := vision.ReadFile(path, vision.MostText)
	if err != nil {
		return nil, err
	}
	f, _, err := parseJob(text)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	turnText, shiftText := fmt.Sprintf("%.2g", deg(turn)), fmt.Sprintf("%.2g", mm(shift))
	var out []byte
	if f.Roll == (fileRoll{}) {
		out = append(bytes.TrimRight(text, "\n"), fmt.Sprintf("\nrolling_shutter: {turn_deg: %s, shift_mm: %s}   # how far the camera moves while a frame of a film is read\n", turnText, shiftText)...)
	} else {
		// Two films of the same hand differ by a fifth without meaning it.
		less := func(has *float64, need float64) bool { return has != nil && *has > 0 && *has < 0.8*need }
		raiseTurn, raiseShift := less(f.Roll.TurnDeg, deg(turn)), less(f.Roll.ShiftMM, mm(shift))
		if !raiseTurn && !raiseShift {
			return nil, nil
		}
		var root yaml.Node
		if err := yaml.Unmarshal(text, &root); err != nil {
			return nil, fmt.Errorf("%s: %s", path, yamlError(err))
		}
		roll := value(root.Content[0], "rolling_shutter")
		if raiseTurn {
			value(roll, "turn_deg").Value = turnText
		}
		if raiseShift {
			value(roll, "shift_mm").Value = shiftText
		}
		if out, err = encoded(&root); err != nil {
			return nil, err
		}
	}
	if _, _, err := parseJob(out); err != nil {
		return nil, fmt.Errorf("%s: with rolling_shutter added: %w", path, err)
	}
	return out, nil
}

// encoded is a document's text.
func encoded(root *yaml.Node) ([]byte, error) {
	var out bytes.Buffer
	enc := yaml.NewEncoder(&out)
	enc.SetIndent(2)
	if err := errors.Join(enc.Encode(root), enc.Close()); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// freeName is the next number that no station has.
func freeName(j *Job) string {
	for n := len(j.Stations) + 1; ; n++ {
		name := j.StationName(n)
		if !slices.ContainsFunc(j.Stations, func(s Station) bool { return s.Name == name }) {
			return name
		}
	}
}

// StationName is what station n, from 1 on, is called in a job that calls its first
// one so: s1, s2 or 1, 2.
func (j *Job) StationName(n int) string {
	if len(j.Stations) > 0 && j.Stations[0].Name == "s1" {
		return fmt.Sprintf("s%d", n)
	}
	return strconv.Itoa(n)
}

// scalar is a text; what would be read as a number is quoted.
func scalar(s string) *yaml.Node {
	n := &yaml.Node{}
	n.SetString(s)
	if _, err := strconv.ParseFloat(s, 64); err == nil {
		n.Tag, n.Style = "", yaml.DoubleQuotedStyle
	}
	return n
}

func flowMap(key, text string) *yaml.Node {
	n := &yaml.Node{Kind: yaml.MappingNode, Style: yaml.FlowStyle}
	put(n, key, scalar(text))
	return n
}

func put(n *yaml.Node, key string, v *yaml.Node) {
	n.Content = append(n.Content, scalar(key), v)
}

// value is the value of a key of a mapping, or nil.
func value(n *yaml.Node, key string) *yaml.Node {
	for i := 0; n.Kind == yaml.MappingNode && i+1 < len(n.Content); i += 2 {
		if n.Content[i].Value == key {
			return n.Content[i+1]
		}
	}
	return nil
}

// wheelNodes writes wheels, both of an axle by the axle alone.
func wheelNodes(list []Wheel) *yaml.Node {
	out := &yaml.Node{Kind: yaml.SequenceNode, Style: yaml.FlowStyle}
	number := func(n int) *yaml.Node {
		return &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!int", Value: strconv.Itoa(n)}
	}
	done := map[int]bool{}
	for _, w := range list {
		m := &yaml.Node{Kind: yaml.MappingNode, Style: yaml.FlowStyle}
		put(m, "axle", number(w.Axle))
		switch {
		case done[w.Axle]:
			continue
		case slices.ContainsFunc(list, func(o Wheel) bool { return o.Axle == w.Axle && o.Side != w.Side }):
			done[w.Axle] = true
		default:
			put(m, "side", scalar(string(w.Side)))
		}
		out.Content = append(out.Content, m)
	}
	return out
}
