package devices

import (
	"bufio"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// What was recorded replays to the very readings of the live decoder.
func TestRecordAndReplay(t *testing.T) {
	c := newCable()
	p := streaming()
	r := newRig(t, p, give(c))
	heard, stop := r.Listen(1000)
	r.waits(settleTime)
	c.send(next)
	eventually(t, func() bool { return r.Counters().Bytes == 13 })
	r.goLive()
	for _, send := range []string{good, bad, good[:4]} {
		c.send(send)
		r.pass(20 * time.Millisecond)
	}
	eventually(t, func() bool { return r.Counters().Bytes == 43 })
	require.NoError(t, r.Take(t.Context()))
	c.send(good[4:] + next)
	eventually(t, func() bool { return len(r.values()) == 1 })
	eventually(t, func() bool { return r.Counters().Bytes == 65 })
	c.fail <- os.ErrDeadlineExceeded
	r.becomes(session.PortLost)
	stop()

	dir := t.TempDir()
	rec := &Recorder{Dir: dir, Profile: p, From: "bench-1, run 3"}
	for h := range heard {
		require.NoError(t, rec.Record(h))
	}
	require.NoError(t, rec.Close())
	files, err := filepath.Glob(filepath.Join(dir, "caliper-1.*.capture"))
	require.NoError(t, err)
	require.Len(t, files, 1)
	text, err := os.ReadFile(files[0])
	require.NoError(t, err)
	for _, want := range []string{"# what: recorded from caliper-1, a caliper\n", "# from: bench-1, run 3\n", "# settings: 9600 baud, 8 data bits, parity none, stop bits 1\n",
		"# limit: 4194304 bytes a file, 8 files of this instrument; then the oldest is removed\n", "# port: live", "# port: lost: " + os.ErrDeadlineExceeded.Error() + "\n",
		`unread "V+056.78 mm\r\n"`, "take\n", "lost\n"} {
		assert.Contains(t, string(text), want)
	}
	capture, err := ReadCapture(strings.NewReader(string(text)))
	require.NoError(t, err)
	require.Equal(t, p, *capture.Full)
	var again []session.Reading
	counts, err := capture.Replay(*capture.Full, noon, func(r session.Reading) { again = append(again, r) })
	require.NoError(t, err)
	assert.Equal(t, brief(r.heard.readings), brief(again))
	live := r.Counters()
	live.Opened = 0
	assert.Equal(t, live, counts)
}

// The folder stays within its bounds, and the files say what was removed.
func TestRecorderRotates(t *testing.T) {
	dir := t.TempDir()
	other := filepath.Join(dir, "caliper-11.20200101T000000Z-000.capture")
	require.NoError(t, os.WriteFile(other, nil, 0o600))
	rec := &Recorder{Dir: dir, Profile: exampleCaliper(), From: "a test", Limit: 2000, Keep: 3}
	for i := range 500 {
		require.NoError(t, rec.Record(Heard{At: noon.Add(time.Duration(i) * time.Second), Mono: time.Duration(i) * time.Second, Bytes: []byte(good)}))
	}
	require.NoError(t, rec.Close())
	files, err := filepath.Glob(filepath.Join(dir, "caliper-1.*.capture"))
	require.NoError(t, err)
	require.Len(t, files, 3)
	for i, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		assert.LessOrEqual(t, len(text), 2000+64)
		assert.Equal(t, 1, strings.Count(string(text), "# removed: caliper-1."))
		if i > 0 {
			assert.Contains(t, string(text), "# continues: "+filepath.Base(files[i-1]))
		}
		capture, err := ReadCapture(strings.NewReader(string(text)))
		require.NoError(t, err)
		assert.Zero(t, capture.Events[0].At)
	}
	assert.FileExists(t, other, "another instrument's captures are its own")
}

// What the disk was too slow for is stated where it is missing.
func TestRecorderSaysWhatIsMissing(t *testing.T) {
	dir := t.TempDir()
	rec := &Recorder{Dir: dir, Profile: exampleCaliper()}
	require.NoError(t, rec.Record(Heard{At: noon, Bytes: []byte("a")}))
	require.NoError(t, rec.Record(Heard{At: noon, Mono: time.Second, Frame: &Frame{}}))
	require.NoError(t, rec.Record(Heard{At: noon, Mono: time.Second, Lost: 7, Bytes: []byte("b")}))
	require.NoError(t, rec.Close())
	files, err := filepath.Glob(filepath.Join(dir, "*.capture"))
	require.NoError(t, err)
	text, err := os.ReadFile(files[0])
	require.NoError(t, err)
	assert.Contains(t, string(text), "0 \"a\"\n# not recorded: 7 things before this line, because the disk was slower than the line\n1000 \"b\"\n")
}

func TestRecorderOnADiskThatFails(t *testing.T) {
	rec := &Recorder{Dir: filepath.Join(t.TempDir(), "missing"), Profile: exampleCaliper()}
	assert.ErrorContains(t, rec.Record(Heard{At: noon, Bytes: []byte("a")}), "cannot begin a capture")
	require.NoError(t, rec.Close())

	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	require.NoError(t, err)
	rec = &Recorder{Dir: t.TempDir(), Profile: exampleCaliper()}
	require.NoError(t, rec.Record(Heard{At: noon, Bytes: []byte("a")}))
	rec.file, rec.to = full, bufio.NewWriter(full)
	require.NoError(t, rec.Record(Heard{At: noon, Bytes: []byte("a")}))
	assert.ErrorContains(t, rec.Flush(), "no space left")
	assert.ErrorContains(t, rec.Close(), "no space left")
	require.NoError(t, rec.Close(), "it is closed already")
}

func TestSettingsInWords(t *testing.T) {
	assert.Equal(t, "4800 baud, 7 data bits, parity even, stop bits 2", settings(session.Line{Baud: 4800, DataBits: 7, Parity: "even", StopBits: "2"}))
	assert.Equal(t, "9600 baud, 8 data bits, parity none, stop bits 1", settings(session.Line{}))
}
