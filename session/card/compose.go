package card

import (
	"errors"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"

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
	c := composer{Job: j, job: *j.Snapshot.Job, letters: l}
	if c.Zone == nil {
		c.Zone = time.UTC
	}
	for _, r := range j.Snapshot.Readings {
		if r.Job == c.job.Number {
			c.readings = append(c.readings, r)
		}
	}
	d := document{Number: c.job.Number, Title: c.job.Title, Made: j.Snapshot.Time.UTC(), End: "End of the card of job " + c.job.Number + ".", Most: fewestPages}
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
}

func (c *composer) clock(t time.Time) string { return t.In(c.Zone).Format("2006-01-02 15:04 -07:00") }

// head says whose card it is.
func (c *composer) head() section {
	ended := "not yet: this card is not the last word"
	if !c.Ended.IsZero() {
		ended = joined(c.clock(c.Ended), prefixed("by ", c.EndedBy))
	}
	s := c.Snapshot
	rows := [][]string{
		{"for", orNone(c.job.Reference), "plan", c.job.Plan},
		{"begun", joined(c.clock(c.job.Began), prefixed("by ", c.job.Operator)), "ended", ended},
		{"bench", joined(s.Bench, s.Software), "log", fmt.Sprintf("entries %d to %d, method %s", c.First, c.Last, s.Method)},
	}
	blocks := []block{{Rows: rows, Share: []float64{0.08, 0.42, 0.08, 0.42}}}
	if len(c.Parts) > 0 {
		blocks = append(blocks, para("Parts: "+c.parts()+"."))
	}
	if c.Note != "" {
		blocks = append(blocks, para("Note at the end: "+c.Note))
	}
	return section{Blocks: blocks}
}

// parts lists the parts and what they are made of.
func (c *composer) parts() string {
	parts := make([]string, len(c.Parts))
	for i, p := range c.Parts {
		parts[i] = p.Title
		if p.Title == "" {
			parts[i] = p.Name
		}
		if p.Material != "" {
			parts[i] += " (" + p.Material + ")"
		}
	}
	return strings.Join(parts, ", ")
}

func joined(parts ...string) string {
	return strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" }), ", ")
}

func prefixed(prefix, text string) string {
	if text == "" {
		return ""
	}
	return prefix + text
}

func orNone(text string) string {
	if text == "" {
		return "not given"
	}
	return text
}

