package app

import (
	"context"
	"fmt"
	"strings"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/life"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// limitOf reads a life limit. Reason: LIFE_LIMIT_INVALID.
func limitOf(l *compliancev1.LifeLimit) (life.Limit, error) {
	out := life.Limit{
		Formula: life.Formula(l.GetFormula()), Cycles: l.GetCycleLimit(), Seconds: l.GetOperatingSecondsLimit(), Prorated: l.GetProrated(),
		Document: l.GetDocument().GetTitle() + " revision " + l.GetDocument().GetRevision(),
	}
	var counts, short bool
	out.FlightCount, counts = life.Factor(l.GetFlightCountFactor())
	out.Abbreviated, short = life.Factor(l.GetAbbreviatedCycleFactor())
	switch {
	case !counts:
		return out, fault.Invalid("life_limit.flight_count_factor", "LIFE_LIMIT_INVALID", "%q is no decimal above zero. Enter the factor of the document.", l.GetFlightCountFactor())
	case !short || out.Formula == life.StartsAndFlights && l.GetAbbreviatedCycleFactor() == "":
		return out, fault.Invalid("life_limit.abbreviated_cycle_factor", "LIFE_LIMIT_INVALID", "%q is no decimal above zero. Enter the factor of the document.", l.GetAbbreviatedCycleFactor())
	}
	return out, nil
}

// lived is a component as it was on a day, as far as it was known at an instant.
type lived struct {
	part   *compliancev1.Component
	limits []*compliancev1.LifeLimit
	model  string // of the engine that it is in, or was in last
	day    civil.Date
	known  time.Time
}

// limitOn is the revision of the limit in engines of a model that counts on a day; what was flown before the first revision counts
// by that one. Nil when none is known.
func (l lived) limitOn(model string, day civil.Date) *compliancev1.LifeLimit {
	var found *compliancev1.LifeLimit
	for _, one := range l.limits {
		if one.GetEngineModel() != model || l.known.Before(one.GetCreateTime().AsTime()) {
			continue
		}
		if found == nil || !day.Before(dateOf(one.GetEffectiveDate())) {
			found = one
		}
	}
	return found
}

// uses are what the part did, by engine model and revision of the limit; missing names a model without a limit. It names engines as called does.
func (u unit) uses(ctx context.Context, l *lived, called func(*compliancev1.Engine) (string, error)) (uses []life.Use, missing string, err error) {
	take := func(where, model string, day civil.Date, more life.Use) error {
		l.model = model
		limit := l.limitOn(model, day)
		if limit == nil {
			missing = model
			return nil
		}
		more.Where = where
		if more.Limit, err = limitOf(limit); err != nil {
			return err
		}
		if n := len(uses); n > 0 && uses[n-1].Where == where && uses[n-1].Limit.Document == more.Limit.Document {
			last := &uses[n-1]
			last.Starts, last.Flights, last.Cycles = last.Starts+more.Starts, last.Flights+more.Flights, last.Cycles+more.Cycles
			last.Seconds, last.Ground = last.Seconds+more.Seconds, last.Ground+more.Ground
			return nil
		}
		uses = append(uses, more)
		return nil
	}
	for _, h := range l.part.GetHistory() {
		day := dateOf(h.GetRemoveDate())
		if day.IsZero() {
			day = dateOf(l.part.GetEntryDate())
		}
		if err := take("engine "+h.GetEngineSerial(), h.GetEngineModel(), day, life.Use{
			Starts: h.GetStarts(), Flights: h.GetFlights(), Cycles: h.GetRemoveCycles() - h.GetInstallCycles(), Seconds: h.GetOperatingSeconds(),
		}); err != nil {
			return nil, "", err
		}
	}
	legs, err := store.LegsOf(ctx, u.Tx, l.part.GetName(), l.day.String(), l.known)
	if err != nil {
		return nil, "", err
	}
	for _, leg := range legs {
		engine, where, day, err := u.flownOn(ctx, leg, called)
		if err != nil {
			return nil, "", err
		}
		// Each entry alone, so that a ground start of one day never stands for the start of a flight of another.
		ground := max(0, leg.Starts-leg.Flights)
		if err := take(where, engine.GetEngineModel(), day, life.Use{
			Starts: leg.Starts, Flights: leg.Flights + ground, Cycles: leg.Cycles, Seconds: leg.Seconds, Ground: ground,
		}); err != nil {
			return nil, "", err
		}
	}
	return uses, missing, nil
}

// flownOn is the engine of a leg, how it is called, and the leg's day.
func (u unit) flownOn(ctx context.Context, leg store.Leg, called func(*compliancev1.Engine) (string, error)) (*compliancev1.Engine, string, civil.Date, error) {
	engine, err := store.Engines.Get(ctx, u.Tx, leg.Engine)
	if err != nil {
		return nil, "", civil.Date{}, err
	}
	where, err := called(engine)
	if err != nil {
		return nil, "", civil.Date{}, err
	}
	day, err := civil.Parse(leg.Day)
	return engine, where, day, err
}

// lifeOf says how much of its life a component has used.
func (u unit) lifeOf(ctx context.Context, l lived) (*compliancev1.LifeStatus, error) {
	s, _, err := u.lifeLeft(ctx, l)
	return s, err
}

// lifeLeft is lifeOf with what is left, as limits on flights and hours to come; none where it is not counted.
func (u unit) lifeLeft(ctx context.Context, l lived) (s *compliancev1.LifeStatus, left due.Tree, err error) {
	called := u.engineCalled(ctx)
	ctx = unlimited(ctx)
	s = &compliancev1.LifeStatus{
		Name: l.part.GetName() + "/lifeStatus", PartNumber: l.part.GetPartNumber(), Serial: l.part.GetSerial(), Host: l.part.GetHost(), Traceable: true,
	}
	if !l.part.GetLifeLimited() {
		s.Band, s.BandReason, s.Installable = compliancev1.DueItem_EXEMPT, "It is not life-limited", true
		return s, left, nil
	}
	if l.limits, err = store.LifeLimits.Where(ctx, u.Tx, "part_number = $1 ORDER BY effective_date", l.part.GetPartNumber()); err != nil {
		return nil, left, err
	}
	fittedIn := l.model
	uses, missing, err := u.uses(ctx, &l, called)
	if err != nil {
		return nil, left, err
	}
	if fittedIn != "" {
		l.model = fittedIn
	}
	now := l.limitOn(l.model, l.day)
	if now == nil && l.model == "" && len(l.limits) > 0 { // new, in stores
		now = l.limitOn(l.limits[0].GetEngineModel(), l.day)
	}
	if now == nil || missing != "" {
		s.Band, s.BandReason = compliancev1.DueItem_NO_DATA, fmt.Sprintf("No life limit of %s in engines of %q is known here", l.part.GetPartNumber(), l.model+missing)
		return s, left, nil
	}
	limit, err := limitOf(now)
	if err != nil {
		return nil, left, err
	}
	counted := life.Count(uses, limit)
	s.ExactCycles, s.UsedCycles, s.CycleLimit, s.RemainingCycles = life.Exact(counted.Exact), counted.Used, counted.Limit, counted.Left
	s.UsedOperatingSeconds, s.RemainingOperatingSeconds, s.Lines, s.Document = counted.Seconds, counted.SecondsLeft, counted.Lines, now.GetDocument()
	if counted.StartsOnly {
		s.Flags = append(s.Flags, "Starts without flights count in full: ground runs or drying runs. Check that the document counts them so.")
	}
	bandLife(s, counted, traced(s, l.part, counted))
	if counted.CycleLim {
		left.Limits = append(left.Limits, due.Limit{Unit: due.Cycles, Amount: counted.Ahead(limit)})
	}
	if counted.HourLim {
		left.Limits = append(left.Limits, due.Limit{Unit: due.Hours, Amount: counted.SecondsLeft})
	}
	return s, left, nil
}

// traced holds the history against the counters that the part was entered with, hours too where they are limited. It says what the history does not show.
func traced(s *compliancev1.LifeStatus, part *compliancev1.Component, counted life.Status) (gap string) {
	var stays []life.Stay
	shown := int64(0)
	for _, h := range part.GetHistory() {
		stays = append(stays, life.Stay{On: h.GetInstallCycles(), Off: h.GetRemoveCycles()})
		shown += h.GetOperatingSeconds()
	}
	entry := part.GetEntryCounters()
	s.GapCycles = life.Gap(stays, entry.GetCycles())
	switch {
	case unknown(part):
		gap = "The hours and cycles that it came with were never entered"
	case s.GetGapCycles() != 0:
		gap = fmt.Sprintf("Its history does not show %d cycles", s.GetGapCycles())
	case counted.HourLim && entry.GetOperatingSeconds() > shown:
		gap = fmt.Sprintf("Its history shows %s h of the %s h that it came with", span(shown), span(entry.GetOperatingSeconds()))
	case counted.HourLim && shown == 0 && !counts(entry, due.Hours):
		gap = "Neither its entry nor its history says its hours, which are limited"
	}
	s.Traceable = gap == ""
	return gap
}

func bandLife(s *compliancev1.LifeStatus, counted life.Status, gap string) {
	near := due.DefaultThreshold
	s.Installable = s.GetTraceable() && !counted.Over && !counted.AtEnd
	switch {
	case !s.GetTraceable():
		s.Band, s.BandReason = compliancev1.DueItem_NO_DATA, gap+", so its life is not substantiated"
		if s.GetHost() != "" {
			s.Band = compliancev1.DueItem_OVERDUE // fitted without a substantiated life is as if past (14 CFR 43.10(c)(1), M.A.305(e)3(i))
		}
	case counted.Over:
		s.Band, s.BandReason = compliancev1.DueItem_OVERDUE, "Past its limit"
	case counted.AtEnd:
		s.Band, s.BandReason = compliancev1.DueItem_DUE, "Nothing is left: it leaves service now"
	case counted.CycleLim && counted.Left <= near.Cycles || counted.HourLim && counted.SecondsLeft <= near.Seconds:
		s.Band = compliancev1.DueItem_NEAR
	default:
		s.Band = compliancev1.DueItem_CURRENT
	}
}

// mayLive refuses to fit a part whose life is used up, not substantiated or not known in engines of a model. Reasons: HISTORY_GAP,
// LIFE_USED_UP, LIFE_LIMIT_UNKNOWN.
func (u unit) mayLive(ctx context.Context, part *compliancev1.Component, model string) error {
	s, err := u.lifeOf(ctx, lived{part: part, model: model, day: civil.Of(u.now).AddDays(1), known: allKnown})
	switch {
	case err != nil || s.GetInstallable():
		return err
	case !s.GetTraceable():
		return fault.Precondition("HISTORY_GAP", "%s %s is not fitted. %s. Quality completes its history from the papers, or it stays off.", part.GetPartNumber(),
			part.GetSerial(), s.GetBandReason()).With("gap_cycles", fmt.Sprint(s.GetGapCycles()))
	case s.GetBand() == compliancev1.DueItem_NO_DATA:
		return fault.Precondition("LIFE_LIMIT_UNKNOWN", "%s. Enter it from the approved document first.", s.GetBandReason())
	default:
		return fault.Precondition("LIFE_USED_UP", "%s %s has no life left: %s. It is not fitted again.", part.GetPartNumber(), part.GetSerial(), s.GetBandReason())
	}
}

// livedNow is a component as it is now.
func (u unit) livedNow(ctx context.Context, part *compliancev1.Component) (lived, error) {
	model, err := u.hostModel(unlimited(ctx), "", part.GetHost())
	return lived{part: part, model: model, day: civil.Of(u.now).AddDays(1), known: allKnown}, err
}

// GetLifeStatus says how much of its life a component has used.
func (a *App) GetLifeStatus(ctx context.Context, req *compliancev1.GetLifeStatusRequest) (s *compliancev1.LifeStatus, err error) {
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		u := a.unit(ctx, tx)
		part, err := store.Components.Get(ctx, tx, strings.TrimSuffix(req.GetName(), "/lifeStatus"))
		if fault.HasReason(err, "NOT_FOUND") {
			return fault.Missing(req.GetName())
		}
		if err != nil {
			return err
		}
		l, err := u.livedNow(ctx, part)
		if err != nil {
			return err
		}
		s, err = u.lifeOf(ctx, l)
		return err
	})
	return s, err
}

