package app

import (
	"context"
	"fmt"
	"strings"
	"time"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/advice"
	"coldsection.example/services/performance/internal/economy"
	"coldsection.example/services/performance/internal/margin"
	"coldsection.example/services/performance/internal/regress"
)

const (
	recoveryWash = "recovery_wash"
	saltRinse    = "salt_rinse"
)

// washes and rinses are events after which an interval counts anew; a wash is a rinse too.
var (
	washes = map[performancev1.EngineEvent_Kind]bool{performancev1.EngineEvent_RECOVERY_WASH: true, performancev1.EngineEvent_OVERHAUL: true}
	rinses = map[performancev1.EngineEvent_Kind]bool{
		performancev1.EngineEvent_RECOVERY_WASH: true, performancev1.EngineEvent_OVERHAUL: true, performancev1.EngineEvent_SALT_RINSE: true,
	}
)

// weighing is one weighing of the reasons to wash.
type weighing struct {
	*history

	steps []*commonv1.Explained
	plan  economy.Plan
}

// AdviseInterval weighs every reason to wash an engine.
func (a *App) AdviseInterval(ctx context.Context, req *performancev1.AdviseIntervalRequest) (*performancev1.AdviseIntervalResponse, error) {
	h, err := a.historyOf(ctx, req.GetName())
	if err != nil {
		return nil, err
	}
	w := &weighing{history: h}
	decided := advice.Decide([]advice.Reason{w.trend(), w.economics(), w.programmeHours(), w.programmeDays(), w.environment(), w.margin()}, w.uncured())
	resp := &performancev1.AdviseIntervalResponse{
		BlockedReason: decided.Blocked, CostCurrencyCode: h.model.GetAdvice().GetCostCurrencyCode(), Cautions: h.cautions(), Steps: w.steps,
		EngineModel: h.profile.Model, ModelRevision: h.model.GetRevision(),
	}
	first := decided.Wash
	if decided.Rinse >= 0 {
		first = decided.Rinse
	}
	for i, r := range decided.Reasons {
		reason := &performancev1.IntervalReason{Cause: r.Cause, Kind: r.Kind, Text: r.Text, Deciding: i == decided.Wash || i == decided.Rinse}
		if r.Known {
			reason.DueHours = &r.Hours
		}
		resp.Reasons = append(resp.Reasons, reason)
	}
	if first >= 0 {
		resp.Kind, resp.DueHours = decided.Reasons[first].Kind, decided.Reasons[first].Hours
	}
	for _, s := range w.plan.Curve {
		resp.CostCurve = append(resp.CostCurve, &performancev1.CostPoint{IntervalHours: s.Hours, HourlyCost: s.Rate})
	}
	return resp, nil
}

// cautions are what comes before anything else: an open exceedance first.
func (h *history) cautions() []string {
	said := append(margin.Cautions(), h.doubts()...)
	if notice := h.assessment.GetExceedanceNotice(); notice != "" {
		return append([]string{notice}, said...)
	}
	return said
}

// repairs are events that may have cured what a wash can't.
var repairs = map[performancev1.EngineEvent_Kind]bool{
	performancev1.EngineEvent_HOT_SECTION: true, performancev1.EngineEvent_SENSOR_WORK: true, performancev1.EngineEvent_OVERHAUL: true,
}

// uncured are the changes since the last repair for which dirt is not the most probable cause.
func (w *weighing) uncured() []advice.Uncured {
	repaired, _ := w.changed(repairs)
	var out []advice.Uncured
	for _, s := range w.assessment.GetShifts() {
		u := advice.Uncured{Named: s.GetVerdict() == "named", Check: checks["other"]}
		if len(s.GetCauses()) > 0 {
			u.Cause, u.Check = s.GetCauses()[0].GetCause(), s.GetCauses()[0].GetNextCheck()
		}
		if u.Cause == "fouling" || s.GetDetectTime().AsTime().Before(repaired) {
			continue
		}
		out = append(out, u)
	}
	return out
}

func unknown(cause, kind, format string, args ...any) advice.Reason {
	return advice.Reason{Cause: cause, Kind: kind, Text: fmt.Sprintf(format, args...)}
}

func due(cause, kind string, hours float64, format string, args ...any) advice.Reason {
	return advice.Reason{Cause: cause, Kind: kind, Known: true, Hours: hours, Text: fmt.Sprintf(format, args...)}
}

func (w *weighing) trend() advice.Reason {
	if w.open.GetCause() != "trend" {
		return unknown("trend", recoveryWash, "The readings do not ask for a wash now.")
	}
	return due("trend", recoveryWash, 0, "%s.", strings.Join(w.open.GetReasons(), "; "))
}

// age is how long ago an event of the kinds was, in hours of operation; ok is false when either end is not known.
func (w *weighing) age(kinds map[performancev1.EngineEvent_Kind]bool) (hours float64, at time.Time, ok bool) {
	at, then := w.changed(kinds)
	now := 0.0
	for _, r := range w.readings {
		now = max(now, r.Hours)
	}
	return now - then, at, !at.IsZero() && then > 0 && now > 0
}

func (w *weighing) programmeHours() advice.Reason {
	limit := float64(w.model.GetAdvice().GetProgrammeHours())
	if limit == 0 {
		return unknown("programme", recoveryWash, "The programme has no interval in hours.")
	}
	age, _, ok := w.age(washes)
	if !ok {
		return unknown("programme", recoveryWash, "The programme asks for a wash every %.0f h, but it is not known at how many hours the engine was washed last. Enter that event.", limit)
	}
	return due("programme", recoveryWash, limit-age, "The programme asks for a wash every %.0f h of operation; the last was %.1f h ago.", limit, age)
}

