package card

import (
	"fmt"
	"io"
	"slices"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/gomono"
	"golang.org/x/image/font/gofont/goregular"

	"shimwright/session/wording"
)

// The sheet of the PDF, in mm and points.
const (
	sheetWide    = 210.0
	sheetHigh    = 297.0
	edge         = 14.0 // left and right
	top          = 12.0
	bottom       = 15.0
	textWide     = sheetWide - 2*edge
	point        = 25.4 / 72
	lineHeight   = 1.3
	textSize     = 8.4 // points
	titleSize    = 14.5
	headSize     = 10.2
	strongSize   = 10.0
	smallSize    = 7.2
	exactSize    = 6.2
	footSize     = 7.5
	keptTogether = 4 // lines of a paragraph, where there are no more
	fewestPages  = 2 // that a card is made to fit by writing smaller
)

// sizes are how much smaller a card may be written to fit on two pages.
func sizes() []float64 { return []float64{1, 0.94, 0.88, 0.82} }

// WritePDF writes the card as PDF on A4: text is text, in fonts that are embedded,
// and pictures are lines. It takes two pages; that of a big job begins with two at most
// to hand over, and has an annex. An error reads `cannot write the card: reason`.
func WritePDF(w io.Writer, j Job) error {
	d, err := compose(j)
	if err == nil {
		err = d.pdf(w)
	}
	if err != nil {
		return fmt.Errorf("cannot write the card: %w", err)
	}
	return nil
}

// pdf writes the document in the largest size that fits, twice: how many pages there
// are is known only after the first time.
func (d document) pdf(w io.Writer) error {
	var scale float64
	pages := 0
	for _, scale = range sizes() {
		s, err := d.sheets(scale, pages)
		if err != nil {
			return err
		}
		if pages = s.f.PageCount(); pages <= d.Most {
			break
		}
	}
	if pages > d.Most {
		scale = sizes()[0]
		s, err := d.sheets(scale, 0)
		if err != nil {
			return err
		}
		pages = s.f.PageCount()
	}
	s, err := d.sheets(scale, pages)
	if err != nil {
		return err
	}
	return s.f.Output(w)
}

// sheets is a card being written.
type sheets struct {
	f       *fpdf.Fpdf
	letters *letters
	scale   float64
	name    string // of the card
	l       *wording.Language
	pages   int // in all, as far as it is known
	y       float64
}

// sheets lays the document out.
func (d document) sheets(scale float64, pages int) (*sheets, error) {
	l, err := newLetters()
	if err != nil {
		return nil, err
	}
	s := &sheets{f: fpdf.New("P", "mm", "A4", ""), letters: l, scale: scale, name: d.Name, l: d.Language, pages: pages}
	f := s.f
	f.SetCatalogSort(true)
	f.SetCreationDate(d.Made)
	f.SetModificationDate(d.Made)
	f.SetProducer("shimwright", true)
	f.SetLang(d.Language.Tag())
	f.SetTitle(s.text(d.Name+": "+d.Title), true)
	f.SetAutoPageBreak(false, 0)
	f.SetMargins(0, 0, 0)
	f.SetCellMargin(0)
	for _, font := range []struct {
		family, style string
		bytes         []byte
	}{{"go", "", goregular.TTF}, {"go", "B", gobold.TTF}, {"mono", "", gomono.TTF}} {
		// The library writes into the font while it takes a subset of it, so that
		// without a copy a second card in one process would differ from the first.
		f.AddUTF8FontFromBytes(font.family, font.style, slices.Clone(font.bytes))
	}
	s.newPage()
	all := column{edge, textWide}
	s.lines(all, "B", titleSize, d.Name+": "+d.Title)
	s.rule(0.4)
	for _, section := range d.Sections {
		s.section(section)
	}
	s.y += 3 * scale
	s.need(10)
	s.rule(0.4)
	s.font("B", textSize)
	s.put(sheetWide/2, s.y+textSize*point*scale, "middle", d.End)
	return s, f.Error()
}

// A column is where something is written: its left edge and width in mm.
type column struct{ x, wide float64 }

// text is what can be written with the fonts.
func (s *sheets) text(text string) string { return spelledOut(visible(text), s.letters.has) }

