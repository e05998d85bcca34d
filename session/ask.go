package session

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"shimwright/session/tomlfile"
)

// An Ask is a question that a plan has before it can be used. Its answer goes into the
// plan's text wherever {NAME} stands in it; what is answered so is checked like any
// other plan, and stands in the log.
type Ask struct {
	Name     string   `toml:"name" strict:"required,unique" example:"least" json:"name"`
	Question string   `toml:"question" strict:"required" example:"Smallest end float that the maker permits, in mm" json:"question"`
	Example  string   `toml:"example" strict:"required" example:"0.10" json:"example"` // with which the plan is sound
	Usual    string   `toml:"usual" json:"usual,omitempty"`                            // what an empty answer means; without it there must be one
	Choices  []string `toml:"choices" json:"choices,omitempty"`                        // answers to choose from; "steel: 11.5" puts 11.5 where steel was chosen
}

// asks is the part of a plan that has its questions, its own and those of plans that it
// includes.
type asks struct {
	Asks     []Ask      `toml:"ask"`
	Included []Included `toml:"included"`
}

// maxAnswer bounds an answer in bytes.
const maxAnswer = 100

// Questions are those that a plan's text still has: of its [[ask]] tables, and of those
// of the plans that it includes, those whose {NAME} stands in it, each once. A text that is no TOML has none; ReadPlan says what is wrong.
func Questions(text []byte) []Ask {
	var a asks
	if !strings.Contains(string(text), "[[ask]]") {
		return nil
	}
	if doc, _ := tomlfile.Decode("plan", text, &a); doc == nil {
		return nil
	}
	all := a.Asks
	for _, in := range a.Included {
		var more asks
		tomlfile.Decode(in.File, []byte(in.Text), &more) // what is wrong with it ReadPlan says
		for _, q := range more.Asks {
			if !slices.ContainsFunc(all, func(o Ask) bool { return o.Name == q.Name }) {
				all = append(all, q)
			}
		}
	}
	return slices.DeleteFunc(all, func(q Ask) bool {
		return q.Name == "" || !strings.Contains(string(text), "{"+q.Name+"}")
	})
}

// Answer puts answers into a plan's text. It refuses while one is missing or cannot be.
// Blocks whose only_if does not hold are left out, line by line, so that mistakes keep
// their places.
func Answer(text []byte, answers map[string]string) ([]byte, *Refusal) {
	questions := Questions(text)
	var missing []string
	for _, q := range questions {
		if _, ok := answers[q.Name]; !ok && q.Usual == "" {
			missing = append(missing, q.Name)
		}
	}
	if len(missing) > 0 {
		return nil, refuse("answers missing", "this plan asks for "+strings.Join(missing, ", "), "answer each", "names", strings.Join(missing, ","))
	}
	for name := range answers {
		if !slices.ContainsFunc(questions, func(q Ask) bool { return q.Name == name }) {
			return nil, refuse("no such question", fmt.Sprintf("the plan does not ask for %q", name), "leave that answer out", "name", name)
		}
	}
	out := string(text)
	for _, q := range questions {
		value, no := q.value(cmp.Or(strings.TrimSpace(answers[q.Name]), q.Usual))
		if no != nil {
			return nil, no
		}
		out = strings.ReplaceAll(out, "{"+q.Name+"}", value)
	}
	return []byte(chosen(out)), nil
}

// Answerable says why an answer cannot be; nil if it can, or if it is empty and the
// question has a usual one.
func Answerable(q Ask, answer string) *Refusal {
	_, no := q.value(cmp.Or(strings.TrimSpace(answer), q.Usual))
	return no
}

// value is what an answer puts into the text.
func (q *Ask) value(answer string) (string, *Refusal) {
	if strings.ContainsAny(answer, "\"\\\n\r\t{}") || len(answer) > maxAnswer || answer == "" {
		return "", refuse("bad answer", fmt.Sprintf("%q is no answer to %q", answer, q.Question), "write it plainly, such as "+q.Example,
			"name", q.Name, "question", q.Question, "text", answer, "right", q.Example)
	}
	if len(q.Choices) == 0 {
		return answer, nil
	}
	var labels []string
	for _, c := range q.Choices {
		label, value, both := strings.Cut(c, ": ")
		if labels = append(labels, label); label == answer || c == answer {
			if both {
				return value, nil
			}
			return label, nil
		}
	}
	return "", refuse("bad answer", fmt.Sprintf("%q is no answer to %q", answer, q.Question), "choose one of "+strings.Join(labels, ", "),
		"name", q.Name, "question", q.Question, "text", answer, "right", strings.Join(labels, ", "))
}

// withExamples is a plan's text as its examples answer it, to be checked.
func withExamples(text []byte) []byte {
	out := string(text)
	for _, q := range Questions(text) {
		value := q.Example
		if v, no := q.value(q.Example); no == nil {
			value = v
		}
		out = strings.ReplaceAll(out, "{"+q.Name+"}", value)
	}
	return []byte(chosen(out))
}

var (
	tableHead = regexp.MustCompile(`^\s*\[\[?\s*([A-Za-z0-9_.-]+)\s*\]\]?\s*(?:#.*)?$`)
	onlyIf    = regexp.MustCompile(`^\s*only_if\s*=\s*"([^"]*?)=([^"]*)"`)
)

// chosen blanks the tables of a text whose only_if does not hold, with the tables
// inside them.
func chosen(text string) string {
	if !strings.Contains(text, "only_if") {
		return text
	}
	lines := strings.Split(text, "\n")
	for from := 0; from < len(lines); {
		head := tableHead.FindStringSubmatch(lines[from])
		to := from + 1
		for to < len(lines) && tableHead.FindStringSubmatch(lines[to]) == nil {
			to++
		}
		if head == nil || holds(lines[from:to]) {
			from = to
			continue
		}
		for to < len(lines) {
			inner := tableHead.FindStringSubmatch(lines[to])
			if inner != nil && !strings.HasPrefix(inner[1], head[1]+".") {
				break
			}
			to++
		}
		for i := from; i < to; i++ {
			lines[i] = ""
		}
		from = to
	}
	return strings.Join(lines, "\n")
}

func holds(table []string) bool {
	for _, line := range table {
		if m := onlyIf.FindStringSubmatch(line); m != nil && strings.TrimSpace(m[1]) != strings.TrimSpace(m[2]) {
			return false
		}
	}
	return true
}

// asked checks the questions of a plan.
func (c *planCheck) asked() {
	for i, q := range c.plan.Asks {
		if !plainName(q.Name) && q.Name != "" {
			c.wrong(fmt.Sprintf("%q cannot be typed as a name", q.Name), "use small letters, digits and hyphens, like least", "ask", i, "name")
		}
		for key, answer := range map[string]string{"example": q.Example, "usual": q.Usual} {
			if answer == "" {
				continue
			}
			if _, no := q.value(answer); no != nil {
				c.wrong(no.Message, no.Instead, "ask", i, key)
			}
		}
	}
}
