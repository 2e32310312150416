package app

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/workorders/internal/wording"
)

// statement is the text of a signature, as the order's regime words it: what the order was, what was not done, what is carried over,
// and what is signed.
func (u unit) statement(ctx context.Context, o *workordersv1.WorkOrder, c content, s signing) (string, error) {
	r, err := u.regimeOf(ctx, o)
	if err != nil {
		return "", err
	}
	zone, err := u.zoneOf(ctx, o)
	if err != nil {
		return "", err
	}
	looked, err := u.inspectors(ctx, o)
	if err != nil {
		return "", err
	}
	released, err := s.releasePattern(r)
	if err != nil {
		return "", err
	}
	pattern := map[commonv1.Signature_Meaning]string{
		commonv1.Signature_PERFORMED: r.GetPerformedText(), commonv1.Signature_INSPECTED: r.GetInspectedText(), commonv1.Signature_RELEASED: released,
	}[s.meaning]
	text := wording.Fill(pattern, map[string]string{
		"number": o.GetNumber(), "title": o.GetDisplayName(), "engine": o.GetEngineSerial(), "card": o.GetTaskCard(), "revision": strconv.Itoa(int(o.GetTaskCardRevision())),
		"date": resource.DateText(civil(u.now.In(zone))), "counters": countersText(o), "not_done": orNone(slices.Concat(s.notDone, c.omitted)), "deferred": orNone(c.carried),
		"inspected_by": orNone(looked), "discrepancies": orNone(c.wrong), "list_date": resource.DateText(s.listDate),
	})
	if len(c.outside) > 0 {
		text += " Read outside limits, and confirmed: " + strings.Join(c.outside, "; ") + "."
	}
	if len(c.corrected) > 0 {
		text += " Runs of the starter corrected: " + strings.Join(c.corrected, "; ") + "."
	}
	if s.exception != "" {
		text += " Exception: the signer did work of this order and inspects it again, because: " + s.exception + "."
	}
	return text, nil
}

// inspectors are who signed as inspectors, with their certificates.
func (u unit) inspectors(ctx context.Context, o *workordersv1.WorkOrder) (names []string, err error) {
	all, err := u.signaturesOf(ctx, o)
	for _, s := range all {
		if text := s.GetPersonName() + ", " + s.GetCertificate(); s.GetMeaning() == commonv1.Signature_INSPECTED && !slices.Contains(names, text) {
			names = append(names, text)
		}
	}
	return names, err
}

// countersText says the engine's counters, those at the end once they are known.
func countersText(o *workordersv1.WorkOrder) string {
	c := o.GetStartCounters()
	if o.GetEndCounters() != nil {
		c = o.GetEndCounters()
	}
	text := fmt.Sprintf("%d:%02d h since new, %s, %s", c.GetOperatingSeconds()/3600, c.GetOperatingSeconds()/60%60, recorded(c.GetCycles(), "cycles"), recorded(c.GetStarts(), "starts"))
	if c.GetAircraftSeconds() > 0 {
		text += fmt.Sprintf(", aircraft total time %d:%02d h", c.GetAircraftSeconds()/3600, c.GetAircraftSeconds()/60%60)
	}
	return text
}

func orNone(list []string) string {
	if len(list) == 0 {
		return "none"
	}
	return strings.Join(list, "; ")
}

// recorded says a counter; one that stands at nothing may be one that nobody keeps.
func recorded(n int64, what string) string {
	if n == 0 {
		return "no " + what + " recorded"
	}
	return fmt.Sprintf("%d %s", n, what)
}
