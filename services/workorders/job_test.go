package workorders_test

import (
	"context"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/storage"
)

const station = "stations/ramp"

// hear tells the service that stores met an order's demands, as its consumer would.
func (s *stage) hear(id string, fact proto.Message) {
	s.t.Helper()
	if err := s.heard(id, "coldsection.stock.demand.met.v1", fact); err != nil {
		s.t.Fatal(err)
	}
}

// heard tells the service a fact of a type.
func (s *stage) heard(id, typ string, fact proto.Message) error {
	s.t.Helper()
	data, err := protojson.Marshal(fact)
	if err != nil {
		s.t.Fatal(err)
	}
	effect, err := s.service.Consumers()[0].Handle(s.t.Context(), eventbus.Message{Event: outbox.Event{ID: id, Type: typ, Time: s.clock.Now(), Data: data}})
	if err != nil || effect == nil {
		return err
	}
	return s.service.DB().Update(s.t.Context(), func(ctx context.Context, tx *storage.Tx) error { return effect(ctx, tx) })
}

// drafted is a new order of a shipped card.
func (s *stage) drafted(card string) *workordersv1.WorkOrder {
	s.t.Helper()
	return must[*workordersv1.WorkOrder](s)(s.do.CreateWorkOrder(s.as("pat"), &workordersv1.CreateWorkOrderRequest{
		WorkOrder: &workordersv1.WorkOrder{Engine: engine, TaskCard: "taskCards/" + card},
	}))
}

// place makes the station unless it is there.
func (s *stage) place() {
	s.t.Helper()
	if s.count("stations") > 0 {
		return
	}
	must[*workordersv1.Station](s)(s.do.CreateStation(s.as("pat"), &workordersv1.CreateStationRequest{StationId: "ramp", Station: &workordersv1.Station{
		DisplayName: "Ramp", TimeZone: "Asia/Tokyo", Weather: &workordersv1.Weather{LowestExpectedC: 12}, PowerSource: "battery",
	}}))
}

// kitted is an order with place, time and material.
func (s *stage) kitted(card string) *workordersv1.WorkOrder {
	s.t.Helper()
	return s.kit(s.drafted(card))
}

// kit gives a drafted order place, time and material.
func (s *stage) kit(o *workordersv1.WorkOrder) *workordersv1.WorkOrder {
	s.t.Helper()
	s.place()
	o = must[*workordersv1.WorkOrder](s)(s.do.ScheduleWorkOrder(s.as("pat"), &workordersv1.ScheduleWorkOrderRequest{
		Name: o.GetName(), Etag: o.GetEtag(), Station: station, PlanStartTime: timestamppb.New(s.clock.Now().Add(time.Hour)),
	}))
	if len(o.GetDemands()) == 0 {
		return must[*workordersv1.WorkOrder](s)(s.do.KitWorkOrder(s.as("pat"), &workordersv1.KitWorkOrderRequest{Name: o.GetName(), Etag: o.GetEtag()}))
	}
	s.hear("met-"+o.GetNumber(), met(o))
	return s.order(o)
}

func met(o *workordersv1.WorkOrder) *consumablesv1.DemandsMet {
	return &consumablesv1.DemandsMet{WorkOrder: o.GetName()}
}

// started is an order that ann is doing.
func (s *stage) started(card string) *workordersv1.WorkOrder {
	s.t.Helper()
	o := s.kitted(card)
	return must[*workordersv1.WorkOrder](s)(s.do.StartWorkOrder(s.as("ann"), &workordersv1.StartWorkOrderRequest{Name: o.GetName(), Etag: o.GetEtag()}))
}

// order reads an order again.
func (s *stage) order(o *workordersv1.WorkOrder) *workordersv1.WorkOrder {
	s.t.Helper()
	return must[*workordersv1.WorkOrder](s)(s.look.GetWorkOrder(s.as("ann"), &workordersv1.GetWorkOrderRequest{Name: o.GetName()}))
}

