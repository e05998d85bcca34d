package wording

import (
	"bytes"
	"cmp"
	"encoding/json"
	"flag"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shimwright/calc"
	"shimwright/session"
)

var update = flag.Bool("update", false, "write the golden anew")

// recorded goes through the recorded jobs and shows each entry with the snapshot after it.
func recorded(t *testing.T, show func(job string, e session.Entry, s session.Snapshot)) {
	t.Helper()
	logs, err := filepath.Glob("../../testdata/jobs/*/entries.jsonl")
	require.NoError(t, err)
	require.NotEmpty(t, logs)
	for _, log := range logs {
		text, err := os.ReadFile(log)
		require.NoError(t, err)
		state := session.NewState(calc.NewMethod())
		for _, line := range bytes.Split(bytes.TrimSpace(text), []byte("\n")) {
			e, err := session.DecodeEntry(line)
			require.NoError(t, err)
			require.NoError(t, state.Apply(e))
			show(filepath.Base(filepath.Dir(log)), e, state.Snapshot())
		}
	}
}

// shown is everything that a language says of a snapshot, in an order that does not hang
// on the language.
func shown(l *Language, s session.Snapshot) (said []string) {
	say := func(texts ...string) { said = append(said, texts...) }
	for _, in := range s.Instruments {
		say(l.Instrument(in), l.Health(in, time.UTC))
	}
	if s.Step != nil {
		say(l.Step(*s.Step), l.Now(*s.Step), l.Beside(*s.Step))
	}
	if s.Job != nil {
		for _, step := range s.Job.Steps {
			say(l.Progress(step), l.State(step), l.Heat(step.Heat))
			for _, f := range step.Findings {
				say(l.Finding(f))
			}
			if step.Screws != nil {
				for _, screw := range step.Screws.Screws {
					say(l.Screw(screw, step.Screws.K))
				}
			}
			if step.Compare != nil {
				say(l.Choice(*step.Compare))
				for _, row := range l.Comparison(*step.Compare) {
					say(strings.Join(row, " | "))
				}
			}
		}
		for _, f := range s.Job.Fitted {
			say(l.Fitted(f))
		}
	}
	for _, a := range s.Advice {
		say(shownOfAdvice(l, a)...)
	}
	for _, fit := range s.Fits {
		say(l.Seat(fit))
	}
	for _, r := range s.Readings {
		say(l.Ruling(r), l.Verdict(r), l.Measured(r))
	}
	return said
}

func shownOfAdvice(l *Language, a session.Advice) (said []string) {
	below, above := l.Sides(a)
	said = append(said, l.Headline(a), l.Why(a), l.Unfinished(a), l.Outcome(a), l.NextStep(a), l.Window(a), l.Sum(a), below, above)
	if a.Best != nil {
		for _, row := range l.FitRows(*a.Best) {
			said = append(said, strings.Join(row, " | "))
		}
	}
	for _, n := range a.Next {
		said = append(said, l.Act(n))
	}
	for _, c := range a.Corrections {
		said = append(said, l.Correction(c), l.Corrected(c, c.Term))
	}
	for _, r := range a.Barred {
		said = append(said, l.NotStated(r))
	}
	for _, r := range a.Assumed {
		said = append(said, l.Assumed(r))
	}
	return said
}

// digits are left out when it is asked whether a sentence has been shown already.
var digits = regexp.MustCompile(`[0-9]+([.,][0-9]+)?`)

// The golden has what is said in the recorded jobs, in English and in German, once for
// each way it is put together, whatever its numbers and its words of the plan. Those stay
// English, for the catalogue of a plan is the shop's.
func TestRecordedJobsInGerman(t *testing.T) {
	all, err := Load()
	require.NoError(t, err)
	german := all["de"]
	var golden strings.Builder
	starred, known, last := newStars(t), map[string]bool{}, ""
	recorded(t, func(job string, e session.Entry, s session.Snapshot) {
		starred.learn(t, e)
		english, shapes := shown(English, s), shown(starred.Language, s)
		for i, text := range shown(german, s) {
			shape := digits.ReplaceAllString(shapes[i], "0")
			if text == "" || known[shape] {
				continue
			}
			if known[shape] = true; job != last {
				golden.WriteString("# " + job + "\n\n")
				last = job
			}
			golden.WriteString(english[i] + "\n" + text + "\n\n")
		}
	})
	Golden(t, "jobs.txt", golden.String())
}

// Golden holds a text against a file of testdata.
func Golden(t *testing.T, name, got string) {
	t.Helper()
	name = filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll(filepath.Dir(name), 0o755))
		require.NoError(t, os.WriteFile(name, []byte(got), 0o644))
	}
	want, err := os.ReadFile(name)
	require.NoError(t, err)
	require.Equal(t, strings.Split(string(want), "\n"), strings.Split(got, "\n"), "run with -update, and look at what has changed")
}

