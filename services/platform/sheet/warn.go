package sheet

import (
	"coldsection.example/services/platform/quantity"
)

// warnings flags columns whose values mostly lie where they shouldn't, and names the unit that would explain it.
func (r reader) warnings(records []Record) []Problem {
	var found []Problem
	for i, c := range r.columns {
		if c.want.Range == nil || c.want.Kind != Amount {
			continue
		}
		own, given, line := c.inside(records, i, c.Unit)
		if given == 0 || 2*own >= given {
			continue
		}
		text := sentence("%d of %d values lie outside %g to %g %s, where they usually are.", given-own, given, c.want.Range.Low, c.want.Range.High, c.base().Label)
		if other, label := c.better(records, i, own); other > 0 {
			text += sentence(" Read in %s, %d lie inside. Check the unit in the column's name.", label, other)
		} else {
			text += " Check the column and its unit."
		}
		found = append(found, Problem{Line: line, Column: c.Heading, Reason: "UNIT_UNLIKELY", Text: text})
	}
	return found
}

// inside counts values within the range, read in a unit, and names the line of the first outside.
func (c column) inside(records []Record, at int, unit string) (inside, given, line int) {
	for _, record := range records {
		v := record.values[at]
		if !v.Given {
			continue
		}
		given++
		q, err := quantity.Parse(v.Text, unit)
		if err == nil && q.Canonical() >= c.want.Range.Low && q.Canonical() <= c.want.Range.High {
			inside++
		} else if line == 0 {
			line = record.Line
		}
	}
	return inside, given, line
}

// better is the unit that brings most values inside, and how many.
func (c column) better(records []Record, at, own int) (count int, label string) {
	count = own
	for _, u := range quantity.Units() {
		if u.Dimension != c.want.Dimension || u.Code == c.Unit {
			continue
		}
		if n, _, _ := c.inside(records, at, u.Code); n > count {
			count, label = n, u.Label
		}
	}
	if label == "" {
		return 0, ""
	}
	return count, label
}

// base is the base unit of the column's dimension.
func (c column) base() quantity.Unit {
	for _, u := range quantity.Units() {
		if u.Dimension == c.want.Dimension && quantity.MustParse("1", u.Code).Canonical() == 1 && quantity.MustParse("0", u.Code).Canonical() == 0 {
			return u
		}
	}
	return quantity.MustLookup(c.Unit)
}
