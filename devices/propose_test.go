package devices

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"shimwright/session"
	"shimwright/session/tomlfile"
)

// learner is an instrument that somebody learns by its profile alone.
func learner(p session.Profile) session.Profile {
	return session.Profile{Name: p.Name, Kind: p.Kind, Port: p.Port, Line: p.Line}
}

// pressed presses lengths in counts of the resolution, in millimetre.
func pressed(t require.TestingT, p session.Profile, counts ...int64) []Press {
	encode := newEncoder(p)
	var out []Press
	for _, c := range counts {
		shown := session.Num(p.Resolution.Mul(decimals(c, 0).Decimal))
		raw, err := encode(shown)
		require.NoError(t, err)
		out = append(out, Press{Raw: raw, Shown: shown, Unit: session.Millimetre})
	}
	return out
}

// What is proposed reads what was pressed, and every other length up to the largest
// pressed; beyond, nothing is read wrong.
func TestProposeOnEveryFormat(t *testing.T) {
	for _, p := range append(cutProfiles(), encodable()...) {
		t.Run(p.Name, rapid.MakeCheck(func(t *rapid.T) {
			p := onPress(p)
			largest := rapid.Int64Range(4000, 9999).Draw(t, "largest")
			counts := []int64{largest, 0, rapid.Int64Range(1, 99).Draw(t, "small"), rapid.Int64Range(100, 999).Draw(t, "middle")}
			if _, err := newEncoder(p)(session.Num(p.Resolution.Mul(decimals(-1, 0).Decimal))); err == nil {
				counts = append(counts, -rapid.Int64Range(1, largest).Draw(t, "negative"))
			}
			presses := pressed(t, p, counts...)
			found, err := Propose(learner(p), presses)
			require.NoError(t, err)
			require.NotEmpty(t, found)
			for n := range 10 {
				count := rapid.Int64Range(-9999, 9999).Draw(t, fmt.Sprint("other ", n))
				shown := session.Num(p.Resolution.Mul(decimals(count, 0).Decimal))
				raw, err := newEncoder(p)(shown)
				if err != nil {
					continue
				}
				d, err := NewDecoder(found[0].Profile)
				require.NoError(t, err)
				got := append(d.Feed(raw, noon, time.Second), d.Silence(noon, 3*time.Second)...)
				for _, r := range got {
					if r.Fault == nil {
						require.Equal(t, shown.String(), r.Value.String(), "the pattern %+v", found[0].Profile)
					}
				}
				if count >= 0 && count <= largest || count < 0 && counts[len(counts)-1] < 0 && -count <= largest {
					require.Len(t, got, 1)
					require.Nil(t, got[0].Fault, "%q by %+v", raw, found[0])
				}
			}
		}))
	}
}

// Random frames of bits: wherever the value lies, however its sign is given.
func TestProposeOnRandomFrames(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := randomFrame(t)
		presses := pressed(t, p, 1500, 3, 777, 42, 2047)
		if p.Binary.Sign != signNone {
			presses = append(presses, pressed(t, p, -3, -1999)...)
		}
		found, err := Propose(learner(p), presses)
		require.NoError(t, err)
		require.NotEmpty(t, found, "%+v", p.Binary)
		for n := range 20 {
			count := rapid.Int64Range(-2047, 2047).Draw(t, fmt.Sprint("count ", n))
			if p.Binary.Sign == signNone {
				count = max(count, -count)
			}
			press := pressed(t, p, count)[0]
			d, err := NewDecoder(found[0].Profile)
			require.NoError(t, err)
			require.True(t, reads(d, press, time.Second), "%+v: %v %x", found[0], press.Shown, press.Raw)
		}
	})
}

func randomFrame(t *rapid.T) session.Profile {
	bytes := rapid.IntRange(2, 6).Draw(t, "bytes")
	form := &session.BinaryFrame{Bits: 8 * bytes, Order: rapid.SampledFrom([]string{lowestFirst, highestFirst}).Draw(t, "order"),
		Sign: rapid.SampledFrom([]string{signNone, signBit, signTwos}).Draw(t, "sign"), Scale: decimals(1, 2)}
	width := rapid.IntRange(12, min(8*bytes-2, 20)).Draw(t, "width")
	first := rapid.IntRange(0, 8*bytes-width-1).Draw(t, "first")
	form.Value = []int{first, width}
	fixed := []byte(strings.Repeat(".", 8*bytes))
	for i := range fixed {
		if i < first || i >= first+width {
			fixed[i] = rapid.SampledFrom([]byte("01")).Draw(t, "fixed")
		}
	}
	if form.Sign == signBit {
		bit := first + width // there is one behind the value
		form.SignBit = &bit
		fixed[bit] = '.'
	}
	form.Fixed = string(fixed)
	return session.Profile{Name: "random", Kind: session.Caliper, Resolution: decimals(1, 2), Repeatability: decimals(1, 2), Trigger: session.OnPress, Binary: form}
}

