package devices

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"shimwright/session"
)

// A Mistake is one thing wrong in a profile.
type Mistake struct {
	Field string // path of the field in TOML below the profile, such as "ascii.pattern"
	Wrong string // what is wrong
	Right string // what would be right, as an order
}

// Error writes the mistake in one sentence.
func (m Mistake) Error() string { return m.Field + ": " + m.Wrong + "; " + m.Right }

// mistakes collects mistakes.
type mistakes []Mistake

func (m *mistakes) when(bad bool, field, wrong, right string) {
	if bad {
		*m = append(*m, Mistake{field, wrong, right})
	}
}

// Check returns every mistake in a profile, in a fixed order. A profile without a
// port is of an instrument that is read by eye and typed, or whose port is given
// later; it may do without a wire format.
func Check(p session.Profile) []Mistake {
	var m mistakes
	m.when(!plainName(p.Name), "name", fmt.Sprintf("%q is no name for an instrument", p.Name), "use a-z, 0-9 and -, such as caliper-1")
	m.when(!slices.Contains(session.Kinds(), p.Kind), "kind", fmt.Sprintf("%q is no kind of instrument", p.Kind), "write one of "+listed(session.Kinds()))
	m.when(p.Unit != "" && !slices.Contains(unitsOf(p.Kind), p.Unit), "unit", fmt.Sprintf("%q is no unit of %s", p.Unit, p.Kind.Quantity()), "write "+unitWords(p.Kind))
	m.when(!namesPort(p.Port), "port", fmt.Sprintf("%q names no port", p.Port), "write the path of a device, by-id:NAME, serial:NUMBER or by-path:PATH; logctl ports lists them")
	checkErrors(p, &m)
	checkKnown(p, &m)
	checkTrigger(p, &m)
	checkLine(p, &m)
	m.when(p.Kind == session.Feeler && p.Port != "", "port", "a feeler has no cable", "remove it")
	m.when(p.ASCII != nil && p.Binary != nil, "binary", "the profile has an ascii and a binary table", "keep the one that the instrument sends")
	m.when(p.Port != "" && p.ASCII == nil && p.Binary == nil && measures(p.Kind), "ascii", "nothing says how the instrument writes its value", "add an ascii or a binary table")
	for _, w := range wires {
		if w.of(p) {
			m = append(m, w.check(p)...)
		}
	}
	return m
}

// namesPort tells whether a port is empty, the path of a device, or an identity.
func namesPort(port string) bool {
	for _, prefix := range []string{byID, bySerial, byPath} {
		if name, ok := strings.CutPrefix(port, prefix); ok {
			return name != ""
		}
	}
	return port == "" || strings.HasPrefix(port, "/")
}

// checkKnown checks what a profile says of its errors beyond its limits.
func checkKnown(p session.Profile, m *mistakes) {
	for use, local := range p.Local {
		limit, ok := p.Permissible[use]
		m.when(!local.IsPositive() || (ok && local.GreaterThan(limit.Decimal)), "local_error_mm."+string(use),
			fmt.Sprintf("a local error of %s is not possible", local), "give a number above zero, and at most the permissible error of that use")
	}
	m.when(p.Scale != nil && p.Scale.IsNegative(), "scale_error_e6", "the error of the scale is below zero", "give it as a limit: 50 means that it is within 50 millionths")
	for i, c := range p.CertificatesCel {
		field := fmt.Sprintf("certificate_Cel.%d.", i)
		m.when(c.Expanded.IsNegative(), field+"expanded_Cel", "the expanded uncertainty is below zero", "take it from the certificate")
		m.when(c.Factor != nil && !c.Factor.IsPositive(), field+"k", "the coverage factor k is not above zero", "take it from the certificate; it is mostly 2")
		m.when(c.Reach != nil && c.Reach.IsNegative(), field+"reach_Cel", "the reach is below zero", "say how far from its temperature the certificate speaks")
	}
	for i, c := range p.CertificatesNm {
		field := fmt.Sprintf("certificate_Nm.%d.", i)
		m.when(!c.At.IsPositive(), field+"at_Nm", "the torque is not above zero", "take it from the certificate")
		m.when(c.Expanded.IsNegative(), field+"expanded_Nm", "the expanded uncertainty is below zero", "take it from the certificate")
		m.when(c.Factor != nil && !c.Factor.IsPositive(), field+"k", "the coverage factor k is not above zero", "take it from the certificate; it is mostly 2")
		m.when(c.Reach != nil && c.Reach.IsNegative(), field+"reach_Nm", "the reach is below zero", "say how far from its torque the certificate speaks")
	}
	for i, c := range p.Certificates {
		field := fmt.Sprintf("certificate.%d.", i)
		m.when(c.Expanded.IsNegative(), field+"expanded_mm", "the expanded uncertainty is below zero", "take it from the certificate")
		m.when(c.Factor != nil && !c.Factor.IsPositive(), field+"k", "the coverage factor k is not above zero", "take it from the certificate; it is mostly 2")
		m.when(c.Reach != nil && c.Reach.IsNegative(), field+"reach_mm", "the reach is below zero", "say how far from its length the certificate speaks")
		m.when(c.Degrees < 0, field+"degrees_of_freedom", "there are no negative degrees of freedom", "leave it out if the certificate gives none")
	}
}

