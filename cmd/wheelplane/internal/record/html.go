package record

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"

	"wheelplane/cmd/wheelplane/internal/draw"
	"wheelplane/cmd/wheelplane/internal/wording"
	"wheelplane/pose/align"
)

//go:embed page.html
var pageText string

var pageTemplate = template.Must(template.New("page").Parse(pageText))

// What the page's template sees.
type (
	htmlPage struct {
		Version, Heading, Subject, Date, Footer string
		Paper, Margin                           template.CSS
		Ink, Soft, Hairline, Tint               template.CSS
		FactColumns                             int
		Facts                                   []htmlFact
		Plain, Judged, One                      bool
		Summary, Standing, Was                  string
		Counts, Key                             []htmlCount
		KeyText                                 string
		PlanTitle                               string
		Plan                                    template.HTML
		PlainAxles                              []htmlPlainAxle
		Epochs                                  []string
		Span, Columns                           int
		Axles                                   []htmlAxle
		More                                    string
		Sections, Beside                        []htmlSection
		Signers                                 []Person
	}
	htmlFact  struct{ Name, Value string }
	htmlCount struct {
		Mark template.HTML
		N    int
		Word string
	}
	htmlPlainAxle struct {
		Title     string
		Sentences []htmlSentence
	}
	htmlSentence struct {
		Mark, Strip   template.HTML
		Text, Verdict string
		Outside       bool
	}
	htmlAxle struct {
		Title string
		Rows  []htmlRow
	}
	htmlRow struct {
		Name, Side   string
		Cells        []htmlCell
		Wish, Limits string
		Strip        template.HTML
	}
	htmlCell struct {
		Value, U, Unit, Verdict, Probability string
		Mark                                 template.HTML
		Now                                  bool
	}
	htmlSection struct {
		Title, Lead string
		Facts       []htmlFact
		Heads       []htmlText
		Rows        [][]htmlText
		Paragraphs  []string
		Items       []string
		Pen         bool
	}
	htmlText struct {
		Name  string
		Right bool
		Width template.CSS
	}
)

// WriteHTML writes the record as one page that needs nothing beside it, for
// screen and paper.
func WriteHTML(w io.Writer, in *Input, o Options) error {
	t, err := tell(in, o)
	if err != nil {
		return err
	}
	return pageTemplate.Execute(w, t.page())
}

func markHTML(v align.Verdict) template.HTML { return template.HTML(markPicture(v).SVG("", "mark")) }

func (t *telling) page() *htmlPage {
	p := &htmlPage{
		Version: t.Version, Heading: t.heading(), Subject: t.subject(), Date: t.date(), Footer: t.footer(),
		Paper: template.CSS(fmt.Sprintf("%smm %smm", draw.Num(t.paper.WidthMM), draw.Num(t.paper.HeightMM))),
		Ink:   template.CSS(draw.Ink), Soft: template.CSS(draw.Soft), Hairline: template.CSS(draw.Hairline), Tint: template.CSS(draw.Tint),
		FactColumns: 4, Plain: t.Style == Customer, One: t.Style == OnePage, Judged: t.judged, Standing: upper(t.standing()),
		PlanTitle: t.planTitle(), Signers: t.signers(), KeyText: t.keyText(),
	}
	p.Margin = "14mm"
	if p.One {
		p.Margin = "10mm"
	}
	for i := range p.Signers {
		p.Signers[i].Role = upper(p.Signers[i].Role)
	}
	list := t.factList()
	switch t.Style {
	case OnePage:
		list = t.shortFacts()
	case Customer:
		list = t.shortFacts()
		p.Summary = t.plainSummary()
	}
	for _, f := range list {
		p.Facts = append(p.Facts, htmlFact{f[0], f[1]})
	}
	within, undecided, outside, open := t.tally(false)
	p.Counts = []htmlCount{{markHTML(align.Within), within, "within"}, {markHTML(align.Undecided), undecided, "undecided"}, {markHTML(align.Outside), outside, "outside"}}
	p.Was = t.tallyBeside(open)
	if t.judged {
		p.Key = append(p.Key, p.Counts...)
	}
	p.Key = append(p.Key, htmlCount{markHTML(""), 0, "no target"})

	if t.Style == Full {
		p.Plan = template.HTML(t.plan(182, 168, true).SVG("plan", "plan"))
	} else {
		w, h := 130.0, 100.0
		if p.One {
			w, h = 62, 60
		}
		p.Plan = template.HTML(t.plan(w, h, false).SVG("plan", "plan"))
	}
	if p.Plain {
		p.PlanTitle = "From above"
		t.plainPage(p)
	} else {
		t.readingsPage(p)
	}
	t.sectionsPage(p)
	return p
}

