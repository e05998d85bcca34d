package session

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shimwright/calc"
)

var theMethod = calc.NewMethod()

func TestAnEntryKeepsEverythingThroughItsText(t *testing.T) {
	at := time.Date(2026, 3, 2, 8, 1, 2, 34000, time.UTC)
	value := mm("52.540")
	for _, body := range []Body{
		Started{Bench: "bench-1", Settings: Settings{Bounce: time.Second}}, ProfileSet{testProfiles()[0]},
		PortChanged{Instrument: "caliper-1", State: PortLive}, ClockStepped{Was: at, Is: at.Add(time.Hour)},
		Began{Plan: "plan = \"<x>\"\n"}, ReadingTaken{Reading: Reading{Instrument: "c", Kind: Caliper, Value: value, Text: "52.540", Unit: Millimetre, Raw: Raw("V\x00\xff\"\\\r\n")}, Ruling: Filed, Step: "s", Resolution: &value},
		HeldDecided{Reading: 4, Why: Reason{Code: "set aside"}}, Asked{Instrument: "m"}, Moved{"back", "s", 1}, PlaceClosed{"s", 1},
		StepClosed{Step: "s", Value: &value, Counted: []int64{1, 2}}, Opened{"s", 0}, Struck{3, "burr"}, Restored{3},
		Advised{Advice: Advice{Chain: "c", State: Waiting}}, Ended{"done"}, InstrumentUsed{testProfiles()[1]}, TemperatureTaken{Of: Shop, Celsius: value, U: value}, InstrumentChecked{"depth-1", Depth, value, value, value},
		Paired{"tablet", "ab", at}, Revoked{"tablet"},
	} {
		e := Entry{Seq: 7, Run: 2, At: at, Mono: 5, Job: "12", Operator: "mo", Door: FromPedal, Body: body}
		text, err := e.Encode()
		require.NoError(t, err)
		again, err := DecodeEntry(text)
		require.NoError(t, err, string(text))
		twice, err := again.Encode()
		require.NoError(t, err)
		require.Equal(t, string(text), string(twice), "one entry has one text")
		require.Equal(t, e.Kind(), again.Kind())
	}
}

func TestTheTextOfAnEntry(t *testing.T) {
	e := Entry{Seq: 7, Run: 2, At: time.Date(2026, 3, 2, 8, 1, 2, 0, time.UTC), Mono: 5, Job: "12", Operator: "mo", Door: FromTerminal, Body: Struck{3, "jaw <on> a burr"}}
	text, err := e.Encode()
	require.NoError(t, err)
	require.Equal(t, `{"seq":7,"run":2,"at":"2026-03-02T08:01:02.000000000Z","mono_ns":5,"job":"12","operator":"mo","door":"terminal","kind":"strike out","body":{"reading":3,"reason":"jaw <on> a burr"}}`, string(text))
}

func TestDecodeRefusesWhatItDoesNotKnow(t *testing.T) {
	for _, text := range []string{
		``, `{}`, `{"seq":1}`,
		`{"seq":7,"run":2,"at":"2026-03-02T08:01:02.000000000Z","mono_ns":5,"door":"page","kind":"dance","body":{}}`,
		`{"seq":7,"run":2,"at":"yesterday","mono_ns":5,"door":"page","kind":"end","body":{}}`,
		`{"seq":7,"run":2,"at":"2026-03-02T08:01:02.000000000Z","mono_ns":5,"door":"page","kind":"end","body":{"extra":1}}`,
	} {
		_, err := DecodeEntry([]byte(text))
		require.Error(t, err, text)
	}
}

func TestApplyRefusesALogThatCannotBe(t *testing.T) {
	at := time.Unix(0, 0)
	s := NewState(theMethod)
	require.NoError(t, s.Apply(Entry{Seq: 1, Run: 1, At: at, Body: Started{}}))
	for _, e := range []Entry{
		{Seq: 1, Body: Started{}},
		{Seq: 2, Job: "1", Body: Opened{"x", 0}},
		{Seq: 2, Job: "one", Body: Began{Plan: twins}},
		{Seq: 2, Job: "1", Body: Began{Plan: "plan = 1"}},
		{Seq: 2, Job: "1", Body: ReadingTaken{Ruling: Filed}},
	} {
		require.Error(t, s.clone().Apply(e), "%+v", e)
	}
	require.NoError(t, s.Apply(Entry{Seq: 2, Job: "1", Body: Began{Plan: twins}}))
	for _, body := range []Body{
		Began{Plan: twins}, Opened{"x", 0}, Opened{"left", 4}, PlaceClosed{"x", 0}, StepClosed{Step: "x"}, Struck{9, "r"}, Restored{9},
		HeldDecided{Reading: 9}, Moved{"place", "x", 0}, Advised{Advice: Advice{Chain: "x"}}, ReadingTaken{Ruling: Filed, Step: "x"},
	} {
		require.Error(t, s.clone().Apply(Entry{Seq: 3, Job: "1", Body: body}), "%+v", body)
	}
}

func FuzzDecodeEntry(f *testing.F) {
	f.Add([]byte(`{"seq":7,"run":2,"at":"2026-03-02T08:01:02.000000000Z","mono_ns":5,"job":"12","door":"terminal","kind":"strike out","body":{"reading":3,"reason":"x"}}`))
	f.Add([]byte(`{"seq":1,"run":1,"at":"2026-03-02T08:01:02.000000000Z","mono_ns":5,"door":"bench","kind":"reading","body":{"instrument":"a","instrument_kind":"caliper","value_mm":"1.0","raw":"\\x00","ruling":"filed","place":0}}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		e, err := DecodeEntry(text)
		if err != nil {
			return
		}
		_, err = e.Encode()
		require.NoError(t, err)
	})
}
