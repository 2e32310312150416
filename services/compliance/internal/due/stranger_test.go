package due_test

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"

	"pgregory.net/rapid"

	"coldsection.example/services/compliance/internal/due"
)

// A stranger has the line of arithmetic and nothing else: no code of this package or of package civil is used to redo it.

var (
	byCalendar = regexp.MustCompile(`^calendar: (\S+) \+ (?:(\d+) (days|months|calendar months \(to the month's end\))|the fixed date (\S+))` +
		` = (\S+), (-?\d+) days from (\S+?)(, extended by .*)?$`)
	byCounter = regexp.MustCompile(`^(hours|cycles|starts): from (new, )?(\S+?)(?: h)? \+ (\S+?)(?: h)? = (\S+?)(?: h)?` +
		`, now (\S+?)(?: h)?(?: as of \d{4}-\d\d-\d\d)?, left (\S+?)(?: h)?(?:, (at .*?|no flying .*?))?(, extended by .*)?$`)
	byRate    = regexp.MustCompile(`^at (\S+) (?:h|cycles) a day (?:\((.*)\), )?(\d+) (?:whole days|days flown) after (\S+) = (\S+)$`)
	noDate    = regexp.MustCompile(`^at (\S+) (?:h|cycles) a day (?:\((.*)\), )?more than 200 years away, so no date$`)
	exception = regexp.MustCompile(`^(?:(\S+) (?:h|cycles) a day|(\S+) %|(nothing)) (?:in months (\d+) to (\d+)|from (\S+) through (\S+))$`)
	extended  = regexp.MustCompile(`^, extended by (\S+?)(?: h| days)? to (\S+?)(?: h)?(?:, at the latest through (\S+))?$`)
	driven    = regexp.MustCompile(`^(.*?)\.(?: What counts is (.*)\.)? Driven by (\w+): (.*?)\.( Near is .*\.)?$`)
)

// byHand is what a limit comes to by hand.
type byHand struct {
	unit     string
	left     int64
	day      time.Time // zero when there is none
	severity int       // 0 ahead, 1 near, 2 reached, 3 over within an extension, 4 over
}

// reached is the severity of what is not ahead any more.
func (h byHand) reached() int {
	if h.severity < 2 {
		return 0
	}
	return h.severity
}

func dayOf(t rapid.TB, text string) time.Time {
	d, err := time.Parse(time.DateOnly, text)
	if err != nil {
		t.Fatalf("%q: %v", text, err)
	}
	return d
}

// monthsOn is so many months later by hand: the same day of that month, or its last one when it has no such day or that is asked for.
func monthsOn(from time.Time, n int, toEnd bool) time.Time {
	last := time.Date(from.Year(), from.Month()+time.Month(n+1), 0, 0, 0, 0, 0, time.UTC)
	if toEnd || from.Day() > last.Day() {
		return last
	}
	return time.Date(last.Year(), last.Month(), from.Day(), 0, 0, 0, 0, time.UTC)
}

// counted is a counter as it is written: h:mm, h:mm:ss or a whole number.
func counted(text string) int64 {
	sign := int64(1)
	if strings.HasPrefix(text, "-") {
		sign, text = -1, text[1:]
	}
	var n, part int64
	for i, p := range strings.Split(text, ":") {
		if _, err := fmt.Sscan(strings.TrimLeft(p, "0")+" 0", &part); err != nil || strings.Trim(p, "0") == "" {
			part = 0
		}
		if n += part * []int64{3600, 60, 1}[i]; !strings.Contains(text, ":") {
			n = part
		}
	}
	return sign * n
}

// redo redoes one line.
func redo(t rapid.TB, line string, near due.Threshold) byHand {
	if m := byCalendar.FindStringSubmatch(line); m != nil {
		return redoCalendar(t, m, near)
	}
	m := byCounter.FindStringSubmatch(line)
	if m == nil {
		t.Fatalf("a stranger can't read %q", line)
	}
	from, at, left := counted(m[3]), counted(m[3])+counted(m[4]), counted(m[7])
	if at != counted(m[5]) || at-counted(m[6]) != left || m[2] != "" && from != 0 {
		t.Fatalf("by hand it is due at %d with %d left: %s", at, at-counted(m[6]), line)
	}
	h := byHand{unit: m[1], left: left}
	h.day = redoRate(t, h, m[8])
	if h.severity = weigh(left, redoExtension(t, m[9], at, time.Time{}), near.Cycles); m[1] == "hours" {
		h.severity = weigh(left, redoExtension(t, m[9], at, time.Time{}), near.Seconds)
	}
	return h
}

