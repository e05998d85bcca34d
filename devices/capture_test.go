package devices

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// Each capture in testdata/captures has beside it, in .readings, what must be read;
// and most say in their header what values whoever wrote them put in.
func TestCaptures(t *testing.T) {
	files, err := filepath.Glob("../testdata/captures/*.capture")
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(files), 60)
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
func captureProfile(t *testing.T, c Capture) session.Profile {
	if c.Full != nil {
		return *c.Full
	}
	stream := streaming()
	stream.Name = "caliper-streaming"
	for _, p := range append(ExampleProfiles(), loneProfile(), stream) {
		if p.Name == c.Key("profile") {
			return p
		}
	}
	require.Fail(t, "no such profile", c.Key("profile"))
	return session.Profile{}
}

// play decodes a capture and writes what was read.
func play(t *testing.T, text string) string {
	capture, err := ReadCapture(strings.NewReader(text))
	require.NoError(t, err)
	for _, key := range []string{"what", "from", "profile"} {
		require.NotEmpty(t, capture.Key(key), "the header says nothing under %q", key)
	}
	var out strings.Builder
	var values []string
	c, err := capture.Replay(captureProfile(t, capture), noon, func(r session.Reading) {
		fmt.Fprintln(&out, line(r))
		if r.Fault == nil {
			values = append(values, brief([]session.Reading{r})...)
		}
	})
	require.NoError(t, err)
	require.Equal(t, c.Bytes, c.SoundBytes+c.Dropped)
	if truth := capture.Key("values"); truth != "" {
		require.Equal(t, truth, strings.Join(values, " "), "what whoever wrote the capture knows")
	}
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
	case r.Movement != nil:
		return fmt.Sprintf("%d movement %s mm: peak %s, trough %s, %d frames in %s", ms, r.Value, r.Movement.Peak, r.Movement.Trough, r.Movement.Frames, r.Movement.Span)
	}
	return fmt.Sprintf("%d %s %s (%s %s)", ms, r.Value, r.Kind.Quantity().Unit(), r.Text, r.Unit.Word())
}

func TestReadCapture(t *testing.T) {
	c, err := ReadCapture(strings.NewReader("# what: a test\n#profile: x\n\n0 unread \"a\"\n5 \"b\\n\" x 3\n# a remark: not a key\n8 take\n9 lost\n"))
	require.NoError(t, err)
	assert.Equal(t, "a test", c.Key("what"))
	assert.Equal(t, "x", c.Key("profile"))
	assert.Empty(t, c.Key("a remark"))
	var lines []string
	for _, e := range c.Events {
		lines = append(lines, e.String())
	}
	assert.Equal(t, []string{`0 unread "a"`, `5 "b\n"`, `6 "b\n"`, `7 "b\n"`, "8 take", "9 lost"}, lines)
}

func TestCapturesThatCannotBeRead(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"now \"a\"", `line 1 of the capture: "now" is no number of milliseconds`},
		{"-1 take", `"-1" is no number of milliseconds`},
		{"# x\n5 take\n4 take", "line 3 of the capture: it is earlier than the line before"},
		{"5 gather soon", `"gather soon" is no window`},
		{"5 gather 0", "is no window"},
		{"5 gatherer", "is no window"},
		{"5 give", `"give" is neither bytes`},
		{"5 'a'", "neither bytes in quotes"},
		{`5 "\q"`, "neither bytes in quotes"},
		{`5 "a" y 3`, "does not say how many times"},
		{`5 "a" x 0`, "does not say how many times"},
		{`5 "a" x 2000000`, "does not say how many times"},
		{`5 "` + strings.Repeat("a", 100) + `" x 1000000`, "too long"},
		{"5 \"" + strings.Repeat("a", 1<<20) + "\"", "cannot read the capture"},
		{`# profile in full: {"name":"a","colour":"blue"}`, "the profile is not what a profile is"},
	} {
		_, err := ReadCapture(strings.NewReader(c.text))
		assert.ErrorContains(t, err, c.want, "%.40s", c.text)
	}
}

func FuzzReadCapture(f *testing.F) {
	f.Add("# what: x\n# profile in full: {\"name\":\"a\",\"kind\":\"pedal\"}\n0 \"P\" x 2\n7 take\n9 lost\n")
	f.Add("0 unread \"\\x00\"\n")
	f.Fuzz(func(t *testing.T, text string) {
		c, err := ReadCapture(strings.NewReader(text))
		if err != nil || len(c.Events) > 1000 {
			return
		}
		var again strings.Builder
		for _, e := range c.Events {
			fmt.Fprintln(&again, e)
		}
		second, err := ReadCapture(strings.NewReader(again.String()))
		require.NoError(t, err)
		require.Equal(t, c.Events, second.Events)
	})
}
