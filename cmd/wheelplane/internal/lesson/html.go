package lesson

import (
	_ "embed"
	"html/template"
	"io"

	"wheelplane/cmd/wheelplane/internal/draw"
)

//go:embed page.html
var pageText string

var pageTemplate = template.Must(template.New("page").Funcs(template.FuncMap{
	"set":   typeset,
	"svg":   func(p *draw.Picture) template.HTML { return template.HTML(p.SVG("picture", "picture")) },
	"right": func(t *Table, i int) bool { return t.Columns[i].Right },
	"times": func(n int) []struct{} { return make([]struct{}, n) },
}).Parse(pageText))

// WriteHTML writes blocks as one page that needs nothing beside it, for screen
// and paper.
func (s *Sheet) WriteHTML(w io.Writer, title string, blocks []Block, im Imprint) error {
	return pageTemplate.Execute(w, map[string]any{
		"Title": title, "Subject": s.subject(), "Name": s.Name, "Seed": s.Seed, "Blocks": blocks, "Version": im.Version,
		"Ink": template.CSS(draw.Ink), "Soft": template.CSS(draw.Soft), "Hairline": template.CSS(draw.Hairline),
	})
}
