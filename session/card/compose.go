package card

import (
	"errors"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"shimwright/session"
	"shimwright/session/drawing"
	"shimwright/session/wording"
)

// errNoJob says that there is nothing to make a card of.
var errNoJob = errors.New("there is no job to make a card of")

// compose puts the card together: whole if it fits a few pages, else as a brief with an
// annex.
func compose(j Job) (document, error) {
	if j.Snapshot.Job == nil {
		return document{}, errNoJob
	}
	l, err := newLetters()
	if err != nil {
		return document{}, err
	}
	c := composer{Job: j, job: *j.Snapshot.Job, letters: l, l: j.Language}
	if c.l == nil {
		c.l = wording.English
	}
	if c.Zone == nil {
		c.Zone = time.UTC
	}
	for _, r := range j.Snapshot.Readings {
		if r.Job == c.job.Number {
			c.readings = append(c.readings, r)
		}
	}
	d := document{Number: c.job.Number, Name: c.l.Say("Job card %s", c.job.Number), Language: c.l, Title: c.l.Text(c.job.Title), Made: j.Snapshot.Time.UTC(), End: c.l.Say("End of the card of job %s.", c.job.Number), Most: fewestPages}
	if d.Sections, err = c.whole(); err != nil {
		return document{}, err
	}
	s, err := d.sheets(sizes()[len(sizes())-1], fewestPages)
	if err != nil {
		return document{}, err
	}
	if s.f.PageCount() > fewestPages {
		d.Most = mostPages
		d.Sections, err = c.split()
	}
	d.Sections = slices.DeleteFunc(d.Sections, func(s section) bool { return len(s.Blocks) == 0 })
	return d, err
}

// whole is the card of a small job.
func (c *composer) whole() ([]section, error) {
	sections := []section{c.head()}
	for i := range c.Snapshot.Advice {
		s, err := c.advice(i)
		if err != nil {
			return nil, err
		}
		sections = append(sections, s)
	}
	seal, err := c.evidence()
	return append(sections, c.measured(), c.compared(), c.limits(), c.seats(), c.screws(), c.done(),
		c.findings(true), c.corrections(), c.repeats(), c.instruments(), c.cautions(), seal), err
}

// A composer makes the sections of one card.
type composer struct {
	Job
	job      session.JobView
	readings []session.ReadingView
	letters  *letters
	l        *wording.Language
}

func (c *composer) clock(t time.Time) string { return t.In(c.Zone).Format("2006-01-02 15:04 -07:00") }

// head says whose card it is.
func (c *composer) head() section {
	ended := c.l.Say("not yet: this card is not the last word")
	if !c.Ended.IsZero() {
		ended = joined(c.clock(c.Ended), c.by(c.EndedBy))
	}
	s := c.Snapshot
	rows := [][]string{
		{c.l.Say("for"), c.orNone(c.job.Reference), c.l.Say("plan"), c.job.Plan},
		{c.l.Say("begun"), joined(c.clock(c.job.Began), c.by(c.job.Operator)), c.l.Say("ended"), ended},
		{c.l.Say("bench"), joined(s.Bench, s.Software), c.l.Say("log"), c.l.Say("entries %d to %d, method %s", int(c.First), int(c.Last), s.Method)},
	}
	blocks := []block{{Rows: rows, Share: []float64{0.08, 0.42, 0.08, 0.42}}}
	if len(c.Parts) > 0 {
		blocks = append(blocks, para(c.l.Say("Parts: %s.", c.parts())))
	}
	if c.Note != "" {
		blocks = append(blocks, para(c.l.Say("Note at the end: %s", c.Note)))
	}
	return section{Blocks: blocks}
}

// parts lists the parts and what they are made of.
func (c *composer) parts() string {
	parts := make([]string, len(c.Parts))
	for i, p := range c.Parts {
		parts[i] = c.l.Text(p.Title)
		if p.Title == "" {
			parts[i] = p.Name
		}
		if p.Material != "" {
			parts[i] += " (" + c.l.Text(p.Material) + ")"
		}
	}
	return strings.Join(parts, ", ")
}

func joined(parts ...string) string {
	return strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" }), ", ")
}

// by names who did something; empty for nobody.
func (c *composer) by(name string) string {
	if name == "" {
		return ""
	}
	return c.l.Say("by %s", name)
}

