package session

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"

	"shimwright/calc"
)

// A step of the kind torque pulls screws in a stated order, in one or more passes. Its
// places are the screws of the first pass in their order, then those of the second, and
// so on; each takes one reading.

// A PlanScrew is a screw of a step of the kind torque.
type PlanScrew struct {
	Name   string  `toml:"name" strict:"required,unique" example:"a" json:"name"`
	At     string  `toml:"at" json:"at,omitempty"` // where it is
	Length *Number `toml:"length" example:"45" json:"length_mm,omitempty"`
	Size   string  `toml:"size" example:"M6" json:"size,omitempty"`    // M8x1 for a fine thread
	Class  string  `toml:"class" example:"8.8" json:"class,omitempty"` // property class
}

// A TorqueView is a step of the kind torque as displays see it.
type TorqueView struct {
	Screws    []ScrewView `json:"screws"` // in the order to pull them
	Passes    []Number    `json:"passes_Nm"`
	Tolerance Number      `json:"tolerance_Nm"` // ±
	K         *Number     `json:"assumed_k,omitempty"`
}

// A ScrewView is a screw, what it was pulled to and what that makes of it. The preload
// rests on the K that the plan assumes.
type ScrewView struct {
	Name    string   `json:"screw"`
	At      string   `json:"at,omitempty"`
	Length  *Number  `json:"length_mm,omitempty"`
	Size    string   `json:"size,omitempty"`
	Class   string   `json:"class,omitempty"`
	Read    []Number `json:"read_Nm,omitempty"`          // pass by pass, as far as it was pulled
	Left    *Left    `json:"left_with,omitempty"`        // after the last pass
	Preload float64  `json:"preload_N,omitempty"`        // at the torque of the last pass
	Proof   float64  `json:"percent_of_proof,omitempty"` // of its proof load
}

// A Left is the torque that a screw was left with, as far as the wrench is known. How much
// pulls with it scatter is no part of that.
type Left struct {
	Torque Number `json:"torque_Nm"` // as read, less the error that a certificate found near it
	Within Number `json:"within_Nm"` // ±: the permissible error, or what the certificate leaves; rounded up to one count
	By     string `json:"by"`        // "permissible error", "usual error" where nobody stated it, or "certificate"
}

// placeWord is a person's word for one place, instead of a reading.
type placeWord struct {
	place int
	said  ConfirmedView
}

// screwAt is the screw and the pass of a place, from 0.
func (s *Step) screwAt(place int) (screw, pass int) {
	n := len(s.Screws)
	return s.screw(s.Order[place%n]), place / n
}

func (s *Step) screw(name string) int {
	return slices.IndexFunc(s.Screws, func(p PlanScrew) bool { return p.Name == name })
}

// torqueAt is the torque of a place and what it may be off to either side.
func (s *Step) torqueAt(place int) (target, least, most Number) {
	target = s.Passes[place/len(s.Screws)]
	return target, Num(target.Sub(s.Tolerance.Decimal)), Num(target.Add(s.Tolerance.Decimal))
}

// ruleTorque rules a reading at a step of the kind torque.
func (j *job) ruleTorque(t ReadingTaken) ReadingTaken {
	s := &j.plan.Steps[j.step]
	screw, _ := s.screwAt(j.place)
	target, least, most := s.torqueAt(j.place)
	code := ""
	switch {
	case t.Value.LessThan(least.Decimal):
		code = "under torque"
	case t.Value.GreaterThan(most.Decimal):
		code = "over torque"
	default:
		return t
	}
	t.Ruling = OutOfRange
	t.Why = &Reason{code, withUnit(TorqueWrench, map[string]string{
		"step": s.Name, "screw": s.Screws[screw].Name, "value": t.Value.String(), "least": least.String(), "most": most.String(), "target": target.String(),
	})}
	return t
}

// latestTorque is the latest reading that counts at a place; nil if there is none.
func (j *job) latestTorque(step, place int) *filed {
	for i := len(j.readings) - 1; i >= 0; i-- {
		if f := &j.readings[i]; f.step == step && f.place == place && f.counts() {
			return f
		}
	}
	return nil
}

