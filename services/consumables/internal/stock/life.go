package stock

import (
	"fmt"
	"time"

	"coldsection.example/services/platform/fault"
)

// Life is what bounds the use of a lot. Days are civil days, inclusive, in the zone of the store.
type Life struct {
	NoLimit      bool
	UseBy        string // YYYY-MM-DD, the last usable day; empty when not given
	Manufactured string // YYYY-MM-DD
	ShelfDays    int    // from manufacture, where no use-by day is given
	ShelfMonths  int    // the same in calendar months, clipped to the end of the month
	Opened       time.Time
	OpenedDays   int // 0 means as long as sealed
	Mixed        time.Time
	PotHours     int
	Inputs       []time.Time // ends of life of what it was made from
}

// End is the last usable instant, the rule that binds in words, and whether the life is known at all. A zero end with known
// true means that the lot keeps for ever. The earliest rule binds.
func (l Life) End(zone *time.Location) (end time.Time, rule string, known bool, err error) {
	consider := func(t time.Time, why string) {
		known = true
		if end.IsZero() || t.Before(end) {
			end, rule = t, why
		}
	}
	if last, why, err := l.sealed(); err != nil {
		return end, "", false, err
	} else if last != "" {
		day, err := endOfDay(last, 0, zone)
		if err != nil {
			return end, "", false, err
		}
		consider(day, why+Counted(zone))
	}
	if !l.Opened.IsZero() && l.OpenedDays > 0 {
		day, err := endOfDay(l.Opened.In(zone).Format(time.DateOnly), l.OpenedDays, zone)
		if err != nil {
			return end, "", false, err
		}
		consider(day, fmt.Sprintf("%d days after opening", l.OpenedDays)+Counted(zone))
	}
	if !l.Mixed.IsZero() && l.PotHours > 0 {
		consider(l.Mixed.Add(time.Duration(l.PotHours)*time.Hour), fmt.Sprintf("pot life of %d hours", l.PotHours))
	}
	for _, t := range l.Inputs {
		if !t.IsZero() {
			consider(t, "the earliest of what it was mixed from")
		}
	}
	if !known && l.NoLimit {
		return time.Time{}, "no life limit", true, nil
	}
	return end, rule, known, nil
}

// Counted is the end of a rule that says in whose days an end of life was counted: a day ends at another instant in every zone.
func Counted(zone *time.Location) string { return ", counted in " + zone.String() }

// sealed is the last usable day of a sealed container and its rule: the use-by day, or else the shelf life after manufacture;
// of one in days and one in months the earlier binds.
func (l Life) sealed() (last, why string, err error) {
	if l.UseBy != "" {
		return l.UseBy, "use by " + l.UseBy, nil
	}
	if l.Manufactured == "" {
		return "", "", nil
	}
	made, err := time.Parse(time.DateOnly, l.Manufactured)
	if err != nil {
		return "", "", fault.Invalid("lot.manufacture_date", "DATE_INVALID", "%q is not a date of the calendar. Give year, month and day.", l.Manufactured)
	}
	if l.ShelfDays > 0 {
		last, why = made.AddDate(0, 0, l.ShelfDays).Format(time.DateOnly), fmt.Sprintf("%d days of shelf life after %s", l.ShelfDays, l.Manufactured)
	}
	if l.ShelfMonths > 0 {
		if day := addMonths(made, l.ShelfMonths).Format(time.DateOnly); last == "" || day < last {
			last, why = day, fmt.Sprintf("%d months of shelf life after %s", l.ShelfMonths, l.Manufactured)
		}
	}
	return last, why, nil
}

// endOfDay is the last microsecond of a civil day, days later, in the zone.
func endOfDay(day string, days int, zone *time.Location) (time.Time, error) {
	d, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return time.Time{}, fault.Invalid("lot.use_by_date", "DATE_INVALID", "%q is not a date of the calendar. Give year, month and day.", day)
	}
	return startOfDay(d.AddDate(0, 0, days+1), zone).Add(-time.Microsecond).UTC(), nil
}

// startOfDay is the first instant of a civil day in a zone: the first of two midnights where clocks are set back over one, and the change itself
// where they are set forward over it, so that the day has none.
func startOfDay(day time.Time, zone *time.Location) time.Time {
	near := time.Date(day.Year(), day.Month(), day.Day(), 0, 0, 0, 0, zone)
	before := near.Add(-24 * time.Hour)
	_, was := before.Zone()
	_, becomes := near.Add(24 * time.Hour).Zone()
	for _, offset := range []int{max(was, becomes), min(was, becomes)} { // the farther east, the earlier
		at := day.Add(-time.Duration(offset) * time.Second).In(zone)
		if at.Format(time.DateTime) == day.Format(time.DateTime) {
			return at
		}
	}
	_, change := before.ZoneBounds()
	return change
}

// MaxLoss is the share of what went in that mixing may lose: alcohol and water shrink by up to 3.4 % on mixing (30 mol %
// methanol, a textbook example: 2,070 cm3 make 2,000), the rest is the plausibility band of the handbook's 0 to 4 %.
const MaxLoss = 0.04

// CheckLoss refuses a mix whose measured output does not fit what was measured in, both in a unit. Reason: MIXING_LOSS_IMPLAUSIBLE.
func CheckLoss(in, out Micro, unitCode string) error {
	if out > in || float64(in-out) > MaxLoss*float64(in) {
		return fault.Precondition("MIXING_LOSS_IMPLAUSIBLE",
			"%s %s went in and %s %s came out: a loss outside 0 to 4 %% is a wrong measurement. Measure again.", in.Text(), unitCode, out.Text(), unitCode)
	}
	return nil
}

// CheckRatio refuses measured parts that miss the ratio by more than 2 % of the cleaner. Reason: MIX_RATIO_NOT_MET.
func CheckRatio(water, cleaner Micro, waterParts, cleanerParts int64, unitCode string) error {
	want := float64(water) * float64(cleanerParts) / float64(max(waterParts, 1))
	if d := float64(cleaner) - want; d > 0.02*want || d < -0.02*want {
		return fault.Precondition("MIX_RATIO_NOT_MET", "%s %s of water and %s %s of cleaner are not %d parts of water to %d of cleaner. Measure again.",
			water.Text(), unitCode, cleaner.Text(), unitCode, waterParts, cleanerParts)
	}
	return nil
}
