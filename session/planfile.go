package session

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"

	"shimwright/session/tomlfile"
)

// Bounds of a plan.
const (
	fewestRepeats = 2  // one reading alone proves nothing
	mostRepeats   = 50 // at a place
	mostPieces    = 6  // of shim on a side
	maxPlanText   = 1 << 20

	edition2017 = "ISO 14253-1:2017"
)

// ReadPlan reads and checks a plan. file is what messages call it. The error is
// a tomlfile.Problems that lists every mistake with its place in the file.
// What the plan includes must be in the text already, see ResolvePlan.
// Questions that the text still has are answered by their examples.
// Lengths of the result are in millimetres, defaults are filled in.
func ReadPlan(file string, text []byte) (Plan, error) {
	var p Plan
	doc, problems := tomlfile.Decode(file, withExamples(text), &p)
	if doc == nil {
		return Plan{}, problems
	}
	c := &planCheck{plan: &p, doc: doc, problems: problems}
	c.fillIn()
	c.include(file)
	c.asked()
	c.names()
	c.bars()
	for i := range p.Steps {
		c.step(i)
	}
	for i := range p.Chains {
		c.chain(i)
	}
	c.stock()
	c.choices()
	c.bearings()
	c.seats()
	c.settings()
	c.sizes()
	if len(c.problems) > 0 {
		slices.SortStableFunc(c.problems, func(a, b tomlfile.Problem) int {
			return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
		})
		return Plan{}, c.problems
	}
	p.expand()
	return p, nil
}

// planCheck collects what is wrong with a plan whose syntax is sound.
type planCheck struct {
	plan     *Plan
	doc      *tomlfile.Doc
	origins  map[string][]origin // per kind of item; none without an include
	problems tomlfile.Problems
}

func (c *planCheck) wrong(wrong, right string, path ...any) {
	doc, path := c.whence(path)
	c.problems = append(c.problems, doc.Problem(wrong, right, path...))
}

// fillIn sets what the file left out and converts inches to millimetres.
func (c *planCheck) fillIn() {
	p := c.plan
	if p.Unit == "" {
		p.Unit = Millimetre
	}
	for i := range p.Steps {
		s := &p.Steps[i]
		c.fillStep(i, s)
	}
	for i := range p.Chains {
		if p.Chains[i].Split == "" {
			p.Chains[i].Split = "even"
		}
	}
	p.eachLength(func(n *Number) { *n = p.Unit.ToMM(*n) })
	p.Unit = Millimetre
	for i := range p.Stock {
		p.Stock[i].Tolerance = cmp.Or(p.Stock[i].Tolerance, plain("0.01"))
	}
	p.Decision.Edition = cmp.Or(p.Decision.Edition, edition2017)
	p.Decision.Level = cmp.Or(p.Decision.Level, plain("0.95"))
	p.Decision.Coverage = cmp.Or(p.Decision.Coverage, plain("0.95"))
	t := &p.Temperature
	t.Within, t.Apart = cmp.Or(t.Within, plain("10")), cmp.Or(t.Apart, plain("3"))
	t.Warm, t.Cooling = cmp.Or(t.Warm, plain("8")), cmp.Or(t.Cooling, plain("15"))
}

// fillStep sets what the file left out of step i.
func (c *planCheck) fillStep(i int, s *Step) {
	s.Kind = cmp.Or(s.Kind, MeasureStep)
	if s.Caution != "" {
		s.Cautions, s.Caution = append([]string{s.Caution}, s.Cautions...), ""
	}
	if !c.has("step", i, "places") {
		s.Places = []string{""}
	}
	if s.Kind == TorqueStep {
		c.fillTorque(s)
	}
	if !s.Kind.measures() {
		return
	}
	if !c.has("step", i, "repeats") {
		s.Repeats = fewestRepeats
		if onceIsEnough(s.Instrument) {
			s.Repeats = 1
		}
	}
	s.Use = cmp.Or(s.Use, firstUse(s.Instrument))
	s.Governs = cmp.Or(s.Governs, "mean")
}

// plain makes a number from text in this program.
func plain(text string) *Number {
	return &Number{decimal.RequireFromString(text)}
}