// standTorque says which readings of a step of the kind torque count: at each place the
// latest, since a screw that is pulled again has that torque.
func (j *job) standTorque(step int) {
	for i := range j.readings {
		f := &j.readings[i]
		if f.step != step || !f.counts() {
			continue
		}
		f.standing = LeftOut
		if j.latestTorque(step, f.place) == f {
			f.standing = Counted
		}
	}
}

// pulled tells whether a place has its reading, or a person's word instead.
func (j *job) pulled(step, place int) bool {
	return j.latestTorque(step, place) != nil || j.steps[step].word(place) != nil
}

// word is what a person last said of a place; nil if nothing.
func (s *stepState) word(place int) *ConfirmedView {
	for i := len(s.words) - 1; i >= 0; i-- {
		if s.words[i].place == place {
			return &s.words[i].said
		}
	}
	return nil
}

// acceptScrew takes a person's word that a screw is as it should be.
func (t *turn) acceptScrew(j *job, c Command) *Refusal {
	s := &j.plan.Steps[j.step]
	screw, _ := s.screwAt(j.place)
	if c.Note == "" {
		return refuse("torque not kept", fmt.Sprintf("screw %s has no reading that keeps its torque", s.Screws[screw].Name), "pull it and read, or say in a note why it is right as it is",
			"step", s.Name, "screw", s.Screws[screw].Name)
	}
	t.add(Confirmed{s.Name, j.place, Done, c.Note})
	t.by("", FromBench)
	t.closeNow(true)
	return nil
}

// nextScrew is next at a step of the kind torque.
func (t *turn) nextScrew(j *job) *Refusal {
	s := &j.plan.Steps[j.step]
	if !j.pulled(j.step, j.place) {
		screw, _ := s.screwAt(j.place)
		target, _, _ := s.torqueAt(j.place)
		return refuse("not pulled", fmt.Sprintf("screw %s has not been pulled to %s N·m", s.Screws[screw].Name, target), "pull it and read, confirm it with a note, or name the step to go to",
			"step", s.Name, "screw", s.Screws[screw].Name, "torque", target.String())
	}
	t.add(Moved{"next", s.Name, j.place})
	t.by("", FromBench)
	t.closeNow(true)
	return nil
}

// torqueFindings are screws that were pulled too far: a person decides about them.
func (j *job) torqueFindings(step int) []Reason {
	s := &j.plan.Steps[step]
	var found []Reason
	for i := range j.readings {
		f := &j.readings[i]
		if f.taken.Step != s.Name || f.taken.Why == nil || f.taken.Why.Code != "over torque" {
			continue
		}
		r := reason("over torque", "reading", strconv.FormatInt(f.seq, 10))
		for k, p := range f.taken.Why.Params {
			r.Params[k] = p
		}
		if last := j.latestTorque(step, f.taken.Place); last != nil && last.seq > f.seq {
			r.Code, r.Params["then"] = "over torque, pulled anew", last.taken.Value.String()
		}
		if w := j.steps[step].word(f.taken.Place); w != nil {
			r.Code, r.Params["note"] = "over torque, accepted", w.Note
		}
		found = append(found, r)
	}
	return found
}

// torqueView shows the screws of a step; nil if it has none.
func (j *job) torqueView(step int) *TorqueView {
	s := &j.plan.Steps[step]
	if s.Kind != TorqueStep {
		return nil
	}
	v := &TorqueView{Passes: s.Passes, Tolerance: *s.Tolerance, K: s.K}
	for at, name := range s.Order {
		p := s.Screws[s.screw(name)]
		screw := ScrewView{Name: p.Name, At: p.At, Length: p.Length, Size: p.Size, Class: p.Class}
		for pass := range s.Passes {
			if f := j.latestTorque(step, pass*len(s.Screws)+at); f != nil {
				screw.Read = append(screw.Read, f.taken.Value)
			}
		}
		if f := j.latestTorque(step, (len(s.Passes)-1)*len(s.Screws)+at); f != nil && f.profile >= 0 {
			screw.Left = leftWith(&j.profiles[f.profile], f.taken.Value)
		}
		screw.Preload, screw.Proof = preload(p, s)
		v.Screws = append(v.Screws, screw)
	}
	return v
}

