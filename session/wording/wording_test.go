package wording_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
	"shimwright/session/wording"
)

func num(t *testing.T, text string) session.Number {
	t.Helper()
	n, err := session.ParseNumber(text)
	require.NoError(t, err)
	return n
}

func ptr(t *testing.T, text string) *session.Number {
	n := num(t, text)
	return &n
}

func TestReason(t *testing.T) {
	p := func(pairs ...string) map[string]string {
		m := map[string]string{}
		for i := 0; i < len(pairs); i += 2 {
			m[pairs[i]] = pairs[i+1]
		}
		return m
	}
	for _, c := range []struct {
		code   string
		params map[string]string
		want   string
	}{
		{"bounce", p("least", "700ms", "instrument", "caliper-1"), "pressed again within 0.70 s; set caliper-1 down anew and press once more"},
		{"bounce", p("least", "0.7", "instrument", "caliper-1"), "pressed again within 0.7 s; set caliper-1 down anew and press once more"},
		{"no job", nil, "no job is open; begin one, then measure again"},
		{"no step", nil, "no step is active; go to one with next or place, or end the job"},
		{"wanted instrument", p("wanted", "depth gauge", "got", "caliper"), "this step wants a depth gauge, and this came from a caliper; measure with the right one"},
		{"wanted instrument", p("wanted", "depth gauge", "got", "caliper-1"), "this step wants a depth gauge, and this came from caliper-1; measure with the right one"},
		{"outside range", p("value", "54.32", "least", "44.20", "most", "44.60", "step", "crank-width"), "crank-width lies between 44.20 mm and 44.60 mm; check zero, unit and seat, then measure again"},
		{"may belong to step before", p("step", "case-depth", "before", "crank-width", "value", "44.32"), "it may be an extra press for crank-width, the step before; press again and it is decided"},
		{"extra press", p("step", "crank-width"), "an extra press; it went back to crank-width"},
		{"set aside", p("step", "case-depth", "before", "crank-width"), "counted neither for case-depth nor for crank-width; restore it if it belongs to case-depth"},
		{"rod not compared with jaws", p("instrument", "caliper-1"), "the profile of caliper-1 does not say how well its rod and its jaws agree, and it was zeroed on a bar"},
		{"packs as advised", p("way", "check gap"), "what was advised is taken to be in at the check gap, for nobody said what is"},
		{"pack changed", nil, "it was made with other shims in"},
		{"shown without a trial build", nil, "the float is shown inside without it"},
		{"before the step", p("step", "case-depth"), "it came before case-depth was opened; measure again"},
		{"unreadable", p("code", "no match", "detail", "12 bytes"), "the frame is not as the profile says (12 bytes); press again"},
		{"unreadable", nil, "the frame cannot be read; press again"},
		// What this version does not know, or not with these parameters, is spelled out.
		{"warm case", p("over", "4", "at", "31"), "warm case (at 31, over 4)"},
		{"bounce", p("least", "700ms"), "bounce (least 700ms)"},
		{"", nil, "no reason given"},
	} {
		assert.Equal(t, c.want, wording.English.Reason(session.Reason{Code: c.code, Params: c.params}))
	}
}