// eachLength visits every length of the plan.
func (p *Plan) eachLength(visit func(*Number)) {
	optional := func(n *Number) {
		if n != nil {
			visit(n)
		}
	}
	for i := range p.Bars {
		optional(p.Bars[i].Thickness)
		optional(p.Bars[i].U)
		optional(p.Bars[i].Parallel)
	}
	for i := range p.Steps {
		if p.Steps[i].Instrument.Quantity() != OfLength {
			continue
		}
		for j := range p.Steps[i].Range {
			visit(&p.Steps[i].Range[j])
		}
		optional(p.Steps[i].Differ)
		optional(p.Steps[i].Least)
		optional(p.Steps[i].Most)
		optional(p.Steps[i].Reference)
		optional(p.Steps[i].ReferenceU)
	}
	for i := range p.Bearings {
		optional(p.Bearings[i].Play)
		optional(p.Bearings[i].PlayU)
	}
	for i := range p.Seats {
		optional(p.Seats[i].Diameter)
		optional(p.Seats[i].Clearance)
	}
	for i := range p.Chains {
		ch := &p.Chains[i]
		visit(&ch.Least)
		visit(&ch.Most)
		optional(ch.Aim)
		for j := range ch.Terms {
			optional(ch.Terms[j].Given)
			optional(ch.Terms[j].U)
		}
		for j := range ch.Sides {
			optional(ch.Sides[j].Fitted)
			optional(ch.Sides[j].Pack)
		}
	}
	for i := range p.Stock {
		visit(&p.Stock[i].Thickness)
		optional(p.Stock[i].Tolerance)
	}
}

// onceIsEnough tells whether one reading closes a place: a feeler is a pair, a screw is
// tightened once, and a thermometer stands still.
func onceIsEnough(k Kind) bool { return k == Feeler || k.Quantity() != OfLength }

// usesOf lists the uses that a kind of instrument has; the first is the usual one.
func usesOf(k Kind) []Use {
	switch k {
	case Caliper:
		return []Use{Outside, Inside, Depth, StepUse}
	case DepthGauge:
		return []Use{Depth, StepUse}
	case Micrometer:
		return []Use{Outside, Inside, Depth}
	case DialIndicator:
		return []Use{StepUse, GapCheck}
	case Feeler:
		return []Use{GapCheck}
	}
	return nil
}

func firstUse(k Kind) Use {
	if uses := usesOf(k); len(uses) > 0 {
		return uses[0]
	}
	return ""
}

// names checks the names that commands and topics use.
func (c *planCheck) names() {
	p := c.plan
	check := func(name string, path ...any) {
		if name != "" && !plainName(name) {
			c.wrong(fmt.Sprintf("%q cannot be typed as a name", name),
				"use small letters, digits and hyphens, like crank-width", path...)
		}
	}
	check(p.Name, "plan")
	check(p.Shims, "shims")
	for i, part := range p.Parts {
		check(part.Name, "part", i, "name")
		if part.Name == Shop {
			c.wrong(`"shop" is the air around the bench`, "call the part something else", "part", i, "name")
		}
	}
	for i, bar := range p.Bars {
		check(bar.Name, "bar", i, "name")
	}
	for i, s := range p.Steps {
		check(s.Name, "step", i, "name")
	}
	for i, ch := range p.Chains {
		check(ch.Name, "chain", i, "name")
	}
	for i, ch := range p.Choices {
		check(ch.Name, "choice", i, "name")
	}
	for i, s := range p.Seats {
		check(s.Name, "fit", i, "name")
	}
	if len(p.Steps) == 0 {
		c.wrong("the plan has no step", "add a [[step]] for each dimension to measure")
	}
	if len(p.Chains) == 0 && !slices.ContainsFunc(p.Steps, func(s Step) bool { return !s.Kind.measures() || s.limited() }) {
		c.wrong("the plan has no chain", "add a [[chain]] that sums the steps to a gap")
	}
}

func plainName(name string) bool {
	if len(name) > 64 {
		return false
	}
	return strings.Trim(name, "abcdefghijklmnopqrstuvwxyz0123456789-") == ""
}