// leftWith is what a wrench's reading says of the torque; nil if nothing is known of it.
func leftWith(p *Profile, read Number) *Left {
	places := -p.Count().Exponent()
	up := func(n decimal.Decimal) Number { return Num(n.RoundCeil(places)) }
	if c := nearestNm(p, read); c != nil {
		return &Left{Num(read.Sub(c.Error.Decimal).RoundBank(places)), up(c.Expanded.Decimal), "certificate"}
	}
	limit := p.Limit(read)
	read = Num(read.RoundBank(places))
	switch {
	case limit == nil:
		return nil
	case p.Assumed:
		return &Left{read, up(limit.Decimal), "usual error"}
	}
	return &Left{read, up(limit.Decimal), "permissible error"}
}

// nearestNm is the line of a certificate that speaks for a torque; nil if none does.
func nearestNm(p *Profile, at Number) *CertificateNm {
	var nearest *CertificateNm
	for i := range p.CertificatesNm {
		c := &p.CertificatesNm[i]
		reach := c.At.Mul(decimal.New(5, -1))
		if c.Reach != nil {
			reach = c.Reach.Decimal
		}
		away := c.At.Sub(at.Decimal).Abs()
		if away.LessThanOrEqual(reach) && (nearest == nil || away.LessThan(nearest.At.Sub(at.Decimal).Abs())) {
			nearest = c
		}
	}
	return nearest
}

// preload is the force in N that the torque of the last pass makes, and the percentage
// of the proof load; 0 where the plan does not say enough.
func preload(p PlanScrew, s *Step) (force, percent float64) {
	if p.Size == "" || s.K == nil {
		return 0, 0
	}
	d, pitch, err := calc.ParseThread(p.Size)
	if err != nil {
		return 0, 0 // a plan in State is sound
	}
	screw := calc.Screw{Diameter: d, Pitch: pitch, Torque: s.Passes[len(s.Passes)-1].InexactFloat64(), K: s.K.InexactFloat64()}
	if p.Class != "" {
		screw.ProofStress, _ = calc.ProofStress(p.Class, d)
	}
	found, err := calc.Tighten(screw)
	if err != nil {
		return 0, 0
	}
	return rounded(found.Force, -1), rounded(found.PercentOfProof, 1)
}

// fillTorque makes the places of a step of the kind torque.
func (c *planCheck) fillTorque(s *Step) {
	s.Instrument, s.Repeats, s.Governs = TorqueWrench, 1, "mean"
	if s.TorqueUnit == "" {
		s.TorqueUnit = NewtonMetre
	}
	if s.TorqueUnit.Quantity() == OfTorque {
		for i := range s.Passes {
			s.Passes[i] = s.TorqueUnit.Kept(s.Passes[i])
		}
		if s.Tolerance != nil {
			n := s.TorqueUnit.Kept(*s.Tolerance)
			s.Tolerance = &n
		}
		s.TorqueUnit = NewtonMetre
	}
	if len(s.Order) == 0 {
		for _, p := range s.Screws {
			s.Order = append(s.Order, p.Name)
		}
	}
	s.Places = nil
	for pass := range s.Passes {
		for _, name := range s.Order {
			if len(s.Passes) > 1 {
				name = fmt.Sprintf("pass %d, %s", pass+1, name)
			}
			s.Places = append(s.Places, name)
		}
	}
}

// mostPulls bounds the places of a step of the kind torque.
const mostPulls = 400

