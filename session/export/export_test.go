package export_test

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/calc"
	"shimwright/session"
	"shimwright/session/export"
)

const testdata = "../../testdata"

// The validator is not ours.
func schema(t *testing.T, name string) *jsonschema.Schema {
	t.Helper()
	compiler := jsonschema.NewCompiler() // draft 2020-12 by the file's $schema
	compiler.AssertFormat()
	s, err := compiler.Compile(filepath.Join(testdata, "schema", name+".json"))
	require.NoError(t, err)
	return s
}

func parsed(t *testing.T, text []byte) any {
	t.Helper()
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	require.NoError(t, err)
	return v
}

// recorded yields the lines of each recorded job.
func recorded(t *testing.T) map[string][][]byte {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(testdata, "jobs", "*", "entries.jsonl"))
	require.NoError(t, err)
	require.NotEmpty(t, files)
	all := map[string][][]byte{}
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		all[filepath.Base(filepath.Dir(file))] = bytes.Split(bytes.TrimSpace(text), []byte("\n"))
	}
	return all
}

// fold shows the snapshot after each line.
func fold(t *testing.T, lines [][]byte, show func(n int, s session.Snapshot)) {
	t.Helper()
	s := session.NewState(calc.NewMethod())
	for i, line := range lines {
		e, err := session.DecodeEntry(line)
		require.NoError(t, err)
		require.NoError(t, s.Apply(e))
		show(i+1, s.Snapshot())
	}
}

func folded(t *testing.T, lines [][]byte) session.Snapshot {
	t.Helper()
	var last session.Snapshot
	fold(t, lines, func(_ int, s session.Snapshot) { last = s })
	return last
}

func stored(lines ...[]byte) func(func(int64, []byte) error) error {
	return func(yield func(int64, []byte) error) error {
		for i, line := range lines {
			if err := yield(int64(i+1), line); err != nil {
				return err
			}
		}
		return nil
	}
}

func TestEntriesAreTheStoredBytes(t *testing.T) {
	s := schema(t, "entry")
	for name, lines := range recorded(t) {
		t.Run(name, func(t *testing.T) {
			var out bytes.Buffer
			require.NoError(t, export.Entries(&out, stored(lines...)))
			assert.Equal(t, append(bytes.Join(lines, []byte("\n")), '\n'), out.Bytes())
			for _, line := range lines {
				v := parsed(t, line)
				assert.NoError(t, s.Validate(v), string(line))
				v.(map[string]any)["more"] = true
				assert.Error(t, s.Validate(v), "an unknown key")
			}
		})
	}
}

// Each kind has a body that must have its keys: the schema knows what it lets pass.
func TestTheSchemaOfEntriesRefuses(t *testing.T) {
	s := schema(t, "entry")
	const line = `{"seq":1,"run":1,"at":"2031-04-05T06:07:08.000000000Z","mono_ns":0,"job":"1","door":"bench","kind":%q,"body":%s}`
	for _, c := range []struct {
		kind, body string
		valid      bool
	}{
		{"strike out", `{"reading":4,"reason":"slipped"}`, true},
		{"strike out", `{"reading":4}`, false},
		{"strike out", `{"reading":0,"reason":"slipped"}`, false},
		{"step closed", `{"step":"a","value_mm":"1.20","counted":[1]}`, true},
		{"step closed", `{"step":"a","value_mm":1.2,"counted":[1]}`, false},
		{"step closed", `{"step":"a","value_mm":"1e3","counted":[1]}`, false},
		{"end", `{}`, true},
		{"nonesuch", `{}`, false},
	} {
		err := s.Validate(parsed(t, fmt.Appendf(nil, line, c.kind, c.body)))
		assert.Equal(t, c.valid, err == nil, "%s %s: %v", c.kind, c.body, err)
	}
}

func TestEntriesWithALineBreakAreRefused(t *testing.T) {
	for _, body := range []string{"{\n}", "{}\r"} {
		var out bytes.Buffer
		err := export.Entries(&out, stored([]byte("{}"), []byte(body)))
		assert.ErrorContains(t, err, "entry 2 holds a line break")
	}
}

// table writes readings and reads them back with a reader that is not ours, without
// the apostrophes.
func table(t *testing.T, readings []session.ReadingView) []map[string]string {
	t.Helper()
	var out bytes.Buffer
	require.NoError(t, export.Readings(&out, readings))
	records, err := csv.NewReader(&out).ReadAll()
	require.NoError(t, err)
	rows := make([]map[string]string, 0, len(records)-1)
	for _, record := range records[1:] {
		row := map[string]string{}
		for i, name := range records[0] {
			row[name] = strings.TrimPrefix(record[i], "'")
		}
		rows = append(rows, row)
	}
	return rows
}

