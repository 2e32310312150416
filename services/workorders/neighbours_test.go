package workorders_test

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

// neighbours answer for the other three services, over their contract, with what a test tells them. Every figure is invented.
type neighbours struct {
	compliancev1.UnimplementedGateServiceServer
	compliancev1.UnimplementedComplianceQueryServiceServer
	performancev1.UnimplementedPerformanceQueryServiceServer
	performancev1.UnimplementedPerformanceCalculationServiceServer
	consumablesv1.UnimplementedConsumablesQueryServiceServer

	mu     sync.Mutex
	silent map[string]bool      // "compliance", "performance", "stores": not answering
	lapsed map[string]string    // "people/ann perform" → reason
	valid  map[string]int32     // tool → last day of its calibration, as number has it
	until  map[string]time.Time // lot → usable until
	last   map[string]int32     // "people/ann perform" → last day of the authorization
	items  map[string]string    // lot → item
	types  map[string]string    // tool → its type; without one compliance does not say it, as a release before did
	lots   map[string]*consumablesv1.Lot

	booked   map[string][]*consumablesv1.StockMovement // by the filter that asks for them
	required map[string]string                         // requirement → the card that does it

	model   *performancev1.EngineModel
	plane   string // where the engine is fitted
	seat    string // its position there
	hung    []*compliancev1.Fitting
	counted *date.Date             // the day that compliance's counters speak of
	record  *compliancev1.Counters // the engine's, nil where nobody entered them
	causes  []*performancev1.Cause // what may be behind a loss that a wash did not cure

	nameless, uncertified, quarantined, heaterless, warmed bool
}

func newNeighbours() *neighbours {
	return &neighbours{
		silent: map[string]bool{}, lapsed: map[string]string{}, valid: map[string]int32{gauge: 20261231},
		until: map[string]time.Time{}, model: engineModel(), plane: "aircraft/a1", last: map[string]int32{}, items: map[string]string{},
		types: map[string]string{}, lots: map[string]*consumablesv1.Lot{}, required: map[string]string{}, booked: map[string][]*consumablesv1.StockMovement{},
		record: &compliancev1.Counters{OperatingSeconds: 3600 * 1234, Cycles: 99, Starts: 120},
	}
}

// change tells the neighbours something new.
func (n *neighbours) change(fn func(n *neighbours)) {
	n.mu.Lock()
	defer n.mu.Unlock()
	fn(n)
}

func (n *neighbours) register(r rpc.Registrar) {
	p := auth.Policy{}
	add := func(service string, methods ...string) auth.Policy {
		return p.For(service, []string{auth.RoleService}, methods...)
	}
	for _, m := range compliancev1.ComplianceQueryService_ServiceDesc.Methods {
		add("coldsection.compliance.v1.ComplianceQueryService", m.MethodName)
	}
	for _, m := range performancev1.PerformanceQueryService_ServiceDesc.Methods {
		add("coldsection.performance.v1.PerformanceQueryService", m.MethodName)
	}
	for _, m := range performancev1.PerformanceCalculationService_ServiceDesc.Methods {
		add("coldsection.performance.v1.PerformanceCalculationService", m.MethodName)
	}
	for _, m := range consumablesv1.ConsumablesQueryService_ServiceDesc.Methods {
		add("coldsection.consumables.v1.ConsumablesQueryService", m.MethodName)
	}
	r.Register(&compliancev1.GateService_ServiceDesc, n, add("coldsection.compliance.v1.GateService", "CheckGates"))
	r.Register(&compliancev1.ComplianceQueryService_ServiceDesc, n, p)
	r.Register(&performancev1.PerformanceQueryService_ServiceDesc, n, p)
	r.Register(&performancev1.PerformanceCalculationService_ServiceDesc, n, p)
	r.Register(&consumablesv1.ConsumablesQueryService_ServiceDesc, n, p)
}

func (n *neighbours) answering(who string) error {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.silent[who] {
		return fault.New(fault.Unavailable, "SILENT", "%s does not answer.", who)
	}
	return nil
}