// measures tells whether an instrument of the kind sends values.
func measures(k session.Kind) bool { return k != session.Pedal && k != session.Feeler }

func plainName(name string) bool {
	return name != "" && len(name) <= 64 && strings.Trim(name, "abcdefghijklmnopqrstuvwxyz0123456789-") == ""
}

func listed[T ~string](words []T) string {
	s := make([]string, len(words))
	for i, w := range words {
		s[i] = fmt.Sprintf("%q", w)
	}
	return strings.Join(s, ", ")
}

func checkErrors(p session.Profile, m *mistakes) {
	unit := "_" + p.Kind.Quantity().Key()
	if measures(p.Kind) {
		m.when(!p.Count().IsPositive(), "resolution"+unit, "the resolution is not given or not above 0", "write one count of the display, such as "+usualCount(p.Kind))
		m.when(!p.Spread().IsPositive(), "repeatability"+unit, "the repeatability is not given or not above 0", "write its standard deviation, such as "+usualSpread(p.Kind))
	}
	checkQuantity(p, m)
	m.when(p.Degrees < 0, "repeatability_degrees_of_freedom", "the degrees of freedom are below 0", "write a whole number, or leave it out")
	for _, use := range session.Uses() {
		limit, given := p.Permissible[use]
		m.when(given && !limit.IsPositive(), "permissible_error_mm."+string(use), "the permissible error is not above 0", "write the limit without its sign, such as 0.02")
	}
	for use := range p.Permissible {
		m.when(!slices.Contains(session.Uses(), use), "permissible_error_mm."+string(use), fmt.Sprintf("%q is no use", use), "write one of "+listed(session.Uses()))
	}
}

func usualCount(k session.Kind) string {
	if k.Quantity() != session.OfLength {
		return "0.1"
	}
	return "0.01"
}

func usualSpread(k session.Kind) string {
	if k.Quantity() != session.OfLength {
		return "0.1"
	}
	return "0.008"
}

