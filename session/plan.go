package session

import "time"

// A Plan describes a job: its parts, measuring steps, chains and stock. It is
// read from TOML by ReadPlan, which checks it; a Plan in State is always sound.
type Plan struct {
	Name    string   `toml:"plan" strict:"required" example:"pump-bottom-end" json:"plan"`
	Title   string   `toml:"title" strict:"required" example:"Water pump engine, bottom end" json:"title"`
	Unit    Unit     `toml:"unit" json:"unit"` // of every length in the file; mm if not given
	Asks    []Ask    `toml:"ask" json:"asks,omitempty"`
	Parts   []Part   `toml:"part" json:"parts"`
	Bars    []Bar    `toml:"bar" json:"bars,omitempty"`
	Steps   []Step   `toml:"step" json:"steps"`
	Chains  []Chain  `toml:"chain" json:"chains"`
	Stock   []Shim   `toml:"stock" json:"stock,omitempty"`
	Choices []Choice `toml:"choice" json:"choices,omitempty"`
	// Include names plans whose parts, steps and chains come before those of this one, as
	// seen from its file; Included are their texts, which ResolvePlan adds.
	Include  []string   `toml:"include" json:"include,omitempty"`
	Included []Included `toml:"included" json:"-"`
	// Shims names the stock of the bench that the plan takes from. Stock is what that
	// begins with if the bench has none of that name yet.
	Shims       string      `toml:"shims" json:"shims,omitempty"`
	Bearings    []Bearing   `toml:"bearing" json:"bearings,omitempty"`
	Seats       []Seat      `toml:"fit" json:"fits,omitempty"`
	Decision    Decision    `toml:"decision" json:"decision"`
	Temperature Temperature `toml:"temperature" json:"temperature"`
	Cautions    []string    `toml:"cautions" json:"cautions,omitempty"`
}

// A Decision is the rule by which a float counts as shown inside the window. It
// is a setting on the record.
type Decision struct {
	Edition  string  `toml:"edition" strict:"oneof=ISO 14253-1:1998|ISO 14253-1:2017" json:"edition"` // of 2017 if not given
	Level    *Number `toml:"level" example:"0.95" json:"level"`                                       // least probability inside; 0.95 if not given
	Coverage *Number `toml:"coverage" example:"0.95" json:"coverage"`                                 // of ± intervals; 0.95 if not given
}

// Temperature says what is known of temperatures that nobody took, in kelvin.
type Temperature struct {
	// Within bounds how far the shop may be from 20 °C; 10 K if not given.
	Within *Number `toml:"shop_within_kelvin" json:"shop_within_kelvin"`
	// Apart bounds how far a part may be from its instrument; 3 K if not given.
	Apart *Number `toml:"parts_within_kelvin" json:"parts_within_kelvin"`
	// Warm is how far above the shop a part may be and still be measured; 8 K if not given.
	Warm *Number `toml:"warm_above_shop_kelvin" json:"warm_above_shop_kelvin"`
	// Cooling is the minutes in which a warm part loses half its excess; 15 if not given.
	Cooling *Number `toml:"cooling_half_minutes" json:"cooling_half_minutes"`
}

// A Bearing is a ring that a depth was measured to, and that can move axially.
// Without its play the float can never be shown inside.
type Bearing struct {
	OnlyIf string  `toml:"only_if" example:"{gasket} = yes" json:"-"`
	Name   string  `toml:"name" strict:"required,unique" example:"pump-bearing" json:"name"`
	Step   string  `toml:"step" strict:"required" example:"pump-depth" json:"step"`                                                                             // the depth that was measured to its ring
	Held   string  `toml:"held" strict:"required,oneof=towards the joint|away from the joint|in the middle|not held" example:"away from the joint" json:"held"` // its ring, while it was measured
	Slides *bool   `toml:"slides_on_journal" json:"slides_on_journal,omitempty"`                                                                                // its ring, so that a shaft can leave it; taken for granted if not given
	Play   *Number `toml:"play" example:"0.06" json:"play_mm"`
	PlayU  *Number `toml:"play_u" example:"0.01" json:"play_u_mm"` // its standard uncertainty
}

