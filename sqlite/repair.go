package sqlite

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"golang.org/x/mod/sumdb/tlog"
)

// A repair looks for what the bytes of an entry were before somebody changed them.
// The hash that was stored then tells when it is found; so what it finds is proved.
type repair struct {
	row        row
	neighbours [][]byte // of other entries, whose values may have stood here
	fits       func(body []byte) bool
	budget     *int // how often fits may still be asked
	shallow    bool // only what is quickly tried
}

// try tries the likely changes, the cheap ones first.
func (r *repair) try() ([]byte, bool) {
	tokens := tokensOf(r.row.body)
	ways := []func([]token) []byte{r.byColumns, r.byBits, r.byWords, r.byNeighbours, r.byBytes, r.byDigits}
	if r.shallow {
		ways = ways[:4]
	}
	for _, way := range ways {
		if *r.budget <= 0 {
			break
		}
		if was := way(tokens); was != nil {
			return was, true
		}
	}
	return nil, false
}

// test asks about one candidate.
func (r *repair) test(body []byte) bool {
	*r.budget--
	return *r.budget >= 0 && r.fits(body)
}

// with is the entry with other bytes in place of some.
func (r *repair) with(from, to int, text []byte) []byte {
	return slices.Concat(r.row.body[:from], text, r.row.body[to:])
}

// byColumns takes what the columns say, which repeat part of the entry.
func (r *repair) byColumns(tokens []token) []byte {
	for path, is := range map[string]any{"seq": r.row.seq, "run": r.row.run, "job": r.row.job, "kind": r.row.kind} {
		text, err := json.Marshal(is)
		if err != nil {
			continue
		}
		for _, t := range tokens {
			if t.path != path {
				continue
			}
			if body := r.with(t.from, t.to, text); r.test(body) {
				return body
			}
		}
	}
	return nil
}

// byBits flips every bit.
func (r *repair) byBits([]token) []byte {
	body := bytes.Clone(r.row.body)
	for i := range body {
		for bit := range 8 {
			body[i] ^= 1 << bit
			if r.test(body) {
				return body
			}
			body[i] ^= 1 << bit
		}
	}
	return nil
}

// byWords takes out every byte, and turns yes into no.
func (r *repair) byWords(tokens []token) []byte {
	for i := range r.row.body {
		if body := r.with(i, i+1, nil); r.test(body) {
			return body
		}
	}
	for _, t := range tokens {
		for _, word := range []string{"true", "false"} {
			if body := r.with(t.from, t.to, []byte(word)); t.text != word && r.test(body) {
				return body
			}
		}
	}
	return nil
}

// byBytes puts every printable character in every place, and between any two.
func (r *repair) byBytes([]token) []byte {
	const longest = 2000 // of a plan this would take too long
	if len(r.row.body) > longest {
		return nil
	}
	body := bytes.Clone(r.row.body)
	for i, is := range body {
		for c := byte(' '); c < 127; c++ {
			body[i] = c
			if r.test(body) {
				return body
			}
		}
		body[i] = is
	}
	for i := range r.row.body {
		for c := byte(' '); c < 127; c++ {
			if body := r.with(i, i, []byte{c}); r.test(body) {
				return body
			}
		}
	}
	return nil
}

// byNeighbours takes each value from where other entries have one, and puts in or
// takes out what may be left out of an entry.
func (r *repair) byNeighbours(tokens []token) []byte {
	values := map[string]map[string]bool{}
	for _, body := range r.neighbours {
		for _, t := range tokensOf(body) {
			if values[t.path] == nil {
				values[t.path] = map[string]bool{}
			}
			values[t.path][string(body[t.from:t.to])] = true
		}
	}
	for _, t := range tokens {
		for value := range values[t.path] {
			if body := r.with(t.from, t.to, []byte(value)); r.test(body) {
				return body
			}
		}
	}
	return r.byOptional(tokens, values)
}

