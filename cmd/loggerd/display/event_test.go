package display

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
	"shimwright/session/wording"
)

func number(t testing.TB, text string) *session.Number {
	t.Helper()
	n, err := session.ParseNumber(text)
	require.NoError(t, err)
	return &n
}

func render(t testing.TB, v session.Snapshot) event {
	t.Helper()
	s, err := New(Config{Mailbox: newBench().subscribe, Now: func() time.Time { return noon }})
	require.NoError(t, err)
	return s.event(wording.English, v)
}

func TestDoubt(t *testing.T) {
	step := &session.StepView{Instrument: session.Caliper}
	port := func(kind session.Kind, state session.PortState) session.InstrumentView {
		return session.InstrumentView{Name: string(kind) + "-1", Kind: kind, Trigger: session.OnPress, State: state}
	}
	ok := session.Recording{OK: true}
	for _, c := range []struct {
		name string
		s    session.Snapshot
		want string
	}{
		{"all well", session.Snapshot{Recording: ok, Step: step, Instruments: []session.InstrumentView{port(session.Caliper, session.PortLive)}}, ""},
		{"lost", session.Snapshot{Recording: ok, Step: step, Instruments: []session.InstrumentView{port(session.Caliper, session.PortLost)}},
			"This step wants a caliper, and none is ready. caliper-1 (caliper): lost; check plug and cable."},
		{"absent", session.Snapshot{Recording: ok, Step: step, Instruments: []session.InstrumentView{port(session.Caliper, session.PortAbsent)}},
			"This step wants a caliper, and none is ready. caliper-1 (caliper): not there; plug it in."},
		{"one of two is there", session.Snapshot{Recording: ok, Step: step, Instruments: []session.InstrumentView{port(session.Caliper, session.PortLost), port(session.Caliper, session.PortLive)}}, ""},
		{"another is lost", session.Snapshot{Recording: ok, Step: step, Instruments: []session.InstrumentView{port(session.Caliper, session.PortLive), port(session.DepthGauge, session.PortLost)}}, ""},
		{"typed, without a port", session.Snapshot{Recording: ok, Step: step, Instruments: []session.InstrumentView{{Name: "caliper", Kind: session.Caliper, State: session.PortAbsent}}}, ""},
		{"feelers", session.Snapshot{Recording: ok, Step: &session.StepView{Instrument: session.Feeler}, Instruments: []session.InstrumentView{port(session.Feeler, session.PortAbsent)}}, ""},
		{"none set up", session.Snapshot{Recording: ok, Step: step}, ""},
		{"no step", session.Snapshot{Recording: ok, Instruments: []session.InstrumentView{port(session.Caliper, session.PortLost)}}, ""},
		{"the disk refuses", session.Snapshot{Recording: session.Recording{Problem: "disk full"}},
			"Readings are not being recorded: disk full. Do not go on measuring."},
		{"the disk refuses silently", session.Snapshot{}, "Readings are not being recorded. Do not go on measuring."},
	} {
		assert.Equal(t, c.want, doubt(wording.English, c.s), c.name)
	}
}

func TestReadingWords(t *testing.T) {
	v := number(t, "52.56")
	for _, c := range []struct {
		name                       string
		r                          session.ReadingView
		value, unit, verdict, mark string
	}{
		{"counted", session.ReadingView{Value: v, Unit: "mm", Ruling: session.Filed, Standing: session.Counted}, "52.56", "mm", "counted", "good"},
		{"left out", session.ReadingView{Value: v, Ruling: session.Filed, Standing: session.LeftOut}, "52.56", "mm", "left out", "out"},
		{"struck out", session.ReadingView{Value: v, Ruling: session.Filed, Standing: session.StruckOut, Struck: "slipped"}, "52.56", "mm", "struck out", "out"},
		{"held", session.ReadingView{Value: v, Ruling: session.Held}, "52.56", "mm", "held", "wait"},
		{"set aside", session.ReadingView{Value: v, Ruling: session.Held, Decided: "set aside"}, "52.56", "mm", "held, then set aside", "no"},
		{"too soon", session.ReadingView{Value: v, Ruling: session.TooSoon}, "52.56", "mm", "too soon", "no"},
		{"unreadable", session.ReadingView{Fault: &session.Fault{Code: "noise"}, Ruling: session.Unreadable}, "no value", "", "unreadable", "no"},
		{"inch", session.ReadingView{Value: number(t, "52.5526"), Text: " 2.0690", Unit: session.Inch, Ruling: session.Filed, Standing: session.Counted}, "52.553", "mm", "counted", "good"},
		{"feeler", session.ReadingView{Value: v, Feeler: &session.FeelerPair{Passes: *number(t, "0.30"), Stops: *number(t, "0.35")}, Ruling: session.Filed, Standing: session.Counted}, "0.30 – 0.35", "mm", "counted", "good"},
	} {
		w := wordsOfReading(wording.English, c.r, nil)
		assert.Equal(t, []string{c.value, c.unit, c.verdict, c.mark}, []string{w.Value, w.Unit, w.Verdict, w.Mark}, c.name)
		assert.NotEmpty(t, w.Ruling, c.name)
	}
	in := wording.English.Inches(true)
	w := wordsOfReading(in, session.ReadingView{Value: v, Text: "52.56", Unit: "mm"}, nil)
	assert.Equal(t, []string{"2.0693", "in"}, []string{w.Value, w.Unit})
	w = wordsOfReading(in, session.ReadingView{Value: number(t, "52.5526"), Text: " 2.0690", Unit: session.Inch}, nil)
	assert.Equal(t, []string{"2.0690", "in"}, []string{w.Value, w.Unit}, "as it was sent")
}