func (c *planCheck) bars() {
	for i, bar := range c.plan.Bars {
		given, measured := bar.Thickness != nil, bar.Step != ""
		c.notNegative(bar.Parallel, "how far bar "+strconv.Quote(bar.Name)+" is from parallel", "bar", i, "parallel")
		if !given && !measured && c.plan.zeroes(bar.Name) {
			continue
		}
		if given == measured {
			c.wrong(fmt.Sprintf("bar %q needs either a thickness or a step that measures it", bar.Name),
				`give one of them: thickness = "10.00" or step = "bar-thickness"`, "bar", i)
			continue
		}
		c.notNegative(bar.U, "the uncertainty of bar "+strconv.Quote(bar.Name), "bar", i, "u")
		if given && !bar.Thickness.IsPositive() {
			c.wrong(fmt.Sprintf("bar %q is %s thick", bar.Name, bar.Thickness), "a thickness is above zero", "bar", i, "thickness")
		}
		if measured {
			at := c.plan.step(bar.Step)
			switch {
			case at < 0:
				c.noStep(bar.Step, "bar", i, "step")
			case c.notMeasured(at, "bar", i, "step"):
			case c.plan.Steps[at].Bar != "":
				c.wrong(fmt.Sprintf("step %q measures the bar and is itself measured over a bar", bar.Step),
					"measure a bar directly", "bar", i, "step")
			}
		}
	}
}

// zeroes tells whether a bar serves to zero an instrument on.
func (p *Plan) zeroes(bar string) bool {
	return slices.ContainsFunc(p.Steps, func(s Step) bool { return s.ZeroedOn == bar }) &&
		!slices.ContainsFunc(p.Steps, func(s Step) bool { return s.Bar == bar })
}

// zeroedOn checks the bar that a step's instrument is zeroed on.
func (c *planCheck) zeroedOn(i int, s Step) {
	switch {
	case s.ZeroedOn == "":
	case c.plan.bar(s.ZeroedOn) < 0:
		c.wrong(fmt.Sprintf("there is no bar %q", s.ZeroedOn), "add a [[bar]] with that name or correct it", "step", i, "zeroed_on")
	case s.Bar != "":
		c.wrong(fmt.Sprintf("step %q subtracts a bar and is zeroed on one", s.Name), "use either bar or zeroed_on", "step", i, "zeroed_on")
	case s.Reference != nil:
		c.wrong(fmt.Sprintf("step %q checks an instrument that is zeroed on a bar", s.Name), "check it with its own zero", "step", i, "zeroed_on")
	}
}

func (c *planCheck) noStep(name string, path ...any) {
	known := make([]string, len(c.plan.Steps))
	for i, s := range c.plan.Steps {
		known[i] = s.Name
	}
	c.wrong(fmt.Sprintf("there is no step %q", name), "the steps are "+strings.Join(known, ", "), path...)
}

// step checks step i: that it can be satisfied, and that what it names exists.
func (c *planCheck) step(i int) {
	s := c.plan.Steps[i]
	at := func(key string) []any { return []any{"step", i, key} }
	c.stepKeys(i, s)
	if s.Kind.measures() {
		c.stepRange(i, s)
		c.zeroedOn(i, s)
		c.stepRepeats(i, s)
	}
	if len(s.Places) == 0 && s.Kind != TorqueStep {
		c.wrong(fmt.Sprintf("step %q has an empty list of places, so it can never be satisfied", s.Name), "name at least one place, or leave the key out", at("places")...)
	}
	for j, place := range s.Places {
		if slices.Index(s.Places, place) < j && s.Kind != TorqueStep {
			c.wrong(fmt.Sprintf("place %q stands twice", place), "give each place a name of its own", at("places")...)
		}
	}
	if s.Part != "" && c.plan.part(s.Part) < 0 {
		c.wrong(fmt.Sprintf("there is no part %q", s.Part), "add a [[part]] with that name or correct it", at("part")...)
	}
	if s.Side != "" && !c.plan.hasSide(s.Side) {
		c.wrong(fmt.Sprintf("no chain has a side %q", s.Side), "name a side of a chain, or leave the key out", at("side")...)
	}
	if s.Instrument != "" && s.Use != "" && !slices.Contains(usesOf(s.Instrument), s.Use) {
		c.wrong(fmt.Sprintf("a %s does not measure %q", s.Instrument, s.Use), measuredUses(s.Instrument), at("use")...)
	}
	c.quantity(i, s)
	c.movement(i, s)
	c.reference(i, s)
	if s.Differ != nil && s.Differ.IsNegative() {
		c.wrong("places cannot differ by less than nothing", "give what they may differ by, like 0.03", at("places_may_differ")...)
	}
}

