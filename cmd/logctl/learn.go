package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"shimwright/cmd/loggerd/control"
	"shimwright/session"
)

func (a *app) learnCommand() *cobra.Command {
	l := &learner{app: a}
	var kind, output string
	cmd := &cobra.Command{
		Use: "learn [PORT]", Short: "Find the profile of a new instrument by pressing its button", Args: between(0, 1),
		Long: `Finds the profile of an instrument that the daemon does not know. Plug it in,
press its data button a few times, each time with another value, and type what its
display says. Press once near the largest value that you measure, once below zero,
and once in the other unit, if it can. What is not given is asked for: the port
(logctl ports lists them), the kind, the name.

An instrument that sends all the time is noticed: hold it still, and type what it
shows. One that sends only when it is asked needs --request, such as '?\r'.

What was mistyped is taken back with "drop" and the number of its press. When a
profile fits it is tried on the next press. An empty line ends the learning: after
three questions on what no press can show, the daemon reads the instrument from then
on, and the profile goes into its configuration file. With --output or --json it is
only written out.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			l.pressed.Port, l.pressed.Kind = argument(args), session.Kind(kind)
			l.pressed.Request = unescaped(l.pressed.Request)
			if l.pressed.Request != "" {
				l.pressed.Trigger = session.OnRequest
			}
			if err := l.run(cmd.Context()); err != nil {
				return err
			}
			return l.give(cmd.Context(), output)
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&l.pressed.Name, "name", "", "what to call the instrument, such as `caliper-2`")
	flags.StringVar(&kind, "kind", "", "its `kind`: "+strings.Join(learnable(), ", "))
	flags.IntVar(&l.pressed.Line.Baud, "baud", 0, "`speed` of the line; 9600 if not given")
	flags.IntVar(&l.pressed.Line.DataBits, "data-bits", 0, "data `bits`; 8 if not given")
	flags.StringVar(&l.pressed.Line.Parity, "parity", "", "`parity`: none, odd, even, mark, space")
	flags.StringVar(&l.pressed.Line.StopBits, "stop-bits", "", "stop `bits`: 1, 1.5, 2")
	flags.StringVar(&l.pressed.Request, "request", "", "`bytes` to send for a reading, with \\r and \\n for line ends")
	flags.StringVar(&output, "output", "", "only write the profile to a new `FILE`")
	return cmd
}

// unescaped reads \r and the like as Go does; a text that is no such is taken as it is.
func unescaped(text string) string {
	if plain, err := strconv.Unquote(`"` + strings.ReplaceAll(text, `"`, `\"`) + `"`); err == nil {
		return plain
	}
	return text
}

// A learner finds the profile of an instrument with a person who presses it.
type learner struct {
	*app
	pressed control.Pressed
	keys    <-chan string // what is typed; closed at its end
	came    []byte        // since the last answer
	stream  stream
	found   []control.Proposal
	noted   []string // the notes of found that were shown
}

// run talks until the person ends it.
func (l *learner) run(ctx context.Context) error {
	l.keys = l.typed(ctx)
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	if err := l.askWhat(ctx); err != nil {
		return err
	}
	heard, ended := make(chan control.Heard), make(chan error, 1)
	go func() { ended <- l.listen(ctx, heard) }()
	l.begin()
	for {
		select {
		case h := <-heard:
			if err := l.take(ctx, h); err != nil {
				return err
			}
		case err := <-ended:
			return err
		case line, open := <-l.keys:
			if line = strings.TrimSpace(line); !open || line == "" {
				return nil
			}
			if err := l.answer(ctx, line); err != nil {
				return err
			}
		}
	}
}

// begin says what to do first.
func (l *learner) begin() {
	like := "then type what its display says, such as " + likeThis(l.pressed.Kind) + "."
	switch {
	case l.pressed.Kind == session.Pedal:
		l.page.para("", "", "Press the pedal to see whether something comes; end with an empty line.")
	case l.pressed.Request != "":
		l.page.para("", "", fmt.Sprintf("The instrument is sent %q every second. Set it to a value, hold it still, %s", l.pressed.Request, like))
	default:
		l.page.para("", "", "Press the data button of the instrument, "+like)
	}
}

// likeThis is how a value is typed, in either unit.
func likeThis(k session.Kind) string {
	switch k.Quantity() {
	case session.OfTorque:
		return "8.1 or 6.0 lbf.ft"
	case session.OfTemperature:
		return "21.5 or 70.7 F"
	}
	return "12.34 or 0.4860 in"
}

// typed gives the lines that are typed.
func (l *learner) typed(ctx context.Context) <-chan string {
	out := make(chan string)
	go func() {
		defer close(out)
		lines := bufio.NewScanner(l.stdin)
		for lines.Scan() {
			select {
			case out <- lines.Text():
			case <-ctx.Done():
				return
			}
		}
	}()
	return out
}

// reopenEvery is how often a port whose cable was pulled is looked for.
const reopenEvery = 500 * time.Millisecond

// listen hands over what comes, and opens the port again when it was lost.
func (l *learner) listen(ctx context.Context, heard chan<- control.Heard) error {
	hand := func(h control.Heard, _ []byte) error {
		select {
		case heard <- h:
			return nil
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	for opened := false; ; {
		err := l.hear(ctx, "/v1/learn?"+l.query().Encode(), hand)
		var no *session.Refusal
		switch {
		case err == nil || ctx.Err() != nil:
			return nil
		case errors.Is(err, errEnded):
			opened = true
			err = hand(control.Heard{What: "port", Port: &session.PortChanged{State: session.PortLost}}, nil)
		case opened && errors.As(err, &no):
			err = nil // it is not back yet
		}
		if err != nil {
			return err
		}
		select {
		case <-time.After(reopenEvery):
		case <-ctx.Done():
			return nil
		}
	}
}

func (l *learner) query() url.Values {
	q := url.Values{"port": {l.pressed.Port}}
	line := l.pressed.Line
	for key, n := range map[string]int{"baud": line.Baud, "data_bits": line.DataBits} {
		if n != 0 {
			q.Set(key, strconv.Itoa(n))
		}
	}
	for key, text := range map[string]string{"parity": line.Parity, "stop_bits": line.StopBits, "request": l.pressed.Request} {
		if text != "" {
			q.Set(key, text)
		}
	}
	return q
}

// take shows what came, and what a profile that fits would read of it.
func (l *learner) take(ctx context.Context, h control.Heard) error {
	if h.Port != nil {
		l.cable(h.Port.State)
		return nil
	}
	if len(h.Raw) == 0 {
		return nil
	}
	if l.stream.add(h); l.streams() {
		return nil
	}
	if l.came == nil {
		l.hint(h.Raw)
	}
	l.came = append(l.came, h.Raw...)
	if l.stream.row <= manyChunks {
		l.page.plain("  came: " + strconv.QuoteToASCII(string(h.Raw)))
	}
	if l.stream.endless() && l.pressed.Kind != session.Pedal {
		l.pressed.Trigger, l.came = session.Streaming, nil
		l.page.para("", "", "The instrument sends all the time. Set it to a value, hold it still, and type what its display says; what comes is not shown any more.")
		return nil
	}
	if len(l.found) == 0 || l.stream.row > manyChunks {
		return nil
	}
	found, err := l.propose(ctx, l.pressed, l.came)
	if err == nil && len(found) > 0 {
		l.page.para("  reads: ", "         ", found[0].Tried)
	}
	return err
}

// streams tells whether frames come without a press.
func (l *learner) streams() bool {
	return l.pressed.Trigger == session.Streaming || l.pressed.Trigger == session.OnRequest
}

// cable says that the cable was pulled or is back.
func (l *learner) cable(state session.PortState) {
	switch {
	case state == session.PortLost:
		l.came, l.stream = nil, stream{gone: true}
		l.page.para("", "", fmt.Sprintf("The port is gone; plug the cable in again. What was pressed before is kept (%d); only what was not answered yet is lost.", len(l.pressed.Presses)))
	case l.stream.gone:
		l.stream = stream{}
		l.page.para("", "", "The port is back; go on.")
	}
}

// hint says what is likely wrong with the line where the bytes show it.
func (l *learner) hint(raw []byte) {
	if parity := parityOf(raw); parity != "" && l.pressed.Line.DataBits == 0 {
		l.page.para("  ", "  ", "This looks like text with 7 data bits. If the next press does too, begin again with --data-bits 7 --parity "+parity+".")
	}
}

// answer takes what the display said.
func (l *learner) answer(ctx context.Context, line string) error {
	if word, number, _ := strings.Cut(line, " "); word == "drop" {
		return l.drop(ctx, number)
	}
	press, err := l.read(line)
	if err != nil {
		l.page.para("  ", "  ", err.Error())
		return nil
	}
	press.Raw = l.came
	if l.streams() {
		press.Raw = l.stream.last()
	}
	if len(press.Raw) == 0 {
		l.page.para("  ", "  ", l.silent())
		return nil
	}
	l.came = nil
	l.pressed.Presses = append(l.pressed.Presses, press)
	if l.streams() {
		l.page.plain("  came: " + strconv.QuoteToASCII(string(press.Raw)))
	}
	return l.review(ctx)
}

// silent says what may be wrong where nothing came.
func (l *learner) silent() string {
	if l.pressed.Request != "" {
		return "Nothing came. If still nothing comes, end with an empty line and try another --request or another line setting, such as --baud 4800."
	}
	return "Nothing came with that press. Press again; if still nothing comes, end with an empty line and try another line setting, such as --baud 4800. An instrument that sends only when it is asked needs --request."
}

// read reads a value as the display says it, with a point or a comma, and its unit.
func (l *learner) read(line string) (control.Press, error) {
	q := l.pressed.Kind.Quantity()
	end := strings.IndexFunc(line, func(r rune) bool { return !strings.ContainsRune("+-0123456789.,", r) })
	if end < 0 {
		end = len(line)
	}
	number, word := strings.Replace(line[:end], ",", ".", 1), strings.Join(strings.Fields(line[end:]), "")
	press := control.Press{Text: number, Unit: q.Unit()}
	_, err := session.ParseNumber(number)
	if err == nil && word != "" {
		err = press.Unit.UnmarshalText([]byte(word))
	}
	if err == nil && press.Unit.Quantity() != q {
		err = errors.New("another quantity")
	}
	if err != nil {
		return press, fmt.Errorf("%q is no %s; type it like %s", line, q, likeThis(l.pressed.Kind)+".")
	}
	return press, nil
}

// drop takes a press back.
func (l *learner) drop(ctx context.Context, number string) error {
	n, err := strconv.Atoi(strings.TrimSpace(number))
	if err != nil || n < 1 || n > len(l.pressed.Presses) {
		l.page.para("  ", "  ", fmt.Sprintf("There is no press %q; write it like: drop %d", number, max(1, len(l.pressed.Presses))))
		return nil
	}
	gone := l.pressed.Presses[n-1]
	l.pressed.Presses = slices.Delete(l.pressed.Presses, n-1, n)
	l.page.para("  ", "  ", fmt.Sprintf("Press %d (%s %s) is dropped; those after it count one less.", n, gone.Text, gone.Unit.Word()))
	return l.review(ctx)
}

// leastPresses are needed before anything is proposed.
const leastPresses = 3

// enoughPresses show a format if it is one that can be found.
const enoughPresses = 8

// review says what fits so far.
func (l *learner) review(ctx context.Context) error {
	n := len(l.pressed.Presses)
	next := "Press again with another value, and type what the display says."
	if l.streams() {
		next = "Set another value, hold it still, and type what the display says."
	}
	l.found = nil
	if n < leastPresses {
		l.page.para("  ", "  ", fmt.Sprintf("That is press %d of at least %d. %s", n, leastPresses, next))
		return nil
	}
	var err error
	if l.found, err = l.propose(ctx, l.pressed, nil); err != nil {
		l.page.para("  ", "  ", err.Error())
		return nil
	}
	if len(l.found) == 0 {
		return l.nothingFits(ctx)
	}
	l.page.para("  fits: ", "        ", l.found[0].Form)
	for _, note := range l.found[0].Notes {
		if !slices.Contains(l.noted, note) {
			l.page.para("    - ", "      ", note)
		}
	}
	l.noted = l.found[0].Notes
	l.page.para("  ", "  ", "To try it: "+strings.ToLower(next[:1])+strings.TrimSuffix(next[1:], ".")+"; or end with an empty line.")
	return nil
}

// nothingFits says which press stands alone, if one does, and what else may be wrong.
func (l *learner) nothingFits(ctx context.Context) error {
	for i, press := range l.pressed.Presses {
		if len(l.pressed.Presses) == leastPresses {
			break // of two alone too much would fit
		}
		rest := l.pressed
		rest.Presses = slices.Delete(slices.Clone(rest.Presses), i, i+1)
		found, err := l.propose(ctx, rest, press.Raw)
		if err == nil && len(found) > 0 {
			l.page.para("  ", "  ", fmt.Sprintf("All fit %s but press %d, typed as %s %s, which would read %s. If that was mistyped, type: drop %d",
				found[0].Form, i+1, press.Text, press.Unit.Word(), found[0].Tried, i+1))
			return nil
		}
	}
	text := fmt.Sprintf("No format that is known reads all %d presses as they were typed. More presses may tell more: go on with other values.", len(l.pressed.Presses))
	if len(l.pressed.Presses) == leastPresses || len(l.pressed.Presses) >= enoughPresses {
		text += fmt.Sprintf(" If nothing fits after %d, end with an empty line and begin again with another line setting, such as --baud 4800; usual are 1200, 2400, 4800, 9600, 19200, 38400 and 115200.", enoughPresses)
	}
	l.page.para("  ", "  ", text)
	return nil
}

// propose asks the daemon which profiles fit presses.
func (l *learner) propose(ctx context.Context, ask control.Pressed, try []byte) ([]control.Proposal, error) {
	c, err := l.client()
	if err != nil {
		return nil, err
	}
	ask.Try = try
	body, err := json.Marshal(ask)
	if err != nil {
		return nil, fmt.Errorf("cannot write the presses: %w", err)
	}
	ctx, cancel := context.WithTimeout(ctx, answerTime)
	defer cancel()
	var found []control.Proposal
	return found, c.ask(ctx, http.MethodPost, "/v1/propose", bytes.NewReader(body), &found)
}

// give puts the profile that was found in force, or only writes it.
func (l *learner) give(ctx context.Context, output string) error {
	switch {
	case l.pressed.Kind != session.Pedal && len(l.pressed.Presses) < leastPresses:
		return fail(exitNotFound, "no profile was found; press at least three different values and type what the display says each time")
	case l.pressed.Kind != session.Pedal && len(l.found) == 0:
		return fail(exitNotFound, "no profile was found: no format that is known reads all %d presses as they were typed; try another line setting, or see the bytes again and write the profile by hand", len(l.pressed.Presses))
	}
	l.askErrors(ctx)
	var err error
	if l.found, err = l.propose(ctx, l.pressed, nil); err != nil {
		return err
	}
	if len(l.found) == 0 {
		return fail(exitFailed, "no profile fits any more; begin again")
	}
	if l.json {
		return l.emit(l.found)
	}
	if output == "" {
		return l.set(ctx)
	}
	if err := writeNew(output, l.found[0].TOML); err != nil {
		return err
	}
	l.page.para("", "", "The profile is in "+output+". Put it into the daemon's configuration and start it again.")
	return nil
}

// set has the daemon read the instrument from now on.
func (l *learner) set(ctx context.Context) error {
	c, err := l.client()
	if err != nil {
		return err
	}
	body, err := json.Marshal(control.Wanted{Profile: l.found[0].Profile, Write: true})
	if err != nil {
		return fmt.Errorf("cannot write the profile: %w", err)
	}
	ctx, cancel := context.WithTimeout(ctx, answerTime)
	defer cancel()
	var set control.InForce
	if err := c.ask(ctx, http.MethodPost, "/v1/profile", bytes.NewReader(body), &set); err != nil {
		l.page.para("", "", "The profile that was found is not in force. It is:")
		fmt.Fprint(l.stdout, l.found[0].TOML) //nolint:errcheck // the error of the command counts
		return err
	}
	l.page.gap()
	l.page.para("", "", fmt.Sprintf("%s is read from now on; see it with: logctl instrument listen %s", set.Name, set.Name))
	if l.streams() {
		l.page.para("", "", "A reading of it is taken with: logctl take "+set.Name)
	}
	if set.Written != "" {
		l.page.para("", "", "Its profile was added to "+set.Written+"; what you learn of its errors later goes there too.")
		return nil
	}
	l.page.para("", "", "Put this into the daemon's configuration, so that the next start has it too ("+set.NotWritten+"):")
	l.page.gap()
	_, err = fmt.Fprint(l.stdout, set.TOML)
	return err
}