func TestFinding(t *testing.T) {
	for _, c := range []struct {
		code, params string
		want         string
	}{
		{"places differ", "step=bore by=0.04 allowed=0.02", "bore: the places differ by 0.04 mm, and 0.02 mm is allowed; look for a burr, taper or a crooked seat"},
		{"place unsettled", "place=top", "the repeats (top) do not agree; clean it and measure it again"},
		{"place unsettled", "place=1 step=bore", "bore: the repeats (place 2) do not agree; clean it and measure it again"},
		{"place unsettled", "out=2 allowed=1", "the repeats do not agree; clean it and measure it again"},
		{"repeats not independent", "lag=0.8 limit=0.6", "the repeats follow one another instead of scattering; set the instrument down anew for each"},
		{"ring does not slide", "bearing=pump-bearing way=trial-build", "the ring of pump-bearing does not slide on its journal, so that the trial-build shows its play and not the gap; it is not counted"},
		{"shim meant for another chain", "size=0.16 chain=input-float", "a shim of 0.16 mm would do better here and is meant for: input-float; this is the best of what is left, so get one more of it"},
		{"was too hot", "step=heat celsius=130 limit=120", "heat: it was at 130 degrees, above the limit of 120; look at what that may have harmed"},
		{"ring loose in its seat", "fit=pump-fit interference=-0.004 least=0.010", "the interference of pump-fit is -0.004 mm, and at least 0.010 mm is wanted: the ring would be loose; look at ring and seat, and do not heat it in"},
		{"not centred", "rod=rod-to-shoulder axis=axis-to-face", "rod-to-shoulder and axis-to-face are not measured yet, so the packs are as even as can be, not centred"},
		{"spread larger than stated", "step=bore repeats=6 spread=0.044 stated=0.01 limit=0.027", "bore: the 6 repeats scatter by 0.044 mm, more than the 0.027 mm that the stated repeatability of 0.01 mm explains; look for dirt, a burr or a loose jaw, or state what the instrument really repeats to"},
		{"built engine and expectation disagree", "found=0.31 expected=0.16 en=2.14", "the built engine has 0.31 mm and 0.16 mm was to be expected (E_n 2.14); look for a wrong shim, a ring not seated, dirt on a face"},
		{"moon phase", "at=full", "moon phase (at full)"},
		{"known points disagree", "", "known points disagree"},
	} {
		r := session.Reason{Code: c.code, Params: map[string]string{}}
		for _, pair := range strings.Fields(c.params) {
			key, value, _ := strings.Cut(pair, "=")
			r.Params[key] = value
		}
		assert.Equal(t, c.want, wording.English.Finding(r))
	}
}

func TestRuling(t *testing.T) {
	type view = session.ReadingView
	why := func(code string, pairs ...string) *session.Reason {
		r := &session.Reason{Code: code, Params: map[string]string{}}
		for i := 0; i < len(pairs); i += 2 {
			r.Params[pairs[i]] = pairs[i+1]
		}
		return r
	}
	v := ptr(t, "44.30")
	for name, c := range map[string]struct {
		reading view
		want    string
	}{
		"filed":           {view{Ruling: session.Filed, Standing: session.Counted, Value: v, Step: "crank-width", Place: "top"}, "filed: 44.30 mm for crank-width, top"},
		"one place":       {view{Ruling: session.Filed, Standing: session.Counted, Value: v, Step: "crank-width"}, "filed: 44.30 mm for crank-width"},
		"inch":            {view{Ruling: session.Filed, Value: ptr(t, "44.1960"), Text: " 1.7400", Unit: session.Inch, Step: "s"}, "filed: 1.7400 in = 44.196 mm for s"},
		"lbf.ft":          {view{Ruling: session.Filed, Torque: ptr(t, "8.134907689988402400"), Text: "6.0", Unit: session.PoundFoot, Step: "s"}, "filed: 6.0 lbf·ft = 8.135 N·m for s"},
		"temperature":     {view{Ruling: session.NoStep, Celsius: ptr(t, "31.2"), Text: "31.2", Unit: session.Celsius, Step: "s", Why: why("noted as temperature", "part", "case", "celsius", "31.2")}, "no step: 31.2 °C; noted: case is at 31.2 degrees, still too warm to measure"},
		"torque range":    {view{Ruling: session.OutOfRange, Torque: ptr(t, "8.9"), Step: "s", Why: why("outside range", "step", "s", "least", "9", "most", "11", "unit", "N.m")}, "out of range: 8.9 N·m; s lies between 9 N·m and 11 N·m; check zero, unit and seat, then measure again"},
		"typed":           {view{Ruling: session.Filed, Value: v, Typed: true, Step: "s"}, "filed: 44.30 mm (typed) for s"},
		"feeler":          {view{Ruling: session.Filed, Value: v, Typed: true, Feeler: &session.FeelerPair{Passes: num(t, "0.30"), Stops: num(t, "0.35")}, Step: "gap"}, "filed: 0.30 mm passes, 0.35 mm does not (typed) for gap"},
		"left out":        {view{Ruling: session.Filed, Standing: session.LeftOut, Value: v, Step: "s", Place: "p", Outlier: &session.OutlierView{Deviation: new(-0.0604)}}, "left out: 44.30 mm for s, p; 0.060 mm below the median of its place, more than the scatter explains"},
		"left out, plain": {view{Ruling: session.Filed, Standing: session.LeftOut, Value: v, Step: "s"}, "left out: 44.30 mm for s; too far from its other repeats"},
		"struck":          {view{Ruling: session.Filed, Standing: session.StruckOut, Value: v, Step: "s", Struck: "slipped"}, "struck out: 44.30 mm for s; slipped"},
		"too soon":        {view{Ruling: session.TooSoon, Value: v, Step: "s", Why: why("bounce", "least", "700ms", "instrument", "c")}, "too soon: 44.30 mm; pressed again within 0.70 s; set c down anew and press once more"},
		"wrong":           {view{Ruling: session.WrongInstrument, Value: v, Step: "s", Why: why("wanted instrument", "wanted", "depth gauge", "got", "caliper-1")}, "wrong instrument: 44.30 mm; this step wants a depth gauge, and this came from caliper-1; measure with the right one"},
		"no job":          {view{Ruling: session.NoStep, Value: v, Why: why("no job")}, "no step: 44.30 mm; no job is open; begin one, then measure again"},
		"held":            {view{Ruling: session.Held, Value: v, Step: "b", Why: why("may belong to step before", "before", "a", "step", "b", "value", "44.30")}, "held: 44.30 mm; it may be an extra press for a, the step before; press again and it is decided"},
		"held, filed":     {view{Ruling: session.Held, Decided: "to step", Standing: session.Counted, Value: v, Step: "a", Why: why("extra press", "step", "a")}, "held, then filed: 44.30 mm for a; an extra press; it went back to a"},
		"held, aside":     {view{Ruling: session.Held, Decided: "set aside", Value: v, Why: why("set aside", "step", "b", "before", "a")}, "held, then set aside: 44.30 mm; counted neither for b nor for a; restore it if it belongs to b"},
		"unreadable":      {view{Ruling: session.Unreadable, Fault: &session.Fault{Code: "parity", Detail: "bit 3"}, Why: why("unreadable", "code", "parity")}, "unreadable: no value; parity (bit 3); press again"},
		"a later ruling":  {view{Ruling: "too warm", Value: v}, "too warm: 44.30 mm"},
		"nothing at all":  {view{}, "not ruled: no value"},
	} {
		t.Run(name, func(t *testing.T) { assert.Equal(t, c.want, wording.English.Ruling(c.reading)) })
	}
}

