package card

import (
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
	"shimwright/session/wording"
)

// A big job's card hands over two pages at most, and nothing is missing in its annex.
func TestACardInTwoParts(t *testing.T) {
	for _, name := range []string{"every-kind", "gearbox-three-shafts"} {
		j := recorded(t, name)
		d, err := compose(j)
		require.NoError(t, err)
		annex := slices.IndexFunc(d.Sections, func(s section) bool { return s.NewPage })
		require.Positive(t, annex, name)
		brief := d
		brief.Sections = d.Sections[:annex]
		s, err := brief.sheets(1, 9)
		require.NoError(t, err)
		assert.LessOrEqual(t, s.f.PageCount(), fewestPages, name)
		assert.LessOrEqual(t, pagesOf(printed(t, j)), mostPages, name)

		text := textOf(t, written(t, j))
		for _, a := range j.Snapshot.Advice {
			assert.Contains(t, text, a.Title)
			assert.Contains(t, text, "± "+a.Best.Expanded.String())
			assert.Contains(t, text, a.Best.Outcome)
		}
		for _, step := range j.Snapshot.Job.Steps {
			assert.Contains(t, text, step.Title)
			for _, caution := range step.Cautions {
				assert.Contains(t, text, caution)
			}
			if step.Confirmed != nil {
				assert.Contains(t, text, step.Confirmed.Note)
			}
		}
		assert.Contains(t, text, strings.Split(someCheckpoint, "\n")[2])
	}
}

// Every reading that was filed stands in the row of its step, and how it counts.
func TestRepeatsInRows(t *testing.T) {
	for _, name := range append(jobs(), "every-kind", "gearbox-three-shafts") {
		j := recorded(t, name)
		c := composer{l: wording.English, Job: j, job: *j.Snapshot.Job, readings: j.Snapshot.Readings}
		filed, shown := map[session.Standing]int{}, map[session.Standing]int{}
		for _, r := range j.Snapshot.Readings {
			if r.Standing != "" {
				filed[r.Standing]++
			}
		}
		for _, row := range c.readingsInBrief().Blocks[0].Rows {
			for _, one := range regexp.MustCompile(`, | \| `).Split(row[5], -1) {
				switch {
				case one == "":
				case one[0] == '(':
					shown[session.LeftOut]++
				case one[0] == '[':
					shown[session.StruckOut]++
				default:
					shown[session.Counted]++
				}
			}
		}
		for _, s := range j.Snapshot.Job.Steps { // pulls of screws stand in their own table
			if s.Screws != nil {
				for _, r := range j.Snapshot.Readings {
					if r.Step == s.Name && r.Standing != "" {
						filed[r.Standing]--
					}
				}
			}
		}
		for _, standing := range []session.Standing{session.Counted, session.LeftOut, session.StruckOut} {
			assert.Equal(t, filed[standing], shown[standing], "%s: %s", name, standing)
		}
	}
}
