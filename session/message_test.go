package session

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// benchInWork is a snapshot in the middle of a job.
func benchInWork() Snapshot {
	at := time.Date(2031, 4, 5, 9, 30, 1, 250_000_000, time.FixedZone("", 7200))
	number := func(text string) *Number {
		n, err := ParseNumber(text)
		if err != nil {
			panic(err)
		}
		return &n
	}
	step := StepView{
		Name: "case-depth", Title: "Case, shoulder to joint face", Kind: MeasureStep, Number: 2, Of: 3, Measure: "depth over the bar",
		Side: "pump side", Instrument: DepthGauge, Use: Depth, Active: true, Bar: number("6.00"), Value: number("21.410"),
		Places:   []PlaceView{{Name: "top", Needed: 2, Counted: 2, Closed: true, Value: number("27.410")}, {Name: "bottom", Needed: 2, Active: true}},
		Findings: []Reason{{Code: "places differ", Params: map[string]string{"by_mm": "0.03"}}},
	}
	return Snapshot{
		Schema: SchemaVersion, Bench: "Bench 1", Run: 7, Seq: 42, Time: at, Software: "0.1.0", Method: "1",
		Recording: Recording{OK: true}, Log: &LogView{Checkpoint: "shimwright/bench-1/abc\n41\nAAAA=\n\n— shimwright/bench-1/abc sig=\n", PublicKey: "shimwright/bench-1/abc+1+key="},
		Instruments: []InstrumentView{
			{Name: "caliper-1", Kind: Caliper, Trigger: OnPress, Resolution: *number("0.01"), State: PortLive, Port: "/dev/ttyUSB0", Readings: 5, Unreadable: 1, LastSeq: 40},
			{Name: "Tiefenmaß <1>", Kind: DepthGauge, Resolution: *number("0.01"), State: PortLost, Detail: "unplugged"},
		},
		Job: &JobView{
			Number: "24-017", Plan: "pump-bottom-end", Title: "Water pump engine, bottom end", Operator: "Ada", Began: at.Add(-time.Minute),
			Steps: []StepView{step},
		},
		Step: &step,
		Advice: []Advice{{
			Chain: "crank-float", Title: "End float of the crank", Method: "1", State: Provisional, Open: []string{"case-depth"},
			Terms: []TermView{{Name: "case-depth", Title: "Case, shoulder to joint face", Sign: "+", Value: number("21.410")}},
			Gap:   number("0.410"), Least: *number("0.08"), Most: *number("0.20"), Aim: *number("0.14"), Wanted: number("0.270"),
			Best: &Fit{
				Packs: []Pack{{Side: "pump side", Pieces: []Number{*number("0.15")}, Total: *number("0.15")}, {Side: "flywheel side", Pieces: []Number{*number("0.10")}, Total: *number("0.10")}},
				Total: *number("0.25"), EndFloat: *number("0.160"), CheckGap: *number("0.260"), Inside: true,
			},
			Possible: 12, Counted: []int64{38, 40}, Uncertainty: "not evaluated",
		}},
		Readings: []ReadingView{{
			Seq: 40, Time: at.Add(-time.Second), Job: "24-017", Instrument: "caliper-1", Kind: Caliper, Value: number("27.41"), Text: "27.41", Unit: Millimetre,
			Raw: Raw("+27.41 mm\r\n\x00\xff"), Door: FromInstrument, Ruling: Filed, Step: "case-depth", Place: "top", Standing: Counted,
		}},
	}
}

// messages returns one message of each kind by the name of its golden file.
func messages(t *testing.T) map[string]Message {
	t.Helper()
	s := benchInWork()
	retained, err := s.Retained()
	require.NoError(t, err)
	require.Len(t, retained, 5)
	reading, err := ReadingMessage(s, s.Readings[0], 38)
	require.NoError(t, err)
	idle, err := Snapshot{Bench: "Bench 1", Run: 8, Seq: 44, Time: s.Time}.Retained()
	require.NoError(t, err)
	require.Len(t, idle, 2)
	all := map[string]Message{
		"step": retained[0], "advice": retained[1], "checkpoint": retained[2], "instrument": retained[3], "instrument-lost": retained[4],
		"reading": reading, "step-idle": idle[0], "advice-idle": idle[1],
	}
	for _, state := range []string{StatusLive, StatusGone, StatusEnded} {
		all["status-"+state], err = StatusMessage(s, state, 3, s.Time.Add(time.Second), 2500*time.Millisecond)
		require.NoError(t, err)
	}
	return all
}

