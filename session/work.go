package session

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"shimwright/calc"
	"shimwright/session/tomlfile"
)

// workColumns are the columns of a file of readings, in any order.
var workColumns = []string{"step", "place", "value", "unit", "instrument"}

// maxWorkRows bounds a file of readings.
const maxWorkRows = 100_000

// Work does the arithmetic of a whole job from a file of readings, with the very
// code of the bench. csvText has the header step,place,value,unit,instrument; place may be a name or
// a number from 1, or empty for the first; unit may be empty for mm; a feeler's
// value is written as passes/stops. An instrument that is not a kind of instrument,
// with or without a number behind it, counts as the kind that the step asks for.
//
// There is no profile in a file: the resolution is that of the last digit of the
// first value of an instrument, its repeatability is assumed to be as much, and its
// permissible errors are UsualLimits; the advice says that they were assumed.
// The error is a tomlfile.Problems that lists every mistake with its place.
func Work(planFile string, planText []byte, csvFile string, csvText io.Reader) (Snapshot, error) {
	return WorkAndDraw(planFile, planText, csvFile, csvText, 0, 0)
}

// WorkAndDraw is Work with a second way to the same interval: each gap's budget is
// drawn so many times from seed (JCGM 101:2008), and what that gives stands in the
// advice beside the analytic result. No draws are no second way.
func WorkAndDraw(planFile string, planText []byte, csvFile string, csvText io.Reader, draws int, seed uint64) (Snapshot, error) {
	plan, err := ReadPlan(planFile, planText)
	if err != nil {
		return Snapshot{}, err
	}
	rows, err := readRows(csvFile, csvText, &plan)
	if err != nil {
		return Snapshot{}, err
	}
	t := &turn{state: NewState(calc.NewMethod()), at: time.Unix(0, 0), door: FromTerminal}
	t.add(Started{Bench: "offline", Method: calc.WithUncertainty})
	for _, p := range profilesOf(rows) {
		t.add(ProfileSet{p})
	}
	t.add(Began{Plan: string(planText)})
	t.openNext()
	for _, r := range rows {
		if err := t.row(r); err != nil {
			return Snapshot{}, tomlfile.Problems{{File: csvFile, Line: r.line, Column: 1, Wrong: err.Error(), Right: "correct the row"}}
		}
	}
	t.keepBest()
	t.advise()
	if t.err != nil {
		return Snapshot{}, fmt.Errorf("cannot work out %s: %w", csvFile, t.err)
	}
	s := t.state.Snapshot()
	if draws == 0 {
		return s, nil
	}
	for i := range s.Advice {
		if s.Advice[i].Best == nil {
			continue
		}
		drawn, err := t.state.job.draw(i, *s.Advice[i].Best, draws, seed)
		if err != nil {
			return Snapshot{}, fmt.Errorf("cannot draw chain %q: %w", s.Advice[i].Chain, err)
		}
		s.Advice[i].Drawn = drawn
		s.Advice[i].heed(*drawn, t.state.job.plan.Decision.Level.InexactFloat64())
	}
	return s, nil
}

// heed takes back what is shown inside if the draws find less than the level asks for.
func (a *Advice) heed(d DrawnView, level float64) {
	if a.Best.Outcome != calc.ShownInside.String() || d.Inside >= level {
		return
	}
	a.Best.Outcome = calc.NotShown.String()
	a.Findings = append(a.Findings, reason("draws disagree", "drawn", fmt.Sprintf("%.4f", d.Inside), "level", fmt.Sprint(level)))
}

// draw finds the interval of a fit's end float by Monte Carlo, the shims' own
// tolerances included.
func (j *job) draw(i int, fit Fit, draws int, seed uint64) (*DrawnView, error) {
	acct, err := j.accountFor(i)
	if err != nil {
		return nil, err
	}
	known, err := acct.conclude()
	if err != nil {
		return nil, err
	}
	sample, err := j.floatBudget(known, fit).MonteCarlo(draws, seed)
	if err != nil {
		return nil, err
	}
	low, high := sample.Interval(j.plan.Decision.Coverage.InexactFloat64())
	at := func(x float64) Number {
		return worked(fit.EndFloat.Add(decimal.NewFromFloat(x)).RoundBank(4))
	}
	float := fit.EndFloat.InexactFloat64()
	ch := &j.plan.Chains[i]
	inside := sample.Below(ch.Most.InexactFloat64()-float) - sample.Below(ch.Least.InexactFloat64()-float)
	return &DrawnView{Draws: draws, Seed: seed, U: Num(decimal.NewFromFloat(sample.U()).RoundBank(correctionPlaces)), Low: at(low), High: at(high), Inside: rounded(inside, 4)}, nil
}

// row is one reading of a file.
type row struct {
	line        int
	step, place int
	kind        Kind
	command     Command
}

// row goes to the row's place and enters its value.
func (t *turn) row(r row) error {
	j := t.state.job
	if chain, _ := j.plan.direct(r.step); chain >= 0 {
		t.advise() // what is measured directly is measured with what is advised by now
	}
	if j.step != r.step || j.place != r.place {
		t.add(Moved{"place", j.plan.Steps[r.step].Name, r.place})
	}
	if _, no := t.command(r.command); no != nil {
		return no
	}
	return t.err
}

