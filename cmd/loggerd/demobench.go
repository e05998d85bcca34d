package main

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"shimwright/devices"
	"shimwright/session"
	"shimwright/testdata/plans"
)

// playablePlan reads a plan of the demo by its name, what it includes with it, and gives
// its text. The error says which there are.
func playablePlan(name string) (file string, text []byte, plan session.Plan, err error) {
	file = strings.TrimSuffix(name, ".toml") + ".toml"
	text, err = plans.Files.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil, session.Plan{}, usage("the demo has no plan %q; it plays %s", name, strings.Join(playables(), ", "))
	}
	if err == nil {
		text, err = session.ResolvePlan(file, text, func(other string) ([]byte, error) { return plans.Files.ReadFile(path.Clean(other)) })
	}
	if err == nil {
		plan, err = session.ReadPlan(file, text)
	}
	if err != nil {
		return "", nil, session.Plan{}, fmt.Errorf("cannot read the demo's plan %q: %w", name, err)
	}
	if len(plan.Asks) > 0 || len(unknown(plan)) > 0 {
		return "", nil, session.Plan{}, usage("the demo has no engine for the plan %q; it plays %s", name, strings.Join(playables(), ", "))
	}
	return file, text, plan, nil
}

// playables lists the plans that the demo can play.
func playables() []string {
	all, _ := fs.Glob(plans.Files, "*.toml") // the pattern is sound
	var names []string
	for _, file := range all {
		text, err := plans.Files.ReadFile(file)
		if err == nil {
			text, err = session.ResolvePlan(file, text, plans.Files.ReadFile)
		}
		if p, errRead := session.ReadPlan(file, text); err == nil && errRead == nil && len(p.Asks) == 0 && len(unknown(p)) == 0 {
			names = append(names, strings.TrimSuffix(file, ".toml"))
		}
	}
	return names
}

// benchFor is the demo's bench: the usual instruments, and beside them only what the
// plan asks for.
func benchFor(p session.Plan) []session.Profile {
	profiles := devices.ExampleProfiles()
	for _, more := range moreProfiles() {
		wanted := func(s session.Step) bool {
			return s.Instrument == more.Kind && (more.Kind != session.Micrometer || s.Use == session.Inside) ||
				s.Kind == session.WaitStep && s.Fit != "" && more.Kind == session.Thermometer
		}
		if slices.ContainsFunc(p.Steps, wanted) {
			profiles = append(profiles, more)
		}
	}
	return profiles
}

// moreProfiles are invented instruments for plans that need them: a bore gauge that is
// set on a ring, a dial indicator that streams, a thermometer and a torque wrench. What
// they may be wrong by is assumed.
func moreProfiles() []session.Profile {
	n := func(v int64, places int32) session.Number { return session.Num(decimal.New(v, -places)) }
	p := func(v int64, places int32) *session.Number { x := n(v, places); return &x }
	return []session.Profile{
		{
			Name: "bore-gauge-1", Kind: session.Micrometer, Trigger: session.OnPress, Resolution: n(1, 3), Repeatability: n(2, 3),
			ASCII:       &session.ASCIILine{Pattern: `B(?P<value>[0-9]{3}[.][0-9]{3})`},
			Permissible: map[session.Use]session.Number{session.Inside: n(6, 3)}, Local: map[session.Use]session.Number{session.Inside: n(3, 3)},
		},
		{
			Name: "dial-1", Kind: session.DialIndicator, Trigger: session.Streaming, Resolution: n(1, 3), Repeatability: n(15, 4),
			ASCII:       &session.ASCIILine{Pattern: `(?P<sign>[+-])(?P<value>[0-9]{2}[.][0-9]{3})`},
			Permissible: map[session.Use]session.Number{session.StepUse: n(4, 3), session.GapCheck: n(4, 3)},
		},
		{
			Name: "thermometer-1", Kind: session.Thermometer, Trigger: session.OnPress, Unit: session.Celsius,
			ASCII:         &session.ASCIILine{Pattern: `T(?P<sign>[+-])(?P<value>[0-9]{3}[.][0-9])`},
			ResolutionCel: p(1, 1), RepeatabilityCel: p(2, 1), PermissibleCel: p(1, 0),
		},
		{
			Name: "torque-wrench-1", Kind: session.TorqueWrench, Trigger: session.OnPress, Unit: session.NewtonMetre,
			ASCII:        &session.ASCIILine{Pattern: `N(?P<value>[0-9]{3}[.][0-9]{2})`},
			ResolutionNm: p(5, 2), RepeatabilityNm: p(1, 1), PermissiblePercent: p(4, 0),
		},
	}
}
