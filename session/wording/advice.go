package wording

import (
	"cmp"
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
		return l.say("%s: no advice yet; %s.", l.title(a), l.waitingFor(a))
	case a.Best == nil && a.NoShims:
		return l.title(a) + ": " + l.Gap(a) + "."
	case a.Best == nil:
		return l.say("%s: no combination in the stock fits.", l.title(a))
	case a.NoShims:
		return l.sumHeadline(a)
	case a.Built != nil:
		return l.builtEngine(a)
	}
	begin := l.say("Fit %s.", l.Fit(*a.Best))
	switch {
	case a.Best.Inside && a.Keep:
		begin = l.say("Keep what is in: %s.", l.Fit(*a.Best))
	case !a.Best.Inside:
		begin = l.say("No combination in the stock comes inside the window %s. The nearest: fit %s.", l.Window(a), l.Fit(*a.Best))
	case a.State != session.Final:
		begin = l.say("So far: fit %s.", l.Fit(*a.Best))
	}
	return strings.TrimSpace(begin + " " + l.expect(a) + " " + l.Outcome(a))
}

// Window writes the window: "0.10 to 0.24 mm".
func (l *Language) Window(a session.Advice) string { return l.span(a.Least, a.Most) }

// Float writes the end float of a fit with its uncertainty: "0.16 +/- 0.05 mm".
func (l *Language) Float(f session.Fit) string {
	value, plusMinus := l.FloatParts(f)
	return strings.TrimSpace(value+" "+plusMinus) + " " + l.LengthUnit()
}

// FloatOnly is Float without the uncertainty, to the decimal that it earns.
func (l *Language) FloatOnly(f session.Fit) string {
	value, _ := l.FloatParts(f)
	return value + " " + l.LengthUnit()
}

// FloatParts writes the end float to the decimal that its uncertainty earns, and the
// uncertainty: "0.16", "+/- 0.05"; the second is empty if it is not evaluated.
func (l *Language) FloatParts(f session.Fit) (value, plusMinus string) {
	if f.Expanded == nil {
		return l.Decimals(f.EndFloat), ""
	}
	places := min(-f.Expanded.Exponent(), mostDecimals)
	float, expanded := f.EndFloat.Decimal, f.Expanded.Decimal
	if l.inch {
		float, expanded, places = inInches(float), inInches(expanded), inchPlaces(expanded, places)
	}
	return l.number(float.RoundBank(places).StringFixed(places)), "+/- " + l.number(expanded.RoundCeil(places).StringFixed(places))
}

// expect says what end float the best fit will have, and by how much it misses the window.
func (l *Language) expect(a session.Advice) string {
	if a.Best.Inside {
		return l.say("Expect an end float of %s cold.", l.Float(*a.Best))
	}
	return l.say("Expect an end float of %s cold, %s.", l.Float(*a.Best), l.outside(a))
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
		return l.say("It is shown inside the window %s: the risk that it is outside is %s.", l.Window(a), risk)
	case "shown outside":
		return l.say("It is shown outside the window %s: the chance that it is inside all the same is %s.", l.Window(a), l.Odds(f.Chance.Inside))
	default:
		return l.say("It is the best fit, but not shown inside the window %s: the risk that it is outside is %s, %s.", l.Window(a), risk, l.whichWay(*f.Chance))
	}
}

func (l *Language) whichWay(c session.Chance) string {
	switch {
	case c.TooTight > 2*c.TooLoose:
		return l.say("most likely too tight")
	case c.TooLoose > 2*c.TooTight:
		return l.say("most likely too loose")
	}
	return l.say("too tight or too loose alike")
}

