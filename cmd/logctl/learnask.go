package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"shimwright/cmd/loggerd/control"
	"shimwright/session"
)

// learnable are the kinds that have a cable.
func learnable() []string {
	var words []string
	for _, k := range session.Kinds() {
		if k != session.Feeler {
			words = append(words, string(k))
		}
	}
	return words
}

// ask puts a question; the answer is empty at the end of what is typed.
func (l *learner) ask(ctx context.Context, question string) string {
	l.page.para("", "  ", question)
	select {
	case line := <-l.keys:
		return strings.TrimSpace(line)
	case <-ctx.Done():
		return ""
	}
}

// askWhat asks for the port, the kind and the name, as far as they were not given.
func (l *learner) askWhat(ctx context.Context) error {
	list, err := l.ports(ctx)
	if err != nil && l.pressed.Port == "" {
		return err
	}
	if err := l.askPort(ctx, list); err != nil {
		return err
	}
	l.bindByName(list)
	if l.pressed.Kind == "" {
		l.pressed.Kind = session.Kind(l.choose(ctx, "What is it?", learnable()))
	}
	if !slices.Contains(learnable(), string(l.pressed.Kind)) {
		return fail(exitUsage, "name the kind of the instrument, such as --kind caliper; kinds are %s", strings.Join(learnable(), ", "))
	}
	if l.pressed.Name == "" {
		free := l.freeName(ctx)
		l.pressed.Name = l.ask(ctx, "What is it to be called, in a-z, 0-9 and -? (Empty: "+free+")")
		for l.pressed.Name != "" && session.Segment(l.pressed.Name) != l.pressed.Name {
			l.page.para("  ", "  ", fmt.Sprintf("%q cannot be a name; write it like %s.", l.pressed.Name, free))
			l.pressed.Name = l.ask(ctx, "What is it to be called? (Empty: "+free+")")
		}
		if l.pressed.Name == "" {
			l.pressed.Name = free
		}
	}
	if session.Segment(l.pressed.Name) != l.pressed.Name {
		return fail(exitUsage, "%q cannot be the name of an instrument; write it in a-z, 0-9 and -, such as --name caliper-2", l.pressed.Name)
	}
	return nil
}

// askPort finds the port: the only one that is free, or the one that is chosen.
func (l *learner) askPort(ctx context.Context, list control.PortList) error {
	if l.pressed.Port != "" {
		return nil
	}
	var free, usb, words []string
	for _, v := range list.Ports {
		if v.Instrument == "" && v.Device != "" {
			free = append(free, v.Device)
			words = append(words, strings.TrimSpace(v.Device+" "+v.Maker+" "+v.Model))
			if v.Vendor != "" {
				usb = append(usb, v.Device)
			}
		}
	}
	switch {
	case len(free) == 0:
		return fail(exitNotFound, "no free serial port is plugged in; plug the instrument in and look with logctl ports, or name its port")
	case len(usb) == 1:
		l.pressed.Port = usb[0]
		l.page.para("", "", "The instrument is looked for at "+usb[0]+", the only adapter that is bound to none.")
		return nil
	}
	chosen := l.choose(ctx, "Which port is it at?", words)
	if l.pressed.Port, _, _ = strings.Cut(chosen, " "); l.pressed.Port == "" {
		return fail(exitUsage, "name the port of the instrument, such as logctl instrument learn %s", free[0])
	}
	return nil
}

// choose asks for one of several, by word or number; empty if none was chosen.
func (l *learner) choose(ctx context.Context, question string, from []string) string {
	for i, word := range from {
		l.page.para(fmt.Sprintf("  %d ", i+1), "    ", word)
	}
	answer := l.ask(ctx, question+" Type its number.")
	if n, err := strconv.Atoi(answer); err == nil && n >= 1 && n <= len(from) {
		return from[n-1]
	}
	if slices.Contains(from, answer) {
		return answer
	}
	return ""
}

