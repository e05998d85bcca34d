package session

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"sync"
	"time"

	"shimwright/calc"
)

// A Log keeps entries for ever. Append returns nil only once all of them are on
// disk, in one transaction. After an error none of them counts, with one
// exception: an error that is a Kept says that the batch of an earlier failed
// Append is on disk after all, and that the present batch is not.
type Log interface {
	Append(entries []Entry) error
}

// Kept is an error of Log.Append that brings entries which an earlier Append
// reported as failed, and which turned out to be on disk.
type Kept interface {
	error
	Kept() []Entry
}

// A Clock tells the wall clock and the monotonic clock of the run.
type Clock interface {
	Now() (wall time.Time, mono time.Duration)
}

// Config is what a Bench needs.
type Config struct {
	Name     string // of the bench
	Software string // version
	BootID   string
	Settings Settings
	Profiles []Profile // every instrument, in the order to show
	Method   *calc.Method
	Clock    Clock
	Log      Log
	LogView  func() LogView // what to show of the log; nil if there is nothing to show

	Configuration json.RawMessage  // for Started; may be nil
	NewKey        KeyReason        // why the log has another key than in the run before, if somebody gave it one
	Guarded       []Verb           // commands that need an operator who was proved
	Probe         <-chan time.Time // at each, if nothing could be recorded, the bench tries again; nil: it waits for the next item
}

// A KeyReason says why a log was given a new key.
type KeyReason struct {
	Reason   string // as the one said who did it
	SetAside string // the last checkpoint of the key before
}

// most is how many items one transaction takes, and how many may wait.
const most = 512

// A Bench takes readings, commands and port events one after another. Run owns
// its State; the other methods may be called from any goroutine.
type Bench struct {
	clock   Clock
	log     Log
	logView func() LogView
	guarded []Verb
	probe   <-chan time.Time
	queue   chan offer
	stopped chan struct{}

	// These are owned by Run.
	state   *State
	opening func(*turn) // what the run begins with, until it is on disk
	trouble error       // of the last Append
	outage  *outage     // while nothing is recorded

	mu      sync.Mutex // guards what follows, nothing else
	latest  Snapshot
	desk    Desk
	readers map[chan Snapshot]struct{}
	health  map[string]HealthView // as last observed
}

// An outage is a time in which nothing is recorded.
type outage struct {
	since   time.Time
	problem string
	refused int // items
}

// offer is an item that waits for its turn.
type offer struct {
	item any
	done func(Receipt, error)
}

// NewBench opens a run: it replays the log into State and appends that the run
// started, with every profile, paired page and stock in force. replay calls its argument with the
// entries in order of sequence. If the log cannot be appended to, the bench is as the run
// before left it and says that nothing is recorded; the run starts once it can. Only a
// bench that never started is an error then.
func NewBench(c Config, replay func(yield func(Entry) error) error) (*Bench, error) {
	b := &Bench{
		clock: c.Clock, log: c.Log, logView: c.LogView, guarded: c.Guarded, probe: c.Probe, state: NewState(c.Method),
		queue: make(chan offer, most), stopped: make(chan struct{}), readers: map[chan Snapshot]struct{}{},
	}
	if err := replay(b.state.Apply); err != nil {
		return nil, fmt.Errorf("cannot replay the log: %w", err)
	}
	if err := b.start(c); err != nil {
		return nil, fmt.Errorf("cannot start the run: %w", err)
	}
	b.publish()
	return b, nil
}

// start appends what a run begins with. A write that failed once is tried again.
func (b *Bench) start(c Config) error {
	b.opening = func(t *turn) { t.open(c) }
	t := b.turn()
	err := b.commit(t)
	if err != nil && t.err == nil {
		err = b.commit(t)
	}
	var kept Kept
	if errors.As(err, &kept) {
		return b.adopt(kept.Kept())
	}
	if err != nil && t.err == nil && b.state.run > 0 {
		b.trouble, b.outage = err, &outage{since: t.at, problem: err.Error()}
		return nil
	}
	return err
}