// checkQuantity sees that a profile states its instrument's errors in the unit of what
// it measures, and in no other.
func checkQuantity(p session.Profile, m *mistakes) {
	q := p.Kind.Quantity()
	for _, f := range []struct {
		key   string
		of    session.Quantity
		given bool
	}{
		{"resolution_mm", session.OfLength, !p.Resolution.IsZero()},
		{"repeatability_mm", session.OfLength, !p.Repeatability.IsZero()},
		{"permissible_error_mm", session.OfLength, len(p.Permissible) > 0},
		{"local_error_mm", session.OfLength, len(p.Local) > 0},
		{"scale_error_e6", session.OfLength, p.Scale != nil},
		{"expansion_per_kelvin_e6", session.OfLength, p.Expansion != nil},
		{"certificate", session.OfLength, len(p.Certificates) > 0},
		{"certificate_Cel", session.OfTemperature, len(p.CertificatesCel) > 0},
		{"certificate_Nm", session.OfTorque, len(p.CertificatesNm) > 0},
		{"resolution_Cel", session.OfTemperature, p.ResolutionCel != nil},
		{"repeatability_Cel", session.OfTemperature, p.RepeatabilityCel != nil},
		{"permissible_error_Cel", session.OfTemperature, p.PermissibleCel != nil},
		{"resolution_Nm", session.OfTorque, p.ResolutionNm != nil},
		{"repeatability_Nm", session.OfTorque, p.RepeatabilityNm != nil},
		{"permissible_error_Nm", session.OfTorque, p.PermissibleNm != nil},
		{"permissible_error_percent", session.OfTorque, p.PermissiblePercent != nil},
	} {
		m.when(f.given && f.of != q, f.key, fmt.Sprintf("%s is given, and a %s measures a %s", f.key, p.Kind, q), otherKey(f.key, f.of, q))
	}
	for _, f := range []struct {
		key   string
		limit *session.Number
	}{
		{"permissible_error_Cel", p.PermissibleCel}, {"permissible_error_Nm", p.PermissibleNm}, {"permissible_error_percent", p.PermissiblePercent},
	} {
		m.when(f.limit != nil && !f.limit.IsPositive(), f.key, "the permissible error is not above 0", "write the limit without its sign, such as 1.0")
	}
	m.when(q == session.OfTemperature && p.PermissibleCel == nil, "permissible_error_Cel", "the permissible error is not given", "write the limit from its certificate or its maker, such as 1.0")
	m.when(q == session.OfTorque && p.PermissibleNm == nil && p.PermissiblePercent == nil, "permissible_error_percent", "the permissible error is not given", "write the limit from its certificate, such as 4 for 4 %, or permissible_error_Nm")
	_, err := time.Parse(time.DateOnly, p.Due)
	m.when(p.Due != "" && err != nil, "calibration_due", fmt.Sprintf("%q is no day", p.Due), "write year, month and day, such as 2027-03-31")
}

// otherKey says what to write in place of a key of another quantity.
func otherKey(key string, is, wanted session.Quantity) string {
	if stem, ok := strings.CutSuffix(key, "_"+is.Key()); ok && stem != "local_error" && stem != "certificate" {
		return "write " + stem + "_" + wanted.Key()
	}
	return "remove it"
}

func checkTrigger(p session.Profile, m *mistakes) {
	known := []session.Trigger{session.OnPress, session.OnRequest, session.Streaming}
	m.when(p.Trigger != "" && !slices.Contains(known, p.Trigger), "trigger", fmt.Sprintf("%q is no trigger", p.Trigger), "write one of "+listed(known))
	m.when(p.Trigger == session.OnRequest && p.Request == "", "request", "the trigger is on request and nothing says what to send", `add the bytes, such as request = "?\r"`)
	m.when(p.Trigger != session.OnRequest && p.Request != "", "request", "a request is given and the trigger is not on request", `remove it, or write trigger = "on request"`)
	m.when(len(p.Request) > maxRequest, "request", fmt.Sprintf("the request has %d bytes", len(p.Request)), fmt.Sprintf("write at most %d", maxRequest))
	lines := []Line{ClearToSend, DataSetReady, RingIndicator, CarrierDetect}
	m.when(p.Contact != "" && !slices.Contains(lines, Line(p.Contact)), "contact", fmt.Sprintf("%q is no modem-status line", p.Contact), "write one of "+listed(lines))
	m.when(p.Contact != "" && p.Kind != session.Pedal, "contact", "only a pedal is a contact", "remove it")
	m.when(p.Kind == session.Pedal && p.Trigger != "" && p.Trigger != session.OnPress, "trigger", "a pedal is pressed", `write "on press" or remove it`)
}

// maxRequest bounds what is ever written to a port in one go.
const maxRequest = 64

