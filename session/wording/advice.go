package wording

import (
	"fmt"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"shimwright/session"
)

// Advice says in one paragraph what to fit where, what to expect and why; what
// is missing or open; and, if the stock cannot do it, the thickness wanted. The
// main thing comes first.
func (l *Language) Advice(a session.Advice) string {
	return strings.Join([]string{l.Headline(a), l.Why(a)}, " ")
}

// Headline is the first sentence of Advice: what to fit and how sure that is, or
// what is in the way.
func (l *Language) Headline(a session.Advice) string {
	switch {
	case a.Gap == nil:
		return l.title(a) + ": no advice yet; " + l.waitingFor(a) + "."
	case a.Best == nil && a.NoShims:
		return l.title(a) + ": " + l.Gap(a) + "."
	case a.Best == nil:
		return l.title(a) + ": no combination in the stock fits."
	case a.NoShims:
		return l.sumHeadline(a)
	case a.Built != nil:
		return l.builtEngine(a)
	}
	begin := "Fit " + l.Fit(*a.Best)
	switch {
	case a.Best.Inside && a.Keep:
		begin = "Keep what is in: " + l.Fit(*a.Best)
	case !a.Best.Inside:
		begin = "No combination in the stock comes inside the window " + l.Window(a) + ". The nearest: fit " + l.Fit(*a.Best)
	case a.State != session.Final:
		begin = "So far: fit " + l.Fit(*a.Best)
	}
	return strings.TrimSpace(begin + ". Expect an end float of " + l.Float(*a.Best) + " cold" + l.outsideBy(a) + ". " + l.Outcome(a))
}

// Window writes the window: "0.10 to 0.24 mm".
func (l *Language) Window(a session.Advice) string { return a.Least.String() + " to " + l.mm(a.Most) }

// Float writes the end float of a fit with its uncertainty: "0.16 +/- 0.05 mm".
func (l *Language) Float(f session.Fit) string {
	value, plusMinus := l.FloatParts(f)
	if plusMinus == "" {
		return value + " mm"
	}
	return value + " " + plusMinus + " mm"
}

// FloatParts writes the end float to the decimal that its uncertainty earns, and the
// uncertainty: "0.16", "+/- 0.05"; the second is empty if it is not evaluated.
func (l *Language) FloatParts(f session.Fit) (value, plusMinus string) {
	if f.Expanded == nil {
		return l.Decimals(f.EndFloat), ""
	}
	places := min(-f.Expanded.Exponent(), mostDecimals)
	return f.EndFloat.RoundBank(places).StringFixed(places), "+/- " + f.Expanded.RoundCeil(places).StringFixed(places)
}

func (l *Language) outsideBy(a session.Advice) string {
	if a.Best.Inside {
		return ""
	}
	return ", " + l.outside(a)
}

// Outcome says what the decision rule says of the best fit, with its risk in plain
// numbers. It is empty while the uncertainty is not evaluated.
func (l *Language) Outcome(a session.Advice) string {
	f := a.Best
	if f == nil || f.Chance == nil {
		return ""
	}
	if a.NoShims {
		return l.sumOutcome(a)
	}
	switch risk := l.Odds(1 - f.Chance.Inside); f.Outcome {
	case "shown inside":
		return "It is shown inside the window " + l.Window(a) + ": the risk that it is outside is " + risk + "."
	case "shown outside":
		return "It is shown outside the window " + l.Window(a) + ": the chance that it is inside all the same is " + l.Odds(f.Chance.Inside) + "."
	default:
		return "It is the best fit, but not shown inside the window " + l.Window(a) + ": the risk that it is outside is " + risk + ", " + l.whichWay(*f.Chance) + "."
	}
}

func (l *Language) whichWay(c session.Chance) string {
	switch {
	case c.TooTight > 2*c.TooLoose:
		return "most likely too tight"
	case c.TooLoose > 2*c.TooTight:
		return "most likely too loose"
	}
	return "too tight or too loose alike"
}

// Odds writes a probability as people say it: "about 1 in 20", "about 3 in 10",
// "under 1 in 1000".
func (l *Language) Odds(p float64) string {
	switch {
	case p < 0.001:
		return "under 1 in 1000"
	case p > 0.994:
		return "over 99 in 100"
	case p < 0.2:
		return fmt.Sprintf("about 1 in %d", roundedOdds(1/p))
	case p > 0.9:
		return fmt.Sprintf("about %d in 100", int(p*100+0.5))
	}
	return fmt.Sprintf("about %d in 10", max(2, int(p*10+0.5)))
}

