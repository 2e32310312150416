package sheet

import (
	"regexp"
	"strconv"
	"strings"
)

var (
	// decimalHours are hours as decimal logs keep them: 0.01 h is 36 s, so that they are whole seconds.
	decimalHours = regexp.MustCompile(`^[0-9]{1,7}(\.[0-9]{1,2})?$`)
	clockHours   = regexp.MustCompile(`^([0-9]{1,7}):([0-5][0-9])(?::([0-5][0-9]))?$`)
)

// hours reads hours as whole seconds. What a spreadsheet shows as hours and minutes it keeps as a part of a day; such a number has more
// than two decimal places nearly always, and is refused.
func (r reader) hours(cell string) (seconds, reason, text string) {
	if part := clockHours.FindStringSubmatch(cell); part != nil {
		total := int64(0)
		for _, p := range part[1:] {
			n, _ := strconv.ParseInt(p, 10, 64) // digits, or nothing where there are no seconds
			total = total*60 + n
		}
		return strconv.FormatInt(total, 10), "", ""
	}
	number, reason, text := r.number(cell)
	if reason != "" {
		return "", reason, text
	}
	if !decimalHours.MatchString(number) {
		return "", "VALUE_INVALID", sentence("%.40q is neither decimal hours with at most two places nor hours and minutes such as 1234:30. "+
			"A cell that a spreadsheet shows as hours and minutes is sent as text.", cell)
	}
	whole, part, _ := strings.Cut(number, ".")
	h, _ := strconv.ParseInt(whole, 10, 64)
	hundredths, _ := strconv.ParseInt((part + "00")[:2], 10, 64)
	return strconv.FormatInt(h*3600+hundredths*36, 10), "", ""
}