// readRows reads the whole file and lists every mistake in it.
func readRows(file string, text io.Reader, plan *Plan) ([]row, error) {
	r := csv.NewReader(text)
	r.FieldsPerRecord = -1
	r.TrimLeadingSpace = true
	header, err := r.Read()
	if err != nil {
		return nil, csvProblem(file, 1, "the file has no header", "begin with the line "+strings.Join(workColumns, ","))
	}
	columns, problem := columnsOf(header)
	if problem != "" {
		return nil, csvProblem(file, 1, problem, "begin with the line "+strings.Join(workColumns, ","))
	}
	var rows []row
	var problems tomlfile.Problems
	for {
		record, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, append(problems, csvProblem(file, csvLine(err), "this is not a row of comma-separated values", "put quotes around a text that has commas or quotes in it")...)
		}
		line, _ := r.FieldPos(0)
		if len(rows) == maxWorkRows {
			return nil, csvProblem(file, line, "the file has more than 100000 readings", "split it")
		}
		got, wrong, right := parseRow(record, columns, plan)
		got.line = line
		if wrong != "" {
			problems = append(problems, csvProblem(file, line, wrong, right)...)
		}
		rows = append(rows, got)
	}
	if len(rows) == 0 && len(problems) == 0 {
		return nil, csvProblem(file, 2, "the file has no reading", "add a row for each reading")
	}
	if len(problems) > 0 {
		return nil, problems
	}
	return rows, nil
}

func csvProblem(file string, line int, wrong, right string) tomlfile.Problems {
	return tomlfile.Problems{{File: file, Line: line, Column: 1, Wrong: wrong, Right: right}}
}

// csvLine is the line that a csv error names.
func csvLine(err error) int {
	var parse *csv.ParseError
	if errors.As(err, &parse) {
		return parse.Line
	}
	return 1
}

func columnsOf(header []string) (map[string]int, string) {
	columns := map[string]int{}
	for i, name := range header {
		name = strings.TrimSpace(strings.TrimPrefix(name, "\ufeff"))
		if !slices.Contains(workColumns, name) {
			return nil, fmt.Sprintf("there is no column %q", name)
		}
		if _, twice := columns[name]; twice {
			return nil, fmt.Sprintf("column %q stands twice", name)
		}
		columns[name] = i
	}
	for _, name := range workColumns {
		if _, ok := columns[name]; !ok {
			return nil, fmt.Sprintf("column %q is missing", name)
		}
	}
	return columns, ""
}

// parseRow reads one row; wrong and right say what is the matter with it.
func parseRow(record []string, columns map[string]int, plan *Plan) (r row, wrong, right string) {
	if len(record) != len(columns) {
		return row{}, fmt.Sprintf("the row has %d fields", len(record)), fmt.Sprintf("it needs %d, as the header", len(columns))
	}
	cell := func(name string) string { return strings.TrimSpace(record[columns[name]]) }
	r.step = plan.step(cell("step"))
	if r.step < 0 {
		return row{}, fmt.Sprintf("the plan has no step %q", cell("step")), "use the step's name as the plan has it"
	}
	step := &plan.Steps[r.step]
	if !step.Kind.measures() {
		return row{}, fmt.Sprintf("step %q is of the kind %q and takes no value", step.Name, step.Kind), "leave the row out"
	}
	place := cell("place")
	r.place = slices.Index(step.Places, place)
	if n, err := strconv.Atoi(place); r.place < 0 && err == nil {
		r.place = n - 1
	}
	if place == "" {
		r.place = 0
	}
	if r.place < 0 || r.place >= len(step.Places) {
		return row{}, fmt.Sprintf("step %q has no place %q", step.Name, place), fmt.Sprintf("give a number from 1 to %d or a place's name", len(step.Places))
	}
	instrument := cell("instrument")
	if instrument == "" {
		instrument = strings.ReplaceAll(string(step.Instrument), " ", "-")
	}
	r.kind = kindOf(instrument, step.Instrument)
	r.command = Command{Do: Enter, Door: FromTerminal, Instrument: instrument, Unit: cell("unit"), Value: cell("value")}
	if passes, stops, pair := strings.Cut(r.command.Value, "/"); pair {
		r.command.Value, r.command.Passes, r.command.Stops = "", strings.TrimSpace(passes), strings.TrimSpace(stops)
	}
	if _, no := typedReading(Profile{Name: instrument, Kind: r.kind}, r.command); no != nil {
		return row{}, no.Message, no.Instead
	}
	return r, "", ""
}

// kindOf tells the kind from a name such as depth-gauge-2.
func kindOf(name string, otherwise Kind) Kind {
	plain := strings.TrimRight(strings.ReplaceAll(name, "-", " "), " 0123456789")
	if kind := Kind(plain); slices.Contains(Kinds(), kind) {
		return kind
	}
	return otherwise
}

// profilesOf makes a profile for each instrument that the rows name.
func profilesOf(rows []row) []Profile {
	var profiles []Profile
	for _, r := range rows {
		name := r.command.Instrument
		if slices.ContainsFunc(profiles, func(p Profile) bool { return p.Name == name }) {
			continue
		}
		text, unit := r.command.Value, r.kind.Quantity().Unit()
		if text == "" {
			text = r.command.Stops
		}
		// The unit and the number were read once already.
		_ = unit.UnmarshalText([]byte(r.command.Unit))
		n, _ := ParseNumber(text)
		profiles = append(profiles, workProfile(name, r.kind, unit.span(lastDigit(n))))
	}
	return profiles
}

// workProfile is what a file tells of an instrument: one count.
func workProfile(name string, k Kind, count Number) Profile {
	p := UsualProfile(k)
	p.Name = name
	switch k.Quantity() {
	case OfTorque:
		p.ResolutionNm, p.RepeatabilityNm = &count, &count
	case OfTemperature:
		p.ResolutionCel, p.RepeatabilityCel = &count, &count
	default:
		p.Resolution, p.Repeatability = count, count
	}
	return p
}