func checkLine(p session.Profile, m *mistakes) {
	l := p.Line
	m.when(l.Baud != 0 && (l.Baud < 50 || l.Baud > 4_000_000), "line.baud", fmt.Sprintf("%d is no line speed", l.Baud), "write the speed of the instrument, such as 9600")
	m.when(l.DataBits != 0 && (l.DataBits < 5 || l.DataBits > 8), "line.data_bits", fmt.Sprintf("%d is no number of data bits", l.DataBits), "write 7 or 8")
	m.when(p.Binary != nil && l.DataBits != 0 && l.DataBits != 8, "line.data_bits", "a binary frame is sent in bytes of 8 bits", "write 8")
	_, parity := parityOf(l.Parity)
	m.when(!parity, "line.parity", fmt.Sprintf("%q is no parity", l.Parity), "write one of "+listed([]string{"none", "odd", "even", "mark", "space"}))
	_, stop := stopBitsOf(l.StopBits)
	m.when(!stop, "line.stop_bits", fmt.Sprintf("%q is no number of stop bits", l.StopBits), `write "1", "1.5" or "2"`)
}

func checkPedal(p session.Profile) []Mistake {
	var m mistakes
	m.when(p.ASCII != nil, "ascii", "a pedal sends no value: any byte from it is a press", "remove it")
	m.when(p.Binary != nil, "binary", "a pedal sends no value: any byte from it is a press", "remove it")
	return m
}

// maxPattern bounds the text of a pattern.
const maxPattern = 512

func checkASCII(p session.Profile) []Mistake {
	var m mistakes
	a := p.ASCII
	re, err := regexp.Compile(a.Pattern)
	if err == nil {
		_, err = regexp.Compile(wholeLine(a.Pattern))
	}
	if err != nil || len(a.Pattern) > maxPattern {
		wrong := fmt.Sprintf("the pattern has %d characters", len(a.Pattern))
		if err != nil {
			wrong = fmt.Sprintf("the pattern is no regular expression (%s)", strings.TrimPrefix(err.Error(), "error parsing regexp: "))
		}
		return append(m, Mistake{"ascii.pattern", wrong, `write it like (?P<sign>[+-])(?P<value>[0-9]+[.][0-9]+) in single quotes`})
	}
	has := func(group string) bool { return re.SubexpIndex(group) >= 0 }
	m.when(!has("value"), "ascii.pattern", "the pattern has no group value", "put (?P<value>…) round the digits")
	for _, name := range re.SubexpNames() {
		m.when(name != "" && !slices.Contains(groups(), name), "ascii.pattern", fmt.Sprintf("the pattern has a group %q", name), "use only "+listed(groups()))
	}
	m.when(strings.HasSuffix(a.Pattern, `\r`) || strings.HasSuffix(a.Pattern, `\n`), "ascii.pattern", "the pattern ends in a line end, which is not part of the line", `remove it: CR, LF and CRLF all end a line`)
	m.when(a.ImpliedDecimals < 0 || a.ImpliedDecimals > 9, "ascii.implied_decimals", fmt.Sprintf("%d decimals cannot be implied", a.ImpliedDecimals), "write a number from 0 to 9")
	m.when(a.DecimalComma && a.ImpliedDecimals > 0, "ascii.decimal_comma", "decimals are implied, so there is no comma before them", "remove one of the two")
	m.when(a.End != "" && (len(a.End) != 1 || strings.Trim(a.End, numberLike) == ""), "ascii.end", fmt.Sprintf("%q ends no line", a.End), `write the one character that does and is in no number, such as "\u0003"; CR, LF and CRLF end a line without it`)
	m.when(a.Units != nil && !has("unit"), "ascii.units", "units are given and the pattern has no group unit", "add the group, or remove the units")
	for _, word := range sortedKeys(a.Units) {
		u := a.Units[word]
		m.when(!slices.Contains(unitsOf(p.Kind), u), "ascii.units."+word, fmt.Sprintf("%q is no unit of %s", u, p.Kind.Quantity()), "write "+unitWords(p.Kind))
	}
	m.when(has("status") && len(a.GoodStatus) == 0, "ascii.good_status", "the pattern has a group status and nothing says which status is good", `add good_status = ["…"]`)
	m.when(!has("status") && len(a.GoodStatus) > 0, "ascii.good_status", "good_status is given and the pattern has no group status", "add the group, or remove good_status")
	m.when(has("channel") && a.Channel == "", "ascii.channel", "the pattern has a group channel and nothing says which channel is this instrument", `add channel = "…"`)
	m.when(!has("channel") && a.Channel != "", "ascii.channel", "channel is given and the pattern has no group channel", "add the group, or remove the channel")
	return m
}

