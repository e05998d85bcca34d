package calc

import (
	"testing"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestGap(t *testing.T) {
	for _, c := range []struct {
		name, want string
		terms      []Term
	}{
		// common practice, no published source
		{"the trade's case", "0.5", []Term{{"depth", 1, d("31.88")}, {"depth", 1, d("4.29")}, {"gasket", 1, d("0.22")}, {"width", -1, d("35.89")}}},
		{"tenths are exact", "0.3", []Term{{"a", 1, d("0.1")}, {"b", 1, d("0.2")}}},
		{"negative", "-0.000000001", []Term{{"a", -1, d("0.000000001")}}},
		{"subtracting a negative", "3", []Term{{"a", 1, d("1")}, {"b", -1, d("-2")}}},
		{"two depths over one bar", "36.17", []Term{{"depth", 1, d("51.88")}, {"depth", 1, d("24.29")}, {"bar", -2, d("20")}}},
		{"a bar that cancels", "0.02", []Term{{"depth", 1, d("51.88")}, {"depth", -1, d("51.86")}, {"bar", 0, d("20")}}},
		{"as many as may be", "8999999999.991", []Term{{"a", 4500, d("999999.999999")}, {"b", -4500, d("-999999.999999")}, {"c", 0, d("1")}}},
	} {
		got, err := Gap(c.terms)
		require.NoError(t, err, c.name)
		assert.Equal(t, c.want, got.String(), c.name)
	}
}

func TestGapRefuses(t *testing.T) {
	for _, c := range []struct {
		field, problem string
		terms          []Term
	}{
		{"terms", "has 0 terms", nil},
		{"terms", "has 1001 terms", make([]Term, 1001)},
		{"terms[0].c", "(a) is 9001; all of a chain must come to 9000 or less", []Term{{"a", 9001, d("1")}}},
		{"terms[0].c", "(a) is -9001", []Term{{"a", -9001, d("1")}}},
		{"terms[1].c", "(b) is -2", []Term{{"a", 8999, d("1")}, {"b", -2, d("1")}}},
		{"terms[2].c", "(c) is 1", []Term{{"a", -4500, d("1")}, {"b", 4500, d("1")}, {"c", 1, d("1")}}},
		{"terms[0].value", "(a) is a million", []Term{{"a", 1, decimal.New(1, 6)}}},
	} {
		_, err := Gap(c.terms)
		refused(t, err, c.field, c.problem)
	}
	_, err := Gap(make([]Term, 1000))
	require.NoError(t, err)
}

// The sum is that of the decimal library, in any order.
func TestGapIsTheExactSum(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		terms := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Term {
			return Term{"x", rapid.IntRange(-9, 9).Draw(t, "c"), decimal.New(rapid.Int64Range(-1e14, 1e14).Draw(t, "v"), -9)}
		}), 1, 12).Draw(t, "terms")
		want := decimal.Zero
		for _, x := range terms {
			want = want.Add(x.Value.Mul(decimal.NewFromInt(int64(x.C))))
		}
		for _, order := range [][]Term{terms, rapid.Permutation(terms).Draw(t, "order")} {
			got, err := Gap(order)
			require.NoError(t, err)
			require.True(t, want.Equal(got), "%s, not %s", got, want)
		}
	})
}