// Odds writes a probability as people say it: "about 1 in 20", "about 3 in 10",
// "under 1 in 1000".
func (l *Language) Odds(p float64) string {
	switch {
	case p < 0.001:
		return l.say("under 1 in 1000")
	case p > 0.994:
		return l.say("over 99 in 100")
	case p < 0.2:
		return l.say("about 1 in %d", roundedOdds(1/p))
	case p > 0.9:
		return l.say("about %d in 100", int(p*100+0.5))
	}
	return l.say("about %d in 10", max(2, int(p*10+0.5)))
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
	say(l.instead(a))
	for _, f := range a.Findings {
		say(l.sentence(l.Finding(f)))
	}
	if a.NoShims {
		for _, text := range l.sumWhy(a) {
			say(text)
		}
	} else if a.Gap != nil {
		say(l.say("The gap is %s.", l.Gap(a)))
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

// instead says what the float comes to with the shims that are in, where those are not
// what is advised.
func (l *Language) instead(a session.Advice) string {
	f := a.Instead
	if f == nil {
		return ""
	}
	text := l.say("With what is said to be in, %s, the float is %s.", l.packs(f.Packs), l.Float(*f)) + " "
	switch risk := l.Odds(1 - f.Chance.Inside); f.Outcome {
	case "shown inside":
		return text + l.say("That is shown inside the window %s: the risk that it is outside is %s.", l.Window(a), risk)
	case "shown outside":
		return text + l.say("That is shown outside the window %s: change the shims.", l.Window(a))
	default:
		return text + l.say("That is not shown inside the window %s: the risk that it is outside is %s, %s.", l.Window(a), risk, l.whichWay(*f.Chance))
	}
}

// Fit says which pieces go where: "0.25 + 0.10 mm on the pump side and nothing
// on the flywheel side".
func (l *Language) Fit(f session.Fit) string {
	packs := make([]string, 0, len(f.Packs))
	for _, p := range f.Packs {
		packs = append(packs, l.say("%s on the %s", l.Pieces(p), l.Text(p.Side)))
	}
	if len(packs) == 0 {
		return l.say("nothing")
	}
	return l.list(packs)
}

// FitRows lists a fit as labels and values: first the pieces of each side, then
// the end float to expect, then the check gap where there is a second side.
func (l *Language) FitRows(f session.Fit) [][]string {
	rows := make([][]string, 0, len(f.Packs)+2)
	for _, pack := range f.Packs {
		rows = append(rows, []string{l.Text(pack.Side), l.Pieces(pack)})
	}
	if len(f.Packs) == 0 {
		return append(rows, []string{l.say("sum, cold"), l.Float(f)})
	}
	rows = append(rows, []string{l.say("end float, cold"), l.Float(f)})
	if len(f.Packs) > 1 {
		rows = append(rows, []string{l.say("check gap"), l.say("%s, with only the %s fitted", l.mm(f.CheckGap), l.Text(f.Packs[0].Side))})
	}
	return rows
}

// Pieces writes the pieces of one side: "0.25 + 0.10 mm", or "nothing".
func (l *Language) Pieces(p session.Pack) string {
	if len(p.Pieces) == 0 {
		return l.say("nothing")
	}
	pieces := make([]string, len(p.Pieces))
	for i, piece := range p.Pieces {
		pieces[i] = l.Exact(piece)
		if i < len(p.Sizes) && !p.Sizes[i].Equal(piece.Decimal) {
			pieces[i] = l.say("%s (measures %s)", l.Exact(p.Sizes[i]), l.Exact(piece))
		}
	}
	return strings.Join(pieces, " + ") + " " + l.LengthUnit()
}

func (l *Language) title(a session.Advice) string {
	return l.Text(cmp.Or(a.Title, a.Chain))
}

func (l *Language) waitingFor(a session.Advice) string {
	if len(a.Missing) == 0 {
		return l.say("a dimension is not known")
	}
	return l.say("still to measure: %s", l.list(l.Texts(a.Missing)))
}

func (l *Language) outside(a session.Advice) string {
	if a.Best.EndFloat.LessThan(a.Least.Decimal) {
		return l.say("%s too tight", l.mm(session.Num(a.Least.Sub(a.Best.EndFloat.Decimal))))
	}
	return l.say("%s too loose", l.mm(session.Num(a.Best.EndFloat.Sub(a.Most.Decimal))))
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
			parts = append(parts, label+" "+l.list(l.Texts(names)))
		}
	}
	add(l.say("not measured yet:"), a.Missing)
	add(l.say("still open:"), a.Open)
	add(l.say("not settled:"), a.Unsettled)
	if len(parts) == 0 {
		return l.say("This is provisional.")
	}
	return l.say("This is provisional; %s.", strings.Join(parts, "; "))
}