func requireRow(t *testing.T, s *jsonschema.Schema, row map[string]string) {
	t.Helper()
	text, err := json.Marshal(row)
	require.NoError(t, err)
	require.NoError(t, s.Validate(parsed(t, text)), string(text))
}

func TestReadingsAreARowEach(t *testing.T) {
	s := schema(t, "reading")
	for name, lines := range recorded(t) {
		t.Run(name, func(t *testing.T) {
			var its []session.ReadingView
			for _, r := range folded(t, lines).Readings {
				if r.Job != "" {
					its = append(its, r)
				}
			}
			rows := table(t, its)
			require.Len(t, rows, len(its))
			for i, r := range its {
				requireRow(t, s, rows[i])
				assert.Equal(t, fmt.Sprint(r.Seq), rows[i]["seq"])
				value, q := r.Amount()
				assert.Equal(t, value.String(), rows[i]["value_"+q.Key()], "exact, with its zeros")
				assert.Equal(t, string(r.Standing), rows[i]["standing"])
				at, err := time.Parse(time.RFC3339Nano, rows[i]["time"])
				require.NoError(t, err)
				assert.True(t, at.Equal(r.Time))
			}
		})
	}
}

// full is a reading in which every column has something to say.
func full() session.ReadingView {
	n := func(text string) session.Number {
		v, err := session.ParseNumber(text)
		if err != nil {
			panic(err)
		}
		return v
	}
	value := n("-0.050")
	return session.ReadingView{
		Seq: 7, Time: time.Date(2031, 4, 5, 6, 7, 8, 900, time.FixedZone("", 3600)), Job: "3", Instrument: "dial-1", Kind: session.DialIndicator,
		Value: &value, Text: "-0.050", Unit: session.Millimetre, Typed: true, Raw: session.Raw("\x02-0.050\r\n"),
		Feeler: &session.FeelerPair{Passes: n("0.30"), Stops: n("0.35")}, Fault: &session.Fault{Code: "noise"},
		Operator: "ada", Door: session.FromPage, Ruling: session.Held, Why: &session.Reason{Code: "bounce"},
		Step: "bore", Place: "top", Decided: "set aside", Standing: session.LeftOut, Struck: "slipped",
		Outlier: &session.OutlierView{Test: "grubbs", Deviation: new(-0.02), Statistic: 1e-9, Limit: 2.5},
	}
}

func TestEveryColumn(t *testing.T) {
	var out bytes.Buffer
	require.NoError(t, export.Readings(&out, []session.ReadingView{full()}))
	assert.Equal(t, strings.ReplaceAll(`seq,time,job,step,place,instrument,instrument_kind,value_mm,as_sent,unit,typed,passes_mm,stops_mm,fault,raw,operator,door,ruling,ruling_reason,decided,standing,struck_reason,outlier_test,outlier_deviation_mm,outlier_statistic,outlier_limit,value_Nm,value_Cel,peak_mm,trough_mm
7,2031-04-05T05:07:08.0000009Z,"3","bore","top","dial-1","dial indicator",-0.050,"-0.050","mm",yes,0.30,0.35,"noise","\x02-0.050\r\n","ada","page","held","bounce","set aside","left out","slipped","grubbs",-0.02,0.000000001,2.5,,,,
`, "\n", "\r\n"), out.String())
	requireRow(t, schema(t, "reading"), table(t, []session.ReadingView{full()})[0])
}

func TestNoReadingsAreOnlyTheNames(t *testing.T) {
	assert.Empty(t, table(t, nil))
}

// A spreadsheet must not take a text for a formula, and a program must get the text back.
func TestHostileTextsStayText(t *testing.T) {
	for text, guarded := range map[string]bool{
		`=1+1`: true, `+1+1`: true, `-1+1`: true, `@SUM(A1)`: true, "\t=1": true, "\r=1": true, "\n=1": true, `'=1`: true, "＝1": true,
		`=HYPERLINK("http://x","y")`: true, `-`: true, `+`: true, `-1e5`: true,
		`-0.05`: false, `+0.05`: false, `a=1`: false, `12,5`: false, `say "no"`: false, "two\nlines": false, ` =1`: false, `ä`: false,
	} {
		r := full()
		r.Operator, r.Struck, r.Text, r.Place, r.Instrument = text, text, text, text, text
		var out bytes.Buffer
		require.NoError(t, export.Readings(&out, []session.ReadingView{r}))
		cell := strings.ReplaceAll(text, `"`, `""`)
		if guarded {
			cell = "'" + cell
		}
		assert.Equal(t, 5, strings.Count(out.String(), `,"`+cell+`"`), "%q in %s", text, out.String())
		if row := table(t, []session.ReadingView{r})[0]; !strings.HasPrefix(text, "'") {
			assert.Equal(t, text, row["operator"])
		}
	}
}

