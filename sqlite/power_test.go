package sqlite

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
	"shimwright/sqlite/disktest"
)

var (
	powerImages = flag.Int("images", 300, "on how many disks TestPowerLoss opens the log again")
	powerSeed   = flag.Uint64("power-seed", 0, "what the tests of failing disks take as their seed; 0: another each time")
)

func diskSeed(t *testing.T) uint64 {
	seed := *powerSeed
	if seed == 0 {
		seed = rand.Uint64()
	}
	t.Logf("-power-seed %d", seed)
	return seed
}

// smallReserve is small, to keep the images small.
const smallReserve = 8192

// watched opens the log so that what it does itself to files is recorded too.
func watched(d *disktest.Disk, path string, reserve int64) (*Log, error) {
	kinds := map[string]disktest.Kind{"create": disktest.Create, "write": disktest.Write, "sync": disktest.Sync,
		"rename": disktest.Rename, "unlink": disktest.Unlink, "sync folder": disktest.SyncFolder}
	around := func(step, path string, data []byte, do func() error) error {
		return d.Around(kinds[step], path, data, do)
	}
	return OpenWith(path, Options{Reserve: reserve, disk: disk{around}})
}

// quickFolder is a folder on the fastest disk there is: what is tested is what lies
// on it, not the disk.
func quickFolder(t *testing.T) string {
	t.Helper()
	folder, err := os.MkdirTemp("/dev/shm", "disktest")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { assert.NoError(t, os.RemoveAll(folder)) })
	return folder
}

// A voyage is a log that is written, with everything that was done to its disk.
type voyage struct {
	entries []session.Entry // all that there will ever be, in order
	bodies  [][]byte
	weak    bool              // it does not wait for the disk
	base    map[string][]byte // the files at the beginning
	promise promise           // at the beginning
	ops     []disktest.Op
}

// A promise is what was said to be on disk.
type promise struct {
	last        int64
	checkpoints []string // that others may have
}

func (p *promise) hear(mark string) {
	if text, ok := strings.CutPrefix(mark, "checkpoint "); ok {
		if text != "" && !slices.Contains(p.checkpoints, text) {
			p.checkpoints = append(slices.Clip(p.checkpoints), text)
		}
		return
	}
	if n, err := strconv.ParseInt(mark, 10, 64); err == nil {
		p.last = n
	}
}

// One voyage serves so many images.
const imagesEach = 500

// TestPowerLoss writes a log, rebuilds the disk as a loss of power at each operation
// could leave it, and opens the log on it: nothing that was acknowledged is lost, the
// log goes on without help, and it verifies against every checkpoint that was ever
// given out. A failure is made again with its seed and -images 500.
func TestPowerLoss(t *testing.T) {
	d := disktest.Under(t)
	if d == nil {
		return
	}
	seed := diskSeed(t)
	images, ops := 0, 0
	for ; images < *powerImages && !t.Failed(); seed++ {
		folder := quickFolder(t)
		v := newVoyage(t)
		v.record(t, d, filepath.Join(folder, "first"), len(v.entries), rand.New(rand.NewPCG(seed, 0)))
		d.Watch("/nowhere")
		n := min(*powerImages-images, imagesEach)
		plan := v.plan(n*9/10, seed)
		assert.Empty(t, v.run(t, plan, folder, seed))
		images, ops = images+len(plan), ops+len(v.ops)
		// What a loss of power left is gone on with until the power is lost again.
		again := v.from(t, plan[rand.New(rand.NewPCG(seed, 2)).IntN(len(plan))], seed)
		again.record(t, d, filepath.Join(folder, "again"), 20, rand.New(rand.NewPCG(seed, 3)))
		d.Watch("/nowhere")
		plan = again.plan(n-len(plan), seed)
		assert.Empty(t, again.run(t, plan, folder, seed))
		images += len(plan)
		require.NoError(t, os.RemoveAll(folder))
	}
	t.Logf("%d operations, %d disks", ops, images)
}

// The harness sees a loss where there is one: without waiting for the disk.
func TestPowerLossIsSeen(t *testing.T) {
	d := disktest.Under(t)
	if d == nil {
		return
	}
	seed := diskSeed(t)
	folder := quickFolder(t)
	v := newVoyage(t)
	v.weak = true
	v.record(t, d, filepath.Join(folder, "first"), len(v.entries), rand.New(rand.NewPCG(seed, 0)))
	d.Watch("/nowhere")
	losses := v.run(t, v.plan(200, seed), folder, seed)
	require.NotEmpty(t, losses)
	assert.Contains(t, strings.Join(losses, "\n"), "was acknowledged, and it ends with entry")
}

