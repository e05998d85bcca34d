package operators

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"shimwright/session"
)

// An Operator is one who can be proved.
type Operator struct {
	Name string
	PIN  Hash
}

// Submit hands an item to the bench, as session.Bench.Submit.
type Submit func(ctx context.Context, item any) (session.Receipt, error)

// A Gate lets commands through to the bench: one that is protected only from an
// operator who proved it with the PIN. It takes the PIN out of every command. All
// doors by which people give commands go through it; its methods may be called from
// any goroutine.
type Gate struct {
	submit    Submit
	operators map[string]Hash
	protect   []session.Verb
	clock     session.Clock
	hashing   chan struct{} // one PIN at a time: a hash takes much memory

	mu    sync.Mutex // guards what follows, nothing else
	wrong map[string]tries
}

// tries are the wrong PINs of an operator, since the last right one.
type tries struct {
	count int
	until time.Duration // no other is looked at before this time of the monotonic clock
}

// free is how many wrong PINs cost no wait; each after them doubles it.
const (
	free      = 3
	firstWait = time.Second
	mostWait  = 5 * time.Minute
)

// NewGate makes a gate before submit.
func NewGate(submit Submit, operators []Operator, protect []session.Verb, clock session.Clock) *Gate {
	g := &Gate{submit: submit, operators: map[string]Hash{}, protect: protect, clock: clock,
		hashing: make(chan struct{}, 1), wrong: map[string]tries{}}
	for _, o := range operators {
		g.operators[o.Name] = o.PIN
	}
	return g
}

// Submit hands an item on. Its error is a *session.Refusal if the gate or the bench says
// no; the codes of the gate are "pin needed", "not allowed", "wrong pin" and "too many
// tries".
func (g *Gate) Submit(ctx context.Context, item any) (session.Receipt, error) {
	c, ok := item.(session.Command)
	if !ok {
		return g.submit(ctx, item)
	}
	pin := c.PIN
	c.PIN, c.Proved = "", false
	if slices.Contains(g.protect, c.Do) || pin != "" && g.operators[c.Operator] != "" {
		if err := g.prove(ctx, c, pin); err != nil {
			return session.Receipt{}, err
		}
		c.Proved = true
	}
	return g.submit(ctx, c)
}

// prove returns nil if pin is the operator's.
func (g *Gate) prove(ctx context.Context, c session.Command, pin string) error {
	hash, known := g.operators[c.Operator]
	switch {
	case !known:
		return &session.Refusal{Code: "not allowed", Params: map[string]string{"operator": c.Operator, "do": string(c.Do), "names": strings.Join(g.names(), ", ")},
			Message: fmt.Sprintf("%s is not one of those who can %s here", called(c.Operator), c.Do),
			Instead: "ask one of these: " + strings.Join(g.names(), ", ")}
	case pin == "":
		return &session.Refusal{Code: "pin needed", Params: map[string]string{"operator": c.Operator, "do": string(c.Do)},
			Message: fmt.Sprintf("to %s takes the PIN of %s", c.Do, c.Operator), Instead: "give it with the command"}
	}
	select {
	case g.hashing <- struct{}{}:
		defer func() { <-g.hashing }()
	case <-ctx.Done():
		return ctx.Err()
	}
	if no := g.wait(c.Operator); no != nil {
		return no
	}
	if !hash.fits(pin) {
		return g.miss(c.Operator)
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	delete(g.wrong, c.Operator)
	return nil
}

func called(name string) string {
	if name == "" {
		return "whoever gives no name"
	}
	return name
}

func (g *Gate) names() (names []string) {
	for name := range g.operators {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

// wait refuses a PIN that comes too soon after wrong ones.
func (g *Gate) wait(operator string) error {
	_, now := g.clock.Now()
	g.mu.Lock()
	defer g.mu.Unlock()
	if left := g.wrong[operator].until - now; left > 0 {
		return tooMany(operator, left)
	}
	return nil
}

// miss counts a wrong PIN.
func (g *Gate) miss(operator string) error {
	_, now := g.clock.Now()
	g.mu.Lock()
	defer g.mu.Unlock()
	t := g.wrong[operator]
	t.count++
	if over := t.count - free; over >= 0 {
		t.until = now + min(firstWait<<min(over, 20), mostWait)
	}
	g.wrong[operator] = t
	if left := t.until - now; left > 0 {
		return tooMany(operator, left)
	}
	return &session.Refusal{Code: "wrong pin", Params: map[string]string{"operator": operator},
		Message: fmt.Sprintf("that is not the PIN of %s", operator), Instead: "try again"}
}

func tooMany(operator string, left time.Duration) *session.Refusal {
	seconds := int((left + time.Second - 1) / time.Second)
	return &session.Refusal{Code: "too many tries", Params: map[string]string{"operator": operator, "seconds": fmt.Sprint(seconds)},
		Message: fmt.Sprintf("too many wrong PINs were given for %s", operator), Instead: fmt.Sprintf("wait %d s, then try again", seconds)}
}