func redoCalendar(t rapid.TB, m []string, near due.Threshold) byHand {
	var n int
	_, _ = fmt.Sscan(m[2], &n)
	h, today := byHand{unit: "calendar"}, dayOf(t, m[7])
	switch {
	case m[4] != "":
		h.day = dayOf(t, m[4])
	case m[3] == "days":
		h.day = dayOf(t, m[1]).AddDate(0, 0, n)
	default:
		h.day = monthsOn(dayOf(t, m[1]), n, m[3] != "months")
	}
	h.left = int64(h.day.Sub(today).Hours() / 24)
	if h.day.Format(time.DateOnly) != m[5] || fmt.Sprint(h.left) != m[6] {
		t.Fatalf("by hand it is %s, %d days left: %s", h.day.Format(time.DateOnly), h.left, m[0])
	}
	h.severity = weigh(h.left, redoExtension(t, m[8], 0, h.day), near.Days)
	return h
}

// redoExtension is by how much a limit may be over.
func redoExtension(t rapid.TB, text string, at int64, day time.Time) int64 {
	if text == "" {
		return 0
	}
	m := extended.FindStringSubmatch(text)
	if m == nil {
		t.Fatalf("a stranger can't read %q", text)
	}
	more, to := counted(m[1]), m[2]
	if day.IsZero() && at+more != counted(to) || !day.IsZero() && day.AddDate(0, 0, int(more)).Format(time.DateOnly) != to {
		t.Fatalf("by hand the extension isn't to %s: %s", to, text)
	}
	return more
}

func weigh(left, more, near int64) int {
	switch {
	case left < -more:
		return 4
	case left < 0:
		return 3
	case left == 0:
		return 2
	case left <= near:
		return 1
	default:
		return 0
	}
}

// redoRate is the day that a counter leads to; zero when there is none.
func redoRate(t rapid.TB, h byHand, text string) time.Time {
	switch {
	case text == "" && h.left >= 0 || text != "" && h.left < 0:
		t.Fatalf("%d left, and it says %q of the day", h.left, text)
	case text == "" || text == "no flying rate is known, so no date":
		return time.Time{}
	}
	if m := noDate.FindStringSubmatch(text); m != nil {
		if _, day := flyOn(t, h, m[1], m[2], dayOf(t, today.String())); !day.IsZero() {
			t.Fatalf("by hand it is %s: %s", day, text)
		}
		return time.Time{}
	}
	m := byRate.FindStringSubmatch(text)
	if m == nil {
		t.Fatalf("a stranger can't read %q", text)
	}
	n, day := flyOn(t, h, m[1], m[2], dayOf(t, m[4]))
	if fmt.Sprint(n) != m[3] || day.Format(time.DateOnly) != m[5] {
		t.Fatalf("by hand it is %d days, %s: %s", n, day.Format(time.DateOnly), text)
	}
	return day
}

// flyOn flies day after day at a rate with its exceptions until less than a day's flying is left: how many days, and the last of them. It
// looks 200 years ahead, and at the day after them, which may be the one that can't be flown. Whole numbers hold a ten-thousandth of a per cent of a per cent.
func flyOn(t rapid.TB, h byHand, rate, exceptions string, today time.Time) (n int, last time.Time) {
	const fine = 10 * 100 * 100 * 100 * 100
	left := h.left * fine
	changes, usual := read(t, h, exceptions), dailyOf(t, h, rate)
	if len(changes) == 0 && usual > 0 {
		if n = int(h.left * 10 / usual); n > 365*200 {
			return 0, time.Time{}
		}
		return n, today.AddDate(0, 0, n)
	}
	last = today
	for i := 1; i <= 365*200+1; i++ {
		day := today.AddDate(0, 0, i)
		flown := usual
		percent := int64(1)
		parts := 0
		for _, c := range changes {
			if !c.on(day) {
				continue
			}
			if c.instead {
				flown = c.daily
				continue
			}
			percent, parts = percent*c.percent, parts+1
		}
		for ; parts < 4; parts++ {
			percent *= 100
		}
		switch flown *= percent; {
		case flown == 0:
			continue
		case flown > left:
			return n, last
		}
		left, n, last = left-flown, n+1, day
	}
	return 0, time.Time{}
}

