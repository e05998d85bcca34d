package wording

import (
	"fmt"
	"math"

	"shimwright/calc"
	"shimwright/session"
	"shimwright/session/history"
)

// Offered says where the value comes from that an instrument's profile could state, to
// which the lines of Stateable are added, or why there is none yet.
func (l *Language) Offered(in *history.Instrument) string {
	o := in.Offer
	if o == nil {
		return l.say("%d degrees of freedom so far; from 8 on there is a value for its profile.", in.Freedom)
	}
	text := l.say("Its profile could state what it achieved")
	switch {
	case o.From != "":
		text += l.say(" at %s, where repeats scatter more than at its other steps, for a profile has one value for all", l.Text(o.From))
	case in.AtFloor && in.With == nil:
		text += l.say("; its repeats are as equal as its counts of %s let anybody see, and this is what rounding to them does by itself", l.exactly(in.Resolution))
	}
	if in.With != nil && !o.Without {
		text += l.say("; what was left out is in it, for it could be chance")
	}
	return text + ":"
}

// Stateable are the lines of a profile with what is offered; none without an offer.
func (l *Language) Stateable(in *history.Instrument) []string {
	if in.Offer == nil {
		return nil
	}
	return []string{fmt.Sprintf("repeatability_mm = %s", in.Offer.Repeatability), fmt.Sprintf("repeatability_degrees_of_freedom = %d", in.Offer.Freedom)}
}

// Contradicted says that what an instrument achieved contradicts what its profile states;
// empty if it does not. Where names the step, and is empty for all steps together.
func (l *Language) Contradicted(instrument, where string, achieved history.Scatter, stated *history.Stated) string {
	if stated == nil || achieved.Achieved == nil || stated.Achieved == "" {
		return ""
	}
	is, says := l.exactly(*achieved.Achieved), l.exactly(stated.Repeatability)
	text := l.say("%s: repeats scatter by %s, and its profile states %s", instrument, is, says)
	if where != "" {
		text = l.say("%s at %s: repeats scatter by %s, and its profile states %s", instrument, l.Text(where), is, says)
	}
	if stated.Achieved == history.Larger {
		return text + "; " + l.say("that is more than chance explains (F test, 99 %). Look for dirt, a loose jaw or a crooked seat, or state what it repeats to.")
	}
	return text + "; " + l.say("that is less than chance explains (F test, 99 %). What is stated makes advice less sure than it could be.")
}

// Agreed says how often what was found agreed with what was expected.
func (l *Language) Agreed(a *history.Agreement) string {
	n := len(a.Points)
	if n == 0 {
		return l.say("In %d jobs nothing could be compared, for an input was missing then.", a.NotCompared)
	}
	text := l.say("%[2]d of %[1]d jobs agreed (E_n from -1 to 1)", n, a.Agreed)
	switch d := *a.Difference; {
	case d > 0:
		text += l.say("; on average %s more was found than expected", l.millimetres(d))
	case d < 0:
		text += l.say("; on average %s less was found than expected", l.millimetres(-d))
	default:
		text += l.say("; on average as much was found as expected")
	}
	if a.NotCompared > 0 {
		text += l.say("; in %d further jobs nothing could be compared", a.NotCompared)
	}
	return text + "."
}

// Leaning says that what is found leans to one side, and where to look; empty if not.
func (l *Language) Leaning(a *history.Agreement) string {
	switch a.Leans {
	case history.Larger:
		return l.say("What is found tends to be more than expected, beyond chance (t test, 99 %): look for a cause that all jobs share, such as gasket crush, bearing play or a zero that nobody checked.")
	case history.Smaller:
		return l.say("What is found tends to be less than expected, beyond chance (t test, 99 %): look for a cause that all jobs share, such as gasket crush, bearing play or a zero that nobody checked.")
	}
	return ""
}

