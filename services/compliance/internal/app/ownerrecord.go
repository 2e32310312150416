package app

import (
	"context"
	"fmt"
	"strings"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/compliance/internal/ownerrecord"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// keepRelease begins to follow a release until the owner's record has it, once per order.
func (u unit) keepRelease(ctx context.Context, fact *workordersv1.WorkOrderChanged) error {
	name := "releaseEntries/" + strings.TrimPrefix(fact.GetWorkOrder(), "workOrders/")
	_, err := store.ReleaseEntries.Get(ctx, u.Tx, name)
	if err == nil || !fault.HasReason(err, "NOT_FOUND") {
		return err
	}
	regime, err := u.regimeThere(ctx, fact)
	if fault.HasReason(err, "NOT_FOUND") {
		return eventbus.NotYet("%s is not known here", fact.GetEngine())
	}
	if err != nil {
		return err
	}
	duty := dutyOf(fact.GetCivilDate(), regime)
	return store.ReleaseEntries.Insert(ctx, u.Tx, &compliancev1.ReleaseEntry{
		Name: name, WorkOrder: fact.GetWorkOrder(), Number: fact.GetNumber(), Engine: fact.GetEngine(), EngineSerial: fact.GetEngineSerial(), Aircraft: fact.GetAircraft(),
		Regime: regime, ReleaseDate: fact.GetCivilDate(), LatestDate: protoDate(duty.Latest), FlightBlocked: duty.BeforeFlight, Rules: duty.Rules,
		InspectionResult: compliancev1.ReleaseEntry_InspectionResult(compliancev1.ReleaseEntry_InspectionResult_value[fact.GetInspectionResult()]),
		Discrepancies:    fact.GetDiscrepancies(), DiscrepancyListDate: fact.GetDiscrepancyListDate(),
	}, u.now)
}

// regimeThere is the regime of the aircraft that an order names, else of the one that the engine is on.
func (u unit) regimeThere(ctx context.Context, fact *workordersv1.WorkOrderChanged) (compliancev1.Aircraft_Regime, error) {
	regime, err := u.regimeOf(ctx, fact.GetEngine())
	if err != nil || fact.GetAircraft() == "" {
		return regime, err
	}
	plane, err := store.Aircraft.Get(ctx, u.Tx, fact.GetAircraft())
	if fault.HasReason(err, "NOT_FOUND") {
		return regime, nil
	}
	return plane.GetRegime(), err
}

// dutyOf is when a release under a regime must be entered; where none is known, all rules hold.
func dutyOf(released *date.Date, regime compliancev1.Aircraft_Regime) ownerrecord.Duty {
	faa, easa := regime != compliancev1.Aircraft_EASA && regime != compliancev1.Aircraft_UK, regime != compliancev1.Aircraft_FAA
	return ownerrecord.Of(dateOf(released), faa, easa)
}

// EnterRelease says that a release was entered in the owner's record. What was said stays; the last entry counts. Reasons: ENTRY_BEFORE_RELEASE,
// DATE_IN_FUTURE, DATE_INVALID, CORRECTION_REASON_MISSING, ETAG_MISMATCH.
func (a *App) EnterRelease(ctx context.Context, req *compliancev1.EnterReleaseRequest) (*compliancev1.ReleaseEntry, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.ReleaseEntry, error) {
		u := a.unit(ctx, tx)
		e, err := store.ReleaseEntries.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(e, req.GetEtag()); err != nil {
			return nil, err
		}
		if err := u.mayEnterRelease(e, req); err != nil {
			return nil, err
		}
		entry := &compliancev1.OwnerRecordEntry{
			EnterDate: req.GetEnterDate(), Reference: req.GetReference(), CorrectionReason: req.GetCorrectionReason(), Account: u.caller.Account, Person: u.caller.Person,
			CreateTime: timestamppb.New(u.now),
		}
		e.Entries, e.Entered = append(e.GetEntries(), entry), true
		e.Timely = dutyOf(e.GetReleaseDate(), e.GetRegime()).InTime(dateOf(entry.GetEnterDate()))
		if err := store.ReleaseEntries.Save(ctx, tx, e, u.now); err != nil {
			return nil, err
		}
		if err := u.chainRelease(ctx, e, entry); err != nil {
			return nil, err
		}
		return e, u.publish(ctx, "coldsection.compliance.release.entered.v1", e.GetEngine(), &compliancev1.ReleaseEntered{ReleaseEntry: e})
	})
}

// mayEnterRelease refuses an entry before its release or to come, and a second one that does not say why.
func (u unit) mayEnterRelease(e *compliancev1.ReleaseEntry, req *compliancev1.EnterReleaseRequest) error {
	day, err := realDate("enter_date", req.GetEnterDate())
	if err != nil {
		return err
	}
	if err := u.notFuture("enter_date", day); err != nil {
		return err
	}
	if released := dateOf(e.GetReleaseDate()); day.Before(released) {
		return fault.Invalid("enter_date", "ENTRY_BEFORE_RELEASE", "%s was released on %s, and would be entered on %s, before that. Correct the date.", e.GetNumber(), released, day)
	}
	if e.GetEntered() && req.GetCorrectionReason() == "" {
		return fault.Invalid("correction_reason", "CORRECTION_REASON_MISSING", "%s is entered already, in %q. To correct that, say why.", e.GetNumber(), lastEntry(e).GetReference())
	}
	return nil
}

func lastEntry(e *compliancev1.ReleaseEntry) *compliancev1.OwnerRecordEntry {
	if n := len(e.GetEntries()); n > 0 {
		return e.GetEntries()[n-1]
	}
	return nil
}

func (u unit) chainRelease(ctx context.Context, e *compliancev1.ReleaseEntry, entry *compliancev1.OwnerRecordEntry) error {
	_, _, err := recordchain.Append(ctx, u.Tx, recordchain.Entry{
		Stream: "release-entries", Kind: "entered", Subject: e.GetName(), At: u.now, Actor: u.caller.Account, Fields: []recordchain.Field{
			{Name: "work_order", Value: e.GetWorkOrder()}, {Name: "released", Value: dateOf(e.GetReleaseDate()).String()},
			{Name: "entered", Value: dateOf(entry.GetEnterDate()).String()}, {Name: "reference", Value: entry.GetReference()},
			{Name: "reason", Value: entry.GetCorrectionReason()}, {Name: "person", Value: entry.GetPerson()}, {Name: "number", Value: fmt.Sprint(len(e.GetEntries()))},
		},
	})
	return err
}