// A Part is a part of the engine and what it is made of.
type Part struct {
	OnlyIf    string  `toml:"only_if" example:"{gasket} = yes" json:"-"`
	Name      string  `toml:"name" strict:"required,unique" example:"crank" json:"name"`
	Title     string  `toml:"title" json:"title,omitempty"`
	Material  string  `toml:"material" example:"steel" json:"material,omitempty"`
	Expansion *Number `toml:"expansion_per_kelvin_e6" example:"11.5" json:"expansion_per_kelvin_e6,omitempty"` // 10⁻⁶/K
	Running   *Number `toml:"running_celsius" example:"110" json:"running_celsius,omitempty"`                  // when the engine is warm
}

// A Bar is laid across a face to measure a depth over it; it is subtracted.
// Either its thickness is given, or a step measures it.
type Bar struct {
	OnlyIf    string  `toml:"only_if" example:"{gasket} = yes" json:"-"`
	Name      string  `toml:"name" strict:"required,unique" example:"parallel" json:"name"`
	Thickness *Number `toml:"thickness" json:"thickness,omitempty"`
	U         *Number `toml:"u" example:"0.002" json:"u_mm,omitempty"` // standard uncertainty of a given thickness
	Step      string  `toml:"step" json:"step,omitempty"`
	Parallel  *Number `toml:"parallel" example:"0.003" json:"parallel_mm,omitempty"` // ± from one end to the other, of a bar that an instrument is zeroed on
}

// A StepKind is what there is to do at a step.
type StepKind string

// The kinds of step.
const (
	MeasureStep StepKind = "measure"
	ConfirmStep StepKind = "confirm"
	WaitStep    StepKind = "wait"
	TorqueStep  StepKind = "torque"
	CompareStep StepKind = "compare"
)

// measures tells whether instruments are read at a step of the kind.
func (k StepKind) measures() bool { return k == MeasureStep }