// quantity checks a step whose instrument measures no length: nothing of lengths
// belongs to it.
func (c *planCheck) quantity(i int, s Step) {
	q := s.Instrument.Quantity()
	if q == OfLength {
		return
	}
	no := func(given bool, key string) {
		if given {
			c.wrong(fmt.Sprintf("step %q measures a %s and has a %s", s.Name, q, key), "leave it out; it belongs to lengths", "step", i, key)
		}
	}
	no(s.Bar != "", "bar")
	no(s.ZeroedOn != "", "zeroed_on")
	no(s.Reference != nil, "reference")
	no(s.ReferenceU != nil, "reference_u")
	for _, n := range s.Range {
		if !q.measurable(n) || (q == OfTemperature && !isTemperature(n)) {
			c.wrong(fmt.Sprintf("%s is no %s that can be measured", n, q), "give the range in "+q.Unit().Word(), "step", i, "range")
		}
	}
}

// reference checks a step that checks its instrument.
func (c *planCheck) reference(i int, s Step) {
	if s.Reference == nil {
		if s.ReferenceU != nil {
			c.wrong(fmt.Sprintf("step %q has the uncertainty of a reference but no reference", s.Name), `give the length of the block: reference = "25.000"`, "step", i, "reference_u")
		}
		return
	}
	if s.Reference.IsPositive() && s.ReferenceU == nil {
		c.wrong(fmt.Sprintf("step %q checks against a block whose uncertainty is not stated", s.Name), `take it from the block's certificate: reference_u = "0.0005"`, "step", i, "reference")
	}
	c.notNegative(s.ReferenceU, "the uncertainty of the reference", "step", i, "reference_u")
	for j := range c.plan.Chains {
		if c.plan.Chains[j].uses(s.Name) {
			c.wrong(fmt.Sprintf("step %q checks an instrument and is a term of chain %q", s.Name, c.plan.Chains[j].Name), "measure the part in a step of its own", "step", i, "reference")
		}
	}
}

func (c *planCheck) notNegative(n *Number, what string, path ...any) {
	if n != nil && n.IsNegative() {
		c.wrong(fmt.Sprintf("%s is %s", what, n), "it cannot be below zero", path...)
	}
}

// within checks a setting against the bounds that make sense for it.
func (c *planCheck) within(n *Number, low, high, what string, path ...any) {
	if n != nil && (n.LessThan(plain(low).Decimal) || n.GreaterThan(plain(high).Decimal)) {
		c.wrong(fmt.Sprintf("%s of %s is not possible", what, n), fmt.Sprintf("give a number from %s to %s", low, high), path...)
	}
}

func (c *planCheck) bearings() {
	for i, b := range c.plan.Bearings {
		if at := c.plan.step(b.Step); at < 0 {
			c.noStep(b.Step, "bearing", i, "step")
		} else {
			c.notMeasured(at, "bearing", i, "step")
		}
		c.notNegative(b.Play, "the play of bearing "+strconv.Quote(b.Name), "bearing", i, "play")
		c.notNegative(b.PlayU, "the uncertainty of that play", "bearing", i, "play_u")
		if (b.Play == nil) != (b.PlayU == nil) {
			c.wrong(fmt.Sprintf("play and its uncertainty belong together at bearing %q", b.Name), "give play and play_u, or neither", "bearing", i)
		}
	}
}

// settings checks the decision rule, the temperatures and the materials.
func (c *planCheck) settings() {
	d, t := c.plan.Decision, c.plan.Temperature
	c.within(d.Level, "0.5", "0.999999", "a level", "decision", "level")
	c.within(d.Coverage, "0.5", "0.999999", "a coverage", "decision", "coverage")
	c.within(t.Within, "0", "60", "a shop temperature within", "temperature", "shop_within_kelvin")
	c.within(t.Apart, "0", "60", "a difference within", "temperature", "parts_within_kelvin")
	c.within(t.Warm, "0.5", "100", "a warm limit", "temperature", "warm_above_shop_kelvin")
	c.within(t.Cooling, "0.1", "600", "a half-time", "temperature", "cooling_half_minutes")
	for i, p := range c.plan.Parts {
		c.within(p.Expansion, "-5", "100", "an expansion", "part", i, "expansion_per_kelvin_e6")
		c.within(p.Running, "-60", "1000", "a running temperature", "part", i, "running_celsius")
	}
}