// Every reason, finding and act that has parameters, with what such parameters look like.
func TestReasonsInGerman(t *testing.T) {
	all, err := Load()
	require.NoError(t, err)
	like := map[string]string{
		"instrument": "depth-1", "step": "pump-depth", "before": "bar-thickness", "wanted": "depth gauge", "got": "caliper", "use": "depth", "least": "0.70",
		"points": "zero, certificate", "errors": "0.01, 0.03", "readings": "12, 13", "bearing": "pump-bearing", "way": "check gap", "part": "pump-half", "term": "gasket",
		"place": "0", "due": "2026-05-01", "unit_shown": "in", "from": "mm", "to": "in", "bounds": "12,00 bis 12,20 mm", "note": "a note", "reason": "a reason", "why": "a reason",
		"candidate": "old", "other": "spare", "choice": "crank", "feature": "bend", "chain": "crank-float", "fit": "pump-ring", "name": "seal", "left": "2 min", "screw": "3", "of": "pump-half",
		"repeats": "8", "reading": "12", "count": "2", "wait_minutes": "30", "rod": "rod", "axis": "axis", "point": "zero", "en": "1.20", "celsius": "96.5",
	}
	var golden strings.Builder
	for _, key := range slices.Sorted(maps.Keys(sentences(t))) {
		params := map[string]string{}
		for _, slot := range slots.FindAllString(key, -1) {
			name, _, _ := strings.Cut(strings.Trim(slot, "{}"), ":")
			params[name] = cmp.Or(like[name], "0.25")
		}
		if len(params) == 0 {
			continue
		}
		for _, l := range []*Language{English, all["de"]} {
			text, ok := l.fill(l.Text(key), params)
			require.True(t, ok, key)
			golden.WriteString(text + "\n")
		}
		golden.WriteString("\n")
	}
	Golden(t, "reasons.txt", golden.String())
}

// kept is what stays of a pattern in the language of stars: its verbs and names.
var kept = regexp.MustCompile(`%[-+# 0-9.\[\]]*[a-z%]|\{[^}]*\}`)

// starLanguage writes stars for everything that its catalogue has, and for words of plans.
type starLanguage struct{ *Language }

func newStars(t *testing.T) starLanguage {
	l := &Language{tag: English.tag, words: catalogue{DecimalMark: "~", Sentences: map[string]pattern{}, Plans: map[string]pattern{}}}
	for key := range sentences(t) {
		l.words.Sentences[key] = pattern{text: stars(key)}
	}
	return starLanguage{l}
}

// learn takes up the words of a plan, where an entry has one. The title of what candidates
// are compared in is cut short before their name.
func (l starLanguage) learn(t *testing.T, e session.Entry) {
	b, ok := e.Body.(session.Began)
	if !ok {
		return
	}
	plan, err := session.ReadPlan("plan", []byte(b.Plan))
	require.NoError(t, err)
	for _, word := range leaves(t, plan) {
		l.words.Plans[word] = pattern{text: "*"}
		if i := strings.LastIndex(word, ", "); i > 0 {
			l.words.Plans[word[:i]] = pattern{text: "*"}
		}
	}
}

// stars writes a star for each letter and digit of a pattern.
func stars(pattern string) string {
	var b strings.Builder
	from := 0
	blank := func(text string) {
		for _, r := range text {
			if r != ' ' {
				r = '*'
			}
			b.WriteRune(r)
		}
	}
	for _, at := range kept.FindAllStringIndex(pattern, -1) {
		blank(pattern[from:at[0]])
		b.WriteString(pattern[at[0]:at[1]])
		from = at[1]
	}
	blank(pattern[from:])
	return b.String()
}

// leaves are the strings of a value as JSON has it, under any of the names, or all of them.
func leaves(t *testing.T, v any, names ...string) (found []string) {
	t.Helper()
	text, err := json.Marshal(v)
	require.NoError(t, err)
	var any any
	require.NoError(t, json.Unmarshal(text, &any))
	return leavesOf(any, "", names)
}

func leavesOf(v any, name string, names []string) (found []string) {
	switch x := v.(type) {
	case string:
		if x != "" && (len(names) == 0 || slices.Contains(names, name)) {
			found = append(found, x)
		}
	case []any:
		for _, part := range x {
			found = append(found, leavesOf(part, name, names)...)
		}
	case map[string]any:
		for key, part := range x {
			found = append(found, leavesOf(part, key, names)...)
		}
	}
	return found
}

// In the language of stars letters are left only in units, in names that people gave and in
// what they wrote. Any other letter is English that no catalogue can change, and a point
// between digits is a number that has not learnt its decimal mark.
func TestNothingIsSaidPastTheCatalogue(t *testing.T) {
	l := newStars(t)
	var given []string
	found := map[string]bool{}
	recorded(t, func(job string, e session.Entry, s session.Snapshot) {
		l.learn(t, e)
		given = append(given, leaves(t, e, "instrument", "operator", "note", "reason", "struck_reason", "name")...)
		if s.Job != nil {
			for _, step := range s.Job.Steps {
				given = append(given, leaves(t, step.Screws, "screw", "size", "class")...)
			}
		}
		slices.SortFunc(given, func(a, b string) int { return cmp.Or(len(b)-len(a), strings.Compare(a, b)) })
		given = slices.Compact(given)
		for _, text := range shown(l.Language, s) {
			rest := text
			for _, name := range given {
				rest = strings.ReplaceAll(rest, name, "")
			}
			if rest = units.ReplaceAllString(rest, ""); past.MatchString(rest) {
				found[rest] = true
			}
		}
	})
	for text := range found {
		t.Errorf("said past the catalogue: %s", text)
	}
}

var (
	units = regexp.MustCompile(`N·m|lbf·ft|\b(mm|in|s|min|N|K|UTC|x)\b|°C|°F`)
	past  = regexp.MustCompile(`\p{L}|\d\.\d`)
)
