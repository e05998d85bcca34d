package sqlite

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var (
	tampers    = flag.Int("tampers", 1, "of how many entries of each recorded job TestTampering tries every change; 0: of all")
	flips      = flag.Int("flips", 50, "how many bits TestFlippedBits flips; 0: every bit of 200 entries")
	clean      = flag.Int("clean", 50, "how many clean logs TestCleanLogs verifies")
	tamperSeed = flag.Uint64("tamper-seed", 0, "what the tests that tamper take as their seed; 0: another each time")
)

func seeded(t *testing.T) *rand.Rand {
	seed := *tamperSeed
	if seed == 0 {
		seed = rand.Uint64()
	}
	t.Logf("-tamper-seed %d", seed)
	return rand.New(rand.NewPCG(seed, 0))
}

// An attempt is one thing done to a log, and what must be said of it.
type attempt struct {
	name string
	log  *paper
	want Change
	// The entries to name; 0 as first: any.
	first, last int64
	of          int64
	field       string // the field to name, if any is named
}

func (a attempt) check(t *testing.T, o VerifyOptions) Report {
	t.Helper()
	report := a.log.against(t, o)
	found := slices.ContainsFunc(report.Damage, func(d Damage) bool {
		return d.Change == a.want && (a.first == 0 || d.First == a.first && d.Last == a.last) && d.Of == a.of &&
			(a.field == "" || d.Field == "" || d.Field == a.field)
	})
	assert.True(t, found, "%s: %s %d to %d is not named in\n%s", a.name, a.want, a.first, a.last, summary(report))
	assert.LessOrEqual(t, len(report.Damage), 3, "%s: what follows from one change is not reported as many\n%s", a.name, summary(report))
	return report
}

// Every change to every entry of the recorded jobs is found and located, with
// nothing but the file. (For a sample of the entries, unless -tampers 0.)
func TestTampering(t *testing.T) {
	random := seeded(t)
	for _, job := range []string{"bottom-end-mishaps", "change-of-mind", "gearbox-shaft"} {
		t.Run(job, func(t *testing.T) {
			p := recorded(t, job, random)
			require.Empty(t, p.examine(t).Damage)
			named, edited := 0, 0
			for _, seq := range sample(p.size(), *tampers, random) {
				for _, a := range fieldEdits(p, seq, random) {
					edited++
					if d := a.check(t, VerifyOptions{}).Damage; len(d) > 0 && d[0].Field != "" {
						named++
					} else {
						t.Log(a.name)
					}
				}
				for _, a := range p.attempts(seq, random) {
					a.check(t, VerifyOptions{})
				}
			}
			t.Logf("of %d edited fields, %d are named with what they were", edited, named)
			assert.Greater(t, named*10, edited*8, "most are named")
		})
	}
}

// sample picks n of the numbers from 1 to all, the last one always; 0: all of them.
func sample(all int64, n int, random *rand.Rand) (seqs []int64) {
	for seq := int64(1); seq <= all; seq++ {
		if n == 0 || seq == all || random.Int64N(all) < int64(n) {
			seqs = append(seqs, seq)
		}
	}
	return seqs
}

func fieldEdits(p *paper, seq int64, random *rand.Rand) (all []attempt) {
	const some = 20 // of the many of an advice
	for path, body := range edits(p.at(seq).body, random) {
		if *tampers > 0 && len(all) == some {
			return all
		}
		field := path
		if len(field) > 5 && field[:5] == "body." {
			field = field[5:]
		}
		all = append(all, attempt{name: fmt.Sprintf("entry %d, %s: %.300s", seq, path, body), log: p.withBody(seq, body),
			want: Edited, first: seq, last: seq, field: field})
	}
	return all
}

// attempts are the changes to an entry as a whole.
func (p *paper) attempts(seq int64, random *rand.Rand) (all []attempt) {
	removed, last := Removed, p.size()
	if seq == last {
		removed = TailCut
	}
	copied := 1 + random.Int64N(last)
	invented := p.at(copied)
	invented.body, _ = renumber([]byte(`{"seq":0,"run":1,"at":"2031-04-05T06:07:08.000000000Z","mono_ns":7,"door":"bench","kind":"port","body":{"instrument":"x","state":"live"}}`), seq)
	invented.job, invented.kind, invented.run = "", "port", 1
	for _, bodies := range []bool{false, true} {
		in := func(what string) string { return fmt.Sprintf("entry %d %s, renumbered %v", seq, what, bodies) }
		all = append(all,
			attempt{name: in("deleted"), log: p.without(seq, seq).numbered(bodies), want: removed, first: seq, last: seq},
			attempt{name: in("doubled"), log: p.with(seq+1, p.at(seq)).numbered(bodies), want: Duplicated, first: seq + 1, last: seq + 1, of: seq},
			attempt{name: in("invented"), log: p.with(seq, invented).numbered(bodies), want: Inserted, first: seq, last: seq},
		)
		if copied != seq && copied != seq-1 {
			all = append(all, attempt{name: in(fmt.Sprintf("a copy of %d", copied)), log: p.with(seq, p.at(copied)).numbered(bodies), want: Duplicated, of: copied})
		}
		if seq < last {
			all = append(all, attempt{name: in("swapped"), log: p.swapped(seq, bodies), want: Reordered, first: seq, last: seq + 1})
		}
	}
	all = append(all, attempt{name: fmt.Sprintf("entry %d deleted, gap left", seq), log: p.without(seq, seq), want: removed, first: seq, last: seq})
	if seq < last {
		cut := p.copy()
		cut.all = cut.all[:seq]
		all = append(all, attempt{name: fmt.Sprintf("cut after %d", seq), log: cut.listed(), want: TailCut, first: seq + 1, last: last})
	}
	return all
}

