package devices

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// noon is the wall clock at monotonic 0 in tests that pass time by hand.
var noon = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

// feed feeds bytes at a monotonic time, with the wall clock in step.
func feed(d *Decoder, b string, mono time.Duration) []session.Reading {
	return d.Feed([]byte(b), noon.Add(mono), mono)
}

// quiet lets time pass without a byte.
func quiet(d *Decoder, mono time.Duration) []session.Reading {
	return d.Silence(noon.Add(mono), mono)
}

func decoder(t testing.TB, p session.Profile) *Decoder {
	t.Helper()
	d, err := NewDecoder(p)
	require.NoError(t, err)
	return d
}

// asciiProfile is a caliper with another pattern; change sets what else differs.
func asciiProfile(pattern string, change ...func(*session.Profile)) session.Profile {
	p := exampleCaliper()
	p.ASCII = &session.ASCIILine{Pattern: pattern}
	for _, c := range change {
		c(&p)
	}
	return p
}

const plain = `(?P<value>[-+0-9.eE,]*)`

func implied(n int) func(*session.Profile) {
	return func(p *session.Profile) { p.ASCII.ImpliedDecimals = n }
}

func comma(p *session.Profile) { p.ASCII.DecimalComma = true }

func ended(by string) func(*session.Profile) {
	return func(p *session.Profile) { p.ASCII.End = by }
}