// byOptional tries a job or an operator more or less.
func (r *repair) byOptional(tokens []token, values map[string]map[string]bool) []byte {
	at := map[string]token{}
	for _, t := range tokens {
		at[t.path] = t
	}
	for _, o := range []struct{ path, after string }{{"job", "mono_ns"}, {"operator", "job"}, {"operator", "mono_ns"}} {
		before, ok := at[o.after]
		if !ok {
			continue
		}
		if t, ok := at[o.path]; ok {
			if body := r.with(before.to, t.to, nil); r.test(body) {
				return body
			}
			continue
		}
		for value := range values[o.path] {
			if body := r.with(before.to, before.to, []byte(`,"`+o.path+`":`+value)); r.test(body) {
				return body
			}
		}
	}
	return nil
}

// byDigits tries other digits in every value: any two of them, or up to four in a
// row of a number; and the same in all values that hold the same digits, as a
// reading's value, text and bytes do.
func (r *repair) byDigits(tokens []token) []byte {
	for _, t := range tokens {
		places := r.digits(t)
		if len(places) > 40 {
			continue // a plan
		}
		for i := range places {
			for j := i + 1; j < len(places); j++ {
				if body := r.digitsAt(t, []int{places[i], places[j]}); body != nil {
					return body
				}
			}
		}
	}
	for _, t := range tokens {
		places := r.digits(t)
		if t.number() == "" || len(places) < 3 || len(places) > 12 {
			continue
		}
		width := min(len(places), 4)
		for first := 0; first+width <= len(places); first++ {
			if body := r.digitsAt(t, places[first:first+width]); body != nil {
				return body
			}
		}
	}
	return nil
}

// digits are the places of a value's digits.
func (r *repair) digits(t token) (places []int) {
	for i := t.from; i < t.to; i++ {
		if c := r.row.body[i]; '0' <= c && c <= '9' {
			places = append(places, i)
		}
	}
	return places
}

// digitsAt tries all digits at some places of a value.
func (r *repair) digitsAt(t token, places []int) []byte {
	most := 1
	for range places {
		most *= 10
	}
	body := bytes.Clone(r.row.body)
	old := []byte(t.number())
	repeated := len(old) > 0 && bytes.Count(r.row.body, old) > 1
	for n := range most {
		if *r.budget < 0 {
			return nil
		}
		for i, rest := len(places)-1, n; i >= 0; i, rest = i-1, rest/10 {
			body[places[i]] = byte('0' + rest%10)
		}
		if r.test(body) {
			return body
		}
		if repeated {
			now := bytes.Trim(body[t.from:t.to], `"`)
			if all := bytes.ReplaceAll(r.row.body, old, now); r.test(all) {
				return all
			}
		}
	}
	return nil
}

// A token is a value in an entry's JSON that holds no others: where it stands, and
// the keys that lead to it.
type token struct {
	path     string
	from, to int
	text     string
}

// number is the value without quotes if it is a decimal number, else "".
func (t token) number() string {
	text := strings.Trim(t.text, `"`)
	if text == "" || strings.Trim(text, "0123456789.-") != "" {
		return ""
	}
	return text
}

// tokensOf lists the values of a JSON text, as far as it can be read.
func tokensOf(text []byte) (tokens []token) {
	dec := json.NewDecoder(bytes.NewReader(text))
	dec.UseNumber()
	type level struct {
		array bool
		key   string // the last key, or
		index int    // how many elements were begun
		value bool   // a value comes next, of an object
	}
	var levels []level
	for {
		got, err := dec.Token()
		if err != nil {
			return tokens
		}
		to := int(dec.InputOffset())
		top := len(levels) - 1
		if d, ok := got.(json.Delim); ok && (d == '}' || d == ']') {
			levels = levels[:top]
			continue
		}
		if top >= 0 && !levels[top].array && !levels[top].value {
			levels[top].key, levels[top].value = fmt.Sprint(got), true
			continue
		}
		if top >= 0 {
			levels[top].value = false
			levels[top].index++
		}
		if d, ok := got.(json.Delim); ok {
			levels = append(levels, level{array: d == '['})
			continue
		}
		var path []string
		for _, l := range levels {
			if l.array {
				path = append(path, fmt.Sprint(l.index))
			} else {
				path = append(path, l.key)
			}
		}
		from := startOf(text, to, got)
		tokens = append(tokens, token{strings.Join(path, "."), from, to, string(text[from:to])})
	}
}

