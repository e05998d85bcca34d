package sqlite

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
	"shimwright/sqlite/disktest"
)

var (
	faultyRuns = flag.Int("faults", 40, "how many runs on a failing disk TestFailingDisk makes; 0: every kind of failure at every operation")
	oneFault   = flag.Int("fault", -1, "the number of the one failure that TestFailingDisk tries")
)

// A trial is a bench on a disk that fails at one operation.
type trial struct {
	number int
	name   string
	fault  disktest.Fault
	room   int64 // on a full disk; else 0
	full   bool
}

// lasting says whether the disk stays as it is until somebody mends it.
func (f trial) lasting() bool { return f.full || f.fault.Count < 0 }

// trials are every kind of failure at each of the operations of a run without any,
// and a disk that is full after each part of what it writes.
func trials(ops, bytes int64) (all []trial) {
	for at := int64(1); at <= ops; at++ {
		for _, kept := range []bool{false, true} {
			all = append(all,
				trial{name: fmt.Sprintf("operation %d fails once, kept %v", at, kept), fault: disktest.Fault{At: at, Count: 1, Kept: kept}},
				trial{name: fmt.Sprintf("all fail from operation %d, kept %v", at, kept), fault: disktest.Fault{At: at, Count: -1, Kept: kept}})
		}
		all = append(all, trial{name: fmt.Sprintf("operation %d falls short", at), fault: disktest.Fault{At: at, Count: 1, Short: true}},
			trial{name: fmt.Sprintf("full after %d of %d bytes", bytes*at/ops, bytes), full: true, room: bytes * at / ops})
	}
	for i := range all {
		all[i].number = i
	}
	return all
}

// faultReserve holds the last words of one failure.
const faultReserve = 128 << 10

// A patient is a bench on a failing disk, and what it said.
type patient struct {
	trial
	d       *disktest.Disk
	path    string
	log     *Log
	bench   *session.Bench
	probe   chan time.Time
	stop    func()
	late    int              // runs that could not start at once
	acked   map[int64]string // readings, by sequence
	said    promise
	refused int
}

// TestFailingDisk runs a job while the disk fails at the n-th operation, once or from
// then on, or is full: the bench says that nothing is recorded and acknowledges
// nothing that is not; it goes on by itself once the disk works; and the log says so
// and verifies. A failed operation is tried both ways, kept and not kept; and what a
// failed synchronisation had in hand may be lost with the power later on.
func TestFailingDisk(t *testing.T) {
	d := disktest.Under(t)
	if d == nil {
		return
	}
	seed := diskSeed(t)
	folder := quickFolder(t)
	sound := &patient{d: d}
	sound.live(t, filepath.Join(folder, "sound"))
	all := trials(d.Ops(), growth(t, d))
	require.Empty(t, sound.refused)
	switch {
	case *oneFault >= 0:
		all = all[*oneFault : *oneFault+1]
	case *faultyRuns > 0:
		random := rand.New(rand.NewPCG(seed, 0))
		random.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
		all = all[:min(*faultyRuns, len(all))]
	}
	refused, images := 0, 0
	for _, f := range all {
		place := filepath.Join(folder, fmt.Sprint(f.number))
		p := &patient{trial: f, d: d}
		p.live(t, place)
		refused += p.refused
		images += p.lose(t, filepath.Join(folder, "disk"), seed+uint64(f.number))
		require.False(t, t.Failed(), "%s: -fault %d -power-seed %d", f.name, f.number, seed)
		require.NoError(t, os.RemoveAll(place))
	}
	t.Logf("%d failing disks, %d items refused, %d disks after a loss of power", len(all), refused, images)
	assert.Positive(t, refused)
}

// growth is how many bytes files have grown by.
func growth(t *testing.T, d *disktest.Disk) (n int64) {
	ops, err := d.Recorded()
	require.NoError(t, err)
	for _, op := range ops {
		n += int64(len(op.Data))
	}
	return n
}

