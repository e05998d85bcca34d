package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"shimwright/session"
	"shimwright/session/wording"
)

// barWidth is the longest bar of the budget, in characters.
const barWidth = 16

// budget shows what the gap may be wrong by, biggest cause first: a bar for its
// share, what it contributes, and its name.
func (p *page) budget(a session.Advice) {
	b := a.Budget
	if b == nil {
		p.gap()
		p.para("", "", wording.English.Uncertainty(a))
		return
	}
	p.gap()
	p.para("", "  ", fmt.Sprintf("THE BUDGET of the gap, u in mm: u = %s, k = %s with %s, U = %s (%s, %s)",
		b.U.String(), strconv.FormatFloat(b.K, 'g', 3, 64), freedom(b.Freedom), b.Expanded.String(), percent(b.Coverage), ways(b.Way)))
	rows := make([][]string, 0, len(b.Lines))
	for _, l := range b.Lines {
		rows = append(rows, []string{shareBar(l.Share), l.Contribution.String(), fmt.Sprintf("%s (%s, %s)", l.Name, l.Shape, freedom(l.Freedom))})
	}
	p.table("  ", rows)
	p.para("", "  ", fmt.Sprintf("Decision rule: %s, probability inside at least %s.", b.Edition, percent(b.Level)))
	for _, r := range a.Assumed {
		p.para("", "  ", "Assumed: "+wording.English.Reason(r)+".")
	}
	if d := a.Drawn; d != nil {
		p.para("", "  ", fmt.Sprintf("Monte Carlo, %d draws from seed %d: end float %s to %s mm, u = %s, probability inside %.4f.",
			d.Draws, d.Seed, d.Low.String(), d.High.String(), d.U.String(), d.Inside))
	}
}

// shareBar draws a share; one that is not nothing has at least a mark.
func shareBar(share float64) string {
	n := int(math.Round(share * barWidth))
	if n < 1 {
		return "." + strings.Repeat(" ", barWidth-1)
	}
	n = min(n, barWidth)
	return strings.Repeat("#", n) + strings.Repeat(" ", barWidth-n)
}

func freedom(nu float64) string {
	if nu == 0 {
		return "d.f. without end"
	}
	if nu == 1 {
		return "1 degree of freedom"
	}
	return strconv.FormatFloat(nu, 'f', -1, 64) + " degrees of freedom"
}

func percent(n session.Number) string {
	return strconv.FormatFloat(n.InexactFloat64()*100, 'f', -1, 64) + " %"
}

func ways(way string) string {
	switch way {
	case "convolution":
		return "by exact convolution, since one cause that is not normal dominates"
	case "draws":
		return "by Monte Carlo, since one cause that is not normal dominates"
	}
	return "by Student's t"
}
