package wording

import (
	"cmp"
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"regexp"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/feature/plural"
	"golang.org/x/text/language"

	"shimwright/session"
)

// A Language writes for one reader: in the sentences of one catalogue, with lengths in
// one unit. It is not changed once it is made, and serves any number of goroutines.
type Language struct {
	tag   language.Tag
	words catalogue
	inch  bool
}

// English is the language that this package is written in, with lengths in millimetres.
var English = &Language{tag: language.English, words: english()}

// A catalogue is what the file of a language says:
//
//	{
//	  "language": "de",            BCP 47
//	  "name": "Deutsch",           as its readers call it
//	  "decimal_mark": ",",         "." if left away
//	  "nouns": "large",            if a noun keeps its large letter within a sentence
//	  "sentences": {"lost; check plug and cable": "fort; Stecker und Kabel prüfen"},
//	  "refusals": {"no such step": {"message": "der Plan hat keinen Schritt {step}", "instead": "…"}},
//	  "page": {"Step {n} of {of}": "Schritt {n} von {of}"},
//	  "plans": {"Width of the crank": "Breite der Kurbelwelle"}
//	}
//
// The key of a sentence is its English pattern, with the verbs of package fmt or names
// in braces. Its translation may take them in another order, as "%[2]s" before "%[1]s",
// and leave some away. Where the form of a word hangs on a number, it is an object of
// the forms that the language has (CLDR: zero, one, two, few, many, other), chosen by the
// first whole number among the arguments. What a catalogue lacks is written in English.
//
// Refusals go by their code, with its parameters in braces. The page's own sentences have
// a section, for they go to the browser. So do the words of plans (titles, places,
// cautions, what to do): a shop translates its plans by a file of its own.
type catalogue struct {
	Language    string             `json:"language"`
	Name        string             `json:"name"`
	DecimalMark string             `json:"decimal_mark"`
	Nouns       string             `json:"nouns"`
	Sentences   map[string]pattern `json:"sentences"`
	Refusals    map[string]refusal `json:"refusals"`
	Page        map[string]pattern `json:"page"`
	Plans       map[string]pattern `json:"plans"`
}

// A refusal in another language.
type refusal struct {
	Message string `json:"message"`
	Instead string `json:"instead"`
}

// join adds what another file of the same language says; that counts where both do.
func (c *catalogue) join(more catalogue) {
	c.Name = cmp.Or(more.Name, c.Name)
	c.DecimalMark = cmp.Or(more.DecimalMark, c.DecimalMark)
	c.Nouns = cmp.Or(more.Nouns, c.Nouns)
	c.Sentences = joined(c.Sentences, more.Sentences)
	c.Refusals = joined(c.Refusals, more.Refusals)
	c.Page = joined(c.Page, more.Page)
	c.Plans = joined(c.Plans, more.Plans)
}

func joined[V any](one, other map[string]V) map[string]V {
	all := maps.Clone(one)
	if all == nil {
		return other
	}
	maps.Copy(all, other)
	return all
}

// A pattern is a text, or one for each form of the plural.
type pattern struct {
	text  string
	forms map[string]string
}

// MarshalJSON writes what UnmarshalJSON reads.
func (p pattern) MarshalJSON() ([]byte, error) {
	if p.forms != nil {
		return json.Marshal(p.forms)
	}
	return json.Marshal(p.text)
}

// UnmarshalJSON reads a text, or an object of forms with at least "other".
func (p *pattern) UnmarshalJSON(text []byte) error {
	if text[0] != '{' {
		return json.Unmarshal(text, &p.text)
	}
	if err := json.Unmarshal(text, &p.forms); err != nil {
		return err
	}
	for form := range p.forms {
		if !slices.Contains([]string{"zero", "one", "two", "few", "many", "other"}, form) {
			return fmt.Errorf("%q is no form of the plural; write zero, one, two, few, many or other", form)
		}
	}
	if p.forms["other"] == "" {
		return errors.New(`a plural needs the form "other"`)
	}
	return nil
}

//go:embed catalogue/*.json
var embedded embed.FS

// Languages are those that can be chosen, by their BCP 47 tags.
type Languages map[string]*Language

// Load reads the catalogues that come with the program, and then those in the folders,
// in which a file adds a language, or sentences to one that is there. Its error names the
// file and says what is wrong.
func Load(folders ...fs.FS) (Languages, error) {
	sub, err := fs.Sub(embedded, "catalogue")
	if err != nil {
		return nil, err
	}
	all := Languages{}
	for _, folder := range append([]fs.FS{sub}, folders...) {
		names, err := fs.Glob(folder, "*.json")
		if err != nil {
			return nil, err
		}
		for _, name := range names {
			text, err := fs.ReadFile(folder, name)
			if err != nil {
				return nil, fmt.Errorf("cannot read the catalogue %q: %w", name, err)
			}
			if err := all.add(text); err != nil {
				return nil, fmt.Errorf("cannot use the catalogue %q: %w", name, err)
			}
		}
	}
	for tag, l := range all {
		if l.words.Name == "" {
			return nil, fmt.Errorf("the catalogues of %q do not say its name; write in \"name\" what its readers call the language", tag)
		}
	}
	return all, nil
}

// add takes up one catalogue.
func (all Languages) add(text []byte) error {
	c := catalogue{}
	dec := json.NewDecoder(strings.NewReader(string(text)))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&c); err != nil {
		return err
	}
	tag, err := language.Parse(c.Language)
	if err != nil {
		return fmt.Errorf(`"language" is %q; write a tag such as de or pt-BR`, c.Language)
	}
	for key, p := range c.Sentences {
		if err := p.fits(key); err != nil {
			return err
		}
	}
	l := &Language{tag: tag}
	if old := all[tag.String()]; old != nil {
		l.words = old.words
	}
	l.words.join(c)
	all[tag.String()] = l
	return nil
}