// A Step is one thing to do and record: a dimension to measure, at one or more
// places, or what its kind says.
type Step struct {
	OnlyIf     string   `toml:"only_if" example:"{gasket} = yes" json:"-"`
	Name       string   `toml:"name" strict:"required,unique" example:"crank-width" json:"name"`
	Title      string   `toml:"title" strict:"required" example:"Crank over the bearing seats" json:"title"`
	Kind       StepKind `toml:"kind" strict:"oneof=measure|confirm|wait|torque|compare" json:"kind"` // measure if not given
	Fitted     []string `toml:"fitted" json:"fitted,omitempty"`                                      // chains whose shims are in once it is confirmed
	Do         string   `toml:"do" json:"do,omitempty"`                                              // what to do, in words, where nothing is measured
	Measure    string   `toml:"measure" json:"measure,omitempty"`                                    // what to do, in words
	Where      string   `toml:"where" json:"where,omitempty"`                                        // where to put the instrument
	Part       string   `toml:"part" json:"part,omitempty"`
	Side       string   `toml:"side" json:"side,omitempty"`
	Instrument Kind     `toml:"instrument" strict:"oneof=caliper|depth gauge|micrometer|dial indicator|feeler|thermometer|torque wrench" example:"caliper" json:"instrument,omitempty"`
	Use        Use      `toml:"use" strict:"oneof=outside|inside|depth|step|gap" json:"use,omitempty"`
	Places     []string `toml:"places" json:"places"`                                // in the stated order; one unnamed place if not given
	Repeats    int      `toml:"repeats" json:"repeats"`                              // counted repeats a place needs; 2 if not given
	Range      []Number `toml:"range" example:"[\"44.20\", \"44.60\"]" json:"range"` // of a thermometer in °C, of a torque wrench in N·m
	Bar        string   `toml:"bar" json:"bar,omitempty"`                            // subtracted from the reading
	// ZeroedOn names the bar on which the instrument was set to zero: the reading is the
	// depth beyond the bar, and nothing is subtracted.
	ZeroedOn  string   `toml:"zeroed_on" json:"zeroed_on,omitempty"`
	Differ    *Number  `toml:"places_may_differ" json:"places_may_differ,omitempty"`
	Governs   string   `toml:"governs" strict:"oneof=mean|smallest|largest" json:"governs,omitempty"`
	OnCommand bool     `toml:"closes_on_command" json:"closes_on_command,omitempty"` // a pedal or command closes it
	Caution   string   `toml:"caution" json:"-"`                                     // one; it becomes the first of Cautions
	Cautions  []string `toml:"cautions" json:"cautions,omitempty"`
	// Play says of a step that measures a float directly whether that takes up the
	// axial play of the bearings. A dial indicator takes it up if nothing is said, for
	// the shaft is pushed and pulled; of anything else it is not known then.
	Play string `toml:"bearing_play" strict:"oneof=taken up|not taken up" json:"bearing_play,omitempty"`
	// For is the choice whose candidates are each measured at this step, or compared. In
	// a Plan there is such a step for each, whose Feature is its name in the file.
	For       string `toml:"for" json:"for,omitempty"`
	Feature   string `json:"feature,omitempty"`
	Candidate string `json:"candidate,omitempty"`
	Section   string `json:"section,omitempty"` // title of the included plan that it comes from
	// Least and Most are limits of the value, either or both. Half says that the value
	// is half of what is read: a bend, from a total indicator movement.
	Least *Number `toml:"least" example:"12.00" json:"least_mm,omitempty"`
	Most  *Number `toml:"most" example:"12.20" json:"most_mm,omitempty"`
	Half  bool    `toml:"half" json:"half,omitempty"`
	// Reduce makes the reading the movement of a dial indicator over a window. The window has a length, or a take begins it and another ends it.
	Reduce string        `toml:"reduce" json:"reduce,omitempty"`
	Window time.Duration `toml:"window" example:"10s" json:"window_ns,omitempty"`
	// Minutes or Seconds is how long a step of the kind wait waits; Sets is the part
	// that counts as cooled afterwards. Celsius is how hot to make something meanwhile,
	// MostCelsius what must not be exceeded.
	Minutes     *Number `toml:"minutes" example:"20" json:"minutes,omitempty"`
	Seconds     *Number `toml:"seconds" example:"60" json:"seconds,omitempty"`
	Sets        string  `toml:"sets" json:"sets,omitempty"`
	Celsius     *Number `toml:"celsius" example:"95" json:"celsius,omitempty"`
	MostCelsius *Number `toml:"most_celsius" example:"120" json:"most_celsius,omitempty"`
	Fit         string  `toml:"fit" json:"fit,omitempty"` // the [[fit]] that says how hot instead
	// Screws are those of a step of the kind torque, Order the names in the order to pull
	// them, Passes the torques in TorqueUnit (N·m if not given), each ± Tolerance. K is
	// the torque coefficient that is assumed for the preload.
	Screws     []PlanScrew `toml:"screw" json:"screws,omitempty"`
	Order      []string    `toml:"order" json:"order,omitempty"`
	Passes     []Number    `toml:"passes" example:"[\"5\", \"10\"]" json:"passes_Nm,omitempty"`
	Tolerance  *Number     `toml:"tolerance" example:"0.5" json:"tolerance_Nm,omitempty"`
	TorqueUnit Unit        `toml:"torque_unit" example:"N.m" json:"-"`
	K          *Number     `toml:"k" example:"0.2" json:"k,omitempty"`
	// Reference makes the step a check of its instrument: 0 for closed jaws or a
	// foot on a flat, else the length of a gauge block. What the instrument shows
	// above it is its error, and is taken off its other readings of that use.
	Reference  *Number `toml:"reference" example:"0.00" json:"reference_mm,omitempty"`
	ReferenceU *Number `toml:"reference_u" example:"0.0005" json:"reference_u_mm,omitempty"` // standard uncertainty of the block
}