// ChartLimits says what the limits of a chart are, and whether they can be relied on.
func (l *Language) ChartLimits(a *history.Agreement) string {
	c := a.Chart
	if c == nil {
		return l.say("A control chart needs two jobs.")
	}
	text := l.say("Centre %s, limits %s and %s; limit of the change from job to job %s.", l.fixed(c.Centre, 2), l.fixed(c.Lower, 2), l.fixed(c.Upper, 2), l.fixed(c.RangeLimit, 2))
	if c.Provisional {
		text += l.say(" With fewer than %d jobs the limits are provisional: each job still moves them.", history.EnoughPoints)
	}
	return text
}

// LimitsRule says where the limits come from.
func (l *Language) LimitsRule() string {
	return l.say("Limits are the mean plus and minus 2.66 times the mean moving range, and 3.267 times it for the change from job to job (ISO 7870-2, charts for individuals).")
}

// Signal says what a chart shows that chance seldom brings.
func (l *Language) Signal(s history.Signal) string {
	switch s.Code {
	case calc.OutsideLimits:
		return l.say("Job %s lies %s the limits: find out what was different.", s.From, l.Text(s.Side))
	case calc.RangeAboveLimit:
		return l.say("From job %s to job %s the change is larger than its limit.", s.From, s.To)
	case calc.RowOnOneSide:
		return l.say("%d jobs in a row, %s to %s, lie %s the centre: something has shifted.", s.Count, s.From, s.To, l.Text(s.Side))
	}
	return l.sentence(spelled(s.Code, map[string]string{"from": s.From, "to": s.To}))
}

// StandsOut says that more presses did not count at a step, or of an operator there, than
// elsewhere.
func (l *Language) StandsOut(s history.Standout) string {
	who, others := "", l.say("at the plan's other steps")
	if s.Operator != "" {
		who, others = l.say(" of %s", s.Operator), l.say("of others there")
	}
	text := l.say("%s: %d of %d presses%s did not count, %s %d of %d", s.Step, s.Astray, s.Presses, who, others, s.ElseAstray, s.ElsePresses)
	if most := l.mostly(s.Mostly); most != "" {
		text += l.say("; most %s", most)
	}
	if s.Operator != "" {
		return text + ". " + l.say("It may be the habit, the hour or the parts: measuring one part together would tell.")
	}
	return text + ". " + l.say("Look at the words, the range and the seat that the plan gives there.")
}

// mostly says what became of most presses that did not count.
func (l *Language) mostly(what string) string {
	switch what {
	case string(session.WrongInstrument):
		return l.say("came from the wrong instrument")
	case string(session.TooSoon):
		return l.say("came too soon")
	case "":
		return ""
	}
	return l.say("were %s", l.Text(what))
}

// Whither says what became of presses that did not count; empty if all did.
func (l *Language) Whither(p history.Presses) string {
	var parts []string
	for _, c := range []struct {
		n    int
		what string
	}{
		{p.LeftOut, "left out"}, {p.StruckOut, "struck out"}, {p.WrongInstrument, "wrong instrument"}, {p.TooSoon, "too soon"},
		{p.OutOfRange, "out of range"}, {p.SetAside, "set aside"},
	} {
		if c.n > 0 {
			parts = append(parts, l.say("%d %s", c.n, l.Text(c.what)))
		}
	}
	if p.Unsettled > 0 {
		parts = append(parts, l.say("unsettled in %d jobs", p.Unsettled))
	}
	return l.list(parts)
}

// En writes E_n with its sign.
func (l *Language) En(en float64) string {
	return l.number(fmt.Sprintf("%+.2f", math.Round(en*100)/100+0))
}

// Way names how a chain was measured directly: the gap by check gap or trial build, or the
// float of the built engine.
func (l *Language) Way(a *history.Agreement) string {
	if a.Way == history.BuiltEngine {
		return l.Text(a.Way)
	}
	return l.say("gap by %s", l.Text(a.Way))
}
