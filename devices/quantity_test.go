package devices

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// exampleThermometer sends "T 021.5 C" or "T 070.7 F", CR.
func exampleThermometer() session.Profile {
	return session.Profile{
		Name: "thermometer-1", Kind: session.Thermometer, Trigger: session.OnPress,
		ResolutionCel: new(decimals(1, 1)), RepeatabilityCel: new(decimals(1, 1)), PermissibleCel: new(decimals(10, 1)),
		ASCII: &session.ASCIILine{Pattern: `T(?P<sign>[ -])(?P<value>[0-9]{3}[.][0-9]) (?P<unit>[A-Z])`},
	}
}

// exampleWrench sends four bytes, the first fixed, then 16 bits of 0.1 N·m and a sum of nothing.
func exampleWrench() session.Profile {
	return session.Profile{
		Name: "wrench-1", Kind: session.TorqueWrench, Trigger: session.OnPress,
		ResolutionNm: new(decimals(1, 1)), RepeatabilityNm: new(decimals(1, 1)), PermissiblePercent: new(decimals(4, 0)),
		Binary: &session.BinaryFrame{Bits: 32, Order: highestFirst, Value: []int{8, 16}, ScaleNm: new(decimals(1, 1)),
			Fixed: "1010 0101 .... .... .... .... 0000 0000"},
	}
}

// write composes the frame that shows a number in a unit.
func write(p session.Profile, shown session.Number, unit session.Unit) ([]byte, error) {
	for _, w := range wires {
		if w.of(p) {
			return w.encode(p)(shown, unit)
		}
	}
	return nil, errors.New("no format")
}

func TestDecodersOfOtherQuantities(t *testing.T) {
	lbf := exampleThermometer()
	lbf.Name, lbf.Kind, lbf.ResolutionCel, lbf.RepeatabilityCel, lbf.PermissibleCel = "wrench-2", session.TorqueWrench, nil, nil, nil
	lbf.ResolutionNm, lbf.RepeatabilityNm, lbf.PermissibleNm = new(decimals(1, 1)), new(decimals(1, 1)), new(decimals(3, 1))
	lbf.ASCII = &session.ASCIILine{Pattern: `(?P<value>[0-9.]+)(?P<unit>[A-Za-z.-]+)`}
	silent := exampleThermometer()
	silent.Unit, silent.ASCII = session.Fahrenheit, &session.ASCIILine{Pattern: `(?P<value>-?[0-9.]+)`}
	for _, c := range []struct {
		profile session.Profile
		bytes   string
		want    string
	}{
		{exampleThermometer(), "T 021.5 C\r", "21.5 Cel"},
		{exampleThermometer(), "T-004.0 C\r", "-4.0 Cel"},
		{exampleThermometer(), "T 212.0 F\r", "100.0 Cel"},
		{exampleThermometer(), "T 070.7 F\r", "21.5 Cel"},
		{exampleThermometer(), "T 070.8 F\r", "21.5555556 Cel"},
		{exampleThermometer(), "T 070.8 K\r", `bad unit: the unit "K" is not one of the profile's`},
		{exampleThermometer(), "T 999.9 C\r", "bad number: 999.9 °C is beyond -90 to 500 °C"},
		{silent, "-40\n", "-40 Cel"},
		{lbf, "6.0lbf.ft\n", "8.134907689988402400 N.m"},
		{lbf, "8.1N.m\n", "8.1 N.m"},
		{lbf, "8.1mm\n", `bad unit: the unit "mm" is not one of the profile's`},
		{lbf, "20000Nm\n", "bad number: 20000 N·m is beyond 10 kN·m"},
		{exampleWrench(), "\xa5\x00\x51\x00", "8.1 N.m"},
		{exampleWrench(), "\xa5\xff\xff\x00", "6553.5 N.m"},
	} {
		require.Empty(t, Check(c.profile))
		d := decoder(t, c.profile)
		got := append(feed(d, c.bytes, time.Second), quiet(d, 3*time.Second)...)
		require.Len(t, got, 1, "%q", c.bytes)
		said := fmt.Sprint(got[0].Value, " ", got[0].Kind.Quantity().Unit())
		if f := got[0].Fault; f != nil {
			said = f.Code + ": " + f.Detail
		}
		assert.Equal(t, c.want, said, "%q", c.bytes)
	}
}