// open adds what a run begins with.
func (t *turn) open(c Config) {
	t.door = FromBench
	started := Started{Bench: c.Name, Software: c.Software, Method: calc.WithUncertainty, BootID: c.BootID, Settings: c.Settings, Configuration: c.Configuration}
	before, pages, stocks := t.state.started.PublicKey, t.state.pages, t.state.stocks
	if c.LogView != nil {
		started.PublicKey = c.LogView().PublicKey
	}
	t.add(started)
	if before != "" && before != started.PublicKey {
		why := c.NewKey
		if why.Reason == "" {
			why.Reason = "the key was not beside the log"
		}
		t.add(KeyChanged{PublicKey: started.PublicKey, Before: before, Reason: why.Reason, SetAside: why.SetAside})
	}
	for _, p := range c.Profiles {
		t.add(ProfileSet{p})
	}
	for _, p := range pages {
		t.add(p)
	}
	for _, s := range stocks {
		t.add(s)
	}
}

// turn starts a transaction on a provisional state. The first of a run opens it.
func (b *Bench) turn() *turn {
	t := &turn{state: b.state.clone(), guarded: b.guarded}
	t.at, t.mono = b.clock.Now()
	if b.opening != nil {
		b.opening(t)
	}
	return t
}

// commit appends a turn's entries and adopts its state. On an error the state
// stays as it was.
func (b *Bench) commit(t *turn) error {
	if t.err != nil {
		return t.err
	}
	if len(t.entries) == 0 {
		return nil
	}
	if err := b.log.Append(t.entries); err != nil {
		return err
	}
	b.state, b.opening = t.state, nil
	return nil
}

// Offer gives the bench one item: a Reading, Command,
// PortChanged, ClockStepped or ProfileSet.
// done is called from Run when the item is ruled and on disk; it must not block.
// Its error is a *Refusal if the bench says no. Offer waits only while too many
// items wait already.
func (b *Bench) Offer(ctx context.Context, item any, done func(Receipt, error)) error {
	select {
	case b.queue <- offer{item: item, done: done}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	case <-b.stopped:
		return errStopped
	}
}

var errStopped = errors.New("the bench has stopped")

// Submit is Offer that waits for the answer.
func (b *Bench) Submit(ctx context.Context, item any) (Receipt, error) {
	type answer struct {
		receipt Receipt
		err     error
	}
	answers := make(chan answer, 1)
	if err := b.Offer(ctx, item, func(r Receipt, err error) { answers <- answer{r, err} }); err != nil {
		return Receipt{}, err
	}
	select {
	case a := <-answers:
		return a.receipt, a.err
	case <-ctx.Done():
		return Receipt{}, ctx.Err()
	case <-b.stopped:
		return Receipt{}, errStopped
	}
}

// Run takes items until ctx ends. It returns nil then, or an error when an entry
// could not be applied, which is a fault of the program.
func (b *Bench) Run(ctx context.Context) error {
	defer close(b.stopped)
	for {
		select {
		case <-ctx.Done():
			return nil
		case first := <-b.queue:
			if err := b.transact(b.batch(first)); err != nil {
				return err
			}
		case <-b.probe:
			if b.outage == nil {
				continue
			}
			if err := b.transact(nil); err != nil {
				return err
			}
		}
	}
}

// batch takes what waits already.
func (b *Bench) batch(first offer) []offer {
	batch := []offer{first}
	for len(batch) < most {
		select {
		case o := <-b.queue:
			batch = append(batch, o)
		default:
			return batch
		}
	}
	return batch
}

// result is the answer to one item, given only after the commit.
type result struct {
	receipt Receipt
	err     error
	refused bool // it could not be applied; the batch goes on without it
}

// transact handles a batch in one transaction, then answers and shows it.
func (b *Bench) transact(batch []offer) error {
	t, results := b.handle(batch)
	err := b.commit(t)
	var kept Kept
	if errors.As(err, &kept) {
		if err = b.adopt(kept.Kept()); err == nil {
			t, results = b.handle(batch)
			err = b.commit(t)
		}
	}
	if t.err != nil {
		b.answer(batch, results, t.err)
		return fmt.Errorf("cannot go on: %w", t.err)
	}
	if err != nil {
		err = b.suffer(t, err, len(batch))
	} else if len(t.entries) > 0 {
		b.outage = nil
	}
	changed := (err == nil) != (b.trouble == nil)
	b.trouble = err
	if len(t.entries) > 0 || changed {
		b.publish()
	}
	b.answer(batch, results, err)
	return nil
}

