package export

import (
	"io"
	"strconv"
	"strings"
	"time"

	"shimwright/session"
)

// A column of the table of readings: its name and what stands in it.
type column struct {
	name string
	cell func(r session.ReadingView) cell
}

// A cell is what stands in a column. Text could be anything, since somebody may have
// changed the log; what is not text is a number, a time or a yes of ours.
type cell struct {
	value string
	text  bool
}

func own(value string) cell  { return cell{value: value} }
func text(value string) cell { return cell{value: value, text: true} }

// columns are those of the table, in order. Their order and names are a promise; new
// ones come at the end.
func columns() []column {
	return []column{
		{"seq", func(r session.ReadingView) cell { return own(strconv.FormatInt(r.Seq, 10)) }},
		{"time", func(r session.ReadingView) cell { return own(r.Time.UTC().Format(time.RFC3339Nano)) }},
		{"job", func(r session.ReadingView) cell { return text(r.Job) }},
		{"step", func(r session.ReadingView) cell { return text(r.Step) }},
		{"place", func(r session.ReadingView) cell { return text(r.Place) }},
		{"instrument", func(r session.ReadingView) cell { return text(r.Instrument) }},
		{"instrument_kind", func(r session.ReadingView) cell { return text(string(r.Kind)) }},
		{"value_mm", func(r session.ReadingView) cell { return number(r.Value) }},
		{"as_sent", func(r session.ReadingView) cell { return text(r.Text) }},
		{"unit", func(r session.ReadingView) cell { return text(string(r.Unit)) }},
		{"typed", func(r session.ReadingView) cell { return own(yes(r.Typed)) }},
		{"passes_mm", func(r session.ReadingView) cell { return blade(r, true) }},
		{"stops_mm", func(r session.ReadingView) cell { return blade(r, false) }},
		{"fault", func(r session.ReadingView) cell { return fault(r) }},
		{"raw", func(r session.ReadingView) cell { return raw(r) }},
		{"operator", func(r session.ReadingView) cell { return text(r.Operator) }},
		{"door", func(r session.ReadingView) cell { return text(string(r.Door)) }},
		{"ruling", func(r session.ReadingView) cell { return text(string(r.Ruling)) }},
		{"ruling_reason", func(r session.ReadingView) cell { return reason(r) }},
		{"decided", func(r session.ReadingView) cell { return text(r.Decided) }},
		{"standing", func(r session.ReadingView) cell { return text(string(r.Standing)) }},
		{"struck_reason", func(r session.ReadingView) cell { return text(r.Struck) }},
		{"outlier_test", func(r session.ReadingView) cell { return ofTest(r, 0) }},
		{"outlier_deviation_mm", func(r session.ReadingView) cell { return ofTest(r, 1) }},
		{"outlier_statistic", func(r session.ReadingView) cell { return ofTest(r, 2) }},
		{"outlier_limit", func(r session.ReadingView) cell { return ofTest(r, 3) }},
		{"value_Nm", func(r session.ReadingView) cell { return number(r.Torque) }},
		{"value_Cel", func(r session.ReadingView) cell { return number(r.Celsius) }},
		{"peak_mm", func(r session.ReadingView) cell { return ofMovement(r, true) }},
		{"trough_mm", func(r session.ReadingView) cell { return ofMovement(r, false) }},
	}
}

// Readings writes readings as a table, CSV as RFC 4180 has it: a line of names, then
// one reading a line, CRLF at the ends, UTF-8 without a mark. An empty cell means that
// there is nothing to say. Values are exact decimals with a point, in the unit of the column.
//
// A spreadsheet takes a cell that begins with = + - or @ (or their wide forms), a tab
// or a line break for a formula. So a text that does, or that begins with an
// apostrophe, gets an apostrophe in front, unless it is a plain number; whoever reads
// the table by program takes one leading apostrophe away and has the text as it was.
// Every text stands in quotation marks.
func Readings(w io.Writer, readings []session.ReadingView) error {
	all := columns()
	names := make([]string, len(all))
	for i, c := range all {
		names[i] = c.name
	}
	if err := writeLine(w, names); err != nil {
		return err
	}
	for _, r := range readings {
		cells := make([]string, len(all))
		for i, c := range all {
			cells[i] = c.cell(r).String()
		}
		if err := writeLine(w, cells); err != nil {
			return err
		}
	}
	return nil
}

func writeLine(w io.Writer, cells []string) error {
	_, err := io.WriteString(w, strings.Join(cells, ",")+"\r\n")
	return err
}

// String is the cell as it stands in the file.
func (c cell) String() string {
	if !c.text || c.value == "" {
		return c.value
	}
	return `"` + strings.ReplaceAll(harmless(c.value), `"`, `""`) + `"`
}

// startsFormula are the characters that make a spreadsheet take a cell for more than
// a text, and the apostrophe that takes this away.
const startsFormula = "=+-@\t\r\n'＝＋－＠"

// harmless puts an apostrophe before a text that a spreadsheet would take for a formula.
func harmless(value string) string {
	first := []rune(value)[0]
	if !strings.ContainsRune(startsFormula, first) {
		return value
	}
	if _, err := session.ParseNumber(value); err == nil {
		return value
	}
	return "'" + value
}

func number(n *session.Number) cell {
	if n == nil {
		return cell{}
	}
	return own(n.String())
}

func yes(is bool) string {
	if is {
		return "yes"
	}
	return ""
}

func blade(r session.ReadingView, passes bool) cell {
	switch {
	case r.Feeler == nil:
		return cell{}
	case passes:
		return number(&r.Feeler.Passes)
	}
	return number(&r.Feeler.Stops)
}

func ofMovement(r session.ReadingView, peak bool) cell {
	switch {
	case r.Movement == nil:
		return cell{}
	case peak:
		return number(&r.Movement.Peak)
	}
	return number(&r.Movement.Trough)
}

func fault(r session.ReadingView) cell {
	if r.Fault == nil {
		return cell{}
	}
	return text(r.Fault.Code)
}

// raw writes the bytes of the frame with everything but printable ASCII escaped.
func raw(r session.ReadingView) cell {
	quoted := strconv.QuoteToASCII(string(r.Raw))
	return text(quoted[1 : len(quoted)-1])
}

func reason(r session.ReadingView) cell {
	if r.Why == nil {
		return cell{}
	}
	return text(r.Why.Code)
}

// ofTest writes one part of the outlier test.
func ofTest(r session.ReadingView, part int) cell {
	if r.Outlier == nil {
		return cell{}
	}
	if part == 0 {
		return text(r.Outlier.Test)
	}
	deviation, q := r.Outlier.Amount()
	if part == 1 && q != session.OfLength {
		return cell{} // the column is for lengths
	}
	values := []float64{deviation, r.Outlier.Statistic, r.Outlier.Limit}
	return own(strconv.FormatFloat(values[part-1], 'f', -1, 64))
}
