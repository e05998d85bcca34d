package session

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"github.com/shopspring/decimal"

	"shimwright/calc"
)

// instruments adds the errors of the instruments: their limits per use, and what
// certificates and checks in the session say instead. A step that several were used in
// has of each as much as its readings have in the mean.
func (a *account) instruments() error {
	for k, t := range a.terms {
		if t.step < 0 {
			continue
		}
		shares := a.job.shares(t.step)
		if len(shares) == 0 {
			a.bar("instrument not known", "step", t.name)
		}
		for _, s := range shares {
			if err := a.usedFor(k, t, s); err != nil {
				return err
			}
		}
	}
	found, err := a.instrumentCauses(a.errors)
	if err != nil {
		return fmt.Errorf("cannot work out the errors of the instruments: %w", err)
	}
	for _, c := range found.Causes {
		a.cause(c)
	}
	for i, by := range found.Corrections {
		a.correctBy("instrument error", a.owners[i].term, by.Mul(decimal.NewFromFloat(a.owners[i].weight)))
	}
	for _, f := range found.Findings {
		a.findings = append(a.findings, Reason{f.Code, f.Params})
	}
	for _, e := range a.errors {
		a.findings = append(a.findings, a.job.drifts(e.Instrument, Use(e.Use))...)
	}
	return a.zeroings()
}

// owner is the term that an entry of measured belongs to, and its weight in it.
type owner struct {
	term   int
	weight float64
}

// instrumentCauses works out what instruments of the given errors are not known by, over
// the terms of the account.
func (a *account) instrumentCauses(errors []calc.UseErrors) (calc.InstrumentErrors, error) {
	found, err := calc.InstrumentCauses(a.measured, errors)
	if err != nil {
		return found, err
	}
	for i := range found.Causes {
		for k, e := range found.Causes[i].Effects {
			o := a.owners[e.Term]
			found.Causes[i].Effects[k] = calc.Effect{Term: o.term, By: e.By * o.weight}
		}
	}
	return found, nil
}

// usedFor enters that an instrument measured a part of term k.
func (a *account) usedFor(k int, t accountTerm, s share) error {
	step := &a.job.plan.Steps[t.step]
	use := string(step.Use)
	if step.ZeroedOn != "" {
		use += " zeroed on " + step.ZeroedOn
	}
	a.measured = append(a.measured, calc.Measured{
		Term: len(a.owners), C: float64(t.c), Length: t.value, Instrument: s.profile.Name, Use: use,
	})
	a.owners = append(a.owners, owner{k, s.weight})
	return a.know(s.profile, step.Use, step.ZeroedOn)
}

// zeroings adds what all readings share that were made with an instrument zeroed on a
// bar: how far its rod and jaws or foot differ, the bar, and the setting itself.
func (a *account) zeroings() error {
	type zero struct{ instrument, bar string }
	terms, weights := map[zero][]int{}, map[zero][]float64{}
	var order []zero
	for i, m := range a.measured {
		bar := a.job.plan.Steps[a.terms[a.owners[i].term].step].ZeroedOn
		if bar == "" {
			continue
		}
		z := zero{m.Instrument, bar}
		if terms[z] == nil {
			order = append(order, z)
		}
		terms[z] = append(terms[z], a.owners[i].term)
		weights[z] = append(weights[z], a.owners[i].weight)
	}
	for _, z := range order {
		p := &a.job.profiles[a.job.profileOf(z.instrument)]
		bar := &a.job.plan.Bars[a.job.plan.bar(z.bar)]
		u, freedom := a.job.checkU(z.instrument)
		zeroing := calc.Zeroing{
			Name: "zero of " + z.instrument + " on " + z.bar, OffsetFreedom: math.Inf(1), Terms: terms[z],
			Spread: calc.Spread{U: u * math.Sqrt2, Freedom: freedom, Shape: calc.StudentT}, // set once, not twice
		}
		switch {
		case p.Offset != nil:
			zeroing.Offset = p.Offset.InexactFloat64()
		case p.Kind == Caliper: // its jaws are set to zero, and its rod measures
			a.bar("rod not compared with jaws", "instrument", p.Name)
		}
		if bar.Parallel != nil {
			zeroing.Parallelism = bar.Parallel.InexactFloat64()
		}
		causes, err := zeroing.Causes()
		if err != nil {
			return fmt.Errorf("cannot use the zero of %q: %w", z.instrument, err)
		}
		for i, c := range causes {
			if i == 1 { // the bar is one, whatever is zeroed on it
				c.Name = "parallelism of " + z.bar
			}
			c.Effects = slices.Clone(c.Effects)
			for k := range c.Effects {
				c.Effects[k].By *= weights[z][k]
			}
			a.mergeCause(c)
		}
	}
	return nil
}

