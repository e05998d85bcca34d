package devices

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
	"shimwright/session/tomlfile"
)

// A strange is a way of writing that no profile of ours has.
type strange struct {
	name    string
	kind    session.Kind
	write   func(shown string, unit session.Unit) string
	presses string // values with their units
	further string // one more, and what is read of it
	reads   string
	notes   string // one of them says this
}

// signOf cuts the sign off.
func signOf(shown string) (sign, digits string) {
	if digits, negative := strings.CutPrefix(shown, "-"); negative {
		return "-", digits
	}
	return "+", shown
}

// bcdOf writes the digits of a number in bytes of two.
func bcdOf(shown string, bytes int) string {
	digits := strings.ReplaceAll(shown, ".", "")
	digits = strings.Repeat("0", max(0, 2*bytes-len(digits))) + digits
	var out []byte
	for i := 0; i < len(digits); i += 2 {
		out = append(out, (digits[i]-'0')<<4|(digits[i+1]-'0'))
	}
	return string(out)
}

func flags(shown string, unit, other session.Unit) string {
	var b byte
	if strings.HasPrefix(shown, "-") {
		b |= 0x80
	}
	if unit == other {
		b |= 0x01
	}
	return string([]byte{b})
}

func stranges() []strange {
	lengths := "12.34 mm; -3.21 mm; 101.02 mm; 0.48 mm"
	count := 0
	return []strange{
		{"decimal comma, unit letter, CR only", session.Caliper, func(s string, u session.Unit) string {
			sign, digits := signOf(s)
			letter := map[session.Unit]string{session.Millimetre: "m", session.Inch: "i"}[u]
			return "L:>" + sign + fmt.Sprintf("%7s", strings.Replace(digits, ".", ",", 1)) + ";" + letter + "\r"
		}, lengths + "; 0.4860 in", "52.54 mm", "52.54", ""},
		{"decimal comma between separators", session.Caliper, func(s string, _ session.Unit) string {
			return "7;" + strings.Replace(s, ".", ",", 1) + ";0\r\n"
		}, lengths, "52.54 mm", "52.54", "does not say its unit"},
		{"comma as separator", session.DialIndicator, func(s string, _ session.Unit) string { return "D," + s + ",mm\r\n" }, lengths, "52.54 mm", "52.54", ""},
		{"sign behind, quote marks as units", session.Caliper, func(s string, u session.Unit) string {
			sign, digits := signOf(s)
			mark := map[session.Unit]string{session.Millimetre: "'", session.Inch: `"`}[u]
			return fmt.Sprintf("%06s", strings.ReplaceAll(digits, ".", "")) + sign + mark + "\r"
		}, "12.34 mm; -3.21 mm; 101.02 mm", "52.54 mm", "52.54", ""},
		{"between STX and ETX", session.Caliper, func(s string, _ session.Unit) string { return "\x02" + s + "mm\x03" }, lengths, "52.54 mm", "52.54", ""},
		{"a check sum of two hexadecimal digits", session.DialIndicator, func(s string, _ session.Unit) string {
			sum := byte(0)
			for _, c := range []byte("DIAL," + s + ",mm") {
				sum ^= c
			}
			return fmt.Sprintf("$DIAL,%s,mm*%02X\r\n", s, sum)
		}, lengths + "; 5.55 mm; 77.10 mm", "52.54 mm", "52.54", "changes and is not read"},
		{"a counter before the value", session.DialIndicator, func(s string, _ session.Unit) string {
			count++
			return fmt.Sprintf("#%03d|%s|OK|mm\r", count, s)
		}, lengths, "52.54 mm", "52.54", "changes and is not read"},
		{"a degree sign of one byte", session.Thermometer, func(s string, u session.Unit) string {
			return s + "\xb0" + strings.TrimPrefix(u.Word(), "°") + "\r\n"
		}, "21.5 °C; 8.1 °C; 40.2 °C; 70.7 °F", "50.0 °F", "10.0", ""},
		{"a degree sign of two bytes", session.Thermometer, func(s string, u session.Unit) string { return s + u.Word() + "\r\n" },
			"21.5 °C; 8.1 °C; 40.2 °C", "-3.5 °C", "-3.5", ""},
		{"three units of torque", session.TorqueWrench, func(s string, u session.Unit) string {
			word := map[session.Unit]string{session.NewtonMetre: "Nm", session.PoundFoot: "FtLb", session.PoundInch: "InLb"}[u]
			return fmt.Sprintf("T=%6s %s\r\n", s, word)
		}, "12.3 N·m; 8.1 N·m; 6.0 lbf·ft; 53.1 lbf·in", "10.0 lbf·in", "1.1298482902761670", ""},
		{"decimal digits in bytes", session.Caliper, func(s string, u session.Unit) string {
			_, digits := signOf(s)
			return "\xaa" + flags(s, u, session.Inch) + bcdOf(digits, 3) + "\x55"
		}, "12.34 mm; -3.21 mm; 101.02 mm; 0.4860 in; 89.67 mm", "52.54 mm", "52.54", ""},
		{"decimal digits with a check byte", session.Caliper, func(s string, u session.Unit) string {
			_, digits := signOf(s)
			body := flags(s, u, session.Inch) + bcdOf(digits, 3)
			sum := byte(0)
			for _, c := range []byte(body) {
				sum ^= c
			}
			return "\xaa" + body + string([]byte{sum}) + "\x55"
		}, "12.34 mm; -3.21 mm; 101.02 mm; 0.4860 in; 0.1111 in; -77.88 mm; 5.29 mm; 45.67 mm; -9.95 mm", "52.54 mm", "52.54", "are not understood"},
		{"a second unit of torque as a bit", session.TorqueWrench, func(s string, u session.Unit) string {
			n := session.Num(plainNumber(s).Shift(1)).IntPart()
			return "\xa5" + string([]byte{byte(n >> 8), byte(n)}) + flags("", u, session.PoundFoot)
		}, "12.3 N·m; 8.1 N·m; 40.2 N·m; 6.0 lbf·ft", "10.0 lbf·ft", "13.5581794833140040", ""},
		{"degrees Fahrenheit as a bit", session.Thermometer, func(s string, u session.Unit) string {
			n := int16(math.Round(10 * plainNumber(s).InexactFloat64()))
			return "\xa5" + string([]byte{byte(n >> 8), byte(n)}) + flags("", u, session.Fahrenheit) + "\x5a"
		}, "21.5 °C; -8.1 °C; 40.2 °C; 70.7 °F", "50.0 °F", "10.0", ""},
	}
}

