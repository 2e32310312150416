package pack

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/quantity"
)

const (
	flOz = 29.5735295625     // mL in a US fluid ounce, exact (NIST Handbook 44, Appendix C)
	psi  = 6.894757293168361 // kPa in a pound-force per square inch (NIST SP 811)
)

// when says an instant in the station's zone.
func (r Record) when(t *timestamppb.Timestamp) string {
	if t == nil {
		return ""
	}
	return t.AsTime().In(r.Zone).Format("2006-01-02 15:04:05")
}

// paper says of an entry of the fallback sheet when it was entered, and nothing of any other.
func (r Record) paper(entry bool, at *timestamppb.Timestamp) string {
	if !entry {
		return ""
	}
	return " From the fallback sheet, entered " + r.when(at) + "."
}

// late says when an entry was made that speaks of an earlier time: by the fallback sheet, or more than a few minutes afterwards.
func (r Record) late(paper bool, done, entered *timestamppb.Timestamp) string {
	const atOnce = 5 * time.Minute // a step is done with both hands, and then entered
	if paper || done == nil || entered == nil || entered.AsTime().Sub(done.AsTime()) <= atOnce {
		return r.paper(paper, entered)
	}
	return " Entered " + r.when(entered) + "."
}

// volume says an amount in both systems.
func volume(q *commonv1.Quantity) string {
	if q == nil {
		return ""
	}
	parsed, err := quantity.Parse(q.GetValue(), q.GetUnitCode())
	if err != nil {
		return q.GetValue() + " " + q.GetUnitCode()
	}
	return fmt.Sprintf("%s %s (%.1f US fl oz)", q.GetValue(), q.GetUnitCode(), parsed.Canonical()*1000/flOz)
}

func pressure(kPa float64) string { return fmt.Sprintf("%.1f kPa (%.1f psi)", kPa, kPa/psi) }

func temperature(c float64) string { return fmt.Sprintf("%.1f °C (%.1f °F)", c, c*9/5+32) }

// number says a value with its unit; a unit of 1 is none.
func number(v float64, unit string) string {
	text := strconv.FormatFloat(v, 'f', -1, 64)
	if v != float64(int64(v)) {
		text = strconv.FormatFloat(v, 'f', 2, 64)
	}
	if unit == "1" {
		return text
	}
	return text + " " + unit
}

// Limits are printed to four places, inwards, so that what looks right on paper is right; what a float adds to a round figure is no place.
const (
	tenThousand = 1e4
	hair        = 1e-6
)

func bound(tenThousandths float64, unit string) string {
	return strconv.FormatFloat(tenThousandths/tenThousand, 'f', -1, 64) + " " + unit
}

// limits says between what a reading must lie.
func limits(m *workordersv1.MeasurementSpec) string {
	var parts []string
	if m.MinValue != nil {
		parts = append(parts, "at least "+bound(math.Ceil(m.GetMinValue()*tenThousand-hair), m.GetUnitCode()))
	}
	if m.MaxValue != nil {
		parts = append(parts, "at most "+bound(math.Floor(m.GetMaxValue()*tenThousand+hair), m.GetUnitCode()))
	}
	if len(parts) == 0 {
		return "no limits entered (" + m.GetUnitCode() + ")"
	}
	return strings.Join(parts, ", ")
}

// hours says seconds as hours and minutes and, rounded, as decimal hours.
func hours(seconds int64) string {
	return fmt.Sprintf("%d:%02d:%02d h (%.2f h)", seconds/3600, seconds/60%60, seconds%60, float64(seconds)/3600)
}

func counters(c *workordersv1.Counters) string {
	if c == nil {
		return ""
	}
	text := fmt.Sprintf("%s since new, %d cycles, %d starts", hours(c.GetOperatingSeconds()), c.GetCycles(), c.GetStarts())
	if c.GetAircraftSeconds() > 0 {
		text += ", aircraft " + hours(c.GetAircraftSeconds())
	}
	return text
}

// clock says seconds from the first rotation as minutes and seconds.
func clock(seconds int32) string { return fmt.Sprintf("%d:%02d", seconds/60, seconds%60) }

// words says the name of an enum value as words: "RECOVERY_WASH" is "recovery wash".
func words(name string) string {
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(name, "STEP_KIND_"), "_", " "))
}

func or(text, otherwise string) string {
	if text == "" {
		return otherwise
	}
	return text
}

// at is when a pack is printed, in the station's zone.
func (r Record) at() string {
	return r.Printed.In(r.Zone).Format("2006-01-02 15:04 ") + r.Zone.String()
}

func (r Record) span(e *workordersv1.LabourEntry) string {
	return r.when(e.GetStartTime()) + " to " + r.when(e.GetEndTime())
}

func duration(run *workordersv1.MotoringRun) string {
	return run.GetEndTime().AsTime().Sub(run.GetStartTime().AsTime()).Round(time.Millisecond).String()
}