func (s *stage) steps(o *workordersv1.WorkOrder) []*workordersv1.Step {
	s.t.Helper()
	return must[*workordersv1.ListStepsResponse](s)(s.look.ListSteps(s.as("ann"), &workordersv1.ListStepsRequest{Parent: o.GetName(), PageSize: 200})).GetSteps()
}

var inspections = []workordersv1.StepKind{
	workordersv1.StepKind_STEP_KIND_INSPECT, workordersv1.StepKind_STEP_KIND_INDEPENDENT_INSPECTION, workordersv1.StepKind_STEP_KIND_WITNESS,
}

// work does every open step: who does the work, ivy looks where another must.
func (s *stage) work(o *workordersv1.WorkOrder, who string) {
	s.t.Helper()
	for _, step := range s.steps(o) {
		if step.GetState() != workordersv1.Step_OPEN {
			continue
		}
		person := who
		if slices.Contains(inspections, step.GetKind()) {
			person = "ivy"
		}
		s.prepare(step, person)
		must[*workordersv1.Step](s)(s.do.CompleteStep(s.as(person), completion(step)))
	}
	s.dry(o, who)
}

// dry records the drying run where the plan asks for it and none is recorded yet.
func (s *stage) dry(o *workordersv1.WorkOrder, who string) {
	s.t.Helper()
	if o.GetKind() != workordersv1.TaskCard_RECOVERY_WASH && o.GetKind() != workordersv1.TaskCard_SALT_RINSE || !s.limits(o).GetDryingRunMissing() {
		return
	}
	s.clock.Advance(5 * time.Minute) // runs of one starter don't overlap
	start := s.clock.Now().Add(-3 * time.Minute)
	must[*workordersv1.MotoringRun](s)(s.do.CreateMotoringRun(s.as(who), &workordersv1.CreateMotoringRunRequest{Parent: o.GetName(), MotoringRun: &workordersv1.MotoringRun{
		StartTime: timestamppb.New(start), EndTime: timestamppb.New(start.Add(2 * time.Minute)), Purpose: dry,
	}}))
}

// prepare does what a step asks for before it is done: cautions and readings.
func (s *stage) prepare(step *workordersv1.Step, who string) {
	s.t.Helper()
	if len(step.GetCautions()) > 0 {
		must[*workordersv1.Step](s)(s.do.AcknowledgeCautions(s.as(who), &workordersv1.AcknowledgeCautionsRequest{Name: step.GetName()}))
	}
	for _, m := range step.GetMeasurements() {
		must[*workordersv1.Measurement](s)(s.do.CreateMeasurement(s.as(who), reading(step, m.GetKey(), "200", m.GetUnitCode())))
	}
}

func completion(step *workordersv1.Step) *workordersv1.CompleteStepRequest {
	req := &workordersv1.CompleteStepRequest{Name: step.GetName()}
	if step.GetKind() == workordersv1.StepKind_STEP_KIND_MATERIAL {
		req.Materials = []*workordersv1.MaterialUse{{Lot: "lots/l1", Quantity: &commonv1.Quantity{Value: "2", UnitCode: "L"}}}
	}
	if step.GetKind() == workordersv1.StepKind_STEP_KIND_RESTORE_AND_COUNT {
		req.RemovedItemCount, req.RestoredItemCount = 3, 3
	}
	return req
}

// reading is a reading with the gauge; one of 200 in litres is confirmed as out of limits.
func reading(step *workordersv1.Step, key, text, unit string) *workordersv1.CreateMeasurementRequest {
	order, _, _ := strings.Cut(step.GetName(), "/steps/")
	return &workordersv1.CreateMeasurementRequest{Parent: order, Measurement: &workordersv1.Measurement{
		Step: step.GetName(), Key: key, Entered: &commonv1.Entered{Text: text, UnitCode: unit}, Tool: gauge, ExceedanceConfirmed: true,
	}}
}

