package wording

import (
	"maps"
	"path"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
	"shimwright/testdata/plans"
)

// examples are the example plans as every choice among their answers makes them.
func examples(t *testing.T) map[string][]session.Plan {
	t.Helper()
	files, err := plans.Files.ReadDir(".")
	require.NoError(t, err)
	all := map[string][]session.Plan{}
	for _, f := range files {
		if path.Ext(f.Name()) != ".toml" {
			continue
		}
		text, err := plans.Files.ReadFile(f.Name())
		require.NoError(t, err)
		text, err = session.ResolvePlan(f.Name(), text, plans.Files.ReadFile)
		require.NoError(t, err)
		for _, answers := range answered(session.Questions(text)) {
			told, no := session.Answer(text, answers)
			require.Nil(t, no)
			p, err := session.ReadPlan(f.Name(), told)
			require.NoError(t, err)
			p.Asks = session.Questions(text)
			all[f.Name()] = append(all[f.Name()], p)
		}
	}
	return all
}

// answered combines the answers to questions: each choice, and the example of the others.
func answered(questions []session.Ask) []map[string]string {
	all := []map[string]string{{}}
	for _, q := range questions {
		labels := []string{q.Example}
		if len(q.Choices) > 0 && strings.Contains(q.Choices[0], ": ") { // a value; the plan is the same
			labels[0] = q.Choices[0]
		} else if len(q.Choices) > 0 {
			labels = q.Choices
		}
		var more []map[string]string
		for _, answers := range all {
			for _, label := range labels {
				one := maps.Clone(answers)
				one[q.Name] = label
				more = append(more, one)
			}
		}
		all = more
	}
	return all
}

// textsOf are the words of a plan that a person reads, and the names by which reasons
// and rulings call its steps, chains, bearings and parts.
func textsOf(p session.Plan) []string {
	all := append([]string{p.Title}, p.Cautions...)
	for _, q := range p.Asks {
		all = append(all, q.Question)
		for _, c := range q.Choices {
			label, _, _ := strings.Cut(c, ": ")
			all = append(all, label)
		}
	}
	for _, part := range p.Parts {
		all = append(all, part.Name, part.Title)
	}
	for _, s := range p.Steps {
		all = append(all, s.Name, s.Feature, s.Title, s.Do, s.Measure, s.Where, s.Side, s.Section, s.Candidate)
		all = append(all, strings.TrimSuffix(s.Title, ", "+s.Candidate)) // a row of what compares them
		all = append(all, s.Cautions...)
		letter := func(name string) bool { return len(name) == 1 } // of a screw, on the page and on the case
		all = append(all, slices.DeleteFunc(slices.Clone(s.Places), letter)...)
		for _, screw := range s.Screws {
			all = append(all, screw.At)
			if !letter(screw.Name) {
				all = append(all, screw.Name)
			}
		}
	}
	for _, c := range p.Chains {
		all = append(all, c.Name, c.Title)
		for _, term := range c.Terms {
			all = append(all, term.Name)
		}
		for _, side := range c.Sides {
			all = append(all, side.Name)
		}
	}
	for _, b := range p.Bearings {
		all = append(all, b.Name)
	}
	for _, c := range p.Choices {
		all = append(append(all, c.Title), c.Candidates...)
	}
	for _, s := range p.Seats {
		all = append(all, s.Title)
		for _, limit := range s.Limits {
			all = append(all, limit.Name)
		}
	}
	return slices.DeleteFunc(all, func(text string) bool { return text == "" })
}

func TestTheExamplePlansAreTranslated(t *testing.T) {
	folder, err := plans.Files.ReadDir("words")
	require.NoError(t, err)
	require.NotEmpty(t, folder)
	read := map[string]string{}
	for file, all := range examples(t) {
		for _, p := range all {
			for _, text := range textsOf(p) {
				read[text] = file
			}
		}
	}
	require.Greater(t, len(read), 250)
	for _, f := range folder {
		text, err := plans.Files.ReadFile("words/" + f.Name())
		require.NoError(t, err)
		words := Languages{}
		require.NoError(t, words.add(text))
		l := words[strings.TrimSuffix(f.Name(), ".json")]
		require.NotNil(t, l, f.Name())
		for _, text := range slices.Sorted(maps.Keys(read)) {
			assert.NotEmpty(t, l.words.Plans[text].text, "%s lacks %q of %s", f.Name(), text, read[text])
		}
		for text := range l.words.Plans {
			assert.Contains(t, read, text, "%s translates what no plan says", f.Name())
		}
	}
}
