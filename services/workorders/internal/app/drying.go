package app

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/store"
)

// dryingRun is the run that dries the engine as a plan has it, nil where it asks for none.
func dryingRun(p *workordersv1.WashPlan) *workordersv1.TimelineEntry {
	i := slices.IndexFunc(p.GetTimeline(), func(e *workordersv1.TimelineEntry) bool {
		return e.GetActivity() == workordersv1.TimelineEntry_DRYING_RUN
	})
	if i < 0 {
		return nil
	}
	return p.GetTimeline()[i]
}

// dryingLength is how long that run lasts at least, 0 where no length is entered: an engine that was shut down sooner is wet.
func dryingLength(p *workordersv1.WashPlan) time.Duration {
	e := dryingRun(p)
	return time.Duration(e.GetEndSecond()-e.GetStartSecond()) * time.Second
}

func lasted(r *workordersv1.MotoringRun) time.Duration {
	return r.GetEndTime().AsTime().Sub(r.GetStartTime().AsTime())
}

// addDrying adds a drying run that was left out, and says when one is missing: water that stays in an engine corrodes it, and freezes.
func (u unit) addDrying(ctx context.Context, o *workordersv1.WorkOrder, c *content) error {
	if d := o.GetDryingOmission(); d != nil {
		c.add("drying left out", "%s|%s|%s|%s|%s", d.GetReason(), d.GetAgreement(), d.GetCondition(), d.GetPerson(), stamp(d.GetOmitTime()))
	}
	dry, err := u.drying(ctx, o)
	switch {
	case err != nil:
		return err
	case dry.missing:
		c.undried = append(c.undried, "The plan asks for a drying run"+dry.length+", and none is recorded whole after the last wetting")
	case dry.omitted:
		c.omitted = append(c.omitted, omissionText(o.GetDryingOmission()))
	}
	return nil
}

func omissionText(d *workordersv1.DryingOmission) string {
	text := "drying run (" + d.GetReason() + "; " + d.GetAgreement()
	if d.GetCondition() != "" {
		text += "; allowed by: " + d.GetCondition()
	}
	return text + ")"
}

// drying is how an order stands with the drying of its engine: at most one of them holds for an order whose plan asks for it.
type drying struct {
	planned, recorded, omitted, missing bool

	length string // how long it lasts at least, in words; empty where no length is entered
}

// drying looks at the plan, the runs and the omission of an order. An omission holds for what went through the engine before it.
func (u unit) drying(ctx context.Context, o *workordersv1.WorkOrder) (d drying, err error) {
	if !isWash(o.GetKind()) {
		return d, nil
	}
	p, err := store.Plans.Get(ctx, u.Tx, o.GetName()+"/washPlan")
	if err != nil || dryingRun(p) == nil {
		return d, err
	}
	if length := dryingLength(p); length > 0 {
		d.length = fmt.Sprintf(" of %s or longer", length)
	}
	last, dry, err := u.wetted(ctx, o, p, u.now.Add(leeway))
	held := o.GetDryingOmission() != nil && !last.After(o.GetDryingOmission().GetOmitTime().AsTime())
	d.planned, d.recorded, d.omitted, d.missing = true, dry, held && !dry, !held && !dry
	return d, err
}

// wet says that liquid is recorded to have gone into the engine on an order, and that it was neither dried since nor left wet with agreement.
func (u unit) wet(ctx context.Context, o *workordersv1.WorkOrder) (bool, error) {
	d, err := u.drying(ctx, o)
	if err != nil || !d.missing {
		return false, err
	}
	last, _, err := u.wetted(ctx, o, nil, u.now.Add(leeway)) // when is the same whatever dries
	return !last.IsZero() || len(o.GetMaterials()) > 0, err
}

// OmitDryingRun leaves the drying run of a wash out, where approved data allow it or nothing went into the engine.
func (a *App) OmitDryingRun(ctx context.Context, req *workordersv1.OmitDryingRunRequest) (*workordersv1.WorkOrder, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.WorkOrder, error) {
		u := a.unit(ctx, tx)
		me, err := u.me()
		if err != nil {
			return nil, err
		}
		o, err := u.started(ctx, req.GetName())
		if err != nil {
			return nil, err
		}
		if req.GetEtag() != o.GetEtag() {
			return nil, fault.StaleEtag(o.GetName()).With("current_etag", o.GetEtag())
		}
		condition, err := u.mayStayWet(ctx, o)
		if err != nil {
			return nil, err
		}
		o.DryingOmission = &workordersv1.DryingOmission{
			Reason: strings.TrimSpace(req.GetReason()), Agreement: strings.TrimSpace(req.GetAgreement()), Condition: condition, Person: me, OmitTime: timestamppb.New(u.now),
		}
		if err := u.save(ctx, o); err != nil {
			return nil, err
		}
		return o, u.tell(ctx, o, "drying.omitted", func(c *workordersv1.WorkOrderChanged) { c.Reason = "not done: " + omissionText(o.GetDryingOmission()) })
	})
}

// mayStayWet refuses to leave a drying run out that approved data ask for, and says what they allow: "" where nothing is recorded to have
// gone into the engine. Reasons: DRYING_NOT_PLANNED, DRYING_RUN_RECORDED, DRYING_NOT_OMITTABLE.
func (u unit) mayStayWet(ctx context.Context, o *workordersv1.WorkOrder) (condition string, err error) {
	d, err := u.drying(ctx, o)
	switch {
	case err != nil:
		return "", err
	case !d.planned:
		return "", fault.Precondition("DRYING_NOT_PLANNED", "The work of %s has no drying run in a plan, so there is none to leave out. Go on without.", o.GetNumber())
	case d.recorded:
		return "", fault.Precondition("DRYING_RUN_RECORDED", "The drying run of %s is recorded, so it is not left out. Go on; if the run never was, have its record corrected.", o.GetNumber())
	}
	p, err := store.Plans.Get(ctx, u.Tx, o.GetName()+"/washPlan")
	if err != nil {
		return "", err
	}
	wet, err := u.wet(ctx, o)
	if err != nil {
		return "", err
	}
	if condition = strings.TrimSpace(p.GetDryingOmissionCondition()); condition == "" && wet {
		return "", fault.Precondition("DRYING_NOT_OMITTABLE",
			"Liquid went into the engine of %s, and %s, does not say that approved data allow to leave the drying run out. Do the drying run and record it.", o.GetNumber(), data(p))
	}
	return condition, nil
}

// data names the wash data that a plan rests on.
func data(p *workordersv1.WashPlan) string {
	return p.GetData().GetTitle() + ", revision " + p.GetData().GetRevision()
}