func TestVerdict(t *testing.T) {
	assert.Equal(t, "counted", wording.English.Verdict(session.ReadingView{Ruling: session.Filed, Standing: session.Counted}))
	assert.Equal(t, "too soon", wording.English.Verdict(session.ReadingView{Ruling: session.TooSoon}))
	assert.Equal(t, "held", wording.English.Verdict(session.ReadingView{Ruling: session.Held}))
}

// advice is final and inside its window; the cases below change it.
func advice(t *testing.T) session.Advice {
	fit := func(pump, fly, total, float, check string) session.Fit {
		f := session.Fit{Total: num(t, total), EndFloat: num(t, float), CheckGap: num(t, check), Inside: true}
		for i, pieces := range []string{pump, fly} {
			p := session.Pack{Side: []string{"pump side", "flywheel side"}[i]}
			for _, piece := range strings.Fields(pieces) {
				p.Pieces = append(p.Pieces, num(t, piece))
			}
			f.Packs = append(f.Packs, p)
		}
		return f
	}
	best := fit("0.25 0.10", "0.20", "0.55", "0.145", "0.345")
	return session.Advice{
		Chain: "crank-float", Title: "End float of the crank", State: session.Final, Gap: ptr(t, "0.695"),
		Least: num(t, "0.08"), Most: num(t, "0.20"), Aim: num(t, "0.14"), Wanted: ptr(t, "0.555"),
		Best: &best, Others: []session.Fit{fit("0.25 0.10", "", "0.35", "0.345", "0.345")}, Possible: 120,
		Uncertainty: "not evaluated",
	}
}

