package session

import (
	"time"

	"github.com/shopspring/decimal"
)

// A Trigger says what makes a frame a reading.
type Trigger string

// The triggers.
const (
	OnPress   Trigger = "on press"   // each frame is a press of the data button
	OnRequest Trigger = "on request" // the instrument answers a request
	Streaming Trigger = "streaming"  // frames come all the time; a take picks one
)

// A Profile is what the daemon knows of one instrument: line settings, decoder,
// resolution, repeatability, permissible errors. It is logged in full.
type Profile struct {
	Name          string  `toml:"name" strict:"required,unique" example:"caliper-1" json:"name"`
	Kind          Kind    `toml:"kind" strict:"required,oneof=caliper|depth gauge|micrometer|dial indicator|feeler|thermometer|torque wrench|pedal" example:"caliper" json:"kind"`
	Port          string  `toml:"port" example:"/dev/serial/by-id/…" json:"port,omitempty"`
	Unit          Unit    `toml:"unit" example:"mm" json:"unit,omitempty"`                           // of a frame that does not say; that in which its quantity is kept
	Resolution    Number  `toml:"resolution_mm" example:"0.01" json:"resolution_mm,omitzero"`        // one count
	Repeatability Number  `toml:"repeatability_mm" example:"0.008" json:"repeatability_mm,omitzero"` // standard deviation s_r
	Degrees       int     `toml:"repeatability_degrees_of_freedom" json:"repeatability_degrees_of_freedom,omitempty"`
	Trigger       Trigger `toml:"trigger" strict:"oneof=on press|on request|streaming" json:"trigger,omitempty"`
	Request       string  `toml:"request" json:"request,omitempty"` // bytes to send for a reading
	Line          Line    `toml:"line" json:"line"`
	// Contact is the modem-status line of a pedal that is a bare contact and sends nothing.
	Contact     string         `toml:"contact" strict:"oneof=cts|dsr|ri|dcd" example:"cts" json:"contact,omitempty"`
	ASCII       *ASCIILine     `toml:"ascii" json:"ascii,omitempty"`
	Binary      *BinaryFrame   `toml:"binary" json:"binary,omitempty"`
	Permissible map[Use]Number `toml:"permissible_error_mm" json:"permissible_error_mm,omitempty"` // ±a per use
	// Local is what is left of the permissible error near a length where the error
	// is known from a certificate or a check; all of it if not given.
	Local map[Use]Number `toml:"local_error_mm" json:"local_error_mm,omitempty"`
	// Scale is the relative error ± of its scale, in 10⁻⁶; 50 if not given.
	Scale *Number `toml:"scale_error_e6" example:"50" json:"scale_error_e6,omitempty"`
	// Offset is the standard uncertainty of how far its rod and its jaws differ, for where
	// it is zeroed between the jaws and measures with the rod.
	Offset *Number `toml:"rod_to_jaws_u_mm" example:"0.005" json:"rod_to_jaws_u_mm,omitempty"`
	// Expansion is that of its scale; 11.5 (steel) if not given.
	Expansion    *Number       `toml:"expansion_per_kelvin_e6" example:"11.5" json:"expansion_per_kelvin_e6,omitempty"` // 10⁻⁶/K
	Certificates []Certificate `toml:"certificate" json:"certificates,omitempty"`
	// CertificateNumber and Due are of its last calibration: after the day Due, written
	// 2027-03-31, it is overdue.
	CertificateNumber string `toml:"certificate_number" example:"2026-118" json:"certificate_number,omitempty"`
	Due               string `toml:"calibration_due" example:"2027-03-31" json:"calibration_due,omitempty"`

	// What a thermometer and a torque wrench have in place of the lengths above. The
	// permissible error of a torque wrench is a limit in N·m, a part of the reading, or
	// both, of which the larger counts.
	ResolutionCel    *Number `toml:"resolution_Cel" example:"0.1" json:"resolution_Cel,omitempty"`
	RepeatabilityCel *Number `toml:"repeatability_Cel" example:"0.1" json:"repeatability_Cel,omitempty"`
	PermissibleCel   *Number `toml:"permissible_error_Cel" example:"1.0" json:"permissible_error_Cel,omitempty"`
	// CertificatesCel are what its calibration found at temperatures.
	CertificatesCel    []CertificateCel `toml:"certificate_Cel" json:"certificates_Cel,omitempty"`
	ResolutionNm       *Number          `toml:"resolution_Nm" example:"0.1" json:"resolution_Nm,omitempty"`
	RepeatabilityNm    *Number          `toml:"repeatability_Nm" example:"0.1" json:"repeatability_Nm,omitempty"`
	PermissibleNm      *Number          `toml:"permissible_error_Nm" example:"0.3" json:"permissible_error_Nm,omitempty"`
	PermissiblePercent *Number          `toml:"permissible_error_percent" example:"4" json:"permissible_error_percent,omitempty"`
	// CertificatesNm are what its calibration found at torques.
	CertificatesNm []CertificateNm `toml:"certificate_Nm" json:"certificates_Nm,omitempty"`

	// Assumed says that nobody stated the rest: it is as such instruments usually are.
	Assumed bool `json:"assumed,omitempty"`
}

