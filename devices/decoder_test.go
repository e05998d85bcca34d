package devices

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"shimwright/session"
)

// streaming is the example caliper that sends all the time.
func streaming() session.Profile {
	p := exampleCaliper()
	p.Trigger = session.Streaming
	return p
}

const (
	good = "V+012.34 mm\r\n"
	next = "V+056.78 mm\r\n"
	bad  = "V+0x2.34 mm\r\n"
)

// Without a take the frames of a stream are counted, nothing else.
func TestStreamWithoutTake(t *testing.T) {
	d := decoder(t, streaming())
	assert.Empty(t, feed(d, good+bad+good+"rest", time.Second))
	assert.Empty(t, quiet(d, 10*time.Second))
	assert.Equal(t, Counters{Bytes: 43, SoundBytes: 26, Dropped: 17, Frames: 2, Bad: 2, NotAsked: 2}, d.Counters())
}

func TestTakeOnPress(t *testing.T) {
	assert.ErrorIs(t, decoder(t, exampleCaliper()).Take(0, 0), ErrOnPress)
	assert.ErrorIs(t, decoder(t, ExampleProfiles()[3]).Take(0, 0), ErrOnPress)
}

// A take is answered by the first whole frame that began after it, once.
func TestTakeFromAStream(t *testing.T) {
	ms := time.Millisecond
	d := decoder(t, streaming())
	require.Empty(t, feed(d, good+good[:5], 100*ms))
	require.NoError(t, d.Take(110*ms, 120*ms))
	require.ErrorIs(t, d.Take(115*ms, 120*ms), ErrAsked)
	at, ok := d.Next()
	require.True(t, ok)
	require.Equal(t, 600*ms, at, "the line in part is waited for first")
	require.Empty(t, feed(d, good[5:], 120*ms))
	require.Equal(t, []string{"56.78"}, brief(feed(d, next+good, 140*ms)))
	require.NoError(t, d.Take(150*ms, 150*ms), "the take before was answered")
	assert.EqualValues(t, 3, d.Counters().NotAsked)
}

// A chunk that arrived before the take but was handed over later does not answer it.
func TestTakeGoesByArrival(t *testing.T) {
	d := decoder(t, streaming())
	require.NoError(t, d.Take(200*time.Millisecond, 210*time.Millisecond))
	require.Empty(t, feed(d, good, 199*time.Millisecond))
	require.Equal(t, []string{"56.78"}, brief(feed(d, next, 201*time.Millisecond)))
}

// Of a stream a faulty frame does not answer: a later one may be sound.
func TestTakeOverFaultyFrames(t *testing.T) {
	d := decoder(t, streaming())
	require.NoError(t, d.Take(0, 0))
	require.Equal(t, []string{"12.34"}, brief(feed(d, bad+bad+good, time.Second)))
	require.NoError(t, d.Take(time.Second, time.Second))
	require.Empty(t, feed(d, bad+bad, 2*time.Second))
	got := quiet(d, 3*time.Second)
	require.Equal(t, []string{"no answer"}, brief(got))
	assert.Equal(t, &session.Fault{Code: "no answer", Detail: "nothing came within 2 s of the take but 2 unreadable frames, the last: no match", Bytes: 12}, got[0].Fault)
	assert.Equal(t, session.Raw("V+0x2.34 mm"), got[0].Raw)
}

func TestNoAnswer(t *testing.T) {
	d := decoder(t, exampleMicrometer())
	require.NoError(t, d.Take(time.Second, time.Second))
	at, ok := d.Next()
	require.True(t, ok)
	require.Equal(t, 3*time.Second, at)
	require.Empty(t, quiet(d, at-1))
	got := quiet(d, at)
	require.Equal(t, []string{"no answer"}, brief(got))
	assert.Equal(t, at, got[0].Mono)
	assert.Empty(t, quiet(d, at+1))
	// An answer that is late is a frame that nobody asked for.
	assert.Empty(t, feed(d, "01  24.998 ok\r\n", at+2))
	assert.EqualValues(t, 1, d.Counters().NotAsked)
}

