package main

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"strings"

	"golang.org/x/term"

	"shimwright/session"
)

// answers gathers the answers to a plan's questions: those given, and the others from
// the person at the terminal. Where nobody is at a terminal, all must be given.
func (a *app) answers(text []byte, given []string) (map[string]string, error) {
	questions := session.Questions(text)
	answers := map[string]string{}
	for _, g := range given {
		name, answer, ok := strings.Cut(g, "=")
		if !ok {
			return nil, fail(exitUsage, "%q is no answer; write NAME=ANSWER", g)
		}
		answers[strings.TrimSpace(name)] = strings.TrimSpace(answer)
	}
	var open []session.Ask
	for _, q := range questions {
		if _, ok := answers[q.Name]; !ok {
			open = append(open, q)
		}
	}
	if !a.asks() {
		return answers, a.unanswered(open)
	}
	lines := bufio.NewReader(a.stdin)
	for _, q := range open {
		if err := a.ask(lines, text, q, answers); err != nil {
			return nil, err
		}
	}
	return answers, nil
}

// asks tells whether a person is there to be asked.
func (a *app) asks() bool {
	f, ok := a.stdin.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// unanswered is the failure for questions that have no usual answer.
func (a *app) unanswered(open []session.Ask) error {
	var lines []string
	for _, q := range open {
		if q.Usual == "" {
			lines = append(lines, fmt.Sprintf("--answer %s=%s   %s%s", q.Name, q.Example, q.Question, choices(q)))
		}
	}
	if len(lines) == 0 {
		return nil
	}
	return &failure{exit: exitUsage, lines: lines, sentence: "the plan asks these; answer each with --answer, or at a terminal"}
}

// ask asks one question until it has an answer that can be.
func (a *app) ask(lines *bufio.Reader, text []byte, q session.Ask, answers map[string]string) error {
	for {
		prompt := q.Question + choices(q)
		switch {
		case q.Usual != "":
			prompt += " [" + q.Usual + "]"
		case len(q.Choices) == 0:
			prompt += " (such as " + q.Example + ")"
		}
		a.page.para("", "  ", prompt)
		fmt.Fprint(a.stdout, "> ")
		line, err := lines.ReadString('\n')
		if err != nil && (err != io.EOF || line == "") {
			return fail(exitFailed, "there was no answer to %q; begin again", q.Question)
		}
		line = strings.TrimSpace(line)
		if line == "" && q.Usual == "" {
			continue
		}
		if no := session.Answerable(q, line); no != nil {
			a.page.para("", "  ", sentence(no.Error()))
			continue
		}
		answers[q.Name] = line
		return nil
	}
}

func choices(q session.Ask) string {
	if len(q.Choices) == 0 {
		return ""
	}
	labels := make([]string, len(q.Choices))
	for i, c := range q.Choices {
		labels[i], _, _ = strings.Cut(c, ": ")
	}
	return " (" + strings.Join(labels, ", ") + ")"
}

func sentence(text string) string {
	if text == "" {
		return ""
	}
	return strings.ToUpper(text[:1]) + text[1:] + "."
}