// dailyOf is a rate of one decimal in tenths of a second or of a cycle.
func dailyOf(t rapid.TB, h byHand, rate string) int64 {
	whole, tenth, _ := strings.Cut(rate, ".")
	n, err := strconv.ParseInt(whole+(tenth + "0")[:1], 10, 64)
	if err != nil || len(tenth) > 1 {
		t.Fatalf("a rate of %q", rate)
	}
	if h.unit == "hours" {
		n *= 3600
	}
	return n
}

// change is one exception from the rate.
type change struct {
	instead        bool // of the rate, as much a day
	daily, percent int64
	first, last    int // months
	from, through  time.Time
}

func (c change) on(day time.Time) bool {
	if !c.from.IsZero() {
		return !day.Before(c.from) && !day.After(c.through)
	}
	month := int(day.Month())
	if c.first <= c.last {
		return c.first <= month && month <= c.last
	}
	return month >= c.first || month <= c.last
}

func read(t rapid.TB, h byHand, exceptions string) (out []change) {
	exceptions = strings.TrimSuffix(exceptions, ", where they meet percentages multiply and the last rate named holds")
	if exceptions == "" {
		return nil
	}
	for text := range strings.SplitSeq(exceptions, ", ") {
		m := exception.FindStringSubmatch(text)
		if m == nil {
			t.Fatalf("a stranger can't read %q", text)
		}
		c := change{instead: m[1] != ""}
		if c.instead {
			c.daily = dailyOf(t, h, m[1])
		}
		if m[6] != "" {
			c.from, c.through = dayOf(t, m[6]), dayOf(t, m[7])
		}
		_, _ = fmt.Sscan(m[2], &c.percent)
		_, _ = fmt.Sscan(m[4], &c.first)
		_, _ = fmt.Sscan(m[5], &c.last)
		out = append(out, c)
	}
	return out
}

// combine reads "the first of 1 and (the last of 2 and 3)" and gives what counts, with the severity of them all.
func combine(words string, all []byHand) (found byHand) {
	words = strings.TrimSuffix(strings.TrimPrefix(words, "("), ")")
	last := strings.HasPrefix(words, "the last of ")
	if !last && !strings.HasPrefix(words, "the first of ") {
		var n int
		_, _ = fmt.Sscan(words, &n)
		return all[n-1]
	}
	_, rest, _ := strings.Cut(words, " of ")
	for depth, from, i := 0, 0, 0; i <= len(rest); i++ {
		if i < len(rest) && !strings.HasPrefix(rest[i:], " and ") || depth > 0 && i < len(rest) {
			depth += strings.Count(rest[i:i+1], "(") - strings.Count(rest[i:i+1], ")")
			continue
		}
		part := combine(rest[from:i], all)
		severity := part.severity
		if from != 0 {
			if severity = max(part.severity, found.severity); last {
				severity = min(part.severity, found.severity)
			}
		}
		if from == 0 || (sooner(part, found) && !last) || (sooner(found, part) && last) {
			found = part
		}
		found.severity, from = severity, i+len(" and ")
	}
	return found
}

// sooner: what is over comes before what is reached, that before any day, and what has no day comes last; of one counter, what has less left.
func sooner(a, b byHand) bool {
	switch {
	case a.reached() != b.reached():
		return a.reached() > b.reached()
	case a.unit == b.unit && a.unit != "calendar":
		return a.left < b.left
	case a.day.IsZero() || b.day.IsZero():
		return !a.day.IsZero()
	default:
		return a.day.Before(b.day)
	}
}