// Count is one count of the instrument's display, and Spread the standard deviation of
// its repeats, in the unit in which its quantity is kept; 0 where the profile has none.
func (p *Profile) Count() Number {
	return p.either(p.Resolution, p.ResolutionNm, p.ResolutionCel)
}

// Spread: see Count.
func (p *Profile) Spread() Number {
	return p.either(p.Repeatability, p.RepeatabilityNm, p.RepeatabilityCel)
}

func (p *Profile) either(length Number, torque, temperature *Number) Number {
	var n *Number
	switch p.Kind.Quantity() {
	case OfLength:
		return length
	case OfTorque:
		n = torque
	case OfTemperature:
		n = temperature
	}
	if n == nil {
		return Number{}
	}
	return *n
}

// Limit is the permissible error ± of a thermometer or a torque wrench at a value, in the
// unit of its quantity; nil if the profile states none, and for lengths, whose limits
// are per use.
func (p *Profile) Limit(at Number) *Number {
	switch p.Kind.Quantity() {
	case OfTemperature:
		return p.PermissibleCel
	case OfTorque:
		limit := p.PermissibleNm
		if part := p.PermissiblePercent; part != nil {
			of := Num(at.Abs().Mul(part.Decimal).Mul(decimal.New(1, -2)))
			if limit == nil || of.GreaterThan(limit.Decimal) {
				limit = &of
			}
		}
		return limit
	}
	return nil
}

// A Certificate is what a calibration found for one use: the error of indication,
// which is taken off, and its expanded uncertainty.
type Certificate struct {
	Use      Use     `toml:"use" strict:"required,oneof=outside|inside|depth|step|gap" example:"outside" json:"use"`
	At       Number  `toml:"at_mm" strict:"required" example:"50.000" json:"at_mm"`
	Reach    *Number `toml:"reach_mm" example:"25" json:"reach_mm,omitempty"` // how far from there it speaks; 25 if not given
	Error    Number  `toml:"error_mm" strict:"required" example:"0.003" json:"error_mm"`
	Expanded Number  `toml:"expanded_mm" strict:"required" example:"0.006" json:"expanded_mm"`
	Factor   *Number `toml:"k" example:"2" json:"k,omitempty"`                       // 2 if not given
	Degrees  int     `toml:"degrees_of_freedom" json:"degrees_of_freedom,omitempty"` // of the certificate; 0 if it does not say
	Number   string  `toml:"number" json:"number,omitempty"`
}

// A CertificateCel is what a calibration of a thermometer found at a temperature: the error
// of indication, which is taken off near it, and its expanded uncertainty.
type CertificateCel struct {
	At       Number  `toml:"at_Cel" strict:"required" example:"40.0" json:"at_Cel"`
	Reach    *Number `toml:"reach_Cel" example:"15" json:"reach_Cel,omitempty"` // how far from there it speaks; 15 if not given
	Error    Number  `toml:"error_Cel" strict:"required" example:"0.3" json:"error_Cel"`
	Expanded Number  `toml:"expanded_Cel" strict:"required" example:"0.4" json:"expanded_Cel"`
	Factor   *Number `toml:"k" example:"2" json:"k,omitempty"` // 2 if not given
}

// A CertificateNm is what a calibration of a torque wrench found at a torque: the error of
// indication, which is taken off near it, and its expanded uncertainty.
type CertificateNm struct {
	At       Number  `toml:"at_Nm" strict:"required" example:"10.0" json:"at_Nm"`
	Reach    *Number `toml:"reach_Nm" example:"5" json:"reach_Nm,omitempty"` // how far from there it speaks; half of it if not given
	Error    Number  `toml:"error_Nm" strict:"required" example:"0.2" json:"error_Nm"`
	Expanded Number  `toml:"expanded_Nm" strict:"required" example:"0.1" json:"expanded_Nm"`
	Factor   *Number `toml:"k" example:"2" json:"k,omitempty"` // 2 if not given
}

