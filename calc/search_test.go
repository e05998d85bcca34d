package calc

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Sorting by bytes gives what sorting by comparison gives.
func TestByTotalAgainstComparing(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 3))
	for _, n := range []int{0, 1, 2, 300, 3000} {
		for _, widest := range []int64{1, 5, 70_000, 1 << 50} {
			for _, squares := range []int{1, 4, -4} {
				packs := make([]pack, n)
				want := make([]entry, n)
				for i := range packs {
					packs[i] = pack{total: length(random.Int64N(widest)), n: uint8(random.IntN(10)), square: 1e-6 * float64(random.IntN(max(squares, -squares)))}
					if squares < 0 {
						packs[i].square += 1e-6 // none is exactly known
					}
					want[i] = entry{packs[i].total, packs[i].square, int32(packs[i].n), int32(i)}
				}
				slices.SortFunc(want, func(a, b entry) int {
					return cmp.Or(cmp.Compare(a.total, b.total), cmp.Compare(a.n, b.n), cmp.Compare(a.square, b.square), cmp.Compare(a.rank, b.rank))
				})
				require.Equal(t, want, byTotal(packs), "%d up to %d", n, widest)
			}
		}
	}
}

// The quantile of a folded shape against halving an interval, which is slow and sure.
func TestUpperAgainstHalving(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	for range 300 {
		e := Estimate{U: 0.01, Freedom: certain}
		for range 1 + random.IntN(3) {
			e.Flat = append(e.Flat, 0.01*random.Float64())
		}
		b := e.belief()
		p := []float64{0.55, 0.9, 0.975, 0.995, 0.99999}[random.IntN(5)]
		low, high := 0.0, 1.0
		for range 60 {
			if mid := (low + high) / 2; b.below(mid) < p {
				low = mid
			} else {
				high = mid
			}
		}
		require.InEpsilon(t, high, b.upper(p), 1e-8, "%+v %v", e, p)
	}
	assert.InDelta(t, 0.01*math.Sqrt(3)*0.95, belief{u: 0.01, reach: 0.01 * math.Sqrt(3), n: 1, flat: [maxFlat]float64{0.01 * math.Sqrt(3)}}.upper(0.975), 1e-8)
}

// A direct act leads where Fuse leads when both find the same value.
func TestDirectActIsFused(t *testing.T) {
	b := Budget{Terms: []Weight{{"a", 1}, {"b", -1}}, Causes: []Cause{
		{"one", 0.01, 7, Normal, []Effect{{0, 1}}}, {"both", 0.02, certain, Rectangular, []Effect{{0, 1}, {1, 0.5}}}}}
	act := Act{Name: "feeler", Direct: true, Adds: []Cause{
		{"blade", 0.008, certain, Rectangular, []Effect{{0, 1}}}, {"both", 0.02, certain, Rectangular, []Effect{{0, 0.2}}}}}
	w := Window{d("0.05"), d("0.15"), d("0.1")}
	for _, unstated := range [][]string{nil, {"gasket"}} {
		b.Unstated = unstated
		direct := Budget{Terms: []Weight{{"feeler", 1}}, Causes: act.Adds}
		fused, err := Fuse(Evidence{decimal.Zero, b}, Evidence{decimal.Zero, direct}, 0.95)
		require.NoError(t, err)
		next, err := WhatNext(b, d("0.1"), w, rule2017, 0.95, []Act{act})
		require.NoError(t, err)
		require.Equal(t, fused.Uncertainty, next[0].Uncertainty)
	}
}