// advice shows one chain: what to fit, how sure that is and by what rule.
func (c *composer) advice(i int) (section, error) {
	a := c.Snapshot.Advice[i]
	s := section{Title: a.Title, Blocks: []block{strong(plusMinus(wording.English.Headline(a)))}}
	picture, err := pictured(drawing.Section(wording.English, c.Snapshot, i), 0.52)
	if err != nil {
		return s, err
	}
	scale, err := pictured(drawing.Scale(wording.English, a), 1)
	if err != nil {
		return s, err
	}
	picture.Beside = append(scale.some(), block{Rows: fitted(a, c.Snapshot.Job.Fitted), Share: []float64{0.38, 0.62}})
	s.Blocks = append(s.Blocks, picture)
	if rows := decided(a); len(rows) > 0 {
		s.Blocks = append(s.Blocks, block{Rows: rows, Share: []float64{0.14, 0.86}})
	}
	s.Blocks = append(s.Blocks, para(plusMinus(wording.English.Why(a))))
	if a.Best != nil && !a.NoShims {
		s.Blocks = append(s.Blocks, para("Fitted as advised: [__] yes [__] no, but: ______________________________ date, name: ______________________"))
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
func fitted(a session.Advice, in []session.FittedView) [][]string {
	rows := [][]string{{"window", wording.English.Window(a) + ", aim " + a.Aim.String()}}
	if a.Gap != nil && !a.NoShims {
		rows = append(rows, []string{"gap", plusMinus(wording.English.Gap(a))})
	}
	if a.Best != nil {
		for _, row := range wording.English.FitRows(*a.Best) {
			rows = append(rows, []string{row[0], plusMinus(row[1])})
		}
	}
	if a.CheckFound != nil {
		rows = append(rows, []string{"found", wording.English.Decimals(*a.CheckFound) + " mm"})
	}
	for _, e := range a.Evidence {
		if e.Way == "trial build" {
			rows = append(rows, []string{e.Way, wording.English.Decimals(e.Found) + " mm with " + wording.English.Fit(session.Fit{Packs: e.Packs})})
		}
	}
	if b := a.Built; b != nil {
		rows = append(rows, []string{"built engine", plusMinus(wording.English.Float(session.Fit{EndFloat: b.Float, Expanded: &b.Expanded})) + ", " + b.Outcome},
			[]string{"built with", wording.English.Fit(session.Fit{Packs: b.Packs})})
	}
	for _, f := range in {
		if f.Chain == a.Chain {
			rows = append(rows, []string{"fitted", wording.English.Fitted(f)})
		}
	}
	return rows
}

// decided lists by what rule the outcome was found, and how sure it is.
func decided(a session.Advice) [][]string {
	var rows [][]string
	if a.Best != nil && a.Best.Chance != nil {
		p := a.Best.Chance
		tight, loose := wording.English.Sides(a)
		rows = append(rows, []string{"outcome", fmt.Sprintf("%s; probability inside %s, %s %s, %s %s", a.Best.Outcome, percent(p.Inside), tight, percent(p.TooTight), loose, percent(p.TooLoose))})
	}
	if b := a.Budget; b != nil {
		rows = append(rows, []string{"decision rule", rule(a)},
			[]string{"± means", fmt.Sprintf("an interval that holds the value with %s probability (gap: standard uncertainty %s mm, k = %.2f)", percentOf(b.Coverage), b.U, b.K)})
		if text := causes(*b); text != "" {
			rows = append(rows, []string{"it comes from", text})
		}
	}
	return rows
}

func rule(a session.Advice) string {
	text := fmt.Sprintf("%s; shown inside needs at least %s probability inside", a.Budget.Edition, percentOf(a.Budget.Level))
	if g := a.Best.Guard; g != nil {
		text += fmt.Sprintf(" and a distance of %s mm, the guard band, from both ends of the window", g)
	}
	return text
}

// causes names the biggest causes of uncertainty.
func causes(b session.BudgetView) string {
	var parts []string
	for _, line := range b.Lines[:min(len(b.Lines), 3)] {
		parts = append(parts, fmt.Sprintf("%s %s", line.Name, percent(line.Share)))
	}
	if rest := len(b.Lines) - 3; rest > 0 {
		parts = append(parts, fmt.Sprintf("%d more causes", rest))
	}
	return strings.Join(parts, "; ")
}

func percent(p float64) string {
	switch {
	case p < 0.001: // it is known to four decimals
		return "under 0.1 %"
	case p > 0.999:
		return "over 99.9 %"
	}
	return fmt.Sprintf("%.1f %%", p*100)
}

func percentOf(n session.Number) string { return fmt.Sprintf("%g %%", n.InexactFloat64()*100) }

// plusMinus writes the sign, which plain text on a terminal spells out.
func plusMinus(text string) string {
	return regexp.MustCompile(`\+/- ([0-9])`).ReplaceAllString(text, "± $1")
}

// measured lists the value of each step.
func (c *composer) measured() section {
	t := block{
		Head:  []string{"", "dimension", "with", "counted", "left out", "value in mm", "with all", "bar taken off", "u of the mean"},
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
			fmt.Sprint(s.Number), s.Title, joined(string(s.Instrument), string(s.Use)), fmt.Sprint(counted), fmt.Sprint(left), value,
			withAll(s), length(s.Bar), spread[s.Name],
		})
	}
	blocks := []block{t}
	for _, note := range notes {
		blocks = append(blocks, small(note))
	}
	return section{Title: "What was measured", Blocks: append(blocks, small("Values are means of the counted repeats with the bar taken off, before known errors are corrected; u is the standard uncertainty that the repeats and the resolution alone leave. What instruments and temperature add is in the ± of the gap."))}
}

// value is a step's value, marked where it is not the last word, and what the mark means.
func (c *composer) value(s session.StepView) (value, note string) {
	amount, q := s.Amount()
	value = length(amount)
	if amount != nil && q != session.OfLength {
		value = wording.English.Amount(amount, q)
	}
	switch {
	case amount == nil && s.Skipped != nil:
		value = "not needed"
	case amount == nil:
		value = "open"
	case s.Unsettled:
		return value + "**", "** " + s.Title + " is not settled: its repeats do not agree."
	case !s.Closed:
		return value + "*", "* " + s.Title + " was not closed: the value is that of the repeats it has."
	}
	return value, ""
}

func withAll(s session.StepView) string {
	value, _ := s.Amount()
	all := s.AmountWithAll()
	if all == nil || value != nil && all.Equal(value.Decimal) {
		return ""
	}
	return length(all)
}

func length(n *session.Number) string {
	if n == nil {
		return ""
	}
	return wording.English.Decimals(*n)
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
				known[step] = fmt.Sprintf("%.4f", line.U)
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
			text := plusMinus(wording.English.Finding(f))
			if !known[text] { // a chain repeats what its steps have found
				said = append(said, title+": "+text+".")
			}
			known[text] = true
		}
	}
	for _, s := range c.job.Steps {
		if waits || s.Wait == nil {
			add(s.Title, s.Findings)
		}
	}
	for _, a := range c.Snapshot.Advice {
		add(a.Title, a.Findings)
	}
	for _, f := range c.Snapshot.Fits {
		add(f.Title, f.Findings)
	}
	return section{Title: "Findings", Blocks: []block{listing(said, "None.")}}
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
		titles[s.Name] = s.Title
	}
	for _, w := range c.Warmth {
		add(wording.English.Warmth(w, c.warm(w.Of)))
	}
	for _, a := range c.Snapshot.Advice {
		for _, k := range a.Corrections {
			title := titles[k.Term]
			if title == "" {
				title = k.Term
			}
			add(wording.English.Corrected(k, title))
		}
		for _, r := range a.Barred {
			add(wording.English.NotStated(r))
		}
		for _, r := range a.Assumed {
			add(wording.English.Assumed(r))
		}
	}
	return section{Title: "Corrections and assumptions", Blocks: []block{listing(said, "None.")}}
}

