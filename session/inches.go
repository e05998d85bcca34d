package session

import (
	"fmt"
	"slices"

	"github.com/shopspring/decimal"
)

// inMillimetres converts the lengths of a command that a person typed in inches. Numbers
// that cannot be read stay, to be refused where they are needed. A shim that the stock
// holds is meant by its size, which people write in inches as far as they care.
func (t *turn) inMillimetres(c Command) (Command, *Refusal) {
	if c.Unit == "" || !slices.Contains([]Verb{Fitting, CountStock, CheckInstrument}, c.Do) {
		return c, nil
	}
	var unit Unit
	if err := unit.UnmarshalText([]byte(c.Unit)); err != nil || unit.Quantity() != OfLength {
		return c, refuse("bad unit", fmt.Sprintf("%q is not a unit of %s", c.Unit, OfLength), "write "+unitWords(OfLength), "unit", c.Unit, "names", unitNames(OfLength))
	}
	if unit != Inch {
		return c, nil
	}
	for _, text := range []*string{&c.Value, &c.Block, &c.U, &c.Tolerance} {
		*text = millimetresOf(*text, nil)
	}
	c.Size = millimetresOf(c.Size, t.state.shimsOf(c.Stock))
	var known []Shim
	if t.state.job != nil {
		known = t.state.job.plan.Stock
	}
	packs := make([]SaidPack, len(c.Packs))
	for i, p := range c.Packs {
		packs[i] = SaidPack{Side: p.Side, Pieces: slices.Clone(p.Pieces)}
		for k := range p.Pieces {
			packs[i].Pieces[k] = millimetresOf(p.Pieces[k], known)
		}
	}
	if len(packs) > 0 {
		c.Packs = packs
	}
	return c, nil
}

// millimetresOf converts inches to millimetres exactly, or to the nearest of the shims
// that come to the same inches as far as they were written.
func millimetresOf(text string, shims []Shim) string {
	n, err := ParseNumber(text)
	if err != nil {
		return text
	}
	mm := Inch.ToMM(n)
	off := func(s Shim) decimal.Decimal { return s.nominal().Sub(mm.Decimal).Abs() }
	best := -1
	half := Inch.ToMM(Num(decimal.New(5, n.Exponent()-1)))
	for i, s := range shims {
		if off(s).LessThanOrEqual(half.Decimal) && (best < 0 || off(s).LessThan(off(shims[best]))) {
			best = i
		}
	}
	if best >= 0 {
		return shims[best].nominal().String()
	}
	return mm.String()
}

// shimsOf are those of a stock of the bench.
func (s *State) shimsOf(stock string) []Shim {
	if i := s.stockOf(stock); i >= 0 {
		return s.stocks[i].Shims
	}
	return nil
}
