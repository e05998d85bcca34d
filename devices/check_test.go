package devices

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

func TestExampleProfilesAreSound(t *testing.T) {
	for _, p := range ExampleProfiles() {
		assert.Empty(t, Check(p), p.Name)
		_, err := NewDecoder(p)
		assert.NoError(t, err, p.Name)
	}
}

// A mistake breaks one thing of a sound profile, and names the field to mend.
type mistakeCase struct {
	field, wrong string
	change       func(*session.Profile)
}

// checkCases sees that each mistake is found and hinders a decoder.
func checkCases(t *testing.T, cases []mistakeCase) {
	for _, c := range cases {
		p := exampleCaliper()
		c.change(&p)
		found := Check(p)
		require.NotEmpty(t, found, "%s: %s", c.field, c.wrong)
		i := 0
		for i < len(found)-1 && found[i].Field != c.field {
			i++
		}
		assert.Equal(t, c.field, found[i].Field, c.wrong)
		assert.Contains(t, found[i].Wrong, c.wrong)
		assert.NotEmpty(t, found[i].Right)
		_, err := NewDecoder(p)
		assert.ErrorContains(t, err, found[i].Error())
	}
}

// ofASCII changes the line of the example caliper, ofBinary the frame of the depth
// gauge, ofRequest the micrometer.
func ofASCII(change func(*session.ASCIILine)) func(*session.Profile) {
	return func(p *session.Profile) { *p = exampleCaliper(); change(p.ASCII) }
}

func ofBinary(change func(*session.BinaryFrame)) func(*session.Profile) {
	return func(p *session.Profile) { *p = exampleDepthGauge(); change(p.Binary) }
}

func ofRequest(change func(*session.Profile)) func(*session.Profile) {
	return func(p *session.Profile) { *p = exampleMicrometer(); change(p) }
}

func TestMistakesOfTheProfile(t *testing.T) {
	checkCases(t, []mistakeCase{
		{"name", `"" is no name`, func(p *session.Profile) { p.Name = "" }},
		{"name", `"Caliper 1" is no name`, func(p *session.Profile) { p.Name = "Caliper 1" }},
		{"kind", `"ruler" is no kind`, func(p *session.Profile) { p.Kind = "ruler" }},
		{"port", `"COM3" names no port`, func(p *session.Profile) { p.Port = "COM3" }},
		{"port", `"serial:" names no port`, func(p *session.Profile) { p.Port = "serial:" }},
		{"unit", `"cm" is no unit`, func(p *session.Profile) { p.Unit = "cm" }},
		{"resolution_mm", "not above 0", func(p *session.Profile) { p.Resolution = session.Number{} }},
		{"repeatability_mm", "not above 0", func(p *session.Profile) { p.Repeatability = decimals(-1, 2) }},
		{"repeatability_degrees_of_freedom", "below 0", func(p *session.Profile) { p.Degrees = -1 }},
		{"permissible_error_mm.depth", "not above 0", func(p *session.Profile) { p.Permissible[session.Depth] = session.Number{} }},
		{"permissible_error_mm.hole", `"hole" is no use`, func(p *session.Profile) { p.Permissible["hole"] = decimals(1, 2) }},
		{"trigger", `"by voice" is no trigger`, func(p *session.Profile) { p.Trigger = "by voice" }},
		{"trigger", "a pedal is pressed", func(p *session.Profile) { *p = ExampleProfiles()[3]; p.Trigger = session.Streaming }},
		{"contact", `"rts" is no modem-status line`, func(p *session.Profile) { *p = ExampleProfiles()[3]; p.Contact = "rts" }},
		{"contact", "only a pedal", func(p *session.Profile) { p.Contact = "cts" }},
		{"request", "nothing says what to send", ofRequest(func(p *session.Profile) { p.Request = "" })},
		{"request", "the trigger is not on request", ofRequest(func(p *session.Profile) { p.Trigger = session.Streaming })},
		{"request", "65 bytes", ofRequest(func(p *session.Profile) { p.Request = strings.Repeat("?", 65) })},
		{"line.baud", "49 is no line speed", func(p *session.Profile) { p.Line.Baud = 49 }},
		{"line.data_bits", "9 is no number", func(p *session.Profile) { p.Line.DataBits = 9 }},
		{"line.data_bits", "bytes of 8 bits", func(p *session.Profile) { *p = exampleDepthGauge(); p.Line.DataBits = 7 }},
		{"line.parity", `"strange" is no parity`, func(p *session.Profile) { p.Line.Parity = "strange" }},
		{"line.stop_bits", `"3" is no number`, func(p *session.Profile) { p.Line.StopBits = "3" }},
		{"port", "a feeler has no cable", func(p *session.Profile) { p.Kind, p.Port, p.ASCII = session.Feeler, "/dev/x", nil }},
		{"binary", "an ascii and a binary table", func(p *session.Profile) { *p = exampleDepthGauge(); p.ASCII = exampleCaliper().ASCII }},
		{"ascii", "nothing says how", func(p *session.Profile) { p.ASCII, p.Port = nil, "/dev/x" }},
		{"ascii", "a pedal sends no value", func(p *session.Profile) { p.Kind = session.Pedal }},
		{"binary", "a pedal sends no value", func(p *session.Profile) { *p = exampleDepthGauge(); p.Kind = session.Pedal }},
	})
}

