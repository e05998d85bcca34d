package main

import (
	"context"
	"fmt"
	"net/http"
	"strings"

	"github.com/spf13/cobra"

	"shimwright/cmd/loggerd/control"
	"shimwright/session"
	"shimwright/session/wording"
)

func (a *app) portsCommand() *cobra.Command {
	return &cobra.Command{
		Use: "ports", Short: "What is plugged in, what it is bound to, what hinders it", Args: between(0, 0),
		Long: `Lists the serial ports as the daemon sees them, without opening any: what is
plugged in and what a profile can call it, which instrument it is bound to, which
other programs have it open, and why it cannot be opened.

In a profile write one of the names as the port. by-id and serial follow the
adapter wherever it is plugged in; by-path follows the socket, for adapters
without a number of their own.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			list, err := a.ports(cmd.Context())
			if err != nil {
				return err
			}
			if a.json {
				return a.emit(list)
			}
			a.page.ports(list)
			return nil
		},
	}
}

// ports gets the list of ports from the daemon.
func (a *app) ports(ctx context.Context) (control.PortList, error) {
	var list control.PortList
	c, err := a.client()
	if err != nil {
		return list, err
	}
	ctx, cancel := context.WithTimeout(ctx, answerTime)
	defer cancel()
	return list, c.ask(ctx, http.MethodGet, "/v1/ports", nil, &list)
}

func (p *page) ports(list control.PortList) {
	if len(list.Ports) == 0 {
		p.para("", "", "No serial port is plugged in, and no profile names one.")
	}
	for i, v := range list.Ports {
		if i > 0 {
			p.gap()
		}
		p.port(v)
	}
	if list.Unseen > 0 {
		p.gap()
		p.para("", "", fmt.Sprintf("The daemon may not look into %d processes, so another program may hold a port without being named here.", list.Unseen))
	}
}

func (p *page) port(v control.PortView) {
	head := v.Device
	if head == "" {
		head = "not plugged in"
	}
	bound := "bound to no instrument"
	if v.Instrument != "" {
		bound = v.Instrument + ": " + wording.English.Port(session.InstrumentView{Port: v.Bound, State: v.State, Detail: v.Detail})
	}
	p.strong("", "  ", head+", "+bound)
	if what := strings.TrimSpace(v.Maker + " " + v.Model); what != "" || v.Vendor != "" {
		p.para("  ", "    ", strings.TrimSpace(fmt.Sprintf("%s (%s:%s)", what, v.Vendor, v.Product)))
	}
	if v.Bound != "" && v.Bound != v.Device {
		p.para("  profile: ", "    ", "port = "+v.Bound)
	}
	for _, name := range v.Names {
		p.para("  name: ", "    ", name)
	}
	for _, h := range v.HeldBy {
		p.para("  ! ", "    ", fmt.Sprintf("held by %s, process %d; close it there", program(h), h.Process))
	}
	if v.Problem != "" {
		p.para("  ! ", "    ", "cannot be opened: "+v.Problem)
		p.para("  do: ", "    ", v.Mend)
	}
}

func program(h control.PortHolder) string {
	if h.Program == "" {
		return "another program"
	}
	return h.Program
}
