package main

import (
	"context"
	"flag"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/cmd/loggerd/config"
	"shimwright/session"
	"shimwright/sqlite"
	"shimwright/sqlite/disktest"
)

var powerImages = flag.Int("images", 30, "on how many disks TestTheDaemonStartsAfterALossOfPower starts the daemon")

// TestTheDaemonStartsAfterALossOfPower records what a daemon does to its disk during a
// job, and starts the daemon on what a loss of power could leave of it: without help,
// with every reading that was acknowledged.
func TestTheDaemonStartsAfterALossOfPower(t *testing.T) {
	disk := disktest.Under(t)
	if disk == nil {
		return
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	folder := t.TempDir()
	if shm, err := os.MkdirTemp("/dev/shm", "loggerd"); err == nil { // what lies on the disk is tested, not the disk
		t.Cleanup(func() { assert.NoError(t, os.RemoveAll(shm)) })
		folder = shm
	}
	first := filepath.Join(folder, "first")
	runDaemon(t, first, func(*daemon) {}) // makes the key
	base, err := disktest.ReadFolder(first)
	require.NoError(t, err)
	disk.Watch(first)
	require.NoError(t, disk.Record())
	acked := map[int64]string{}
	runDaemon(t, first, func(d *daemon) { work(t, d, disk, acked) })
	disk.Stop()
	ops, err := disk.Recorded()
	require.NoError(t, err)
	disk.Watch("/nowhere")

	random := rand.New(rand.NewPCG(seed, 0))
	for n := range *powerImages {
		after, way := random.IntN(len(ops)+1), disktest.Loss(random.IntN(int(disktest.Losses)))
		platter, last := disktest.NewPlatter(base), int64(0)
		for _, op := range ops[:after] {
			if op.Kind == disktest.Mark {
				last, err = strconv.ParseInt(string(op.Data), 10, 64)
				require.NoError(t, err)
				continue
			}
			require.NoError(t, platter.Do(op))
		}
		place := filepath.Join(folder, fmt.Sprint(n))
		require.NoError(t, os.Mkdir(place, 0o700))
		require.NoError(t, disktest.WriteFolder(place, platter.Image(way, random)))
		comesBack(t, place, acked, last)
		require.False(t, t.Failed(), "image %d of seed %d: %s after operation %d of %d", n, seed, way, after, len(ops))
		require.NoError(t, os.RemoveAll(place))
	}
	t.Logf("%d operations, %d disks", len(ops), *powerImages)
}

// runDaemon runs a whole daemon on a folder while do does something with it.
func runDaemon(t *testing.T, folder string, do func(*daemon)) {
	t.Helper()
	c := config.Default(func(string) string { return "" }, filepath.Join(folder+".sock"))
	c.Data, c.Page, c.MQTT.Broker, c.Bounce = folder, config.Off, config.Off, 0
	d, err := open(c, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- d.run(ctx) }()
	do(d)
	stop()
	assert.NoError(t, <-ended)
	assert.NoError(t, d.close())
}

// work measures two jobs. It notes what was acknowledged, between the operations too.
func work(t *testing.T, d *daemon, disk *disktest.Disk, acked map[int64]string) {
	for range 2 {
		submit := func(c session.Command) {
			receipt, err := d.bench.Submit(t.Context(), c)
			require.NoError(t, err)
			if c.Do == session.Enter {
				acked[receipt.Seq] = c.Value
			}
			require.NoError(t, disk.Mark(fmt.Sprint(d.bench.Snapshot().Seq)))
		}
		submit(session.Command{Do: session.Begin, Plan: killPlan})
		for _, value := range []string{"11.02", "11.02", "11.03", "11.02", "14.01", "14.01", "14.01", "14.02"} {
			submit(session.Command{Do: session.Enter, Instrument: "caliper", Value: value})
		}
		submit(session.Command{Do: session.End, Note: "as advised"})
	}
}

// comesBack starts the daemon on a disk, goes on measuring and looks through the log.
func comesBack(t *testing.T, folder string, acked map[int64]string, last int64) {
	t.Helper()
	runDaemon(t, folder, func(d *daemon) {
		s := d.bench.Snapshot()
		assert.True(t, s.Recording.OK)
		if s.Job == nil || s.Job.Ended {
			_, err := d.bench.Submit(t.Context(), session.Command{Do: session.Begin, Plan: killPlan})
			assert.NoError(t, err)
		}
		_, err := d.bench.Submit(t.Context(), session.Command{Do: session.Enter, Instrument: "caliper", Value: "11.02"})
		assert.NoError(t, err)
	})
	path := sqlite.PathOf(folder, "bench-1")
	report, err := sqlite.Verify(path, sqlite.VerifyOptions{})
	require.NoError(t, err)
	assert.Empty(t, report.Damage)
	log, err := sqlite.OpenForReview(path)
	require.NoError(t, err)
	defer log.Close()
	found := map[int64]string{}
	require.NoError(t, log.Entries(1, func(e session.Entry) error {
		if r, ok := e.Body.(session.ReadingTaken); ok {
			found[e.Seq] = r.Text
		}
		return nil
	}))
	for seq, value := range acked {
		if seq <= last {
			assert.Equal(t, value, found[seq], "reading %d was acknowledged", seq)
		}
	}
}