func TestAdvice(t *testing.T) {
	const unsure = " The uncertainty is not evaluated yet, so nothing is claimed about how certain this is."
	const nearest = "It misses the aim of 0.14 mm by 0.005 mm. Of the 120 combinations that the stock allows it ranks first; next comes 0.25 + 0.10 mm on the pump side and nothing on the flywheel side, which would give 0.345 mm."
	for name, c := range map[string]struct {
		change func(*session.Advice)
		want   string
	}{
		"final": {func(*session.Advice) {},
			"Fit 0.25 + 0.10 mm on the pump side and 0.20 mm on the flywheel side. Expect an end float of 0.145 mm cold. The gap is 0.695 mm. With only the pump side fitted, find a check gap of 0.345 mm. " + nearest + unsure},
		"provisional": {func(a *session.Advice) {
			a.State, a.Open, a.Unsettled = session.Provisional, []string{"case-depth"}, []string{"cover-depth"}
		},
			"So far: fit 0.25 + 0.10 mm on the pump side and 0.20 mm on the flywheel side. Expect an end float of 0.145 mm cold. This is provisional; still open: case-depth; not settled: cover-depth. The gap is 0.695 mm. With only the pump side fitted, find a check gap of 0.345 mm. " + nearest + unsure},
		"waiting": {func(a *session.Advice) {
			*a = session.Advice{Chain: "crank-float", Title: a.Title, State: session.Waiting, Missing: []string{"a", "b", "c"}}
		},
			"End float of the crank: no advice yet; still to measure: a, b and c." + unsure},
		"nothing fits": {func(a *session.Advice) { a.Best, a.Others, a.Possible = nil, nil, 0 },
			"End float of the crank: no combination in the stock fits. The gap is 0.695 mm. Wanted to hit the aim of 0.14 mm: 0.555 mm of shim in all; get or lap that thickness." + unsure},
		"too loose": {func(a *session.Advice) {
			a.Best.Inside, a.Best.EndFloat, a.Others, a.Possible = false, num(t, "0.245"), nil, 1
			a.Least = num(t, "0.10")
		},
			"No combination in the stock comes inside the window 0.10 to 0.20 mm. The nearest: fit 0.25 + 0.10 mm on the pump side and 0.20 mm on the flywheel side. Expect an end float of 0.245 mm cold, 0.045 mm too loose. The gap is 0.695 mm. Wanted to hit the aim of 0.14 mm: 0.555 mm of shim in all; get or lap that thickness. With only the pump side fitted, find a check gap of 0.345 mm. It misses the aim of 0.14 mm by 0.105 mm. It is the only combination that the stock allows." + unsure},
		"too tight": {func(a *session.Advice) {
			a.Best = &session.Fit{EndFloat: num(t, "-0.01"), Packs: []session.Pack{{Side: "pump side"}}}
			a.Gap, a.Wanted, a.Others, a.Possible = ptr(t, "-0.01"), ptr(t, "-0.15"), nil, 1
		},
			"No combination in the stock comes inside the window 0.08 to 0.20 mm. The nearest: fit nothing on the pump side. Expect an end float of -0.01 mm cold, 0.09 mm too tight. The gap is -0.01 mm. Even without any shim it would be 0.15 mm tighter than the aim of 0.14 mm: no shim helps, look at the parts. It misses the aim of 0.14 mm by 0.15 mm. It is the only combination that the stock allows." + unsure},
		"findings and left out": {func(a *session.Advice) {
			a.Findings = []session.Reason{{Code: "check not relied on", Params: map[string]string{"step": "caliper-zero", "instrument": "caliper-1"}}}
			a.Aim = num(t, "0.145")
			a.LeftOut, a.Others, a.Possible = []int64{12}, nil, 1
		},
			"Fit 0.25 + 0.10 mm on the pump side and 0.20 mm on the flywheel side. Expect an end float of 0.145 mm cold. The check caliper-zero of caliper-1 is open or does not settle, and is not relied on; measure it again. The gap is 0.695 mm. With only the pump side fitted, find a check gap of 0.345 mm. It hits the aim of 0.145 mm. It is the only combination that the stock allows. Reading 12 was left out." + unsure},
	} {
		t.Run(name, func(t *testing.T) {
			a := advice(t)
			c.change(&a)
			assert.Equal(t, c.want, wording.English.Advice(a))
		})
	}
}

func TestAdviceWithNothingInTheFirstPack(t *testing.T) {
	a := advice(t)
	a.Best.Packs[0].Pieces = nil
	a.LeftOut = []int64{3, 4}
	said := wording.English.Advice(a)
	assert.Contains(t, said, "With nothing fitted yet, find a check gap of 0.345 mm.")
	assert.Contains(t, said, "2 readings were left out.")
	assert.Contains(t, said, "Fit nothing on the pump side and 0.20 mm on the flywheel side.")
}

