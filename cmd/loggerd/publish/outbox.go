package publish

import (
	"cmp"
	"context"
	"log/slog"
	"slices"
	"sync"

	"shimwright/session"
)

const (
	maxWaiting = 4096      // readings that wait for a broker
	maxPayload = 250 << 10 // bytes; the embedded broker ends a connection that sends 256 KiB
)

// An outbox is what is to be published: the latest retained state, and the
// readings that no broker has acknowledged. One goroutine fills it from the
// mailbox and one empties it; neither waits for the other.
type outbox struct {
	log     *slog.Logger
	changed chan struct{} // one slot: there may be something new
	first   chan struct{} // closed with the first snapshot
	ended   chan struct{} // closed when no further snapshot will come

	mu       sync.Mutex
	snapshot session.Snapshot
	retained []session.Message
	readings []session.Message // in the order of their sequence
	newest   int64             // sequence of the newest reading seen
	given    int64             // how many readings were ever taken off the front
}

func newOutbox(log *slog.Logger) *outbox {
	return &outbox{log: log, changed: make(chan struct{}, 1), first: make(chan struct{}), ended: make(chan struct{})}
}

// collect empties the mailbox until ctx ends, and once more then.
func (b *outbox) collect(ctx context.Context, mail <-chan session.Snapshot) {
	defer close(b.ended)
	first := b.first
	for {
		select {
		case s, ok := <-mail:
			if !ok {
				return
			}
			b.take(s)
		case <-ctx.Done():
			select {
			case s, ok := <-mail:
				if ok {
					b.take(s)
				}
			default:
			}
			return
		}
		if first != nil {
			close(first)
			first = nil
		}
	}
}

// take makes the messages of a snapshot. One that cannot be written or is too
// large is left out, and the log says so.
func (b *outbox) take(s session.Snapshot) {
	retained, err := s.Retained()
	if err != nil {
		b.log.Error("retained messages are not published", "error", err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.snapshot = s
	if err == nil {
		b.retained = slices.DeleteFunc(retained, b.tooLarge)
	}
	b.queue(s)
	select {
	case b.changed <- struct{}{}:
	default:
	}
}

func (b *outbox) tooLarge(m session.Message) bool {
	if len(m.Payload) <= maxPayload {
		return false
	}
	b.log.Error("a message is too large to publish; make the plan shorter", "topic", m.Topic, "bytes", len(m.Payload))
	return true
}

// queue appends the readings that are newer than any before.
func (b *outbox) queue(s session.Snapshot) {
	fresh := make([]session.ReadingView, 0, 8)
	for _, r := range s.Readings {
		if r.Seq > b.newest {
			fresh = append(fresh, r)
		}
	}
	slices.SortFunc(fresh, func(x, y session.ReadingView) int { return cmp.Compare(x.Seq, y.Seq) })
	for _, r := range fresh {
		m, err := session.ReadingMessage(s, r, b.newest)
		b.newest = r.Seq
		if err != nil {
			b.log.Error("a reading is not published", "seq", r.Seq, "error", err)
			continue
		}
		b.readings = append(b.readings, m)
	}
	if over := len(b.readings) - maxWaiting; over > 0 {
		b.drop(over)
	}
}

func (b *outbox) drop(n int) {
	b.readings = slices.Delete(b.readings, 0, n)
	b.given += int64(n)
}

// latest returns the snapshot in force.
func (b *outbox) latest() session.Snapshot {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.snapshot
}

// retainedNow returns the whole retained state but the status.
func (b *outbox) retainedNow() []session.Message {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.retained)
}

// batch returns up to most waiting readings and then the retained messages that
// say something else than those published. The mark goes to delivered.
func (b *outbox) batch(published map[string]session.Message, most int) (batch []session.Message, mark int64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	n := min(most, len(b.readings))
	batch = slices.Clone(b.readings[:n])
	for _, m := range b.retained {
		if !m.Same(published[m.Topic]) {
			batch = append(batch, m)
		}
	}
	return batch, b.given + int64(n)
}

// delivered takes the readings up to the mark off; some of them may have been
// given up meanwhile.
func (b *outbox) delivered(mark int64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if n := mark - b.given; n > 0 {
		b.drop(int(n))
	}
}