// The golden files hold the very bytes. UPDATE=1 in the environment writes them anew.
func TestMessagesAreAsEver(t *testing.T) {
	for name, m := range messages(t) {
		t.Run(name, func(t *testing.T) {
			file := filepath.Join("testdata", "message", name+".json")
			if os.Getenv("UPDATE") != "" {
				require.NoError(t, os.MkdirAll(filepath.Dir(file), 0o755))
				require.NoError(t, os.WriteFile(file, append(m.Payload, '\n'), 0o644))
			}
			want, err := os.ReadFile(file)
			require.NoError(t, err)
			assert.Equal(t, string(want), string(m.Payload)+"\n")
		})
	}
}

func TestEveryMessageHasTheEnvelope(t *testing.T) {
	for name, m := range messages(t) {
		var e struct {
			Schema, Run, Seq int64
			Time             string
		}
		require.NoError(t, json.Unmarshal(m.Payload, &e), name)
		assert.Equal(t, int64(SchemaVersion), e.Schema, name)
		assert.Positive(t, e.Run, name)
		assert.Positive(t, e.Seq, name)
		assert.True(t, strings.HasSuffix(e.Time, "Z"), "%s: UTC", name)
		assert.Equal(t, name != "reading", m.Retained, name)
	}
}

// The schemas are for those who write displays. The validator is not ours.
func TestMessagesKeepToTheirSchemas(t *testing.T) {
	compiler := jsonschema.NewCompiler() // draft 2020-12 by each file's $schema
	compiler.AssertFormat()
	for name, m := range messages(t) {
		t.Run(name, func(t *testing.T) {
			topic, _, _ := strings.Cut(m.Topic, "/")
			schema, err := compiler.Compile(filepath.Join("testdata", "schema", topic+".json"))
			require.NoError(t, err)
			message, err := jsonschema.UnmarshalJSON(bytes.NewReader(m.Payload))
			require.NoError(t, err)
			assert.NoError(t, schema.Validate(message))
			message.(map[string]any)["more"] = true
			assert.Error(t, schema.Validate(message), "an unknown key")
		})
	}
}

func TestTopics(t *testing.T) {
	all := messages(t)
	for name, want := range map[string]string{
		"step": "step", "advice": "advice", "reading": "reading", "status-live": "status", "status-gone": "status",
		"instrument": "instrument/caliper-1", "instrument-lost": "instrument/tiefenma---1--cc0e747b",
	} {
		assert.Equal(t, want, all[name].Topic)
	}
}

func TestSame(t *testing.T) {
	same := func(a, b Snapshot) bool {
		x, err := a.Retained()
		require.NoError(t, err)
		y, err := b.Retained()
		require.NoError(t, err)
		return x[0].Same(y[0])
	}
	s, later, otherRun, otherStep := benchInWork(), benchInWork(), benchInWork(), benchInWork()
	later.Seq, later.Time = 50, later.Time.Add(time.Hour)
	otherRun.Run++
	otherStep.Step = nil
	assert.True(t, same(s, later), "sequence and time say nothing")
	assert.False(t, same(s, otherRun))
	assert.False(t, same(s, otherStep))

	status := func(s Snapshot, state string, beat int64) Message {
		m, err := StatusMessage(s, state, beat, time.Unix(beat, 0), time.Second)
		require.NoError(t, err)
		return m
	}
	stopped := benchInWork()
	stopped.Recording = Recording{Problem: "disk full"}
	assert.True(t, status(s, StatusLive, 1).Same(status(later, StatusLive, 2)))
	assert.False(t, status(s, StatusLive, 1).Same(status(s, StatusEnded, 1)))
	assert.False(t, status(s, StatusLive, 1).Same(status(stopped, StatusLive, 1)))
	assert.False(t, status(s, StatusLive, 1).Same(Message{}))
}

func TestAnEndedJobIsNotTheOpenOne(t *testing.T) {
	s := benchInWork()
	s.Job.Ended = true
	m, err := StatusMessage(s, StatusLive, 1, s.Time, time.Second)
	require.NoError(t, err)
	assert.NotContains(t, string(m.Payload), `"job"`)
}

func TestAMessageThatCannotBeWritten(t *testing.T) {
	s := benchInWork()
	s.Readings[0].Outlier = &OutlierView{Statistic: math.NaN()}
	_, err := ReadingMessage(s, s.Readings[0], 0)
	assert.ErrorContains(t, err, `cannot write the message "reading"`)
}