// Line is how a serial port is set. Zero values mean 9600 8N1.
type Line struct {
	Baud     int    `toml:"baud" json:"baud,omitempty"`
	DataBits int    `toml:"data_bits" json:"data_bits,omitempty"`
	Parity   string `toml:"parity" strict:"oneof=none|odd|even|mark|space" json:"parity,omitempty"`
	StopBits string `toml:"stop_bits" strict:"oneof=1|1.5|2" json:"stop_bits,omitempty"`
}

// An ASCIILine is a text frame that ends in CR, LF or CRLF, or in a byte of its own.
//
// Pattern is a regular expression (RE2) that must match the whole line. Its
// named groups give the parts: value (required), sign, unit, channel, status.
type ASCIILine struct {
	Pattern string `toml:"pattern" strict:"required" example:"(?P<sign>[+-])(?P<value>[0-9]+[.][0-9]+) (?P<unit>mm|in)" json:"pattern"`
	// End is one more character that ends a line, where neither CR nor LF does.
	End string `toml:"end" example:"\\u0003" json:"end,omitempty"`
	// DecimalComma says that a comma stands before the decimals.
	DecimalComma bool `toml:"decimal_comma" json:"decimal_comma,omitempty"`
	// ImpliedDecimals places a fixed decimal point in a value sent without one.
	ImpliedDecimals int `toml:"implied_decimals" json:"implied_decimals,omitempty"`
	// Units maps what the unit group can say to a unit; without it as people write them.
	Units map[string]Unit `toml:"units" json:"units,omitempty"`
	// GoodStatus lists what the status group says when the value is sound.
	GoodStatus []string `toml:"good_status" json:"good_status,omitempty"`
	// Channel, if set, is the only channel whose frames are read.
	Channel string `toml:"channel" json:"channel,omitempty"`
}

// An OtherUnit is the unit of a binary frame in which a bit is set.
type OtherUnit struct {
	Bit   int    `toml:"bit" strict:"required" json:"bit"`
	Unit  Unit   `toml:"unit" strict:"required" example:"lbf.ft" json:"unit"`
	Scale Number `toml:"scale" strict:"required" example:"0.1" json:"scale"` // one count, in Unit
}

// A BinaryFrame describes a frame of Bits bits sent in whole bytes.
type BinaryFrame struct {
	Bits int `toml:"bits" strict:"required" example:"24" json:"bits"`
	// Order is the order of bits in the frame: "first bit lowest" or "first bit highest".
	Order string `toml:"order" strict:"required,oneof=first bit lowest|first bit highest" example:"first bit lowest" json:"order"`
	// Value, Sign and InchFlag are fields [first bit, number of bits] counted from 0 in the order sent.
	Value []int `toml:"value" strict:"required" example:"[0, 20]" json:"value"`
	// Coding of the value is "binary", as without it, or "bcd": a decimal digit in every four bits.
	Coding string `toml:"coding" strict:"oneof=binary|bcd" json:"coding,omitempty"`
	// Sign is "none", "bit" (SignBit set means negative) or "twos complement".
	Sign    string `toml:"sign" strict:"oneof=none|bit|twos complement" json:"sign,omitempty"`
	SignBit *int   `toml:"sign_bit" json:"sign_bit,omitempty"`
	// InchBit set in the frame means that the value is in inch.
	InchBit *int `toml:"inch_bit" json:"inch_bit,omitempty"`
	// Other is a unit besides that in which the quantity is kept, as InchBit and InchScale
	// say it of inch.
	Other *OtherUnit `toml:"other_unit" json:"other_unit,omitempty"`
	// StatusBits are set while the value is not sound, as with a low battery.
	StatusBits []int `toml:"status_bits" example:"[3]" json:"status_bits,omitempty"`
	// Scale and InchScale are the value of one count in mm and in inch.
	Scale     Number  `toml:"scale_mm" example:"0.01" json:"scale_mm,omitzero"`
	InchScale *Number `toml:"scale_in" json:"scale_in,omitempty"`
	// ScaleNm and ScaleCel are the value of one count of a torque wrench and a thermometer.
	ScaleNm  *Number `toml:"scale_Nm" example:"0.1" json:"scale_Nm,omitempty"`
	ScaleCel *Number `toml:"scale_Cel" example:"0.1" json:"scale_Cel,omitempty"`
	// Fixed draws the frame bit by bit in the order sent: 0 or 1 where every frame
	// has that bit, a point where it varies; spaces are ignored.
	Fixed string `toml:"fixed" example:"1111 .... .... .... .... 0000" json:"fixed,omitempty"`
	// Gap is the silence that separates frames; after it a frame starts anew. 20 ms if not given.
	Gap time.Duration `toml:"gap" example:"20ms" json:"gap,omitempty"`
}
