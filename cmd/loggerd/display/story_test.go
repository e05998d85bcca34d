package display

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
	"shimwright/session/wording"
)

func server(t testing.TB) *Server {
	t.Helper()
	s, err := New(Config{Mailbox: newBench().subscribe, Software: "test"})
	require.NoError(t, err)
	return s
}

func TestStory(t *testing.T) {
	v := bottomEnd(t, 2)
	v.Readings[1].Standing, v.Readings[1].Operator, v.Readings[1].Typed = session.StruckOut, "Mo", true
	e := server(t).storyEvent(wording.English, v)
	assert.Equal(t, []string{"bench-1", "Water-pump engine, bottom end", "job 1"}, e.Job)
	require.Len(t, e.Steps, 8)
	assert.Equal(t, "Step 3 of 8: Crank over the shim seats.", e.Steps[2].Title)
	require.Len(t, e.Steps[2].Places, 2)
	assert.Equal(t, "2 counted, mean 52.56 mm", e.Steps[2].Places[0].Count)
	assert.Contains(t, e.Steps[2].Places[0].Strip.SVG, "<svg")
	assert.Contains(t, e.Steps[2].Places[0].Strip.Alt, "52.56 mm (typed), 52.56 mm (typed).")
	assert.Empty(t, e.Steps[7].Places)
	require.Len(t, e.Rows, len(v.Readings))
	last := e.Rows[len(e.Rows)-2]
	assert.Equal(t, v.Readings[1].Seq, last.Seq, "the latest comes first")
	assert.Equal(t, "struck out", last.Standing)
	assert.True(t, last.Gone)
	assert.Equal(t, v.Readings[1].Instrument+", Mo, typed", last.From)
	require.Len(t, e.Advice, 1)
	assert.Contains(t, e.Advice[0].Text, "still to measure")
	assert.Empty(t, e.Doubt)

	v.Recording.OK = false
	assert.Contains(t, server(t).storyEvent(wording.English, v).Doubt, "not being recorded")
	v.Job = nil
	assert.Equal(t, []string{"bench-1"}, server(t).storyEvent(wording.English, v).Job)
}

// Readings that belong to no job, or to another, are not of this job's story.
func TestAStoryIsOfOneJob(t *testing.T) {
	v := bottomEnd(t, 1)
	v.Readings = append(v.Readings, session.ReadingView{Seq: 900, Value: number(t, "1.00"), Ruling: session.NoStep})
	for _, row := range server(t).storyEvent(wording.English, v).Rows {
		assert.NotEqualValues(t, 900, row.Seq)
	}
}

func TestWall(t *testing.T) {
	v := gearbox(t, 3)
	last := v.Readings[len(v.Readings)-1]
	e := server(t).wallEvent(wording.English, []WallBench{
		{Name: "bench-1", Job: v.Job, Step: v.Step, Advice: v.Advice, Reading: &last},
		{Name: "bench-2", Doubt: Doubt{Code: Gone}, Job: v.Job, Advice: v.Advice, Reading: &last},
		{Name: "bench-3"},
	})
	assert.Equal(t, "test", e.Software)
	b := e.Benches[0]
	assert.Equal(t, "Step 3 of 3: Cover, joint face to bearing", b.Step)
	assert.Equal(t, "depth gauge", b.Tool)
	assert.Equal(t, "14.62", b.Last.Value)
	assert.Equal(t, "0.220", b.Advice[0].Float)
	assert.Equal(t, wallBench{Name: "bench-2", Doubt: "It is gone; its connection ended without a word."}, e.Benches[1], "what is in doubt shows no number")
	assert.Equal(t, wallBench{Name: "bench-3", Job: "No job is open"}, e.Benches[2])
}

// Whatever can be published at a broker makes no wall fall.
func FuzzWall(f *testing.F) {
	f.Add([]byte(`{"job":{"steps":[{"places":[]}]},"step":{"places":[]},"advice":[{"state":"provisional","best":{"packs":[{},{}]}}],"reading":{"seq":9}}`))
	f.Add([]byte(`{"Job":{"steps":null},"Advice":[{"gap_mm":"1.00","next":[{}],"best":{"outcome":"shown inside","chance":{}},"evidence":{},"budget":{}}]}`))
	s := server(f)
	f.Fuzz(func(t *testing.T, text []byte) {
		var b WallBench
		if json.Unmarshal(text, &b) != nil {
			return
		}
		require.Len(t, s.wallEvent(wording.English, []WallBench{b}).Benches, 1)
	})
}