func (s *sheets) newPage() {
	s.f.AddPage()
	s.y = top
	s.f.SetTextColor(0, 0, 0)
	s.f.SetFont("go", "", footSize)
	foot := sheetHigh - 8
	s.f.Text(edge, foot, s.text(s.name))
	page := s.text(pageOf(s.l, fmt.Sprint(s.f.PageNo()), fmt.Sprint(s.pages)))
	s.f.Text(sheetWide-edge-s.f.GetStringWidth(page), foot, page)
}

// need begins a new page unless there is room for so many mm.
func (s *sheets) need(high float64) {
	if s.y+high > sheetHigh-bottom && s.y > top {
		s.newPage()
	}
}

func (s *sheets) font(style string, size float64) {
	family := "go"
	if style == "M" {
		family, style = "mono", ""
	}
	s.f.SetFont(family, style, size*s.scale)
}

// put writes one line at a place.
func (s *sheets) put(x, y float64, anchor, text string) {
	text = s.text(text)
	switch anchor {
	case "middle":
		x -= s.f.GetStringWidth(text) / 2
	case "end":
		x -= s.f.GetStringWidth(text)
	}
	s.f.Text(x, y, text)
}

// rule draws a line across the page.
func (s *sheets) rule(width float64) {
	s.f.SetDrawColor(0, 0, 0)
	s.f.SetLineWidth(width)
	s.f.Line(edge, s.y, edge+textWide, s.y)
	s.y += 1.2 * s.scale
}

func (s *sheets) section(section section) {
	all := column{edge, textWide}
	if section.NewPage && s.y > top {
		s.newPage()
	}
	if section.Title != "" {
		s.y += 2 * s.scale
		first := 12.0
		if len(section.Blocks) > 0 {
			first += min(s.measure(section.Blocks[0], all), section.Blocks[0].together())
		}
		s.need(first)
		s.lines(all, "B", headSize, section.Title)
		s.rule(0.18)
	}
	for _, b := range section.Blocks {
		s.block(b, all)
	}
}

// together is how many mm of a section's first block stay with its title.
func (b block) together() float64 {
	if len(b.Rows) > 0 && b.Picture == nil { // a table goes on over pages
		return 24
	}
	return 120
}

// block writes a block into a column.
func (s *sheets) block(b block, in column) {
	switch {
	case b.Text != "" && b.Strong:
		s.lines(in, "B", strongSize, b.Text)
	case b.Text != "" && b.Small:
		s.lines(in, "", smallSize, b.Text)
	case b.Text != "":
		s.lines(in, "", textSize, b.Text)
	}
	for _, item := range b.Items {
		s.item(in, item)
	}
	if len(b.Rows) > 0 {
		s.table(b, in)
	}
	if b.Picture != nil || len(b.Beside) > 0 {
		s.picture(b, in)
	}
	if len(b.Lines) > 0 {
		s.exact(in, b.Lines)
	}
}

// lines writes a paragraph.
func (s *sheets) lines(in column, style string, size float64, text string) {
	high := size * s.scale * point * lineHeight
	broken := s.letters.broken(s.text(text), size*s.scale*point, in.wide, style == "B")
	if len(broken) <= keptTogether {
		s.need(high * float64(len(broken)))
	}
	for _, line := range broken {
		s.need(high)
		s.font(style, size)
		s.put(in.x, s.y+high*0.76, "start", line)
		s.y += high
	}
	s.y += 0.9 * s.scale
}

// item writes one item of a list.
func (s *sheets) item(in column, text string) {
	high := textSize * s.scale * point * lineHeight
	s.need(high)
	s.f.SetFillColor(0, 0, 0)
	s.f.Circle(in.x+1.2, s.y+high*0.48, 0.45*s.scale, "F")
	s.lines(column{in.x + 3.5, in.wide - 3.5}, "", textSize, text)
	s.y -= 0.7 * s.scale
}

// exact writes lines as they are, smaller where one is too wide.
func (s *sheets) exact(in column, lines []string) {
	size := exactSize
	for _, line := range lines {
		s.font("M", exactSize)
		if wide := s.f.GetStringWidth(s.text(line)); wide > in.wide {
			size = min(size, exactSize*in.wide/wide)
		}
	}
	high := exactSize * s.scale * point * lineHeight * 1.05
	s.need(high * float64(len(lines)))
	for _, line := range lines {
		s.font("M", size)
		s.put(in.x, s.y+high*0.76, "start", line)
		s.y += high
	}
	s.y += 0.8 * s.scale
}