func measuredUses(k Kind) string {
	if len(usesOf(k)) == 0 {
		return "leave the use out; only what measures lengths has one"
	}
	return "it measures " + joinUses(usesOf(k))
}

func joinUses(uses []Use) string {
	words := make([]string, len(uses))
	for i, u := range uses {
		words[i] = fmt.Sprintf("%q", u)
	}
	return strings.Join(words, ", ")
}

func (c *planCheck) stepRange(i int, s Step) {
	if !c.has("step", i, "range") {
		return
	}
	if len(s.Range) != 2 {
		c.wrong(fmt.Sprintf("the range of step %q has %d numbers", s.Name, len(s.Range)), `give the lowest and the highest plausible reading: range = ["44.20", "44.60"]`, "step", i, "range")
		return
	}
	if !s.Range[0].LessThan(s.Range[1].Decimal) {
		c.wrong(fmt.Sprintf("the range of step %q runs from %s to %s, so it can never be satisfied", s.Name, s.Range[0], s.Range[1]),
			"write the lower number first", "step", i, "range")
	}
	if s.Bar == "" {
		return
	}
	at := c.plan.bar(s.Bar)
	if at < 0 {
		c.wrong(fmt.Sprintf("there is no bar %q", s.Bar), "add a [[bar]] with that name or correct it", "step", i, "bar")
		return
	}
	if t := c.plan.Bars[at].Thickness; t != nil && s.Range[1].LessThanOrEqual(t.Decimal) {
		c.wrong(fmt.Sprintf("step %q is read over a bar of %s, but its range ends at %s, so it can never be satisfied", s.Name, t, s.Range[1]),
			"the range is that of the reading, bar included", "step", i, "range")
	}
}

func (c *planCheck) stepRepeats(i int, s Step) {
	fewest := fewestRepeats
	if onceIsEnough(s.Instrument) {
		fewest = 1
	}
	switch {
	case s.Repeats < fewest:
		c.wrong(fmt.Sprintf("step %q asks for %d repeats", s.Name, s.Repeats), fmt.Sprintf("ask for %d or more; a single reading proves nothing", fewest), "step", i, "repeats")
	case s.Repeats > mostRepeats:
		c.wrong(fmt.Sprintf("step %q asks for %d repeats, so it will never be satisfied", s.Name, s.Repeats), fmt.Sprintf("ask for at most %d", mostRepeats), "step", i, "repeats")
	}
}

func (c *planCheck) chain(i int) {
	ch := c.plan.Chains[i]
	if !ch.Least.LessThan(ch.Most.Decimal) && c.has("chain", i, "least") && c.has("chain", i, "most") {
		c.wrong(fmt.Sprintf("the window of chain %q is upside down: least %s, most %s", ch.Name, ch.Least, ch.Most), "least must be below most", "chain", i, "least")
	} else if ch.Aim != nil && (ch.Aim.LessThan(ch.Least.Decimal) || ch.Aim.GreaterThan(ch.Most.Decimal)) {
		c.wrong(fmt.Sprintf("the aim %s lies outside the window %s to %s", ch.Aim, ch.Least, ch.Most), "aim inside the window, or leave the key out to aim at its middle", "chain", i, "aim")
	}
	if len(ch.Terms) == 0 {
		c.wrong(fmt.Sprintf("chain %q has no term", ch.Name), "add a [[chain.term]] for each dimension", "chain", i)
	}
	sound := len(ch.Terms) > 0
	for j := range ch.Terms {
		sound = c.term(i, j) && sound
	}
	c.sides(i)
	c.directSteps(i)
	c.centre(i)
	if sound && len(c.problems) == 0 {
		c.reachable(i)
	}
}