func TestASCIIReadings(t *testing.T) {
	inInch := func(p *session.Profile) { p.Unit = session.Inch }
	units := func(p *session.Profile) {
		p.ASCII.Units = map[string]session.Unit{"M": session.Millimetre, "I": session.Inch}
	}
	status := func(p *session.Profile) { p.ASCII.GoodStatus = []string{"ok", "lo"} }
	channel := func(p *session.Profile) { p.ASCII.Channel = "2" }
	for _, c := range []struct {
		name    string
		profile session.Profile
		bytes   string
		mm      string // value, or the code of the fault, or "" for no reading
		text    string // as shown by the instrument
		unit    session.Unit
	}{
		{"example", exampleCaliper(), "V+012.34 mm\r\n", "12.34", "012.34", "mm"},
		{"negative", exampleCaliper(), "V-000.50 mm\r\n", "-0.50", "-000.50", "mm"},
		{"negative zero", exampleCaliper(), "V-000.00 mm\r\n", "0.00", "-000.00", "mm"},
		{"inch, exactly", exampleCaliper(), "V+00.4861 in\r\n", "12.34694", "00.4861", "[in_i]"},
		{"CR alone", exampleCaliper(), "V+012.34 mm\r", "12.34", "012.34", "mm"},
		{"LF alone", exampleCaliper(), "V+012.34 mm\n", "12.34", "012.34", "mm"},
		{"without an end", exampleCaliper(), "V+012.34 mm", "", "", ""},
		{"empty lines", exampleCaliper(), "\r\n\n\r\r\n", "", "", ""},
		{"something before", exampleCaliper(), "xV+012.34 mm\r\n", "no match", "", ""},
		{"something behind", exampleCaliper(), "V+012.34 mm \r\n", "no match", "", ""},
		{"trailing zeros are the resolution", asciiProfile(plain), "1.500\n", "1.500", "1.500", "mm"},
		{"no point", asciiProfile(plain), "12\n", "12", "12", "mm"},
		{"signed number", asciiProfile(plain), "+1.5\n", "1.5", "+1.5", "mm"},
		{"unit of the profile", asciiProfile(plain, inInch), "1.0\n", "25.40", "1.0", "[in_i]"},
		{"implied point", asciiProfile(plain, implied(2)), "001234\n", "12.34", "0012.34", "mm"},
		{"implied point, few digits", asciiProfile(plain, implied(3)), "7\n", "0.007", "0.007", "mm"},
		{"implied point and a point", asciiProfile(plain, implied(2)), "12.34\n", "bad number", "", ""},
		{"implied point, no digit", asciiProfile(plain, implied(2)), "\r\n.\n", "bad number", "", ""},
		{"exponent", asciiProfile(plain), "1e3\n", "bad number", "", ""},
		{"large exponent", asciiProfile(plain), "1E999999999\n", "bad number", "", ""},
		{"comma", asciiProfile(plain), "1,5\n", "bad number", "", ""},
		{"decimal comma", asciiProfile(plain, comma), "-1,50\n", "-1.50", "-1.50", "mm"},
		{"decimal comma, no whole part", asciiProfile(plain, comma), ",5\n", "0.5", "0.5", "mm"},
		{"decimal comma and a point", asciiProfile(plain, comma), "1,234.5\n", "bad number", "", ""},
		{"a point where a comma belongs", asciiProfile(plain, comma), "1.5\n", "bad number", "", ""},
		{"two decimal commas", asciiProfile(plain, comma), "1,2,3\n", "bad number", "", ""},
		{"sign behind", asciiProfile(`(?P<value>[0-9.]+)(?P<sign>[+-])`), "1.5-\n", "-1.5", "-1.5", "mm"},
		{"an end of its own", asciiProfile("\x02"+plain, ended("\x03")), "\x021.5\x03", "1.5", "1.5", "mm"},
		{"an end of its own, then CR LF", asciiProfile("\x02"+plain, ended("\x03")), "\x021.5\x03\r\n", "1.5", "1.5", "mm"},
		{"an end of its own after CR", asciiProfile("\x02"+plain, ended("\x03")), "\x021.5\r\x03", "1.5", "1.5", "mm"},
		{"two points", asciiProfile(plain), "1.2.3\n", "bad number", "", ""},
		{"two signs", asciiProfile(plain), "--1\n", "bad number", "", ""},
		{"no whole part", asciiProfile(plain), ".5\n", "0.5", "0.5", "mm"},
		{"no whole part, negative", asciiProfile(plain), "-.5\n", "-0.5", "-0.5", "mm"},
		{"nothing but a point", asciiProfile(plain), ".\n", "bad number", "", ""},
		{"nothing behind the point", asciiProfile(plain), "-.\n", "bad number", "", ""},
		{"33 characters", asciiProfile(plain), strings.Repeat("0", 31) + "12\n", "bad number", "", ""},
		{"32 characters", asciiProfile(plain), strings.Repeat("0", 30) + "12\n", "12", strings.Repeat("0", 30) + "12", "mm"},
		{"at 10 m", asciiProfile(plain), "-10000.00\n", "-10000.00", "-10000.00", "mm"},
		{"beyond 10 m", asciiProfile(plain), "10000.01\n", "bad number", "", ""},
		{"beyond 10 m in inch", asciiProfile(plain, inInch), "393.7008\n", "bad number", "", ""},
		{"sign group", asciiProfile(`(?P<sign>.)(?P<value>[-0-9]+)`), "-5\n", "-5", "-5", "mm"},
		{"blank sign", asciiProfile(`(?P<sign>.)(?P<value>[-0-9]+)`), " 5\n", "5", "5", "mm"},
		{"odd sign", asciiProfile(`(?P<sign>.)(?P<value>[-0-9]+)`), "~5\n", "bad number", "", ""},
		{"sign twice", asciiProfile(`(?P<sign>.)(?P<value>[-0-9]+)`), "+-5\n", "bad number", "", ""},
		{"unit inch", asciiProfile(`(?P<value>\S+) (?P<unit>\w*)`), "1.0 inch\n", "25.40", "1.0", "[in_i]"},
		{"unit not said", asciiProfile(`(?P<value>\S+) (?P<unit>\w*)`), "1.0 \n", "1.0", "1.0", "mm"},
		{"wrong unit", asciiProfile(`(?P<value>\S+) (?P<unit>\w*)`), "1.0 cm\n", "bad unit", "", ""},
		{"own unit", asciiProfile(`(?P<value>\S+)(?P<unit>\w)`, units), "1.0I\n", "25.40", "1.0", "[in_i]"},
		{"not its own unit", asciiProfile(`(?P<value>\S+) (?P<unit>\w+)`, units), "1.0 mm\n", "bad unit", "", ""},
		{"good status", asciiProfile(`(?P<value>\S+) (?P<status>\w+)`, status), "1.0 lo\n", "1.0", "1.0", "mm"},
		{"bad status", asciiProfile(`(?P<value>\S+) (?P<status>\w+)`, status), "1.0 er\n", "bad status", "", ""},
		{"its channel", asciiProfile(`(?P<channel>.) (?P<value>\S+)`, channel), "2 1.0\n", "1.0", "1.0", "mm"},
		{"another channel", asciiProfile(`(?P<channel>.) (?P<value>\S+)`, channel), "1 1.0\n", "", "", ""},
		{"64 bytes", asciiProfile(` *` + plain), strings.Repeat(" ", 61) + "1.5\n", "1.5", "1.5", "mm"},
		{"65 bytes", asciiProfile(` *` + plain), strings.Repeat(" ", 62) + "1.5\n", "line too long", "", ""},
		{"no text at all", exampleCaliper(), "\x00\xff\x80\n", "no match", "", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := feed(decoder(t, c.profile), c.bytes, time.Second)
			if c.mm == "" {
				require.Empty(t, got)
				return
			}
			require.Equal(t, []string{c.mm}, brief(got))
			assert.Equal(t, c.text, got[0].Text)
			assert.Equal(t, c.unit, got[0].Unit)
		})
	}
}