// preview shows what would be signed.
func (s *stage) preview(o *workordersv1.WorkOrder, meaning commonv1.Signature_Meaning) *workordersv1.PreviewSignatureResponse {
	s.t.Helper()
	return must[*workordersv1.PreviewSignatureResponse](s)(s.look.PreviewSignature(s.as("ann"), &workordersv1.PreviewSignatureRequest{Name: o.GetName(), Meaning: meaning}))
}

// finish, inspect and, as rob, release sign what is shown now.
func (s *stage) finish(o *workordersv1.WorkOrder, who string) (*workordersv1.WorkOrder, error) {
	shown := s.preview(o, commonv1.Signature_PERFORMED)
	return s.do.FinishWorkOrder(s.as(who), &workordersv1.FinishWorkOrderRequest{
		Name: o.GetName(), Etag: shown.GetEtag(), ReauthenticationToken: s.proof(who), ContentHash: shown.GetContentHash(),
	})
}

func (s *stage) inspect(o *workordersv1.WorkOrder, who, exception string) (*workordersv1.WorkOrder, error) {
	shown := must[*workordersv1.PreviewSignatureResponse](s)(s.look.PreviewSignature(s.as("ann"), &workordersv1.PreviewSignatureRequest{
		Name: o.GetName(), Meaning: commonv1.Signature_INSPECTED, ExceptionReason: exception,
	}))
	return s.do.InspectWorkOrder(s.as(who), &workordersv1.InspectWorkOrderRequest{
		Name: o.GetName(), Etag: shown.GetEtag(), ReauthenticationToken: s.proof(who), ContentHash: shown.GetContentHash(), ExceptionReason: exception,
	})
}

func (s *stage) release(o *workordersv1.WorkOrder) (*workordersv1.WorkOrder, error) {
	return s.releaseAs(o, "rob")
}

func (s *stage) releaseAs(o *workordersv1.WorkOrder, who string) (*workordersv1.WorkOrder, error) {
	shown := s.preview(o, commonv1.Signature_RELEASED)
	return s.do.ReleaseWorkOrder(s.as(who), &workordersv1.ReleaseWorkOrderRequest{
		Name: o.GetName(), Etag: shown.GetEtag(), ReauthenticationToken: s.proof(who), ContentHash: shown.GetContentHash(),
	})
}

func (s *stage) signatures(o *workordersv1.WorkOrder) []*commonv1.Signature {
	s.t.Helper()
	return must[*workordersv1.ListSignaturesResponse](s)(s.look.ListSignatures(s.as("quinn"), &workordersv1.ListSignaturesRequest{Parent: o.GetName()})).GetSignatures()
}

// facts are the facts that an order made so far, without prefix and version, oldest first.
func (s *stage) facts(o *workordersv1.WorkOrder) []string {
	s.t.Helper()
	var types []string
	err := s.service.DB().View(s.t.Context(), func(ctx context.Context, tx *storage.Tx) (err error) {
		types, err = storage.Collect(ctx, tx, func(row storage.Scanner) (typ string, err error) {
			err = row.Scan(&typ)
			return strings.TrimSuffix(strings.TrimPrefix(typ, "coldsection.workorder."), ".v1"), err
		}, "SELECT type FROM outbox WHERE subject = $1 ORDER BY seq", o.GetName())
		return err
	})
	if err != nil {
		s.t.Fatal(err)
	}
	return types
}

// told is the payload of the last fact of a type about an order.
func (s *stage) told(o *workordersv1.WorkOrder, fact string) (data string) {
	s.t.Helper()
	err := s.service.DB().View(s.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		var raw []byte
		err := tx.QueryRow(ctx, "SELECT data FROM outbox WHERE subject = $1 AND type = $2 ORDER BY seq DESC LIMIT 1", o.GetName(), "coldsection.workorder."+fact+".v1").Scan(&raw)
		data = strings.ReplaceAll(strings.ReplaceAll(string(raw), `": `, `":`), `, "`, `,"`)
		return err
	})
	if err != nil {
		s.t.Fatal(err)
	}
	return data
}
