package app

import (
	"context"
	"fmt"

	"google.golang.org/genproto/googleapis/type/date"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/currency"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// RecordExperience records relevant experience of a person, for currency.
func (a *App) RecordExperience(ctx context.Context, req *compliancev1.RecordExperienceRequest) (*compliancev1.Authorization, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Authorization, error) {
		u := a.unit(ctx, tx)
		auth, err := store.Authorizations.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(auth, req.GetEtag()); err != nil {
			return nil, err
		}
		if err := u.checkPeriod("experience_period", req.GetExperiencePeriod()); err != nil {
			return nil, err
		}
		auth.ExperiencePeriods = append(auth.ExperiencePeriods, req.GetExperiencePeriod())
		auth.Version++
		auth.State = authState(auth, civil.Of(u.now))
		if err := store.Authorizations.Save(ctx, tx, auth, u.now); err != nil {
			return nil, err
		}
		return auth, u.authFact(ctx, parentOf(auth.GetName()), auth)
	})
}

func (u unit) checkPeriod(field string, p *compliancev1.ExperiencePeriod) error {
	from, err := realDate(field+".start_date", p.GetStartDate())
	if err != nil {
		return err
	}
	to, err := realDate(field+".end_date", p.GetEndDate())
	if err != nil {
		return err
	}
	if to.Before(from) {
		return fault.Invalid(field+".end_date", "DATES_REVERSED", "The experience would end on %s, before it starts on %s. Correct the dates.", to, from)
	}
	return u.notFuture(field+".end_date", to)
}

// checkGrant refuses what an authorization can't rest on. Reasons: DATES_REVERSED, DATE_INVALID, DATE_IN_FUTURE, INSPECTION_AUTHORIZATION_ENDS.
func (u unit) checkGrant(auth *compliancev1.Authorization) error {
	from, err := realDate("authorization.start_date", auth.GetStartDate())
	if err != nil {
		return err
	}
	to, err := realDate("authorization.end_date", auth.GetEndDate())
	if err != nil {
		return err
	}
	if to.Before(from) {
		return fault.Invalid("authorization.end_date", "DATES_REVERSED", "The authorization would end on %s, before it starts on %s. Correct the dates.", to, from)
	}
	if last := currency.InspectionEnds(from); auth.GetInspectionAuthorization() && last.Before(to) {
		return fault.Invalid("authorization.end_date", "INSPECTION_AUTHORIZATION_ENDS",
			"An inspection authorization of %s ends on %s, so nothing rests on it until %s. Give no later day.", from, last, to)
	}
	for i, p := range auth.GetExperiencePeriods() {
		if err := u.checkPeriod(fmt.Sprintf("authorization.experience_periods[%d]", i), p); err != nil {
			return err
		}
	}
	if err := u.checkPast("authorization.last_experience_date", auth.GetLastExperienceDate()); err != nil {
		return err
	}
	return u.checkPast("authorization.found_able_date", auth.GetFoundAbleDate())
}

// checkPast refuses a day that there is not, or that is to come; none is good. Experience of 2099 would keep somebody current for ever.
func (u unit) checkPast(field string, d *date.Date) error {
	if d == nil {
		return nil
	}
	day, err := realDate(field, d)
	if err != nil {
		return err
	}
	return u.notFuture(field, day)
}

// current reports whether a person's experience is recent enough on a day; where none is recorded, nothing is held against it, and
// where only its last day is, that day decides.
func current(a *compliancev1.Authorization, day civil.Date) (ok bool, months int) {
	var periods []currency.Period
	for _, p := range a.GetExperiencePeriods() {
		periods = append(periods, currency.Period{From: dateOf(p.GetStartDate()), To: dateOf(p.GetEndDate())})
	}
	last, able := dateOf(a.GetLastExperienceDate()), currency.Found(dateOf(a.GetFoundAbleDate()), day)
	if len(periods) == 0 && a.GetFoundAbleDate() == nil {
		return last.IsZero() || !last.AddMonths(currencyMonths).Before(day), 0
	}
	months = currency.Months(periods, day)
	return currency.Current(months, able), months
}
