package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"shimwright/cmd/loggerd/control"
	"shimwright/session"
)

func (a *app) learnCommand() *cobra.Command {
	l := &learner{app: a}
	var kind, output string
	cmd := &cobra.Command{
		Use: "learn PORT --name NAME --kind KIND", Short: "Find the profile of a new instrument by pressing its button", Args: between(1, 1),
		Long: `Finds the profile of an instrument that the daemon does not know. Plug it in,
find its port with logctl ports, then press its data button a few times, each time
with another length, and type what its display says. Press once near the largest
length that you measure, once below zero, and once in inch, if it can.

When a profile fits it is tried on the next press. An empty line ends the
learning: the daemon reads the instrument from then on, and the profile goes into
its configuration file. With --output or --json it is only written out.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			l.pressed.Port, l.pressed.Kind = args[0], session.Kind(kind)
			if l.pressed.Name == "" || kind == "" {
				return fail(exitUsage, "name the instrument and its kind, such as --name caliper-2 --kind caliper; see %s --help", cmd.CommandPath())
			}
			if err := l.run(cmd.Context()); err != nil {
				return err
			}
			return l.give(cmd.Context(), output)
		},
	}
	cmd.Flags().StringVar(&l.pressed.Name, "name", "", "what to call the instrument, such as `caliper-2`")
	cmd.Flags().StringVar(&kind, "kind", "", "its `kind`: caliper, depth gauge, micrometer, dial indicator, thermometer, torque wrench, pedal")
	cmd.Flags().IntVar(&l.pressed.Line.Baud, "baud", 0, "`speed` of the line; 9600 if not given")
	cmd.Flags().IntVar(&l.pressed.Line.DataBits, "data-bits", 0, "data `bits`; 8 if not given")
	cmd.Flags().StringVar(&l.pressed.Line.Parity, "parity", "", "`parity`: none, odd, even, mark, space")
	cmd.Flags().StringVar(&l.pressed.Line.StopBits, "stop-bits", "", "stop `bits`: 1, 1.5, 2")
	cmd.Flags().StringVar(&output, "output", "", "only write the profile to a new `FILE`")
	return cmd
}

// A learner finds the profile of an instrument with a person who presses it.
type learner struct {
	*app
	pressed control.Pressed
	came    []byte // since the last answer
	found   []control.Proposal
}

// run talks until the person ends it.
func (l *learner) run(ctx context.Context) error {
	l.bindByName(ctx)
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	heard, ended := make(chan control.Heard), make(chan error, 1)
	go func() {
		ended <- l.hear(ctx, "/v1/learn?"+l.query().Encode(), func(h control.Heard, _ []byte) error {
			select {
			case heard <- h:
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		})
	}()
	typed := l.typed(ctx)
	l.page.para("", "", "Press the data button of the instrument, then type what its display says, such as "+likeThis(l.pressed.Kind)+".")
	for {
		select {
		case h := <-heard:
			if err := l.take(ctx, h); err != nil {
				return err
			}
		case err := <-ended:
			return err
		case line, open := <-typed:
			if line = strings.TrimSpace(line); !open || line == "" {
				return nil
			}
			if err := l.answer(ctx, line); err != nil {
				return err
			}
		}
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

func (l *learner) query() url.Values {
	q := url.Values{"port": {l.pressed.Port}}
	line := l.pressed.Line
	for key, n := range map[string]int{"baud": line.Baud, "data_bits": line.DataBits} {
		if n != 0 {
			q.Set(key, strconv.Itoa(n))
		}
	}
	for key, text := range map[string]string{"parity": line.Parity, "stop_bits": line.StopBits} {
		if text != "" {
			q.Set(key, text)
		}
	}
	return q
}

// bindByName puts the name of the adapter in place of a device's path, which may be
// another's after the next start.
func (l *learner) bindByName(ctx context.Context) {
	list, err := l.ports(ctx)
	if err != nil {
		return // the opening will say what is wrong
	}
	for _, v := range list.Ports {
		if v.Device == l.pressed.Port && len(v.Names) > 0 {
			l.pressed.Port = v.Names[0]
			l.page.para("", "", "The profile will name the port "+v.Names[0]+", which means this adapter wherever it is plugged in.")
		}
	}
}

// take shows what came, and what a profile that fits would read of it.
func (l *learner) take(ctx context.Context, h control.Heard) error {
	if len(h.Raw) == 0 {
		return nil
	}
	l.came = append(l.came, h.Raw...)
	l.page.plain("  came: " + strconv.QuoteToASCII(string(h.Raw)))
	if len(l.found) == 0 {
		return nil
	}
	found, err := l.propose(ctx, l.came)
	if err == nil && len(found) > 0 {
		l.page.para("  reads: ", "         ", found[0].Tried)
	}
	return err
}

// answer takes what the display said.
func (l *learner) answer(ctx context.Context, line string) error {
	number, word, _ := strings.Cut(line, " ")
	press := control.Press{Raw: l.came, Text: number, Unit: l.pressed.Kind.Quantity().Unit()}
	_, err := session.ParseNumber(number)
	if err == nil && strings.TrimSpace(word) != "" {
		err = press.Unit.UnmarshalText([]byte(strings.TrimSpace(word)))
	}
	switch {
	case err != nil:
		l.page.para("  ", "  ", fmt.Sprintf("%q is no %s; type it like %s.", line, l.pressed.Kind.Quantity(), likeThis(l.pressed.Kind)))
		return nil
	case len(l.came) == 0:
		l.page.para("  ", "  ", "Nothing came with that press. Press again; if still nothing comes, try another line setting, such as --baud 4800.")
		return nil
	}
	l.came = nil
	l.pressed.Presses = append(l.pressed.Presses, press)
	if len(l.pressed.Presses) < 3 {
		l.page.para("  ", "  ", "Good. Press again with another value, and type what the display says.")
		return nil
	}
	if l.found, err = l.propose(ctx, nil); err != nil {
		l.page.para("  ", "  ", err.Error())
		return nil
	}
	l.review()
	return nil
}

// review says what fits so far.
func (l *learner) review() {
	if len(l.found) == 0 {
		l.page.para("  ", "  ", "No format that is known reads every press as the display said it. If the bytes look like noise, begin again with another line setting, such as --baud 4800; else press on.")
		return
	}
	l.page.para("  fits: ", "        ", l.found[0].Form)
	for _, note := range l.found[0].Notes {
		l.page.para("    - ", "      ", note)
	}
	l.page.para("  ", "  ", "Press once more to try it, and type what the display says; or end with an empty line.")
}

// propose asks the daemon which profiles fit.
func (l *learner) propose(ctx context.Context, try []byte) ([]control.Proposal, error) {
	c, err := l.client()
	if err != nil {
		return nil, err
	}
	ask := l.pressed
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
	if l.pressed.Kind == session.Pedal && len(l.found) == 0 {
		var err error
		if l.found, err = l.propose(context.Background(), nil); err != nil {
			return err
		}
	}
	if len(l.found) == 0 {
		return fail(exitNotFound, "no profile was found; press at least three different values and type what the display says each time")
	}
	if l.json {
		return l.emit(l.found)
	}
	text := l.found[0].TOML
	if output == "" {
		return l.set(ctx)
	}
	file, err := os.OpenFile(output, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return fmt.Errorf("cannot write the profile: %w", err)
	}
	_, err = file.WriteString(text)
	if closed := file.Close(); err == nil {
		err = closed
	}
	if err != nil {
		return fmt.Errorf("cannot write the profile %q: %w", output, err)
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
	if set.Written != "" {
		l.page.para("", "", "Its profile was added to "+set.Written+".")
		return nil
	}
	l.page.para("", "", "Put this into the daemon's configuration, so that the next start has it too ("+set.NotWritten+"):")
	l.page.gap()
	_, err = fmt.Fprint(l.stdout, set.TOML)
	return err
}