// number is that of a certificate; empty for none.
func (c *composer) number(of string) string {
	if of == "" {
		return ""
	}
	return c.l.Say("no. %s", of)
}

// u writes a length with all its decimals, such as an uncertainty.
func (c *composer) u(n session.Number) string { return c.l.Exact(n) + " " + c.l.LengthUnit() }

// amount writes a value of a quantity with all its decimals.
func (c *composer) amount(n session.Number, q session.Quantity) string {
	if q == session.OfLength {
		return c.u(n)
	}
	return c.l.Number(n) + " " + c.l.Unit(q)
}

// with says what a step is measured with, and in which use.
func (c *composer) with(s session.StepView) string {
	return joined(c.l.Kind(s.Instrument), c.l.Use(s.Use))
}

func (c *composer) orNone(text string) string {
	if text == "" {
		return c.l.Say("not given")
	}
	return text
}

// advice shows one chain: what to fit, how sure that is and by what rule.
func (c *composer) advice(i int) (section, error) {
	a := c.Snapshot.Advice[i]
	s := section{Title: c.l.Text(a.Title), Blocks: []block{strong(plusMinus(c.l.Headline(a)))}}
	picture, err := pictured(drawing.Section(c.l, c.Snapshot, i), 0.52)
	if err != nil {
		return s, err
	}
	scale, err := pictured(drawing.Scale(c.l, a), 1)
	if err != nil {
		return s, err
	}
	picture.Beside = append(scale.some(), block{Rows: c.fitted(a, c.Snapshot.Job.Fitted), Share: []float64{0.38, 0.62}})
	s.Blocks = append(s.Blocks, picture)
	if rows := c.decided(a); len(rows) > 0 {
		s.Blocks = append(s.Blocks, block{Rows: rows, Share: []float64{0.14, 0.86}})
	}
	s.Blocks = append(s.Blocks, para(plusMinus(c.l.Why(a))))
	if a.Best != nil && !a.NoShims {
		s.Blocks = append(s.Blocks, para(c.l.Say("Fitted as advised: [__] yes [__] no, but: ______________________________ date, name: ______________________")))
	}
	return s, nil
}

// pictured is what package drawing drew as a block.
func pictured(svg string, width float64) (block, error) {
	if svg == "" {
		return block{}, nil
	}
	f, err := readDrawing(svg)
	return block{Picture: f, Width: width}, err
}

// some is the block, or none if it holds no picture.
func (b block) some() []block {
	if b.Picture == nil {
		return nil
	}
	return []block{b}
}

// fitted lists what to fit and what to expect.
func (c *composer) fitted(a session.Advice, in []session.FittedView) [][]string {
	rows := [][]string{{c.l.Say("window"), c.l.Say("%s, aim %s", c.l.Window(a), c.l.Exact(a.Aim))}}
	if a.Gap != nil && !a.NoShims {
		rows = append(rows, []string{c.l.Say("gap"), plusMinus(c.l.Gap(a))})
	}
	if a.Best != nil {
		for _, row := range c.l.FitRows(*a.Best) {
			rows = append(rows, []string{row[0], plusMinus(row[1])})
		}
	}
	if a.CheckFound != nil {
		rows = append(rows, []string{c.l.Say("found"), c.l.Length(*a.CheckFound)})
	}
	for _, e := range a.Evidence {
		if e.Way == "trial build" {
			rows = append(rows, []string{c.l.Text(e.Way), c.l.Say("%s with %s", c.l.Length(e.Found), c.l.Fit(session.Fit{Packs: e.Packs}))})
		}
	}
	if b := a.Built; b != nil {
		rows = append(rows, []string{c.l.Say("built engine"), plusMinus(c.l.Float(session.Fit{EndFloat: b.Float, Expanded: &b.Expanded})) + ", " + c.l.Text(b.Outcome)},
			[]string{c.l.Say("built with"), c.l.Fit(session.Fit{Packs: b.Packs})})
	}
	for _, f := range in {
		if f.Chain == a.Chain {
			rows = append(rows, []string{c.l.Say("fitted"), c.l.Fitted(f)})
		}
	}
	return rows
}

