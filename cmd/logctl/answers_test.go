package main

import (
	"bufio"
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

var oldMillPump = []string{"engine=old mill pump", "least=0.08", "most=0.25", "aim=0.15", "case=cast iron", "shaft=steel", "bar=no", "gasket=no", "crush=0", "bearings=no", "play=0", "stock=shaft-20"}

func command(args ...string) (int, string, string) {
	var out, errs bytes.Buffer
	code := run(args, strings.NewReader(""), &out, &errs, func(string) string { return "" })
	return code, strings.Join(strings.Fields(out.String()), " "), strings.Join(strings.Fields(errs.String()), " ")
}

func TestAPlanIsMadeByQuestions(t *testing.T) {
	file := filepath.Join(t.TempDir(), "old-mill-pump.toml")
	code, _, said := command("plan", "new", "-o", file)
	require.Equal(t, int(exitUsage), code)
	assert.Contains(t, said, "--answer least=0.10 Smallest end float that its maker permits, in mm")
	assert.Contains(t, said, "answer each with --answer")
	args := []string{"plan", "new"}
	for _, a := range oldMillPump {
		args = append(args, "--answer", a)
	}
	code, _, said = command(args...)
	require.Equal(t, int(exitUsage), code, said)
	assert.Contains(t, said, "say where to write the plan")
	code, out, said := command(append(args, "-o", file)...)
	require.Zero(t, code, said)
	assert.Contains(t, out, "is written")
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	plan, err := session.ReadPlan(file, text)
	require.NoError(t, err)
	assert.Equal(t, "old mill pump", plan.Title)
	assert.Equal(t, "11", plan.Parts[1].Expansion.String())
	assert.Empty(t, session.Questions(text))
	code, _, said = command(append(args, "-o", file)...)
	require.Equal(t, int(exitFailed), code)
	assert.Contains(t, said, "is there already")
	code, _, said = command(append(args, "-o", file, "--answer", "bar")...)
	require.Equal(t, int(exitUsage), code)
	assert.Contains(t, said, "write NAME=ANSWER")
	code, _, said = command(append(args, "-o", file+"2", "--answer", "bar=perhaps")...)
	require.Equal(t, int(exitUsage), code)
	assert.Contains(t, said, "choose one of yes, no")
}

// A person at a terminal is asked, again where the answer cannot be.
func TestAPersonIsAsked(t *testing.T) {
	person, terminal, err := pty.Open()
	require.NoError(t, err)
	defer person.Close()
	defer terminal.Close()
	file := filepath.Join(t.TempDir(), "plan.toml")
	ended := make(chan int, 1)
	var errs bytes.Buffer
	go func() {
		ended <- run([]string{"plan", "new", "-o", file}, terminal, terminal, &errs, func(string) string { return "" })
	}()
	from := bufio.NewReader(person)
	prompt := func() {
		_, err := from.ReadString('>')
		require.NoError(t, err)
	}
	for _, answer := range []string{"old mill pump", "0.08", "0.25", "0.15", "bronze", "cast iron", "steel", "no", "no", "0", "", "no", "", "0", "", "shaft-20"} {
		prompt()
		_, err := person.WriteString(answer + "\n")
		require.NoError(t, err)
	}
	require.Zero(t, <-ended, errs.String())
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Contains(t, string(text), `least = "0.08"`)
}
