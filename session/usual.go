package session

// UsualLimits are permissible errors, ± mm per use, that instruments of a kind
// usually keep, for where no profile states them. Outside jaws: DIN 862, digital,
// 0.01 mm, up to 200 mm; micrometer: DIN 863-1, up to 50 mm (both second-hand). The
// others are assumed.
func UsualLimits(k Kind) map[Use]Number {
	switch k {
	case Caliper:
		return map[Use]Number{Outside: *plain("0.02"), Inside: *plain("0.03"), Depth: *plain("0.03"), StepUse: *plain("0.03")}
	case DepthGauge:
		return map[Use]Number{Depth: *plain("0.03"), StepUse: *plain("0.03")}
	case Micrometer:
		return map[Use]Number{Outside: *plain("0.004"), Inside: *plain("0.006"), Depth: *plain("0.006")}
	case DialIndicator:
		return map[Use]Number{StepUse: *plain("0.02"), GapCheck: *plain("0.02")}
	}
	return nil
}

// usualLocal is what is usually left of the permissible error near a checked length
// (assumed): half of it.
func usualLocal(k Kind) map[Use]Number {
	local := map[Use]Number{}
	for use, limit := range UsualLimits(k) {
		local[use] = Num(limit.Mul(plain("0.5").Decimal))
	}
	return local
}

// UsualProfile is an instrument of a kind as it usually is, to judge a plan by before
// any instrument is named. The 4 % of a torque wrench are from memory of ISO 6789-1; the
// 1.5 °C of a thermometer are assumed.
func UsualProfile(k Kind) Profile {
	p := Profile{Name: "any " + string(k), Kind: k, Resolution: *plain("0.01"), Repeatability: *plain("0.01"), Permissible: UsualLimits(k), Local: usualLocal(k), Assumed: true}
	switch k {
	case Thermometer:
		p.Resolution, p.Repeatability = Number{}, Number{}
		p.ResolutionCel, p.RepeatabilityCel, p.PermissibleCel = plain("0.1"), plain("0.2"), plain("1.5")
	case TorqueWrench:
		p.Resolution, p.Repeatability = Number{}, Number{}
		p.ResolutionNm, p.RepeatabilityNm, p.PermissiblePercent = plain("0.1"), plain("0.1"), plain("4")
	case Micrometer:
		p.Resolution, p.Repeatability = *plain("0.001"), *plain("0.002")
	case Feeler:
		p.Resolution, p.Repeatability = *plain("0.05"), *plain("0.02")
	}
	return p
}
