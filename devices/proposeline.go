package devices

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"shimwright/session"
)

// proposeLines finds patterns for lines of text. It tries each number of the line as
// the value, as it stands or with the decimals of the display implied, and keeps
// those that say what was shown at every press.
func proposeLines(p session.Profile, presses []Press) []Proposal {
	lines := make([][]string, len(presses))
	most, end := 0, endOf(presses)
	for i, press := range presses {
		lines[i] = linesOf(press.Raw, end)
		most = max(most, len(lines[i]))
	}
	var found []Proposal
	seen := map[string]bool{}
	for line := range min(most, 8) {
		for k := range 8 {
			for _, how := range spellings(presses) {
				x, ok := proposeLine(p, presses, lines, line, k, how)
				if ok && !seen[x.Profile.ASCII.Pattern] {
					seen[x.Profile.ASCII.Pattern] = true
					x.Profile.ASCII.End = end
					found = append(found, x)
				}
			}
		}
	}
	return found
}

// impliedDecimals are the numbers of implied decimals to try.
func impliedDecimals(presses []Press) []int {
	all := []int{0}
	for _, p := range presses {
		if n := int(-p.Shown.Exponent()); n > 0 && n <= 9 && !slices.Contains(all, n) {
			all = append(all, n)
		}
	}
	return all
}

// proposeLine takes the kth number of one line of each press as its value.
func proposeLine(p session.Profile, presses []Press, lines [][]string, line, k int, how spelling) (Proposal, bool) {
	shapes := make([]shape, len(presses))
	for i, press := range presses {
		if line >= len(lines[i]) {
			return Proposal{}, false
		}
		s, ok := how.cutAt(lines[i][line], k)
		if !ok || !s.saysShown(press, how) {
			return Proposal{}, false
		}
		shapes[i] = s
	}
	w := lineWriter{kind: p.Kind, presses: presses, shapes: shapes, how: how, box: len(lines[0]) > 1,
		form: session.ASCIILine{ImpliedDecimals: how.implied, DecimalComma: how.point == ','}}
	if !w.write() {
		return Proposal{}, false
	}
	p.ASCII = &w.form
	if w.form.Units == nil && !w.said {
		p.Unit = presses[0].Unit
		for _, press := range presses {
			if press.Unit != p.Unit {
				return Proposal{}, false // two units, and nothing in the frame tells them apart
			}
		}
		w.notes = append(w.notes, "the frame does not say its unit, so a switch of unit cannot be noticed; leave the instrument in "+p.Unit.Word())
	}
	form := "a line of text"
	switch {
	case how.implied > 0:
		form = fmt.Sprintf("a line of text, the last %d digits of its number are decimals", how.implied)
	case how.point == ',':
		form = "a line of text with a decimal comma"
	}
	return Proposal{Profile: p, Form: form, Notes: append(w.notes, unitNotes(p.Kind, presses)...)}, true
}

// A lineWriter makes one pattern of the lines of all presses.
type lineWriter struct {
	kind    session.Kind
	presses []Press
	shapes  []shape
	how     spelling
	form    session.ASCIILine
	pattern strings.Builder
	notes   []string
	said    bool // the frame says its unit
	box     bool // several lines come at once: those of other instruments on one box
}

func (w *lineWriter) write() bool {
	before := make([][]part, len(w.shapes))
	after := make([][]part, len(w.shapes))
	for i, s := range w.shapes {
		before[i], after[i] = s.before, s.after
	}
	if !w.parts(aligned(before), false) {
		return false
	}
	w.number()
	if !w.parts(aligned(after), true) {
		return false
	}
	w.form.Pattern = w.pattern.String()
	return true
}