// newVoyage is one of two jobs, one after the other.
func newVoyage(t *testing.T) *voyage {
	v := &voyage{entries: recordedEntries(t, "bottom-end-mishaps")}
	v.entries = append(v.entries, following(v.entries, recordedEntries(t, "change-of-mind"))...)
	for _, e := range v.entries {
		body, err := e.Encode()
		require.NoError(t, err)
		v.bodies = append(v.bodies, body)
	}
	return v
}

// following numbers the entries of another job to come after all.
func following(all, more []session.Entry) []session.Entry {
	last := all[len(all)-1]
	more = slices.Clone(more)
	for i := range more {
		more[i].Seq += last.Seq
		more[i].Run += last.Run
		more[i].Body = shifted(more[i].Body, last.Seq)
		if more[i].Job != "" {
			more[i].Job = "7" + more[i].Job
		}
	}
	return more
}

// record opens the log in folder and appends n entries in batches, with an orderly end
// now and then.
func (v *voyage) record(t *testing.T, d *disktest.Disk, folder string, n int, random *rand.Rand) {
	t.Helper()
	require.NoError(t, os.Mkdir(folder, 0o700))
	require.NoError(t, disktest.WriteFolder(folder, v.base))
	d.Watch(folder)
	require.NoError(t, d.Record())
	path := filepath.Join(folder, "bench.log")
	l, err := watched(d, path, smallReserve)
	require.NoError(t, err)
	for until := min(l.last+int64(n), int64(len(v.entries))); l.last < until; {
		_, err := l.db.Exec(fmt.Sprintf("PRAGMA wal_autocheckpoint = %d", 4+random.IntN(40)))
		require.NoError(t, err)
		if v.weak {
			_, err := l.db.Exec("PRAGMA synchronous = NORMAL")
			require.NoError(t, err)
		}
		for batches := 1 + random.IntN(25); batches > 0 && l.last < until; batches-- {
			to := min(l.last+1+random.Int64N(5), until)
			require.NoError(t, l.Append(v.entries[l.last:to]))
			require.NoError(t, d.Mark(fmt.Sprint(to)))
			require.NoError(t, d.Mark("checkpoint "+l.Checkpoint()))
		}
		require.NoError(t, l.Close())
		l, err = watched(d, path, smallReserve)
		require.NoError(t, err)
	}
	d.Stop()
	require.NoError(t, l.Close())
	v.ops, err = d.Recorded()
	require.NoError(t, err)
}

// An image is one disk to make: after how many operations the power is lost, and how.
type image struct {
	number, after int
	way           disktest.Loss
}

func (i image) String() string {
	return fmt.Sprintf("image %d (%s after operation %d)", i.number, i.way, i.after)
}

func (i image) random(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, uint64(i.number))) }

// plan spreads n images over the operations, in their order.
func (v *voyage) plan(n int, seed uint64) []image {
	random := rand.New(rand.NewPCG(seed, 1))
	plan := make([]image, n)
	for i := range plan {
		plan[i] = image{after: i * len(v.ops) / n, way: disktest.Loss(random.IntN(int(disktest.Losses)))}
		if n < len(v.ops) {
			plan[i].after = random.IntN(len(v.ops) + 1)
		}
	}
	slices.SortStableFunc(plan, func(a, b image) int { return a.after - b.after })
	for i := range plan {
		plan[i].number = i
	}
	return plan
}

// disks makes the images one after another, with what was promised at that moment.
func (v *voyage) disks(plan []image, seed uint64, yield func(image, map[string][]byte, promise) bool) error {
	p, said, done := disktest.NewPlatter(v.base), v.promise, 0
	for _, i := range plan {
		for ; done < i.after; done++ {
			if op := v.ops[done]; op.Kind == disktest.Mark {
				said.hear(string(op.Data))
			} else if err := p.Do(op); err != nil {
				return err
			}
		}
		if !yield(i, p.Image(i.way, i.random(seed)), said) {
			return nil
		}
	}
	return nil
}

// from is a voyage that begins on an image.
func (v *voyage) from(t *testing.T, i image, seed uint64) *voyage {
	next := &voyage{entries: v.entries, bodies: v.bodies}
	require.NoError(t, v.disks([]image{i}, seed, func(_ image, files map[string][]byte, said promise) bool {
		next.base, next.promise = files, said
		return true
	}))
	return next
}

