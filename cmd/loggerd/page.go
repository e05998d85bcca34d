package main

import (
	"context"
	"fmt"

	"shimwright/cmd/loggerd/config"
	"shimwright/cmd/loggerd/control"
	"shimwright/cmd/loggerd/display"
	"shimwright/session"
)

// openPage starts the display page, unless it is off.
func (d *daemon) openPage() error {
	if d.cfg.Page == config.Off {
		return nil
	}
	languages, err := d.cfg.Catalogues()
	if err != nil {
		return err
	}
	c := display.Config{
		Languages: languages, Language: d.cfg.Language, Inches: d.cfg.Unit == session.Inch,
		Listen: d.cfg.Page, Mailbox: d.bench.Subscribe, Log: d.log, Software: version, Do: d.carryOut, Desk: d.bench.Desk, Metrics: portFace{d}.Metrics,
		Plans: func() ([]display.Plan, error) { return plansToBegin(d.cfg.Plans) },
	}
	if d.wall != nil {
		c.Wall = d.wall.Subscribe
	}
	page, err := display.New(c)
	if err != nil {
		return err
	}
	if err := page.Listen(); err != nil {
		return err
	}
	d.page = page
	return nil
}

// carryOut carries out a command and, where it is to ask an instrument, asks it.
func (d *daemon) carryOut(ctx context.Context, c session.Command) (session.Receipt, error) {
	receipt, err := d.gate.Submit(ctx, c)
	if err != nil || receipt.Ask == "" {
		return receipt, err
	}
	if err := d.take(ctx, receipt); err != nil {
		return receipt, &session.Refusal{
			Code: "not asked", Params: map[string]string{"instrument": receipt.Ask, "error": err.Error()},
			Message: fmt.Sprintf("the take is recorded, but %s could not be asked: %v", receipt.Ask, err),
			Instead: "check that it is on and plugged in, or press its own button",
		}
	}
	return receipt, nil
}

// pageAddress is where the page is served.
func (d *daemon) pageAddress() string {
	if d.page == nil {
		return config.Off
	}
	return d.page.Addr()
}

// A pageFace answers the control socket about pages that give commands.
type pageFace struct{ d *daemon }

// Invite makes a one-time code.
func (f pageFace) Invite(page string) (control.Invitation, error) {
	if f.d.page == nil {
		return control.Invitation{}, &session.Refusal{Code: "no page", Message: "this daemon serves no page", Instead: `give it an address in its configuration, like page = "127.0.0.1:8080"`}
	}
	v, err := f.d.page.Invite(page)
	return control.Invitation{Page: v.Page, Code: v.Code, Seconds: v.Life.Seconds(), Address: f.d.pageAddress()}, err
}

// Pages lists the pages that are paired.
func (f pageFace) Pages() []control.PairedPage {
	pages := []control.PairedPage{}
	for _, p := range f.d.bench.Desk().Pages {
		pages = append(pages, control.PairedPage{Page: p.Page, Since: p.Since})
	}
	return pages
}
