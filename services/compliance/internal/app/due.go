package app

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/apply"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// recompute works out every requirement of an engine anew, saves what changed and publishes changes of band. requirement
// narrows it to one; accomplishment, when set, is the record that moved it.
func (u unit) recompute(ctx context.Context, engineName, requirement, accomplishment string) error {
	engine, err := store.Engines.Get(ctx, u.Tx, engineName)
	if err != nil {
		return err
	}
	condition, args := "name >= $1", []any{""}
	if requirement != "" {
		condition, args = "name = $1", []any{requirement}
	}
	all, err := store.Requirements.Where(ctx, u.Tx, condition+" ORDER BY name", args...)
	if err != nil {
		return err
	}
	for _, r := range all {
		if answer, _ := applicable(r, engine); answer == apply.No || r.GetApplicability() == nil {
			continue
		}
		if err := u.recomputeOne(ctx, engine, r, accomplishment); err != nil {
			return fmt.Errorf("%s on %s: %w", r.GetName(), engineName, err)
		}
	}
	return nil
}

// applicable decides by model, name, serial and configuration, and says why.
func applicable(r *compliancev1.Requirement, e *compliancev1.Engine) (apply.Answer, string) {
	a := r.GetApplicability()
	if a == nil {
		return apply.Decide(nil, apply.Engine{})
	}
	rule := &apply.Rule{
		Models: a.GetEngineModels(), Engines: a.GetEngines(), Aircraft: a.GetAircraft(), EmbodiedAny: a.GetEmbodiedAny(), EmbodiedNone: a.GetEmbodiedNone(),
	}
	for _, s := range a.GetSerialRanges() {
		rule.Serials = append(rule.Serials, apply.Range{First: s.GetFirstSerial(), Last: s.GetLastSerial(), Excluded: s.GetExcluded()})
	}
	return apply.Decide(rule, apply.Engine{Model: e.GetEngineModel(), Name: e.GetName(), Aircraft: e.GetAircraft(), Serial: e.GetSerial(), Embodied: e.GetEmbodied()})
}

func dueName(requirement, engine string) string {
	return "dueItems/" + strings.TrimPrefix(requirement, "requirements/") + "." + strings.TrimPrefix(engine, "engines/")
}

func (u unit) recomputeOne(ctx context.Context, engine *compliancev1.Engine, r *compliancev1.Requirement, accomplishment string) error {
	fresh, err := u.work(ctx, engine, r)
	if err != nil {
		return err
	}
	old, err := store.DueItems.Lock(ctx, u.Tx, fresh.GetName())
	if fault.HasReason(err, "NOT_FOUND") {
		if err := store.DueItems.Insert(ctx, u.Tx, fresh, u.now); err != nil {
			return err
		}
		return u.dueFacts(ctx, r, &compliancev1.DueItem{}, fresh, accomplishment)
	}
	if err != nil {
		return err
	}
	fresh.Etag = old.GetEtag()
	if err := store.DueItems.Save(ctx, u.Tx, fresh, u.now); err != nil {
		return err
	}
	return u.dueFacts(ctx, r, old, fresh, accomplishment)
}

// dueFacts tells once per change of band, and when a record moved the item.
func (u unit) dueFacts(ctx context.Context, r *compliancev1.Requirement, old, fresh *compliancev1.DueItem, accomplishment string) error {
	fact := &compliancev1.DueChanged{
		DueItem: fresh.GetName(), Requirement: r.GetName(), RequirementCode: r.GetCode(), Subject: fresh.GetSubject(), TaskCard: r.GetTaskCard(),
		Band: fresh.GetBand().String(), PreviousBand: old.GetBand().String(), DueDate: fresh.GetDueDate(), Explanation: fresh.GetExplanation(),
		Accomplishment: accomplishment,
	}
	if accomplishment != "" {
		if err := u.publish(ctx, "coldsection.compliance.due.recalculated.v1", fresh.GetName(), fact); err != nil {
			return err
		}
	}
	if old.GetBand() == fresh.GetBand() {
		return nil
	}
	switch fresh.GetBand() {
	case compliancev1.DueItem_NEAR, compliancev1.DueItem_DUE:
		if old.GetBand() == compliancev1.DueItem_DUE || old.GetBand() == compliancev1.DueItem_NEAR {
			return nil
		}
		return u.publish(ctx, "coldsection.compliance.due.approached.v1", fresh.GetName(), fact)
	case compliancev1.DueItem_OVERDUE, compliancev1.DueItem_IN_TOLERANCE:
		return u.publish(ctx, "coldsection.compliance.due.passed.v1", fresh.GetName(), fact)
	default:
		return nil
	}
}

// itemOf is a due item before anything is counted.
func itemOf(r *compliancev1.Requirement, engine *compliancev1.Engine) *compliancev1.DueItem {
	return &compliancev1.DueItem{
		Name: dueName(r.GetName(), engine.GetName()), Requirement: r.GetName(), RequirementCode: r.GetCode(), RequirementTitle: r.GetDisplayName(),
		Kind: r.GetKind(), Subject: engine.GetName(), SubjectLabel: engine.GetSerial(),
	}
}