// live runs a job on the failing disk in a new folder.
func (p *patient) live(t *testing.T, folder string) {
	t.Helper()
	require.NoError(t, os.Mkdir(folder, 0o700))
	p.path, p.acked = filepath.Join(folder, "bench.log"), map[int64]string{}
	p.d.Watch(folder)
	require.NoError(t, p.d.Record())
	if p.fault.Count != 0 {
		p.d.Fail(p.fault)
	}
	if p.full {
		p.d.Fill(p.room)
	}
	if !p.open(t) {
		p.d.Heal()
		require.True(t, p.open(t), "%s: it opens once the disk works", p.name)
	}
	plan, err := os.ReadFile("../testdata/plans/pump-bottom-end-short.toml")
	require.NoError(t, err)
	for _, item := range someItems(t, string(plan)) {
		p.submit(t, item)
	}
	if p.bench.Snapshot().Recording.OK == false {
		p.mend(t)
	}
	p.stop()
	err = p.log.Close()
	p.d.Heal()
	p.d.Stop()
	if err != nil {
		assert.Positive(t, p.d.Failed(), "%s: %v", p.name, err)
	}
	p.check(t)
}

// open opens log and bench; false if the disk did not let it.
func (p *patient) open(t *testing.T) bool {
	t.Helper()
	var err error
	p.log, err = watched(p.d, p.path, faultReserve)
	if err != nil {
		assert.Positive(t, p.d.Failed(), "%s: %v", p.name, err)
		assert.NotContains(t, err.Error(), "somebody changed it", p.name)
		assert.NotContains(t, err.Error(), "older copy", p.name)
		return false
	}
	_, err = p.log.db.Exec("PRAGMA wal_autocheckpoint = 20")
	if err == nil {
		err = p.openBench(t)
	}
	if err != nil {
		assert.Positive(t, p.d.Failed(), "%s: %v", p.name, err)
		p.log.Close() //nolint:errcheck // the disk does not work
		return false
	}
	return true
}

func (p *patient) openBench(t *testing.T) error {
	p.probe = make(chan time.Time)
	c := benchConfig(t, p.log)
	c.Probe = p.probe
	bench, err := session.NewBench(c, p.log.Replay)
	if err != nil {
		return err
	}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error)
	go func() { ended <- bench.Run(ctx) }()
	p.bench = bench
	if !bench.Snapshot().Recording.OK {
		p.late++
	}
	p.stop = func() {
		stop()
		assert.NoError(t, <-ended)
	}
	return nil
}

// submit gives the bench an item. A disk that stays broken is mended after the second
// item that was refused.
func (p *patient) submit(t *testing.T, item any) {
	t.Helper()
	receipt, err := p.bench.Submit(t.Context(), item)
	recording := p.bench.Snapshot().Recording
	var no *session.Refusal
	switch {
	case err == nil:
		assert.True(t, recording.OK, "%s: %s", p.name, recording.Problem)
		if r, ok := item.(session.Reading); ok {
			p.acked[receipt.Seq] = r.Text
		}
		p.said.last = p.bench.Snapshot().Seq
		p.promise(t)
	case errors.As(err, &no) && no.Code == "not recorded":
		p.refused++
		assert.Positive(t, p.d.Failed(), "%s: %v", p.name, err)
		assert.False(t, recording.OK, p.name)
		assert.Contains(t, recording.Problem, "cannot append to log", p.name)
		if p.lasting() && p.refused == 2 {
			p.mend(t)
		}
	default:
		require.ErrorAs(t, err, &no, p.name)
	}
}

func (p *patient) promise(t *testing.T) {
	require.NoError(t, p.d.Mark(fmt.Sprint(p.said.last)))
	text := p.log.Checkpoint()
	p.said.hear("checkpoint " + text)
	require.NoError(t, p.d.Mark("checkpoint "+text))
}

// mend lets the disk work again. The bench finds that out by itself.
func (p *patient) mend(t *testing.T) {
	t.Helper()
	p.d.Heal()
	for range 2 { // the second is taken once the first was acted on
		p.probe <- time.Time{}
	}
	recording := p.bench.Snapshot().Recording
	assert.True(t, recording.OK, "%s: it does not go on: %s", p.name, recording.Problem)
}