func FuzzReadings(f *testing.F) {
	f.Add(`=1+1`)
	f.Add("a\"b,\n")
	f.Add("'")
	f.Fuzz(func(t *testing.T, text string) {
		if strings.Contains(text, "\r") {
			return // the foreign reader changes line ends
		}
		r := full()
		r.Struck = text
		var out bytes.Buffer
		require.NoError(t, export.Readings(&out, []session.ReadingView{r}))
		records, err := csv.NewReader(&out).ReadAll()
		require.NoError(t, err)
		require.Len(t, records, 2)
		require.Len(t, records[1], len(records[0]))
		got := records[1][21]
		assert.False(t, got != "" && strings.ContainsAny(got[:1], "=@\t\n"), "%q", got)
		assert.Equal(t, text, strings.TrimPrefix(got, "'"), "or only an apostrophe came before")
	})
}

func TestResults(t *testing.T) {
	s := schema(t, "results")
	for name, lines := range recorded(t) {
		t.Run(name, func(t *testing.T) {
			fold(t, lines, func(n int, snapshot session.Snapshot) {
				if snapshot.Job == nil {
					return
				}
				ended := time.Time{}
				if snapshot.Job.Ended {
					ended = snapshot.Time
				}
				var out bytes.Buffer
				require.NoError(t, export.Results(&out, snapshot, ended))
				v := parsed(t, out.Bytes())
				require.NoError(t, s.Validate(v), "after %d entries: %s", n, out.String())
				v.(map[string]any)["more"] = true
				require.Error(t, s.Validate(v), "an unknown key")
				requireSame(t, snapshot, out.Bytes())
			})
		})
	}
}

// doneAt is what displays showed of a step at which nothing is measured.
func doneAt(step session.StepView) string {
	state, outcome := "open", ""
	if step.Closed {
		state = "closed"
	}
	if step.Compare != nil {
		outcome = step.Compare.Chosen
	}
	if step.Confirmed != nil {
		outcome = string(step.Confirmed.Outcome)
	}
	text := fmt.Sprint(step.Kind, state, outcome)
	if step.Wait != nil {
		text += fmt.Sprint(" ", step.Wait.Seconds)
	}
	for _, p := range step.Places {
		if p.Torque != nil {
			text += " " + p.Pull.Screw + " " + p.Torque.String()
		}
	}
	return text
}

// requireSame reads results as somebody else would and compares them with what
// displays showed.
func requireSame(t *testing.T, s session.Snapshot, text []byte) {
	t.Helper()
	var got struct {
		Results []struct {
			Kind, Name string
			Real       struct {
				Value string `json:"si:value"`
				Unit  string `json:"si:unit"`
				Unc   *struct {
					Uncertainty string  `json:"si:uncertainty"`
					Factor      float64 `json:"si:coverageFactor"`
					Probability string  `json:"si:coverageProbability"`
				} `json:"si:expandedUnc"`
			} `json:"si:real"`
			Decision struct{ Outcome string }
		}
		Done []struct {
			Kind, Name, State, Outcome string
			Wait                       *struct{ Seconds int64 }
			Pulls                      []struct {
				Screw string
				Real  *struct {
					Value string `json:"si:value"`
					Unit  string `json:"si:unit"`
				} `json:"si:real"`
			}
		}
	}
	require.NoError(t, json.Unmarshal(text, &got))
	values := map[string]string{}
	for _, r := range got.Results {
		values[r.Kind+" "+r.Name] = r.Real.Value
		unit := map[string]string{"temperature": "Cel"}[r.Kind]
		require.Equal(t, cmp.Or(unit, "mm"), r.Real.Unit, "the UCUM code of the unit")
		if u := r.Real.Unc; u != nil {
			values["U of "+r.Name] = fmt.Sprint(u.Uncertainty, " ", u.Factor, " ", u.Probability)
		}
		if r.Decision.Outcome != "" {
			values["outcome of "+r.Name] = r.Decision.Outcome
		}
	}
	want := map[string]string{}
	for _, d := range got.Done {
		values["done "+d.Name] = fmt.Sprint(d.Kind, d.State, d.Outcome)
		if d.Wait != nil {
			values["done "+d.Name] += fmt.Sprint(" ", d.Wait.Seconds)
		}
		for _, p := range d.Pulls {
			if p.Real != nil {
				values["done "+d.Name] += " " + p.Screw + " " + p.Real.Value
				require.Equal(t, "N.m", p.Real.Unit)
			}
		}
	}
	for _, step := range s.Job.Steps {
		switch {
		case step.Kind != session.MeasureStep:
			want["done "+step.Name] = doneAt(step)
		case step.Value != nil:
			want["dimension "+step.Name] = step.Value.String()
		case step.Celsius != nil:
			want["temperature "+step.Name] = step.Celsius.String()
		}
	}
	for _, a := range s.Advice {
		if a.Gap != nil && a.NoShims {
			want["sum "+a.Chain] = a.Gap.String()
		} else if a.Gap != nil {
			want["gap "+a.Chain] = a.Gap.String()
		}
		if b := a.Budget; b != nil {
			want["U of "+a.Chain] = fmt.Sprint(b.Expanded, " ", b.K, " ", b.Coverage)
		}
		if a.Best != nil && a.Best.Outcome != "" {
			want["outcome of "+a.Chain] = a.Best.Outcome
		}
		if a.Best != nil && !a.NoShims {
			want["expected end float "+a.Chain] = a.Best.EndFloat.String()
		}
	}
	require.Equal(t, want, values)
}