// centre checks what the rod is centred by.
func (c *planCheck) centre(i int) {
	ch := &c.plan.Chains[i]
	switch {
	case ch.Split != "centred" && ch.Centre == nil:
		return
	case ch.Split != "centred":
		c.wrong(fmt.Sprintf("chain %q says how to centre, but its split is %q", ch.Name, ch.Split), `write split = "centred", or leave centre out`, "chain", i, "centre")
		return
	case ch.Centre == nil:
		c.wrong(fmt.Sprintf("chain %q cannot be centred without its dimensions", ch.Name), `give centre = { rod = "STEP", axis = "STEP" }, or split = "even"`, "chain", i, "split")
		return
	case len(ch.Sides) != 2:
		c.wrong(fmt.Sprintf("chain %q needs two sides to be centred", ch.Name), `write split = "even"`, "chain", i, "split")
		return
	}
	for key, name := range map[string]string{"rod": ch.Centre.Rod, "axis": ch.Centre.Axis} {
		if at := c.plan.step(name); at < 0 {
			c.noStep(name, "chain", i, "centre", key)
		} else {
			c.notMeasured(at, "chain", i, "centre", key)
		}
	}
	if !slices.ContainsFunc(ch.Terms, func(t Term) bool { return c.plan.onSide(t, ch.Sides[0].Name) && t.Sign == "+" }) {
		c.wrong(fmt.Sprintf("no dimension of chain %q is measured on the %s", ch.Name, ch.Sides[0].Name), fmt.Sprintf("write side = %q in the step that measures its case half", ch.Sides[0].Name), "chain", i, "centre")
	}
}

// onSide tells whether a term is measured on a side.
func (p *Plan) onSide(t Term, side string) bool {
	return t.Step != "" && p.step(t.Step) >= 0 && p.Steps[p.step(t.Step)].Side == side
}

// directSteps checks the steps that measure a chain directly.
func (c *planCheck) directSteps(i int) {
	ch := &c.plan.Chains[i]
	for w, key := range [ways]string{"check", "trial", "built"} {
		name := [ways]string{ch.Check, ch.Trial, ch.Built}[w]
		if name == "" {
			continue
		}
		step := c.plan.step(name)
		if step < 0 {
			c.noStep(name, "chain", i, key)
			continue
		}
		if c.notMeasured(step, "chain", i, key) {
			continue
		}
		if ch.uses(name) {
			c.wrong(fmt.Sprintf("step %q cannot check the chain it is a term of", name), fmt.Sprintf("measure the %s in a step of its own", way(w)), "chain", i, key)
		}
		if at, first := c.plan.direct(step); at != i || first != way(w) {
			c.wrong(fmt.Sprintf("step %q measures chain %q directly already", name, c.plan.Chains[at].Name), "give each direct measurement a step of its own", "chain", i, key)
		}
	}
	if ch.Check != "" && len(ch.Sides) == 1 {
		c.wrong(fmt.Sprintf("chain %q has one side only, so there is no gap to check with the first side fitted", ch.Name), "leave check out; a trial build can measure it", "chain", i, "check")
	}
}

// term checks one term and tells whether it is sound.
func (c *planCheck) term(i, j int) bool {
	ch := c.plan.Chains[i]
	t := ch.Terms[j]
	path := []any{"chain", i, "term", j}
	if (t.Step != "") == (t.Given != nil) {
		c.wrong("a term needs either a step or a given value", `write step = "crank-width", or given = "0.50" with a name`, path...)
		return false
	}
	if t.Given != nil && t.Name == "" {
		c.wrong(fmt.Sprintf("the given value %s has no name", t.Given), `say what it is: name = "washer"`, path...)
		return false
	}
	c.termExtras(t, path)
	if t.Step == "" {
		return true
	}
	if c.plan.step(t.Step) < 0 {
		c.noStep(t.Step, append(path, "step")...)
		return false
	}
	if c.notMeasured(c.plan.step(t.Step), append(path, "step")...) {
		return false
	}
	if c.plan.Steps[c.plan.step(t.Step)].Half {
		c.wrong(fmt.Sprintf("the value of step %q is half of what is read, so it cannot be a term", t.Step), "measure the dimension itself", append(path, "step")...)
		return false
	}
	for k := range j {
		if ch.Terms[k].Step == t.Step {
			c.wrong(fmt.Sprintf("step %q is a term twice", t.Step), "name each step once", append(path, "step")...)
			return false
		}
	}
	return true
}

