package due_test

import (
	"math/big"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/compliance/internal/due"
)

// 11 h at 1.1 h a day are 10 whole days; 1.1 times 3,600 in binary is a little more than 3,960, which would give 9.
func TestARateIsTheDecimalThatItIsWrittenAs(t *testing.T) {
	got := due.Limit{Unit: due.Hours, Amount: 11 * 3600}.Compute(due.Base{Date: today}, due.Now{Today: today, Rate: due.Rate{HoursPerDay: 1.1}})
	if got.Projected != today.AddDays(10) || !strings.Contains(got.Line(), "at 1.1 h a day 10 whole days after 2025-06-01 = 2025-06-11") {
		t.Errorf("%s: %s", got.Projected, got.Line())
	}
}

// What the line says gives the date again: days are the largest whole number for which days times rate is no more than what is left.
func TestTheLineRedoesTheDate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rate := float64(rapid.IntRange(10, 2400).Draw(t, "hundredths")) / 100
		left := rapid.Int64Range(0, 5_000_000).Draw(t, "left")
		got := due.Limit{Unit: due.Hours, Amount: left}.Compute(due.Base{Date: today}, due.Now{Today: today, Rate: due.Rate{HoursPerDay: rate}})
		_, text, _ := strings.Cut(got.Line(), ", at ")
		written, rest, _ := strings.Cut(text, " h a day ")
		count, _, _ := strings.Cut(rest, " whole days")
		days, err := strconv.ParseInt(count, 10, 64)
		if err != nil {
			t.Fatalf("no days in %q", got.Line())
		}
		if seconds := readSpan(t, between(got.Line(), "left ", " h,")); seconds != left {
			t.Fatalf("%d s left, the line says %d s: %s", left, seconds, got.Line())
		}
		perDay, _ := new(big.Rat).SetString(written)
		perDay.Mul(perDay, big.NewRat(3600, 1))
		used := func(n int64) *big.Rat { return new(big.Rat).Mul(perDay, big.NewRat(n, 1)) }
		all := big.NewRat(left, 1)
		if used(days).Cmp(all) > 0 || used(days+1).Cmp(all) <= 0 || got.Projected != today.AddDays(int(days)) {
			t.Fatalf("%s for %s", got.Projected, got.Line())
		}
	})
}

func between(s, start, end string) string {
	_, s, _ = strings.Cut(s, start)
	s, _, _ = strings.Cut(s, end)
	return s
}

// readSpan reads hours, minutes and, if any, seconds, as a person would.
func readSpan(t *rapid.T, text string) (seconds int64) {
	parts := strings.Split(text+":00", ":")[:3]
	for _, part := range parts {
		n, err := strconv.ParseInt(part, 10, 64)
		if err != nil {
			t.Fatalf("%q is no time", text)
		}
		seconds = seconds*60 + n
	}
	return seconds
}

// Whole days are those of exact arithmetic, near whole numbers of days too.
func TestDaysAreThoseOfExactArithmetic(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		hundredths, days := rapid.Int64Range(1, 2400).Draw(t, "hundredths"), rapid.Int64Range(0, 10_000).Draw(t, "days")
		left := max(hundredths*36*days+rapid.Int64Range(-2, 2).Draw(t, "beside"), 0)
		got := due.Limit{Unit: due.Hours, Amount: left}.Compute(due.Base{Date: today}, due.Now{Today: today, Rate: due.Rate{HoursPerDay: float64(hundredths) / 100}})
		if want := left / (hundredths * 36); got.Projected != today.AddDays(int(want)) {
			t.Fatalf("%s, want %d days", got.Projected, want)
		}
	})
}