// table writes rows; none is broken over pages, and the heads are repeated.
func (s *sheets) table(b block, in column) {
	head := func() {
		if len(b.Head) > 0 {
			s.row(b, in, b.Head, smallSize, true)
			s.f.SetDrawColor(0, 0, 0)
			s.f.SetLineWidth(0.18)
			s.f.Line(in.x, s.y, in.x+in.wide, s.y)
			s.y += 0.5 * s.scale
		}
	}
	head()
	for _, row := range b.Rows {
		before := s.f.PageNo()
		s.need(s.rowHigh(b, in, row, b.cellSize()))
		if s.f.PageNo() != before {
			head()
		}
		s.row(b, in, row, b.cellSize(), false)
	}
	s.y += 0.5 * s.scale
}

// cellSize is the size of what stands in a table.
func (b block) cellSize() float64 {
	if b.Small {
		return smallSize
	}
	return textSize
}

// cells breaks the cells of a row into lines.
func (s *sheets) cells(b block, in column, row []string, size float64) (cells [][]string, most int) {
	for i, cell := range row {
		broken := s.letters.broken(s.text(cell), size*s.scale*point, in.wide*b.Share[i]-1.5, false)
		cells, most = append(cells, broken), max(most, len(broken))
	}
	return cells, most
}

func (s *sheets) rowHigh(b block, in column, row []string, size float64) float64 {
	_, most := s.cells(b, in, row, size)
	return float64(most)*size*s.scale*point*lineHeight + 0.35*s.scale
}

// row writes a row; one that is higher than a page goes on on the next.
func (s *sheets) row(b block, in column, row []string, size float64, head bool) {
	cells, most := s.cells(b, in, row, size)
	high := size * s.scale * point * lineHeight
	together := int((sheetHigh - bottom - top) / high)
	for from := 0; from < most; from += together {
		count := min(together, most-from)
		s.need(float64(count) * high)
		x := in.x
		for i, lines := range cells {
			wide := in.wide * b.Share[i]
			s.font("", size)
			down := 0
			if head { // it stands at the foot of its row
				down = most - len(lines)
			}
			for k := from; k < min(from+count, len(lines)); k++ {
				y := s.y + (float64(k-from+down)+0.76)*high
				if i < len(b.Right) && b.Right[i] {
					s.put(x+wide-1.5, y, "end", lines[k])
				} else {
					s.put(x, y, "start", lines[k])
				}
			}
			x += wide
		}
		s.y += float64(count) * high
	}
	s.y += 0.35 * s.scale
}

// picture draws a picture with what stands beside it.
func (s *sheets) picture(b block, in column) {
	s.need(s.measure(b, in))
	wide := s.wide(b, in)
	before, after := s.y, s.y
	if b.Picture != nil {
		x := in.x
		if len(b.Beside) == 0 {
			x += (in.wide - wide) / 2
		}
		s.draw(b.Picture, x, s.y, wide)
		after = s.y + wide*b.Picture.height/b.Picture.width
	}
	for _, beside := range b.Beside {
		s.block(beside, column{in.x + wide + 4, in.wide - wide - 4})
	}
	if s.y >= before {
		s.y = max(s.y, after)
	}
	if !b.Tight {
		s.y += 1 * s.scale
	}
}

// wide is how wide a picture is drawn, in mm.
func (s *sheets) wide(b block, in column) float64 { return b.Width * in.wide * s.scale }

// measure is how high a block is, in mm.
func (s *sheets) measure(b block, in column) float64 {
	high := func(size float64) float64 { return size * s.scale * point * lineHeight }
	count := func(size float64, bold bool) float64 {
		return float64(len(s.letters.broken(s.text(b.Text), size*s.scale*point, in.wide, bold)))*high(size) + 0.9
	}
	sum := 0.0
	switch {
	case b.Text != "" && b.Strong:
		sum = count(strongSize, true)
	case b.Text != "" && b.Small:
		sum = count(smallSize, false)
	case b.Text != "":
		sum = count(textSize, false)
	}
	for _, row := range b.Rows {
		sum += s.rowHigh(b, in, row, b.cellSize())
	}
	sum += float64(len(b.Lines)) * high(exactSize) * 1.05
	sum += float64(len(b.Items)) * high(textSize)
	wide, beside := s.wide(b, in), 0.0
	for _, k := range b.Beside {
		beside += s.measure(k, column{in.x + wide + 4, in.wide - wide - 4}) + 1
	}
	if b.Picture != nil {
		beside = max(beside, wide*b.Picture.height/b.Picture.width)
	}
	return sum + beside
}