// work computes a due item for today.
func (u unit) work(ctx context.Context, engine *compliancev1.Engine, r *compliancev1.Requirement) (*compliancev1.DueItem, error) {
	item := itemOf(r, engine)
	today, rate, err := u.today(ctx, engine)
	if err != nil {
		return nil, err
	}
	item.AsOfDate = protoDate(today)
	done, err := store.Accomplishments.Where(ctx, u.Tx, "subject = $1 AND name >= $2 AND name < $3 ORDER BY done_date, create_time", engine.GetName(),
		r.GetName()+"/", r.GetName()+"0")
	if err != nil {
		return nil, err
	}
	done = slices.DeleteFunc(done, func(a *compliancev1.Accomplishment) bool { return a.GetSuccessor() != "" })
	if len(done) > 0 {
		last := done[len(done)-1]
		item.LastDoneDate, item.LastDoneCounters, item.LastAccomplishment = last.GetDoneDate(), last.GetCounters(), last.GetName()
	}
	if done, err = u.corrected(ctx, engine.GetName(), done); err != nil {
		return nil, err
	}
	extension, err := u.inForce(ctx, item, r)
	if err != nil {
		return nil, err
	}
	standing, err := u.standing(ctx, r, len(done) > 0, today)
	if err != nil {
		return nil, err
	}
	state := due.Now{Today: today, Counters: countersOf(engine.GetCounters()), Rate: rate, Extension: extension}
	if answer, why := applicable(r, engine); answer == apply.Unknown {
		item.Band, item.BandReason = compliancev1.DueItem_NO_DATA, "Whether it applies can't be told: "+why
		item.Explanation = item.GetBandReason() + "."
		return item, nil
	}
	u.fill(item, r, done, standing, state)
	if n := len(done); n > 0 && !proto.Equal(done[n-1].GetCounters(), item.GetLastDoneCounters()) {
		item.Explanation += " Corrected flying lowered the counters that the record of the work carries."
	}
	return item, nil
}

// standing is where a requirement is in its life; one that another takes the place of stands until the first day of that one.
func (u unit) standing(ctx context.Context, r *compliancev1.Requirement, done bool, today civil.Date) (due.Standing, error) {
	life := due.Life{Effective: dateOf(r.GetEffectiveDate()), Done: done, Repeats: !treeOf(r.GetRepeat()).Empty()}
	if r.GetSuccessor() != "" {
		next, err := store.Requirements.Get(ctx, u.Tx, r.GetSuccessor())
		if err != nil && !fault.HasReason(err, "NOT_FOUND") {
			return "", err
		}
		life.Replaced, life.ReplacedOn = err == nil, dateOf(next.GetEffectiveDate())
	}
	return life.On(today), nil
}

func (u unit) fill(item *compliancev1.DueItem, r *compliancev1.Requirement, done []*compliancev1.Accomplishment, standing due.Standing, state due.Now) {
	tree, base := treeOf(r.GetRepeat()), due.Base{Date: dateOf(r.GetEffectiveDate())}
	switch {
	case standing == due.Superseded:
		item.Band, item.BandReason = compliancev1.DueItem_EXEMPT, "Superseded by "+r.GetSuccessor()
		return
	case len(done) > 0 && tree.Empty():
		item.Band, item.BandReason = compliancev1.DueItem_EXEMPT, "Done once and for all"
		return
	case len(done) > 0:
		base = baseOf(r, done, tree)
	case r.GetInitial() != nil:
		tree = treeOf(r.GetInitial())
	default:
		item.Band, item.BandReason = compliancev1.DueItem_NO_DATA, "No record says when it was last done; it does not count as compliant"
		item.Explanation = item.GetBandReason() + "."
		return
	}
	result := tree.Compute(base, state, thresholdOf(r.GetNear()))
	if result.Driving < 0 || base.Date.IsZero() {
		item.Band, item.BandReason = compliancev1.DueItem_NO_DATA, "The requirement has no limit, or no date to count from"
		item.Explanation = item.GetBandReason() + "."
		return
	}
	item.Band = compliancev1.DueItem_Band(compliancev1.DueItem_Band_value[string(result.Band)])
	item.DueDate, item.Explanation = protoDate(result.Date), result.Explain()
	item.DrivingUnit = result.Left[result.Driving].Limit.Unit.Driver()
	for i, l := range result.Left {
		item.Remaining = append(item.Remaining, &compliancev1.Remaining{
			Unit: compliancev1.IntervalLimit_Unit(l.Limit.Unit), DueCounter: l.At, LimitDate: protoDate(l.Date), Left: l.Left,
			ProjectedDate: protoDate(l.Projected), Driving: i == result.Driving,
		})
	}
}