// mergeCause adds a cause, or what it does more to one that is there already.
func (a *account) mergeCause(c calc.Cause) {
	if i := slices.IndexFunc(a.causes, func(o calc.Cause) bool { return o.Name == c.Name }); i >= 0 {
		a.causes[i].Effects = append(slices.Clone(a.causes[i].Effects), c.Effects...)
		return
	}
	a.cause(c)
}

// A share is how much of a step's value was measured with one instrument.
type share struct {
	profile *Profile
	weight  float64
}

// shares lists the instruments of a step's readings with what each has in the mean of
// its places. Where one place governs, or nothing counts yet, all goes to the instrument
// with the largest permissible error.
func (j *job) shares(step int) []share {
	var shares []share
	s := &j.plan.Steps[step]
	counted := make([]int, len(s.Places))
	for i := range j.readings {
		if f := &j.readings[i]; f.step == step && f.standing == Counted {
			counted[f.place]++
		}
	}
	places := 0
	for _, n := range counted {
		if n > 0 {
			places++
		}
	}
	if s.Governs != "mean" || places == 0 {
		if p := j.instrumentOf(step); p != nil {
			shares = append(shares, share{p, 1})
		}
		return shares
	}
	for i := range j.readings {
		f := &j.readings[i]
		if f.step != step || f.standing != Counted || f.profile < 0 {
			continue
		}
		p := &j.profiles[f.profile]
		part := 1 / float64(places) / float64(counted[f.place])
		k := slices.IndexFunc(shares, func(o share) bool { return o.profile.Name == p.Name })
		if k < 0 {
			shares = append(shares, share{p, part})
			continue
		}
		shares[k].weight += part
		if limitOf(p, s.Use) > limitOf(shares[k].profile, s.Use) {
			shares[k].profile = p // of one instrument under two profiles the worse
		}
	}
	for i := range shares { // what is left of rounding
		if math.Abs(shares[i].weight-1) < 1e-9 {
			shares[i].weight = 1
		}
	}
	return shares
}

// instrumentOf is the profile that a step's readings were made with. If they come
// from several instruments it is the one with the largest permissible error.
func (j *job) instrumentOf(step int) *Profile {
	var worst *Profile
	use := j.plan.Steps[step].Use
	for i := range j.readings {
		f := &j.readings[i]
		if f.step != step || !f.counts() || f.profile < 0 {
			continue
		}
		p := &j.profiles[f.profile]
		if worst == nil || limitOf(p, use) > limitOf(worst, use) || looser(p, worst, f.taken.Value) {
			worst = p
		}
	}
	return worst
}

// looser tells whether an instrument that measures no length has a larger limit.
func looser(p, than *Profile, at Number) bool {
	a, b := p.Limit(at), than.Limit(at)
	return a != nil && b != nil && a.GreaterThan(b.Decimal)
}

// limitOf is the permissible error ± of an instrument in one use; without end if its
// profile does not state it.
func limitOf(p *Profile, use Use) float64 {
	if limit, ok := p.Permissible[use]; ok && limit.IsPositive() {
		return limit.InexactFloat64()
	}
	return math.Inf(1)
}