// CheckGates opens unless the test said that an authorization or a calibration is over.
func (n *neighbours) CheckGates(_ context.Context, req *compliancev1.CheckGatesRequest) (*compliancev1.CheckGatesResponse, error) {
	if err := n.answering("compliance"); err != nil {
		return nil, err
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	resp := &compliancev1.CheckGatesResponse{Open: true, PersonName: "Name of " + req.GetPerson(), Certificate: "C-" + req.GetPerson()}
	if n.nameless {
		resp.PersonName = ""
	}
	if n.uncertified {
		resp.Certificate = " "
	}
	for _, scope := range req.GetScopes() {
		reason := n.lapsed[req.GetPerson()+" "+scope]
		if last, ok := n.last[req.GetPerson()+" "+scope]; ok && number(req.GetCivilDate()) > last {
			reason = "AUTHORIZATION_LAPSED"
		}
		resp.Results = append(resp.Results, result(scope, reason, req.GetPerson()+" "+scope+" version 3"))
	}
	for _, tool := range req.GetTools() {
		last, day := n.valid[tool], req.GetCivilDate()
		reason := ""
		if last < number(day) {
			reason = "TOOL_LAPSED"
		}
		if n.quarantined {
			reason = "TOOL_QUARANTINED"
		}
		answer := result(tool, reason, fmt.Sprintf("valid through %d, asked for %d", last, number(day)))
		answer.ToolType = n.types[tool]
		resp.Results = append(resp.Results, answer)
	}
	return resp, nil
}

func result(asked, reason, evidence string) *compliancev1.GateResult {
	return &compliancev1.GateResult{Asked: asked, Open: reason == "", Reason: reason, Explanation: "The gate of " + asked + " is closed.", Evidence: evidence}
}

// number is a date as a number that sorts.
func number(d *date.Date) int32 { return d.GetYear()*10000 + d.GetMonth()*100 + d.GetDay() }

// GetEngine knows the engines e1 and e2.
func (n *neighbours) GetEngine(_ context.Context, req *compliancev1.GetEngineRequest) (*compliancev1.Engine, error) {
	if err := n.answering("compliance"); err != nil {
		return nil, err
	}
	if req.GetName() != engine && req.GetName() != "engines/e2" {
		return nil, fault.Missing(req.GetName())
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	return &compliancev1.Engine{
		Name: req.GetName(), Serial: "SN-1", Aircraft: n.plane, Position: n.seat, EngineModel: "engineModels/demo", Counters: n.record, CountersDate: n.counted,
	}, nil
}

// GetAircraft knows every aircraft, with one total time.
func (n *neighbours) GetAircraft(_ context.Context, req *compliancev1.GetAircraftRequest) (*compliancev1.Aircraft, error) {
	if err := n.answering("compliance"); err != nil {
		return nil, err
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	return &compliancev1.Aircraft{Name: req.GetName(), Counters: &compliancev1.Counters{OperatingSeconds: 3600 * 4321}, CountersDate: n.counted}, nil
}

// ListEngines has the engine and another one on the same aircraft.
func (n *neighbours) ListEngines(_ context.Context, req *compliancev1.ListEnginesRequest) (*compliancev1.ListEnginesResponse, error) {
	if err := n.answering("compliance"); err != nil {
		return nil, err
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	if req.GetFilter() != fmt.Sprintf("aircraft = %q", n.plane) {
		return nil, fault.Invalid("filter", "FILTER_UNKNOWN", "%s is not a filter of these tests.", req.GetFilter())
	}
	return &compliancev1.ListEnginesResponse{Engines: []*compliancev1.Engine{
		{Name: engine, Serial: "SN-1", Aircraft: n.plane, Position: n.seat}, {Name: "engines/e2", Serial: "SN-2", Aircraft: n.plane, Position: "right"},
	}}, nil
}

// ListFittings is what was fitted where, as a test says.
func (n *neighbours) ListFittings(_ context.Context, req *compliancev1.ListFittingsRequest) (*compliancev1.ListFittingsResponse, error) {
	if err := n.answering("compliance"); err != nil {
		return nil, err
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	if req.GetFilter() != fmt.Sprintf(`item = %q AND correction = ""`, engine) {
		return nil, fault.Invalid("filter", "FILTER_UNKNOWN", "%s is not a filter of these tests.", req.GetFilter())
	}
	return &compliancev1.ListFittingsResponse{Fittings: n.hung}, nil
}

// GetRequirement knows what a test said, by the card that does it.
func (n *neighbours) GetRequirement(_ context.Context, req *compliancev1.GetRequirementRequest) (*compliancev1.Requirement, error) {
	if err := n.answering("compliance"); err != nil {
		return nil, err
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	card, ok := n.required[req.GetName()]
	if !ok {
		return nil, fault.Missing(req.GetName())
	}
	return &compliancev1.Requirement{Name: req.GetName(), Code: "R-1", DisplayName: "Recurring work", TaskCard: card}, nil
}

// ListDueItems has none.
func (n *neighbours) ListDueItems(context.Context, *compliancev1.ListDueItemsRequest) (*compliancev1.ListDueItemsResponse, error) {
	return &compliancev1.ListDueItemsResponse{}, n.answering("compliance")
}

// GetEngineModel knows one model.
func (n *neighbours) GetEngineModel(context.Context, *performancev1.GetEngineModelRequest) (*performancev1.EngineModel, error) {
	if err := n.answering("performance"); err != nil {
		return nil, err
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.model, nil
}

// CalculateHeater knows the heater of 50 W at 28 V, give or take 10 %, fed with 24 to 29 V: cases htr-01 and htr-02.
func (n *neighbours) CalculateHeater(context.Context, *performancev1.CalculateHeaterRequest) (*performancev1.CalculateHeaterResponse, error) {
	if err := n.answering("performance"); err != nil {
		return nil, err
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.heaterless {
		return nil, fault.Precondition("HEATER_DATA_MISSING", "There are none.")
	}
	entered := func(label string, v float64, unit string) *commonv1.Explained {
		return &commonv1.Explained{Label: label, Value: v, UnitCode: unit, Formula: "entered", Source: "invented"}
	}
	return &performancev1.CalculateHeaterResponse{
		EngineModel: "engineModels/demo", ModelRevision: 4, Document: &commonv1.DocumentReference{Title: "Invented heater data, demonstration only", Revision: "2"},
		LowestResistanceOhm: 15.68 * 0.9, HighestResistanceOhm: 15.68 * 1.1, LowestCurrentA: 24 / (15.68 * 1.1), HighestCurrentA: 29 / (15.68 * 0.9),
		LowestSupplyV: 24, HighestSupplyV: 29, MinInsulationMohm: 2, TemperatureMatters: n.warmed,
		Steps: []*commonv1.Explained{
			entered("Rated power", 50, "W"), entered("Rated voltage", 28, "V"), entered("Tolerance", 10, "%"),
			{Label: "Resistance when hot", Value: 15.68, UnitCode: "Ohm", Formula: "28² / 50", Source: "Ohm's and Joule's laws"},
			{Label: "Lowest current", Value: 24 / (15.68 * 1.1), UnitCode: "A", Formula: "24 / (15.68 × (1 + 0.1))", Source: "Ohm's and Joule's laws"},
			{Label: "Highest current", Value: 29 / (15.68 * 0.9), UnitCode: "A", Formula: "29 / (15.68 × (1 − 0.1))", Source: "Ohm's and Joule's laws"},
		},
	}, nil
}

// GetAssessment knows the causes that a test ranked.
func (n *neighbours) GetAssessment(context.Context, *performancev1.GetAssessmentRequest) (*performancev1.Assessment, error) {
	if err := n.answering("performance"); err != nil {
		return nil, err
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.causes == nil {
		return nil, fault.Missing(engine + "/assessment")
	}
	return &performancev1.Assessment{Name: engine + "/assessment", Causes: n.causes}, nil
}

// LookUpLot answers for the time of need.
func (n *neighbours) LookUpLot(_ context.Context, req *consumablesv1.LookUpLotRequest) (*consumablesv1.LookUpLotResponse, error) {
	if err := n.answering("stores"); err != nil {
		return nil, err
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	if until, ok := n.until[req.GetCode()]; ok && !req.GetNeedTime().AsTime().Before(until) {
		return &consumablesv1.LookUpLotResponse{Reason: "LOT_EXPIRED", Explanation: req.GetCode() + " is past its use-by."}, nil
	}
	return &consumablesv1.LookUpLotResponse{Lot: n.lots[req.GetCode()], Usable: true}, nil
}

// ListStockMovements is what a test says that stores booked of a lot as used.
func (n *neighbours) ListStockMovements(_ context.Context, req *consumablesv1.ListStockMovementsRequest) (*consumablesv1.ListStockMovementsResponse, error) {
	if err := n.answering("stores"); err != nil {
		return nil, err
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	resp := &consumablesv1.ListStockMovementsResponse{}
	for asked, booked := range n.booked {
		if req.GetFilter() == asked {
			resp.StockMovements = append(resp.StockMovements, booked...)
		}
	}
	return resp, nil
}

// GetPerson knows the people of the tests.
func (n *neighbours) GetPerson(_ context.Context, req *compliancev1.GetPersonRequest) (*compliancev1.Person, error) {
	if err := n.answering("compliance"); err != nil {
		return nil, err
	}
	if _, known := roles[strings.TrimPrefix(req.GetName(), "people/")]; !known {
		return nil, fault.Missing(req.GetName())
	}
	return &compliancev1.Person{Name: req.GetName()}, nil
}

// GetLot says which item a lot is of, the solution unless the test said another.
func (n *neighbours) GetLot(_ context.Context, req *consumablesv1.GetLotRequest) (*consumablesv1.Lot, error) {
	if err := n.answering("stores"); err != nil {
		return nil, err
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	if item, ok := n.items[req.GetName()]; ok {
		return &consumablesv1.Lot{Name: req.GetName(), Item: item}, nil
	}
	return &consumablesv1.Lot{Name: req.GetName(), Item: "items/solution"}, nil
}

// engineModel is invented, for demonstration only.
func engineModel() *performancev1.EngineModel {
	litres := func(v string) *commonv1.Quantity { return &commonv1.Quantity{Value: v, UnitCode: "L"} }
	return &performancev1.EngineModel{
		Name: "engineModels/demo", Revision: 4, Document: &commonv1.DocumentReference{Title: "Invented wash data", Revision: "4"},
		Wash: &performancev1.WashData{
			CleanerItem: "items/cleaner", WaterItem: "items/water", AntifreezeItem: "items/antifreeze", WaterParts: 4, CleanerParts: 1,
			BatchVolume: litres("2"), RinseVolume: litres("2"), RinseRuns: 1, MeasuringStep: litres("0.01"), RingFlowCoefficient: 0.1853,
			ContainerPressureKpa: 262, ValveOpenDelaySeconds: 5, ValveCloseMarginSeconds: 2, ValveWindowSeconds: 20, SoakMinutes: 12,
			DryingLimitMinutes: 60, DryingRunSeconds: 120, AntifreezeBelowC: 4, AntifreezeMarginC: 6, AntifreezeCeilingC: 4.4, WashFloorC: -20,
			StarterProfiles: []*performancev1.StarterProfile{{Id: "battery", PowerSource: "battery", Runs: []*performancev1.DutyRun{
				{OnSeconds: 30, RestSeconds: 60}, {OnSeconds: 30, RestSeconds: 60}, {OnSeconds: 30, RestSeconds: 1800},
			}}},
		},
	}
}