// baseOf follows the rebase policy through every time that it was done.
func baseOf(r *compliancev1.Requirement, done []*compliancev1.Accomplishment, tree due.Tree) due.Base {
	policy := map[compliancev1.Requirement_Rebase]due.Rebase{
		compliancev1.Requirement_FROM_DUE_IF_LATE: due.FromDueIfLate, compliancev1.Requirement_FIXED_GRID: due.FixedGrid,
	}[r.GetRebase()]
	var base due.Base
	for _, a := range done {
		base = policy.Next(base, due.Base{Date: dateOf(a.GetDoneDate()), Counters: countersOf(a.GetCounters())}, tree)
	}
	return base
}

func countersOf(c *compliancev1.Counters) due.Counters {
	return due.Counters{Seconds: c.GetOperatingSeconds(), Cycles: c.GetCycles(), Starts: c.GetStarts()}
}

func thresholdOf(n *compliancev1.NearThreshold) due.Threshold {
	if n == nil {
		return due.DefaultThreshold
	}
	return due.Threshold{Days: int64(n.GetDays()), Seconds: n.GetOperatingSeconds(), Cycles: n.GetCycles()}
}

func treeOf(t *compliancev1.LimitTree) due.Tree {
	out := due.Tree{Later: t.GetCombine() == compliancev1.LimitTree_LATER}
	for _, l := range t.GetLimits() {
		out.Limits = append(out.Limits, due.Limit{Unit: due.Unit(l.GetUnit()), Amount: l.GetAmount(), Fixed: dateOf(l.GetFixedDate())})
	}
	for _, sub := range t.GetTrees() {
		out.Trees = append(out.Trees, treeOf(sub))
	}
	return out
}

// today is the civil date where the aircraft's days are counted, and the rate that it flies at.
func (u unit) today(ctx context.Context, engine *compliancev1.Engine) (civil.Date, due.Rate, error) {
	if engine.GetAircraft() == "" {
		return civil.Of(u.now), due.Rate{}, nil
	}
	plane, err := store.Aircraft.Get(ctx, u.Tx, engine.GetAircraft())
	if err != nil {
		return civil.Date{}, due.Rate{}, err
	}
	zone, err := u.zone(plane.GetTimeZone())
	if err != nil {
		return civil.Date{}, due.Rate{}, err
	}
	rate := plane.GetFlyingRate()
	return civil.Of(u.now.In(zone)), due.Rate{HoursPerDay: rate.GetHoursPerDay(), CyclesPerDay: rate.GetCyclesPerDay()}, nil
}

// refreshed is a due item computed for today, without saving it.
func (u unit) refreshed(ctx context.Context, item *compliancev1.DueItem) (*compliancev1.DueItem, error) {
	engine, err := store.Engines.Get(ctx, u.Tx, item.GetSubject())
	if err != nil {
		return nil, err
	}
	r, err := store.Requirements.Get(ctx, u.Tx, item.GetRequirement())
	if err != nil {
		return nil, err
	}
	fresh, err := u.work(ctx, engine, r)
	if err != nil {
		return nil, err
	}
	fresh.Etag, fresh.UpdateTime = item.GetEtag(), item.GetUpdateTime()
	return fresh, nil
}

// GetDueItem reads a due item as of today.
func (a *App) GetDueItem(ctx context.Context, name string) (item *compliancev1.DueItem, err error) {
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		stored, err := store.DueItems.Get(ctx, tx, name)
		if err != nil {
			return err
		}
		item, err = a.unit(ctx, tx).refreshed(ctx, stored)
		return err
	})
	return item, err
}

// ListDueItems lists due items, each as of today; the order and filter are those of the newest sweep.
func (a *App) ListDueItems(ctx context.Context, req *compliancev1.ListDueItemsRequest) (*compliancev1.ListDueItemsResponse, error) {
	if req.GetAsOfDate() != nil {
		return nil, fault.New(fault.Unimplemented, "AS_OF_NOT_BUILT", "Due lists for another day than today are not built yet.")
	}
	items, next, err := store.DueItems.List(ctx, a.DB, a.Lister, req, "")
	if err != nil {
		return nil, err
	}
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		for i, item := range items {
			if items[i], err = a.unit(ctx, tx).refreshed(ctx, item); err != nil {
				return err
			}
		}
		return nil
	})
	return &compliancev1.ListDueItemsResponse{DueItems: items, NextPageToken: next}, err
}

// Sweep works everything out for a new day and tells what came near or passed.
func (a *App) Sweep(ctx context.Context) error {
	var engines []*compliancev1.Engine
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		engines, err = store.Engines.Where(ctx, tx, "name >= '' ORDER BY name")
		return err
	})
	if err != nil {
		return err
	}
	for _, e := range engines {
		if err := a.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
			return a.unit(ctx, tx).recompute(ctx, e.GetName(), "", "")
		}); err != nil {
			return err
		}
	}
	return nil
}
