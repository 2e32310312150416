// Package events reacts to work orders: released ones and signed entries of the past alone move a requirement; measured values and
// tests of water tell when a tool was used; findings are open until they are closed; documents of orders are evidence with their hashes.
package events

import (
	"context"
	"strings"

	"google.golang.org/protobuf/proto"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/compliance/internal/app"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/storage"
)

const (
	released = "coldsection.workorder.released.v1"
	measured = "coldsection.workorder.measurement.recorded.v1"
	finding  = "coldsection.workorder.finding."
	tested   = "coldsection.stock.lot.tested.v1"
	attached = "coldsection.workorder.attachment.added.v1"
)

// kept are the facts that are kept as they were told; a released order moves requirements, which is a record and no model.
var kept = []string{measured, tested, attached, finding + "raised.v1", finding + "answered.v1", finding + "deferred.v1", finding + "decided.v1", finding + "closed.v1"}

// model is when tools were used, which findings are open, as they are known now and were then, and the documents of orders.
var model = eventbus.Model{Types: kept, Rows: []eventbus.Rows{
	{Table: "tool_uses"}, {Table: "order_documents"}, {Table: "open_findings"},
	{Table: "versions", Where: "name >= 'openFindings/' AND name < 'openFindings0'"},
}}

// Consumer is the service's one subscription.
func Consumer(a *app.App) eventbus.Consumer {
	return eventbus.Consumer{Durable: "compliance", Types: append([]string{released}, kept...), Model: model, Handle: func(_ context.Context, m eventbus.Message) (eventbus.Effect, error) {
		switch {
		case m.Type == measured:
			return decoded(m, &workordersv1.MeasurementRecorded{}, a.Measured)
		case m.Type == tested:
			return decoded(m, &consumablesv1.LotChanged{}, a.WaterTested)
		case m.Type == attached:
			return decoded(m, &workordersv1.AttachmentAdded{}, a.Attached)
		case strings.HasPrefix(m.Type, finding):
			return decoded(m, &workordersv1.FindingChanged{}, a.Found)
		default:
			return decoded(m, &workordersv1.WorkOrderChanged{}, a.Released)
		}
	}}
}

// decoded is the effect of a fact.
func decoded[T proto.Message](m eventbus.Message, fact T, effect func(context.Context, *storage.Tx, T) error) (eventbus.Effect, error) {
	if err := m.Decode(fact); err != nil {
		return nil, err
	}
	return func(ctx context.Context, tx *storage.Tx) error { return effect(ctx, tx, fact) }, nil
}
