package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"shimwright/session"
)

func (a *app) stockCommand() *cobra.Command {
	c := session.Command{Do: session.CountStock}
	var buy bool
	cmd := &cobra.Command{
		Use: "stock [NAME SIZE [COUNT]]", Short: "Show or count the shims on hand", Args: between(0, 3),
		Long: `stock shows what is on hand, and what is to buy. With a name and a size it counts: 6
says how many there are, +2 puts in, -1 takes out. A plan takes from the stock that its
key shims names; what is said to be fitted is taken out by itself.`,
		Example: `  logctl stock
  logctl stock --buy
  logctl stock pump-28 0.16 6 --least 2
  logctl stock pump-28 0.20 -1
  logctl stock pump-28 0.25 --measured 0.252 --u 0.001`,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) < 2 {
				return a.showStock(cmd, argument(args), buy)
			}
			c.Stock, c.Size = args[0], args[1]
			if len(args) == 3 {
				c.Count = args[2]
			}
			return a.do(cmd, c, func(_ session.Receipt, s session.Snapshot) { a.page.stocks(s.Stocks, c.Stock, false) })
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&c.Least, "least", "", "how `MANY` should be on hand")
	flags.StringVar(&c.Tolerance, "tolerance", "", "± `MM` about the thickness; 0.01 if not given")
	flags.StringVar(&c.Value, "measured", "", "the thickness in `MM`, where it was measured")
	flags.StringVar(&c.U, "u", "", "its standard uncertainty in `MM`; 0.002 if not given")
	flags.BoolVar(&buy, "buy", false, "list only what is to buy")
	return cmd
}

func (a *app) showStock(cmd *cobra.Command, name string, buy bool) error {
	s, err := a.latest(cmd)
	if err != nil {
		return err
	}
	var views []session.StockView
	for _, v := range s.Stocks {
		if name == "" || v.Name == name {
			views = append(views, v)
		}
	}
	if name != "" && len(views) == 0 {
		return fail(exitNotFound, "there is no stock %q; logctl stock lists them", name)
	}
	if a.json {
		return a.emit(append([]session.StockView{}, views...))
	}
	a.page.stocks(views, "", buy)
	return nil
}

// stocks lists the stocks, or the one that is named.
func (p *page) stocks(all []session.StockView, name string, buy bool) {
	if len(all) == 0 {
		p.para("", "", "No stock is kept yet. Count a size with: logctl stock NAME SIZE COUNT")
		return
	}
	for _, v := range all {
		if name != "" && v.Name != name {
			continue
		}
		if !buy {
			p.para("", "", "Stock "+v.Name)
			p.table("  ", stockRows(v.Shims))
		}
		for _, b := range v.Buy {
			p.strong("BUY   ", "      ", fmt.Sprintf("%d of %s mm for %s", b.Count, b.Size, v.Name))
		}
	}
}

// stockRows lists sizes with their counts, one a line.
func stockRows(shims []session.Shim) [][]string {
	rows := [][]string{{"size", "count", "at least", "thickness in mm"}}
	for _, s := range shims {
		size, known := s.Thickness, "±"+s.Tolerance.String()
		thickness := s.Thickness.String() + " " + known
		if s.Size != nil {
			size, thickness = *s.Size, fmt.Sprintf("%s measured, standard uncertainty %s", s.Thickness, s.U)
		}
		least := ""
		if s.Least > 0 {
			least = fmt.Sprint(s.Least)
		}
		rows = append(rows, []string{size.String(), fmt.Sprint(s.Count), least, thickness})
	}
	return rows
}
