package session

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var record = flag.Bool("record", false, "write the recorded jobs anew from their scripts")

// scriptLine is one line of a job's script: a press of an instrument, a port event or a
// command, some time after the line before.
type scriptLine struct {
	AfterMS int          `json:"after_ms"`
	Press   *press       `json:"press,omitempty"`
	Port    *PortChanged `json:"port,omitempty"`
	Command *Command     `json:"command,omitempty"`
	Plan    string       `json:"plan_file,omitempty"`        // of a begin, in testdata/plans
	Restart bool         `json:"restart,omitempty"`          // the daemon starts again
	Refused string       `json:"refused,omitempty"`          // the code of the refusal that must come
	More    bool         `json:"more_instruments,omitempty"` // in the first line: there is a thermometer and a torque wrench
	Gauges  bool         `json:"gauges,omitempty"`           // and a bore gauge and a dial indicator
}

type press struct {
	Instrument string `json:"instrument"`
	Kind       Kind   `json:"kind"`
	Value      string `json:"value,omitempty"`
	Peak       string `json:"peak,omitempty"` // of the movement in a window, with its trough, instead
	Trough     string `json:"trough,omitempty"`
}

// reading is what the press sends at a time of the rig's clock.
func (p press) reading(c *fakeClock) Reading {
	r := Reading{Instrument: p.Instrument, Kind: p.Kind, Text: p.Value, Unit: p.Kind.Quantity().Unit(), Raw: Raw(p.Value + "\r\n"), At: c.wall, Mono: c.mono}
	if p.Peak == "" {
		r.Value = mm(p.Value)
		return r
	}
	r.Movement = &Movement{Peak: mm(p.Peak), Trough: mm(p.Trough), Frames: 3, Span: time.Second}
	r.Value, r.Raw = Num(r.Movement.Peak.Sub(r.Movement.Trough.Decimal)), Raw(p.Peak+"\n"+p.Peak+"\n"+p.Trough+"\n")
	return r
}

// gauges are what the inspection of an engine needs beside the others.
func gauges() []Profile {
	return []Profile{
		{Name: "bore-gauge-1", Kind: Micrometer, Trigger: OnPress, Resolution: mm("0.001"), Repeatability: mm("0.0015"), Permissible: map[Use]Number{Inside: mm("0.004")}},
		{Name: "dial-1", Kind: DialIndicator, Trigger: Streaming, Resolution: mm("0.001"), Repeatability: mm("0.0015"), Permissible: map[Use]Number{StepUse: mm("0.004"), GapCheck: mm("0.004")}},
	}
}

// TestRecordedJobs plays each script in testdata/jobs. The entries must be those
// recorded, byte for byte, and the log cut after any transaction must fold to the
// very snapshot that was shown then.
func TestRecordedJobs(t *testing.T) {
	scripts, err := filepath.Glob("../testdata/jobs/*/script.jsonl")
	require.NoError(t, err)
	require.NotEmpty(t, scripts)
	for _, script := range scripts {
		folder := filepath.Dir(script)
		t.Run(filepath.Base(folder), func(t *testing.T) { playJob(t, folder) })
	}
}

func playJob(t *testing.T, folder string) {
	text, err := os.ReadFile(filepath.Join(folder, "script.jsonl"))
	require.NoError(t, err)
	var first scriptLine
	line, _, _ := bytes.Cut(text, []byte("\n"))
	require.NoError(t, decodeStrictly(line, &first))
	var more []Profile
	if first.More {
		more = otherQuantities()
	}
	if first.Gauges {
		more = append(more, gauges()...)
	}
	r := newRig(t, more...)
	shown := map[int]string{len(r.log.texts): shownNow(t, r)} // entries so far: hash of the snapshot
	for lines := bufio.NewScanner(bytes.NewReader(text)); lines.Scan(); {
		var a scriptLine
		require.NoError(t, decodeStrictly(lines.Bytes(), &a), lines.Text())
		r.act(a)
		shown[len(r.log.texts)] = shownNow(t, r)
	}
	r.requireRecorded(filepath.Join(folder, "entries.jsonl"), bytes.Join(r.log.texts, []byte("\n")))
	r.requireRecorded(filepath.Join(folder, "snapshot.json"), []byte(asJSON(t, r.bench.Snapshot())))
	for n := range len(r.log.texts) + 1 {
		s := NewState(theMethod)
		require.NoError(t, r.log.replay(n)(s.Apply))
		if want, ok := shown[n]; ok {
			require.Equal(t, want, hash(asJSON(t, s.Snapshot())), "after %d entries", n)
		}
	}
}

func shownNow(t *testing.T, r *rig) string { return hash(asJSON(t, r.bench.Snapshot())) }

func hash(text string) string { return fmt.Sprintf("%x", sha256.Sum256([]byte(text))) }

func (r *rig) act(a scriptLine) {
	r.t.Helper()
	r.clock.move(time.Duration(a.AfterMS) * time.Millisecond)
	switch {
	case a.Restart:
		r.start()
	case a.Port != nil:
		_, err := r.bench.Submit(context.Background(), *a.Port)
		require.NoError(r.t, err)
	case a.Press != nil:
		_, err := r.bench.Submit(context.Background(), a.Press.reading(r.clock))
		require.NoError(r.t, err)
	default:
		if a.Plan != "" {
			a.Command.Plan = readPlanFile(r.t, a.Plan)
		}
		if a.Refused != "" {
			require.Equal(r.t, a.Refused, r.refused(*a.Command))
			return
		}
		_, err := r.bench.Submit(context.Background(), *a.Command)
		require.NoError(r.t, err)
	}
}

func (r *rig) requireRecorded(file string, got []byte) {
	r.t.Helper()
	got = append(got, '\n')
	if *record {
		require.NoError(r.t, os.WriteFile(file, got, 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(r.t, err)
	require.Equal(r.t, strings.Split(string(want), "\n"), strings.Split(string(got), "\n"), "%s; if the change is meant, run with -record and explain it in the commit", file)
}

// TestWhatARecordedLogAdvisedIsWhatItsReadingsGive works every advice of the
// recorded jobs out again from the entries before it.
func TestWhatARecordedLogAdvisedIsWhatItsReadingsGive(t *testing.T) {
	logs, err := filepath.Glob("../testdata/jobs/*/entries.jsonl")
	require.NoError(t, err)
	for _, file := range logs {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		s, advised := NewState(theMethod), 0
		for _, line := range bytes.Split(bytes.TrimSpace(text), []byte("\n")) {
			e, err := DecodeEntry(line)
			require.NoError(t, err)
			if b, ok := e.Body.(Advised); ok {
				i := 0
				for s.job.plan.Chains[i].Name != b.Advice.Chain {
					i++
				}
				again, err := s.job.advise(i)
				require.NoError(t, err)
				require.Equal(t, asJSON(t, b.Advice), asJSON(t, again), "%s, entry %d", file, e.Seq)
				advised++
			}
			require.NoError(t, s.Apply(e))
			var any map[string]json.RawMessage
			require.NoError(t, json.Unmarshal(line, &any))
		}
		require.True(t, advised > 0 || len(s.job.plan.Chains) == 0, file)
	}
}