// termExtras checks what a term says of its uncertainty and of its crush.
func (c *planCheck) termExtras(t Term, path []any) {
	if t.U != nil && t.Given == nil {
		c.wrong("only a given value has its uncertainty in the plan", "leave u out; that of a step comes from its readings", append(path, "u")...)
	}
	c.notNegative(t.U, "the uncertainty u", append(path, "u")...)
	if !t.Gasket && (t.Crush != nil || t.CrushU != nil) {
		c.wrong("crush is given for a part that is no gasket", "add gasket = true, or leave it out", path...)
	}
	if (t.Crush == nil) != (t.CrushU == nil) {
		c.wrong("crush and its uncertainty belong together", "give crush and crush_u, or neither", path...)
	}
	c.within(t.Crush, "0", "0.9", "a crush", append(path, "crush")...)
	c.within(t.CrushU, "0", "0.5", "the uncertainty of a crush", append(path, "crush_u")...)
}

func (c *planCheck) sides(i int) {
	ch := c.plan.Chains[i]
	if ch.plainSum() {
		c.sumSides(i)
	}
	if n := len(ch.Sides); n > 2 {
		c.wrong(fmt.Sprintf("chain %q has %d sides for shims", ch.Name, n), "give at most two [[chain.side]], the one that is fitted first at the top", "chain", i)
	}
	for j, s := range ch.Sides {
		path := []any{"chain", i, "side", j}
		if s.Fewest < 0 || s.Most < s.Fewest || s.Most > mostPieces {
			c.wrong(fmt.Sprintf("side %q takes from %d to %d shims", s.Name, s.Fewest, s.Most), fmt.Sprintf("fewest is at most most, and most at most %d", mostPieces), append(path, "most")...)
		}
		if s.Fitted != nil && s.Fitted.IsNegative() {
			c.wrong(fmt.Sprintf("what is fitted on side %q is negative", s.Name), "give the thickness that stays there", append(path, "fitted")...)
		}
		wants := ch.Split == "first fixed" && j == 0
		if wants && s.Pack == nil {
			c.wrong(fmt.Sprintf("side %q is fixed first but has no pack", s.Name), `give its thickness: pack = "0.30"`, path...)
		}
		if !wants && s.Pack != nil {
			c.wrong(fmt.Sprintf("side %q has a pack, but the split is %q", s.Name, ch.Split), `only the first side has a pack, with split = "first fixed"`, append(path, "pack")...)
		}
	}
}

// reachable refuses a chain whose window no plausible reading can reach.
func (c *planCheck) reachable(i int) {
	ch := c.plan.Chains[i]
	low, high := decimal.Zero, decimal.Zero
	for _, t := range ch.Terms {
		a, b := c.plan.termRange(t)
		if t.Sign == "-" {
			a, b = b.Neg(), a.Neg()
		}
		low, high = low.Add(a), high.Add(b)
	}
	thinnest, thickest := c.plan.packBounds(ch)
	if high.Sub(thinnest).LessThan(ch.Least.Decimal) || low.Sub(thickest).GreaterThan(ch.Most.Decimal) {
		c.wrong(fmt.Sprintf("by the ranges of its steps the gap of chain %q is %s to %s, and with %s to %s of shim the window can never be reached", ch.Name, worked(low), worked(high), worked(thinnest), worked(thickest)),
			"check signs, ranges, window and stock", "chain", i)
	}
}

// termRange is the plausible range of a term's value, bar subtracted.
func (p *Plan) termRange(t Term) (low, high decimal.Decimal) {
	if t.Given != nil {
		return t.Given.Decimal, t.Given.Decimal
	}
	s := p.Steps[p.step(t.Step)]
	low, high = s.Range[0].Decimal, s.Range[1].Decimal
	if s.Bar == "" {
		return low, high
	}
	bar := p.Bars[p.bar(s.Bar)]
	if bar.Thickness != nil {
		return low.Sub(bar.Thickness.Decimal), high.Sub(bar.Thickness.Decimal)
	}
	r := p.Steps[p.step(bar.Step)].Range
	return low.Sub(r[1].Decimal), high.Sub(r[0].Decimal)
}

