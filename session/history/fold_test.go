package history

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"shimwright/session"
)

// A job on which work goes on after its end is open again, and is not learnt from twice.
func TestAJobThatGoesOnIsOpen(t *testing.T) {
	f := New(nil, Filter{})
	f.jobs = []closed{{number: "1"}, {number: "2"}}
	f.goesOn("2")
	f.goesOn("2")
	f.goesOn("")
	assert.Equal(t, []string{"2"}, f.open)
	assert.Equal(t, []closed{{number: "1"}}, f.jobs)
}

func TestStateable(t *testing.T) {
	for _, c := range []struct {
		s       float64
		d, want string
	}{
		{0.00774, "0.01", "0.0077"}, {0.0108, "0.01", "0.0108"}, {0.0199, "0.01", "0.0199"}, {0.02, "0.01", "0.020"}, {0.0956, "0.01", "0.096"},
		{0.0996, "0.01", "0.100"}, {0.0001, "0.01", "0.0029"}, {0, "0.001", "0.00029"}, {0, "0", "0.000100"}, {1.234, "0.01", "1.23"}, {23.4, "0.01", "23"},
	} {
		d, err := session.ParseNumber(c.d)
		assert.NoError(t, err)
		assert.Equal(t, c.want, stateable(c.s, d).String(), c.s)
	}
}

// Slips are not in what is offered; what could be chance is.
func TestSlipsAreNotOffered(t *testing.T) {
	d, err := session.ParseNumber("0.01")
	assert.NoError(t, err)
	for _, c := range []struct {
		slip    float64
		want    string
		without bool
	}{{0.02, "0.0086", false}, {0.30, "0.0080", true}} {
		row := &Repeats{Step: "width"}
		row.counted.Squares, row.counted.Freedom = 0.008*0.008*40, 40
		row.all = row.counted
		row.all.Squares, row.all.Freedom = row.all.Squares+c.slip*c.slip*2/3*2, 42
		in := &Instrument{Name: "caliper-1", Resolution: d, rows: []*Repeats{row}}
		in.all = row.all
		in.finish()
		assert.Equal(t, c.without, in.Offer.Without)
		assert.Equal(t, c.want, in.Offer.Repeatability.String())
		assert.NotNil(t, in.With)
	}
}

// Where one step scatters more than the others, its value is offered.
func TestTheLargestIsOfferedWhereStepsDiffer(t *testing.T) {
	row := func(step string, s float64, nu int) *Repeats {
		r := &Repeats{Step: step}
		r.counted.Squares, r.counted.Freedom = s*s*float64(nu), nu
		r.all = r.counted
		return r
	}
	for _, c := range []struct {
		rows []*Repeats
		from string
	}{
		{[]*Repeats{row("width", 0.008, 40)}, ""},
		{[]*Repeats{row("width", 0.008, 40), row("depth", 0.009, 40)}, ""},
		{[]*Repeats{row("width", 0.008, 40), row("depth", 0.020, 40)}, "depth"},
		{[]*Repeats{row("width", 0.008, 40), row("depth", 0.020, 4)}, ""},
	} {
		in := &Instrument{rows: c.rows}
		for _, r := range c.rows {
			in.all = in.all.With(r.all)
		}
		in.finish()
		assert.Equal(t, c.from, in.Offer.From)
	}
	few := &Instrument{rows: []*Repeats{row("width", 0.008, 7)}}
	few.finish()
	assert.Nil(t, few.Offer)
}