// freeName is a name that no instrument of the bench has.
func (l *learner) freeName(ctx context.Context) string {
	stem := strings.ReplaceAll(string(l.pressed.Kind), " ", "-")
	taken := map[string]bool{}
	if c, err := l.client(); err == nil {
		if s, err := c.snapshot(ctx); err == nil {
			for _, in := range s.Instruments {
				taken[in.Name] = true
			}
		}
	}
	for n := 1; ; n++ {
		if name := fmt.Sprintf("%s-%d", stem, n); !taken[name] {
			return name
		}
	}
}

// bindByName puts the name of the adapter in place of a device's path, which may be
// another's after the next start.
func (l *learner) bindByName(list control.PortList) {
	for _, v := range list.Ports {
		if v.Device == l.pressed.Port && len(v.Names) > 0 {
			l.pressed.Port = v.Names[0]
			l.page.para("", "", "The profile will name the port "+v.Names[0]+", which means this adapter wherever it is plugged in.")
		}
	}
}

// askErrors asks what no press shows.
func (l *learner) askErrors(ctx context.Context) {
	k := l.pressed.Kind
	if k == session.Pedal {
		return
	}
	unit := k.Quantity().Unit().Word()
	limits := map[session.Quantity]string{
		session.OfLength:      "Permissible error ± in mm, as its certificate or its maker states it: such as 0.03, or by use, such as " + byUse(k) + ". (Empty: not known; then no float can be shown inside)",
		session.OfTorque:      "Permissible error ± in percent, as its certificate or its maker states it. (Empty: 4, as is usual)",
		session.OfTemperature: "Permissible error ± in °C, as its certificate or its maker states it. (Empty: 1.5, as is usual)",
	}
	l.until(ctx, limits[k.Quantity()], l.limit)
	l.until(ctx, "Standard deviation of its repeats in "+unit+", if you have measured it. (Empty: one count)", func(text string) error {
		n, err := positive(text)
		l.pressed.Stated.Spread = n
		return err
	})
	l.until(ctx, "Day when its calibration is due, such as 2027-03-31. (Empty: none)", func(text string) error {
		_, err := time.Parse(time.DateOnly, text)
		if err != nil {
			return fmt.Errorf("%q is no day; write year, month and day", text)
		}
		l.pressed.Stated.Due = text
		return nil
	})
}

// until asks until the answer can be taken or is empty.
func (l *learner) until(ctx context.Context, question string, take func(string) error) {
	for {
		text := l.ask(ctx, question)
		if text == "" {
			return
		}
		err := take(text)
		if err == nil {
			return
		}
		l.page.para("  ", "  ", err.Error()+".")
	}
}

func positive(text string) (*session.Number, error) {
	n, err := session.ParseNumber(strings.Replace(text, ",", ".", 1))
	if err != nil || !n.IsPositive() {
		return nil, fmt.Errorf("%q is no number above 0", text)
	}
	return &n, nil
}

// limit reads a permissible error, for all uses or by use.
func (l *learner) limit(text string) error {
	if l.pressed.Kind.Quantity() != session.OfLength {
		n, err := positive(text)
		l.pressed.Stated.Limit = n
		return err
	}
	uses := usesOf(l.pressed.Kind)
	limits := map[session.Use]session.Number{}
	for _, word := range strings.Fields(text) {
		use, number, by := strings.Cut(word, "=")
		if !by {
			number = word
		}
		n, err := positive(number)
		switch {
		case err != nil:
			return err
		case by && !slices.Contains(uses, session.Use(use)):
			return fmt.Errorf("%q is no use of a %s; write them like %s", use, l.pressed.Kind, byUse(l.pressed.Kind))
		case by:
			limits[session.Use(use)] = *n
		case len(strings.Fields(text)) > 1:
			return errors.New("write one number for all uses, or each use with its own")
		default:
			for _, u := range uses {
				limits[u] = *n
			}
		}
	}
	l.pressed.Stated.Limits = limits
	return nil
}

// usesOf lists what an instrument of a kind is used for.
func usesOf(k session.Kind) []session.Use { return slices.Sorted(maps.Keys(session.UsualLimits(k))) }

// byUse is an example of limits by use.
func byUse(k session.Kind) string {
	var words []string
	for i, u := range usesOf(k) {
		words = append(words, fmt.Sprintf("%s=0.0%d", u, 2+i))
	}
	return strings.Join(words, " ")
}