// packBounds bounds the total of shim that the stock allows on all sides.
func (p *Plan) packBounds(ch Chain) (thinnest, thickest decimal.Decimal) {
	low, high := decimal.Zero, decimal.Zero
	for i, s := range p.Stock {
		if i == 0 || s.Thickness.LessThan(low) {
			low = s.Thickness.Decimal
		}
		high = decimal.Max(high, s.Thickness.Decimal)
	}
	for _, s := range ch.Sides {
		if s.Fitted != nil {
			thinnest, thickest = thinnest.Add(s.Fitted.Decimal), thickest.Add(s.Fitted.Decimal)
		}
		thinnest = thinnest.Add(low.Mul(decimal.NewFromInt(int64(s.Fewest))))
		thickest = thickest.Add(high.Mul(decimal.NewFromInt(int64(s.Most))))
	}
	return thinnest, thickest
}

// mostPacks is how many packs a side may take, so that every choice can be looked at.
const mostPacks = 65_536

// sizes refuses numbers and stocks that the arithmetic does not take.
func (c *planCheck) sizes() {
	c.plan.eachLength(func(n *Number) {
		if !measurable(*n) {
			c.wrong(fmt.Sprintf("the length %s mm is no length that can be measured", n), fmt.Sprintf("use at most %d decimals of a millimetre, and less than a kilometre", mostPlaces))
		}
	})
	for i, ch := range c.plan.Chains {
		for j, s := range ch.Sides {
			packs := 1
			for k := 1; k <= s.Most && packs <= mostPacks; k++ {
				packs = packs * (len(c.plan.Stock) + k) / k
			}
			if packs > mostPacks {
				c.wrong(fmt.Sprintf("%d shim sizes with up to %d a side make more than %d packs", len(c.plan.Stock), s.Most, mostPacks), "allow fewer pieces a side, or leave sizes out", "chain", i, "side", j, "most")
			}
		}
	}
}

func (c *planCheck) stock() {
	for i, s := range c.plan.Stock {
		if !s.Thickness.IsPositive() {
			c.wrong(fmt.Sprintf("a shim of %s is no shim", s.Thickness), "a thickness is above zero", "stock", i, "thickness")
		}
		if s.Count < 0 {
			c.wrong(fmt.Sprintf("there cannot be %d shims of %s", s.Count, s.Thickness), "count what is on hand", "stock", i, "count")
		}
		c.notNegative(s.Tolerance, "the tolerance of a shim", "stock", i, "tolerance")
		if s.Least < 0 {
			c.wrong(fmt.Sprintf("there cannot be a minimum of %d shims", s.Least), "say how many should be on hand", "stock", i, "least")
		}
		for j := range i {
			if c.plan.Stock[j].Thickness.Equal(s.Thickness.Decimal) {
				c.wrong(fmt.Sprintf("shims of %s stand twice in the stock", s.Thickness), "add the counts up in one place", "stock", i, "thickness")
			}
		}
	}
}

// step finds a step by name; -1 if there is none.
func (p *Plan) step(name string) int {
	return slices.IndexFunc(p.Steps, func(s Step) bool { return s.Name == name })
}

// chain finds a chain by name; -1 if there is none.
func (p *Plan) chain(name string) int {
	return slices.IndexFunc(p.Chains, func(ch Chain) bool { return ch.Name == name })
}

// bar finds a bar by name; -1 if there is none.
func (p *Plan) bar(name string) int {
	return slices.IndexFunc(p.Bars, func(b Bar) bool { return b.Name == name })
}

// part finds a part by name; -1 if there is none.
func (p *Plan) part(name string) int {
	return slices.IndexFunc(p.Parts, func(part Part) bool { return part.Name == name })
}

func (p *Plan) hasSide(name string) bool {
	for _, ch := range p.Chains {
		if slices.ContainsFunc(ch.Sides, func(s Side) bool { return s.Name == name }) {
			return true
		}
	}
	return false
}

// uses tells whether a step is a term of the chain.
func (ch *Chain) uses(step string) bool {
	return slices.ContainsFunc(ch.Terms, func(t Term) bool { return t.Step == step })
}

// aim is the float to aim at: the plan's, or the middle of the window.
func (ch *Chain) aim() Number {
	if ch.Aim != nil {
		return *ch.Aim
	}
	return worked(middle(ch.Least, ch.Most))
}
