package drawing

import (
	"slices"

	"github.com/shopspring/decimal"

	"shimwright/session"
	"shimwright/session/wording"
)

// The section in its own coordinates: where the seats are, how much of the room
// the gap takes, and how wide a thin part is.
const (
	seatLeft  = 150.0
	seatRight = 850.0
	gapWide   = 200.0
	plateWide = 34.0
	mostDims  = 12 // dimensions that are drawn; further ones are counted
)

// A dim is one dimension of the chain as it is drawn.
type dim struct {
	title  string
	value  string // empty while it is not measured
	soFar  string // the same while it is measured
	plus   bool
	thick  bool // a case part or the shaft; others are thin
	active bool
	side   string
	x0, x1 float64
}

// A pack is the shims of one side as they are drawn.
type pack struct {
	session.Pack
	left   bool
	x0, x1 float64
	k      float64 // units per millimetre
}

// A section is everything that the picture of one chain shows.
type section struct {
	l           *wording.Language
	plus, minus []dim // in the order from left to right
	more        int   // dimensions without room
	packs       []pack
	bodyLeft    float64 // where the shaft's parts begin
	bodyRight   float64
	room0       float64 // the gap that is left
	room1       float64
	advice      session.Advice
	step        *session.StepView // the active one
	inChain     bool              // the active step is a dimension of the chain
	checking    bool              // the active step measures the gap that is left
}

// Chain tells which chain to draw: the first that the active step belongs to, else that
// of the step before it that belongs to one, else the first that is not final, else the
// first; -1 if there is none.
func Chain(s session.Snapshot) int {
	if len(s.Advice) == 0 {
		return -1
	}
	if s.Step == nil {
		return 0
	}
	if i := chainOf(s.Advice, *s.Step); i >= 0 {
		return i
	}
	if s.Job != nil {
		for k := min(s.Step.Number-1, len(s.Job.Steps)) - 1; k >= 0; k-- {
			if i := chainOf(s.Advice, s.Job.Steps[k]); i >= 0 {
				return i
			}
		}
	}
	return max(0, slices.IndexFunc(s.Advice, func(a session.Advice) bool { return a.State != session.Final && !a.NoShims }))
}

// chainOf is the first chain that a step is a dimension of, or measures directly; -1 if
// there is none.
func chainOf(all []session.Advice, step session.StepView) int {
	uses := func(a session.Advice) bool {
		return !a.NoShims && slices.ContainsFunc(a.Terms, func(t session.TermView) bool { return t.Name == step.Name })
	}
	if i := slices.IndexFunc(all, uses); i >= 0 {
		return i
	}
	if len(step.Packs) > 0 {
		side := func(a session.Advice) bool {
			return a.Best != nil && slices.ContainsFunc(a.Best.Packs, func(p session.Pack) bool { return p.Side == step.Packs[0].Side })
		}
		if i := slices.IndexFunc(all, side); i >= 0 {
			return i
		}
	}
	if checks(step) && step.Limits == nil {
		return 0
	}
	return -1
}

// checks tells whether a step measures the gap itself.
func checks(s session.StepView) bool {
	return s.Use == session.GapCheck || s.Instrument == session.Feeler
}

// newSection lays chain i out.
func newSection(l *wording.Language, s session.Snapshot, i int) *section {
	c := &section{l: l, advice: s.Advice[i], step: s.Step}
	for _, t := range c.advice.Terms {
		c.add(s, t)
	}
	c.checking = c.step != nil && !c.inChain && checks(*c.step)
	c.layPlus()
	c.layPacks()
	c.layMinus()
	return c
}

func (c *section) add(s session.Snapshot, t session.TermView) {
	if len(c.plus)+len(c.minus) == mostDims {
		c.more++
		return
	}
	d := dim{title: clean(c.l.Text(t.Title)), plus: t.Sign != "-"}
	if d.title == "" {
		d.title = clean(t.Name)
	}
	if t.Value != nil {
		d.value = c.l.Length(*t.Value)
		d.soFar = c.l.Say("so far %s", d.value)
	}
	if step := stepOf(s, t.Name); step != nil {
		d.side = step.Side
		d.thick = !d.plus || step.Use == session.Depth || step.Use == session.Inside || step.Instrument == session.DepthGauge
		d.active = c.step != nil && c.step.Name == t.Name
		c.inChain = c.inChain || d.active
	}
	if d.plus {
		c.plus = append(c.plus, d)
	} else {
		c.minus = append(c.minus, d)
	}
}