// run opens the log on every image of a plan, on all processors, and tells what was
// wrong with some.
func (v *voyage) run(t *testing.T, plan []image, folder string, seed uint64) (losses []string) {
	t.Helper()
	type job struct {
		image
		files map[string][]byte
		said  promise
	}
	jobs := make(chan job)
	var mu sync.Mutex // guards losses
	var failed atomic.Int32
	var workers sync.WaitGroup
	for w := range runtime.GOMAXPROCS(0) {
		workers.Go(func() {
			place := filepath.Join(folder, fmt.Sprint("disk-", w))
			for j := range jobs {
				if err := v.survives(place, j.files, j.said, j.random(seed)); err != nil {
					failed.Add(1)
					mu.Lock()
					losses = append(losses, fmt.Sprintf("%s of seed %d: %v%s", j.image, seed, err, v.around(j.after)))
					mu.Unlock()
				}
			}
		})
	}
	err := v.disks(plan, seed, func(i image, files map[string][]byte, said promise) bool {
		jobs <- job{i, files, said}
		return failed.Load() < 5
	})
	close(jobs)
	workers.Wait()
	require.NoError(t, err)
	return losses
}

// around tells the last operations before a moment.
func (v *voyage) around(after int) string {
	var text strings.Builder
	for n := max(after-8, 0); n < after; n++ {
		op := v.ops[n]
		fmt.Fprintf(&text, "\n  %d: kind %d of %q at %d, %d bytes", n, op.Kind, op.Path, op.Offset, len(op.Data))
	}
	return text.String()
}

// survives opens the log on a disk as the loss of power left it, and goes on with it.
func (v *voyage) survives(folder string, files map[string][]byte, said promise, random *rand.Rand) error {
	if err := errors.Join(os.RemoveAll(folder), os.Mkdir(folder, 0o700), disktest.WriteFolder(folder, files)); err != nil {
		return err
	}
	path := filepath.Join(folder, "bench.log")
	if random.IntN(4) == 0 { // what SQLite shares between processes is never synchronised
		if err := os.WriteFile(path+"-shm", bytes.Repeat([]byte{byte(random.Uint32())}, 32768), 0o600); err != nil {
			return err
		}
	}
	l, err := OpenWith(path, Options{Reserve: smallReserve})
	if err != nil {
		return err
	}
	if err := errors.Join(v.kept(l, said), v.goOn(l), l.Close()); err != nil {
		return err
	}
	o := VerifyOptions{Quick: random.IntN(16) > 0}
	for n, text := range said.checkpoints {
		o.Outside = append(o.Outside, Outside{Name: fmt.Sprint(n), Text: text})
	}
	report, err := Verify(path, o)
	if err == nil && !report.Sound() {
		err = fmt.Errorf("it does not verify: %s", summary(report))
	}
	if err == nil {
		err = onlyThese(folder)
	}
	return err
}

// kept says whether the log holds what was promised, and nothing that was never given
// to it.
func (v *voyage) kept(l *Log, said promise) error {
	if l.last < said.last {
		return fmt.Errorf("entry %d was acknowledged, and it ends with entry %d", said.last, l.last)
	}
	n := 0
	rows, err := l.db.Query(`SELECT body FROM entries ORDER BY seq`)
	if err != nil {
		return err
	}
	defer rows.Close()
	for ; rows.Next(); n++ {
		var body []byte
		if err := rows.Scan(&body); err != nil {
			return err
		}
		if !bytes.Equal(body, v.bodies[n]) {
			return fmt.Errorf("entry %d is not what was written", n+1)
		}
	}
	return rows.Err()
}

// goOn appends what comes next until a step is closed.
func (v *voyage) goOn(l *Log) error {
	for closed := false; !closed && l.last < int64(len(v.entries)); {
		next := v.entries[l.last : l.last+1]
		closed = closes(next[0])
		if err := l.Append(next); err != nil {
			return err
		}
	}
	return nil
}

// onlyThese says whether nothing is left in the folder of a closed log that does not
// belong there.
func onlyThese(folder string) error {
	entries, err := os.ReadDir(folder)
	for _, e := range entries {
		if !slices.Contains([]string{"bench.log", "bench.key", "bench.checkpoint", "bench.reserve"}, e.Name()) {
			err = errors.Join(err, fmt.Errorf("%q is left", e.Name()))
		}
	}
	return err
}
