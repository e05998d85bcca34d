package main

import (
	"github.com/shopspring/decimal"

	"shimwright/session"
)

// truth is what the parts of the demo's engine really measure, in micrometres (of a
// thermometer thousandths of a degree), at each place of each step; and off what each
// kind of instrument shows too much. Of a movement it is what the dial moves by. The
// engine is invented.
var (
	truth = map[string][]int64{
		"caliper-zero":   {0},
		"depth-zero":     {0},
		"crank-width":    {52_540, 52_544},
		"bar-thickness":  {10_005},
		"pump-depth":     {37_414, 37_408},
		"flywheel-depth": {25_301, 25_309},
		"gasket":         {362, 358},

		"shaft-length":  {71_902, 71_898},
		"housing-depth": {70_120, 70_126},
		"cover-depth":   {14_402, 14_398},

		"seat-width-old":           {52_521, 52_524, 52_518},
		"seat-width-spare":         {52_540, 52_544, 52_538},
		"groove-position-old":      {18_362},
		"groove-position-spare":    {18_338},
		"rod-side-clearance-old":   {720},
		"rod-side-clearance-spare": {320},
		"small-end-bore-old":       {18_017, 18_016},
		"small-end-bore-spare":     {18_007, 18_005},
		"shaft-bend-old":           {112},
		"shaft-bend-spare":         {18},
		"journal-slop-old":         {27},
		"journal-slop-spare":       {14},

		"shop-temperature":    {21_400},
		"pump-seat":           {54_969, 54_972},
		"pump-ring":           {55_004},
		"flywheel-seat":       {61_964, 61_967},
		"flywheel-ring":       {62_003},
		"snap-groove":         {18_893, 18_897},
		"ring-width":          {16_942},
		"snap-ring":           {1_736},
		"pump-seal-depth":     {3_580, 3_620, 3_560},
		"flywheel-seal-depth": {2_400, 2_380, 2_430},

		"pump-half-temperature":     {23_100},
		"flywheel-half-temperature": {23_300},

		"gear-gasket":            {262, 258},
		"base-thickness":         {12_003},
		"input-housing-depth":    {58_526, 58_519},
		"input-length":           {59_712},
		"input-cover-depth":      {13_568},
		"layshaft-housing-depth": {65_342, 65_336},
		"layshaft-length":        {72_561},
		"layshaft-cover-depth":   {19_704},
		"output-housing-depth":   {81_431, 81_438},
		"output-length":          {82_960},
		"output-cover-depth":     {14_118},
	}
	off = map[session.Kind]int64{session.Caliper: -3, session.DepthGauge: 12}
)

// direct are the steps that measure the end float of the demo's crank directly. A seat
// is a little crooked, which no depth shows: the halves come closer together than the
// dimensions say. A dial shows the play of the bearings as well.
func direct(step string) (free int64, ok bool) {
	const play, crooked = 40, 30
	switch step {
	case "check-gap":
		return freeGap(), true
	case "trial-float", "built-float":
		return freeGap() + play - crooked, true
	}
	return 0, false
}

// freeGap is the true gap with the rings in the middle of their play and the gasket
// squeezed, in micrometres.
func freeGap() int64 {
	squeezed, play := int64(8), int64(40)
	return mean("pump-depth") - mean("bar-thickness") + mean("flywheel-depth") + mean("gasket") - mean("crank-width") - squeezed - play
}

// trueOf is what a step's instrument would show at a place if it were true.
func trueOf(step session.StepView, place int) int64 {
	free, ok := direct(step.Name)
	if !ok {
		return truth[step.Name][place]
	}
	for _, pack := range step.Packs {
		free -= pack.Total.Mul(decimal.NewFromInt(1000)).IntPart()
	}
	return free
}

// mean is the true value of a step: the mean of its places.
func mean(step string) int64 {
	var sum int64
	for _, v := range truth[step] {
		sum += v
	}
	return sum / int64(len(truth[step]))
}

// unknown lists what the technician cannot do of a plan: steps that are measured and
// whose truth nobody has invented.
func unknown(p session.Plan) []string {
	var names []string
	for _, s := range p.Steps {
		_, known := direct(s.Name)
		if s.Kind == session.MeasureStep && !known && len(truth[s.Name]) < len(s.Places) {
			names = append(names, s.Name)
		}
	}
	return names
}