// The whole of one reading and of one fault.
func TestASCIIReadingInFull(t *testing.T) {
	d := decoder(t, exampleCaliper())
	got := append(feed(d, "V+012.", time.Second), feed(d, "34 mm\r\nV+01 mm\r\n", 1100*time.Millisecond)...)
	at := noon.Add(1100 * time.Millisecond)
	assert.Equal(t, []session.Reading{
		{Instrument: "caliper-1", Kind: session.Caliper, Value: decimals(1234, 2), Text: "012.34", Unit: session.Millimetre,
			Raw: session.Raw("V+012.34 mm"), At: at, Mono: 1100 * time.Millisecond},
		{Instrument: "caliper-1", Kind: session.Caliper, Raw: session.Raw("V+01 mm"), At: at, Mono: 1100 * time.Millisecond,
			Fault: &session.Fault{Code: "no match", Detail: "the line does not match the pattern", Bytes: 8}},
	}, got)
	// The LF after the faulty line's CR is dropped like the line.
	assert.Equal(t, Counters{Bytes: 22, SoundBytes: 13, Dropped: 9, Frames: 1, Bad: 1, Readings: 2}, d.Counters())
}

// A frame is the same however it is cut into chunks.
func TestASCIIChunks(t *testing.T) {
	text := "V+012.34 mm\r\nV-000.07 mm\rV+00.5000 in\n\n\rV+100.00 mm\r\n"
	for size := 1; size <= len(text); size++ {
		d := decoder(t, exampleCaliper())
		got := []session.Reading{}
		for rest := text; rest != ""; rest = rest[min(size, len(rest)):] {
			got = append(got, feed(d, rest[:min(size, len(rest))], time.Second)...)
		}
		assert.Equal(t, []string{"12.34", "-0.07", "12.70000", "100.00"}, brief(got))
		assert.Equal(t, Counters{Bytes: 53, SoundBytes: 51, Dropped: 2, Frames: 4, Readings: 4}, d.Counters())
	}
}