// ListLifeStatuses is the life-limit list, or that of one component, limited or not, which is read as every list is.
func (a *App) ListLifeStatuses(ctx context.Context, req *compliancev1.ListLifeStatusesRequest) (*compliancev1.ListLifeStatusesResponse, error) {
	scope, of := "life_limited = 1", []any(nil)
	if parent := req.GetParent(); parent != "components/-" {
		if _, err := a.GetLifeStatus(ctx, &compliancev1.GetLifeStatusRequest{Name: parent}); err != nil {
			return nil, err
		}
		scope, of = "name = $1", []any{parent}
	}
	parts, next, err := store.Components.ListWhere(ctx, a.DB, a.Lister, req, scope, of...)
	if err != nil {
		return nil, err
	}
	resp := &compliancev1.ListLifeStatusesResponse{NextPageToken: next}
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		u := a.unit(ctx, tx)
		for _, part := range parts {
			l, err := u.livedNow(ctx, part)
			if err != nil {
				return err
			}
			s, err := u.lifeOf(ctx, l)
			if err != nil {
				return err
			}
			resp.LifeStatuses = append(resp.LifeStatuses, s)
		}
		return nil
	})
	return resp, err
}

// partStands adds the life of a component to the status, and to the exceptions when it must not fly.
func (u unit) partStands(ctx context.Context, status *compliancev1.ComplianceStatus, s seen) error {
	part, ok := s.subject.(*compliancev1.Component)
	if !ok {
		return nil
	}
	host, err := u.hostThen(ctx, part.GetName(), s)
	if err != nil {
		return err
	}
	part.Host, part.Position = host.GetHost(), host.GetPosition()
	l, err := u.lifeOf(ctx, lived{part: part, model: s.engine.GetEngineModel(), day: s.today, known: s.known})
	if err != nil {
		return err
	}
	if part.GetLifeLimited() {
		status.LifeStatuses = append(status.LifeStatuses, l)
	}
	if band := l.GetBand(); band == compliancev1.DueItem_OVERDUE || band == compliancev1.DueItem_NO_DATA || band == compliancev1.DueItem_DUE {
		status.Exceptions = append(status.Exceptions, fmt.Sprintf("%s in %s: %s.", label(part), s.engine.GetSerial(), l.GetBandReason()))
	}
	return nil
}
