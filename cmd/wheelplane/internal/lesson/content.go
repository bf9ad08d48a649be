package lesson

import "wheelplane/cmd/wheelplane/internal/draw"

// Block is a piece of a handout, in the order of reading. One of its parts is
// there, after a heading or without.
type Block struct {
	Head    string
	Text    string
	Soft    bool // of the text: a caption
	Table   *Table
	Picture *draw.Picture
	Lines   int // empty lines to write on
}

// Handout is the lesson as a class gets it: without the answer.
func (s *Sheet) Handout() []Block {
	out := []Block{{Head: "The question", Text: s.Question}, {Head: "Guess first", Text: s.Guess}, {Lines: 1}}
	out = section(out, "What is done", s.Done)
	for i := range s.Tables {
		b := Block{Table: &s.Tables[i]}
		if i == 0 {
			b.Head = "The numbers"
		}
		out = append(out, b, Block{Text: s.Tables[i].Caption, Soft: true})
	}
	out = append(out, Block{Picture: s.Picture}, Block{Text: s.Caption, Soft: true})
	out = section(out, "What they say", s.Numbers)
	out = section(out, "For the bay", s.Bay)
	out = section(out, "Exercise", s.Exercise)
	return append(out, Block{Lines: 4})
}

// MeasureAgain says what job folders lie beside the handout.
func (s *Sheet) MeasureAgain() []Block {
	t := &Table{Columns: []Column{words("command"), words("what lies in the folder")}}
	for _, f := range s.Folders {
		t.Rows = append(t.Rows, []string{"wheelplane measure " + f.Name, f.About})
	}
	return []Block{{Head: "Measure again", Table: t}, {Text: "Each folder has its photographs, job.yaml and camera.yaml to look at, the result that was told here (result.json), and the truth (truth.json).", Soft: true}}
}

// AnswerSheet is the answer, with the exercise before it.
func (s *Sheet) AnswerSheet() []Block {
	return section(section(nil, "Exercise", s.Exercise), "Answer", s.Answer)
}

func section(out []Block, head string, paragraphs []string) []Block {
	for i, p := range paragraphs {
		b := Block{Text: p}
		if i == 0 {
			b.Head = head
		}
		out = append(out, b)
	}
	return out
}