// A line of ten million bytes is one reading that counts them all.
func TestASCIIVeryLongLine(t *testing.T) {
	d := decoder(t, exampleCaliper())
	chunk := bytes.Repeat([]byte("7"), 100_000)
	for range 100 {
		require.Empty(t, d.Feed(chunk, noon, time.Second))
	}
	got := feed(d, "\r\nV+012.34 mm\r\n", time.Second)
	require.Equal(t, []string{"line too long", "12.34"}, brief(got))
	assert.Equal(t, 10_000_001, got[0].Fault.Bytes)
	assert.Equal(t, session.Raw(strings.Repeat("7", 64)), got[0].Raw)
}

// One that comes slowly is reported every second; the parts add up to the whole.
func TestASCIILongLineIsReportedWhileItLasts(t *testing.T) {
	d := decoder(t, exampleCaliper())
	got, total := []session.Reading{}, 0
	for ms := 0; ms < 3500; ms += 10 {
		got = append(got, feed(d, "7777777777", time.Duration(ms)*time.Millisecond)...)
	}
	got = append(got, feed(d, "\nV+012.34 mm\n", 3500*time.Millisecond)...)
	require.Equal(t, []string{"line too long", "line too long", "line too long", "line too long", "12.34"}, brief(got))
	for _, r := range got[:4] {
		total += r.Fault.Bytes
	}
	assert.Equal(t, 3501, total)
	assert.Contains(t, got[0].Fault.Detail, "it goes on")
	assert.Contains(t, got[3].Fault.Detail, "more bytes of the same line")
}

// The rest of a frame that broke off does not join the next press.
func TestASCIISilenceEndsABrokenLine(t *testing.T) {
	d := decoder(t, exampleCaliper())
	require.Empty(t, feed(d, "V+01", time.Second))
	at, ok := d.Next()
	require.True(t, ok)
	require.Equal(t, 1500*time.Millisecond, at)
	require.Empty(t, quiet(d, at-1))
	require.Equal(t, []string{"broken frame"}, brief(quiet(d, at)))
	_, ok = d.Next()
	require.False(t, ok)
	require.Equal(t, []string{"12.34"}, brief(feed(d, "V+012.34 mm\r\n", 4*time.Second)))

	// The same without the timer: the next byte tells that there was silence.
	require.Empty(t, feed(d, "V+01", 5*time.Second))
	require.Equal(t, []string{"broken frame", "12.34"}, brief(feed(d, "V+012.34 mm\r\n", 6*time.Second)))

	require.Empty(t, feed(d, strings.Repeat("9", 70), 7*time.Second))
	require.Equal(t, []string{"line too long"}, brief(quiet(d, 8*time.Second)))
}

// A slow line, a byte every 100 ms, is a line.
func TestASCIISlowDribble(t *testing.T) {
	d := decoder(t, exampleCaliper())
	got := []session.Reading{}
	for i, c := range "V+012.34 mm\r\n" {
		at := time.Second + time.Duration(i)*100*time.Millisecond
		got = append(append(got, quiet(d, at-1)...), feed(d, string(c), at)...)
	}
	assert.Equal(t, []string{"12.34"}, brief(got))
}

// What is discarded takes the frame that it is part of with it.
func TestASCIIDiscard(t *testing.T) {
	for _, c := range []struct {
		discarded, then string
		later           time.Duration
		want            []string
	}{
		{"V+0", "12.34 mm\r\nV+056.78 mm\r\n", 0, []string{"56.78"}},
		{"V+0\r", "\nV+056.78 mm\r\n", 0, []string{"56.78"}},
		{"V+0\n", "V+056.78 mm\r\n", 0, []string{"56.78"}},
		{"V+0", "V+056.78 mm\r\n", time.Second, []string{"56.78"}},
		{"", "V+056.78 mm\r\n", 0, []string{"56.78"}},
	} {
		d := decoder(t, exampleCaliper())
		require.Empty(t, d.Discard([]byte(c.discarded), noon, 0))
		assert.Equal(t, c.want, brief(feed(d, c.then, c.later)), "%q", c.discarded)
		n := d.Counters()
		assert.Equal(t, n.Bytes, n.SoundBytes+n.Dropped)
		assert.Zero(t, n.Bad)
	}
}
