// Package app holds the use cases of work orders. What has to be asked of other services is asked before the transaction;
// the transaction holds the order, its records and the facts that it publishes.
package app

import (
	"cmp"
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/quantity"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/flow"
	"coldsection.example/services/workorders/internal/store"
)

// App is the use cases of work orders.
type App struct {
	DB          *storage.DB
	Clock       clock.Clock
	IDs         ids.Source
	Lister      *listing.Lister
	Keys        *auth.Keys
	Compliance  grpc.ClientConnInterface
	Performance grpc.ClientConnInterface
	Consumables grpc.ClientConnInterface
}

const source = "workorders"

type unit struct {
	*storage.Tx

	app    *App
	now    time.Time
	caller auth.Identity
}

func (a *App) unit(ctx context.Context, tx *storage.Tx) unit {
	id, _ := auth.FromContext(ctx)
	return unit{Tx: tx, app: a, now: a.Clock.Now(), caller: id}
}

func (u unit) publish(ctx context.Context, typ, order string, data proto.Message) error {
	return outbox.Append(ctx, u.Tx, outbox.New(u.app.IDs.New(), u.now, source, "coldsection.workorder."+typ+".v1", order, data))
}

func (a *App) newName(collection, id string) string {
	if id == "" {
		id = a.IDs.New()
	}
	return collection + "/" + id
}

// me is the caller's person; machines have none and may not do what needs one. Reason: PERSON_NEEDED.
func (u unit) me() (string, error) {
	if u.caller.Person == "" {
		return "", fault.Denied("PERSON_NEEDED", "%s is not a person, and this is done by a person. Sign in with a personal account.", u.caller.Account)
	}
	return u.caller.Person, nil
}

// asService speaks to the other services on this service's own account.
func asService(ctx context.Context) context.Context { return rpc.AsService(ctx, source) }

// engineOf asks compliance for an engine. Reasons: ENGINE_UNKNOWN, COMPLIANCE_UNREACHABLE.
func (a *App) engineOf(ctx context.Context, name string) (*compliancev1.Engine, error) {
	engine, err := compliancev1.NewComplianceQueryServiceClient(a.Compliance).GetEngine(asService(ctx), &compliancev1.GetEngineRequest{Name: name})
	if fault.HasReason(err, "NOT_FOUND") {
		return nil, fault.Precondition("ENGINE_UNKNOWN", "%q is not an engine that compliance knows. Add it there first.", name).With("engine", name)
	}
	if err != nil {
		return nil, unreachable(err)
	}
	return engine, nil
}

func unreachable(err error) error {
	return fault.New(fault.Unavailable, "COMPLIANCE_UNREACHABLE", "Compliance can't be asked now, so nothing was done or signed. Try again in a moment.").Because(err)
}

// modelOf asks performance for an engine model.
func (a *App) modelOf(ctx context.Context, name string) (*performancev1.EngineModel, error) {
	model, err := performancev1.NewPerformanceQueryServiceClient(a.Performance).GetEngineModel(asService(ctx), &performancev1.GetEngineModelRequest{Name: name})
	if err != nil && !fault.HasReason(err, "NOT_FOUND") {
		return nil, fault.New(fault.Unavailable, "PERFORMANCE_UNREACHABLE", "The wash data of %s can't be read now. Try again in a moment.", name).Because(err)
	}
	return model, err
}

// gate asks compliance about the caller's authorizations and tools on a civil day, and fails closed.
func (a *App) gate(ctx context.Context, person, engine string, day *date.Date, scopes, tools []string) (*compliancev1.CheckGatesResponse, error) {
	answer, err := compliancev1.NewGateServiceClient(a.Compliance).CheckGates(asService(ctx), &compliancev1.CheckGatesRequest{
		CivilDate: day, Person: person, Scopes: scopes, Engine: engine, Tools: tools,
	})
	if err != nil {
		return nil, unreachable(err)
	}
	for _, r := range answer.GetResults() {
		if !r.GetOpen() {
			return nil, fault.Precondition(r.GetReason(), "%s", r.GetExplanation()).With("asked", r.GetAsked())
		}
	}
	return answer, nil
}

