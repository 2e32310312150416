package quantity_test

import (
	"github.com/govalues/decimal"
	"pgregory.net/rapid"
)

func mustDecimal(t *rapid.T, label string) decimal.Decimal {
	return decimal.MustNew(rapid.Int64Range(-1_000_000_000, 1_000_000_000).Draw(t, label), rapid.IntRange(0, 5).Draw(t, label+" scale"))
}
