// Package shoptest plays jobs of a small plan on a bench with a clock of its own, for tests
// that need a log with several closed jobs in it. The same shop gives the same log.
package shoptest

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/shopspring/decimal"

	"shimwright/calc"
	"shimwright/session"
)

//go:embed plan.toml
var plan string

// Plan is the text of the plan that is played.
func Plan() string { return plan }

// A Job is one job to play. Off is by how much, in mm, the built engine differs from what
// its dimensions give; a job that is Open is begun, measured and put aside.
type Job struct {
	Operator string
	Off      float64
	Open     bool
	Careless bool // at the shaft's length: presses twice, or takes the wrong instrument
}

// A Shop is what a log is played with. Sigma is the standard deviation of the repeats of
// the instruments of a kind, in mm; what is stated of them is always 0.008 for the caliper,
// 0.010 for the depth gauge, and 0.002 with 30 degrees of freedom for the dial.
type Shop struct {
	Method *calc.Method
	Seed   uint64
	Sigma  map[session.Kind]float64
	Jobs   []Job
}

func mm(text string) session.Number { return session.Num(decimal.RequireFromString(text)) }

// Profiles are the instruments of the shop.
func Profiles() []session.Profile {
	return []session.Profile{
		{Name: "caliper-1", Kind: session.Caliper, Trigger: session.OnPress, Resolution: mm("0.01"), Repeatability: mm("0.008"), Permissible: map[session.Use]session.Number{session.Outside: mm("0.02")}},
		{Name: "depth-1", Kind: session.DepthGauge, Trigger: session.OnPress, Resolution: mm("0.01"), Repeatability: mm("0.010"), Permissible: map[session.Use]session.Number{session.Depth: mm("0.02")}},
		{Name: "dial-1", Kind: session.DialIndicator, Trigger: session.OnPress, Resolution: mm("0.001"), Repeatability: mm("0.002"), Degrees: 30, Permissible: map[session.Use]session.Number{session.StepUse: mm("0.004")}},
	}
}

// Now is the clock of the bench.
func (p *player) Now() (time.Time, time.Duration) { return p.wall, p.mono }

type player struct {
	shop   Shop
	rand   *rand.Rand
	bench  *session.Bench
	wall   time.Time
	mono   time.Duration
	length map[string]float64 // true, by step
	fitted bool
}

// Play plays the shop's jobs into an empty log. They end a day apart, from 2026-03-02 on.
func Play(log session.Log, s Shop) error {
	p := &player{shop: s, rand: rand.New(rand.NewPCG(s.Seed, 1)), wall: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)}
	bench, err := session.NewBench(session.Config{
		Name: "bench-1", Software: "test", Settings: session.Settings{Bounce: 700 * time.Millisecond},
		Profiles: Profiles(), Method: s.Method, Clock: p, Log: log,
	}, func(func(session.Entry) error) error { return nil })
	if err != nil {
		return err
	}
	p.bench = bench
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- bench.Run(ctx) }()
	for i, job := range s.Jobs {
		p.pass(24*time.Hour - time.Duration(p.wall.Hour()-8)*time.Hour)
		if err = p.play(job); err != nil {
			err = fmt.Errorf("job %d: %w", i+1, err)
			break
		}
	}
	stop()
	return errors.Join(err, <-ended)
}

func (p *player) pass(d time.Duration) { p.wall, p.mono = p.wall.Add(d), p.mono+d }

func (p *player) do(c session.Command) error {
	p.pass(time.Second)
	c.Door = session.FromTerminal
	_, err := p.bench.Submit(context.Background(), c)
	return err
}

// play plays one job: whatever the bench asks for is pressed.
func (p *player) play(job Job) error {
	p.fitted = false
	p.length = map[string]float64{"shaft-length": 38.4 + 0.1*p.rand.Float64(), "housing-depth": 30.5 + 0.1*p.rand.Float64(), "cover-depth": 8.3 + 0.1*p.rand.Float64()}
	if err := p.do(session.Command{Do: session.Begin, Plan: plan, Operator: job.Operator, Reference: "pump"}); err != nil {
		return err
	}
	for range 200 {
		step := p.bench.Snapshot().Step
		if step == nil || job.Open && step.Name == "cover-depth" {
			break
		}
		if err := p.work(job, step); err != nil {
			return err
		}
	}
	if job.Open {
		return p.do(session.Command{Do: session.Aside})
	}
	return p.do(session.Command{Do: session.End, Note: "played"})
}

// work makes one press of what the step asks for.
func (p *player) work(job Job, step *session.StepView) error {
	if step.Name == "built-float" && !p.fitted {
		p.fitted = true
		if err := p.do(session.Command{Do: session.Fitting}); err != nil {
			return err
		}
		p.length["built-float"] = p.length["housing-depth"] + p.length["cover-depth"] - p.length["shaft-length"] + job.Off
		for _, pack := range p.bench.Snapshot().Advice[0].Best.Packs {
			p.length["built-float"] -= pack.Total.InexactFloat64()
		}
	}
	if job.Careless && step.Name == "shaft-length" {
		if err := p.press(session.DepthGauge, 38.4); err != nil {
			return err
		}
		p.pass(time.Second)
	}
	if err := p.press(step.Instrument, p.length[step.Name]); err != nil || !job.Careless || step.Name != "shaft-length" {
		return err
	}
	p.pass(-800 * time.Millisecond)
	return p.press(step.Instrument, p.length[step.Name])
}

// press makes the instrument of a kind show a length, with its scatter, after a second.
func (p *player) press(kind session.Kind, length float64) error {
	p.pass(time.Second)
	for _, in := range Profiles() {
		if in.Kind != kind {
			continue
		}
		shown := decimal.NewFromFloat(length + p.rand.NormFloat64()*p.shop.Sigma[kind]).Round(-in.Resolution.Exponent())
		text := shown.StringFixed(-in.Resolution.Exponent())
		_, err := p.bench.Submit(context.Background(), session.Reading{
			Instrument: in.Name, Kind: kind, Value: mm(text), Text: text, Unit: session.Millimetre, Raw: session.Raw(text + "\r\n"), At: p.wall, Mono: p.mono,
		})
		return err
	}
	return fmt.Errorf("the shop has no %s", kind)
}
