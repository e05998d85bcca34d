package main

import (
	"errors"
	"fmt"
	"slices"
	"strconv"

	"github.com/spf13/cobra"

	"shimwright/session"
	"shimwright/session/wording"
)

func (a *app) takeCommand() *cobra.Command {
	return &cobra.Command{
		Use: "take [INSTRUMENT]", Short: "Ask an instrument that does not send by itself for its reading", Args: between(0, 1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.do(cmd, session.Command{Do: session.Take, Instrument: argument(args)}, func(r session.Receipt, s session.Snapshot) {
				a.page.para("", "  ", askedFor(r))
			})
		},
	}
}

// askedFor says what a take began.
func askedFor(r session.Receipt) string {
	switch {
	case r.Gather == session.GatherStart && r.Window > 0:
		return fmt.Sprintf("%s is watched for %s; move the shaft now. Its reading shows in: logctl status", r.Ask, r.Window)
	case r.Gather == session.GatherStart:
		return r.Ask + " is watched; move the shaft, then end it with: logctl take"
	case r.Gather == session.GatherStop:
		return r.Ask + " is no longer watched; its reading shows in: logctl status"
	}
	return r.Ask + " is asked; its reading shows in: logctl status"
}

func (a *app) enterCommand() *cobra.Command {
	var c session.Command
	cmd := &cobra.Command{
		Use: "enter [VALUE] --instrument NAME", Short: "Enter a value that was read by eye, or what a feeler found", Args: between(0, 1),
		Example: `  logctl enter 52.54 --instrument caliper-1
  logctl enter 2.0685 --unit in --instrument caliper-1
  logctl enter --instrument feeler-1 --passes 0.25 --stops 0.30`,
		RunE: func(cmd *cobra.Command, args []string) error {
			c.Do, c.Value = session.Enter, argument(args)
			if f := checkEnter(c); f != nil {
				return f
			}
			return a.do(cmd, c, a.filed)
		},
	}
	flags := cmd.Flags()
	flags.SortFlags = false
	flags.StringVar(&c.Instrument, "instrument", "", "the instrument that was read, by `NAME`")
	flags.StringVar(&c.Unit, "unit", "", "the `UNIT` of the value, mm or in (mm if not given)")
	flags.StringVar(&c.Passes, "passes", "", "the thickest feeler `BLADE` that passes")
	flags.StringVar(&c.Stops, "stops", "", "the thinnest feeler `BLADE` that does not")
	return cmd
}

// checkEnter catches what no bench could make sense of.
func checkEnter(c session.Command) *failure {
	blades := c.Passes != "" || c.Stops != ""
	switch {
	case c.Instrument == "":
		return fail(exitUsage, "say which instrument was read with --instrument NAME; logctl status lists them")
	case c.Value == "" && !blades:
		return fail(exitUsage, "give the value that was read, or --passes and --stops for a feeler; see logctl enter --help")
	case c.Value != "" && blades:
		return fail(exitUsage, "give either a value or --passes and --stops, not both; see logctl enter --help")
	case blades && (c.Passes == "" || c.Stops == ""):
		return fail(exitUsage, "give both --passes and --stops; they are the blade that passes and the next one that does not")
	}
	return nil
}

func (a *app) nextCommand() *cobra.Command {
	var note string
	cmd := &cobra.Command{
		Use: "next [STEP]", Short: "Close the place that is measured and go on, or go to a step", Args: between(0, 1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.do(cmd, session.Command{Do: session.Next, Step: argument(args), Note: note}, a.moved)
		},
	}
	cmd.Flags().StringVar(&note, "note", "", "why a wait is cut short, as `TEXT`")
	return cmd
}

func (a *app) backCommand() *cobra.Command {
	return &cobra.Command{
		Use: "back", Short: "Go to the step before", Args: between(0, 0),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.do(cmd, session.Command{Do: session.Back}, a.moved)
		},
	}
}

func (a *app) placeCommand() *cobra.Command {
	var step string
	cmd := &cobra.Command{
		Use: "place PLACE", Short: "Go to a place, by its name or its number from 1", Args: between(1, 1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.do(cmd, session.Command{Do: session.GoToPlace, Place: args[0], Step: step}, a.moved)
		},
	}
	cmd.Flags().StringVar(&step, "step", "", "of `STEP` instead of the active one")
	return cmd
}

