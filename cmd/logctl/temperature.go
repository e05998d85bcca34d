package main

import (
	"github.com/spf13/cobra"

	"shimwright/session"
)

func (a *app) temperatureCommand() *cobra.Command {
	var u string
	cmd := &cobra.Command{
		Use: "temperature WHAT CELSIUS", Short: "Note how warm a part or the shop is", Args: between(2, 2),
		Long: `temperature notes how warm a part of the plan is, or the shop. A part that is too
warm is not measured until it has cooled; the others are corrected to 20 °C.`,
		Example: `  logctl temperature shop 23.5
  logctl temperature pump-half 31 --u 1`,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.do(cmd, session.Command{Do: session.TakeTemperature, Of: args[0], Celsius: args[1], U: u}, a.moved)
		},
	}
	cmd.Flags().StringVar(&u, "u", "", "standard uncertainty in `KELVIN`; 0.5 if not given")
	return cmd
}