// The schema lets no uncertainty pass that was not evaluated, and none be missing that was.
func TestTheSchemaOfResultsRefuses(t *testing.T) {
	s := schema(t, "results")
	const text = `{"schema":1,"bench":"b","job":"1","plan":"p","title":"t","began":"2031-04-05T06:07:08Z","software":"s","method":"m","seq":9,"unit_codes":"UCUM","done":[],
		"results":[{"kind":%q,"name":"n","title":"t","state":"final","uncertainty":%q,"si:real":{"si:label":"l","si:value":"0.50","si:unit":"mm"%s},"counted":[1],"left_out":[]%s}]}`
	const unc = `,"si:expandedUnc":{"si:uncertainty":"0.030","si:coverageFactor":1.96,"si:coverageProbability":"0.95"}`
	const decision = `,"packs":[],"decision":{"window":{"least_mm":"0.10","most_mm":"0.20","aim_mm":"0.15"},"inside_window":true}`
	for _, c := range []struct {
		kind, uncertainty, unc, more string
		valid                        bool
	}{
		{"gap", "evaluated", unc, "", true},
		{"gap", "not evaluated", "", "", true},
		{"gap", "evaluated", "", "", false},
		{"gap", "not evaluated", unc, "", false},
		{"gap", "evaluated", strings.Replace(unc, `"si:coverageFactor":1.96,`, "", 1), "", false},
		{"gap", "not evaluated", "", decision, false},
		{"expected end float", "not evaluated", "", decision, true},
		{"expected end float", "not evaluated", "", "", false},
		{"expected end float", "not evaluated", "", strings.Replace(decision, `true`, `true,"outcome":"shown inside"`, 1), false},
		{"expected end float", "under decision", "", decision, false},
		{"expected end float", "under decision", "", strings.Replace(decision, `true`, `true,"expanded_mm":"0.031"`, 1), true},
		{"dream", "not evaluated", "", "", false},
	} {
		err := s.Validate(parsed(t, fmt.Appendf(nil, text, c.kind, c.uncertainty, c.unc, c.more)))
		assert.Equal(t, c.valid, err == nil, "%+v: %v", c, err)
	}
}

func TestResultsNeedAJob(t *testing.T) {
	assert.Error(t, export.Results(&bytes.Buffer{}, session.Snapshot{}, time.Time{}))
}

// noRoom is a disk that is full.
type noRoom struct{}

func (noRoom) Write([]byte) (int, error) { return 0, errNoRoom }

var errNoRoom = errors.New("no room")

func TestAFullDiskIsAnError(t *testing.T) {
	lines := recorded(t)["gearbox-shaft"]
	s := folded(t, lines)
	assert.ErrorIs(t, export.Entries(noRoom{}, stored(lines...)), errNoRoom)
	assert.ErrorIs(t, export.Readings(noRoom{}, s.Readings), errNoRoom)
	assert.ErrorIs(t, export.Results(noRoom{}, s, time.Time{}), errNoRoom)
}