func TestMistakesOfTheLine(t *testing.T) {
	checkCases(t, []mistakeCase{
		{"ascii.pattern", "missing closing )", ofASCII(func(a *session.ASCIILine) { a.Pattern = "(" })},
		{"ascii.pattern", "no regular expression", ofASCII(func(a *session.ASCIILine) { a.Pattern = "a)|(?P<value>b" })},
		{"ascii.pattern", "600 characters", ofASCII(func(a *session.ASCIILine) { a.Pattern = strings.Repeat("a", 600) })},
		{"ascii.pattern", "no group value", ofASCII(func(a *session.ASCIILine) { a.Pattern = "[0-9]+" })},
		{"ascii.pattern", `a group "colour"`, ofASCII(func(a *session.ASCIILine) { a.Pattern += "(?P<colour>x)" })},
		{"ascii.pattern", "not part of the line", ofASCII(func(a *session.ASCIILine) { a.Pattern += `\r\n` })},
		{"ascii.implied_decimals", "10 decimals", ofASCII(func(a *session.ASCIILine) { a.ImpliedDecimals = 10 })},
		{"ascii.units", "no group unit", ofASCII(func(a *session.ASCIILine) {
			a.Pattern, a.Units = "(?P<value>[0-9]+)", map[string]session.Unit{"M": session.Millimetre}
		})},
		{"ascii.units.C", `"cm" is no unit`, ofASCII(func(a *session.ASCIILine) { a.Units = map[string]session.Unit{"C": "cm", "M": session.Millimetre} })},
		{"ascii.good_status", "which status is good", ofRequest(func(p *session.Profile) { p.ASCII.GoodStatus = nil })},
		{"ascii.good_status", "no group status", ofASCII(func(a *session.ASCIILine) { a.GoodStatus = []string{"ok"} })},
		{"ascii.channel", "which channel is this", ofRequest(func(p *session.Profile) { p.ASCII.Channel = "" })},
		{"ascii.channel", "no group channel", ofASCII(func(a *session.ASCIILine) { a.Channel = "1" })},
	})
}