// warm names what has a temperature.
func (c *composer) warm(of string) string {
	if of == session.Shop {
		return "the shop"
	}
	for _, p := range c.Parts {
		if p.Name == of && p.Title != "" {
			return p.Title
		}
	}
	return of
}

// instruments lists with what was measured, and what is stated of its errors.
func (c *composer) instruments() section {
	t := block{
		Head:  []string{"instrument", "kind", "reads to", "repeats to", "permissible error", "certificates"},
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
		unit := " " + p.Kind.Quantity().Unit().Word()
		t.Rows = append(t.Rows, []string{p.Name, string(p.Kind), p.Count().String() + unit, p.Spread().String() + unit, permissible(p), certificates(p)})
	}
	s := section{Title: "Instruments", Blocks: []block{t, small("Read to: one count. Repeats to: standard deviation of single readings, as the instrument's profile states it.")}}
	if len(t.Rows) == 0 {
		s.Blocks = []block{para("None was used.")}
	}
	return s
}

func permissible(p session.Profile) string {
	var parts []string
	for _, use := range slices.Sorted(maps.Keys(p.Permissible)) {
		parts = append(parts, fmt.Sprintf("%s ± %s mm", use, p.Permissible[use]))
	}
	for _, f := range []struct {
		limit *session.Number
		unit  string
	}{{p.PermissibleCel, "°C"}, {p.PermissibleNm, "N·m"}, {p.PermissiblePercent, "%"}} {
		if f.limit != nil {
			parts = append(parts, "± "+f.limit.String()+" "+f.unit)
		}
	}
	text := strings.Join(parts, ", ")
	if text == "" {
		text = "not stated"
	}
	if p.Assumed {
		text += " (assumed, as usual for its kind)"
	}
	return text
}

func certificates(p session.Profile) string {
	var parts []string
	if p.CertificateNumber != "" {
		parts = append(parts, "no. "+p.CertificateNumber)
	}
	if p.Due != "" {
		parts = append(parts, "next due "+p.Due)
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
			factor = k.Factor.String()
		}
		parts = append(parts, fmt.Sprintf("at %s °C: error %s °C, U %s °C (k = %s)", k.At, k.Error, k.Expanded, factor))
	}
	for _, k := range p.Certificates {
		factor := "2"
		if k.Factor != nil {
			factor = k.Factor.String()
		}
		parts = append(parts, joined(prefixed("no. ", k.Number), fmt.Sprintf("%s at %s mm: error %s mm, U %s mm (k = %s)", k.Use, k.At, k.Error, k.Expanded, factor)))
	}
	if len(parts) == 0 {
		return "none"
	}
	return strings.Join(parts, "; ")
}

func (c *composer) cautions() section {
	said := slices.Clone(c.job.Cautions)
	for _, s := range c.job.Steps {
		for _, caution := range s.Cautions {
			said = append(said, s.Title+": "+caution)
		}
	}
	return section{Title: "Cautions", Blocks: []block{listing(said, "The plan states none.")}}
}

// evidence is what holds the log to its word.
func (c *composer) evidence() (section, error) {
	s := section{Title: "The log behind this card"}
	if c.Checkpoint == "" {
		s.Blocks = []block{para("No checkpoint covers this job yet, so this card does not pin the log down. One is signed when a step closes and when the job ends; make the card again then.")}
		return s, nil
	}
	code, err := seal(strings.TrimSpace(c.Checkpoint + "\n" + c.PublicKey))
	if err != nil {
		return section{}, err
	}
	beside := []block{
		para("The bench signed this checkpoint of its log. It holds the log to what it was then: whoever keeps this card can show later that entries were changed or cut off. Scan the code, or copy the lines below into a file, and check the log against them with"),
		{Lines: []string{"logctl verify --checkpoint FILE LOG"}},
		para("The code holds the checkpoint and the public key, as they stand below."),
	}
	lines := strings.Split(strings.TrimRight(c.Checkpoint, "\n"), "\n")
	s.Blocks = []block{{Picture: code, Width: 0.2, Beside: beside}, {Lines: lines}}
	if c.PublicKey != "" {
		s.Blocks = append(s.Blocks, small("Public key:"), block{Lines: []string{c.PublicKey}})
	}
	return s, nil
}