func (w *weighing) programmeDays() advice.Reason {
	return w.calendar("programme", recoveryWash, w.model.GetAdvice().GetProgrammeDays(), washes)
}

func (w *weighing) environment() advice.Reason {
	return w.calendar("environment", saltRinse, w.model.GetAdvice().GetRinseDays(), rinses)
}

// calendar is a rule in days; its hours follow from how much the engine is flown.
func (w *weighing) calendar(cause, kind string, days int32, kinds map[performancev1.EngineEvent_Kind]bool) advice.Reason {
	at, _ := w.changed(kinds)
	switch {
	case days == 0:
		return unknown(cause, kind, "There is no rule in days.")
	case at.IsZero() || len(w.readings) == 0:
		return unknown(cause, kind, "The rule asks for it every %d days, but the last time is not known. Enter that event.", days)
	}
	left := float64(days) - w.readings[len(w.readings)-1].At.Sub(at).Hours()/24
	if left <= 0 {
		return due(cause, kind, 0, "The rule asks for it every %d days; it is %.0f days overdue by the newest reading.", days, -left)
	}
	use, ok := margin.UseOf(samples(w.readings))
	if !ok {
		return unknown(cause, kind, "The rule asks for it every %d days, in %.0f days; the readings do not tell how many hours that is.", days, left)
	}
	return due(cause, kind, left*use.Middle, "The rule asks for it every %d days, in %.0f days; at %.1f h a day that is %.0f h.", days, left, use.Middle, left*use.Middle)
}

func (w *weighing) margin() advice.Reason {
	reference, err := w.reference(nil)
	if err != nil {
		return unknown("margin", recoveryWash, "%s", err)
	}
	s, err := margin.At(w.fitted, reference, w.state())
	if err != nil {
		return unknown("margin", recoveryWash, "No margin: %s", err)
	}
	c := w.forecast(s.ITT, reference.Reserve)
	if !c.Foreseen {
		return unknown("margin", recoveryWash, "%s", c.Reason)
	}
	return due("margin", recoveryWash, c.P10, "With 10 %% chance the margin of %.1f °C falls to the %.1f °C to be kept within %.0f h. %s", s.ITT.Value, reference.Reserve, c.P10, c.Reason)
}

// economics weighs fuel against the cost of a wash: what dirt costs grows straight with the hours since the last one.
func (w *weighing) economics() advice.Reason {
	rules := w.model.GetAdvice()
	if rules.GetFuelPricePerKg() == 0 || rules.GetWashCost() == 0 {
		return unknown("economics", recoveryWash, "The engine model has no price of fuel or cost of a wash.")
	}
	age, at, ok := w.age(washes)
	if !ok {
		return unknown("economics", recoveryWash, "It is not known at how many hours the engine was washed last. Enter that event.")
	}
	slope, flow, err := w.fuelLoss(at)
	if err != nil || !(slope.Low > 0) {
		return unknown("economics", recoveryWash, "Since the last wash the fuel flow does not certainly rise: %+.3f %% per 100 h, 90 %% interval %+.3f to %+.3f. So money says nothing.",
			100*slope.Estimate, 100*slope.Low, 100*slope.High)
	}
	loss := slope.Estimate / 100 * flow * rules.GetFuelPricePerKg()
	w.plan, err = economy.Best(economy.Loss{Slope: loss}, economy.Wash{Cost: rules.GetWashCost()})
	if err != nil || !w.plan.Finite {
		return unknown("economics", recoveryWash, "Fuel alone never pays for a wash: %s.", w.plan.Never)
	}
	source, money := cite(w.model.GetDocument(), w.model), rules.GetCostCurrencyCode()
	w.steps = append(w.steps,
		step("Rise of the fuel flow", slope.Estimate, "%/h", "least squares over the readings since the last wash", "the readings"),
		step("Mean fuel flow", flow, "kg/h", "mean of the same readings", "the readings"),
		step("Price of fuel", rules.GetFuelPricePerKg(), "{"+money+"}/kg", "entered", source),
		step("Cost of a wash", rules.GetWashCost(), "{"+money+"}", "entered", source),
		step("Loss per hour for each hour since the wash", loss, "{"+money+"}/h2",
			fmt.Sprintf("%.6g / 100 × %.6g × %.6g", slope.Estimate, flow, rules.GetFuelPricePerKg()), "definition"),
		step("Interval that costs least", w.plan.Hours, "h", fmt.Sprintf("√(2 × %.6g / %.6g)", rules.GetWashCost(), loss), "least of K/T + cT/2"),
	)
	return due("economics", recoveryWash, w.plan.Hours-age,
		"Fuel and washes together cost least with a wash every %.0f h, and at most 5 %% more between %.0f and %.0f h; the last was %.1f h ago.",
		w.plan.Hours, w.plan.Least, w.plan.Most, age)
}

// fuelLoss is how fast the fuel flow rises since a wash [% per h], and the mean fuel flow [kg/h].
func (w *weighing) fuelLoss(at time.Time) (regress.Interval, float64, error) {
	since := w.since(at)
	flows := w.fuel[len(w.fuel)-len(since):]
	var x, y, flow []float64
	for i, r := range since {
		if r.Hours > 0 {
			x, y, flow = append(x, r.Hours), append(y, r.Deviation.Fuel), append(flow, flows[i])
		}
	}
	line, err := margin.Wide(x, y)
	if err != nil {
		return regress.Interval{}, 0, err
	}
	slope, err := line.SlopeInterval(0.9)
	return slope, regress.Mean(flow), err
}