// decided lists by what rule the outcome was found, and how sure it is.
func (c *composer) decided(a session.Advice) [][]string {
	var rows [][]string
	if a.Best != nil && a.Best.Chance != nil {
		p := a.Best.Chance
		tight, loose := c.l.Sides(a)
		rows = append(rows, []string{c.l.Say("outcome"), c.l.Say("%s; probability inside %s, %s %s, %s %s", c.l.Text(a.Best.Outcome), c.percent(p.Inside), tight, c.percent(p.TooTight), loose, c.percent(p.TooLoose))})
	}
	if b := a.Budget; b != nil {
		rows = append(rows, []string{c.l.Say("decision rule"), c.rule(a)},
			[]string{c.l.Say("± means"), c.l.Say("an interval that holds the value with %s probability (gap: standard uncertainty %s, k = %s)", c.percentOf(b.Coverage), c.u(b.U), c.l.Fixed(b.K, 2))})
		if text := c.causes(*b); text != "" {
			rows = append(rows, []string{c.l.Say("it comes from"), text})
		}
	}
	return rows
}

func (c *composer) rule(a session.Advice) string {
	text := c.l.Say("%s; shown inside needs at least %s probability inside", a.Budget.Edition, c.percentOf(a.Budget.Level))
	if g := a.Best.Guard; g != nil {
		text += c.l.Say(" and a distance of %s, the guard band, from both ends of the window", c.u(*g))
	}
	return text
}

// causes names the biggest causes of uncertainty.
func (c *composer) causes(b session.BudgetView) string {
	var parts []string
	for _, line := range b.Lines[:min(len(b.Lines), 3)] {
		parts = append(parts, c.l.Cause(line.Name)+" "+c.percent(line.Share))
	}
	if rest := len(b.Lines) - 3; rest > 0 {
		parts = append(parts, c.l.Say("%d more causes", rest))
	}
	return strings.Join(parts, "; ")
}

func (c *composer) percent(p float64) string {
	switch {
	case p < 0.001: // it is known to four decimals
		return c.l.Say("under %s", c.l.Fixed(0.1, 1)+" %")
	case p > 0.999:
		return c.l.Say("over %s", c.l.Fixed(99.9, 1)+" %")
	}
	return c.l.Fixed(p*100, 1) + " %"
}

func (c *composer) percentOf(n session.Number) string {
	return fmt.Sprintf("%g %%", n.InexactFloat64()*100)
}

// plusMinus writes the sign, which plain text on a terminal spells out.
func plusMinus(text string) string {
	return regexp.MustCompile(`\+/- ([0-9])`).ReplaceAllString(text, "± $1")
}

// measured lists the value of each step.
func (c *composer) measured() section {
	t := block{
		Head: []string{"", c.l.Say("dimension"), c.l.Say("with"), c.l.Say("counted"), c.l.Say("left out"), c.l.Say("value in %s", c.l.LengthUnitName()),
			c.l.Say("with all"), c.l.Say("bar taken off"), c.l.Say("u of the mean")},
		Share: []float64{0.04, 0.31, 0.17, 0.07, 0.07, 0.09, 0.09, 0.08, 0.08},
		Right: []bool{true, false, false, true, true, true, true, true, true},
	}
	spread, notes := c.spreads(), []string{}
	for _, s := range c.job.Steps {
		if s.Kind != session.MeasureStep && s.Kind != "" {
			continue
		}
		counted, left := 0, 0
		for _, p := range s.Places {
			counted, left = counted+p.Counted, left+p.LeftOut
		}
		value, note := c.value(s)
		if note != "" {
			notes = append(notes, note)
		}
		t.Rows = append(t.Rows, []string{
			fmt.Sprint(s.Number), c.l.Text(s.Title), c.with(s), fmt.Sprint(counted), fmt.Sprint(left), value,
			c.withAll(s), c.length(s.Bar), spread[s.Name],
		})
	}
	blocks := []block{t}
	for _, note := range notes {
		blocks = append(blocks, small(note))
	}
	return section{Title: c.l.Say("What was measured"), Blocks: append(blocks, small(c.l.Say("Values are means of the counted repeats with the bar taken off, before known errors are corrected; u is the standard uncertainty that the repeats and the resolution alone leave. What instruments and temperature add is in the ± of the gap.")))}
}

// value is a step's value, marked where it is not the last word, and what the mark means.
func (c *composer) value(s session.StepView) (value, note string) {
	amount, q := s.Amount()
	value = c.length(amount)
	if amount != nil && q != session.OfLength {
		value = c.l.Amount(amount, q)
	}
	switch {
	case amount == nil && s.Skipped != nil:
		value = c.l.Say("not needed")
	case amount == nil:
		value = c.l.Say("open")
	case s.Unsettled:
		return value + "**", c.l.Say("** %s is not settled: its repeats do not agree.", c.l.Text(s.Title))
	case !s.Closed:
		return value + "*", c.l.Say("* %s was not closed: the value is that of the repeats it has.", c.l.Text(s.Title))
	}
	return value, ""
}

