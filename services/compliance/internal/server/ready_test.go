package server_test

import (
	"context"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"

	"google.golang.org/grpc"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/rpc/rpctest"
)

// neighbours answer for work orders and stores over their contract, with what a test tells them. Every figure is invented.
type neighbours struct {
	workordersv1.UnimplementedWorkOrdersQueryServiceServer
	consumablesv1.UnimplementedConsumablesQueryServiceServer

	mu      sync.Mutex
	silent  string // "cards" or "stores" do not answer
	card    *workordersv1.TaskCard
	missing string // how much of every item is short
	asked   []string
}

func (n *neighbours) dial(t testing.TB, now clock.Clock, keys *auth.Keys) grpc.ClientConnInterface {
	t.Helper()
	s, err := rpc.NewServer(rpc.Deps{Clock: now, IDs: &ids.Sequence{Prefix: "n"}, Keys: keys, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	p := auth.Policy{}
	for _, m := range workordersv1.WorkOrdersQueryService_ServiceDesc.Methods {
		p.For("coldsection.workorders.v1.WorkOrdersQueryService", []string{auth.RoleService}, m.MethodName)
	}
	for _, m := range consumablesv1.ConsumablesQueryService_ServiceDesc.Methods {
		p.For("coldsection.consumables.v1.ConsumablesQueryService", []string{auth.RoleService}, m.MethodName)
	}
	s.Register(&workordersv1.WorkOrdersQueryService_ServiceDesc, n, p)
	s.Register(&consumablesv1.ConsumablesQueryService_ServiceDesc, n, p)
	return rpctest.Dial(t, s, rpc.Caller{Keys: keys, Clock: now})
}

func (n *neighbours) GetTaskCard(_ context.Context, req *workordersv1.GetTaskCardRequest) (*workordersv1.TaskCard, error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	switch {
	case n.silent == "cards":
		return nil, fault.New(fault.Unavailable, "SILENT", "No answer.")
	case n.card == nil || n.card.GetName() != req.GetName():
		return nil, fault.Missing(req.GetName())
	default:
		return n.card, nil
	}
}

func (n *neighbours) SuggestLots(_ context.Context, req *consumablesv1.SuggestLotsRequest) (*consumablesv1.SuggestLotsResponse, error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.silent == "stores" {
		return nil, fault.New(fault.Unavailable, "SILENT", "No answer.")
	}
	n.asked = append(n.asked, req.GetItem()+" "+req.GetQuantityValue()+" "+req.GetQuantityUnitCode())
	return &consumablesv1.SuggestLotsResponse{
		Suggestions: []*consumablesv1.LotSuggestion{{Lot: "lots/good"}}, Skipped: []*consumablesv1.SkippedLot{{Lot: "lots/old", Reason: "LOT_EXPIRES_BEFORE_NEED"}},
		Shortfall: &commonv1.Quantity{Value: n.missing, UnitCode: req.GetQuantityUnitCode()},
	}, nil
}

func (n *neighbours) change(fn func()) {
	n.mu.Lock()
	defer n.mu.Unlock()
	fn()
}

// card asks for a gauge, the scope "perform" and material.
func taskCard() *workordersv1.TaskCard {
	return &workordersv1.TaskCard{Name: "taskCards/check", DisplayName: "Check", Revision: 3, RequiredAuthorizations: []string{"perform"}, Steps: []*workordersv1.CardStep{
		{Title: "Measure", Kind: workordersv1.StepKind_STEP_KIND_MEASURE, RequiredTools: []string{"pressure-gauge"}, RequiredAuthorizations: []string{"perform"}},
		{Title: "Rinse", Kind: workordersv1.StepKind_STEP_KIND_MATERIAL},
	}}
}

func (w *world) proposeReady(needs ...*compliancev1.MaterialNeed) []*compliancev1.VisitItem {
	w.t.Helper()
	got := must(w.visits.ProposeVisit(w.as("planner"), &compliancev1.ProposeVisitRequest{
		Subject: "engines/one", EarliestDate: on(2026, 3, 10), LatestDate: on(2026, 3, 31), NextVisitDate: on(2026, 5, 1), MaterialNeeds: needs,
	}))(w.t)
	return got.GetVisitItems()
}

func need(requirement, value, unit string) *compliancev1.MaterialNeed {
	return &compliancev1.MaterialNeed{Requirement: "requirements/" + requirement, Item: "items/cleaner", QuantityValue: value, QuantityUnitCode: unit}
}

// reasons are why an item is not ready; an item that is ready has none.
func reasons(t *testing.T, item *compliancev1.VisitItem) (all []string) {
	t.Helper()
	for _, l := range item.GetReadiness() {
		if l.GetReady() != (l.GetReason() == "") || l.GetExplanation() == "" || l.GetAsked() == "" {
			t.Errorf("%v", l)
		}
		if !l.GetReady() {
			all = append(all, l.GetReason())
		}
	}
	if item.GetReady() != (len(all) == 0) {
		t.Errorf("ready: %t, but %v", item.GetReady(), all)
	}
	return all
}

func wantReasons(t *testing.T, when string, item *compliancev1.VisitItem, want ...string) {
	t.Helper()
	if got := reasons(t, item); !slices.Equal(got, want) {
		t.Errorf("%s: %v, want %v; %v", when, got, want, item.GetReadiness())
	}
}

func (w *world) visitOf(requirements ...string) {
	w.t.Helper()
	for _, id := range requirements {
		w.inspect(id, func(r *compliancev1.Requirement) {
			r.TaskCard, r.Repeat = "taskCards/check", limit(compliancev1.IntervalLimit_DAYS, 30)
		})
		w.done(id, 990, on(2026, 2, 20))
	}
}

// An item of a visit says what is there for it and what is short, with lots, tools and people, on the day of the visit; what can't be asked is said
// and never taken for there.
func TestAVisitSaysWhatIsThereAndWhatIsShort(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.visitOf("one")
		wantReasons(t, "no card", w.proposeReady()[0], "CARD_MISSING")
		w.neighbours.change(func() { w.neighbours.card, w.neighbours.missing = taskCard(), "0" })
		wantReasons(t, "nothing there", w.proposeReady()[0], "MATERIAL_NOT_STATED", "TOOL_MISSING", "PERSON_MISSING")
		w.gauge()
		if err := w.calibrate(on(2026, 3, 1), on(2026, 3, 21), false); err != nil {
			t.Fatal(err)
		}
		grant := func(id string, end int) {
			must(w.commands.CreateAuthorization(w.as("quality"), &compliancev1.CreateAuthorizationRequest{
				Parent: "people/ada", AuthorizationId: id, Authorization: &compliancev1.Authorization{Scope: "perform", StartDate: on(2026, 1, 1), EndDate: on(2026, 3, end)},
			}))(t)
		}
		grant("short", 21)
		first := w.proposeReady(need("one", "2", "L"))[0]
		wantReasons(t, "both end the day before", first, "TOOL_MISSING", "PERSON_MISSING")
		if l := first.GetReadiness()[2]; !strings.Contains(l.GetExplanation(), "tools/gauge TOOL_LAPSED") {
			t.Errorf("%v", l)
		}
		if err := w.calibrate(on(2026, 3, 2), on(2026, 3, 22), false); err != nil {
			t.Fatal(err)
		}
		grant("long", 22)
		ready := w.proposeReady(need("one", "2", "L"))[0]
		wantReasons(t, "all there", ready)
		if l := ready.GetReadiness(); l[1].GetProviders()[0] != "lots/good" || l[2].GetProviders()[0] != "tools/gauge" || l[3].GetProviders()[0] != "people/ada" {
			t.Errorf("served by: %v", l)
		}
		w.neighbours.change(func() { w.neighbours.missing = "0.5" })
		lacking := w.proposeReady(need("one", "2", "L"))[0]
		wantReasons(t, "half a litre short", lacking, "STOCK_SHORT")
		if l := lacking.GetReadiness()[1]; !strings.Contains(l.GetExplanation(), "0.5 L are missing on 2026-03-22") || !strings.Contains(l.GetExplanation(), "lots/old LOT_EXPIRES_BEFORE_NEED") {
			t.Errorf("%v", l)
		}
		w.neighbours.change(func() { w.neighbours.silent = "stores" })
		wantReasons(t, "stores are silent", w.proposeReady(need("one", "2", "L"))[0], "STORES_UNREACHABLE")
		w.neighbours.change(func() { w.neighbours.silent = "cards" })
		wantReasons(t, "work orders are silent", w.proposeReady()[0], "WORK_ORDERS_UNREACHABLE")
	})
}

// Two items of one visit that need the same are asked for together, so that one lot is not counted twice.
func TestAVisitAsksForItsStockTogether(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.visitOf("one", "two")
		w.neighbours.change(func() { w.neighbours.card, w.neighbours.missing = taskCard(), "0" })
		w.proposeReady(need("one", "2", "L"), need("two", "500", "mL"), need("other", "9", "L"))
		w.neighbours.change(func() {
			if !slices.Equal(w.neighbours.asked, []string{"items/cleaner 2.5 L"}) {
				t.Errorf("asked for %v", w.neighbours.asked)
			}
		})
		_, err := w.visits.ProposeVisit(w.as("planner"), &compliancev1.ProposeVisitRequest{
			Subject: "engines/one", EarliestDate: on(2026, 3, 10), LatestDate: on(2026, 3, 31), NextVisitDate: on(2026, 5, 1),
			MaterialNeeds: []*compliancev1.MaterialNeed{need("one", "2", "L"), need("two", "1", "kg")},
		})
		refused(t, err, "UNIT_MISMATCH")
	})
}