func mm(raw, shown string) Press { return pressAt(raw, shown, session.Millimetre) }
func in(raw, shown string) Press { return pressAt(raw, shown, session.Inch) }

func pressAt(raw, shown string, unit session.Unit) Press {
	n, err := session.ParseNumber(shown)
	if err != nil {
		panic(err)
	}
	return Press{Raw: []byte(raw), Shown: n, Unit: unit}
}

func TestProposeLines(t *testing.T) {
	for _, c := range []struct {
		what    string
		presses []Press
		pattern string
		check   func(t *testing.T, a session.ASCIILine)
		others  []Press  // that must be read too
		never   []string // that must not be read
	}{
		{"noughts before, sign, unit", []Press{mm("V+012.34 mm\r\n", "12.34"), mm("V-000.05 mm\r\n", "-0.05"), mm("V+150.00 mm\r\n", "150.00")},
			`V(?P<sign>[+-])(?P<value>[0-9]{3}[.][0-9]{2}) (?P<unit>[A-Za-z]{1,8})`, nil,
			[]Press{mm("V+099.99 mm\r\n", "99.99")}, []string{"V+00.4860 in\r\n", "V+012.34 xx\r\n", "X+012.34 mm\r\n", "V+12.34 mm\r\n"}},
		{"both units", []Press{mm("V+012.34 mm\r\n", "12.34"), in("V+00.4860 in\r\n", "0.4860"), mm("V-150.00 mm\r\n", "-150.00")},
			`V(?P<sign>[+-])(?P<value>[0-9]{3}[.][0-9]{2}|[0-9]{2}[.][0-9]{4}) (?P<unit>[A-Za-z]{1,8})`,
			func(t *testing.T, a session.ASCIILine) {
				assert.Equal(t, map[string]session.Unit{"mm": session.Millimetre, "in": session.Inch}, a.Units)
			},
			[]Press{in("V-01.0000 in\r\n", "-1.0000")}, []string{"V+012.34 cm\r\n"}},
		{"blanks before", []Press{mm("    12.34\r", "12.34"), mm("   -0.05\r", "-0.05"), mm("  150.00\r", "150.00")},
			` {0,8}(?P<sign>-?)(?P<value>[0-9]{1,6}[.][0-9]{2})`, nil,
			[]Press{mm(" 1000.00\r", "1000.00"), mm("    -1.00\r", "-1.00")}, []string{"    12.345\r", "    12\r"}},
		{"sign before the blanks", []Press{mm("+   12.34\n", "12.34"), mm("-    0.05\n", "-0.05"), mm("+  150.00\n", "150.00")},
			`(?P<sign>[+-]) {0,8}(?P<value>[0-9]{1,6}[.][0-9]{2})`, nil, []Press{mm("-   99.99\n", "-99.99")}, nil},
		{"channel and status", []Press{mm("01  24.998 ok\r\n", "24.998"), mm("01 -24.998 ok\r\n", "-24.998"), mm("01   0.001 ok\r\n", "0.001")},
			`(?P<channel>[0-9]{2}) {0,8}(?P<sign>-?)(?P<value>[0-9]{1,6}[.][0-9]{3}) (?P<status>[A-Za-z]{1,8})`,
			func(t *testing.T, a session.ASCIILine) {
				assert.Equal(t, "01", a.Channel)
				assert.Equal(t, []string{"ok"}, a.GoodStatus)
			}, nil, []string{"01  24.998 lo\r\n", "02  24.998 ok\r\n"}},
		{"several lines a press", []Press{mm("A:+011111\rB:+022222\r", "22.222"), mm("A:+011111\rB:-000001\r", "-0.001"), mm("A:+011112\rB:+099999\r", "99.999")},
			`(?P<channel>[A-Za-z]{1}):(?P<sign>[+-])(?P<value>[0-9]{6})`, func(t *testing.T, a session.ASCIILine) {
				assert.Equal(t, 3, a.ImpliedDecimals)
				assert.Equal(t, "B", a.Channel)
			}, []Press{mm("C:+000001\rB:+000007\r", "0.007")}, []string{"B:+00007\r"}},
		{"a running number beside it", []Press{mm("7,12.34\n", "12.34"), mm("8,0.05\n", "0.05"), mm("9,7.77\n", "7.77")},
			`[0-9.]{1},(?P<sign>-?)(?P<value>[0-9]{1,6}[.][0-9]{2})`, nil, []Press{mm("3,-1.00\n", "-1.00")}, nil},
	} {
		t.Run(c.what, func(t *testing.T) {
			found, err := Propose(session.Profile{Name: "new", Kind: session.Caliper}, c.presses)
			require.NoError(t, err)
			var x *Proposal
			for i := range found {
				if found[i].Profile.ASCII.Pattern == c.pattern {
					x = &found[i]
				}
			}
			require.NotNil(t, x, "%+v", found)
			if c.check != nil {
				c.check(t, *x.Profile.ASCII)
			}
			for _, other := range c.others {
				d, err := NewDecoder(x.Profile)
				require.NoError(t, err)
				assert.True(t, reads(d, other, time.Second), "%q", other.Raw)
			}
			for _, never := range c.never {
				d, err := NewDecoder(x.Profile)
				require.NoError(t, err)
				for _, r := range feed(d, never, time.Second) {
					assert.NotNil(t, r.Fault, "%q", never)
				}
			}
		})
	}
}

