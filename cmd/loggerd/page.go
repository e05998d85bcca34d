package main

import (
	"shimwright/cmd/loggerd/config"
	"shimwright/cmd/loggerd/display"
)

// openPage starts the display page, unless it is off.
func (d *daemon) openPage() error {
	if d.cfg.Page == config.Off {
		return nil
	}
	page, err := display.New(display.Config{Listen: d.cfg.Page, Mailbox: d.bench.Subscribe, Log: d.log})
	if err != nil {
		return err
	}
	if err := page.Listen(); err != nil {
		return err
	}
	d.page = page
	return nil
}

// pageAddress is where the page is served.
func (d *daemon) pageAddress() string {
	if d.page == nil {
		return config.Off
	}
	return d.page.Addr()
}