// Correction says what was taken off and of what.
func (l *Language) Correction(c session.Correction) string {
	switch c.Code {
	case "instrument error":
		return l.say("error of the instrument at %s", l.Text(c.Term))
	case "temperature":
		return l.say("expansion of %s", l.Text(c.Term))
	case "crush":
		return l.say("crush of %s", l.Text(c.Term))
	case "bearing play":
		return l.say("half the bearing play in %s", l.Text(c.Term))
	}
	return l.say("%s of %s", c.Code, l.Text(c.Term))
}

// wanted is said only where the stock falls short.
func (l *Language) wanted(a session.Advice) string {
	if a.Wanted == nil || (a.Best != nil && a.Best.Inside) {
		return ""
	}
	if a.Wanted.IsNegative() {
		return l.say("Even without any shim it would be %s tighter than the aim of %s: no shim helps, look at the parts.",
			l.mm(session.Num(a.Wanted.Neg())), l.mm(a.Aim))
	}
	return l.say("Wanted to hit the aim of %s: %s of shim in all; get or lap that thickness.", l.mm(a.Aim), l.mm(*a.Wanted))
}

func (l *Language) checkGap(a session.Advice) string {
	if a.Best == nil || len(a.Best.Packs) < 2 {
		return ""
	}
	first := a.Best.Packs[0]
	text := l.say("With only the %s fitted, find a check gap of %s", l.Text(first.Side), l.mm(a.Best.CheckGap))
	if len(first.Pieces) == 0 {
		text = l.say("With nothing fitted yet, find a check gap of %s", l.mm(a.Best.CheckGap))
	}
	if len(a.Evidence) > 0 {
		return ""
	}
	return text + l.blades(*a.Best) + "."
}

// found says what a direct measurement found, and what was expected.
func (l *Language) found(e session.EvidenceView) string {
	text := l.say("With %s a %s of %s was found", l.packs(e.Packs), l.Text(e.Way), l.mm(e.Found))
	if e.Way == "trial build" {
		text = l.say("The trial build with %s showed %s of float", l.packs(e.Packs), l.mm(e.Found))
	}
	if e.Play != nil {
		text += l.say(", %s of it play of the bearings", l.mm(*e.Play))
	}
	if e.Compared {
		text += l.say(", where %s was expected", l.mm(e.Expected))
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
		return l.say("By the dimensions as read the rod then sits on the cylinder's axis.")
	}
	off, side := l.mm(session.Num(a.OffCentre.Abs())), l.Text(a.Best.Packs[0].Side)
	if a.OffCentre.IsNegative() {
		return l.say("By the dimensions as read the rod then sits %s off the cylinder's axis, towards the %s.", off, side)
	}
	return l.say("By the dimensions as read the rod then sits %s off the cylinder's axis, away from the %s.", off, side)
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
	by := l.mm(session.Num(sum.Abs()))
	if sum.IsPositive() {
		return l.say("The dimensions give %s more than as read, for %s.", by, l.list(names))
	}
	return l.say("The dimensions give %s less than as read, for %s.", by, l.list(names))
}

func (l *Language) cause(code string) string {
	switch code {
	case "instrument error":
		return l.say("the errors of the instruments")
	case "bearing play":
		return l.say("the play of the bearings")
	case "crush":
		return l.say("the crush of the gasket")
	case "temperature":
		return l.say("the temperatures")
	}
	return code
}

// dial says what a dial indicator will show of the best fit.
func (l *Language) dial(a session.Advice) string {
	if a.DialShows == nil || a.Built != nil || a.Keep {
		return ""
	}
	return l.say("A dial indicator, the shaft pushed and pulled, should then show %s, the play of the bearings included.",
		l.Float(session.Fit{EndFloat: *a.DialShows, Expanded: a.DialExpanded}))
}

