package session

import (
	"cmp"
	"fmt"
	"slices"

	"github.com/shopspring/decimal"

	"shimwright/calc"
)

// A Seat is a ring that goes into a heated seat. Its chain is a sum without shims that
// gives the interference: the ring's diameter less the seat's.
type Seat struct {
	Name      string      `toml:"name" strict:"required,unique" example:"pump-seat" json:"name"`
	Title     string      `toml:"title" strict:"required" example:"Bearing into the pump half" json:"title"`
	Chain     string      `toml:"chain" strict:"required" example:"pump-interference" json:"chain"`
	Heated    string      `toml:"heated" strict:"required" example:"pump-half" json:"heated"`     // the part; its expansion counts
	Ring      string      `toml:"ring" json:"ring,omitempty"`                                     // the part whose temperature the ring has; the shop's if not given
	Diameter  *Number     `toml:"diameter" strict:"required" example:"52.00" json:"diameter_mm"`  // of the seat, nominal
	Clearance *Number     `toml:"clearance" strict:"required" example:"0.03" json:"clearance_mm"` // to assemble with
	Limits    []HeatLimit `toml:"limit" strict:"required" example:"[[fit.limit]]" json:"limits"`  // what must not get hotter
}

// A HeatLimit is a temperature in °C that something must not exceed.
type HeatLimit struct {
	Name    string `toml:"name" strict:"required,unique" example:"seal" json:"name"`
	Celsius Number `toml:"celsius" strict:"required" example:"120" json:"celsius"`
}

// A SeatView says how hot a part must be for a ring to drop into it. While the
// interference is not known there is no temperature, nor where a limit forbids it.
type SeatView struct {
	Name         string      `json:"fit"`
	Title        string      `json:"title"`
	Chain        string      `json:"chain"`
	Heated       string      `json:"heated"`                    // the part
	HeatedTitle  string      `json:"heated_title,omitempty"`    // its title
	Interference *Number     `json:"interference_mm,omitempty"` // below 0: the ring is loose
	Expanded     *Number     `json:"expanded_mm,omitempty"`
	Clearance    Number      `json:"clearance_mm"`
	Ring         *Number     `json:"ring_celsius,omitempty"`
	Above        *Number     `json:"above_kelvin,omitempty"` // how much hotter than the ring
	Celsius      *Number     `json:"celsius,omitempty"`      // to heat to, rounded up; absent if it is not advised
	Limits       []HeatLimit `json:"limits"`
	Provisional  bool        `json:"provisional,omitempty"` // a step is open
	Assumed      []Reason    `json:"assumed,omitempty"`
	Findings     []Reason    `json:"findings,omitempty"`
}

// most is the lowest of the limits.
func (s *Seat) most() *Number {
	least := slices.MinFunc(s.Limits, func(a, b HeatLimit) int { return a.Celsius.Cmp(b.Celsius.Decimal) })
	return &least.Celsius
}

// seatViews shows every fit of the plan.
func (j *job) seatViews() []SeatView {
	var all []SeatView
	for i := range j.plan.Seats {
		all = append(all, j.seatView(&j.plan.Seats[i]))
	}
	return all
}

func (j *job) seatView(s *Seat) SeatView {
	part := &j.plan.Parts[j.plan.part(s.Heated)]
	v := SeatView{
		Name: s.Name, Title: s.Title, Chain: s.Chain, Heated: s.Heated, HeatedTitle: part.Title, Clearance: *s.Clearance, Limits: s.Limits,
	}
	a := j.advice[j.plan.chain(s.Chain)]
	if a == nil || a.Gap == nil || a.Budget == nil {
		return v
	}
	v.Interference, v.Expanded, v.Provisional = a.Gap, &a.Budget.Expanded, a.State != Final
	ring := j.ringCelsius(s, &v)
	v.Ring = &ring
	found, err := calc.Heat(calc.SeatFit{
		Ring: s.Diameter.Add(a.Gap.Decimal), Seat: s.Diameter.Decimal, Clearance: s.Clearance.Decimal,
		Alpha: part.Expansion.InexactFloat64() * 1e-6, RingCelsius: ring.InexactFloat64(), Limits: s.hottest(),
	})
	if err != nil {
		v.Findings = append(v.Findings, reason("cannot be heated", "fit", s.Name, "why", err.Error()))
		return v
	}
	above := Num(decimal.NewFromFloat(found.Above).RoundCeil(1))
	v.Above = &above
	for _, f := range found.Findings {
		r := reason(f.Code, "fit", s.Name)
		for k, p := range f.Params {
			r.Params[k] = p
		}
		v.Findings = append(v.Findings, r)
	}
	wrong := j.wrongSeat(s, a)
	if wrong != nil {
		v.Findings = append(v.Findings, *wrong)
	}
	if found.Allowed && wrong == nil {
		celsius := Num(decimal.NewFromFloat(found.Celsius).RoundCeil(0))
		if celsius.GreaterThan(s.most().Decimal) {
			celsius = *s.most()
		}
		v.Celsius = &celsius
	}
	return v
}