// fits says what is wrong with a translation: a verb or a name that its key does not give.
func (p pattern) fits(key string) error {
	for _, text := range append(slices.Collect(maps.Values(p.forms)), p.text) {
		args := make([]any, 0, 8)
		for _, verb := range verbs(key) {
			args = append(args, sample(verb))
		}
		said := text
		if len(args)+len(verbs(text)) > 0 {
			said = fmt.Sprintf(text, args...)
		}
		if strings.Contains(said, "%!") && !strings.Contains(said, "%!(EXTRA") {
			return fmt.Errorf("the sentence for %q asks for what that does not give; it comes out as %q", key, said)
		}
		for _, slot := range slots.FindAllString(text, -1) {
			if !strings.Contains(key, slot) {
				return fmt.Errorf("the sentence for %q asks for %s, which that does not give", key, slot)
			}
		}
	}
	return nil
}

// slots are names in braces.
var slots = regexp.MustCompile(`\{[^}]*\}`)

// verbs are the letters of the verbs of a pattern, in order.
func verbs(pattern string) []byte {
	var found []byte
	for i := 0; i < len(pattern); i++ {
		if pattern[i] != '%' {
			continue
		}
		for i++; i < len(pattern) && strings.IndexByte("+-# 0123456789.[]", pattern[i]) >= 0; i++ {
		}
		if i < len(pattern) && unicode.IsLetter(rune(pattern[i])) {
			found = append(found, pattern[i])
		}
	}
	return found
}

// sample is a value that a verb takes.
func sample(verb byte) any {
	switch verb {
	case 'd':
		return 2
	case 'f':
		return 0.5
	}
	return "text"
}

// english is the catalogue of the forms of plurals; everything else stands in the code.
func english() catalogue {
	all, err := Load()
	if err != nil {
		panic(err) // a file of this package, which its tests read
	}
	return all["en"].words
}

// Tag is the language as BCP 47 has it, for the lang of a page.
func (l *Language) Tag() string { return l.tag.String() }

// Name is the language as its readers call it.
func (l *Language) Name() string { return l.words.Name }

// DecimalMark is what stands before the decimals of a number: "." or ",".
func (l *Language) DecimalMark() string { return cmp.Or(l.words.DecimalMark, ".") }

// Page is what a page needs to write its own sentences and the words of plans: of each
// English text its translation, or an object of the forms of its plural, as JSON.
func (l *Language) Page() (json.RawMessage, error) {
	return json.Marshal(joined(l.words.Page, l.words.Plans))
}

// Refusal writes why a command was refused, and what to do instead.
func (l *Language) Refusal(r session.Refusal) session.Refusal {
	known, ok := l.words.Refusals[r.Code]
	if !ok {
		return r
	}
	message, ok := l.fill(known.Message, r.Params)
	instead, also := l.fill(known.Instead, r.Params)
	if ok && also {
		r.Message, r.Instead = message, instead
	}
	return r
}

// Inches is the language with lengths in inches, or in millimetres.
func (l *Language) Inches(yes bool) *Language {
	other := *l
	other.inch = yes
	return &other
}

// say writes an English pattern in the language, with its arguments. The first whole
// number among them chooses the form of the plural.
func (l *Language) say(english string, args ...any) string {
	text := l.form(english, args)
	if len(args) == 0 {
		return text
	}
	return fmt.Sprintf(text, used(text, args)...)
}

// Say writes an English pattern that stands in the catalogues, with its arguments, where
// a picture or a page has a label of its own.
func (l *Language) Say(english string, args ...any) string {
	return l.say(english, args...) // as it stands in the catalogues
}

// used leaves away the arguments behind the last that a text takes, which a translation
// may do without.
func used(text string, args []any) []any {
	if strings.Contains(text, "%[") {
		return args
	}
	return args[:min(len(args), len(verbs(text)))]
}

// Text writes words that are not the program's own, such as a title of a plan, in the
// language if its catalogue has them, and as they are if not.
func (l *Language) Text(words string) string { return l.form(words, nil) }

// form is the translation of a pattern, the pattern itself without one.
func (l *Language) form(english string, args []any) string {
	p, known := l.words.Sentences[english]
	if !known {
		p, known = l.words.Plans[english]
	}
	switch {
	case !known:
		return english
	case p.forms == nil:
		return p.text
	}
	for _, arg := range args {
		if n, whole := arg.(int); whole {
			return cmp.Or(p.forms[formNames[plural.Cardinal.MatchPlural(l.tag, n, 0, 0, 0, 0)]], p.forms["other"])
		}
	}
	return p.forms["other"]
}

var formNames = map[plural.Form]string{
	plural.Zero: "zero", plural.One: "one", plural.Two: "two", plural.Few: "few", plural.Many: "many", plural.Other: "other",
}

// number writes a number with the decimal mark of the language.
func (l *Language) number(text string) string {
	if mark := l.words.DecimalMark; mark != "" {
		return strings.Replace(text, ".", mark, 1)
	}
	return text
}

// noun writes a title within a sentence: with a small letter in languages that have it so.
func (l *Language) noun(title string) string {
	if l.words.Nouns == "large" {
		return title
	}
	first, size := utf8.DecodeRuneInString(title)
	return string(unicode.ToLower(first)) + title[size:]
}
