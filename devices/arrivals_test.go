package devices

import (
	"context"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

func TestArrivals(t *testing.T) {
	root, other := t.TempDir(), t.TempDir()
	_, err := System{Root: root}.Arrivals()
	require.ErrorContains(t, err, "cannot watch", "there is no folder of devices")
	dev := filepath.Join(root, "dev")
	require.NoError(t, os.Mkdir(dev, 0o755))
	a, err := System{Root: root}.Arrivals()
	require.NoError(t, err)
	require.NoError(t, a.Watch("serial:A1"), "no folder is meant")
	require.Error(t, a.Watch(filepath.Join(other, "folder", "port")))
	require.NoError(t, a.Watch(filepath.Join(other, "port")))
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- a.Run(ctx) }()
	arrives := func(what string, change func() error) {
		t.Helper()
		next := a.Next()
		require.NoError(t, change())
		select {
		case <-next:
		case <-time.After(10 * time.Second):
			require.Fail(t, "nothing was told", what)
		}
	}
	device, link := filepath.Join(dev, "ttyUSB0"), filepath.Join(other, "port")
	arrives("a device", func() error { return os.WriteFile(device, nil, 0) })
	arrives("it may be opened", func() error { return os.Chmod(device, 0o660) })
	arrives("a link", func() error { return os.Symlink(device, link+"~") })
	arrives("it gets its name", func() error { return os.Rename(link+"~", link) })
	next := a.Next()
	require.NoError(t, os.Remove(device))
	arrives("another device", func() error { return os.WriteFile(filepath.Join(dev, "ttyUSB1"), nil, 0) })
	<-next
	stop()
	require.NoError(t, <-ended)
	require.NoError(t, a.Close())

	a, err = System{Root: root}.Arrivals()
	require.NoError(t, err)
	require.NoError(t, a.Close())
	require.ErrorContains(t, a.Run(t.Context()), "cannot watch for devices any more")
	require.Error(t, a.Watch(link))
}

// A port that is absent is opened soon after a device came, though the next look by time
// is far off; one that came while it was opened is not missed.
func TestADeviceThatComesIsOpenedAtOnce(t *testing.T) {
	c := newCable()
	arrived := make(chan chan struct{}, 8)
	for range cap(arrived) {
		arrived <- make(chan struct{})
	}
	var now chan struct{}
	r := &rig{fakeTime: &fakeTime{now: time.Minute}, heard: &heard{}, t: t, plug: refuse(fs.ErrNotExist)}
	asked := make(chan chan struct{}, 8)
	var err error
	r.Instrument, err = New(Config{Profile: exampleCaliper(), Clock: r.fakeTime, Sink: r.sink(), Open: r.open, After: r.After,
		Arrived: func() <-chan struct{} { next := <-arrived; asked <- next; return next }})
	require.NoError(t, err)
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- r.Run(ctx) }()
	now = <-asked
	r.waits(firstRetry)
	r.becomes(session.PortAbsent)
	r.insert(give(c))
	close(now)
	r.waits(comeTime)
	r.pass(comeTime) // less than the time of the next look
	r.goLive()
	assert.Equal(t, 2, r.opened)
	stop()
	require.NoError(t, <-ended)
}
