package history

import (
	"math"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"shimwright/calc"
	"shimwright/session"
)

// BuiltEngine is the way of the end float measured on the built engine; the other ways
// are those of session.EvidenceView.
const BuiltEngine = "built engine"

// An Agreement is how what was measured directly agreed with what was expected before, for
// one chain of a plan and one way of measuring, job by job in the order in which they ended.
// Lengths are in mm; E_n as in ISO 13528, above 0 where more was found than expected.
type Agreement struct {
	Plan        string       `json:"plan"`
	Chain       string       `json:"chain"`
	Title       string       `json:"title"`
	Way         string       `json:"way"`
	Agreed      int          `json:"agreed"`       // points with |E_n| at most 1
	NotCompared int          `json:"not_compared"` // jobs in which nothing could be expected, such as without bearing play
	Points      []Point      `json:"points"`
	Difference  *float64     `json:"mean_difference_mm,omitempty"` // of found less expected
	Leans       string       `json:"leans,omitempty"`              // "larger" or "smaller": the mean E_n differs from 0 at 99 %
	Chart       *ChartLimits `json:"chart,omitempty"`              // absent with fewer than two points
	Signals     []Signal     `json:"signals,omitempty"`
}

// A Point is one job in an Agreement.
type Point struct {
	Job      string         `json:"job"`
	Ended    time.Time      `json:"ended"`
	Found    session.Number `json:"found_mm"`
	FoundU   session.Number `json:"found_expanded_mm"`
	Expected session.Number `json:"expected_mm"`
	// ExpectedU is absent of a gap: the log does not keep it.
	ExpectedU *session.Number `json:"expected_expanded_mm,omitempty"`
	En        float64         `json:"en"`
	Agrees    bool            `json:"agrees"`
	Outside   bool            `json:"outside_limits,omitempty"`
}

// ChartLimits are those of a control chart for individuals of E_n. With few points they
// are provisional.
type ChartLimits struct {
	Centre      float64 `json:"centre"`
	Lower       float64 `json:"lower"`
	Upper       float64 `json:"upper"`
	MeanRange   float64 `json:"mean_moving_range"`
	RangeLimit  float64 `json:"moving_range_limit"`
	Provisional bool    `json:"provisional,omitempty"`
}

// A Signal is one of the chart's, with the jobs that it concerns.
type Signal struct {
	Code string `json:"code"`
	From string `json:"from_job"`
	To   string `json:"to_job"`
	Side string `json:"side,omitempty"` // "above" or "below"

	// Count is how many jobs it is about.
	Count int `json:"jobs"`
}

// EnoughPoints is from how many jobs on limits are not provisional any more.
const EnoughPoints = 8

// leanRisk is that of saying that E_n leans to one side where it does not.
const leanRisk = 0.01

// direct is one comparison in a job.
type direct struct {
	chain, title, way string
	compared          bool
	point             Point
}

// directOf lists the comparisons of a job.
func directOf(s session.Snapshot, ended time.Time) []direct {
	var out []direct
	for _, a := range s.Advice {
		for _, e := range a.Evidence {
			p := Point{Found: e.Gap, FoundU: e.Expanded, Expected: e.Chain, En: e.En, Agrees: e.Agrees}
			out = append(out, direct{a.Chain, a.Title, e.Way, e.Compared, p})
		}
		if b := a.Built; b != nil {
			p := Point{Found: b.Float, FoundU: b.Expanded, Expected: b.Expected, ExpectedU: &b.ExpectedU, En: b.En, Agrees: b.Agrees}
			out = append(out, direct{a.Chain, a.Title, BuiltEngine, b.Compared, p})
		}
	}
	for i := range out {
		p := &out[i].point
		p.Job, p.Ended = s.Job.Number, ended.UTC()
		// The bench has E_n of a gap the other way round than of an end float.
		p.En = math.Copysign(p.En, p.Found.Sub(p.Expected.Decimal).InexactFloat64()) + 0
	}
	return out
}

// agreementsOf gathers the comparisons of all jobs, in the order in which they first came.
func agreementsOf(jobs []closed) ([]*Agreement, error) {
	var all []*Agreement
	for _, j := range jobs {
		for _, d := range j.direct {
			a := find(all, func(a *Agreement) bool { return a.Plan == j.plan && a.Chain == d.chain && a.Way == d.way })
			if a == nil {
				a = &Agreement{Plan: j.plan, Chain: d.chain, Way: d.way, Points: []Point{}}
				all = append(all, a)
			}
			a.Title = d.title
			if !d.compared {
				a.NotCompared++
				continue
			}
			a.Points = append(a.Points, d.point)
		}
	}
	for _, a := range all {
		if err := a.Work(); err != nil {
			return nil, err
		}
	}
	return all, nil
}

// Work makes everything else from the points, once; a Fold has done so. The error is that of
// calc.Individuals.
func (a *Agreement) Work() error {
	if len(a.Points) == 0 {
		return nil
	}
	values, difference := make([]float64, len(a.Points)), 0.0
	for i, p := range a.Points {
		values[i] = p.En
		if p.Agrees {
			a.Agreed++
		}
		difference += p.Found.Sub(p.Expected.Decimal).InexactFloat64() / float64(len(values))
	}
	difference = math.Round(difference*1e4)/1e4 + 0
	a.Difference = &difference
	if len(values) < 2 {
		return nil
	}
	c, err := calc.Individuals(values)
	if err != nil {
		return err
	}
	a.Chart = &ChartLimits{rounded(c.Centre), rounded(c.Lower), rounded(c.Upper), rounded(c.MeanRange), rounded(c.RangeLimit), len(values) < EnoughPoints}
	for _, s := range c.Signals {
		said := Signal{Code: s.Code, From: a.Points[s.From].Job, To: a.Points[s.To].Job, Count: s.To - s.From + 1}
		switch s.Code {
		case calc.OutsideLimits:
			a.Points[s.From].Outside = true
			said.Side = side(values[s.From] - c.Centre)
		case calc.RowOnOneSide:
			said.Side = side(values[s.From] - c.Centre)
		}
		a.Signals = append(a.Signals, said)
	}
	a.lean(values, c.Centre)
	return nil
}

func side(beyond float64) string {
	if beyond > 0 {
		return "above"
	}
	return "below"
}

func rounded(x float64) float64 { return math.Round(x*1e3)/1e3 + 0 }

// lean says whether the mean E_n differs from 0 (Student's t, two-sided, 99 %). Fewer
// points than limits need are too few to say it.
func (a *Agreement) lean(values []float64, mean float64) {
	if len(values) < EnoughPoints {
		return
	}
	squares := 0.0
	for _, v := range values {
		squares += (v - mean) * (v - mean)
	}
	n := float64(len(values))
	u := math.Sqrt(squares / (n - 1) / n)
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n - 1}.Quantile(1 - leanRisk/2)
	switch {
	case mean > t*u:
		a.Leans = Larger
	case mean < -t*u:
		a.Leans = Smaller
	}
}
