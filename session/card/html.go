package card

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"strings"

	"shimwright/session/wording"
)

//go:embed card.html
var page string

// WriteHTML writes the card as one page of HTML that refers to nothing outside itself
// and prints on A4. An error reads `cannot write the card: reason`.
func WriteHTML(w io.Writer, j Job) error {
	d, err := compose(j)
	if err == nil {
		err = d.html(w)
	}
	if err != nil {
		return fmt.Errorf("cannot write the card: %w", err)
	}
	return nil
}

// pageOf numbers a page.
func pageOf(l *wording.Language, page, pages string) string {
	return l.Say("page %s of %s", page, pages)
}

func (d document) html(w io.Writer) error {
	pictures := 0
	foot := strings.NewReplacer("\x01", `" counter(page) "`, "\x02", `" counter(pages) "`)
	t, err := template.New("card").Funcs(template.FuncMap{
		"visible": visible,
		"picture": func(f *figure) template.HTML { pictures++; return f.SVG(pictures) },
		"pages": func() template.CSS {
			return template.CSS(strings.TrimSuffix(`"`+foot.Replace(pageOf(d.Language, "\x01", "\x02"))+`"`, ` ""`))
		}, // words of a catalogue
		"percent": func(share float64) string { return coordinate(share * 100) },
		"right":   func(b block, i int) bool { return i < len(b.Right) && b.Right[i] },
	}).Parse(page)
	if err != nil {
		return err
	}
	return t.Execute(w, d)
}