// usableLot asks stores whether a lot may be used at an instant, and whether as much of it is with the order.
func (a *App) usableLot(ctx context.Context, use *workordersv1.MaterialUse, o *workordersv1.WorkOrder, at time.Time) error {
	lot, order := use.GetLot(), o.GetName()
	answer, err := consumablesv1.NewConsumablesQueryServiceClient(a.Consumables).LookUpLot(asService(ctx), &consumablesv1.LookUpLotRequest{
		Code: lot, WorkOrder: order, NeedTime: timestamppb.New(at),
	})
	if err != nil {
		if !fault.Undecided(err) {
			return err
		}
		return storesUnreachable(lot, err)
	}
	// A lot of which nothing is left in stores may still be with the job.
	if !answer.GetUsable() && answer.GetReason() != "LOT_EMPTIED" {
		return fault.Precondition("MATERIAL_NOT_USABLE", "The material may not be used: %s Use another lot, and record that one.", answer.GetExplanation()).
			With("lot", lot).With("cause", answer.GetReason())
	}
	waits, err := a.unbooked(ctx, o, lot)
	if err != nil {
		return err
	}
	return withOrder(use, answer.GetLot(), order, waits)
}

func storesUnreachable(lot string, err error) error {
	return fault.New(fault.Unavailable, "STORES_UNREACHABLE", "Stores can't be asked about %s now, so the step stays open. Try again in a moment.", lot).Because(err)
}

// withOrder refuses more of a lot than is with the order, less what waits to be booked: stores could not book it, and its way to the engine would be lost. Sealed packs are
// opened by stores as they are used, and are judged there. Reason: MATERIAL_NOT_ISSUED.
func withOrder(use *workordersv1.MaterialUse, lot *consumablesv1.Lot, order string, waits *commonv1.Quantity) error {
	if lot == nil || lot.GetPackQuantity() != nil {
		return nil
	}
	used, err := quantity.Parse(use.GetQuantity().GetValue(), use.GetQuantity().GetUnitCode())
	if err != nil {
		return err
	}
	there := &commonv1.Quantity{Value: "0", UnitCode: lot.GetReceived().GetUnitCode()}
	for _, b := range lot.GetBalances() {
		if b.GetLocation() == order {
			there = b.GetQuantity()
		}
	}
	with, err := quantity.Parse(there.GetValue(), there.GetUnitCode())
	if err != nil {
		return err
	}
	if with, err = less(with, waits); err != nil {
		return err
	}
	more, err := with.Cmp(used)
	if err != nil {
		return err
	}
	if more < 0 {
		return fault.Precondition("MATERIAL_NOT_ISSUED", "%s of %s is with %s, and %s was named. Correct the amount or the lot, or have the rest issued.", with, use.GetLot(), order, used).
			With("lot", use.GetLot())
	}
	return nil
}

func flowOf(o *workordersv1.WorkOrder) flow.Order {
	return flow.Order{State: o.GetState().String(), OnHold: o.GetHold() != nil, InspectionRequired: o.GetInspectionRequired()}
}

// standing refuses something for where an order stands, and says which verbs it allows.
func standing(o *workordersv1.WorkOrder, reason, format string, args ...any) error {
	allowed := strings.Join(o.GetAllowedVerbs(), ", ")
	text := fmt.Sprintf(format, args...) + " Allowed now: " + cmp.Or(allowed, "nothing") + "."
	return fault.Precondition(reason, "%s", text).With("state", o.GetState().String()).With("allowed_verbs", allowed)
}

// lock reads an order to change it and checks the caller's etag.
func (u unit) lock(ctx context.Context, name, etag string) (*workordersv1.WorkOrder, error) {
	order, err := store.Orders.Lock(ctx, u.Tx, name)
	if err != nil {
		return nil, err
	}
	if etag != "" && etag != order.GetEtag() {
		return nil, fault.StaleEtag(name).With("current_etag", order.GetEtag())
	}
	return order, nil
}

