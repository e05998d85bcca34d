package publish

import (
	"cmp"
	"context"
	"log/slog"
	"slices"
	"sync"

	"shimwright/session"
)

// maxWaiting is how many readings wait for a broker.
const maxWaiting = 4096

// An outbox is what is to be published: the latest snapshot, and the readings
// that no broker has acknowledged. One goroutine fills it from the mailbox and one
// empties it; neither waits for the other.
type outbox struct {
	log     *slog.Logger
	changed chan struct{} // one slot: there may be something new
	first   chan struct{} // closed with the first snapshot
	ended   chan struct{} // closed when no further snapshot will come

	mu       sync.Mutex
	snapshot session.Snapshot
	version  int64             // counts the snapshots
	readings []session.Message // in the order of their sequence
	newest   int64             // sequence of the newest reading seen
	given    int64             // how many readings were ever taken off the front
}

func newOutbox(log *slog.Logger) *outbox {
	return &outbox{log: log, changed: make(chan struct{}, 1), first: make(chan struct{}), ended: make(chan struct{})}
}

// collect empties the mailbox until ctx ends, and once more then. A snapshot
// without a run is of a bench that has not begun, and says nothing.
func (b *outbox) collect(ctx context.Context, mail <-chan session.Snapshot) {
	defer close(b.ended)
	first := b.first
	for {
		select {
		case s, ok := <-mail:
			if !ok {
				return
			}
			if s.Run == 0 {
				continue
			}
			b.take(s)
		case <-ctx.Done():
			select {
			case s, ok := <-mail:
				if ok && s.Run != 0 {
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

// take keeps a snapshot. Only its new readings become messages at once: of the
// rest nobody needs what the next snapshot replaces.
func (b *outbox) take(s session.Snapshot) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.snapshot = s
	b.version++
	b.queue(s)
	select {
	case b.changed <- struct{}{}:
	default:
	}
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

// latest returns the snapshot in force and its number.
func (b *outbox) latest() (s session.Snapshot, version int64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.snapshot, b.version
}

// waiting returns up to most readings. The mark goes to delivered.
func (b *outbox) waiting(most int) (readings []session.Message, mark int64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	n := min(most, len(b.readings))
	return slices.Clone(b.readings[:n]), b.given + int64(n)
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