func plainNumber(text string) session.Number {
	n, err := session.ParseNumber(text)
	if err != nil {
		panic(err)
	}
	return n
}

// readBack reads a profile from the text in which it is kept.
func readBack(t *testing.T, p session.Profile) session.Profile {
	var back struct {
		Instruments []session.Profile `toml:"instrument"`
	}
	_, problems := tomlfile.Decode("profile.toml", []byte(WriteProfile(p)), &back)
	require.Empty(t, problems)
	require.Len(t, back.Instruments, 1)
	return back.Instruments[0]
}

// pressOf writes one value, such as "12.34 mm".
func (s strange) pressOf(t *testing.T, text string) Press {
	value, word, _ := strings.Cut(strings.TrimSpace(text), " ")
	p := Press{Shown: plainNumber(value)}
	require.NoError(t, p.Unit.UnmarshalText([]byte(word)))
	p.Raw = []byte(s.write(value, p.Unit))
	return p
}

// Formats that no profile of ours has are found from a few presses, written out and read
// back.
func TestProposeStrangeFormats(t *testing.T) {
	for _, s := range stranges() {
		t.Run(s.name, func(t *testing.T) {
			var presses []Press
			for _, text := range strings.Split(s.presses, ";") {
				presses = append(presses, s.pressOf(t, text))
			}
			found, err := Propose(session.Profile{Name: "strange", Kind: s.kind, Port: "/dev/x"}, presses)
			require.NoError(t, err)
			require.NotEmpty(t, found)
			assert.Contains(t, strings.Join(found[0].Notes, "\n"), s.notes)
			further := s.pressOf(t, s.further)
			d := decoder(t, found[0].Profile)
			got := append(d.Feed(further.Raw, noon, time.Second), d.Silence(noon, 3*time.Second)...)
			require.Len(t, got, 1)
			require.Nil(t, got[0].Fault, "%q by %s", further.Raw, WriteProfile(found[0].Profile))
			assert.True(t, got[0].Value.Equal(plainNumber(s.reads).Decimal), got[0].Value)
			again := decoder(t, readBack(t, found[0].Profile))
			got = append(again.Feed(further.Raw, noon, time.Second), again.Silence(noon, 3*time.Second)...)
			require.Len(t, got, 1)
			assert.True(t, got[0].Value.Equal(plainNumber(s.reads).Decimal), "%s as the configuration has it", got[0].Value)
		})
	}
}