func TestAnswers(t *testing.T) {
	for _, c := range []struct {
		bytes string
		want  []string
	}{
		{"01  24.998 ok\r\n", []string{"24.998"}},
		{"01  24.998 lo\r\n", []string{"bad status"}},
		{"02  11.111 ok\r\n01  24.998 ok\r\n", []string{"24.998"}}, // another channel is no answer
		{"01  24x998 ok\r\n01  24.998 ok\r\n", []string{"no match"}},
		{"01  24.998 ok\r\n01  24.999 ok\r\n", []string{"24.998"}},
	} {
		d := decoder(t, exampleMicrometer())
		require.NoError(t, d.Take(0, 0))
		assert.Equal(t, c.want, brief(feed(d, c.bytes, time.Second)), "%q", c.bytes)
	}
}

// When the port is lost, what is in flight says so.
func TestLost(t *testing.T) {
	d := decoder(t, streaming())
	require.NoError(t, d.Take(0, 0))
	got := d.Lost(noon, time.Second)
	require.Equal(t, []string{"no answer"}, brief(got))
	assert.Contains(t, got[0].Fault.Detail, "the port was lost")
	d = decoder(t, exampleCaliper())
	require.Empty(t, feed(d, "V+0", time.Second))
	require.Equal(t, []string{"broken frame"}, brief(d.Lost(noon, time.Second)))
	require.Empty(t, d.Lost(noon, time.Second))
	require.Equal(t, []string{"12.34"}, brief(feed(d, good, time.Second)))
}

// Four faults are told one by one; what comes faster is summed, and comes before
// the next good reading.
func TestFaultsAreSummed(t *testing.T) {
	d := decoder(t, exampleCaliper())
	got := feed(d, strings.Repeat(bad, 10), time.Second)
	require.Equal(t, []string{"no match", "no match", "no match", "no match"}, brief(got))
	at, ok := d.Next()
	require.True(t, ok)
	require.Equal(t, 2*time.Second, at)
	got = quiet(d, at)
	require.Equal(t, []string{"noise"}, brief(got))
	assert.Equal(t, &session.Fault{Code: "noise", Detail: "6 unreadable frames, the first: no match", Bytes: 6 * 12}, got[0].Fault)
	assert.Len(t, got[0].Raw, 64)
	require.Equal(t, []string{"noise", "12.34"}, brief(feed(d, bad+bad+good, at+1)))
	require.Equal(t, []string{"no match"}, brief(feed(d, bad, at+10*time.Second)), "after a pause each is told again")
	assert.EqualValues(t, 13, d.Counters().Bad)
}

// accountFor checks that no byte is lost from the count.
func accountFor(t require.TestingT, d *Decoder, fed int) {
	n := d.Counters()
	require.EqualValues(t, fed, n.Bytes)
	require.Equal(t, n.Bytes, n.SoundBytes+n.Dropped+int64(d.wire.pending()))
}

// A minute of one byte at line speed makes few entries, loses no byte from the
// count, and the next good frame is read.
func TestAMinuteOfNoise(t *testing.T) {
	noise := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct {
		name  string
		every func() byte
	}{
		{"0x00", func() byte { return 0 }},
		{"0xFF", func() byte { return 0xFF }},
		{"CR", func() byte { return '\r' }},
		{"random", func() byte { return byte(noise.Uint32()) }},
	} {
		for _, p := range append(ExampleProfiles(), loneProfile(), streaming()) {
			if c.name == "random" && p.Binary != nil && p.Name != "lone-gauge" {
				continue // its fixed bits alone occur in random bytes
			}
			t.Run(c.name+" "+p.Name, func(t *testing.T) {
				d := decoder(t, p)
				readings, fed, faults := aMinute(d, c.every)
				accountFor(t, d, fed)
				assert.LessOrEqual(t, len(readings), 70)
				if p.Kind == session.Pedal {
					require.Equal(t, []string{"press"}, brief(readings))
					return
				}
				assert.NotContains(t, brief(readings), "0.00")
				if d.everyFrame() && c.name != "CR" {
					assert.InDelta(t, fed, faults, float64(fed)/64, "all but empty lines are in faults")
				}
				require.NoError(t, armed(d, 62*time.Second))
				b, err := encode(p, decimals(1234, 2))
				require.NoError(t, err)
				got := append(feed(d, string(b), 62*time.Second), quiet(d, 63*time.Second)...)
				assert.Equal(t, "12.34", strings.TrimSuffix(brief(got)[0], "0"))
			})
		}
	}
}

