package scan

import (
	"strings"
	"time"

	"coldsection.example/services/consumables/internal/gs1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/platform/fault"
)

// ownAI is an identifier for company-internal information (General Specifications 3.9: 91 to 99). Our labels carry nothing
// else: a trade item number is its maker's to give, and none is invented for a bottle that was filled here.
const ownAI = "91"

// noDay stands where a lot has no last usable day.
const noDay = "000000"

// OwnElements is what the DataMatrix of our label says: (91), the last usable day as YYMMDD, and the short code. The code
// stands last and all of it is one value, so that no separator is needed which a scanner could drop. A zero day means that
// the lot has none.
func OwnElements(code string, lastDay time.Time) gs1.Message {
	day := noDay
	if !lastDay.IsZero() {
		day = gs1.YYMMDD(lastDay)
	}
	return gs1.Message{Elements: []gs1.Element{{AI: ownAI, Value: day + code}}}
}

// readOwn reads our label. A message that is none of ours is not: other companies have uses of their own for (91), beside
// the numbers that their codes must have.
func readOwn(m gs1.Message) (label Read, isOwn bool, err error) {
	if len(m.Elements) != 1 || m.Elements[0].AI != ownAI {
		return Read{}, false, nil
	}
	value := m.Elements[0].Value
	if len(value) != len(noDay)+stock.ShortCodeLength {
		return Read{}, true, fault.Invalid("code", "SCAN_NOT_UNDERSTOOD", "(91)%.40s is no label of ours: ours has a day and a code of seven characters. Scan again, or type the code.", value)
	}
	label = Read{Kind: OwnLabel, LabelDay: value[:len(noDay)]}
	if strings.Trim(label.LabelDay, "0") == "" {
		label.LabelDay = ""
	}
	label.Code, err = stock.ReadShortCode(value[len(noDay):])
	return label, true, err
}