// roundedOdds keeps one or two digits that a person can picture.
func roundedOdds(x float64) int {
	n := int(x + 0.5)
	switch {
	case n >= 100:
		return n / 50 * 50
	case n >= 20:
		return (n + 2) / 5 * 5
	}
	return n
}

// Why is the rest of Advice: what is missing, findings, the gap, the check gap,
// the reason for the choice, and that the uncertainty is not evaluated.
func (l *Language) Why(a session.Advice) string {
	var said []string
	say := func(text string) {
		if text != "" {
			said = append(said, text)
		}
	}
	say(l.Changed(a))
	say(l.Unfinished(a))
	for _, f := range a.Findings {
		say(l.sentence(l.Finding(f)))
	}
	if a.NoShims {
		for _, text := range l.sumWhy(a) {
			say(text)
		}
	} else if a.Gap != nil {
		say("The gap is " + l.Gap(a) + ".")
		say(l.takenOff(a))
		say(l.barred(a))
		say(l.limits(a))
		say(l.wanted(a))
		say(l.next(a))
		say(l.asExpected(a))
		say(l.checkGap(a))
		say(l.centred(a))
		say(l.dial(a))
		for _, e := range a.Evidence {
			say(l.found(e))
			say(l.evidence(e))
		}
		say(l.again(a))
		say(l.warm(a))
		say(l.choice(a))
	}
	say(l.leftOut(a))
	say(l.Uncertainty(a))
	return strings.Join(said, " ")
}

// Fit says which pieces go where: "0.25 + 0.10 mm on the pump side and nothing
// on the flywheel side".
func (l *Language) Fit(f session.Fit) string {
	packs := make([]string, 0, len(f.Packs))
	for _, p := range f.Packs {
		packs = append(packs, l.Pieces(p)+" on the "+p.Side)
	}
	if len(packs) == 0 {
		return "nothing"
	}
	return l.list(packs)
}

// FitRows lists a fit as labels and values: first the pieces of each side, then
// the end float to expect, then the check gap where there is a second side.
func (l *Language) FitRows(f session.Fit) [][]string {
	rows := make([][]string, 0, len(f.Packs)+2)
	for _, pack := range f.Packs {
		rows = append(rows, []string{pack.Side, l.Pieces(pack)})
	}
	if len(f.Packs) == 0 {
		return append(rows, []string{"sum, cold", l.Float(f)})
	}
	rows = append(rows, []string{"end float, cold", l.Float(f)})
	if len(f.Packs) > 1 {
		rows = append(rows, []string{"check gap", l.mm(f.CheckGap) + ", with only the " + f.Packs[0].Side + " fitted"})
	}
	return rows
}

// Pieces writes the pieces of one side: "0.25 + 0.10 mm", or "nothing".
func (l *Language) Pieces(p session.Pack) string {
	if len(p.Pieces) == 0 {
		return "nothing"
	}
	pieces := make([]string, len(p.Pieces))
	for i, piece := range p.Pieces {
		pieces[i] = piece.String()
		if i < len(p.Sizes) && !p.Sizes[i].Equal(piece.Decimal) {
			pieces[i] = p.Sizes[i].String() + " (measures " + piece.String() + ")"
		}
	}
	return strings.Join(pieces, " + ") + " mm"
}

func (l *Language) title(a session.Advice) string {
	if a.Title != "" {
		return a.Title
	}
	return a.Chain
}

func (l *Language) waitingFor(a session.Advice) string {
	if len(a.Missing) == 0 {
		return "a dimension is not known"
	}
	return "still to measure: " + l.list(a.Missing)
}

func (l *Language) outside(a session.Advice) string {
	if a.Best.EndFloat.LessThan(a.Least.Decimal) {
		return l.mm(session.Num(a.Least.Sub(a.Best.EndFloat.Decimal))) + " too tight"
	}
	return l.mm(session.Num(a.Best.EndFloat.Sub(a.Most.Decimal))) + " too loose"
}

