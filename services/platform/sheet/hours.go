package sheet

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
)

var (
	// decimalHours are hours as decimal logs keep them: 0.01 h is 36 s, so that they are whole seconds.
	decimalHours = regexp.MustCompile(`^[0-9]{1,7}(\.[0-9]{1,2})?$`)
	clockHours   = regexp.MustCompile(`^([0-9]{1,7}):([0-5][0-9])(?::([0-5][0-9]))?$`)
)

// clocked is "1234:30" or "1234:30:05" in seconds.
func clocked(cell string) (total int64, ok bool) {
	part := clockHours.FindStringSubmatch(cell)
	if part == nil {
		return 0, false
	}
	for _, p := range part[1:] {
		n, _ := strconv.ParseInt(p, 10, 64) // digits, or nothing where there are no seconds
		total = total*60 + n
	}
	return total, true
}

// partOfADay reads a cell of a workbook that shows hours and minutes: it holds them as a part of a day of 86,400 s, in binary, so that a
// hundredth of a second is nothing (ECMA-376 part 1, 18.17.4.2). One that shows the time of a day hides whole days of what it holds, and is
// refused: nobody who looks at it sees the hours that it stands for.
func partOfADay(cell, shown string) (seconds, reason, text string) {
	days, err := strconv.ParseFloat(cell, 64)
	if err != nil || !(days >= 0 && days*24 < 1e7) {
		return "", "VALUE_INVALID", sentence("%.40q, shown as %.40q, is no number of hours. Give decimal hours, or hours and minutes such as 1234:30.", cell, shown)
	}
	exact := days * 86_400
	total := int64(math.Round(exact))
	held := fmt.Sprintf("%d:%02d:%02d", total/3600, total/60%60, total%60)
	seen, whole := clocked(shown)
	switch apart := total - seen; {
	case math.Abs(exact-float64(total)) > 0.01:
		return "", "VALUE_INVALID", sentence("The cell shows %.40q and holds a part of a second besides. Round it to whole seconds, or send it as text such as 1234:30.", shown)
	case !whole || apart <= -60 || apart >= 60:
		return "", "VALUE_INVALID", sentence("The cell shows %.40q and holds %s hours. Format the column as [h]:mm and look at it again, or send it as text such as 1234:30.", shown, held)
	default:
		return strconv.FormatInt(total, 10), "", ""
	}
}

// hours reads hours as whole seconds.
func (r reader) hours(cell string) (seconds, reason, text string) {
	if total, ok := clocked(cell); ok {
		return strconv.FormatInt(total, 10), "", ""
	}
	number, reason, text := r.number(cell)
	if reason != "" && strings.Contains(cell, ":") {
		return "", reason, sentence("%.40q is no hours and minutes: after each colon come two digits from 00 to 59. Write it such as 1234:30, or as decimal hours.", cell)
	}
	if reason != "" {
		return "", reason, text
	}
	if !decimalHours.MatchString(number) {
		return "", "VALUE_INVALID", sentence("%.40q is neither decimal hours with at most two places nor hours and minutes. Write it such as 1234.5 or 1234:30.", cell)
	}
	whole, part, _ := strings.Cut(number, ".")
	h, _ := strconv.ParseInt(whole, 10, 64)
	hundredths, _ := strconv.ParseInt((part + "00")[:2], 10, 64)
	return strconv.FormatInt(h*3600+hundredths*36, 10), "", ""
}