// know enters what is known of an instrument in one use, once. An instrument zeroed on a
// bar brings nothing of its own zero.
func (a *account) know(p *Profile, use Use, zeroedOn string) error {
	e := calc.UseErrors{Instrument: p.Name, Use: string(use), Limit: worstLimit}
	if zeroedOn != "" {
		e.Use += " zeroed on " + zeroedOn
	}
	if slices.ContainsFunc(a.errors, func(o calc.UseErrors) bool { return o.Instrument == e.Instrument && o.Use == e.Use }) {
		return nil
	}
	if limit := limitOf(p, use); !math.IsInf(limit, 1) {
		e.Limit = limit
	} else {
		a.bar("limit not stated", "instrument", p.Name, "use", string(use))
	}
	if p.Assumed {
		a.assume("profile assumed", "instrument", p.Name)
	}
	e.Rest = e.Limit
	if local, ok := p.Local[use]; ok && local.IsPositive() {
		e.Rest = min(local.InexactFloat64(), e.Limit)
	}
	e.Scale = cmp.Or(p.Scale, plain(fmt.Sprint(usualScale))).InexactFloat64() * 1e-6
	if zeroedOn != "" {
		e.Points = []calc.Point{{Name: "zero on " + zeroedOn, Reach: math.Inf(1), Freedom: math.Inf(1), Shape: calc.Normal}}
		a.errors = append(a.errors, e)
		return nil
	}
	for _, c := range p.Certificates {
		if c.Use != use {
			continue
		}
		point, err := certified(c)
		if err != nil {
			return fmt.Errorf("cannot use the certificate of %q: %w", p.Name, err)
		}
		e.Points = append(e.Points, point)
	}
	points, err := a.checksOf(p.Name, use)
	if err != nil {
		return err
	}
	e.Points = append(e.Points, points...)
	a.errors = append(a.errors, e)
	return nil
}

func certified(c Certificate) (calc.Point, error) {
	freedom := math.Inf(1)
	if c.Degrees > 0 {
		freedom = float64(c.Degrees)
	}
	return calc.Certified(cmp.Or("certificate "+c.Number, "certificate"), c.At.Decimal, c.Error.Decimal,
		cmp.Or(c.Reach, plain(fmt.Sprint(usualReach))).InexactFloat64(),
		c.Expanded.InexactFloat64(), cmp.Or(c.Factor, plain("2")).InexactFloat64(), freedom)
}

// checksOf lists the checks of an instrument in one use that were made in this job. One
// whose step is open or does not settle is not relied on, and that is a finding.
func (a *account) checksOf(instrument string, use Use) ([]calc.Point, error) {
	j := a.job
	var points []calc.Point
	for i, s := range j.plan.Steps {
		if s.Reference == nil || s.Use != use || j.steps[i].reduction == nil {
			continue
		}
		if p := j.instrumentOf(i); p == nil || p.Name != instrument {
			continue
		}
		if !j.steps[i].closed || j.steps[i].reduction.Unsettled {
			a.findings = append(a.findings, reason("check not relied on", "step", s.Name, "instrument", instrument))
			continue
		}
		rule, err := j.reduceRule(i)
		if err != nil {
			return nil, err
		}
		spread, err := j.method.MeanUncertainty(*j.steps[i].reduction, j.scatter(i), j.freedom(i), rule)
		if err != nil {
			return nil, err
		}
		reach, u := usualReach, 0.0
		if s.Reference.IsZero() {
			reach = math.Inf(1)
		}
		if s.ReferenceU != nil {
			u = s.ReferenceU.InexactFloat64()
		}
		point, err := calc.Checked(s.Name, j.steps[i].reduction.Value, s.Reference.Decimal, reach, spread, u, math.Inf(1))
		if err != nil {
			return nil, fmt.Errorf("cannot use the check %q: %w", s.Name, err)
		}
		points = append(points, point)
	}
	for i, c := range j.checks {
		if c.Instrument != instrument || c.Use != use {
			continue
		}
		u, freedom := j.checkU(instrument)
		spread := calc.Spread{U: u * math.Sqrt2, Freedom: freedom, Shape: calc.StudentT} // read once, not twice
		reach := usualReach
		if c.Block.IsZero() {
			reach = math.Inf(1)
		}
		point, err := calc.Checked(fmt.Sprintf("check %d", i+1), c.Shown.Decimal, c.Block.Decimal, reach, spread, c.BlockU.InexactFloat64(), math.Inf(1))
		if err != nil {
			return nil, fmt.Errorf("cannot use check %d of %q: %w", i+1, instrument, err)
		}
		points = append(points, point)
	}
	return points, nil
}

