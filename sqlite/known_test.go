package sqlite

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// What lies beside the entries that are gone, and what those are that were moved, is
// said as the log says it.
func TestDamageNamesWhatLiesBesideIt(t *testing.T) {
	p := recorded(t, "change-of-mind", rand.New(rand.NewPCG(1, 2)))
	is := func(seq int64) *Known {
		e, err := session.DecodeEntry(p.at(seq).body)
		require.NoError(t, err)
		return &Known{Seq: seq, Kind: e.Kind(), Job: e.Job, At: e.At}
	}
	only := func(r Report) Damage {
		require.Len(t, r.Damage, 1, summary(r))
		return r.Damage[0]
	}

	r := p.examine(t)
	assert.Equal(t, is(1), r.Oldest)
	assert.Equal(t, is(p.size()), r.Newest)

	gone := p.without(40, 42)
	for name, log := range map[string]*paper{"as they are": gone, "numbered anew": gone.numbered(true)} {
		d := only(log.examine(t))
		assert.Equal(t, Removed, d.Change, name)
		assert.Equal(t, is(39), d.Before, name)
		assert.Equal(t, is(43), d.After, name)
	}
	d := only(p.without(1, 1).examine(t))
	assert.Nil(t, d.Before)
	assert.Equal(t, is(2), d.After)

	d = only(p.without(61, p.size()).examine(t))
	assert.Equal(t, TailCut, d.Change)
	assert.Equal(t, is(60), d.Before)
	assert.Nil(t, d.After)

	d = only(p.swapped(30, true).examine(t))
	assert.Equal(t, Reordered, d.Change)
	assert.Equal(t, []Known{*is(31), *is(30)}, d.There)

	row := p.at(p.reading())
	row.body, _ = renumber(row.body, 50)
	d = only(p.with(50, row).numbered(true).examine(t))
	assert.Equal(t, Duplicated, d.Change)
	reading := is(p.reading())
	assert.Equal(t, []any{reading.Kind, reading.Job, reading.At}, []any{d.Kind, d.Job, d.At})
}

// A tail that the file itself shows to be cut is said once, as far as anything shows it.
func TestACutTailReachesAsFarAsACheckpointFromOutside(t *testing.T) {
	p := recorded(t, "change-of-mind", rand.New(rand.NewPCG(1, 2)))
	middle := p.notes[len(p.notes)-3].size
	half := p.cut(middle)
	for _, o := range []Outside{{Name: "card", Text: p.latest()}, {Name: "beside", Text: p.latest(), Beside: true}} {
		r := half.without(middle-2, middle).against(t, VerifyOptions{Outside: []Outside{o}})
		require.Len(t, r.Damage, 1, summary(r))
		d := r.Damage[0]
		assert.Equal(t, []any{TailCut, middle - 2, p.size(), o.Name}, []any{d.Change, d.First, d.Last, d.Source})
	}
}

// A checkpoint beside the log finds what one from elsewhere does, and proves less.
func TestACheckpointBesideTheLogIsNotTakenForOneKeptElsewhere(t *testing.T) {
	p := recorded(t, "change-of-mind", rand.New(rand.NewPCG(1, 2)))
	beside := Outside{Name: "bench-1.checkpoint", Text: p.latest(), Beside: true}
	r := p.against(t, VerifyOptions{Outside: []Outside{beside}})
	assert.True(t, r.Sound(), summary(r))
	assert.Equal(t, p.size(), r.Beside)
	assert.Zero(t, r.Anchored)
	assert.Equal(t, []Matched{{Name: beside.Name, Size: p.size(), Matches: true, Beside: true}}, r.Outside)

	older := p.cut(p.notes[1].size)
	r = older.against(t, VerifyOptions{Outside: []Outside{beside}})
	require.Len(t, r.Damage, 1, summary(r))
	assert.Equal(t, Older, r.Damage[0].Change)
	assert.Equal(t, r.Newest, r.Damage[0].Before)
	assert.Zero(t, r.Beside)
}