// aMinute feeds 11520 bytes a second in bursts of 16 ms.
func aMinute(d *Decoder, every func() byte) (readings []session.Reading, fed, faults int) {
	const step = 16 * time.Millisecond
	chunk := make([]byte, 184)
	for at := time.Second; at < 61*time.Second; at += step {
		for i := range chunk {
			chunk[i] = every()
		}
		readings = append(readings, d.Feed(chunk, noon.Add(at), at)...)
		fed += len(chunk)
	}
	readings = append(readings, quiet(d, 61*time.Second+lineSilence)...)
	readings = append(readings, quiet(d, 61*time.Second+lineSilence+faultPeriod)...)
	for _, r := range readings {
		if r.Fault != nil {
			faults += r.Fault.Bytes
		}
	}
	return readings, fed, faults
}

// armed takes where the trigger needs it.
func armed(d *Decoder, at time.Duration) error {
	if d.everyFrame() {
		return nil
	}
	return d.Take(at, at)
}

// cutProfiles are those whose frames are cut and corrupted.
func cutProfiles() []session.Profile { return append(ExampleProfiles()[:3:3], loneProfile()) }

// onPress makes every frame a reading.
func onPress(p session.Profile) session.Profile {
	p.Trigger, p.Request = session.OnPress, ""
	return p
}

// Every frame is cut at every byte, its beginning or its end kept, and joined with
// the next: no value but the true ones comes, and of the frames that follow every
// one is read; with a pause the very next one is.
func TestFramesCutEverywhere(t *testing.T) {
	values := []session.Number{decimals(0, 2), decimals(1234, 2), decimals(-9876, 2), decimals(2222, 2)}
	for _, p := range cutProfiles() {
		p = onPress(p)
		for _, first := range values {
			for _, second := range values {
				a, err := encode(p, first)
				require.NoError(t, err)
				b, err := encode(p, second)
				require.NoError(t, err)
				for cut := 1; cut < len(a); cut++ {
					for _, part := range [][]byte{a[:cut], a[cut:]} {
						joined(t, p, part, b, second)
					}
				}
			}
		}
	}
}

func joined(t *testing.T, p session.Profile, part, b []byte, want session.Number) {
	t.Helper()
	for _, pause := range []time.Duration{0, time.Second} {
		d := decoder(t, p)
		// A part of CR LF at the end of the frame is a whole frame, or nothing.
		got := feed(d, string(part), time.Second)
		whole := len(got) == 1 && got[0].Fault == nil
		got = append(got, feed(d, string(b), time.Second+pause)...)
		got = append(got, quiet(d, 3*time.Second)...)
		got = append(got, feed(d, string(b), 4*time.Second)...)
		got = append(got, quiet(d, 5*time.Second)...)
		accountFor(t, d, len(part)+2*len(b))
		if whole {
			got = got[1:]
		}
		read := 0
		for _, r := range got {
			if r.Fault == nil {
				require.True(t, r.Value.Equal(want.Decimal), "%s: %q then %q read %s", p.Name, part, b, r.Value)
				read++
			}
		}
		require.GreaterOrEqual(t, read, 1, "%s: %q then %q: the next frame after a pause", p.Name, part, b)
		if pause > 0 || (p.Binary != nil && p.Name != "lone-gauge") {
			require.Equal(t, 2, read, "%s: %q then %q: both frames", p.Name, part, b)
		}
	}
}

// Every byte of an example frame becomes every other byte. Where another value is
// read, the format cannot show it; testdata/survivors has the whole list. Nothing
// panics, and the next frame is read.
func TestEverySingleByteCorruption(t *testing.T) {
	var list strings.Builder
	for _, p := range cutProfiles() {
		p = onPress(p)
		want := decimals(1234, 2)
		b, err := encode(p, want)
		require.NoError(t, err)
		fmt.Fprintf(&list, "%s %q\n", p.Name, b)
		for i := range b {
			survivors := []byte{}
			for c := range 256 {
				if byte(c) != b[i] && corrupted(t, p, b, i, byte(c), want) {
					survivors = append(survivors, byte(c))
				}
			}
			if len(survivors) > 0 {
				fmt.Fprintf(&list, "  byte %d %s: %s\n", i, strconv.QuoteToASCII(string(b[i:i+1])), ranges(survivors))
			}
		}
	}
	golden(t, "survivors", list.String())
}