// No advice may sound sure before the uncertainty is known, and each says so.
func TestAdviceClaimsNoCertainty(t *testing.T) {
	for _, state := range []session.AdviceState{session.Waiting, session.Provisional, session.Final, "of a later version", ""} {
		a := advice(t)
		a.State = state
		said := wording.English.Advice(a)
		assert.Contains(t, said, "uncertainty is not evaluated")
		for _, claim := range []string{"shown inside", "certainly", "guarantee", "safe", "will be inside"} {
			assert.NotContains(t, said, claim)
		}
	}
	assert.NotEmpty(t, wording.English.Advice(session.Advice{}))
}

func TestStep(t *testing.T) {
	s := session.StepView{
		Name: "crank-width", Title: "Crank over the bearing seats", Number: 2, Of: 5, Measure: "measure over both seats",
		Where: "jaws square to the shaft", Side: "pump side", Instrument: session.DepthGauge, Cautions: []string{"wipe the seats dry"}, Active: true,
		Places: []session.PlaceView{{Name: "top", Needed: 2, Counted: 2, Closed: true}, {Name: "bottom", Needed: 3, Counted: 1, LeftOut: 1, Active: true}},
	}
	assert.Equal(t, "Step 2 of 5: Crank over the bearing seats. Place 2 of 2, bottom: 1 of 3 repeats counted, 1 left out. "+
		"Measure over both seats. With a depth gauge, pump side. Jaws square to the shaft. Caution: Wipe the seats dry.", wording.English.Step(s))
	assert.Equal(t, "Step 1 of 1: s. Not begun. With a caliper.", wording.English.Step(session.StepView{Name: "s", Number: 1, Of: 1, Instrument: session.Caliper}))
}

func TestNow(t *testing.T) {
	s := session.StepView{Title: "Ground bar", Number: 2, Of: 6, Places: []session.PlaceView{{Name: "middle", Needed: 2, Active: true}}}
	assert.Equal(t, "Step 2 of 6: Ground bar. Middle: 0 of 2 repeats counted.", wording.English.Now(s))
}

func TestProgress(t *testing.T) {
	for name, c := range map[string]struct {
		step session.StepView
		want string
	}{
		"one unnamed place":  {session.StepView{Places: []session.PlaceView{{Needed: 1, Active: true}}}, "0 of 1 repeat counted"},
		"waits for command":  {session.StepView{OnCommand: true, Places: []session.PlaceView{{Closed: true}}}, "all places are measured; close the step with next"},
		"closed":             {session.StepView{Closed: true, Value: ptr(t, "44.300"), WithAll: ptr(t, "44.30")}, "closed at 44.300 mm"},
		"closed, left out":   {session.StepView{Closed: true, Value: ptr(t, "44.30"), WithAll: ptr(t, "44.32")}, "closed at 44.30 mm (44.32 mm with those left out)"},
		"closed, unsettled":  {session.StepView{Closed: true, Unsettled: true, Value: ptr(t, "44.30")}, "closed at 44.30 mm, not settled"},
		"closed, no reading": {session.StepView{Closed: true}, "closed"},
	} {
		t.Run(name, func(t *testing.T) { assert.Equal(t, c.want, wording.English.Progress(c.step)) })
	}
}

func TestInstrument(t *testing.T) {
	for _, c := range []struct {
		view session.InstrumentView
		want string
	}{
		{session.InstrumentView{Name: "caliper-1", Kind: session.Caliper, State: session.PortLive, Readings: 1, Unreadable: 2}, "caliper-1 (caliper): ready, 1 reading, 2 unreadable frames"},
		{session.InstrumentView{Name: "depth-1", Kind: session.DepthGauge, State: session.PortLost, Readings: 12}, "depth-1 (depth gauge): lost; check plug and cable, 12 readings"},
		{session.InstrumentView{Name: "d", State: session.PortAbsent}, "d: its values are entered by hand"},
		{session.InstrumentView{Name: "d"}, "d: its values are entered by hand"},
		{session.InstrumentView{Name: "d", Trigger: session.OnPress, State: session.PortAbsent}, "d: not there; plug it in"},
		{session.InstrumentView{Name: "d", State: session.PortOpening}, "d: starting"},
		{session.InstrumentView{Name: "d", State: session.PortSettling}, "d: starting"},
		{session.InstrumentView{Name: "d", State: session.PortRefused, Detail: "permission denied"}, "d: its port cannot be used (permission denied)"},
		{session.InstrumentView{Name: "feeler-1", Kind: session.Feeler}, "feeler-1 (feeler): its values are entered by hand"},
		{session.InstrumentView{Name: "d", State: "asleep"}, "d: asleep"},
	} {
		assert.Equal(t, c.want, wording.English.Instrument(c.view))
	}
}