// numberLike are the characters of numbers and words.
const numberLike = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789+-., "

func groups() []string { return []string{"value", "sign", "unit", "channel", "status"} }

func sortedKeys(units map[string]session.Unit) []string {
	keys := make([]string, 0, len(units))
	for k := range units {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// Bounds of a binary frame.
const (
	maxBits  = 8 * maxRaw
	maxWidth = 48 // of a value field, so that counts times scale stay exact
	maxGap   = time.Second
)

func checkBinary(p session.Profile) []Mistake {
	var m mistakes
	b := p.Binary
	if b.Bits < 8 || b.Bits > maxBits || b.Bits%8 != 0 {
		return append(m, Mistake{"binary.bits", fmt.Sprintf("a frame of %d bits is not sent in whole bytes", b.Bits), fmt.Sprintf("write a multiple of 8, at most %d; draw unused bits in fixed", maxBits)})
	}
	m.when(b.Order != lowestFirst && b.Order != highestFirst, "binary.order", fmt.Sprintf("%q is no order of bits", b.Order), fmt.Sprintf("write %q or %q", lowestFirst, highestFirst))
	q := p.Kind.Quantity()
	m.when(!scaleOf(p).IsPositive(), "binary.scale_"+q.Key(), "one count is not above 0 "+q.Unit().Word(), "write the value of one count, such as "+usualCount(p.Kind))
	m.when(q != session.OfLength && !b.Scale.IsZero(), "binary.scale_mm", fmt.Sprintf("scale_mm is given, and a %s measures a %s", p.Kind, q), "write scale_"+q.Key())
	m.when(q != session.OfTorque && b.ScaleNm != nil, "binary.scale_Nm", fmt.Sprintf("scale_Nm is given, and a %s measures a %s", p.Kind, q), "write scale_"+q.Key())
	m.when(q != session.OfTemperature && b.ScaleCel != nil, "binary.scale_Cel", fmt.Sprintf("scale_Cel is given, and a %s measures a %s", p.Kind, q), "write scale_"+q.Key())
	m.when(q != session.OfLength && b.InchBit != nil, "binary.inch_bit", fmt.Sprintf("a %s has no inch", p.Kind), "remove it")
	m.when(b.Gap != 0 && (b.Gap < time.Millisecond || b.Gap > maxGap), "binary.gap", fmt.Sprintf("a gap of %s does not separate frames", b.Gap), `write between "1ms" and "1s"`)
	m.when(b.InchBit != nil && (b.InchScale == nil || !b.InchScale.IsPositive()), "binary.scale_in", "an inch bit is given and one count in inch is not above 0", "write the value of one count, such as 0.0005")
	m.when(b.InchBit == nil && b.InchScale != nil, "binary.inch_bit", "scale_in is given and nothing says when the value is in inch", "add inch_bit, or remove scale_in")
	signs := []string{signNone, signBit, signTwos}
	m.when(b.Sign != "" && !slices.Contains(signs, b.Sign), "binary.sign", fmt.Sprintf("%q is no way to give a sign", b.Sign), "write one of "+listed(signs))
	m.when(b.Sign == signBit && b.SignBit == nil, "binary.sign_bit", "the sign is a bit and nothing says which", "add sign_bit, the bit that is set when negative")
	m.when(b.Sign != signBit && b.SignBit != nil, "binary.sign_bit", "sign_bit is given and the sign is not a bit", `remove it, or write sign = "bit"`)
	checkCoding(b, &m)
	checkOther(p, &m)
	checkFields(b, &m)
	return m
}

// checkCoding sees that decimal digits fill their field.
func checkCoding(b *session.BinaryFrame, m *mistakes) {
	bcd := b.Coding == codedBCD
	m.when(b.Coding != "" && b.Coding != "binary" && !bcd, "binary.coding", fmt.Sprintf("%q is no coding", b.Coding), `write "binary" or "bcd", or remove it`)
	m.when(bcd && len(b.Value) == 2 && b.Value[1]%4 != 0, "binary.value", "the value is of decimal digits and its field has no multiple of four bits", "give each digit four bits")
	m.when(bcd && b.Sign == signTwos, "binary.sign", "decimal digits have no twos complement", "write "+listed([]string{signNone, signBit}))
}

// checkOther sees that a second unit is one of the quantity.
func checkOther(p session.Profile, m *mistakes) {
	o := p.Binary.Other
	if o == nil {
		return
	}
	m.when(p.Binary.InchBit != nil, "binary.other_unit", "inch_bit is given as well", "keep one of the two")
	m.when(!slices.Contains(unitsOf(p.Kind)[1:], o.Unit), "binary.other_unit.unit", fmt.Sprintf("%q is no other unit of a %s", o.Unit, p.Kind.Quantity()), "write one of "+listed(wordsOf(unitsOf(p.Kind)[1:])))
	m.when(!o.Scale.IsPositive(), "binary.other_unit.scale", "one count is not above 0 "+o.Unit.Word(), "write the value of one count, such as 0.1")
}

// checkFields sees that every field lies in the frame and no two bits are one.
func checkFields(b *session.BinaryFrame, m *mistakes) {
	owner := make([]string, b.Bits)
	claim := func(field string, bit int) {
		if bit < 0 || bit >= b.Bits {
			*m = append(*m, Mistake{field, fmt.Sprintf("bit %d is not in a frame of %d bits", bit, b.Bits), fmt.Sprintf("count bits from 0 to %d in the order sent", b.Bits-1)})
			return
		}
		m.when(owner[bit] != "", field, fmt.Sprintf("bit %d belongs to %s already", bit, owner[bit]), "give each bit one meaning")
		owner[bit] = field
	}
	switch {
	case len(b.Value) != 2 || b.Value[1] < 1 || b.Value[1] > maxWidth:
		*m = append(*m, Mistake{"binary.value", fmt.Sprintf("%v is no field", b.Value), fmt.Sprintf("write [first bit, number of bits] with at most %d bits", maxWidth)})
	case b.Value[0] < 0 || b.Value[0]+b.Value[1] > b.Bits:
		*m = append(*m, Mistake{"binary.value", fmt.Sprintf("the field %v is not in a frame of %d bits", b.Value, b.Bits), fmt.Sprintf("count bits from 0 to %d in the order sent", b.Bits-1)})
	default:
		for i := range b.Value[1] {
			owner[b.Value[0]+i] = "binary.value"
		}
	}
	if b.SignBit != nil {
		claim("binary.sign_bit", *b.SignBit)
	}
	if b.InchBit != nil {
		claim("binary.inch_bit", *b.InchBit)
	}
	if b.Other != nil {
		claim("binary.other_unit.bit", b.Other.Bit)
	}
	for _, bit := range b.StatusBits {
		claim("binary.status_bits", bit)
	}
	checkFixed(b, owner, m)
}

func checkFixed(b *session.BinaryFrame, owner []string, m *mistakes) {
	drawn := strings.ReplaceAll(b.Fixed, " ", "")
	if drawn == "" {
		return
	}
	if len(drawn) != b.Bits || strings.Trim(drawn, "01.") != "" {
		*m = append(*m, Mistake{"binary.fixed", fmt.Sprintf("the drawing is not %d times 0, 1 or a point", b.Bits), "draw every bit in the order sent, a point where it varies"})
		return
	}
	for i, c := range drawn {
		if c != '.' && owner[i] != "" {
			*m = append(*m, Mistake{"binary.fixed", fmt.Sprintf("bit %d is fixed and belongs to %s", i, owner[i]), "draw a point there"})
			return
		}
	}
}