// corrupted tells whether a frame with a wrong byte is read as another value.
func corrupted(t *testing.T, p session.Profile, b []byte, i int, c byte, want session.Number) bool {
	t.Helper()
	d := decoder(t, p)
	wrong := slices.Clone(b)
	wrong[i] = c
	got := append(feed(d, string(wrong), time.Second), quiet(d, 2*time.Second)...)
	after := append(feed(d, string(b), 3*time.Second), quiet(d, 4*time.Second)...)
	require.Len(t, after, 1)
	require.True(t, after[0].Value.Equal(want.Decimal))
	accountFor(t, d, 2*len(b))
	return slices.ContainsFunc(got, func(r session.Reading) bool { return r.Fault == nil && !r.Value.Equal(want.Decimal) })
}

// ranges writes bytes in hex, runs of them as first-last.
func ranges(b []byte) string {
	var out []string
	for i := 0; i < len(b); {
		j := i
		for j+1 < len(b) && b[j+1] == b[j]+1 {
			j++
		}
		if j == i {
			out = append(out, fmt.Sprintf("%02X", b[i]))
		} else {
			out = append(out, fmt.Sprintf("%02X-%02X", b[i], b[j]))
		}
		i = j + 1
	}
	return strings.Join(out, " ")
}

// golden compares with a file of testdata; UPDATE_GOLDEN=1 writes it.
func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if os.Getenv("UPDATE_GOLDEN") != "" {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, string(want), got)
}

// What a simulated instrument writes reads as what it shows, on every format.
func TestDecodeIsTheInverseOfEncode(t *testing.T) {
	profiles := append(cutProfiles(), encodable()...)
	for _, p := range profiles {
		t.Run(p.Name, rapid.MakeCheck(func(t *rapid.T) {
			p := onPress(p)
			limit := int64(99999)
			switch {
			case p.Binary != nil:
				limit = 1<<(min(14, p.Binary.Value[1]-1)) - 1
			case strings.Contains(p.ASCII.Pattern, "{2}[.][0-9]{3}"):
				limit = 99999
			}
			n := rapid.Int64Range(-limit, limit).Draw(t, "counts")
			shown := session.Num(p.Resolution.Mul(decimals(n, 0).Decimal))
			b, err := encode(p, shown)
			require.NoError(t, err)
			d, err := NewDecoder(p)
			require.NoError(t, err)
			got := append(feed(d, string(b), time.Second), quiet(d, 2*time.Second)...)
			require.Len(t, got, 1, "%q", b)
			require.Nil(t, got[0].Fault)
			require.Equal(t, shown.String(), got[0].Value.String(), "%q", b)
		}))
	}
}

// encodable are further patterns that a line must be composed for.
func encodable() []session.Profile {
	named := func(name string, p session.Profile) session.Profile { p.Name = name; return p }
	return []session.Profile{
		named("no-sign-group", asciiProfile(`N(?P<value>-?[0-9]+[.][0-9]{2})`)),
		named("implied-point", asciiProfile(`(?P<sign>[-+]?)(?P<value>[0-9]{6})X*`, implied(2))),
		named("own-units", asciiProfile(`(?:Z|#)(?P<sign>-?) *(?P<value>[0-9.]+)(?P<unit>[MI])\.?`, func(p *session.Profile) {
			p.ASCII.Units = map[string]session.Unit{"M": session.Millimetre, "I": session.Inch}
		})),
		named("comma-sign-behind", asciiProfile(`:(?P<value>[0-9]{1,6},[0-9]{2})(?P<sign>[+-])`, func(p *session.Profile) { p.ASCII.DecimalComma = true })),
		named("own-end", asciiProfile("\x02(?P<sign>[+-])(?P<value>[0-9]{1,6}[.][0-9]{2})mm", func(p *session.Profile) { p.ASCII.End = "\x03" })),
		named("blank-sign", asciiProfile(`[[:upper:]]{3} (?P<sign>[ -])(?P<value>\d{4}[.]\d\d).`)),
	}
}

// encode writes one frame.
func encode(p session.Profile, length session.Number) ([]byte, error) { return newEncoder(p)(length) }