// Two logs spliced: the tail of another log in place of the own.
func TestSplicing(t *testing.T) {
	random := seeded(t)
	a, b := recorded(t, "bottom-end-mishaps", random), recorded(t, "change-of-mind", random)
	alike := int64(0) // both begin alike
	for string(a.at(alike+1).body) == string(b.at(alike+1).body) {
		alike++
	}
	for _, seq := range sample(min(a.size(), b.size())-2, *tampers, random) {
		if seq <= alike+1 {
			continue
		}
		c := a.copy()
		c.all = slices.Concat(a.all[:seq-1], b.all[seq-1:])
		attempt{name: fmt.Sprintf("entries of another log from %d", seq), log: c.listed(), want: Spliced, first: seq, last: c.size()}.check(t, VerifyOptions{})

		// With everything that belongs to them.
		c = a.cut(seq - 1)
		c.all = slices.Concat(c.all, b.all[seq-1:])
		all := b.nodes()
		c.hashes = []piece{{0, slices.Concat(slices.Concat(bodiesOf(c.hashes)...), all[len(slices.Concat(bodiesOf(c.hashes)...)):])}}
		for _, n := range b.notes {
			if n.size >= seq {
				c.notes = append(c.notes, n)
			}
		}
		report := c.listed().examine(t)
		assert.False(t, report.Sound(), "from %d", seq)
		last := report.Damage[0]
		assert.Contains(t, []Change{Spliced, Rebuilt}, last.Change, "from %d: %s", seq, summary(report))
		assert.LessOrEqual(t, last.First, seq)
		assert.GreaterOrEqual(t, last.Last, seq)
	}
}

// What only an outside checkpoint can show is shown with one; without one the
// report says how far the log is proved, and claims no more.
func TestWhatOnlyAnOutsideCheckpointShows(t *testing.T) {
	random := seeded(t)
	for _, job := range []string{"bottom-end-mishaps", "gearbox-shaft"} {
		p := recorded(t, job, random)
		theirs := newKey(t)
		for _, seq := range sample(p.signedUpTo()-1, *tampers, random) {
			seq = p.commit(seq)
			if seq >= p.signedUpTo() {
				continue
			}
			older := p.cut(seq)
			report := older.examine(t)
			assert.Empty(t, report.Damage, "cut after %d: %s", seq, summary(report))
			assert.LessOrEqual(t, report.Signed, seq)
			assert.Zero(t, report.Anchored)
			attempt{name: fmt.Sprintf("older copy of %d", seq), log: older, want: Older, first: seq + 1, last: p.signedUpTo()}.
				check(t, VerifyOptions{Outside: p.outside()})
			if len(older.notes) > 0 {
				attempt{name: fmt.Sprintf("older copy of %d, key given", seq), log: older, want: Older, first: seq + 1, last: p.signedUpTo()}.
					check(t, VerifyOptions{Outside: p.outside(), Keys: []string{p.public()}})
			}

			var body []byte
			for _, body = range edits(p.at(seq).body, random) {
				break
			}
			forged := p.withBody(seq, body).resigned(t, theirs)
			report = forged.against(t, VerifyOptions{Quick: true})
			assert.False(t, report.KeysGiven, "the keys are those of the file")
			assert.Equal(t, p.signedUpTo(), report.Signed)
			attempt{name: "signed anew", log: forged, want: OtherKey}.check(t, VerifyOptions{Outside: p.outside(), Quick: true})
			attempt{name: "signed anew, key given", log: forged, want: OtherKey, first: 1, last: p.signedUpTo()}.
				check(t, VerifyOptions{Keys: []string{p.public()}, Quick: true})
		}
	}
}

