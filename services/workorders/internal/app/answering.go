package app

import (
	"context"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/timestamppb"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/app/regimes"
	"coldsection.example/services/workorders/internal/deferral"
	"coldsection.example/services/workorders/internal/store"
)

// AnswerFinding says what is done about it. A deferral is told by a fact of its own, with its last day.
func (a *App) AnswerFinding(ctx context.Context, req *workordersv1.AnswerFindingRequest) (*workordersv1.Finding, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.Finding, error) {
		u := a.unit(ctx, tx)
		f, o, err := u.finding(ctx, req.GetName(), req.GetEtag())
		if err != nil {
			return nil, err
		}
		if err := u.mayAnswer(ctx, o, f, req); err != nil {
			return nil, err
		}
		f.State, f.Disposition, f.Answer, f.Answerer = workordersv1.Finding_ANSWERED, req.GetDisposition(), req.GetAnswer(), u.caller.Person
		f.Basis, f.LimitDate, f.DeferralCategory, f.Placard = req.GetBasis(), req.GetLimitDate(), req.GetCategory(), req.GetPlacard()
		if err := store.Findings.Save(ctx, tx, f, u.now); err != nil {
			return nil, err
		}
		if f.GetDisposition() == workordersv1.Finding_DEFER {
			if err := u.tellFinding(ctx, "finding.deferred", o, f); err != nil {
				return nil, err
			}
		}
		return f, u.tellFinding(ctx, "finding.answered", o, f)
	})
}

// finding locks a finding and reads its order.
func (u unit) finding(ctx context.Context, name, etag string) (*workordersv1.Finding, *workordersv1.WorkOrder, error) {
	f, err := store.Findings.Lock(ctx, u.Tx, name)
	if err != nil {
		return nil, nil, err
	}
	if err := resource.CheckEtag(f, etag); err != nil {
		return nil, nil, err
	}
	o, err := store.Orders.Get(ctx, u.Tx, orderOf(name))
	return f, o, err
}

// mayAnswer refuses an answer that the finding, or its regime, does not allow. Reasons: FLIGHT_SAFETY, STATE_NOT_ALLOWED and those of
// a deferral.
func (u unit) mayAnswer(ctx context.Context, o *workordersv1.WorkOrder, f *workordersv1.Finding, req *workordersv1.AnswerFindingRequest) error {
	if f.GetFlightSafety() && req.GetDisposition() != workordersv1.Finding_RECTIFY {
		return fault.Precondition("FLIGHT_SAFETY", "%s endangers flight. It is put right before the release; it can be neither deferred nor left to the customer. Answer it with RECTIFY.",
			f.GetName())
	}
	if req.GetDisposition() == workordersv1.Finding_DEFER {
		if err := u.mayDefer(ctx, o, f, req); err != nil {
			return err
		}
	}
	if f.GetState() != workordersv1.Finding_RAISED {
		return fault.Precondition("STATE_NOT_ALLOWED", "%s is %s already, and a finding is answered once. Report what is still wrong as a new one.", f.GetName(), f.GetState()).
			With("state", f.GetState().String())
	}
	return nil
}

// mayDefer refuses a deferral without its basis and last day, one whose last day is past or later than its category allows, and one
// without the placard that its category wants. It fills in the last day of a category that counts days. Reasons:
// DEFERRAL_INCOMPLETE, DEFERRAL_PAST, DEFERRAL_TOO_LONG, PLACARD_MISSING, CATEGORY_UNKNOWN.
func (u unit) mayDefer(ctx context.Context, o *workordersv1.WorkOrder, f *workordersv1.Finding, req *workordersv1.AnswerFindingRequest) error {
	if req.GetCategory() != "" {
		if err := u.limitBy(ctx, o, f, req); err != nil {
			return err
		}
	}
	if strings.TrimSpace(req.GetBasis()) == "" || req.GetLimitDate() == nil {
		return fault.Invalid("basis", "DEFERRAL_INCOMPLETE", "A deferral names the data that allow it and its last day. Add both.")
	}
	zone, err := u.zoneOf(ctx, o)
	if err != nil {
		return err
	}
	if today := resource.DateText(civil(u.now.In(zone))); resource.DateText(req.GetLimitDate()) < today {
		return fault.Invalid("limit_date", "DEFERRAL_PAST", "The last day of the deferral, %s, is before today, %s. Put it right now, or give a day to come.",
			resource.DateText(req.GetLimitDate()), today)
	}
	return nil
}

// limitBy holds a deferral to its category: the days count from the day after it was first found, however often it was carried over.
func (u unit) limitBy(ctx context.Context, o *workordersv1.WorkOrder, f *workordersv1.Finding, req *workordersv1.AnswerFindingRequest) error {
	r, err := u.regimeOf(ctx, o)
	if err != nil {
		return err
	}
	category, err := regimes.Category(r, req.GetCategory())
	if err != nil {
		return err
	}
	if category.GetPlacardRequired() && strings.TrimSpace(req.GetPlacard()) == "" {
		return fault.Invalid("placard", "PLACARD_MISSING", "Category %q wants a placard. Fit it, and say what it reads.", category.GetCategory())
	}
	if category.GetDays() == 0 {
		return nil
	}
	last, err := deferral.Last(resource.DateText(f.GetOriginalDate()), int(category.GetDays()))
	if err != nil {
		return err
	}
	if req.GetLimitDate() == nil {
		req.LimitDate = dateOf(last)
	}
	if resource.DateText(req.GetLimitDate()) > last {
		return fault.Invalid("limit_date", "DEFERRAL_TOO_LONG", "Category %q allows %d days, not counting %s, when it was first found: until %s. Give that day or an earlier one.",
			category.GetCategory(), category.GetDays(), resource.DateText(f.GetOriginalDate()), last)
	}
	return nil
}

// dateOf is a civil date out of YYYY-MM-DD, nil for anything else.
func dateOf(text string) *date.Date {
	day, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return nil
	}
	return civil(day)
}

// DecideFinding records what the customer decided on a finding that was put to them.
func (a *App) DecideFinding(ctx context.Context, req *workordersv1.DecideFindingRequest) (*workordersv1.Finding, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.Finding, error) {
		u := a.unit(ctx, tx)
		f, o, err := u.finding(ctx, req.GetName(), req.GetEtag())
		if err != nil {
			return nil, err
		}
		if f.GetState() != workordersv1.Finding_ANSWERED || f.GetDisposition() != workordersv1.Finding_CUSTOMER_DECISION || f.GetCustomerDecision() != nil {
			return nil, fault.Precondition("STATE_NOT_ALLOWED", "%s is %s, with %s, and waits for no decision of the customer. Answer with CUSTOMER_DECISION what is RAISED; "+
				"report anew what is to be decided again.", f.GetName(), f.GetState(), f.GetDisposition()).
				With("state", f.GetState().String())
		}
		if req.GetDecision().GetVerdict() == workordersv1.CustomerDecision_VERDICT_UNSPECIFIED {
			return nil, fault.Invalid("decision.verdict", "VERDICT_MISSING", "A decision says what the customer wants. Say whether the customer AGREED or DECLINED.")
		}
		f.CustomerDecision = req.GetDecision()
		at, err := u.afterSigning(ctx, o)
		if err != nil {
			return nil, err
		}
		f.CustomerDecision.Person, f.CustomerDecision.DecideTime = u.caller.Person, timestamppb.New(at)
		if err := store.Findings.Save(ctx, tx, f, u.now); err != nil {
			return nil, err
		}
		return f, u.tellFinding(ctx, "finding.decided", o, f)
	})
}
