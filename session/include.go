package session

import (
	"fmt"
	"path"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"shimwright/session/tomlfile"
)

// A plan can include others: what they have comes before what it has itself. A part,
// step, chain or shim that several of them name alike must be the same in all, and is
// there once, so that a step measured once serves several chains.
//
// The texts of included plans travel with the plan that includes them, as tables
// [[included]] at its end, which ResolvePlan writes: replay needs no file.

// An Included is a plan that another one includes, with its name as seen from there.
type Included struct {
	File string `toml:"file" strict:"required" example:"seals.toml" json:"file"`
	Text string `toml:"text" strict:"required" json:"text"`
}

// includes is the part of a plan that says what it includes.
type includes struct {
	Include  []string   `toml:"include"`
	Included []Included `toml:"included"`
}

// mostIncluded bounds the plans that one plan includes.
const mostIncluded = 50

// ResolvePlan puts the text of every plan that a plan includes, directly or through
// others, at its end. file is what messages call it; read gets the name of an included
// plan as seen from there, with "/" between folders. The error is a tomlfile.Problems.
// A text that cannot be read as TOML is given back as it is: ReadPlan says why.
func ResolvePlan(file string, text []byte, read func(name string) ([]byte, error)) ([]byte, error) {
	r := &resolver{read: read, seen: map[string]bool{path.Base(file): true}}
	r.resolve(file, "", text)
	if len(r.problems) > 0 {
		return nil, r.problems
	}
	return append(slices.Clip(text), r.more...), nil
}

type resolver struct {
	read     func(string) ([]byte, error)
	seen     map[string]bool
	more     []byte
	problems tomlfile.Problems
}

// resolve adds what a text includes. name is as seen from the first one.
func (r *resolver) resolve(file, name string, text []byte) {
	var inc includes
	doc, _ := tomlfile.Decode(file, text, &inc)
	if doc == nil || len(inc.Included) > 0 {
		return
	}
	for i, other := range inc.Include {
		from := path.Join(path.Dir(name), other)
		if r.seen[from] {
			continue
		}
		r.seen[from] = true
		if len(r.seen) > mostIncluded {
			r.problems = append(r.problems, doc.Problem(fmt.Sprintf("more than %d plans are included", mostIncluded), "put some of them together", "include", i))
			return
		}
		body, err := r.read(from)
		if err != nil {
			r.problems = append(r.problems, doc.Problem(fmt.Sprintf("the plan %q cannot be read (%v)", other, err), "name a plan file as seen from this one", "include", i))
			continue
		}
		r.more = append(r.more, "\n[[included]]\nfile = "+quoted(from)+"\ntext = "+quoted(string(body))+"\n"...)
		r.resolve(from, from, body)
	}
}