func TestSimulateRefuses(t *testing.T) {
	p := exampleCaliper()
	p.ASCII.Pattern = "("
	_, err := Simulate(p)
	assert.ErrorContains(t, err, "ascii.pattern")
	p = exampleCaliper()
	p.Port = "/does/not/exist"
	_, err = Simulate(p)
	assert.ErrorContains(t, err, "cannot plug in")
	p.Port = filepath.Join(t.TempDir(), "device")
	require.NoError(t, os.WriteFile(p.Port, nil, 0o600))
	_, err = Simulate(p)
	assert.ErrorContains(t, err, "is no symbolic link")
	assert.FileExists(t, p.Port)
}

func TestEncodeRefuses(t *testing.T) {
	for _, c := range []struct {
		profile session.Profile
		length  session.Number
		want    string
	}{
		{exampleCaliper(), decimals(100000, 2), "no line that the pattern accepts"},
		{exampleDepthGauge(), decimals(16384, 2), "the value field is too small"},
		{loneProfile(), decimals(32768, 2), "the value field is too small"},
		{binaryProfile(func(*session.BinaryFrame) {}), decimals(-1, 2), "the value field is too small"},
		{binaryProfile(func(b *session.BinaryFrame) { b.Scale = decimals(2, 2) }), decimals(1, 2), "not a whole number of counts"},
		{ExampleProfiles()[3], decimals(1, 0), "a pedal has none"},
		{session.Profile{Name: "none"}, decimals(1, 0), "neither an ascii nor a binary table"},
	} {
		_, err := encode(c.profile, c.length)
		assert.ErrorContains(t, err, c.want, c.profile.Name)
	}
}

// An instrument rounds to what it can show, half to even.
func TestEncodeRounds(t *testing.T) {
	for _, c := range []struct{ length, want string }{
		{"12.3449", "V+012.34 mm\r\n"}, {"12.345", "V+012.34 mm\r\n"}, {"12.355", "V+012.36 mm\r\n"}, {"-0.001", "V+000.00 mm\r\n"}, {"7", "V+007.00 mm\r\n"},
	} {
		n, err := session.ParseNumber(c.length)
		require.NoError(t, err)
		b, err := encode(exampleCaliper(), n)
		require.NoError(t, err)
		assert.Equal(t, c.want, string(b), c.length)
	}
}

// An instrument in inch writes in inch, and is read exactly.
func TestEncodeInch(t *testing.T) {
	for _, p := range []session.Profile{exampleCaliper(), exampleDepthGauge()} {
		for _, w := range wires {
			if !w.of(p) {
				continue
			}
			b, err := w.encode(p)(decimals(4860, 4), session.Inch)
			require.NoError(t, err)
			got := feed(decoder(t, p), string(b), time.Second)
			require.Equal(t, []string{"12.34440"}, brief(got))
			assert.Equal(t, session.Inch, got[0].Unit)
		}
	}
	_, err := newBinaryEncoder(loneProfile())(decimals(1, 1), session.Inch)
	assert.ErrorContains(t, err, "no bit for that unit")
}

// An instrument that should send on a press and sends all the time fills no log: it is
// told of once, and read again after a pause.
func TestAStreamThatShouldNotBeOne(t *testing.T) {
	d := decoder(t, exampleCaliper())
	d.bounce = 700 * time.Millisecond
	at := time.Second
	var got []session.Reading
	for range 200 {
		got = append(got, feed(d, "V+012.34 mm\r\n", at)...)
		at += 50 * time.Millisecond
	}
	require.Len(t, got, rushFrames)
	assert.Nil(t, got[rushFrames-2].Fault)
	require.NotNil(t, got[rushFrames-1].Fault)
	assert.Equal(t, "sends all the time", got[rushFrames-1].Fault.Code)
	assert.EqualValues(t, 200, d.Counters().Frames)
	assert.EqualValues(t, 200-rushFrames, d.Counters().NotAsked)
	at += 700 * time.Millisecond
	got = feed(d, "V+012.35 mm\r\n", at)
	require.Len(t, got, 1)
	assert.Equal(t, "12.35", got[0].Value.String())

	d = decoder(t, exampleCaliper()) // without a bounce time every frame counts
	for i := range 100 {
		assert.Len(t, feed(d, "V+012.34 mm\r\n", time.Second+time.Duration(i)*time.Millisecond), 1)
	}
}
