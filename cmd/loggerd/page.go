package main

func (d *daemon) openPage() error { return nil }

func (d *daemon) pageAddress() string { return d.cfg.Page }