// startOf finds where a value begins that ends at to.
func startOf(text []byte, to int, value json.Token) int {
	if _, ok := value.(string); !ok {
		from := to
		for from > 0 && !bytes.ContainsRune([]byte(",:[ "), rune(text[from-1])) {
			from--
		}
		return from
	}
	for from := to - 2; from >= 0; from-- {
		if text[from] != '"' {
			continue
		}
		escapes := 0
		for escapes < from && text[from-1-escapes] == '\\' {
			escapes++
		}
		if escapes%2 == 0 {
			return from
		}
	}
	return 0
}

// difference names the values in which two versions of an entry differ. If the
// changed one is no longer JSON, the field is the one that held the changed bytes.
func difference(was, is []byte) (field, before, after string) {
	old, now := tokensOf(was), map[string]string{}
	for _, t := range tokensOf(is) {
		now[t.path] = t.text
	}
	var fields, befores, afters []string
	add := func(path, before, after string) {
		path = strings.TrimPrefix(path, "body.")
		fields, befores, afters = append(fields, path), append(befores, before), append(afters, after)
	}
	seen := map[string]bool{}
	for _, t := range old {
		seen[t.path] = true
		if after, ok := now[t.path]; ok && after != t.text && json.Valid(is) {
			add(t.path, t.text, after)
		} else if !ok && json.Valid(is) {
			add(t.path, t.text, "")
		}
	}
	if json.Valid(is) {
		for _, t := range tokensOf(is) {
			if !seen[t.path] {
				add(t.path, "", t.text)
			}
		}
	}
	if len(fields) > 0 {
		return strings.Join(fields, ", "), strings.Join(befores, ", "), strings.Join(afters, ", ")
	}
	return brokenField(old, was, is)
}

// brokenField names the value that held the first byte that differs, or that comes
// after it.
func brokenField(old []token, was, is []byte) (field, before, after string) {
	at := 0
	for at < min(len(was), len(is)) && was[at] == is[at] {
		at++
	}
	for _, t := range old {
		if at < t.to {
			after := string(is[min(t.from, len(is)):min(t.to+len(is)-len(was), len(is))])
			return strings.TrimPrefix(t.path, "body."), t.text, after
		}
	}
	return "end", "", ""
}

// undo looks for a single entry in a range whose change back makes the tree that a
// checkpoint has.
func (x *examination) undo(d Damage, bad *attested) (Damage, error) {
	const longest = 64
	if d.Last-d.First >= longest {
		return Damage{}, nil
	}
	reader := tlog.HashReaderFunc(func(indexes []int64) ([]tlog.Hash, error) {
		hashes := make([]tlog.Hash, len(indexes))
		for i, index := range indexes {
			hashes[i], _ = x.storedNode(index)
		}
		return hashes, nil
	})
	var one Damage
	err := x.evidence.rows(d.First, d.Last, func(r row) error {
		if one.Change != "" {
			return nil
		}
		size, place := bad.checkpoint.size, r.seq-1
		path, err := tlog.ProveRecord(size, place, reader)
		if err != nil {
			return err
		}
		budget := 60_000 / int(d.Last-d.First+1)
		fix := repair{row: r, budget: &budget, neighbours: x.neighbours(r.seq), fits: func(body []byte) bool {
			return tlog.CheckRecord(path, size, bad.checkpoint.root, place, tlog.RecordHash(body)) == nil
		}}
		if was, ok := fix.try(); ok {
			one = Damage{Change: Edited, First: r.seq, Last: r.seq}
			one.Field, one.Was, one.Is = difference(was, r.body)
		}
		return nil
	})
	return one, err
}