// wrongSeat says that a ring has too little or too much interference, so that no heat is
// advised; nil if its chain does not say so.
func (j *job) wrongSeat(s *Seat, a *Advice) *Reason {
	if a.Best == nil || a.Best.Inside {
		return nil
	}
	code := "ring loose in its seat"
	if a.Gap.GreaterThan(a.Most.Decimal) {
		code = "ring too large for its seat"
	}
	why := reason(code, "fit", s.Name, "interference", a.Gap.String(), "least", a.Least.String(), "most", a.Most.String())
	return &why
}

func (s *Seat) hottest() []calc.HottestAllowed {
	var all []calc.HottestAllowed
	for _, l := range s.Limits {
		all = append(all, calc.HottestAllowed{Name: l.Name, Celsius: l.Celsius.InexactFloat64()})
	}
	return all
}

// ringCelsius is how warm the ring is: as taken of its part or of the shop, or 20.
func (j *job) ringCelsius(s *Seat, v *SeatView) Number {
	for _, of := range []string{s.Ring, Shop} {
		if w := warmthOf(j.warmth, of); w != nil && of != "" {
			return w.Celsius
		}
	}
	v.Assumed = append(v.Assumed, reason("ring assumed cold", "celsius", "20"))
	return *plain("20")
}

// seat finds a fit by name; -1 if there is none.
func (p *Plan) seat(name string) int {
	return slices.IndexFunc(p.Seats, func(s Seat) bool { return s.Name == name })
}

// seats checks the fits of a plan.
func (c *planCheck) seats() {
	for i, s := range c.plan.Seats {
		at := func(key string) []any { return []any{"fit", i, key} }
		switch k := c.plan.chain(s.Chain); {
		case s.Chain == "":
		case k < 0:
			c.wrong(fmt.Sprintf("there is no chain %q", s.Chain), "name the chain that gives the interference", at("chain")...)
		case !c.plan.Chains[k].plainSum():
			c.wrong(fmt.Sprintf("chain %q takes shims, so it gives no interference", s.Chain), "name a chain without sides: ring less seat", at("chain")...)
		}
		switch k := c.plan.part(s.Heated); {
		case s.Heated == "":
		case k < 0:
			c.wrong(fmt.Sprintf("there is no part %q", s.Heated), "name the [[part]] that is heated", at("heated")...)
		case c.plan.Parts[k].Expansion == nil || !c.plan.Parts[k].Expansion.IsPositive():
			c.wrong(fmt.Sprintf("part %q is heated, and its expansion is not stated", s.Heated), "give it expansion_per_kelvin_e6; aluminium has 23", at("heated")...)
		}
		if s.Ring != "" && c.plan.part(s.Ring) < 0 {
			c.wrong(fmt.Sprintf("there is no part %q", s.Ring), "name the [[part]] that the ring is", at("ring")...)
		}
		if s.Diameter != nil && !s.Diameter.IsPositive() {
			c.wrong(fmt.Sprintf("a seat of %s mm is no seat", s.Diameter), "give its diameter", at("diameter")...)
		}
		if len(s.Limits) == 0 && c.has("fit", i, "limit") {
			c.wrong(fmt.Sprintf("fit %q names nothing that must not get too hot", s.Name), "give a [[fit.limit]] for bearing, seal and case", at("limit")...)
		}
		c.notNegative(s.Clearance, "the clearance of fit "+fmt.Sprintf("%q", s.Name), at("clearance")...)
		for k, l := range s.Limits {
			c.within(&l.Celsius, "30", "400", "a limit", "fit", i, "limit", k, "celsius")
		}
	}
	for i, s := range c.plan.Steps {
		if s.Fit == "" {
			continue
		}
		switch k := c.plan.seat(s.Fit); {
		case k < 0:
			c.wrong(fmt.Sprintf("there is no fit %q", s.Fit), "name a [[fit]]", "step", i, "fit")
		case s.Celsius != nil || s.MostCelsius != nil:
			c.wrong(fmt.Sprintf("step %q has a fit, which says how hot", s.Name), "leave celsius and most_celsius out, or the fit", "step", i, "fit")
		}
	}
}

// heatFor shows how hot to make the part of a fit, as it is known now.
func (j *job) heatFor(fit string) *HeatView {
	s := &j.plan.Seats[j.plan.seat(fit)]
	v := j.seatView(s)
	return &HeatView{Fit: fit, Part: cmp.Or(v.HeatedTitle, v.Heated), Celsius: v.Celsius, Most: s.most(), MostOf: s.mostOf()}
}

// mostOf names what the lowest limit protects.
func (s *Seat) mostOf() string {
	i := slices.IndexFunc(s.Limits, func(l HeatLimit) bool { return l.Celsius.Equal(s.most().Decimal) })
	return s.Limits[i].Name
}