// check reads the log as it was left.
func (p *patient) check(t *testing.T) {
	t.Helper()
	report, err := Verify(p.path, VerifyOptions{Outside: outsideOf(p.said), Fold: session.NewState(theMethod()).Apply})
	require.NoError(t, err, p.name)
	assert.Empty(t, report.Damage, p.name)
	l, err := Open(p.path)
	require.NoError(t, err, p.name)
	defer l.Close()
	last, _ := l.Last()
	assert.GreaterOrEqual(t, last, p.said.last, p.name)
	assert.NoError(t, holds(l, p.acked), p.name)
	stopped, again := outagesOf(t, l)
	if p.refused > 0 {
		assert.Positive(t, again, "%s: the log says that it was recorded again", p.name)
	}
	if p.full && p.refused > 0 {
		assert.Equal(t, again, stopped+p.late, "%s: the reserve has room for the last words", p.name)
	}
	assert.FileExists(t, ReservePath(p.path), p.name)
}

func outsideOf(said promise) (all []Outside) {
	for n, text := range said.checkpoints {
		all = append(all, Outside{Name: fmt.Sprint(n), Text: text})
	}
	return all
}

// holds says whether every reading that was acknowledged is there.
func holds(l *Log, acked map[int64]string) error {
	for seq, text := range acked {
		var body string
		if err := l.db.QueryRow(`SELECT body FROM entries WHERE seq = ?`, seq).Scan(&body); err != nil {
			return fmt.Errorf("reading %d was acknowledged: %w", seq, err)
		}
		if !strings.Contains(body, `"text":"`+text+`"`) {
			return fmt.Errorf("reading %d was acknowledged as %s and is %s", seq, text, body)
		}
	}
	return nil
}

// outagesOf counts how often the log says that recording stopped, and went on.
func outagesOf(t *testing.T, l *Log) (stopped, again int) {
	t.Helper()
	require.NoError(t, each(l.db, func(e session.Entry) error {
		if e.Body.(session.RecordingChanged).OK {
			again++
		} else {
			stopped++
		}
		return nil
	}, `SELECT seq, run, job, kind, body FROM entries WHERE kind = 'recording' ORDER BY seq`))
	return stopped, again
}

// lose lets the power go at some moments of the run. Not even a synchronisation that
// failed, with others that did not after it, may then have cost what was acknowledged.
func (p *patient) lose(t *testing.T, folder string, seed uint64) int {
	t.Helper()
	const moments = 4
	v := &voyage{}
	var err error
	v.ops, err = p.d.Recorded()
	require.NoError(t, err)
	err = v.disks(v.plan(moments, seed), seed, func(i image, files map[string][]byte, said promise) bool {
		err := p.survives(folder, files, said)
		return assert.NoError(t, err, "%s, then %s%s", p.name, i, v.around(i.after))
	})
	require.NoError(t, err)
	return moments
}

func (p *patient) survives(folder string, files map[string][]byte, said promise) error {
	if err := errors.Join(os.RemoveAll(folder), os.Mkdir(folder, 0o700), disktest.WriteFolder(folder, files)); err != nil {
		return err
	}
	path := filepath.Join(folder, "bench.log")
	l, err := Open(path)
	if err != nil {
		return err
	}
	acked := map[int64]string{}
	for seq, text := range p.acked {
		if seq <= said.last {
			acked[seq] = text
		}
	}
	last, _ := l.Last()
	if last < said.last {
		err = fmt.Errorf("entry %d was acknowledged, and it ends with entry %d", said.last, last)
	}
	err = errors.Join(err, holds(l, acked), l.Append(startAgain(l).start()), l.Close())
	report, cannot := Verify(path, VerifyOptions{Outside: outsideOf(said)})
	if cannot == nil && !report.Sound() {
		cannot = fmt.Errorf("it does not verify: %s", summary(report))
	}
	return errors.Join(err, cannot)
}