// warmth brings the lengths to 20 °C, as far as temperatures were taken, and adds
// what is not known of them.
func (a *account) warmth() error {
	w := warmth{account: a}
	for k, t := range a.terms {
		if t.step >= 0 {
			w.add(k, t)
		}
	}
	if len(w.lengths) == 0 {
		return nil
	}
	found, err := calc.ToReference(w.lengths, w.materials, w.temperatures)
	if err != nil {
		return fmt.Errorf("cannot bring the lengths to 20 degrees: %w", err)
	}
	for _, c := range found.Causes {
		a.cause(c)
	}
	for i, by := range found.Corrections {
		a.correctBy("temperature", w.lengths[i].Term, by)
	}
	return nil
}

// shop is the temperature of the air and of the instruments: as taken before the
// readings, or somewhere near 20 °C.
func (a *account) shop(known []TemperatureTaken) calc.Temperature {
	t := calc.Temperature{Name: "shop", Celsius: celsiusISO1, U: a.job.plan.Temperature.Within.InexactFloat64() / math.Sqrt(3), Freedom: math.Inf(1), Shape: calc.Rectangular}
	if taken := warmthOf(known, Shop); taken != nil {
		t.Celsius, t.U, t.Shape = taken.Celsius.InexactFloat64(), taken.U.InexactFloat64(), calc.Normal
		t.Name += " at " + taken.Celsius.String()
		return t
	}
	if !slices.ContainsFunc(a.assumed, func(r Reason) bool { return r.Code == "shop temperature assumed" }) {
		a.assume("shop temperature assumed", "within", a.job.plan.Temperature.Within.String())
	}
	return t
}

// warmth gathers lengths with their materials and temperatures.
type warmth struct {
	account      *account
	lengths      []calc.Expanding
	materials    []calc.Material
	temperatures []calc.Temperature
}

func (w *warmth) add(k int, t accountTerm) {
	j := w.account.job
	var known []TemperatureTaken
	if f := j.lastFiled(t.step); f != nil {
		known = f.warmth
	}
	shop := w.temperature(w.account.shop(known))
	scale, net := w.scale(t.step), t.value
	if bar, _ := j.bar(t.step); bar != nil { // the rod passes the bar, then the part
		net = net.Sub(bar.Decimal)
		w.lengths = append(w.lengths, calc.Expanding{Term: k, Length: bar.Decimal, Scale: scale, ScaleAt: shop, Part: w.material(barSteel()), PartAt: shop})
	}
	e := calc.Expanding{Term: k, Length: net, Scale: scale, ScaleAt: shop, PartAt: shop}
	if j.isBar(t.step) {
		e.Part = w.material(barSteel())
		w.lengths = append(w.lengths, e)
		return
	}
	p := Part{Name: t.name}
	if part := j.plan.part(j.plan.Steps[t.step].Part); part >= 0 {
		p = j.plan.Parts[part]
	}
	m := materialOf(p)
	if p.Expansion == nil {
		w.account.assume("expansion assumed", "part", p.Name)
	}
	e.Part = w.material(m)
	if taken := warmthOf(known, p.Name); taken != nil {
		e.PartAt = w.temperature(calc.Temperature{Name: p.Name + " at " + taken.Celsius.String(), Celsius: taken.Celsius.InexactFloat64(), U: taken.U.InexactFloat64(), Freedom: math.Inf(1), Shape: calc.Normal})
	} else {
		w.apart(p.Name, calc.Effect{Term: k, By: -net.InexactFloat64() * m.Alpha})
	}
	w.lengths = append(w.lengths, e)
}

// barSteel is what bars are made of; they lie in the shop.
func barSteel() calc.Material {
	return calc.Material{Name: "the bar", Alpha: steelExpansion * 1e-6, U: steelExpansion * 1e-6 * knownExpansion / math.Sqrt(3), Freedom: math.Inf(1), Shape: calc.Rectangular}
}