// suffer notes that a turn was refused by the disk. The log is asked to take at least
// that; which also shows whether the turn is on disk after all. Then it counts, and the
// error is nil.
func (b *Bench) suffer(t *turn, err error, items int) error {
	if b.outage == nil {
		last := b.turn()
		last.door = FromBench
		last.add(RecordingChanged{Problem: err.Error()})
		var kept Kept
		if errors.As(b.commit(last), &kept) && b.adopt(kept.Kept()) == nil {
			return nil
		}
		b.outage = &outage{since: t.at, problem: err.Error()}
	}
	b.outage.refused += items
	return err
}

// handle rules every item of a batch on one provisional state. An item that cannot be
// applied is refused, and the others are handled without it.
func (b *Bench) handle(batch []offer) (*turn, []result) {
	results := make([]result, len(batch))
	for {
		t, bad := b.attempt(batch, results)
		if bad < 0 {
			return t, results
		}
		results[bad] = result{refused: true, err: refuse("cannot be filed", "the bench cannot work with this: "+t.err.Error(), "check the value, the plan and the profile", "error", t.err.Error())}
	}
}

// attempt handles the items that are not refused yet; bad is the index of the first
// that cannot be applied, or -1.
func (b *Bench) attempt(batch []offer, results []result) (t *turn, bad int) {
	t = b.turn()
	at, mono := t.at, t.mono
	if o := b.outage; o != nil {
		t.door = FromBench
		t.add(RecordingChanged{OK: true, Problem: o.problem, Since: o.since.UTC(), Refused: o.refused})
	}
	for i, o := range batch {
		if results[i].refused {
			continue
		}
		t.at, t.mono = at, mono
		results[i].receipt, results[i].err = t.item(o.item)
		if t.err != nil {
			return t, i
		}
	}
	t.at, t.mono, t.proved = at, mono, false
	t.advise()
	return t, -1
}

// adopt folds entries that turned out to be on disk.
func (b *Bench) adopt(entries []Entry) error {
	next := b.state.clone()
	for _, e := range entries {
		if err := next.Apply(e); err != nil {
			return err
		}
		switch v := e.Body.(type) {
		case Started:
			b.opening = nil
		case RecordingChanged:
			if v.OK {
				b.outage = nil
			}
		}
	}
	b.state = next
	return nil
}

// answer tells everyone what became of their item. An item that the disk refused
// is refused, whatever its ruling would have been.
func (b *Bench) answer(batch []offer, results []result, err error) {
	for i, o := range batch {
		if o.done == nil {
			continue
		}
		if err != nil && results[i].err == nil {
			results[i] = result{err: refuse("not recorded", "this was not recorded: "+err.Error(),
				"mend the disk, then do it again; nothing counts until it is recorded", "error", err.Error())}
		}
		o.done(results[i].receipt, results[i].err)
	}
}

// item handles one item.
func (t *turn) item(item any) (Receipt, error) {
	t.proved = false
	switch v := item.(type) {
	case Reading:
		return t.reading(v, "", FromInstrument), nil
	case Command:
		receipt, no := t.command(v)
		if no != nil {
			return Receipt{}, no
		}
		return receipt, nil
	case PortChanged:
		t.operator, t.door = "", FromBench
		t.add(v)
		return Receipt{Seq: t.state.seq}, nil
	case ClockStepped:
		t.operator, t.door = "", FromBench
		t.add(v)
		return Receipt{Seq: t.state.seq}, nil
	case ProfileSet:
		t.operator, t.door = "", FromBench
		t.add(v)
		return Receipt{Seq: t.state.seq}, nil
	}
	return Receipt{}, fmt.Errorf("a bench does not take a %T", item)
}

// Subscribe returns a mailbox that holds the latest snapshot, the present one to
// begin with, and a function that gives it up. A slow reader misses snapshots
// and never delays one.
func (b *Bench) Subscribe() (<-chan Snapshot, func()) {
	box := make(chan Snapshot, 1)
	b.mu.Lock()
	defer b.mu.Unlock()
	box <- b.latest
	b.readers[box] = struct{}{}
	return box, func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		delete(b.readers, box)
	}
}

// Snapshot returns the latest snapshot.
func (b *Bench) Snapshot() Snapshot {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.latest
}

// publish puts the present snapshot into every mailbox in place of what is there.
func (b *Bench) publish() {
	s := b.state.Snapshot()
	s.Recording = Recording{OK: b.trouble == nil}
	if b.trouble != nil {
		s.Recording.Problem = b.trouble.Error()
	}
	if b.logView != nil {
		view := b.logView()
		s.Log = &view
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.desk = b.state.desk()
	b.show(s)
}