func TestDecimalDigitsInBits(t *testing.T) {
	p := exampleCaliper()
	p.ASCII = nil
	p.Binary = &session.BinaryFrame{Bits: 24, Order: lowestFirst, Coding: codedBCD, Value: []int{8, 16}, Scale: decimals(1, 2), Fixed: "1010 1010 .... .... .... ...."}
	for raw, want := range map[string]string{"\x55\x34\x12": "12.34", "\x55\x99\x99": "99.99", "\x55\x00\x00": "0.00", "\x55\x3a\x12": "bad number", "\x55\x34\xf2": "bad number"} {
		d := decoder(t, p)
		got := append(feed(d, raw, time.Second), quiet(d, 2*time.Second)...)
		require.Len(t, got, 1)
		if got[0].Fault != nil {
			assert.Equal(t, want, got[0].Fault.Code, "%x", raw)
			continue
		}
		assert.Equal(t, want, got[0].Value.String(), "%x", raw)
		back, err := encode(p, got[0].Value)
		require.NoError(t, err)
		assert.Equal(t, raw, string(back))
	}
	_, err := encode(p, decimals(10000, 2))
	assert.ErrorContains(t, err, "too small")
}

func TestMistakesOfCodingAndUnits(t *testing.T) {
	for wrong, change := range map[string]func(*session.BinaryFrame){
		"no coding":          func(b *session.BinaryFrame) { b.Coding = "gray" },
		"multiple of four":   func(b *session.BinaryFrame) { b.Coding, b.Value = codedBCD, []int{9, 14} },
		"no twos complement": func(b *session.BinaryFrame) { b.Coding, b.Sign, b.SignBit = codedBCD, signTwos, nil },
		"inch_bit is given": func(b *session.BinaryFrame) {
			b.Other = &session.OtherUnit{Bit: 3, Unit: session.Inch, Scale: decimals(1, 3)}
		},
		"no other unit": func(b *session.BinaryFrame) {
			b.InchBit, b.InchScale, b.Other = nil, nil, &session.OtherUnit{Bit: 3, Unit: session.Millimetre, Scale: decimals(1, 3)}
		},
		"not above 0 in": func(b *session.BinaryFrame) {
			b.InchBit, b.InchScale, b.Other = nil, nil, &session.OtherUnit{Bit: 3, Unit: session.Inch}
		},
		"belongs to binary.v": func(b *session.BinaryFrame) {
			b.InchBit, b.InchScale, b.Other = nil, nil, &session.OtherUnit{Bit: 12, Unit: session.Inch, Scale: decimals(1, 3)}
		},
	} {
		p := ExampleProfiles()[1]
		form := *p.Binary
		form.Fixed = ""
		change(&form)
		p.Binary = &form
		var all []string
		for _, m := range Check(p) {
			all = append(all, m.Error())
		}
		assert.Contains(t, strings.Join(all, "\n"), wrong)
	}
	for wrong, change := range map[string]func(*session.ASCIILine){
		"ends no line":         func(a *session.ASCIILine) { a.End = "ab" },
		"in no number":         func(a *session.ASCIILine) { a.End = "7" },
		"decimals are implied": func(a *session.ASCIILine) { a.ImpliedDecimals, a.DecimalComma = 2, true },
	} {
		p := exampleCaliper()
		form := *p.ASCII
		change(&form)
		p.ASCII = &form
		var all []string
		for _, m := range Check(p) {
			all = append(all, m.Error())
		}
		assert.Contains(t, strings.Join(all, "\n"), wrong)
	}
}

// What sends by itself or on request is learned as what it is.
func TestProposeKeepsWhatIsStated(t *testing.T) {
	s := stranges()[0]
	var presses []Press
	for _, text := range strings.Split(s.presses, ";") {
		presses = append(presses, s.pressOf(t, text))
	}
	limit, spread := decimals(3, 2), decimals(8, 3)
	p := session.Profile{Name: "strange", Kind: s.kind, Port: "/dev/x", Trigger: session.OnRequest, Request: "?\r",
		Permissible: map[session.Use]session.Number{session.Depth: limit}, Repeatability: spread, Due: "2027-03-31"}
	found, err := Propose(p, presses)
	require.NoError(t, err)
	require.NotEmpty(t, found)
	got := found[0].Profile
	assert.Equal(t, session.OnRequest, got.Trigger)
	assert.Equal(t, "?\r", got.Request)
	assert.Equal(t, spread, got.Repeatability)
	assert.Equal(t, "0.01", got.Resolution.String())
	assert.Equal(t, limit, got.Permissible[session.Depth])
	assert.Equal(t, "2027-03-31", got.Due)
	assert.Empty(t, found[0].Notes)
}
