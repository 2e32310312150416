package agentdoor

// spec is a tool: one method of the contract and those fields of its request that a caller may set.
type spec struct {
	name, title, description string

	service, method string   // such as coldsection.compliance.v1.ComplianceQueryService and ListEngines
	fields          []string // paths into the request, such as work_order.engine
	required        []string
	lifted          string // the message of the request whose fields are offered as the tool's own; "" for none
	drafts          bool   // makes a draft; everything else only reads
}

// Services of the contract that have tools.
const (
	compliance   = "coldsection.compliance.v1.ComplianceQueryService"
	consumables  = "coldsection.consumables.v1.ConsumablesQueryService"
	scanning     = "coldsection.consumables.v1.ScanningQueryService"
	performance  = "coldsection.performance.v1.PerformanceQueryService"
	calculations = "coldsection.performance.v1.PerformanceCalculationService"
	workOrders   = "coldsection.workorders.v1.WorkOrdersQueryService"
	drafting     = "coldsection.workorders.v1.WorkOrdersService"
)

// paged are the fields of a request for a list.
var paged = []string{"filter", "order_by", "page_size", "page_token"}

// ofParent are the fields of a request for a list of something's own.
var ofParent = append([]string{"parent"}, paged...)

// tools are all tools, in the order in which they are listed.
var tools = []spec{
	{
		name: "assessment_find", title: "Condition of engines", service: performance, method: "ListAssessments", fields: paged,
		description: "What the readings say about each engine now: level, deviations with their intervals, likely causes and the next check.",
	},
	{
		name: "compliance_status", title: "Status on a date", service: compliance, method: "GetComplianceStatus",
		fields: []string{"subject", "as_of_time", "known_at_time"}, required: []string{"subject"},
		description: "Where every requirement of an aircraft or engine stands at a time, and what shows it.",
	},
	{
		name: "due_explain", title: "Why it is due", service: compliance, method: "ExplainDueItem", fields: []string{"name"}, required: []string{"name"},
		description: "The arithmetic behind a due date, line by line. Take the name from due_find.",
	},
	{
		name: "due_find", title: "Due list", service: compliance, method: "ListDueItems", fields: append([]string{"as_of_date"}, paged...),
		description: "What is due on which aircraft or engine, when, and by which of calendar, hours and cycles.",
	},
	{
		name: "engine_find", title: "Find engines", service: compliance, method: "ListEngines", fields: paged,
		description: "Engines with their counters and where they are fitted.",
	},
	{
		name: "engine_trend", title: "Trend of an engine", service: performance, method: "GetTrend",
		fields: []string{"name", "start_time", "end_time", "max_points"}, required: []string{"name"},
		description: "Deviations from the baseline over time, with the level line and what happened. The name is engines/{engine}/trend.",
	},
	{
		name: "finding_find", title: "Findings", service: workOrders, method: "ListFindings", fields: ofParent, required: []string{"parent"},
		description: "What was found during work, and where its answer stands. The parent is an order, or workOrders/- for all.",
	},
	{
		name: "heater_check", title: "Calculate the sense-line heater check", service: calculations, method: "CalculateHeater",
		fields:   []string{"name", "resistance", "temperature", "current", "bus_voltage", "insulation"},
		required: []string{"name"}, description: "Compares heater measurements with the data of an engine model (engineModels/{engine_model}). A calculation only: it clears no engine.",
	},
	{
		name: "lot_find", title: "Lots on the shelf", service: consumables, method: "ListLots", fields: paged,
		description: "Lots with their state, balances by place and usable time.",
	},
	{
		name: "lot_trace", title: "Where a lot went or came from", service: consumables, method: "TraceLot",
		fields: []string{"name", "direction", "as_of_time"}, required: []string{"name", "direction"},
		description: "The orders and engines that a lot reached, or what it was made of, through mixes and decants.",
	},
	{
		name: "reading_explain", title: "Explain a reading", service: performance, method: "ExplainReading", fields: []string{"name"}, required: []string{"name"},
		description: "How the corrected values of a reading come about, each step with its formula and source. Readings are named in engine_trend.",
	},
	{
		name: "recovery_find", title: "What washes recovered", service: performance, method: "ListRecoveries", fields: ofParent, required: []string{"parent"},
		description: "What each wash of an engine recovered, with its interval; it may say that it cannot tell.",
	},
	{
		name: "scan_read", title: "Read a scanned code", service: scanning, method: "ParseScan",
		fields: []string{"code", "also_scanned", "work_order", "need_time"}, required: []string{"code"},
		description: "What a scanned code is, and whether that lot or item may be used.",
	},
	{
		name: "stock_suggest", title: "Which lot first", service: consumables, method: "SuggestLots",
		fields:      []string{"item", "quantity_value", "quantity_unit_code", "need_time", "work_order"},
		required:    []string{"item", "quantity_value", "quantity_unit_code", "need_time"},
		description: "Which lots would serve a need, earliest use-by first, and why others would not. Reserves nothing.",
	},
	{
		name: "tool_find", title: "Tools and their calibration", service: compliance, method: "ListTools", fields: paged,
		description: "Tools with the state of their calibration.",
	},
	{
		name: "wash_advice_find", title: "Wash advice", service: performance, method: "ListWashAdvices", fields: ofParent, required: []string{"parent"},
		description: "When a wash of an engine was advised and why.",
	},
	{
		name: "wash_plan_get", title: "Wash plan", service: workOrders, method: "GetWashPlan", fields: []string{"name", "revision"}, required: []string{"name"},
		description: "Mix, volumes, pressure and timing that were computed for an order from the operator's data. The name is workOrders/{work_order}/washPlan.",
	},
	{
		name: "work_order_draft", title: "Draft a work order", service: drafting, method: "CreateWorkOrder", drafts: true, lifted: "work_order",
		fields: []string{
			"work_order.engine", "work_order.task_card", "work_order.display_name", "work_order.remarks", "work_order.requirements", "request_id", "validate_only",
		},
		required:    []string{"engine", "task_card", "request_id"},
		description: "Drafts an order for people to judge; it is marked as drafted by a machine. Repeating it with the same request_id drafts no second one.",
	},
	{
		name: "work_order_find", title: "Find work orders", service: workOrders, method: "ListWorkOrders", fields: paged,
		description: "Work orders with their state and what may be done next.",
	},
	{
		name: "work_order_get", title: "One work order", service: workOrders, method: "GetWorkOrder", fields: []string{"name"}, required: []string{"name"},
		description: "One work order with its demands, materials and hold.",
	},
}