func TestProposeRefuses(t *testing.T) {
	three := []Press{mm("1.00\n", "1.00"), mm("2.00\n", "2.00"), mm("3.00\n", "3.00")}
	for _, c := range []struct {
		presses []Press
		want    string
	}{
		{nil, "fewer than three"},
		{three[:2], "fewer than three"},
		{append(three[:2:2], three[0]), "fewer than three presses with different values"},
		{append(three[:2:2], mm("", "3.00")), "press 3: nothing came"},
		{append(three[:2:2], mm(strings.Repeat("x", 5000), "3.00")), "press 3: 5000 bytes are too many"},
		{make([]Press, 65), "nothing came"},
	} {
		_, err := Propose(session.Profile{Name: "new", Kind: session.Caliper}, c.presses)
		assert.ErrorContains(t, err, c.want)
	}
	none, err := Propose(session.Profile{Name: "new", Kind: session.Caliper}, []Press{mm("1.00\n", "7.00"), mm("2.00\n", "2.00"), mm("3.00\n", "3.00")})
	require.NoError(t, err)
	assert.Empty(t, none, "the display and the line do not agree")
	pedal, err := Propose(session.Profile{Name: "pedal-2", Kind: session.Pedal}, nil)
	require.NoError(t, err)
	require.Len(t, pedal, 1)
	assert.Empty(t, Check(pedal[0].Profile))
}

// Whatever was pressed, nothing is proposed that does not read it, and no bytes make
// it panic.
func FuzzPropose(f *testing.F) {
	f.Add("V+012.34 mm\r\n", "V-000.05 mm\r\n", "V+150.00 mm\r\n", int64(1234), int64(-5), int64(15000))
	f.Add("\x80\x09\xa5", "\xc0\x00\x0b", "\x80\x7f\xff", int64(1234), int64(-5), int64(16383))
	f.Add("...\n", "1.2.3\n", "-- 7\n", int64(0), int64(1), int64(7))
	f.Fuzz(func(t *testing.T, a, b, c string, x, y, z int64) {
		var presses []Press
		for _, p := range []struct {
			raw   string
			count int64
		}{{a, x}, {b, y}, {c, z}} {
			presses = append(presses, Press{Raw: []byte(p.raw), Shown: decimals(p.count, 2), Unit: session.Millimetre})
		}
		found, err := Propose(session.Profile{Name: "new", Kind: session.Caliper}, presses)
		if err != nil {
			return
		}
		for _, x := range found {
			require.Empty(t, Check(x.Profile))
			require.True(t, readsAll(x.Profile, presses))
		}
	})
}

// A profile reads back from its own text as what it was.
func TestWriteProfile(t *testing.T) {
	odd := exampleMicrometer()
	odd.Request = "\x02?'\"\\\x7f\r\n"
	odd.Line = session.Line{Baud: 4800, DataBits: 7, Parity: "even", StopBits: "1.5"}
	odd.Unit, odd.Degrees = session.Inch, 9
	eleven := decimals(115, 1)
	odd.Expansion = &eleven
	odd.Certificates = []session.Certificate{{Use: session.Outside, Error: decimals(-3, 3), Expanded: decimals(6, 3), Factor: &eleven, Degrees: 20, Number: `K "7"`}}
	odd.ASCII.Units = map[string]session.Unit{`"`: session.Inch, "mm": session.Millimetre}
	slow := loneProfile()
	slow.Binary.Gap = 35 * time.Millisecond
	for _, p := range append(append(ExampleProfiles(), encodable()...), loneProfile(), slow, odd) {
		var back struct {
			Instruments []session.Profile `toml:"instrument"`
		}
		text := WriteProfile(p)
		_, problems := tomlfile.Decode("profile.toml", []byte(text), &back)
		require.Empty(t, problems, text)
		require.Len(t, back.Instruments, 1)
		want, err := json.Marshal(p)
		require.NoError(t, err)
		got, err := json.Marshal(back.Instruments[0])
		require.NoError(t, err)
		require.JSONEq(t, string(want), string(got), text)
	}
}