// Unfinished says what provisional advice still waits for; it is empty for other
// advice.
func (l *Language) Unfinished(a session.Advice) string {
	if a.Gap == nil || a.State == session.Final {
		return ""
	}
	var parts []string
	add := func(label string, names []string) {
		if len(names) > 0 {
			parts = append(parts, label+" "+l.list(names))
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

// Correction says what was taken off and of what.
func (l *Language) Correction(c session.Correction) string {
	switch c.Code {
	case "instrument error":
		return "error of the instrument at " + c.Term
	case "temperature":
		return "expansion of " + c.Term
	case "crush":
		return "crush of " + c.Term
	case "bearing play":
		return "half the bearing play in " + c.Term
	}
	return c.Code + " of " + c.Term
}

// wanted is said only where the stock falls short.
func (l *Language) wanted(a session.Advice) string {
	if a.Wanted == nil || (a.Best != nil && a.Best.Inside) {
		return ""
	}
	if a.Wanted.IsNegative() {
		return fmt.Sprintf("Even without any shim it would be %s tighter than the aim of %s: no shim helps, look at the parts.",
			l.mm(session.Num(a.Wanted.Neg())), l.mm(a.Aim))
	}
	return fmt.Sprintf("Wanted to hit the aim of %s: %s of shim in all; get or lap that thickness.", l.mm(a.Aim), l.mm(*a.Wanted))
}

func (l *Language) checkGap(a session.Advice) string {
	if a.Best == nil || len(a.Best.Packs) < 2 {
		return ""
	}
	first := a.Best.Packs[0]
	text := fmt.Sprintf("With only the %s fitted, find a check gap of %s", first.Side, l.mm(a.Best.CheckGap))
	if len(first.Pieces) == 0 {
		text = "With nothing fitted yet, find a check gap of " + l.mm(a.Best.CheckGap)
	}
	if len(a.Evidence) > 0 {
		return ""
	}
	return text + l.blades(*a.Best) + "."
}

// found says what a direct measurement found, and what was expected.
func (l *Language) found(e session.EvidenceView) string {
	text := fmt.Sprintf("With %s a %s of %s was found", l.packs(e.Packs), e.Way, l.mm(e.Found))
	if e.Way == "trial build" {
		text = fmt.Sprintf("The trial build with %s showed %s of float", l.packs(e.Packs), l.mm(e.Found))
	}
	if e.Play != nil {
		text += ", " + l.mm(*e.Play) + " of it play of the bearings"
	}
	if e.Compared {
		text += ", where " + l.mm(e.Expected) + " was expected"
	}
	return text + "."
}

func (l *Language) packs(all []session.Pack) string { return l.Fit(session.Fit{Packs: all}) }

// centred says how the rod lies over the cylinder's axis.
func (l *Language) centred(a session.Advice) string {
	if a.OffCentre == nil || a.Best == nil {
		return ""
	}
	if a.OffCentre.RoundBank(mostDecimals).IsZero() {
		return "By the dimensions as read the rod then sits on the cylinder's axis."
	}
	away := "away from"
	if a.OffCentre.IsNegative() {
		away = "towards"
	}
	return "By the dimensions as read the rod then sits " + l.mm(session.Num(a.OffCentre.Abs())) + " off the cylinder's axis, " + away + " the " + a.Best.Packs[0].Side + "."
}

// takenOff says by how much the gap differs from the plain sum of what was read, so that
// whoever adds up the dimensions finds the same.
func (l *Language) takenOff(a session.Advice) string {
	var names []string
	sum := decimal.Zero
	for _, c := range a.Corrections {
		sum = sum.Add(c.OnGap.Decimal)
		if name := l.cause(c.Code); !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	if sum.RoundBank(mostDecimals).IsZero() {
		return ""
	}
	way := "less"
	if sum.IsPositive() {
		way = "more"
	}
	return fmt.Sprintf("The dimensions give %s %s than as read, for %s.", l.mm(session.Num(sum.Abs())), way, l.list(names))
}

func (l *Language) cause(code string) string {
	switch code {
	case "instrument error":
		return "the errors of the instruments"
	case "bearing play":
		return "the play of the bearings"
	case "crush":
		return "the crush of the gasket"
	case "temperature":
		return "the temperatures"
	}
	return code
}

// dial says what a dial indicator will show of the best fit.
func (l *Language) dial(a session.Advice) string {
	if a.DialShows == nil || a.Built != nil || a.Keep {
		return ""
	}
	return "A dial indicator, the shaft pushed and pulled, should then show " + l.Float(session.Fit{EndFloat: *a.DialShows, Expanded: a.DialExpanded}) + ", the play of the bearings included."
}

// builtEngine says what the decision rule says of the engine as it is built.
func (l *Language) builtEngine(a session.Advice) string {
	b := a.Built
	text := "The built engine has an end float of " + l.Float(session.Fit{EndFloat: b.Float, Expanded: &b.Expanded}) + ". "
	switch b.Outcome {
	case "shown inside":
		return text + "It is shown inside the window " + l.Window(a) + ": the risk that it is outside is " + l.Odds(1-b.Chance.Inside) + "."
	case "shown outside":
		text += "It is shown outside the window " + l.Window(a) + ": take it apart again."
	default:
		text += "That is not shown inside the window " + l.Window(a) + ": the risk that it is outside is " + l.Odds(1-b.Chance.Inside) + ", " + l.whichWay(b.Chance) + "."
	}
	if b.Change != nil && !b.Change.RoundBank(mostDecimals).IsZero() {
		text += " Packs " + l.thicker(*b.Change) + " in all would hit the aim of " + l.mm(a.Aim) + "."
	}
	return text
}

func (l *Language) thicker(change session.Number) string {
	if change.IsNegative() {
		return "thinner by " + l.mm(session.Num(change.Neg()))
	}
	return "thicker by " + l.mm(change)
}

// asExpected says how the built engine agrees with what was expected of it.
func (l *Language) asExpected(a session.Advice) string {
	b := a.Built
	if b == nil {
		return ""
	}
	text := fmt.Sprintf("It was built with %s; the float was read as %s", l.packs(b.Packs), l.mm(b.Found))
	if b.Play != nil {
		text += ", " + l.mm(*b.Play) + " of it play of the bearings"
	}
	text += ". From what was measured before, " + l.Float(session.Fit{EndFloat: b.Expected, Expanded: &b.ExpectedU}) + " was to be expected"
	if b.Compared && b.Agrees {
		text += fmt.Sprintf(", and the two agree (E_n %.2f)", b.En)
	}
	return text + "."
}

// blades says which feelers to try.
func (l *Language) blades(f session.Fit) string {
	switch {
	case f.Passes != nil && f.Stops != nil:
		return ": a feeler of " + l.mm(*f.Passes) + " should pass and one of " + f.Stops.String() + " should not"
	case f.Stops != nil:
		return ": a feeler of " + l.mm(*f.Stops) + " should not pass"
	case f.Passes != nil:
		return ": a feeler of " + l.mm(*f.Passes) + " should pass"
	}
	return ""
}

// choice says how near to the aim the best fit comes and what it is ranked
// against. It does not say "nearest": how the pieces sit may weigh more.
func (l *Language) choice(a session.Advice) string {
	if a.Best == nil {
		return ""
	}
	miss := session.Num(a.Best.EndFloat.Sub(a.Aim.Decimal).Abs())
	text := fmt.Sprintf("It misses the aim of %s by %s.", l.mm(a.Aim), l.mm(miss))
	if miss.RoundBank(mostDecimals).IsZero() {
		text = "It hits the aim of " + l.mm(a.Aim) + "."
	}
	switch {
	case a.Possible == 1:
		text += " It is the only combination that the stock allows."
	case a.Possible > 1:
		if len(a.Stays) > 0 {
			text += " Of those that leave the " + l.list(a.Stays) + " as it is it ranks first"
		} else {
			text += fmt.Sprintf(" Of the %d combinations that the stock allows it ranks first", a.Possible)
		}
		if len(a.Others) > 0 {
			text += fmt.Sprintf("; next comes %s, which would give %s", l.Fit(a.Others[0]), l.mm(a.Others[0].EndFloat))
		}
		text += "."
	}
	return text
}

func (l *Language) leftOut(a session.Advice) string {
	switch n := len(a.LeftOut); n {
	case 0:
		return ""
	case 1:
		return fmt.Sprintf("Reading %d was left out.", a.LeftOut[0])
	default:
		return fmt.Sprintf("%s were left out.", l.count(n, "reading"))
	}
}

// Uncertainty says that the uncertainty is not evaluated; it is empty if it is.
func (l *Language) Uncertainty(a session.Advice) string {
	if a.Budget == nil {
		return "The uncertainty is not evaluated yet, so nothing is claimed about how certain this is."
	}
	return ""
}

// Gap writes the gap with its uncertainty.
func (l *Language) Gap(a session.Advice) string {
	if a.Budget == nil {
		return l.mm(*a.Gap)
	}
	return l.Float(session.Fit{EndFloat: *a.Gap, Expanded: &a.Budget.Expanded})
}

// barred says why nothing can be shown, whatever the numbers.
func (l *Language) barred(a session.Advice) string {
	if len(a.Barred) == 0 {
		return ""
	}
	reasons := make([]string, len(a.Barred))
	for i, r := range a.Barred {
		reasons[i] = l.Reason(r)
	}
	return "It cannot be shown inside, because " + l.list(reasons) + "."
}

// limits says what keeps the best fit from being shown.
func (l *Language) limits(a session.Advice) string {
	if a.Best == nil || a.Best.Outcome == "shown inside" {
		return ""
	}
	switch strings.Join(a.Limits, " and ") {
	case "stock":
		return "The stock limits it, not the measurement" + l.change(a) + "."
	case "measurement":
		return "The measurement limits it: no other shim helps."
	case "stock and measurement", "measurement and stock":
		return "Both the stock and the measurement limit it."
	}
	return ""
}

func (l *Language) change(a session.Advice) string {
	switch {
	case a.Change == nil || a.Change.IsZero():
		return ""
	case a.Change.IsNegative():
		return ": a total thinner by " + l.mm(session.Num(a.Change.Neg())) + " would hit the aim"
	}
	return ": a total thicker by " + l.mm(*a.Change) + " would hit the aim"
}

// next says what would make it surer: the first act that settles it, or else the
// one that helps most.
func (l *Language) next(a session.Advice) string {
	if len(a.Next) == 0 {
		return ""
	}
	n := a.Next[0]
	text := "To know better: " + l.Act(n) + ", which would bring it to +/- " + l.mm(n.Expanded)
	switch {
	case n.Outcome == "shown inside":
		return text + " and show it inside, if the value stays."
	case n.AtBest == "shown inside":
		return text + "; with the right shims that could be shown inside."
	}
	return text + "; even that would not show it inside."
}

// NextStep says in a few words, to be read from afar, what to do now that all is
// measured; empty without a fit.
func (l *Language) NextStep(a session.Advice) string {
	switch {
	case a.Best == nil:
		return ""
	case a.State != session.Final:
		return "Measure what is still open"
	case a.Best.Outcome != "shown inside" && len(a.Next) > 0:
		return strings.TrimSuffix(l.sentence(l.act(a.Next[0])), ".")
	case a.Best.Outcome != "shown inside":
		return "Look at parts and stock"
	case len(a.Best.Packs) > 1 && len(a.Best.Packs[0].Pieces) > 0 && a.Evidence == nil:
		return "Fit one side, find the check gap"
	}
	return "Fit them"
}

// act is what to do, without how long it takes.
func (l *Language) act(n session.NextAct) string {
	text, ok := l.fill(l.actText(n.Act.Code), n.Act.Params)
	if !ok || text == "" {
		text = spelled(n.Act.Code, n.Act.Params)
	}
	return text
}

// Act says what to do next and how long it takes.
func (l *Language) Act(n session.NextAct) string {
	return fmt.Sprintf("%s (about %s)", l.act(n), l.count(int(n.Minutes+0.5), "minute"))
}

func (l *Language) actText(code string) string {
	switch code {
	case "zero check":
		return "check the zero of {instrument} ({use})"
	case "block check":
		return "check {instrument} ({use}) on a gauge block near the length"
	case "check gap by feeler":
		return "fit the first side and find the check gap with feelers"
	case "trial build again":
		return "build it with these packs and measure the float again"
	case "trial build":
		return "build it on trial with a known pack and measure the float with a dial indicator"
	}
	return ""
}

// evidence says how a direct measurement agrees with what was known before.
func (l *Language) evidence(e session.EvidenceView) string {
	switch {
	case !e.Compared && e.Weight < 1:
		return fmt.Sprintf("The %s is combined with the measurement before it; the chain lacks an input.", e.Way)
	case !e.Compared:
		return "The " + e.Way + " alone is taken, since the chain lacks an input."
	case e.Agrees:
		return fmt.Sprintf("The %s agrees with the chain (E_n %.2f), and both are combined.", e.Way, e.En)
	}
	return "The " + e.Way + " alone is taken, and one of the two is wrong."
}

// again says what to do when a trial build showed that other packs are wanted.
func (l *Language) again(a session.Advice) string {
	if n := len(a.Evidence); n == 0 || a.Evidence[n-1].Way != "trial build" || a.Keep || a.Best == nil || a.Built != nil {
		return ""
	}
	if a.Evidence[len(a.Evidence)-1].Earlier {
		return "Other shims went in after that: measure the float of the trial build again."
	}
	return "Change the packs, say so (fitted), and measure the float again."
}

func (l *Language) warm(a session.Advice) string {
	if a.WarmFloat == nil {
		return ""
	}
	text := "At running temperature the float is about " + l.Float(session.Fit{EndFloat: *a.WarmFloat, Expanded: a.WarmExpanded})
	if a.WarmFloat.IsNegative() {
		text += ": below zero the shaft is clamped"
	}
	return text + "."
}
