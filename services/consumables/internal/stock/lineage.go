package stock

import (
	"cmp"
	"fmt"
	"math/big"
	"slices"
)

// Edge is a step of a lot's origin: so much of origin went into target.
type Edge struct {
	Target, Origin, Movement string
	Amount                   Micro
}

// Reach is the lot and what it leads to, nearest first, with the number of steps to each; every lot comes once, so that no
// cycle can hold it up. Forward goes to what was made of the lot, else to what it was made of.
func Reach(lot string, edges []Edge, forward bool) (order []string, depth map[string]int) {
	next := map[string][]string{}
	for _, e := range edges {
		if forward {
			next[e.Origin] = append(next[e.Origin], e.Target)
		} else {
			next[e.Target] = append(next[e.Target], e.Origin)
		}
	}
	order, depth = []string{lot}, map[string]int{lot: 0}
	for i := 0; i < len(order); i++ {
		for _, n := range next[order[i]] {
			if _, seen := depth[n]; !seen {
				depth[n] = depth[order[i]] + 1
				order = append(order, n)
			}
		}
	}
	return order, depth
}

// Shares says how much of each amount is the root lot, in proportion to what was mixed into each lot on the way. The shares
// add up to the amounts of the root lot and what was mixed from it; each is rounded by less than one ledger unit, the largest
// remainders up. It fails when the steps go in a circle, which the ledger does not allow.
func Shares(root string, edges []Edge, places []Posting) ([]Micro, error) {
	fraction, err := fractions(root, edges)
	if err != nil {
		return nil, err
	}
	shares, rest, whole := make([]Micro, len(places)), make([]*big.Rat, len(places)), new(big.Rat)
	for i, p := range places {
		exact := new(big.Rat)
		if f, ok := fraction[p.Lot]; ok {
			exact.Mul(f, rat(p.Amount))
		}
		whole.Add(whole, exact)
		floor := new(big.Int).Div(exact.Num(), exact.Denom()) // towards minus infinity, as denominators are positive
		shares[i], rest[i] = Micro(floor.Int64()), new(big.Rat).Sub(exact, new(big.Rat).SetInt(floor))
	}
	total := new(big.Int).Div(whole.Num(), whole.Denom()).Int64()
	for _, s := range shares {
		total -= int64(s)
	}
	order := make([]int, len(places))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return rest[b].Cmp(rest[a]) })
	for _, i := range order[:min(int(max(total, 0)), len(order))] {
		shares[i]++
	}
	return shares, nil
}

// fractions is how much of each lot is the root lot.
func fractions(root string, edges []Edge) (map[string]*big.Rat, error) {
	in, into := map[string]*big.Rat{}, map[string][]Edge{}
	for _, e := range edges {
		if in[e.Target] == nil {
			in[e.Target] = new(big.Rat)
		}
		in[e.Target].Add(in[e.Target], rat(e.Amount))
		into[e.Target] = append(into[e.Target], e)
	}
	done, busy := map[string]*big.Rat{root: big.NewRat(1, 1)}, map[string]bool{}
	var of func(lot string) (*big.Rat, error)
	of = func(lot string) (*big.Rat, error) {
		if f, ok := done[lot]; ok {
			return f, nil
		}
		if busy[lot] {
			return nil, fmt.Errorf("the origin of %s goes in a circle", lot)
		}
		busy[lot] = true
		sum := new(big.Rat)
		for _, e := range into[lot] {
			f, err := of(e.Origin)
			if err != nil {
				return nil, err
			}
			sum.Add(sum, new(big.Rat).Mul(f, rat(e.Amount)))
		}
		if total := in[lot]; total != nil && total.Sign() > 0 {
			sum.Quo(sum, total)
		}
		done[lot] = sum
		return sum, nil
	}
	targets := slices.SortedFunc(slices.Values(edges), func(a, b Edge) int { return cmp.Compare(a.Target, b.Target) })
	for _, e := range targets {
		if _, err := of(e.Target); err != nil {
			return nil, err
		}
	}
	return done, nil
}

func rat(m Micro) *big.Rat { return big.NewRat(int64(m), 1) }