func (t *telling) plainPage(p *htmlPage) {
	for axle := 1; axle <= len(t.Vehicle.Axles); axle++ {
		a := htmlPlainAxle{Title: t.axleTitle(axle)}
		for i, x := range t.sentences(axle) {
			id := fmt.Sprintf("s%d-%d", axle, i)
			a.Sentences = append(a.Sentences, htmlSentence{
				Mark: markHTML(x.now().Verdict), Strip: template.HTML(t.strip(x.line, 42, 6).SVG(id, "strip")),
				Text: x.text, Verdict: x.verdict, Outside: x.now().Verdict == align.Outside,
			})
		}
		p.PlainAxles = append(p.PlainAxles, a)
	}
}

func (t *telling) readingsPage(p *htmlPage) {
	p.Epochs = []string{upper(t.first)}
	strip := 60.0
	if t.last != "" {
		p.Epochs = append(p.Epochs, upper(t.last))
		strip = 36
	}
	p.Span = 2
	if t.judged {
		p.Span = 3
	}
	p.Columns = 3 + p.Span*len(p.Epochs)
	if t.judged {
		p.Columns += 2
	}
	most, high := 5, 4.8
	if t.Style == OnePage {
		most, high = 2, 3.4
		if len(t.Vehicle.Axles) > 3 {
			most = 1
		}
	}
	left := 0
	for axle := 1; axle <= len(t.Vehicle.Axles); axle++ {
		a := htmlAxle{Title: t.axleTitle(axle)}
		lines := t.mains(axle, most)
		left += len(t.mains(axle, 9)) - len(lines)
		for i, l := range lines {
			r := htmlRow{Name: l.title(), Side: l.whose(), Strip: template.HTML(t.strip(l, strip, high).SVG(fmt.Sprintf("r%d-%d", axle, i), "strip"))}
			r.Wish, r.Limits = t.limits(l)
			cells := []*cell{l.found}
			if t.last != "" {
				cells = append(cells, l.left)
			}
			for k, c := range cells {
				h := htmlCell{Now: k == len(cells)-1, Value: "–"}
				if c != nil {
					h.Value, h.U, h.Unit, h.Verdict = t.number(l, c.value), t.expanded(l, c.u), t.unit(l), string(c.Verdict)
				}
				if h.Verdict != "" {
					h.Mark, h.Probability = markHTML(c.Verdict), probability(c.Conformance)
				}
				r.Cells = append(r.Cells, h)
			}
			a.Rows = append(a.Rows, r)
		}
		p.Axles = append(p.Axles, a)
	}
	if left > 0 {
		p.More = "The full record has " + wording.Count(left, "more reading") + "."
	}
}

func (g section) html() htmlSection {
	h := htmlSection{Title: g.title, Pen: g.Pen}
	sum := 0.0
	for _, c := range g.Columns {
		sum += c.Share
	}
	for _, c := range g.Columns {
		h.Heads = append(h.Heads, htmlText{c.Name, c.Right, template.CSS(fmt.Sprintf("%.0f%%", 100*c.Share/sum))})
	}
	for _, r := range g.Rows {
		row := []htmlText{}
		for i, c := range r {
			row = append(row, htmlText{Name: c, Right: g.Columns[i].Right})
		}
		h.Rows = append(h.Rows, row)
	}
	return h
}

func (t *telling) sectionsPage(p *htmlPage) {
	add := func(h htmlSection) { p.Sections = append(p.Sections, h) }
	room := 8 // rows beside the small drawing
	for _, g := range t.grids() {
		if p.Plain && !g.plain {
			continue
		}
		if p.One {
			h := g.brief().html()
			if room <= 0 {
				continue
			}
			if n := room; len(h.Rows) > n {
				h.Items = []string{wording.Count(len(h.Rows)-n, "entry") + " more in the full record"}
				h.Rows = h.Rows[:n]
			}
			room -= len(h.Rows) + 2
			p.Beside = append(p.Beside, h)
			continue
		}
		add(g.html())
	}
	if len(t.Visit.Remarks) > 0 && t.Style != OnePage {
		add(htmlSection{Title: "Remarks", Items: t.Visit.Remarks})
	}
	if len(t.Slip) > 0 && t.Style != OnePage {
		h := t.slipGrid().html()
		h.Lead = slipText
		add(h)
	}
	switch t.Style {
	case Customer:
		add(htmlSection{Title: "Please note", Items: plainCautions})
		return
	case OnePage:
		add(htmlSection{Title: "How it was measured, and cautions", Paragraphs: []string{t.shortMethod(), t.shortCaution()}})
		return
	}
	if g := t.furtherGrid(); len(g.Rows) > 0 {
		add(g.html())
	}
	if t.Network != nil {
		h := htmlSection{}
		if g := t.stationGrid(); len(g.Rows) > 1 {
			h = g.html()
		}
		h.Title, h.Items = "Photographs and how well they fit", t.networkNotes()
		for _, f := range t.networkFacts() {
			h.Facts = append(h.Facts, htmlFact{f[0], f[1]})
		}
		add(h)
	}
	add(htmlSection{Title: "How it was measured", Paragraphs: t.method()})
	add(htmlSection{Title: "Cautions", Items: cautions})
}