func (c *composer) withAll(s session.StepView) string {
	value, _ := s.Amount()
	all := s.AmountWithAll()
	if all == nil || value != nil && all.Equal(value.Decimal) {
		return ""
	}
	return c.length(all)
}

func (c *composer) length(n *session.Number) string {
	if n == nil {
		return ""
	}
	return c.l.Decimals(*n)
}

// spreads are the standard uncertainties of the means, by step, where they are known.
func (c *composer) spreads() map[string]string {
	known := map[string]string{}
	for _, a := range c.Snapshot.Advice {
		if a.Budget == nil {
			continue
		}
		for _, line := range a.Budget.Lines {
			if step, ok := strings.CutPrefix(line.Name, "repeats of "); ok {
				known[step] = c.l.Exact(session.Num(decimal.NewFromFloat(line.U).Round(4)))
			}
		}
	}
	return known
}

// findings lists what a person must look at; of waits only if they are told nowhere else.
func (c *composer) findings(waits bool) section {
	var said []string
	known := map[string]bool{}
	add := func(title string, findings []session.Reason) {
		for _, f := range findings {
			text := plusMinus(c.l.Finding(f))
			if !known[text] { // a chain repeats what its steps have found
				said = append(said, title+": "+text+".")
			}
			known[text] = true
		}
	}
	for _, s := range c.job.Steps {
		if waits || s.Wait == nil {
			add(c.l.Text(s.Title), s.Findings)
		}
	}
	for _, a := range c.Snapshot.Advice {
		add(c.l.Text(a.Title), a.Findings)
	}
	for _, f := range c.Snapshot.Fits {
		add(c.l.Text(f.Title), f.Findings)
	}
	return section{Title: c.l.Say("Findings"), Blocks: []block{listing(said, c.l.Say("None."))}}
}

// corrections lists the known errors taken off, and what was taken for granted.
func (c *composer) corrections() section {
	var said []string
	add := func(text string) {
		if !slices.Contains(said, text) {
			said = append(said, text)
		}
	}
	titles := map[string]string{}
	for _, s := range c.job.Steps {
		titles[s.Name] = c.l.Text(s.Title)
	}
	for _, w := range c.Warmth {
		add(c.l.Warmth(w, c.warm(w.Of)))
	}
	for _, a := range c.Snapshot.Advice {
		for _, k := range a.Corrections {
			title := titles[k.Term]
			if title == "" {
				title = k.Term
			}
			add(c.l.Corrected(k, title))
		}
		for _, r := range a.Barred {
			add(c.l.NotStated(r))
		}
		for _, r := range a.Assumed {
			add(c.l.Assumed(r))
		}
	}
	return section{Title: c.l.Say("Corrections and assumptions"), Blocks: []block{listing(said, c.l.Say("None."))}}
}

// warm names what has a temperature.
func (c *composer) warm(of string) string {
	if of == session.Shop {
		return c.l.Say("the shop")
	}
	for _, p := range c.Parts {
		if p.Name == of && p.Title != "" {
			return c.l.Text(p.Title)
		}
	}
	return of
}

// instruments lists with what was measured, and what is stated of its errors.
func (c *composer) instruments() section {
	t := block{
		Head:  []string{c.l.Say("instrument"), c.l.Say("kind"), c.l.Say("reads to"), c.l.Say("repeats to"), c.l.Say("permissible error"), c.l.Say("certificates")},
		Share: []float64{0.15, 0.13, 0.09, 0.1, 0.25, 0.28},
	}
	latest := map[string]int{}
	for i, p := range c.Profiles {
		latest[p.Name] = i
	}
	for i, p := range c.Profiles {
		if latest[p.Name] != i {
			continue
		}
		t.Rows = append(t.Rows, []string{p.Name, c.l.Kind(p.Kind), c.amount(p.Count(), p.Kind.Quantity()), c.amount(p.Spread(), p.Kind.Quantity()), c.permissible(p), c.certificates(p)})
	}
	s := section{Title: c.l.Say("Instruments"), Blocks: []block{t, small(c.l.Say("Read to: one count. Repeats to: standard deviation of single readings, as the instrument's profile states it."))}}
	if len(t.Rows) == 0 {
		s.Blocks = []block{para(c.l.Say("None was used."))}
	}
	return s
}

