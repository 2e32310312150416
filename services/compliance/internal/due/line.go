package due

import "strconv"

// Line is the arithmetic of a limit, to be redone by hand.
func (l Left) Line() string {
	text, unit, now := l.Limit.text(), l.Limit.Unit, l.now
	if unit.Calendar() {
		return unit.Driver() + ": " + l.base.Date.String() + " + " + text + " = " + l.Date.String() + ", " + digits(l.Left) + " days from " + now.Today.String() +
			l.extended(now.Extension.Stop)
	}
	word := "from"
	if l.Limit.SinceNew {
		word = "from new,"
	}
	return unit.Driver() + ": " + word + " " + amount(unit, l.At-l.Limit.Amount) + " + " + text + " = " + amount(unit, l.At) +
		", now " + amount(unit, now.Counters.of(unit)) + now.age() + ", left " + amount(unit, l.Left) + now.rateLine(unit, l) + l.extended(now.Extension.Stop)
}

// age says which day the counters are of, where that is not today: who reads it knows what may have been flown since.
func (n *Now) age() string {
	if n.Read.IsZero() || !n.Read.Before(n.Today) {
		return ""
	}
	return " as of " + n.Read.String()
}

func (l Limit) text() string {
	switch l.Unit {
	case CalendarMonthsEnd:
		return digits(l.Amount) + " calendar months (to the month's end)"
	case Months:
		return digits(l.Amount) + " months"
	case Days:
		return digits(l.Amount) + " days"
	case FixedDate:
		return "the fixed date " + l.Fixed.String()
	default:
		return amount(l.Unit, l.Amount)
	}
}

// digits are a whole number. Explanations of whole fleets are made of them at once, which formatting by verbs would make half as slow again.
func digits(n int64) string { return strconv.FormatInt(n, 10) }

// two are the two digits of a number below a hundred.
func two(n int64) string { return string([]byte{byte('0' + n/10), byte('0' + n%10)}) }

func amount(u Unit, n int64) string {
	if u != Hours {
		return digits(n)
	}
	sign := ""
	if n < 0 {
		sign, n = "-", -n
	}
	if n%60 != 0 {
		return sign + digits(n/3600) + ":" + two(n%3600/60) + ":" + two(n%60) + " h"
	}
	return sign + digits(n/3600) + ":" + two(n%3600/60) + " h"
}