func TestSegment(t *testing.T) {
	for _, c := range []struct{ name, want string }{
		{"caliper-1", "caliper-1"},
		{"7", "7"},
		{"-", "-"},
		{strings.Repeat("a", 64), strings.Repeat("a", 64)},
		// the digits are from coreutils' sha256sum
		{"", "e3b0c442"},
		{"Caliper 1", "caliper-1-59cce145"},
		{"caliper_1", "caliper-1-0348a124"},
		{"a/b", "a-b-c14cddc0"},
		{"+", "a318c242"},
		{"#", "334359b9"},
		{strings.Repeat("a", 65), strings.Repeat("a", 55) + "-635361c4"},
	} {
		t.Run(c.name, func(t *testing.T) { assert.Equal(t, c.want, Segment(c.name)) })
	}
}

func TestSegmentsDiffer(t *testing.T) {
	seen := map[string]string{}
	for _, name := range []string{"", " ", "-", "caliper-1", "Caliper-1", "caliper 1", "caliper_1", "caliper/1", "CALIPER-1", "+", "#", "Ø", "ø", strings.Repeat("a", 64), strings.Repeat("a", 65), strings.Repeat("a", 66)} {
		segment := Segment(name)
		assert.NotContains(t, seen, segment, "%q and %q", name, seen[segment])
		seen[segment] = name
	}
}

func FuzzSegment(f *testing.F) {
	for _, seed := range []string{"", "caliper-1", "Caliper 1", "a/+/#", "\xff\x00", "Ünïcode", strings.Repeat("Z", 200)} {
		f.Add(seed)
	}
	level := regexp.MustCompile(`^[a-z0-9-]{1,64}$`)
	f.Fuzz(func(t *testing.T, name string) {
		segment := Segment(name)
		assert.Regexp(t, level, segment)
		assert.Equal(t, segment, Segment(segment), "a segment stays as it is")
		if level.MatchString(name) {
			assert.Equal(t, name, segment)
		}
	})
}

func TestTopicPrefix(t *testing.T) {
	for _, c := range []struct{ base, bench, want, refusal string }{
		{"works", "bench-1", "works/v1/bench-1/", ""},
		{"works/hall-2", "bench-1", "works/hall-2/v1/bench-1/", ""},
		{"works", "Bench 1", "works/v1/" + Segment("Bench 1") + "/", ""},
		{"", "b", "", "small letters"},
		{"works/", "b", "", "small letters"},
		{"/works", "b", "", "small letters"},
		{"Works", "b", "", "small letters"},
		{"works/#", "b", "", "small letters"},
		{"$sys", "b", "", "small letters"},
	} {
		t.Run(c.base+" "+c.bench, func(t *testing.T) {
			prefix, err := TopicPrefix(c.base, c.bench)
			assert.Equal(t, c.want, prefix)
			if c.refusal == "" {
				assert.NoError(t, err)
			} else {
				assert.ErrorContains(t, err, c.refusal)
			}
		})
	}
}

// A whole job of a real bench, from its first press to its end, keeps to the schemas.
func TestTheMessagesOfARealJobKeepToTheirSchemas(t *testing.T) {
	r := newRig(t)
	compiler := jsonschema.NewCompiler()
	compiler.AssertFormat()
	check := func(m Message, err error) {
		require.NoError(t, err)
		topic, _, _ := strings.Cut(m.Topic, "/")
		schema, err := compiler.Compile(filepath.Join("testdata", "schema", topic+".json"))
		require.NoError(t, err)
		message, err := jsonschema.UnmarshalJSON(bytes.NewReader(m.Payload))
		require.NoError(t, err)
		require.NoError(t, schema.Validate(message), string(m.Payload))
	}
	look := func() {
		s := r.bench.Snapshot()
		retained, err := s.Retained()
		require.NoError(t, err)
		for _, m := range retained {
			check(m, nil)
		}
		check(StatusMessage(s, StatusLive, 1, s.Time, time.Second))
		for _, v := range s.Readings {
			check(ReadingMessage(s, v, 0))
		}
	}
	look()
	measureBottomEnd(r)
	look()
	r.do(Command{Do: Enter, Instrument: "feelers", Passes: "0.30", Stops: "0.35"})
	r.press("caliper-1", "52.54")
	look()
	require.NotEmpty(t, r.bench.Snapshot().Advice[0].Evidence)
}
