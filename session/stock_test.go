package session

import (
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// stockedPlan takes from the stock pump-28, which it begins.
func stockedPlan(t *testing.T) string {
	return replacing(t, "plan  = ", "shims = \"pump-28\"\nplan  = ")(readPlanFile(t, "pump-bottom-end-short.toml"))
}

func (r *rig) have(size string) int {
	r.t.Helper()
	for _, v := range r.bench.Snapshot().Stocks {
		if i := shimOf(v.Shims, mm(size)); i >= 0 && v.Name == "pump-28" {
			return v.Shims[i].Count
		}
	}
	r.t.Fatalf("no size %s in stock", size)
	return 0
}

func TestAStockIsKeptOverJobs(t *testing.T) {
	r := newRig(t)
	r.do(Command{Do: Begin, Plan: stockedPlan(t), Operator: "mo"})
	require.Equal(t, 6, r.have("0.16"), "as the plan lists it")
	measureMetal(r)
	measureGasket(r)
	require.Equal(t, "0.16", r.advice().Best.Packs[0].Total.String())
	r.do(Command{Do: Fitting})
	require.Equal(t, 4, r.have("0.16"))
	r.do(Command{Do: Fitting, Packs: []SaidPack{{"flywheel side", []string{"0.20"}}}})
	require.Equal(t, 5, r.have("0.16"), "one came out again")
	require.Equal(t, 3, r.have("0.20"))
	r.do(Command{Do: End, Note: "done"})
	require.Equal(t, 5, r.have("0.16"))

	r.start()
	require.Equal(t, 5, r.have("0.16"), "it outlives a restart")
	r.do(Command{Do: CountStock, Stock: "pump-28", Size: "0.16", Count: "0"})
	r.do(Command{Do: Begin, Plan: stockedPlan(t), Operator: "mo"})
	measureMetal(r)
	measureGasket(r)
	for _, pack := range r.advice().Best.Packs {
		for _, piece := range pack.Pieces {
			require.NotEqual(t, "0.16", piece.String(), "there is none left")
		}
	}
	r.do(Command{Do: CountStock, Stock: "pump-28", Size: "0.16", Count: "+6"})
	require.Equal(t, "0.16", r.advice().Best.Packs[0].Total.String(), "advice follows what is bought")
}

func TestAnAdviceCountsWhatIsInTheEngineAlready(t *testing.T) {
	r := newRig(t)
	r.do(Command{Do: CountStock, Stock: "pump-28", Size: "0.16", Count: "2"})
	r.do(Command{Do: Begin, Plan: stockedPlan(t), Operator: "mo"})
	measureMetal(r)
	measureGasket(r)
	r.do(Command{Do: Fitting})
	require.Zero(t, r.have("0.16"))
	require.Equal(t, "0.32", r.advice().Best.Total.String(), "both are in the engine, and may stay")
	r.do(Command{Do: CountStock, Stock: "pump-28", Size: "0.20", Count: "1"})
	require.Equal(t, "0.32", r.advice().Best.Total.String())
}

func TestAMeasuredShimGoesByItsSize(t *testing.T) {
	r := newRig(t)
	r.do(Command{Do: CountStock, Stock: "pump-28", Size: "0.16", Count: "4", Value: "0.163", U: "0.001"})
	r.do(Command{Do: Begin, Plan: stockedPlan(t), Operator: "mo"})
	measureMetal(r)
	measureGasket(r)
	pack := r.advice().Best.Packs[0]
	require.Equal(t, "0.163", pack.Pieces[0].String())
	require.Equal(t, "0.16", pack.Sizes[0].String())
	require.InDelta(t, 0.4828-2*0.163, r.advice().Best.EndFloat.InexactFloat64(), 1e-9)
	r.do(Command{Do: Fitting, Packs: []SaidPack{{"pump side", []string{"0.16"}}, {"flywheel side", []string{"0.16"}}}})
	require.Equal(t, 2, r.have("0.16"), "a person names the size")
}

func TestWhatIsToBuy(t *testing.T) {
	r := newRig(t)
	r.do(Command{Do: CountStock, Stock: "pump-28", Size: "0.16", Count: "3", Least: "4", Tolerance: "0.004"})
	r.do(Command{Do: CountStock, Stock: "pump-28", Size: "0.08", Count: "4", Least: "4"})
	v := r.bench.Snapshot().Stocks[0]
	require.Equal(t, "0.08", v.Shims[0].Thickness.String(), "thinnest first")
	require.Equal(t, []Buy{{mm("0.16"), 1}}, v.Buy)
	require.Equal(t, "0.004", v.Shims[1].Tolerance.String())
	r.do(Command{Do: CountStock, Stock: "pump-28", Size: "0.16", Count: "+1"})
	require.Empty(t, r.bench.Snapshot().Stocks[0].Buy)
}

func TestStockIsRefused(t *testing.T) {
	r := newRig(t)
	r.do(Command{Do: CountStock, Stock: "pump-28", Size: "0.16", Count: "2"})
	for _, c := range []struct {
		code    string
		command Command
	}{
		{"bad name", Command{Stock: "Pump 28", Size: "0.16"}},
		{"bad number", Command{Stock: "pump-28", Size: "thin"}},
		{"bad number", Command{Stock: "pump-28", Size: "0"}},
		{"bad number", Command{Stock: "pump-28", Size: "0.16", Count: "many"}},
		{"bad number", Command{Stock: "pump-28", Size: "0.16", Count: "10001"}},
		{"below zero", Command{Stock: "pump-28", Size: "0.16", Count: "-3"}},
		{"below zero", Command{Stock: "pump-28", Size: "0.20", Count: "-1"}},
		{"bad number", Command{Stock: "pump-28", Size: "0.16", Least: "-1"}},
		{"bad number", Command{Stock: "pump-28", Size: "0.16", Tolerance: "-0.1"}},
		{"bad number", Command{Stock: "pump-28", Size: "0.16", Value: "1.6"}},
		{"bad number", Command{Stock: "pump-28", Size: "0.16", Value: "0.16", U: "-1"}},
	} {
		c.command.Do = CountStock
		require.Equal(t, c.code, r.refused(c.command), "%+v", c.command)
	}
	require.Equal(t, 2, r.have("0.16"))
	full := newRig(t)
	for i := range mostSizes {
		full.do(Command{Do: CountStock, Stock: "x", Size: fmt.Sprintf("0.%d", 100+i), Count: "1"})
	}
	require.Equal(t, "too many sizes", full.refused(Command{Do: CountStock, Stock: "x", Size: "9", Count: "1"}))
}

func TestAPlanWithAMinimumBelowZero(t *testing.T) {
	_, err := ReadPlan("p.toml", []byte(strings.Replace(stockedPlan(t), "count     = 4", "count     = 4\nleast = -1", 1)))
	require.ErrorContains(t, err, "minimum of -1 shims")
	_, err = ReadPlan("p.toml", []byte(strings.Replace(stockedPlan(t), `shims = "pump-28"`, `shims = "Pump 28"`, 1)))
	require.ErrorContains(t, err, "cannot be typed as a name")
}

// gears plays the recorded job of the gearbox, with so many shims of each size, up to
// where the first are fitted.
func gears(t *testing.T, count int) *rig {
	t.Helper()
	r := newRig(t, otherQuantities()...)
	text, err := os.ReadFile("../testdata/jobs/gearbox-three-shafts/script.jsonl")
	require.NoError(t, err)
	for _, line := range strings.Split(strings.TrimSpace(string(text)), "\n") {
		var a scriptLine
		require.NoError(t, decodeStrictly([]byte(line), &a))
		if a.Plan != "" {
			plan := regexp.MustCompile(`count     = \d+`).ReplaceAllString(readPlanFile(t, a.Plan), fmt.Sprint("count = ", count))
			a.Command.Plan, a.Plan = plan, ""
		}
		if a.Command != nil && a.Command.Do == Fitting {
			break
		}
		r.act(a)
	}
	return r
}

// What all chains of a job are advised together is on hand, fitted or not; where a
// chain has to do without a shim it says which and who has it.
func TestChainsShareOneStock(t *testing.T) {
	for count := 1; count <= 3; count++ {
		r, without := gears(t, count), 0
		for range 4 { // nothing fitted yet, then one chain after the other, the last first
			s := r.bench.Snapshot()
			left, next := slices.Clone(s.Stocks[0].Shims), ""
			for _, f := range s.Job.Fitted {
				for _, pack := range f.Packs {
					for _, piece := range pack.Pieces {
						left[shimOf(left, piece)].Count++
					}
				}
			}
			for _, a := range s.Advice {
				for _, piece := range a.Best.Packs[0].Pieces {
					i := shimOf(left, piece)
					left[i].Count--
					require.GreaterOrEqual(t, left[i].Count, 0, "%s, %d of each", a.Chain, count)
				}
				for _, f := range a.Findings {
					if f.Code == "shim meant for another chain" {
						without++
						i := slices.IndexFunc(s.Advice, func(o Advice) bool { return o.Title == f.Params["chain"] })
						require.Contains(t, s.Advice[i].Best.Packs[0].Pieces, mm(f.Params["size"]), "it is meant for that one")
					}
				}
				if !slices.ContainsFunc(s.Job.Fitted, func(f FittedView) bool { return f.Chain == a.Chain }) {
					next = a.Chain
				}
			}
			if next != "" {
				r.do(Command{Do: Fitting, Chain: next})
			}
		}
		require.Equal(t, count == 1, without > 0, "%d of each", count)
	}
}

// A step at which shims go in is done once somebody said that those advised are in.
func TestShimsAreInBeforeTheirStepIsDone(t *testing.T) {
	r := gears(t, 12)
	r.requireAt("gears-in", 0)
	require.Len(t, r.bench.Snapshot().Step.Packs, 3, "what to put in")
	require.Equal(t, "shims not said", r.refused(Command{Do: Confirm}))
	for _, chain := range []string{"input-float", "layshaft-float"} {
		r.do(Command{Do: Fitting, Chain: chain})
	}
	require.Equal(t, "shims not said", r.refused(Command{Do: Confirm}))
	r.do(Command{Do: Fitting, Chain: "output-float", Packs: []SaidPack{{"output cover side", []string{"0.08"}}}})
	require.Equal(t, "other shims in", r.refused(Command{Do: Confirm}))
	r.do(Command{Do: Fitting, Chain: "output-float"})
	require.Empty(t, r.bench.Snapshot().Step.Packs)
	r.do(Command{Do: Confirm})
	require.True(t, r.step("gears-in").Closed)

	_, err := ReadPlan("p.toml", []byte(strings.Replace(readPlanFile(t, "pump-gearbox.toml"), `"output-float"]`, `"outer-float"]`, 1)))
	require.ErrorContains(t, err, `there is no chain "outer-float" that takes shims`)
}
