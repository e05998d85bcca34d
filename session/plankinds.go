package session

import (
	"fmt"
	"slices"
)

// measuringKeys are those of a [[step]] that only one that is measured has.
func measuringKeys() []string {
	return []string{"measure", "instrument", "use", "places", "repeats", "range", "bar", "places_may_differ", "governs", "closes_on_command", "reference", "reference_u", "least", "most", "half", "for", "reduce", "window"}
}

// keysOf lists the keys that a kind of step has beyond those that all have.
func keysOf(k StepKind) []string {
	switch k {
	case WaitStep:
		return []string{"minutes", "seconds", "sets", "celsius", "most_celsius", "fit"}
	case TorqueStep:
		return []string{"screw", "order", "passes", "tolerance", "torque_unit", "k"}
	case CompareStep:
		return []string{"for"}
	case ConfirmStep:
		return []string{"for", "fitted"}
	}
	return measuringKeys()
}

// stepKinds lists the kinds of step that a plan can name.
func stepKinds() []StepKind {
	return []StepKind{MeasureStep, ConfirmStep, WaitStep, TorqueStep, CompareStep}
}

// stepKeys refuses keys of step i that its kind does not have, and asks for those it
// cannot do without.
func (c *planCheck) stepKeys(i int, s Step) {
	if !slices.Contains(stepKinds(), s.Kind) {
		return // said already
	}
	seen := map[string]bool{}
	for _, k := range stepKinds() {
		for _, key := range keysOf(k) {
			if !seen[key] && c.has("step", i, key) && !slices.Contains(keysOf(s.Kind), key) {
				c.wrong(fmt.Sprintf("%q does not belong to step %q of the kind %q", key, s.Name, s.Kind), "remove it, or correct the kind", "step", i, key)
			}
			seen[key] = true
		}
	}
	for k, name := range s.Fitted {
		if at := c.plan.chain(name); at < 0 || c.plan.Chains[at].plainSum() {
			c.wrong(fmt.Sprintf("there is no chain %q that takes shims", name), "name the [[chain]] whose shims go in at this step", "step", i, "fitted", k)
		}
	}
	switch s.Kind {
	case CompareStep:
		c.needs(i, "for", `for = "crank", the choice whose candidates it compares`)
	case WaitStep:
		c.waitKeys(i, s)
	case TorqueStep:
		c.torqueKeys(i, s)
	}
	if s.Kind.measures() {
		c.needs(i, "instrument", `instrument = "caliper"`)
		c.needs(i, "range", `range = ["44.20", "44.60"]`)
		c.limitKeys(i, s)
	}
}

// needs asks for a key of step i.
func (c *planCheck) needs(i int, key, sample string) {
	if !c.has("step", i, key) {
		c.wrong(fmt.Sprintf("[[step]] lacks %q", key), "add "+sample, "step", i)
	}
}

// notMeasured refuses a step that is named for its length and has none.
func (c *planCheck) notMeasured(step int, path ...any) bool {
	s := c.plan.Steps[step]
	if q := s.Instrument.Quantity(); q != OfLength {
		c.wrong(fmt.Sprintf("step %q measures a %s, where a length is needed", s.Name, q), "name a step that measures a length", path...)
		return true
	}
	if s.Kind.measures() {
		return false
	}
	c.wrong(fmt.Sprintf("step %q is of the kind %q and has no value", s.Name, s.Kind), "name a step that is measured", path...)
	return true
}
