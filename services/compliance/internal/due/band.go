package due

// Band is how near something is.
type Band string

// The bands.
const (
	Current Band = "CURRENT"
	Near    Band = "NEAR"
	Due     Band = "DUE"
	Overdue Band = "OVERDUE"
	Exempt  Band = "EXEMPT"
	NoData  Band = "NO_DATA"
	// InTolerance is past, within an extension.
	InTolerance Band = "IN_TOLERANCE"
	// Attention is past a soft life.
	Attention Band = "ATTENTION"
)

// Threshold says when something counts as near.
type Threshold struct{ Days, Seconds, Cycles int64 }

// DefaultThreshold is 30 days, 25 hours, 25 cycles.
var DefaultThreshold = Threshold{Days: 30, Seconds: 25 * 3600, Cycles: 25}

func (l Left) band(t Threshold) Band {
	near := t.Cycles
	switch {
	case l.Limit.Unit.Calendar():
		near = t.Days
	case l.Limit.Unit == Hours:
		near = t.Seconds
	}
	switch {
	case l.Left < 0 && l.Left+l.Grace >= 0:
		return InTolerance
	case l.Left < 0:
		return Overdue
	case l.Left == 0:
		return Due
	case l.Left <= near:
		return Near
	default:
		return Current
	}
}

// severity orders the bands; those that a limit can't have count as current.
func severity(b Band) int {
	switch b {
	case Near:
		return 1
	case Due:
		return 2
	case InTolerance:
		return 3
	case Overdue:
		return 4
	case Current, Exempt, NoData:
		return 0
	default:
		return 0
	}
}

// reached is the severity of a limit that is reached, and 0 of one that is still ahead, however near.
func reached(b Band) int {
	if s := severity(b); s > severity(Near) {
		return s
	}
	return 0
}