// number writes blanks, sign and value.
func (w *lineWriter) number() {
	always, blank := true, false
	outer, inner := widths{}, widths{}
	for _, s := range w.shapes {
		always = always && s.sign != ""
		blank = blank || s.inner > 0
		outer.add(s.outer)
		inner.add(s.inner)
	}
	w.pattern.WriteString(outer.blanks())
	sign := "-?"
	switch {
	case always:
		sign = "[+-]"
	case slices.ContainsFunc(w.shapes, func(s shape) bool { return s.sign == "+" }):
		sign = "[+-]?"
	}
	sign = "(?P<sign>" + sign + ")"
	value := "(?P<value>" + w.digits() + ")"
	switch {
	case w.how.behind:
		w.pattern.WriteString(value + sign)
	case blank:
		w.pattern.WriteString(sign + inner.blanks() + value)
	default:
		w.pattern.WriteString(sign + value)
	}
}

// aligned merges words and numbers where the lines differ in which are which.
func aligned(all [][]part) [][]part {
	for _, parts := range all[1:] {
		if slices.EqualFunc(parts, all[0], func(a, b part) bool { return a.kind == b.kind }) {
			continue
		}
		out := make([][]part, len(all))
		for i := range all {
			out[i] = merged(all[i])
		}
		return out
	}
	return all
}

// digits writes the number: each unit with its own decimals. A number that is filled
// up with noughts has its width; any other may be longer than what was seen.
func (w *lineWriter) digits() string {
	var all []string
	for _, unit := range unitsOf(w.kind) {
		whole, fraction := widths{}, widths{}
		filled, seen := false, false
		for i, s := range w.shapes {
			if w.presses[i].Unit != unit {
				continue
			}
			seen = true
			before, after, _ := strings.Cut(s.number, string(w.how.point))
			whole.add(len(before))
			fraction.add(len(after))
			filled = filled || (len(before) > 1 && before[0] == '0')
		}
		if !seen {
			continue
		}
		text := fmt.Sprintf("[0-9]{%d,%d}", min(1, whole.least), max(6, whole.most))
		if whole.least == whole.most && (filled || w.form.ImpliedDecimals > 0 && whole.most > w.form.ImpliedDecimals+1) {
			text = fmt.Sprintf("[0-9]{%d}", whole.most)
		}
		if fraction.most > 0 {
			text += "[" + string(w.how.point) + "]" + fraction.of("[0-9]")
		}
		if !slices.Contains(all, text) {
			all = append(all, text)
		}
	}
	return strings.Join(all, "|")
}

// parts writes what stands before or after the number: the same parts in every
// line, each as it was seen.
func (w *lineWriter) parts(all [][]part, after bool) bool {
	for _, parts := range all[1:] {
		if len(parts) != len(all[0]) {
			return false
		}
	}
	for at := range all[0] {
		texts := make([]string, len(all))
		kind := all[0][at].kind
		for i := range all {
			texts[i] = all[i][at].text
			if all[i][at].kind != kind {
				return false
			}
		}
		if kind == 'w' && !slices.ContainsFunc(texts, func(t string) bool { return strings.Trim(t, letters) != "" }) {
			kind = 'a'
		}
		w.part(kind, texts, after)
	}
	return true
}

func (w *lineWriter) part(kind byte, texts []string, after bool) {
	same := !slices.ContainsFunc(texts, func(t string) bool { return t != texts[0] })
	width := widths{}
	for _, t := range texts {
		width.add(len(t))
	}
	switch {
	case kind == 'a' && after && !w.said && w.units(texts):
		w.pattern.WriteString("(?P<unit>[A-Za-z]" + width.wide() + ")")
	case kind == 'a' && after && w.form.GoodStatus == nil:
		w.form.GoodStatus = distinct(texts)
		w.pattern.WriteString("(?P<status>[A-Za-z]" + width.wide() + ")")
	case kind == 'a' && same && !after && w.form.Channel == "" && w.box:
		w.form.Channel = texts[0]
		w.pattern.WriteString("(?P<channel>" + width.of("[A-Za-z]") + ")")
	case kind == 'd' && same && !after && w.form.Channel == "" && !strings.Contains(texts[0], "."):
		w.form.Channel = texts[0]
		w.pattern.WriteString("(?P<channel>" + width.of("[0-9]") + ")")
	case kind == 'x' && !same && after && !w.said && w.units(texts):
		w.pattern.WriteString("(?P<unit>" + oneOf(texts) + ")")
	case same && kind != 'x':
		w.pattern.WriteString(regexp.QuoteMeta(texts[0]))
	case kind == 's':
		w.pattern.WriteString(width.blanks())
	case kind == 'd':
		w.pattern.WriteString(width.of("[0-9.]"))
		w.unread(texts)
	case kind == 'w':
		w.pattern.WriteString(width.of("[0-9A-Za-z.]"))
		w.unread(texts)
	case kind == 'a':
		w.pattern.WriteString(width.of("[A-Za-z]"))
	default:
		w.pattern.WriteString(oneOf(texts))
	}
}