func TestEncodersOfOtherQuantities(t *testing.T) {
	for _, c := range []struct {
		profile session.Profile
		shown   session.Number
		unit    session.Unit
	}{
		{exampleThermometer(), decimals(415, 1), session.Celsius}, {exampleThermometer(), decimals(-1067, 1), session.Fahrenheit},
		{exampleThermometer(), decimals(1067, 1), session.Fahrenheit}, {exampleWrench(), decimals(98, 1), session.NewtonMetre},
	} {
		frame, err := write(c.profile, c.shown, c.unit)
		require.NoError(t, err, "%s %s", c.shown, c.unit)
		d := decoder(t, c.profile)
		got := append(feed(d, string(frame), time.Second), quiet(d, 3*time.Second)...)
		require.Len(t, got, 1)
		if c.unit.Kept(c.shown).LessThan(decimals(-73, 0).Decimal) {
			continue
		}
		assert.True(t, got[0].Value.Equal(c.unit.Kept(c.shown).Decimal), "%s %s", c.shown, c.unit)
	}
}

func TestAProfileStatesItsErrorsInTheUnitOfItsQuantity(t *testing.T) {
	for _, c := range []struct {
		change      func(*session.Profile)
		field, want string
	}{
		{func(p *session.Profile) { p.ResolutionCel, p.Resolution = nil, decimals(1, 2) }, "resolution_mm", "write resolution_Cel"},
		{func(p *session.Profile) { p.ResolutionCel = nil }, "resolution_Cel", "such as 0.1"},
		{func(p *session.Profile) { p.RepeatabilityCel = new(decimals(0, 0)) }, "repeatability_Cel", "such as 0.1"},
		{func(p *session.Profile) { p.PermissibleNm = new(decimals(1, 0)) }, "permissible_error_Nm", "write permissible_error_Cel"},
		{func(p *session.Profile) { p.PermissiblePercent = new(decimals(4, 0)) }, "permissible_error_percent", "remove it"},
		{func(p *session.Profile) { p.PermissibleCel = nil }, "permissible_error_Cel", "write the limit"},
		{func(p *session.Profile) { p.PermissibleCel = new(decimals(-1, 0)) }, "permissible_error_Cel", "without its sign"},
		{func(p *session.Profile) {
			p.Permissible = map[session.Use]session.Number{session.Outside: decimals(1, 0)}
		}, "permissible_error_mm", "write permissible_error_Cel"},
		{func(p *session.Profile) { p.Scale = new(decimals(50, 0)) }, "scale_error_e6", "remove it"},
		{func(p *session.Profile) { p.CertificatesNm = []session.CertificateNm{{At: decimals(1, 0)}} }, "certificate_Nm", "remove it"},
		{func(p *session.Profile) { *p = exampleWrench(); p.CertificatesNm = []session.CertificateNm{{}} }, "certificate_Nm.0.at_Nm", "take it from"},
		{func(p *session.Profile) {
			*p = exampleWrench()
			p.CertificatesNm = []session.CertificateNm{{At: decimals(1, 0), Expanded: decimals(-1, 0)}}
		}, "certificate_Nm.0.expanded_Nm", "take it from"},
		{func(p *session.Profile) {
			*p = exampleWrench()
			p.CertificatesNm = []session.CertificateNm{{At: decimals(1, 0), Factor: new(decimals(0, 0))}}
		}, "certificate_Nm.0.k", "take it from"},
		{func(p *session.Profile) {
			*p = exampleWrench()
			p.CertificatesNm = []session.CertificateNm{{At: decimals(1, 0), Reach: new(decimals(-1, 0))}}
		}, "certificate_Nm.0.reach_Nm", "how far"},
		{func(p *session.Profile) { p.CertificatesCel = []session.CertificateCel{{Expanded: decimals(-1, 0)}} }, "certificate_Cel.0.expanded_Cel", "take it from"},
		{func(p *session.Profile) { p.CertificatesCel = []session.CertificateCel{{Factor: new(decimals(0, 0))}} }, "certificate_Cel.0.k", "take it from"},
		{func(p *session.Profile) { p.CertificatesCel = []session.CertificateCel{{Reach: new(decimals(-1, 0))}} }, "certificate_Cel.0.reach_Cel", "how far"},
		{func(p *session.Profile) { *p = exampleWrench(); p.CertificatesCel = []session.CertificateCel{{}} }, "certificate_Cel", "remove it"},
		{func(p *session.Profile) { p.Unit = session.Inch }, "unit", `write "°C" or "°F"`},
		{func(p *session.Profile) { p.ASCII.Units = map[string]session.Unit{"M": session.Millimetre} }, "ascii.units.M", `write "°C" or "°F"`},
		{func(p *session.Profile) { p.Due = "31.3.2027" }, "calibration_due", "such as 2027-03-31"},
		{func(p *session.Profile) { *p = exampleWrench(); p.PermissiblePercent = nil }, "permissible_error_percent", "such as 4"},
		{func(p *session.Profile) { *p = exampleWrench(); p.Binary.Scale = decimals(1, 2) }, "binary.scale_mm", "write scale_Nm"},
		{func(p *session.Profile) { *p = exampleWrench(); p.Binary.ScaleNm = nil }, "binary.scale_Nm", "such as 0.1"},
		{func(p *session.Profile) { *p = exampleWrench(); p.Binary.ScaleCel = new(decimals(1, 1)) }, "binary.scale_Cel", "write scale_Nm"},
		{func(p *session.Profile) { *p = exampleWrench(); p.Binary.InchBit = new(24) }, "binary.inch_bit", "remove it"},
	} {
		p := exampleThermometer()
		c.change(&p)
		found := ""
		for _, m := range Check(p) {
			if m.Field == c.field && strings.Contains(m.Right, c.want) {
				found = m.Error()
			}
		}
		assert.NotEmpty(t, found, "%s: %s in %v", c.field, c.want, Check(p))
	}
	caliper := exampleCaliper()
	caliper.ResolutionNm = new(decimals(1, 1))
	assert.ErrorContains(t, Check(caliper)[0], "resolution_Nm is given, and a caliper measures a length; write resolution_mm")
}

