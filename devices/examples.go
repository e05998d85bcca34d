package devices

import (
	"github.com/shopspring/decimal"

	"shimwright/session"
)

// ExampleProfiles returns four instruments with invented frames: a caliper and a
// depth gauge with data buttons, a micrometer that answers requests, and a pedal.
// They have no port yet.
//
// The permissible errors are plausible for such instruments: caliper 0.02 mm
// outside (DIN 862, digital, 0.01 mm, 50 to 200 mm) and 0.03 mm for its small
// jaws, its rod and its step (assumed); depth gauge 0.03 mm (assumed); micrometer
// 0.004 mm (DIN 863-1, external, 0 to 50 mm). About half of each is taken to be left
// near a length where the error is known (assumed).
func ExampleProfiles() []session.Profile {
	return []session.Profile{exampleCaliper(), exampleDepthGauge(), exampleMicrometer(),
		{Name: "pedal-1", Kind: session.Pedal, Trigger: session.OnPress}}
}

// exampleCaliper sends "V+012.34 mm" or "V+00.4860 in", CR LF.
func exampleCaliper() session.Profile {
	return session.Profile{
		Name: "caliper-1", Kind: session.Caliper, Trigger: session.OnPress, Unit: session.Millimetre,
		Resolution: decimals(1, 2), Repeatability: decimals(8, 3),
		ASCII: &session.ASCIILine{Pattern: `V(?P<sign>[+-])(?P<value>[0-9]{3}[.][0-9]{2}|[0-9]{2}[.][0-9]{4}) (?P<unit>mm|in)`},
		Permissible: map[session.Use]session.Number{session.Outside: decimals(2, 2), session.Inside: decimals(3, 2),
			session.Depth: decimals(3, 2), session.StepUse: decimals(3, 2)},
		Local: map[session.Use]session.Number{session.Outside: decimals(1, 2), session.Inside: decimals(15, 3),
			session.Depth: decimals(15, 3), session.StepUse: decimals(15, 3)},
	}
}

// exampleDepthGauge sends three bytes, bits in the order sent, highest first:
//
//	byte 0   1 S I 0 0 0 0 0    S: negative, I: in inch
//	byte 1   0 v v v v v v v    v: 14 bits of counts, the highest first
//	byte 2   v v v v v v v 1
//
// The fixed bits contradict themselves at a shift of one byte (first bits 1 and 0)
// and of two (last bits 0 and 1), so a frame is found without a pause.
func exampleDepthGauge() session.Profile {
	sign, inch, inchScale := 1, 2, decimals(5, 4)
	return session.Profile{
		Name: "depth-gauge-1", Kind: session.DepthGauge, Trigger: session.OnPress,
		Resolution: decimals(1, 2), Repeatability: decimals(10, 3),
		Binary: &session.BinaryFrame{Bits: 24, Order: highestFirst, Value: []int{9, 14}, Sign: signBit, SignBit: &sign,
			InchBit: &inch, Scale: decimals(1, 2), InchScale: &inchScale, Fixed: "1..0 0000 0... .... .... ...1"},
		Permissible: map[session.Use]session.Number{session.Depth: decimals(3, 2), session.StepUse: decimals(3, 2)},
		Local:       map[session.Use]session.Number{session.Depth: decimals(12, 3), session.StepUse: decimals(12, 3)},
	}
}

// exampleMicrometer answers "?" CR with "01  24.998 ok", CR LF.
func exampleMicrometer() session.Profile {
	return session.Profile{
		Name: "micrometer-1", Kind: session.Micrometer, Trigger: session.OnRequest, Request: "?\r",
		Resolution: decimals(1, 3), Repeatability: decimals(15, 4),
		ASCII: &session.ASCIILine{Pattern: `(?P<channel>[0-9]{2}) (?P<sign>[ -])(?P<value>[0-9]{2}[.][0-9]{3}) (?P<status>[a-z]{2})`,
			Channel: "01", GoodStatus: []string{"ok"}},
		Permissible: map[session.Use]session.Number{session.Outside: decimals(4, 3)},
		Local:       map[session.Use]session.Number{session.Outside: decimals(2, 3)},
	}
}

// decimals returns n with its last places digits behind the point.
func decimals(n int64, places int32) session.Number { return session.Num(decimal.New(n, -places)) }