// builtEngine says what the decision rule says of the engine as it is built.
func (l *Language) builtEngine(a session.Advice) string {
	b := a.Built
	text := l.say("The built engine has an end float of %s.", l.Float(session.Fit{EndFloat: b.Float, Expanded: &b.Expanded})) + " "
	risk := l.Odds(1 - b.Chance.Inside)
	switch b.Outcome {
	case "shown inside":
		return text + l.say("It is shown inside the window %s: the risk that it is outside is %s.", l.Window(a), risk)
	case "shown outside":
		text += l.say("It is shown outside the window %s: take it apart again.", l.Window(a))
	default:
		text += l.say("That is not shown inside the window %s: the risk that it is outside is %s, %s.", l.Window(a), risk, l.whichWay(b.Chance))
	}
	switch c := b.Change; {
	case c == nil || c.RoundBank(mostDecimals).IsZero():
	case c.IsNegative():
		text += " " + l.say("Packs thinner by %s in all would hit the aim of %s.", l.mm(session.Num(c.Neg())), l.mm(a.Aim))
	default:
		text += " " + l.say("Packs thicker by %s in all would hit the aim of %s.", l.mm(*c), l.mm(a.Aim))
	}
	return text
}

// asExpected says how the built engine agrees with what was expected of it.
func (l *Language) asExpected(a session.Advice) string {
	b := a.Built
	if b == nil {
		return ""
	}
	text := l.say("It was built with %s; the float was read as %s", l.packs(b.Packs), l.mm(b.Found))
	if b.Play != nil {
		text += l.say(", %s of it play of the bearings", l.mm(*b.Play))
	}
	expected := l.Float(session.Fit{EndFloat: b.Expected, Expanded: &b.ExpectedU})
	if b.Compared && b.Agrees {
		return text + ". " + l.say("From what was measured before, %s was to be expected, and the two agree (E_n %s).", expected, l.fixed(b.En, 2))
	}
	return text + ". " + l.say("From what was measured before, %s was to be expected.", expected)
}