// A thermometer and a wrench are learned like any instrument.
func TestLearnOtherQuantities(t *testing.T) {
	for _, c := range []struct {
		profile session.Profile
		shown   []session.Number
		units   []session.Unit
	}{
		{exampleThermometer(), []session.Number{decimals(215, 1), decimals(304, 1), decimals(752, 1)}, []session.Unit{session.Celsius, session.Celsius, session.Fahrenheit}},
		{exampleWrench(), []session.Number{decimals(81, 1), decimals(102, 1), decimals(250, 1)}, []session.Unit{session.NewtonMetre, session.NewtonMetre, session.NewtonMetre}},
	} {
		var presses []Press
		for i, n := range c.shown {
			frame, err := write(c.profile, n, c.units[i])
			require.NoError(t, err)
			presses = append(presses, Press{Raw: frame, Shown: n, Unit: c.units[i]})
		}
		found, err := Propose(session.Profile{Name: "new", Kind: c.profile.Kind}, presses)
		require.NoError(t, err)
		require.NotEmpty(t, found)
		assert.Equal(t, "0.1", new(found[0].Profile).Count().String())
		assert.Contains(t, WriteProfile(found[0].Profile), "resolution_"+c.profile.Kind.Quantity().Key())
		presses[0].Unit = session.Millimetre
		_, err = Propose(session.Profile{Name: "new", Kind: c.profile.Kind}, presses)
		require.ErrorContains(t, err, "shows no mm")
	}
}