func TestMistakesOfTheFrame(t *testing.T) {
	bit := func(n int) *int { return &n }
	checkCases(t, []mistakeCase{
		{"binary.bits", "20 bits", ofBinary(func(b *session.BinaryFrame) { b.Bits = 20 })},
		{"binary.bits", "0 bits", ofBinary(func(b *session.BinaryFrame) { b.Bits = 0 })},
		{"binary.bits", "520 bits", ofBinary(func(b *session.BinaryFrame) { b.Bits = 520 })},
		{"binary.order", "is no order", ofBinary(func(b *session.BinaryFrame) { b.Order = "middle" })},
		{"binary.value", "[9] is no field", ofBinary(func(b *session.BinaryFrame) { b.Value = []int{9} })},
		{"binary.value", "[9 49] is no field", ofBinary(func(b *session.BinaryFrame) { b.Value = []int{9, 49} })},
		{"binary.value", "[9 16] is not in a frame", ofBinary(func(b *session.BinaryFrame) { b.Value = []int{9, 16} })},
		{"binary.sign", `"guess" is no way`, ofBinary(func(b *session.BinaryFrame) { b.Sign, b.SignBit = "guess", nil })},
		{"binary.sign_bit", "nothing says which", ofBinary(func(b *session.BinaryFrame) { b.SignBit = nil })},
		{"binary.sign_bit", "the sign is not a bit", ofBinary(func(b *session.BinaryFrame) { b.Sign = "none" })},
		{"binary.sign_bit", "bit 24 is not in a frame", ofBinary(func(b *session.BinaryFrame) { b.SignBit = bit(24) })},
		{"binary.sign_bit", "bit 10 belongs to binary.value", ofBinary(func(b *session.BinaryFrame) { b.SignBit = bit(10) })},
		{"binary.inch_bit", "bit 1 belongs to binary.sign_bit", ofBinary(func(b *session.BinaryFrame) { b.InchBit = bit(1) })},
		{"binary.inch_bit", "nothing says when", ofBinary(func(b *session.BinaryFrame) { b.InchBit = nil })},
		{"binary.scale_mm", "not above 0", ofBinary(func(b *session.BinaryFrame) { b.Scale = session.Number{} })},
		{"binary.scale_in", "not above 0", ofBinary(func(b *session.BinaryFrame) { b.InchScale = nil })},
		{"binary.gap", "2s does not separate", ofBinary(func(b *session.BinaryFrame) { b.Gap = 2 * time.Second })},
		{"binary.fixed", "not 24 times", ofBinary(func(b *session.BinaryFrame) { b.Fixed = "1..0" })},
		{"binary.fixed", "not 24 times", ofBinary(func(b *session.BinaryFrame) { b.Fixed = strings.Repeat("x", 24) })},
		{"binary.fixed", "bit 9 is fixed and belongs to binary.value", ofBinary(func(b *session.BinaryFrame) { b.Fixed = "1..0 0000 01.. .... .... ...1" })},
	})
}

// Several mistakes are all reported at once.
func TestMistakesTogether(t *testing.T) {
	p := exampleDepthGauge()
	p.Name, p.Resolution, p.Binary.Order = "?", session.Number{}, "random"
	fields := []string{}
	for _, m := range Check(p) {
		fields = append(fields, m.Field)
	}
	assert.Equal(t, []string{"name", "resolution_mm", "binary.order"}, fields)
}

// An instrument that is read by eye needs no wire format, and has no decoder.
func TestTypedInstrument(t *testing.T) {
	p := exampleCaliper()
	p.ASCII = nil
	assert.Empty(t, Check(p))
	_, err := NewDecoder(p)
	assert.ErrorContains(t, err, "neither an ascii nor a binary table")
	assert.Empty(t, Check(session.Profile{Name: "feelers", Kind: session.Feeler}))
}

func TestSelfMarking(t *testing.T) {
	for _, c := range []struct {
		fixed string
		want  bool
	}{
		{"........", false},
		{"1.......", false},
		{"1....... 0.......", true},
		{"1....... ........", false},
		{"1....... 1.......", false},
		{"1....... 0....... 0.......", true},
		{"1....... 0....... ........", false}, // nothing at a shift of two
		{"1......0 0....... .......1", true},
		{"10100101 ........ ........ 01011010", false}, // nothing at a shift of one
	} {
		form := session.BinaryFrame{Bits: len(strings.ReplaceAll(c.fixed, " ", "")), Order: highestFirst, Fixed: c.fixed}
		mask, want := drawFixed(form)
		assert.Equal(t, c.want, selfMarking(mask, want), c.fixed)
	}
}
