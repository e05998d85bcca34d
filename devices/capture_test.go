package devices

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// A capture is a text file: a header of lines "# key: value" (what, from, profile),
// then one line for each chunk of bytes: milliseconds and the bytes quoted, with
// "x N" behind for N times the same, one a millisecond; or milliseconds and the
// word take. Beside it, .readings has what must be read, one line each.
func TestCaptures(t *testing.T) {
	files, err := filepath.Glob("../testdata/captures/*.capture")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".capture"), func(t *testing.T) {
			text, err := os.ReadFile(file)
			require.NoError(t, err)
			got := play(t, string(text))
			golden(t, filepath.Join("..", "..", "testdata", "captures", strings.TrimSuffix(filepath.Base(file), ".capture")+".readings"), got)
		})
	}
}

// captureProfile finds the profile that a capture names.
func captureProfile(t *testing.T, name string) session.Profile {
	for _, p := range append(ExampleProfiles(), loneProfile()) {
		if p.Name == name {
			return p
		}
	}
	stream := streaming()
	stream.Name = "caliper-streaming"
	require.Equal(t, stream.Name, name)
	return stream
}

// play decodes a capture, waking the decoder as an instrument does.
func play(t *testing.T, text string) string {
	var d *Decoder
	var out strings.Builder
	note := func(readings []session.Reading) {
		for _, r := range readings {
			fmt.Fprintln(&out, line(r))
		}
	}
	now := time.Duration(0)
	until := func(at time.Duration) {
		for wake, ok := d.Next(); ok && wake <= at; wake, ok = d.Next() {
			note(quiet(d, wake))
		}
		now = at
	}
	for n, row := range strings.Split(strings.TrimSpace(text), "\n") {
		if name, ok := strings.CutPrefix(row, "# profile: "); ok {
			d = decoder(t, captureProfile(t, name))
		}
		if strings.HasPrefix(row, "#") {
			continue
		}
		ms, what, _ := strings.Cut(row, " ")
		at, err := strconv.Atoi(ms)
		require.NoError(t, err, "row %d", n+1)
		until(time.Duration(at) * time.Millisecond)
		if what == "take" {
			require.NoError(t, d.Take(now, now))
			continue
		}
		quoted, err := strconv.QuotedPrefix(what)
		require.NoError(t, err, "row %d", n+1)
		b, err := strconv.Unquote(quoted)
		require.NoError(t, err, "row %d", n+1)
		times := 1
		if many, ok := strings.CutPrefix(what[len(quoted):], " x "); ok {
			times, err = strconv.Atoi(many)
			require.NoError(t, err, "row %d", n+1)
		}
		for range times {
			until(now)
			note(feed(d, b, now))
			now += time.Millisecond
		}
	}
	until(now + 3*time.Second)
	c := d.Counters()
	require.Equal(t, c.Bytes, c.SoundBytes+c.Dropped)
	fmt.Fprintf(&out, "bytes %d, in sound frames %d, dropped %d; frames %d, bad %d, not asked for %d\n", c.Bytes, c.SoundBytes, c.Dropped, c.Frames, c.Bad, c.NotAsked)
	return out.String()
}

// line writes a reading in one line.
func line(r session.Reading) string {
	ms := r.Mono.Milliseconds()
	switch {
	case r.Fault != nil:
		return fmt.Sprintf("%d %s, %d bytes: %s", ms, r.Fault.Code, r.Fault.Bytes, r.Fault.Detail)
	case r.Kind == session.Pedal:
		return fmt.Sprintf("%d press", ms)
	}
	return fmt.Sprintf("%d %s mm (%s %s)", ms, r.Value, r.Text, r.Unit.Word())
}