// The last reading is the one with the highest sequence, wherever it stands.
func TestLastReading(t *testing.T) {
	v := bottomEnd(t, 1)
	loose := v.Readings[0]
	loose.Seq, loose.Ruling, loose.Standing = 9, session.TooSoon, ""
	v.Readings = append([]session.ReadingView{{Seq: 99, Ruling: session.NoStep, Value: number(t, "1.00")}}, loose)
	e := render(t, v)
	assert.EqualValues(t, 99, e.Words.Last.Seq)
	assert.Equal(t, "no step", e.Words.Last.Verdict)
	assert.Nil(t, render(t, session.Snapshot{}).Words.Last)
}

func TestAdviceWords(t *testing.T) {
	waiting := render(t, bottomEnd(t, 2)).Words.Advice[0]
	assert.Empty(t, waiting.Float)
	assert.Empty(t, waiting.Packs)
	assert.Contains(t, waiting.Headline, "still to measure")

	final := render(t, bottomEnd(t, 6)).Words.Advice[0]
	assert.False(t, final.Provisional)
	assert.Equal(t, []packWords{{"pump side", "0.25", "mm"}, {"flywheel side", "0.16", "mm"}}, final.Packs)
	assert.Equal(t, "0.154", final.Float)
	assert.Equal(t, "shown inside", final.Outcome)
	assert.Equal(t, "0.314", final.Check)
	assert.Equal(t, "with only the pump side fitted", final.CheckFit)
	assert.Contains(t, final.Uncertainty, "+/- 0.0")
	assert.Contains(t, final.Uncertainty, "the risk that it is outside is")
	assert.Contains(t, final.Scale.SVG, "0.154 mm")

	one := render(t, gearbox(t, 3)).Words.Advice[0]
	assert.True(t, one.Provisional)
	assert.Len(t, one.Packs, 1)
	assert.Empty(t, one.Check, "one side has no check gap")
}

func TestOutcomeWords(t *testing.T) {
	a := session.Advice{Title: "float", Least: *number(t, "0.10"), Most: *number(t, "0.24"), Aim: *number(t, "0.16")}
	for _, c := range []struct {
		float           string
		inside          bool
		outcome, marked string
	}{
		{"0.15", true, "in the window", "wait"}, {"0.09", false, "too tight", "no"}, {"-0.3", false, "too tight", "no"}, {"0.25", false, "too loose", "no"},
	} {
		a.Best = &session.Fit{EndFloat: *number(t, c.float), Inside: c.inside, Packs: []session.Pack{{Side: "cover side"}}}
		w := wordsOfAdvice(wording.English, a)
		assert.Equal(t, []string{c.outcome, c.marked}, []string{w.Outcome, w.Mark}, c.float)
		assert.Equal(t, packWords{"cover side", "nothing", ""}, w.Packs[0])
	}
}

// While measuring one picture is shown, at the end one for each chain.
func TestPictures(t *testing.T) {
	v := bottomEnd(t, 6)
	v.Advice = append(v.Advice, v.Advice[0])
	v.Step = nil
	assert.Len(t, pictures(wording.English, v), 2)
	v.Step = &session.StepView{Name: "gasket"}
	assert.Len(t, pictures(wording.English, v), 1)
	assert.NotContains(t, pictures(wording.English, v)[0].Bare, " mm<")
	assert.Contains(t, pictures(wording.English, v)[0].SVG, " mm<")
	assert.NotNil(t, v.Advice[0].Terms[0].Value, "the snapshot itself keeps its values")
	assert.NotNil(t, pictures(wording.English, session.Snapshot{}), "an empty list, not null")
}
