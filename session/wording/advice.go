package wording

import (
	"fmt"
	"strings"

	"shimwright/session"
)

// Advice says in one paragraph what to fit where, what to expect and why; what
// is missing or open; and, if the stock cannot do it, the thickness wanted. The
// main thing comes first.
func Advice(a session.Advice) string {
	return strings.Join([]string{Headline(a), Why(a)}, " ")
}

// Headline is the first sentence of Advice: what to fit, or what is in the way.
func Headline(a session.Advice) string {
	switch {
	case a.Gap == nil:
		return title(a) + ": no advice yet; " + waitingFor(a) + "."
	case a.Best == nil:
		return title(a) + ": no combination in the stock fits."
	case !a.Best.Inside:
		return fmt.Sprintf("No combination in the stock comes inside the window %s to %s. The nearest: fit %s, for an end float of %s cold, %s.",
			a.Least.String(), mm(a.Most), Fit(*a.Best), mm(a.Best.EndFloat), outside(a))
	case a.State == session.Final:
		return fmt.Sprintf("Fit %s. Expect an end float of %s cold.", Fit(*a.Best), mm(a.Best.EndFloat))
	}
	return fmt.Sprintf("So far: fit %s. Expect an end float of %s cold.", Fit(*a.Best), mm(a.Best.EndFloat))
}

// Why is the rest of Advice: what is missing, findings, the gap, the check gap,
// the reason for the choice, and that the uncertainty is not evaluated.
func Why(a session.Advice) string {
	var said []string
	say := func(text string) {
		if text != "" {
			said = append(said, text)
		}
	}
	say(Unfinished(a))
	for _, f := range a.Findings {
		say(sentence(Finding(f)))
	}
	if a.Gap != nil {
		say("The gap is " + mm(*a.Gap) + ".")
		say(wanted(a))
		say(checkGap(a))
		say(choice(a))
	}
	say(leftOut(a))
	say(Uncertainty(a))
	return strings.Join(said, " ")
}

// Fit says which pieces go where: "0.25 + 0.10 mm on the pump side and nothing
// on the flywheel side".
func Fit(f session.Fit) string {
	packs := make([]string, 0, len(f.Packs))
	for _, p := range f.Packs {
		packs = append(packs, Pieces(p)+" on the "+p.Side)
	}
	if len(packs) == 0 {
		return "nothing"
	}
	return list(packs)
}

// FitRows lists a fit as labels and values: first the pieces of each side, then
// the end float to expect, then the check gap where there is a second side.
func FitRows(f session.Fit) [][]string {
	rows := make([][]string, 0, len(f.Packs)+2)
	for _, pack := range f.Packs {
		rows = append(rows, []string{pack.Side, Pieces(pack)})
	}
	rows = append(rows, []string{"end float, cold", mm(f.EndFloat)})
	if len(f.Packs) > 1 {
		rows = append(rows, []string{"check gap", mm(f.CheckGap) + ", with only the " + f.Packs[0].Side + " fitted"})
	}
	return rows
}

// Pieces writes the pieces of one side: "0.25 + 0.10 mm", or "nothing".
func Pieces(p session.Pack) string {
	if len(p.Pieces) == 0 {
		return "nothing"
	}
	pieces := make([]string, len(p.Pieces))
	for i, piece := range p.Pieces {
		pieces[i] = piece.String()
	}
	return strings.Join(pieces, " + ") + " mm"
}

func title(a session.Advice) string {
	if a.Title != "" {
		return a.Title
	}
	return a.Chain
}

func waitingFor(a session.Advice) string {
	if len(a.Missing) == 0 {
		return "a dimension is not known"
	}
	return "still to measure: " + list(a.Missing)
}

func outside(a session.Advice) string {
	if a.Best.EndFloat.LessThan(a.Least.Decimal) {
		return mm(session.Num(a.Least.Sub(a.Best.EndFloat.Decimal))) + " too tight"
	}
	return mm(session.Num(a.Best.EndFloat.Sub(a.Most.Decimal))) + " too loose"
}

// Unfinished says what provisional advice still waits for; it is empty for other
// advice.
func Unfinished(a session.Advice) string {
	if a.Gap == nil || a.State == session.Final {
		return ""
	}
	var parts []string
	add := func(label string, names []string) {
		if len(names) > 0 {
			parts = append(parts, label+" "+list(names))
		}
	}
	add("not measured yet:", a.Missing)
	add("still open:", a.Open)
	add("not settled:", a.Unsettled)
	if len(parts) == 0 {
		return "This is provisional."
	}
	return "This is provisional; " + strings.Join(parts, "; ") + "."
}

// wanted is said only where the stock falls short.
func wanted(a session.Advice) string {
	if a.Wanted == nil || (a.Best != nil && a.Best.Inside) {
		return ""
	}
	if a.Wanted.IsNegative() {
		return fmt.Sprintf("Even without any shim it would be %s tighter than the aim of %s: no shim helps, look at the parts.",
			mm(session.Num(a.Wanted.Neg())), mm(a.Aim))
	}
	return fmt.Sprintf("Wanted to hit the aim of %s: %s of shim in all; get or lap that thickness.", mm(a.Aim), mm(*a.Wanted))
}

func checkGap(a session.Advice) string {
	if a.Best == nil || len(a.Best.Packs) < 2 {
		return ""
	}
	first := a.Best.Packs[0]
	text := fmt.Sprintf("With only the %s fitted, find a check gap of %s", first.Side, mm(a.Best.CheckGap))
	if len(first.Pieces) == 0 {
		text = "With nothing fitted yet, find a check gap of " + mm(a.Best.CheckGap)
	}
	if a.CheckFound != nil {
		text += "; found: " + mm(*a.CheckFound)
	}
	return text + "."
}

// choice says how near to the aim the best fit comes and what it is ranked
// against. It does not say "nearest": how the pieces sit may weigh more.
func choice(a session.Advice) string {
	if a.Best == nil {
		return ""
	}
	miss := session.Num(a.Best.EndFloat.Sub(a.Aim.Decimal).Abs())
	text := fmt.Sprintf("It misses the aim of %s by %s.", mm(a.Aim), mm(miss))
	if miss.IsZero() {
		text = "It hits the aim of " + mm(a.Aim) + "."
	}
	switch {
	case a.Possible == 1:
		text += " It is the only combination that the stock allows."
	case a.Possible > 1:
		text += fmt.Sprintf(" Of the %d combinations that the stock allows it ranks first", a.Possible)
		if len(a.Others) > 0 {
			text += fmt.Sprintf("; next comes %s, which would give %s", Fit(a.Others[0]), mm(a.Others[0].EndFloat))
		}
		text += "."
	}
	return text
}

func leftOut(a session.Advice) string {
	switch n := len(a.LeftOut); n {
	case 0:
		return ""
	case 1:
		return fmt.Sprintf("Reading %d was left out.", a.LeftOut[0])
	default:
		return fmt.Sprintf("%s were left out.", count(n, "reading"))
	}
}

// Uncertainty says how certain the advice is: that it is not known yet, until it
// is.
func Uncertainty(a session.Advice) string {
	if a.Uncertainty == "" || a.Uncertainty == "not evaluated" {
		return "The uncertainty is not evaluated yet, so nothing is claimed about how certain this is."
	}
	return "Uncertainty: " + a.Uncertainty + "."
}