// unread notes a part that changes and is not understood.
func (w *lineWriter) unread(texts []string) {
	w.notes = append(w.notes, "the line has another part that changes and is not read: "+strings.Join(distinct(texts)[:2], ", "))
}

// letters are those of words.
const letters = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"

// oneOf is the character that all texts are, or a class of those they are. A byte that is
// no character matches as any beyond ASCII.
func oneOf(texts []string) string {
	all := distinct(texts)
	if len(all) == 1 && utf8.ValidString(all[0]) {
		return regexp.QuoteMeta(all[0])
	}
	class := ""
	for _, t := range all {
		if r, _ := utf8.DecodeRuneInString(t); r != utf8.RuneError {
			class += fmt.Sprintf(`\x{%X}`, r)
		} else {
			class += `\x{80}-\x{10FFFF}`
		}
	}
	return "[" + class + "]"
}

// units takes words as those of the unit if each unit has words of its own, and the
// words look like units. What was seen of only one unit accepts no other word.
func (w *lineWriter) units(texts []string) bool {
	units := map[string]session.Unit{}
	for i, t := range texts {
		unit := w.presses[i].Unit
		if known, ok := units[t]; ok && known != unit {
			return false
		}
		units[t] = unit
	}
	two := slices.ContainsFunc(w.presses, func(p Press) bool { return p.Unit != w.presses[0].Unit })
	for t, unit := range units {
		if !two && likelyUnit(w.kind, t) != unit {
			return false
		}
	}
	w.form.Units, w.said = units, true
	return true
}

// likelyUnit is what a word after the number looks like.
func likelyUnit(k session.Kind, word string) session.Unit {
	likely := map[string]session.Unit{"mm": session.Millimetre, "in": session.Inch, "inch": session.Inch, "m": session.Millimetre, "i": session.Inch}
	switch k.Quantity() {
	case session.OfTorque:
		likely = map[string]session.Unit{"nm": session.NewtonMetre, "n": session.NewtonMetre, "ftlb": session.PoundFoot, "lbft": session.PoundFoot, "lbfft": session.PoundFoot, "lb": session.PoundFoot}
	case session.OfTemperature:
		likely = map[string]session.Unit{"c": session.Celsius, "cel": session.Celsius, "degc": session.Celsius, "f": session.Fahrenheit, "degf": session.Fahrenheit}
	}
	return likely[strings.ToLower(word)]
}

// distinct gives the different texts in order.
func distinct(texts []string) []string {
	out := slices.Clone(texts)
	slices.Sort(out)
	return slices.Compact(out)
}

// widths is the range of how wide something was.
type widths struct {
	seen        bool
	least, most int
}

func (w *widths) add(n int) {
	if !w.seen {
		w.least, w.most, w.seen = n, n, true
	}
	w.least, w.most = min(w.least, n), max(w.most, n)
}

// of writes a class as often as it was seen.
func (w widths) of(class string) string {
	if w.least == w.most {
		return fmt.Sprintf("%s{%d}", class, w.most)
	}
	return fmt.Sprintf("%s{%d,%d}", class, w.least, w.most)
}

// wide is how often a word's letters may come: another word may be longer.
func (w widths) wide() string { return fmt.Sprintf("{1,%d}", max(8, w.most)) }

// blanks writes the blanks beside a number, which fill up its width: one that is
// always there is kept, more or fewer may come.
func (w widths) blanks() string {
	if w.most == 0 {
		return ""
	}
	return fmt.Sprintf(" {0,%d}", max(8, w.most))
}