// save writes an order with what it allows next.
func (u unit) save(ctx context.Context, o *workordersv1.WorkOrder) error {
	o.AllowedVerbs = flow.Allowed(flowOf(o))
	return store.Orders.Save(ctx, u.Tx, o, u.now)
}

// advance moves an order by a verb, saves it and publishes the fact.
func (u unit) advance(ctx context.Context, o *workordersv1.WorkOrder, verb string, more func(*workordersv1.WorkOrderChanged)) error {
	state, fact, err := flow.Next(flowOf(o), verb, o.GetName())
	if err != nil {
		return err
	}
	o.State = workordersv1.WorkOrder_State(workordersv1.WorkOrder_State_value[state])
	if verb == "kit" {
		o.KitTime = timestamppb.New(u.now)
	}
	if err := u.save(ctx, o); err != nil {
		return err
	}
	return u.tell(ctx, o, fact, more)
}

func (u unit) tell(ctx context.Context, o *workordersv1.WorkOrder, fact string, more func(*workordersv1.WorkOrderChanged)) error {
	zone, err := u.zoneOf(ctx, o)
	if err != nil {
		return err
	}
	change := &workordersv1.WorkOrderChanged{
		WorkOrder: o.GetName(), Number: o.GetNumber(), State: o.GetState().String(), Kind: o.GetKind().String(), Engine: o.GetEngine(), EngineSerial: o.GetEngineSerial(),
		TaskCard: o.GetTaskCard(), EngineModel: o.GetEngineModel(), Aircraft: o.GetAircraft(), Station: o.GetStation(), TimeZone: zone.String(), PlanStartTime: o.GetPlanStartTime(),
		Demands: o.GetDemands(), Materials: o.GetMaterials(), Requirements: o.GetRequirements(), Origin: o.GetOrigin(), Counters: o.GetStartCounters(),
		EventTime: timestamppb.New(u.now), CivilDate: civil(u.now.In(zone)), Person: u.caller.Person,
	}
	if isWash(o.GetKind()) {
		p, err := store.Plans.Get(ctx, u.Tx, o.GetName()+"/washPlan")
		if err != nil {
			return err
		}
		change.PlanRevision = p.GetRevision()
	}
	if o.GetEndCounters() != nil {
		change.Counters = o.GetEndCounters()
	}
	if more != nil {
		more(change)
	}
	return u.publish(ctx, fact, o.GetName(), change)
}

// zoneOf is the zone of the order's station, UTC while it has none.
func (u unit) zoneOf(ctx context.Context, o *workordersv1.WorkOrder) (*time.Location, error) {
	if o.GetStation() == "" {
		return time.UTC, nil
	}
	place, err := store.Stations.Get(ctx, u.Tx, o.GetStation())
	if err != nil {
		return nil, err
	}
	return time.LoadLocation(place.GetTimeZone())
}

func civil(t time.Time) *date.Date {
	return &date.Date{Year: int32(t.Year()), Month: int32(t.Month()), Day: int32(t.Day())}
}

func orderOf(name string) string {
	parts := strings.SplitN(name, "/", 3)
	return strings.Join(parts[:min(2, len(parts))], "/")
}

func millilitres(v float64) *commonv1.Quantity {
	return &commonv1.Quantity{Value: fmt.Sprintf("%.0f", v), UnitCode: "mL"}
}

// today is the civil date at the order's station.
func (a *App) today(ctx context.Context, o *workordersv1.WorkOrder) (*date.Date, error) {
	return a.dayOf(ctx, o, nil)
}

// dayOf is the civil date of an instant, or of now, at the order's station.
func (a *App) dayOf(ctx context.Context, o *workordersv1.WorkOrder, at *timestamppb.Timestamp) (day *date.Date, err error) {
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		u := a.unit(ctx, tx)
		zone, err := u.zoneOf(ctx, o)
		if err != nil {
			return err
		}
		day = civil(u.now.In(zone))
		if at != nil {
			day = civil(at.AsTime().In(zone))
		}
		return nil
	})
	return day, err
}