// quoted writes a text as a basic string of TOML, on one line.
func quoted(text string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, c := range text {
		switch {
		case c == '"' || c == '\\':
			b.WriteString(`\` + string(c))
		case c == '\n':
			b.WriteString(`\n`)
		case c < ' ' || c == 0x7f:
			fmt.Fprintf(&b, `\u%04X`, c)
		default:
			b.WriteRune(c)
		}
	}
	b.WriteByte('"')
	return b.String()
}

// origin is where an item of a plan was written.
type origin struct {
	doc *tomlfile.Doc
	at  int
}

// has tells whether a key was written, wherever the item of its path came from.
func (c *planCheck) has(keys ...any) bool {
	doc, keys := c.whence(keys)
	return doc.Has(keys...)
}

// whence finds the file of a path, and the path there.
func (c *planCheck) whence(keys []any) (*tomlfile.Doc, []any) {
	if len(keys) < 2 {
		return c.doc, keys
	}
	kind, _ := keys[0].(string)
	i, _ := keys[1].(int)
	if from := c.origins[kind]; i < len(from) {
		keys = slices.Clone(keys)
		keys[1] = from[i].at
		return from[i].doc, keys
	}
	return c.doc, keys
}

// include puts what the plan includes before what it has itself.
func (c *planCheck) include(file string) {
	p := c.plan
	if len(p.Include) == 0 {
		return
	}
	in := &including{check: c, texts: p.Included, stack: []string{path.Base(file)}, done: map[string]bool{}}
	own := *p
	*p = Plan{Name: p.Name, Title: p.Title, Unit: p.Unit, Shims: p.Shims, Decision: p.Decision, Temperature: p.Temperature}
	in.all(c.doc, "", own.Include)
	in.add(c.doc, path.Base(file), &own)
}

// including is what is known while plans are put together.
type including struct {
	check *planCheck
	texts []Included
	stack []string // of the plans that include one another, as they are read
	done  map[string]bool
	names map[string][]string // per kind, the file that each item came from
}

// all takes the plans that one of them includes. name is its own, as seen from the first.
func (in *including) all(doc *tomlfile.Doc, name string, include []string) {
	for i, other := range include {
		from := path.Join(path.Dir(name), other)
		at := slices.IndexFunc(in.texts, func(t Included) bool { return t.File == from })
		switch {
		case slices.Contains(in.stack, from):
			in.wrong(doc, i, in.loop(from), "take one of the includes out")
		case in.done[from]:
		case at < 0:
			in.wrong(doc, i, fmt.Sprintf("the plan %q is not here", other), "begin with logctl, which reads it, or put both into one file")
		default:
			in.done[from] = true
			in.stack = append(in.stack, from)
			in.one(from, in.texts[at].Text)
			in.stack = in.stack[:len(in.stack)-1]
		}
	}
}

func (in *including) wrong(doc *tomlfile.Doc, i int, wrong, right string) {
	in.check.problems = append(in.check.problems, doc.Problem(wrong, right, "include", i))
}

// loop says how a plan includes itself.
func (in *including) loop(name string) string {
	through := in.stack[slices.Index(in.stack, name)+1:]
	if len(through) == 0 {
		return fmt.Sprintf("the plan %q includes itself", name)
	}
	return fmt.Sprintf("the plan %q includes itself, through %s", name, strings.Join(through, " and "))
}

// one reads an included plan and adds it. It needs no name of its own.
func (in *including) one(name, text string) {
	var q Plan
	doc, problems := tomlfile.Decode(name, []byte(chosen(text)), &q)
	problems = slices.DeleteFunc(problems, func(p tomlfile.Problem) bool {
		return p.Wrong == `the top level lacks "plan"` || p.Wrong == `the top level lacks "title"`
	})
	in.check.problems = append(in.check.problems, problems...)
	if doc == nil {
		return
	}
	sub := &planCheck{plan: &q, doc: doc}
	sub.fillIn()
	in.all(doc, name, q.Include)
	had := len(in.check.plan.Steps)
	in.add(doc, name, &q)
	for i := had; i < len(in.check.plan.Steps); i++ {
		in.check.plan.Steps[i].Section = q.Title
	}
}

// add puts the items of one file behind those that are there. What is there already
// must be the same.
func (in *including) add(doc *tomlfile.Doc, file string, q *Plan) {
	p := in.check.plan
	p.Asks = addItems(in, doc, file, "ask", p.Asks, q.Asks, func(x Ask) string { return x.Name })
	p.Parts = addItems(in, doc, file, "part", p.Parts, q.Parts, func(x Part) string { return x.Name })
	p.Bars = addItems(in, doc, file, "bar", p.Bars, q.Bars, func(x Bar) string { return x.Name })
	p.Steps = addItems(in, doc, file, "step", p.Steps, q.Steps, func(x Step) string { return x.Name })
	p.Choices = addItems(in, doc, file, "choice", p.Choices, q.Choices, func(x Choice) string { return x.Name })
	p.Chains = addItems(in, doc, file, "chain", p.Chains, q.Chains, func(x Chain) string { return x.Name })
	p.Bearings = addItems(in, doc, file, "bearing", p.Bearings, q.Bearings, func(x Bearing) string { return x.Name })
	p.Seats = addItems(in, doc, file, "fit", p.Seats, q.Seats, func(x Seat) string { return x.Name })
	p.Stock = addItems(in, doc, file, "stock", p.Stock, q.Stock, func(x Shim) string { return x.Thickness.String() })
	for _, caution := range q.Cautions {
		if !slices.Contains(p.Cautions, caution) {
			p.Cautions = append(p.Cautions, caution)
		}
	}
	if !in.check.doc.Has("decision") && doc.Has("decision") {
		p.Decision = q.Decision
	}
	if !in.check.doc.Has("temperature") && doc.Has("temperature") {
		p.Temperature = q.Temperature
	}
	if p.Shims == "" {
		p.Shims = q.Shims
	}
}

// addItems adds items of one kind.
func addItems[T any](in *including, doc *tomlfile.Doc, file, kind string, all, more []T, name func(T) string) []T {
	c := in.check
	if c.origins == nil {
		c.origins, in.names = map[string][]origin{}, map[string][]string{}
	}
	for i, x := range more {
		k := slices.IndexFunc(all, func(o T) bool { return name(o) == name(x) })
		same := doc == nil || k >= 0 && c.origins[kind][k].doc == doc // twice in one file is said elsewhere
		switch {
		case k < 0 || same:
			all = append(all, x)
			c.origins[kind] = append(c.origins[kind], origin{doc, i})
			in.names[kind] = append(in.names[kind], file)
		case !alike(all[k], x):
			wrong, key := unlike(kind, name(x), in.names[kind][k], any(all[k]), any(x))
			keys := []any{kind, i}
			if key != "" {
				keys = append(keys, key)
			}
			c.problems = append(c.problems, doc.Problem(wrong, "make them the same, or call one of them something else", keys...))
		}
	}
	return all
}

// alike tells whether two items say the same, in whatever section they stand.
func alike(a, b any) bool {
	if x, isStep := a.(Step); isStep {
		x.Section = ""
		a = x
	}
	return reflect.DeepEqual(a, b)
}

// unlike says how two items of one name differ, and by which key where that is known.
func unlike(kind, name, file string, a, b any) (wrong, key string) {
	x, isStep := a.(Step)
	y, _ := b.(Step)
	if isStep && len(x.Range) == 2 && len(y.Range) == 2 && !(x.Range[0].Equal(y.Range[0].Decimal) && x.Range[1].Equal(y.Range[1].Decimal)) {
		return fmt.Sprintf("step %q has the range %s to %s here and %s to %s in %s", name, y.Range[0], y.Range[1], x.Range[0], x.Range[1], file), "range"
	}
	if kind == "ask" {
		kind = "question"
	}
	return fmt.Sprintf("%s %s is not the same here and in %s", kind, strconv.Quote(name), file), ""
}