// A Chain is the signed sum of dimensions that gives a gap, and the window that
// the end float must lie in.
type Chain struct {
	Name   string  `toml:"name" strict:"required,unique" example:"crank-float" json:"name"`
	Title  string  `toml:"title" strict:"required" example:"End float of the crank" json:"title"`
	Least  Number  `toml:"least" strict:"required" example:"0.08" json:"least_mm"`
	Most   Number  `toml:"most" strict:"required" example:"0.20" json:"most_mm"`
	Aim    *Number `toml:"aim" json:"aim_mm,omitempty"` // the middle if not given
	Terms  []Term  `toml:"term" json:"terms"`
	Sides  []Side  `toml:"side" json:"sides"`
	Split  string  `toml:"split" strict:"oneof=even|first fixed|free|centred" json:"split,omitempty"` // even if not given
	Centre *Centre `toml:"centre" json:"centre,omitempty"`                                            // with split "centred"
	Check  string  `toml:"check" json:"check,omitempty"`                                              // the step that measures the check gap
	// Trial measures the end float with a known pack, gasket and torque, where the
	// dimensions alone do not show it inside; Built measures that of the built engine.
	Trial string `toml:"trial" json:"trial,omitempty"`
	Built string `toml:"built" json:"built,omitempty"`
}

// A Centre is what it takes to bring the rod onto the cylinder's axis. Both steps are
// measured on the first side: Rod from the shoulder that its shims sit on to the middle
// of the rod, Axis from the joint face of its case half to the cylinder's axis, above 0
// where that lies beyond the face.
type Centre struct {
	Rod  string `toml:"rod" strict:"required" example:"rod-to-shoulder" json:"rod"`
	Axis string `toml:"axis" strict:"required" example:"axis-to-face" json:"axis"`
}

// A Term is one dimension of a chain: a step's value, or a value given.
type Term struct {
	OnlyIf string  `toml:"only_if" example:"{gasket} = yes" json:"-"`
	Step   string  `toml:"step" json:"step,omitempty"`
	Given  *Number `toml:"given" json:"given_mm,omitempty"`
	Name   string  `toml:"name" json:"name,omitempty"` // of a given value
	Sign   string  `toml:"sign" strict:"required,oneof=+|-" example:"+" json:"sign"`
	U      *Number `toml:"u" example:"0.005" json:"u_mm,omitempty"` // standard uncertainty of a given value
	// Gasket says that the part gives way under the screws. Crush is the fraction
	// by which it gets thinner than it was measured, CrushU its standard uncertainty.
	Gasket bool    `toml:"gasket" json:"gasket,omitempty"`
	Crush  *Number `toml:"crush" example:"0.10" json:"crush,omitempty"`
	CrushU *Number `toml:"crush_u" example:"0.03" json:"crush_u,omitempty"`

	feature, choice string // where Step is one of several candidates'
}

// A Side is where shims can go. The first side of a chain is fitted first.
type Side struct {
	OnlyIf string  `toml:"only_if" example:"{gasket} = yes" json:"-"`
	Name   string  `toml:"name" strict:"required,unique" example:"pump side" json:"name"`
	Fewest int     `toml:"fewest" json:"fewest,omitempty"`
	Most   int     `toml:"most" strict:"required" example:"2" json:"most"`
	Fitted *Number `toml:"fitted" json:"fitted_mm,omitempty"` // thickness already fitted that stays
	Pack   *Number `toml:"pack" json:"pack_mm,omitempty"`     // with split "first fixed": the pack that goes here
}

// A Shim is a thickness in stock and how many there are.
type Shim struct {
	OnlyIf    string `toml:"only_if" example:"{gasket} = yes" json:"-"`
	Thickness Number `toml:"thickness" strict:"required" example:"0.10" json:"thickness_mm"`
	Count     int    `toml:"count" strict:"required" example:"4" json:"count"`
	// Tolerance is ± about the thickness; 0.01 mm if not given.
	Tolerance *Number `toml:"tolerance" example:"0.01" json:"tolerance_mm"`
	Least     int     `toml:"least" json:"least,omitempty"` // of them that should be on hand
	Size      *Number `toml:"-" json:"size_mm,omitempty"`   // that it goes by, where Thickness was measured
	U         *Number `toml:"-" json:"u_mm,omitempty"`      // standard uncertainty of a measured thickness
}