func (a *app) strikeCommand() *cobra.Command {
	var reason string
	cmd := &cobra.Command{
		Use: "strike READING --reason TEXT", Short: "Strike a reading out of the count; it stays in the log", Args: between(1, 1),
		RunE: func(cmd *cobra.Command, args []string) error {
			seq, err := sequence(args[0])
			if err != nil {
				return err
			}
			if reason == "" {
				return fail(exitUsage, "say why with --reason TEXT; no reading is struck out without a reason")
			}
			return a.do(cmd, session.Command{Do: session.StrikeOut, Reading: seq, Reason: reason}, a.stands(seq))
		},
	}
	cmd.Flags().StringVar(&reason, "reason", "", "why, as `TEXT` in a few words")
	return cmd
}

func (a *app) restoreCommand() *cobra.Command {
	return &cobra.Command{
		Use: "restore READING", Short: "Count a reading again that was struck out or held", Args: between(1, 1),
		RunE: func(cmd *cobra.Command, args []string) error {
			seq, err := sequence(args[0])
			if err != nil {
				return err
			}
			return a.do(cmd, session.Command{Do: session.Restore, Reading: seq}, a.stands(seq))
		},
	}
}

func (a *app) endCommand() *cobra.Command {
	var note string
	cmd := &cobra.Command{
		Use: "end", Short: "End the job", Args: between(0, 0),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.do(cmd, session.Command{Do: session.End, Note: note}, func(r session.Receipt, s session.Snapshot) {
				a.page.strong("", "  ", fmt.Sprintf("Job %s has ended.", r.Job))
				for _, adv := range s.Advice {
					a.page.para("", "  ", headline(s, adv))
				}
			})
		},
	}
	cmd.Flags().StringVar(&note, "note", "", "what to remember, as `TEXT`; needed while a step is open")
	return cmd
}

// do gives the bench a command and shows what became of it.
func (a *app) do(cmd *cobra.Command, c session.Command, show func(session.Receipt, session.Snapshot)) error {
	daemon, err := a.client()
	if err != nil {
		return err
	}
	c.Operator, c.PIN = a.who(), a.env("SHIMWRIGHT_PIN")
	receipt, err := daemon.command(cmd.Context(), c)
	if pinNeeded(err) {
		if c.PIN, err = a.askPIN("PIN of "+c.Operator+": ", err); err != nil {
			return a.refused(err)
		}
		receipt, err = daemon.command(cmd.Context(), c)
	}
	if err != nil {
		return a.refused(err)
	}
	if a.json {
		return a.emit(receipt)
	}
	s, err := daemon.snapshot(cmd.Context())
	if err != nil {
		return fmt.Errorf("the command is done, but its outcome cannot be shown: %w", err)
	}
	show(receipt, s)
	return nil
}

// refused prints a refusal as JSON too where JSON is asked for.
func (a *app) refused(err error) error {
	var refusal *session.Refusal
	if a.json && errors.As(err, &refusal) {
		return errors.Join(err, a.emit(refusal))
	}
	return err
}

// filed shows how a reading was ruled, and what to do now.
func (a *app) filed(r session.Receipt, s session.Snapshot) {
	number := fmt.Sprintf("%-5d ", r.Seq)
	i := slices.IndexFunc(s.Readings, func(shown session.ReadingView) bool { return shown.Seq == r.Seq })
	if i < 0 { // the bench has gone on to another job meanwhile
		a.page.strong(number, "      ", wording.English.Verdict(session.ReadingView{Ruling: r.Ruling}))
		a.moved(r, s)
		return
	}
	shown := s.Readings[i]
	a.page.strong(number, "      ", wording.English.Ruling(shown))
	if s.Step != nil && s.Step.Name == shown.Step { // what to do is known already
		a.page.para("NOW   ", "      ", wording.English.Now(*s.Step))
		return
	}
	a.moved(r, s)
}

// stands shows how a reading counts now, and what to do now.
func (a *app) stands(seq int64) func(session.Receipt, session.Snapshot) {
	return func(r session.Receipt, s session.Snapshot) {
		r.Seq = seq
		a.filed(r, s)
	}
}

// moved shows what to do now and, when all is measured, what to fit.
func (a *app) moved(_ session.Receipt, s session.Snapshot) {
	a.page.now(s)
	if s.Step != nil {
		return
	}
	for _, adv := range s.Advice {
		a.page.strong("SHIMS ", "      ", headline(s, adv))
	}
}

func argument(args []string) string {
	if len(args) == 0 {
		return ""
	}
	return args[0]
}

func sequence(text string) (int64, error) {
	seq, err := strconv.ParseInt(text, 10, 64)
	if err != nil || seq < 1 {
		return 0, fail(exitUsage, "%q is not the number of a reading; logctl readings lists them", text)
	}
	return seq, nil
}
