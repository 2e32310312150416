package compliance_test

import (
	"fmt"
	"math/big"
	"math/rand/v2"
	"testing"

	"coldsection.example/services/compliance/internal/life"
	"coldsection.example/services/platform/referencetest"
)

// The formula of starts and flights in exact fractions by another library: Python's fractions. Factors are decimals, as documents state them.
const lives = `
from fractions import Fraction as F
import math
figures["used"], figures["left"], figures["exact"] = [], [], []
for one in given:
    total, share = F(0), F(0)
    for starts, flights, acf, fcf, limit in one["uses"]:
        n = F(fcf) * (int(starts) + max(0, int(flights) - int(starts)) / F(acf))
        total += n
        share += n / int(limit)
    figures["used"].append(math.ceil(total))
    figures["exact"].append(total)
    now = int(one["limit"])
    figures["left"].append(math.floor((1 - share) * now) if one["prorated"] else now - math.ceil(total))
`

func TestLivesBesideExactFractions(t *testing.T) {
	type given struct {
		Uses     [][5]string `json:"uses"`
		Limit    string      `json:"limit"`
		Prorated bool        `json:"prorated"`
	}
	factor := func(decimal string) *big.Rat {
		r, ok := life.Factor(decimal)
		if !ok {
			t.Fatalf("%q is no factor", decimal)
		}
		return r
	}
	from := rand.New(rand.NewPCG(4711, 1)) // the same numbers in every run
	factors := []string{"1", "1.2", "0.35", "2.75", "3", "7", "0.9"}
	pick := func() string { return factors[from.IntN(len(factors))] }
	var all []given
	var used, left, exact []float64
	for range 300 {
		g, uses := given{Limit: "9000", Prorated: from.IntN(2) == 0}, []life.Use(nil)
		for i := range 1 + from.IntN(3) {
			starts, flights, limit := from.Int64N(900), from.Int64N(2500), 9000+1000*from.Int64N(3)
			acf, fcf := pick(), pick()
			g.Uses = append(g.Uses, [5]string{fmt.Sprint(starts), fmt.Sprint(flights), acf, fcf, fmt.Sprint(limit)})
			uses = append(uses, life.Use{Where: fmt.Sprint(i), Starts: starts, Flights: flights, Limit: life.Limit{
				Formula: life.StartsAndFlights, Abbreviated: factor(acf), FlightCount: factor(fcf), Cycles: limit, Prorated: g.Prorated,
			}})
		}
		s := life.Count(uses, life.Limit{Formula: life.StartsAndFlights, Abbreviated: big.NewRat(1, 1), FlightCount: big.NewRat(1, 1), Cycles: 9000, Prorated: g.Prorated})
		n, _ := s.Exact.Float64()
		all, used, left, exact = append(all, g), append(used, float64(s.Used)), append(left, float64(s.Left)), append(exact, n)
	}
	says := referencetest.Python(t, lives, all)
	referencetest.Agree(t, "used", used, says["used"], 0)
	referencetest.Agree(t, "left", left, says["left"], 0)
	referencetest.Agree(t, "exact", exact, says["exact"], 1e-15)
}