// apart adds that a part may be warmer or colder than the shop.
func (w *warmth) apart(part string, effect calc.Effect) {
	name := "temperature of " + part + " beside the shop"
	for i := range w.account.causes {
		if w.account.causes[i].Name == name {
			w.account.causes[i].Effects = append(w.account.causes[i].Effects, effect)
			return
		}
	}
	w.account.flat(name, w.account.job.plan.Temperature.Apart.InexactFloat64(), effect)
}

// materialOf is the expansion of a part, as stated or anything that metals have.
func materialOf(p Part) calc.Material {
	m := calc.Material{Name: p.Name, Alpha: anyExpansion * 1e-6, U: anyExpansion * 1e-6 / math.Sqrt(3), Freedom: math.Inf(1), Shape: calc.Rectangular}
	if p.Expansion != nil {
		m.Alpha = p.Expansion.InexactFloat64() * 1e-6
		m.U = math.Abs(m.Alpha) * knownExpansion / math.Sqrt(3)
	}
	return m
}

func (w *warmth) scale(step int) int {
	m := calc.Material{Name: "the instrument's scale", Alpha: steelExpansion * 1e-6, Freedom: math.Inf(1), Shape: calc.Rectangular}
	if p := w.account.job.instrumentOf(step); p != nil {
		m.Name = "the scale of " + p.Name
		if p.Expansion != nil {
			m.Alpha = p.Expansion.InexactFloat64() * 1e-6
		}
	}
	m.U = m.Alpha * knownExpansion / math.Sqrt(3)
	return w.material(m)
}

func (w *warmth) material(m calc.Material) int {
	if i := slices.IndexFunc(w.materials, func(o calc.Material) bool { return o.Name == m.Name }); i >= 0 {
		return i
	}
	w.materials = append(w.materials, m)
	return len(w.materials) - 1
}

func (w *warmth) temperature(t calc.Temperature) int {
	if i := slices.IndexFunc(w.temperatures, func(o calc.Temperature) bool { return o.Name == t.Name }); i >= 0 {
		return i
	}
	w.temperatures = append(w.temperatures, t)
	return len(w.temperatures) - 1
}

// growth is what running temperature adds to the gap, and what is not known of that;
// ok is false if the plan does not state every part's expansion and running
// temperature. The shims' own growth is far below a micrometre and left out.
func (a *account) growth() (by decimal.Decimal, causes []calc.Cause, ok bool, err error) {
	var parts []calc.Staying
	var materials []calc.Material
	var temperatures []calc.Temperature
	for k, t := range a.terms {
		if t.step < 0 || a.job.isBar(t.step) {
			continue
		}
		at := a.job.plan.part(a.job.plan.Steps[t.step].Part)
		if at < 0 || a.job.plan.Parts[at].Expansion == nil || a.job.plan.Parts[at].Running == nil {
			return decimal.Zero, nil, false, nil
		}
		p := a.job.plan.Parts[at]
		m := slices.IndexFunc(materials, func(m calc.Material) bool { return m.Name == p.Name })
		if m < 0 { // a part has one material and one temperature, whatever is measured of it
			m = len(materials)
			materials = append(materials, materialOf(p))
			temperatures = append(temperatures, calc.Temperature{Name: p.Name, Celsius: p.Running.InexactFloat64(), U: runningU / math.Sqrt(3), Freedom: math.Inf(1), Shape: calc.Rectangular})
		}
		net := a.job.value(t.step)
		parts = append(parts, calc.Staying{Term: k, Length: net.Decimal, Material: m, At: m})
	}
	grown, err := calc.Growth(parts, materials, temperatures)
	if err != nil {
		return decimal.Zero, nil, false, fmt.Errorf("cannot find the growth when warm: %w", err)
	}
	for i, c := range grown.Corrections {
		by = by.Add(c.Mul(decimal.NewFromInt(a.terms[parts[i].Term].c)))
	}
	return by, grown.Causes, len(parts) > 0, nil
}

// isBar tells whether a step measures a bar.
func (j *job) isBar(step int) bool {
	return slices.ContainsFunc(j.plan.Bars, func(b Bar) bool { return b.Step == j.plan.Steps[step].Name })
}