// blades says which feelers to try.
func (l *Language) blades(f session.Fit) string {
	switch {
	case f.Passes != nil && f.Stops != nil:
		return l.say(": a feeler of %s should pass and one of %s should not", l.mm(*f.Passes), l.Exact(*f.Stops))
	case f.Stops != nil:
		return l.say(": a feeler of %s should not pass", l.mm(*f.Stops))
	case f.Passes != nil:
		return l.say(": a feeler of %s should pass", l.mm(*f.Passes))
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
	text := l.say("It misses the aim of %s by %s.", l.mm(a.Aim), l.mm(miss))
	if miss.RoundBank(mostDecimals).IsZero() {
		text = l.say("It hits the aim of %s.", l.mm(a.Aim))
	}
	switch {
	case a.Possible == 1:
		text += " " + l.say("It is the only combination that the stock allows.")
	case a.Possible > 1:
		if len(a.Stays) > 0 {
			text += " " + l.say("Of those that leave the %s as it is it ranks first", l.list(l.Texts(a.Stays)))
		} else {
			text += " " + l.say("Of the %d combinations that the stock allows it ranks first", a.Possible)
		}
		if len(a.Others) > 0 {
			text += l.say("; next comes %s, which would give %s", l.Fit(a.Others[0]), l.mm(a.Others[0].EndFloat))
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
		return l.say("Reading %d was left out.", a.LeftOut[0])
	default:
		return l.say("%d readings were left out.", n)
	}
}

// Uncertainty says that the uncertainty is not evaluated; it is empty if it is.
func (l *Language) Uncertainty(a session.Advice) string {
	if a.Budget == nil {
		return l.say("The uncertainty is not evaluated yet, so nothing is claimed about how certain this is.")
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
	return l.say("It cannot be shown inside, because %s.", l.list(reasons))
}

// limits says what keeps the best fit from being shown.
func (l *Language) limits(a session.Advice) string {
	if a.Best == nil || a.Best.Outcome == "shown inside" {
		return ""
	}
	switch strings.Join(a.Limits, " and ") {
	case "stock":
		return l.stockLimits(a)
	case "measurement":
		return l.say("The measurement limits it: no other shim helps.")
	case "stock and measurement", "measurement and stock":
		return l.say("Both the stock and the measurement limit it.")
	}
	return ""
}

func (l *Language) stockLimits(a session.Advice) string {
	switch {
	case a.Change == nil || a.Change.IsZero():
		return l.say("The stock limits it, not the measurement.")
	case a.Change.IsNegative():
		return l.say("The stock limits it, not the measurement: a total thinner by %s would hit the aim.", l.mm(session.Num(a.Change.Neg())))
	}
	return l.say("The stock limits it, not the measurement: a total thicker by %s would hit the aim.", l.mm(*a.Change))
}

// next says what would make it surer: the first act that settles it, or else the
// one that helps most.
func (l *Language) next(a session.Advice) string {
	if len(a.Next) == 0 {
		return ""
	}
	n := a.Next[0]
	act, reach := l.Act(n), l.mm(n.Expanded)
	switch {
	case n.Outcome == "shown inside":
		return l.say("To know better: %s, which would bring it to +/- %s and show it inside, if the value stays.", act, reach)
	case n.AtBest == "shown inside":
		return l.say("To know better: %s, which would bring it to +/- %s; with the right shims that could be shown inside.", act, reach)
	}
	return l.say("To know better: %s, which would bring it to +/- %s; even that would not show it inside.", act, reach)
}

// NextStep says in a few words, to be read from afar, what to do now that all is
// measured; empty without a fit.
func (l *Language) NextStep(a session.Advice) string {
	switch {
	case a.Best == nil:
		return ""
	case a.State != session.Final:
		return l.say("Measure what is still open")
	case a.Best.Outcome != "shown inside" && len(a.Next) > 0:
		return strings.TrimSuffix(l.sentence(l.act(a.Next[0])), ".")
	case a.Best.Outcome != "shown inside":
		return l.say("Look at parts and stock")
	case len(a.Best.Packs) > 1 && len(a.Best.Packs[0].Pieces) > 0 && a.Evidence == nil:
		return l.say("Fit one side, find the check gap")
	}
	return l.say("Fit them")
}

// act is what to do, without how long it takes.
func (l *Language) act(n session.NextAct) string {
	text, ok := l.fill(l.Text(actText(n.Act.Code)), n.Act.Params)
	if !ok || text == "" {
		text = spelled(n.Act.Code, n.Act.Params)
	}
	return text
}

// Act says what to do next and how long it takes.
func (l *Language) Act(n session.NextAct) string {
	return l.say("%s (about %d minutes)", l.act(n), int(n.Minutes+0.5))
}

func actText(code string) string {
	switch code {
	case "zero check":
		return "check the zero of {instrument} ({use:use})"
	case "block check":
		return "check {instrument} ({use:use}) on a gauge block near the length"
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
		return l.say("The %s is combined with the measurement before it; the chain lacks an input.", l.Text(e.Way))
	case !e.Compared:
		return l.say("The %s alone is taken, since the chain lacks an input.", l.Text(e.Way))
	case e.Agrees:
		return l.say("The %s agrees with the chain (E_n %s), and both are combined.", l.Text(e.Way), l.fixed(e.En, 2))
	}
	return l.say("The %s alone is taken, and one of the two is wrong.", l.Text(e.Way))
}

// again says what to do when a trial build showed that other packs are wanted.
func (l *Language) again(a session.Advice) string {
	if n := len(a.Evidence); n == 0 || a.Evidence[n-1].Way != "trial build" || a.Keep || a.Best == nil || a.Built != nil {
		return ""
	}
	if a.Evidence[len(a.Evidence)-1].Earlier {
		return l.say("Other shims went in after that: measure the float of the trial build again.")
	}
	return l.say("Change the packs, say so (fitted), and measure the float again.")
}

func (l *Language) warm(a session.Advice) string {
	if a.WarmFloat == nil {
		return ""
	}
	float := l.Float(session.Fit{EndFloat: *a.WarmFloat, Expanded: a.WarmExpanded})
	if a.WarmFloat.IsNegative() {
		return l.say("At running temperature the float is about %s: below zero the shaft is clamped.", float)
	}
	return l.say("At running temperature the float is about %s.", float)
}