func stepOf(s session.Snapshot, name string) *session.StepView {
	if s.Job == nil {
		return nil
	}
	for i := range s.Job.Steps {
		if s.Job.Steps[i].Name == name {
			return &s.Job.Steps[i]
		}
	}
	return nil
}

// layPlus places what makes the room: the first thick part at the left, the last
// one at the right, the rest between.
func (c *section) layPlus() {
	if i := slices.IndexFunc(c.plus, func(d dim) bool { return d.thick }); i > 0 {
		first := c.plus[i]
		c.plus = slices.Insert(slices.Delete(c.plus, i, i+1), 0, first)
	}
	for i := len(c.plus) - 1; i > 0; i-- {
		if c.plus[i].thick {
			last := c.plus[i]
			c.plus = append(slices.Delete(c.plus, i, i+1), last)
			break
		}
	}
	spread(c.plus, seatLeft, seatRight)
}

// layMinus places what fills the room: the parts in their order, thick ones wide.
func (c *section) layMinus() { spread(c.minus, c.bodyLeft, c.bodyRight) }

// spread shares the length from x0 to x1: thin parts get their width, thick ones
// share the rest. If all are thin they share alike.
func spread(dims []dim, x0, x1 float64) {
	thick := 0
	for _, d := range dims {
		if d.thick {
			thick++
		}
	}
	thin := len(dims) - thick
	thinWide, thickWide := (x1-x0)/float64(max(thin, 1)), 0.0
	if thick > 0 {
		thinWide = min(plateWide, (x1-x0)*0.4/float64(max(thin, 1)))
		thickWide = (x1 - x0 - thinWide*float64(thin)) / float64(thick)
	}
	x := x0
	for i := range dims {
		w := thinWide
		if dims[i].thick {
			w = thickWide
		}
		dims[i].x0, dims[i].x1 = x, x+w
		x += w
	}
}

// layPacks places shims and gap. Before there is a fit the shaft sits at the left
// seat and the whole gap is at its right. While the check gap is measured only
// the first side's pack is there.
func (c *section) layPacks() {
	c.bodyLeft = seatLeft
	if fit := c.advice.Best; fit != nil {
		c.fitPacks(*fit)
	}
	right := seatRight
	for _, p := range c.packs {
		if p.left {
			c.bodyLeft = max(c.bodyLeft, p.x1)
		} else {
			right = min(right, p.x0)
		}
	}
	c.bodyRight = c.bodyLeft + seatRight - seatLeft - gapWide
	c.room0, c.room1 = c.bodyRight, max(c.bodyRight, right)
}

func (c *section) fitPacks(fit session.Fit) {
	whole := fit.Total.Decimal
	if fit.EndFloat.IsPositive() {
		whole = whole.Add(fit.EndFloat.Decimal)
	}
	if !whole.IsPositive() {
		return
	}
	k := decimal.NewFromFloat(gapWide).DivRound(whole, 9).InexactFloat64()
	left, right := seatLeft, seatRight
	for i, p := range fit.Packs {
		if c.checking && i > 0 {
			break
		}
		q := pack{Pack: p, k: k, left: c.atLeft(p.Side, i)}
		wide := p.Total.InexactFloat64() * k
		if q.left {
			q.x0, q.x1 = left, left+wide
			left = q.x1
		} else {
			q.x0, q.x1 = right-wide, right
			right = q.x0
		}
		c.packs = append(c.packs, q)
	}
}

// atLeft tells on which end a side is: where the part of the same side is, else
// the first at the left and further ones at the right.
func (c *section) atLeft(side string, i int) bool {
	for k, d := range c.plus {
		if d.side != "" && d.side == side {
			return k == 0
		}
	}
	return i == 0
}