func TestFault(t *testing.T) {
	for _, c := range []struct{ code, detail, want string }{
		{"no match", "", "the frame is not as the profile says; press again"},
		{"", "", "the frame cannot be read; press again"},
		{"line too long", "", "the line does not end; press again"},
		{"bad status", "battery", "the instrument says that its value is not sound (battery); press again"},
		{"bad unit", "", "the unit is unknown; press again"},
		{"bad number", "", "the number cannot be read; press again"},
		{"broken frame", "", "the frame is broken; press again"},
		{"noise", "", "noise on the line; check plug and cable; press again"},
		{"no answer", "", "no answer; check that the instrument is on; press again"},
		{"of a later version", "12 bytes", "of a later version (12 bytes); press again"},
	} {
		assert.Equal(t, c.want, wording.English.Fault(session.Fault{Code: c.code, Detail: c.detail}))
	}
}

func TestFitOfNoSides(t *testing.T) {
	assert.Equal(t, "nothing", wording.English.Fit(session.Fit{}))
}

// Whatever the codes are, there is text, it is one line, and what this package
// adds is plain ASCII.
func FuzzReason(f *testing.F) {
	for _, code := range []string{"bounce", "no job", "unreadable", "places differ", "", "{", "}{:mm"} {
		f.Add(code, "least", "0.10")
	}
	f.Fuzz(func(t *testing.T, code, key, value string) {
		r := session.Reason{Code: code, Params: map[string]string{key: value}}
		for _, text := range []string{wording.English.Reason(r), wording.English.Finding(r), wording.English.Fault(session.Fault{Code: code, Detail: value})} {
			require.NotEmpty(t, text)
			if ascii(code + key + value) {
				require.True(t, ascii(text), fmt.Sprintf("%q", text))
			}
		}
	})
}

func ascii(text string) bool {
	return strings.IndexFunc(text, func(r rune) bool { return r > 126 }) < 0
}

func TestFitRows(t *testing.T) {
	two := session.Fit{
		EndFloat: num(t, "0.16393"), CheckGap: num(t, "0.34"),
		Packs: []session.Pack{{Side: "pump side", Pieces: []session.Number{num(t, "0.12"), num(t, "0.06")}}, {Side: "flywheel side"}},
	}
	require.Equal(t, [][]string{
		{"pump side", "0.12 + 0.06 mm"}, {"flywheel side", "nothing"}, {"end float, cold", "0.164 mm"},
		{"check gap", "0.34 mm, with only the pump side fitted"},
	}, wording.English.FitRows(two))
	two.Packs = two.Packs[:1]
	require.Len(t, wording.English.FitRows(two), 2, "one side has no check gap")
}

func TestHealthOfALine(t *testing.T) {
	seen := time.Date(2026, 3, 2, 10, 32, 1, 0, time.UTC)
	assert.Empty(t, wording.English.Health(session.InstrumentView{}, time.UTC))
	assert.Equal(t, "0 frames", wording.English.Health(session.InstrumentView{Health: &session.HealthView{}}, time.UTC))
	h := &session.HealthView{Frames: 312, Bad: 2, Dropped: 18, Reconnects: 1, LastSeen: &seen}
	assert.Equal(t, "312 frames, 2 bad, 18 bytes dropped, 1 reconnect, the last frame at 11:32:01", wording.English.Health(session.InstrumentView{Health: h}, time.FixedZone("", 3600)))
}

func TestHowAMovementIsTaken(t *testing.T) {
	s := session.StepView{Title: "Bend", Number: 1, Of: 2, Instrument: session.DialIndicator, Reduce: session.ReduceMovement}
	assert.Contains(t, wording.English.StepDo(s), "Take begins to watch it, and take ends it: move the shaft in between.")
	s.Window = 10 * time.Second
	assert.Contains(t, wording.English.StepDo(s), "Take watches it for 10s: move the shaft meanwhile.")
	m := session.Movement{Peak: num(t, "0.04"), Trough: num(t, "-0.02"), Frames: 9}
	assert.Equal(t, "0.06 mm (peak 0.04, trough -0.02)", wording.English.Measured(session.ReadingView{Value: ptr(t, "0.06"), Movement: &m}))
}