func (c *composer) permissible(p session.Profile) string {
	var parts []string
	for _, use := range slices.Sorted(maps.Keys(p.Permissible)) {
		parts = append(parts, c.l.Use(use)+" ± "+c.u(p.Permissible[use]))
	}
	for _, f := range []struct {
		limit *session.Number
		unit  string
	}{{p.PermissibleCel, "°C"}, {p.PermissibleNm, "N·m"}, {p.PermissiblePercent, "%"}} {
		if f.limit != nil {
			parts = append(parts, "± "+c.l.Number(*f.limit)+" "+f.unit)
		}
	}
	text := strings.Join(parts, ", ")
	if text == "" {
		text = c.l.Say("not stated")
	}
	if p.Assumed {
		text += " " + c.l.Say("(assumed, as usual for its kind)")
	}
	return text
}

func (c *composer) certificates(p session.Profile) string {
	var parts []string
	if p.CertificateNumber != "" {
		parts = append(parts, c.l.Say("no. %s", p.CertificateNumber))
	}
	if p.Due != "" {
		parts = append(parts, c.l.Say("next due %s", p.Due))
	}
	for _, k := range p.CertificatesNm {
		factor := "2"
		if k.Factor != nil {
			factor = k.Factor.String()
		}
		parts = append(parts, fmt.Sprintf("at %s N·m: error %s N·m, U %s N·m (k = %s)", k.At, k.Error, k.Expanded, factor))
	}
	for _, k := range p.CertificatesCel {
		factor := "2"
		if k.Factor != nil {
			factor = c.l.Number(*k.Factor)
		}
		parts = append(parts, c.l.Say("at %s °C: error %s °C, U %s °C (k = %s)", c.l.Number(k.At), c.l.Number(k.Error), c.l.Number(k.Expanded), factor))
	}
	for _, k := range p.Certificates {
		factor := "2"
		if k.Factor != nil {
			factor = c.l.Number(*k.Factor)
		}
		parts = append(parts, joined(c.number(k.Number), c.l.Say("%s at %s: error %s, U %s (k = %s)", c.l.Use(k.Use), c.u(k.At), c.u(k.Error), c.u(k.Expanded), factor)))
	}
	if len(parts) == 0 {
		return c.l.Say("none")
	}
	return strings.Join(parts, "; ")
}

func (c *composer) cautions() section {
	said := c.l.Texts(c.job.Cautions)
	for _, s := range c.job.Steps {
		for _, caution := range s.Cautions {
			said = append(said, c.l.Text(s.Title)+": "+c.l.Text(caution))
		}
	}
	return section{Title: c.l.Say("Cautions"), Blocks: []block{listing(said, c.l.Say("The plan states none."))}}
}

// evidence is what holds the log to its word.
func (c *composer) evidence() (section, error) {
	s := section{Title: c.l.Say("The log behind this card")}
	if c.Checkpoint == "" {
		s.Blocks = []block{para(c.l.Say("No checkpoint covers this job yet, so this card does not pin the log down. One is signed when a step closes and when the job ends; make the card again then."))}
		return s, nil
	}
	code, err := seal(strings.TrimSpace(c.Checkpoint + "\n" + c.PublicKey))
	if err != nil {
		return section{}, err
	}
	code.title = c.l.Say("QR code with the checkpoint and the public key, as they stand beside it")
	beside := []block{
		para(c.l.Say("The bench signed this checkpoint of its log. It holds the log to what it was then: whoever keeps this card can show later that entries were changed or cut off. Scan the code, or copy the lines below into a file, and check the log against them with")),
		{Lines: []string{"logctl verify --checkpoint FILE LOG"}},
		para(c.l.Say("The code holds the checkpoint and the public key, as they stand below.")),
	}
	lines := strings.Split(strings.TrimRight(c.Checkpoint, "\n"), "\n")
	s.Blocks = []block{{Picture: code, Width: 0.2, Beside: beside}, {Lines: lines}}
	if c.PublicKey != "" {
		s.Blocks = append(s.Blocks, small(c.l.Say("Public key:")), block{Lines: []string{c.PublicKey}})
	}
	return s, nil
}