// torqueKeys checks what a step of the kind torque has of its own.
func (c *planCheck) torqueKeys(i int, s Step) {
	at := func(key string) []any { return []any{"step", i, key} }
	c.needs(i, "screw", `a [[step.screw]] for each screw`)
	c.needs(i, "passes", `passes = ["5", "10"]`)
	c.needs(i, "tolerance", `tolerance = "0.5"`)
	if s.TorqueUnit.Quantity() != OfTorque {
		c.wrong(fmt.Sprintf("%q is not a unit of torque", s.TorqueUnit), "write N.m, lbf.ft or lbf.in", at("torque_unit")...)
		return
	}
	c.order(i, s)
	for k, pass := range s.Passes {
		switch {
		case !pass.IsPositive() || !OfTorque.measurable(pass) || pass.GreaterThan(decimal.NewFromInt(5000)):
			c.wrong(fmt.Sprintf("%s N·m is no torque for a screw", pass), "check number and unit", at("passes")...)
		case k > 0 && !pass.GreaterThan(s.Passes[k-1].Decimal):
			c.wrong(fmt.Sprintf("pass %d of step %q is not above the one before", k+1, s.Name), "state the passes from the lowest to the last", at("passes")...)
		}
	}
	if t := s.Tolerance; t != nil && len(s.Passes) > 0 && (!t.IsPositive() || !t.LessThan(s.Passes[0].Decimal)) {
		c.wrong(fmt.Sprintf("a tolerance of %s N·m does not go with a torque of %s", t, s.Passes[0]), "give ± about each torque, above zero and below the first", at("tolerance")...)
	}
	c.within(s.K, "0.05", "0.5", "a torque coefficient", at("k")...)
	if len(s.Places) > mostPulls || c.has("step", i, "passes") && len(s.Passes) == 0 {
		c.wrong(fmt.Sprintf("step %q has %d pulls", s.Name, len(s.Places)), fmt.Sprintf("it takes 1 to %d", mostPulls), at("passes")...)
	}
	for k, p := range s.Screws {
		c.screwKeys(p, "step", i, "screw", k)
	}
}

// order checks that the order names each screw once.
func (c *planCheck) order(i int, s Step) {
	var names []string
	for _, p := range s.Screws {
		names = append(names, p.Name)
		if !slices.Contains(s.Order, p.Name) {
			c.wrong(fmt.Sprintf("the order of step %q leaves out screw %q", s.Name, p.Name), "name each screw once", "step", i, "order")
		}
	}
	for k, name := range s.Order {
		switch {
		case !slices.Contains(names, name):
			c.wrong(fmt.Sprintf("the order of step %q names a screw %q, and there is none", s.Name, name), "the screws are "+strings.Join(names, ", "), "step", i, "order")
		case slices.Index(s.Order, name) < k:
			c.wrong(fmt.Sprintf("the order of step %q names screw %q twice", s.Name, name), "name each screw once", "step", i, "order")
		}
	}
}

func (c *planCheck) screwKeys(p PlanScrew, path ...any) {
	at := func(key string) []any { return append(slices.Clone(path), key) }
	if p.Length != nil && !p.Length.IsPositive() {
		c.wrong(fmt.Sprintf("screw %q is %s long", p.Name, p.Length), "give its length under the head", at("length")...)
	}
	d := 8.0
	if p.Size != "" {
		var err error
		if d, _, err = calc.ParseThread(p.Size); err != nil {
			c.wrong(fmt.Sprintf("%q is no metric thread", p.Size), "write M6, or M8x1 with its pitch", at("size")...)
			return
		}
	}
	if p.Class == "" {
		return
	}
	if _, err := calc.ProofStress(p.Class, d); err != nil {
		c.wrong(fmt.Sprintf("%q is no property class", p.Class), "it is 4.6, 4.8, 5.6, 5.8, 6.8, 8.8, 9.8, 10.9 or 12.9", at("class")...)
	}
}

// pullView fills in the view of a place of a step of the kind torque.
func (j *job) pullView(step, place int, v *PlaceView) {
	s := &j.plan.Steps[step]
	screw, pass := s.screwAt(place)
	v.Pull = &PullView{Screw: s.Screws[screw].Name, Pass: pass + 1}
	v.Pull.Target, v.Pull.Least, v.Pull.Most = s.torqueAt(place)
	v.Needed = 1
	if f := j.latestTorque(step, place); f != nil {
		value := f.taken.Value
		v.Counted, v.Torque = 1, &value
	}
	if w := j.steps[step].word(place); w != nil {
		v.Pull.Note = w.Note
	}
}