// Who has the key itself can rewrite everything but what is elsewhere.
func TestRewrittenWithTheOwnKey(t *testing.T) {
	random := seeded(t)
	k := newKey(t)
	p := inked(t, k, recordedEntries(t, "change-of-mind"), func() int { return 4 })
	first := Outside{Name: "an earlier card", Text: p.notes[0].text}
	for _, seq := range sample(p.signedUpTo(), *tampers, random) {
		for _, body := range edits(p.at(seq).body, random) {
			forged := p.withBody(seq, body).resigned(t, k)
			report := forged.against(t, VerifyOptions{Keys: []string{k.public}, Quick: true})
			assert.Equal(t, p.signedUpTo(), report.Signed)
			report = forged.against(t, VerifyOptions{Keys: []string{k.public}, Outside: append(p.outside(), first), Quick: true})
			from := int64(1)
			if seq > p.notes[0].size {
				from = p.notes[0].size + 1
				assert.Equal(t, p.notes[0].size, report.Anchored)
			}
			last := p.signedUpTo()
			if from == 1 {
				last = p.notes[0].size
			}
			assert.True(t, covers(report, Rewritten, from, last), "entry %d: %s", seq, summary(report))
			break
		}
	}
}

// Who makes the hashes anew but has no key is found by the checkpoints, and located
// between two of them at least.
func TestHashesMadeAnew(t *testing.T) {
	random := seeded(t)
	p := recorded(t, "bottom-end-mishaps", random)
	exact, all := 0, 0
	for _, seq := range sample(p.signedUpTo(), *tampers, random) {
		n := 0
		for _, body := range edits(p.at(seq).body, random) {
			if n++; n > 2 {
				break
			}
			report := p.withBody(seq, body).rebuilt().examine(t)
			all++
			if covers(report, Edited, seq, seq) {
				exact++
				continue
			}
			require.NotEmpty(t, report.Damage)
			d := report.Damage[0]
			assert.True(t, d.Change == Rebuilt && d.First <= seq && d.Last >= seq, "entry %d: %s", seq, summary(report))
		}
		report := p.without(seq, seq).numbered(true).rebuilt().examine(t)
		require.NotEmpty(t, report.Damage, "entry %d removed", seq)
		d := report.Damage[0]
		assert.True(t, (d.Change == Rebuilt || d.Change == TailCut && seq == p.size()) && d.First <= seq && d.Last >= seq, "entry %d removed: %s", seq, summary(report))
	}
	t.Logf("of %d edits, %d are named exactly", all, exact)
}

// Any flipped bit of an entry is found, and named as an edit of that entry.
func TestFlippedBits(t *testing.T) {
	random := seeded(t)
	p := recorded(t, "bottom-end-mishaps", random)
	flip := func(seq int64, bit int, named bool) {
		body := slices.Clone(p.at(seq).body)
		body[bit/8] ^= 1 << (bit % 8)
		report := p.withBody(seq, body).against(t, VerifyOptions{Quick: true, unrepaired: !named})
		require.True(t, covers(report, Edited, seq, seq), "entry %d, bit %d: %s", seq, bit, summary(report))
		require.True(t, !named || report.Damage[0].Field != "", "entry %d, bit %d: %s", seq, bit, summary(report))
	}
	if *flips > 0 {
		for range *flips {
			seq := 1 + random.Int64N(p.size())
			flip(seq, random.IntN(8*len(p.at(seq).body)), true)
		}
		return
	}
	const each = 61 // finding out what a long entry was takes long, so that is done for one bit in some
	located, named := 0, 0
	for _, seq := range sample(p.size(), 200, random) {
		for bit := range 8 * len(p.at(seq).body) {
			flip(seq, bit, bit%each == 0)
			located++
		}
		named += (8*len(p.at(seq).body) + each - 1) / each
		t.Logf("entry %d: %d bits flipped and located, %d of them named with what was there", seq, located, named)
	}
}

// No false alarm: logs of random jobs, restarts and batches, with the daemon on or
// off, with all the checkpoints they ever had as outside ones.
func TestCleanLogs(t *testing.T) {
	random := seeded(t)
	jobs := []string{"bottom-end-mishaps", "change-of-mind", "gearbox-shaft"}
	for range *clean {
		p := recorded(t, jobs[random.IntN(len(jobs))], random)
		o := VerifyOptions{Keys: []string{p.public()}}
		for _, n := range p.notes {
			o.Outside = append(o.Outside, Outside{Name: "a card", Text: n.text})
		}
		report := p.against(t, o)
		require.Empty(t, report.Damage)
		require.Equal(t, p.signedUpTo(), report.Anchored)
		p = p.cut(p.commit(1 + random.Int64N(p.size()))) // as it was at any moment
		require.Empty(t, p.examine(t).Damage)
	}
}
