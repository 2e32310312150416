package scenarios

import (
	"testing"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"

	commonv1 "coldsection.example/proto/coldsection/common/v1"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

// The same request with the same key, first over REST, then over gRPC after the process was killed: one effect, one answer.
// With another content the key is refused.
func TestOneKeyOneEffectAcrossProtocolsAndARestart(t *testing.T) {
	stage, _ := retold(t)
	stores := stage.SignIn(t, "stores")
	order := scheduled(t, stage.SignIn(t, "planner"))
	const key = "6f1c1a52-5c3e-4b7e-9a40-0c4b8d1f2a11"
	first := must(t, stores.REST("POST", "/v1/lots/cleaner-a:issue",
		map[string]any{"workOrder": order, "quantity": quantity("0.1", "L"), "requestId": key}))
	movements := must(t, stores.REST("GET", "/v1/stockMovements?pageSize=1000", nil))

	stage.Processes[0].Kill()
	stage.Processes[0].Again()

	request := &consumablesv1.IssueStockRequest{
		Name: "lots/cleaner-a", WorkOrder: order, Quantity: &commonv1.Quantity{Value: "0.1", UnitCode: "L"}, RequestId: key,
	}
	client := consumablesv1.NewConsumablesServiceClient(stage.Conn(t))
	again, err := client.IssueStock(stores.Context(), request)
	if err != nil || again.GetName() != text(first, "name") || again.GetName() == "" {
		t.Errorf("the repetition answers %v, %v; the first time it was %v", again, err, first)
	}
	after := must(t, stores.REST("GET", "/v1/stockMovements?pageSize=1000", nil))
	if before, now := movements["stockMovements"].([]any), after["stockMovements"].([]any); len(before) != len(now) {
		t.Errorf("%d movements before the repetition, %d after it", len(before), len(now))
	}
	request.Quantity.Value = "0.2"
	if _, err := client.IssueStock(stores.Context(), request); !fault.HasReason(rpc.FromStatus(err), "IDEMPOTENCY_KEY_REUSED") {
		t.Errorf("another request with the same key: %v", err)
	}
}
