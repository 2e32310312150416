package story

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// beginning is the day on which the invented operator starts to use the suite, and the calendar that follows from it.
var (
	beginning   = time.Date(2026, time.September, 7, 6, 0, 0, 0, time.UTC)
	planning    = beginning.Add(4 * time.Hour)
	washDay     = time.Date(2026, time.September, 9, 5, 30, 0, 0, time.UTC)
	weeksAfter  = washDay.AddDate(0, 0, 42)
	historyFrom = beginning.AddDate(0, -18, 0)
)

// The operator, aircraft, engine and place are invented.
const (
	aircraft     = "aircraft/demo-101"
	engine       = "engines/demo-4711"
	engineSerial = "DEMO-4711"
	engineModel  = "engineModels/demo-turboprop"
	station      = "stations/skerry"
	zone         = "Europe/Oslo"
)

// world is what the story knows of the suite.
type world struct {
	now       time.Time
	sim       *simulation
	wash      string // due item of the wash programme
	workOrder *workordersv1.WorkOrder
	plan      *workordersv1.WashPlan
	washTime  time.Time

	firstRotation time.Time
	timedSteps    int
	materialSteps int
}

func civil(t time.Time) *date.Date {
	return &date.Date{Year: int32(t.Year()), Month: int32(t.Month()), Day: int32(t.Day())}
}

func isoDate(d *date.Date) string {
	if d == nil {
		return "(no date)"
	}
	return fmt.Sprintf("%04d-%02d-%02d", d.GetYear(), d.GetMonth(), d.GetDay())
}

func demoDocument(title string) *commonv1.DocumentReference {
	return &commonv1.DocumentReference{Title: title + " (demonstration only)", Revision: "A", EffectiveDate: civil(historyFrom)}
}

// fleet brings in the aircraft, its engine, the engine's data, what must be done to it, and the tools.
func (s *Story) fleet(ctx context.Context) error {
	s.world.sim = newSimulation()
	for _, step := range []func(context.Context) error{s.addModel, s.addAircraft, s.addRequirements, s.addTools, s.addStation} {
		if err := step(ctx); err != nil {
			return err
		}
	}
	return nil
}

func (s *Story) addModel(ctx context.Context) error {
	model, err := performancev1.NewPerformanceServiceClient(s.cast["analyst"]).CreateEngineModel(ctx, &performancev1.CreateEngineModelRequest{
		EngineModel: s.world.sim.model(), EngineModelId: "demo-turboprop", RequestId: s.key("model"),
	})
	if err != nil {
		return err
	}
	s.tell.Line("Engine model %q, revision %d: a baseline of %d points and %d limits from %q. Invented, for demonstration only.",
		model.GetDisplayName(), model.GetRevision(), len(model.GetBaseline().GetPoints()), len(model.GetLimits()), model.GetDocument().GetTitle())
	return nil
}

func (s *Story) addAircraft(ctx context.Context) error {
	planner := compliancev1.NewComplianceServiceClient(s.cast["planner"])
	counters := &compliancev1.Counters{OperatingSeconds: s.world.sim.secondsAtStart(), Cycles: 2210, Starts: 2304, Landings: 2390}
	plane, err := planner.CreateAircraft(ctx, &compliancev1.CreateAircraftRequest{
		AircraftId: "demo-101", RequestId: s.key("aircraft"),
		Aircraft: &compliancev1.Aircraft{
			Registration: "DEMO-101", Owner: "demo-operator", Model: "Demonstration commuter", Serial: "0101", Regime: compliancev1.Aircraft_EASA,
			Counters: counters, CountersDate: civil(beginning), TimeZone: zone,
			FlyingRate: &compliancev1.FlyingRate{HoursPerDay: 3.4, CyclesPerDay: 4},
		},
	})
	if err != nil {
		return err
	}
	unit, err := planner.CreateEngine(ctx, &compliancev1.CreateEngineRequest{
		EngineId: "demo-4711", RequestId: s.key("engine"),
		Engine: &compliancev1.Engine{Serial: engineSerial, EngineModel: engineModel, Owner: "demo-operator", Counters: counters, CountersDate: civil(beginning)},
	})
	if err != nil {
		return err
	}
	unit, err = planner.InstallEngine(ctx, &compliancev1.InstallEngineRequest{
		Name: unit.GetName(), Aircraft: plane.GetName(), Position: "left", InstallDate: civil(beginning), RequestId: s.key("install"),
	})
	if err != nil {
		return err
	}
	s.out.Engine = unit.GetName()
	s.tell.Line("Aircraft %s with engine %s at the %s, %s since new, %d cycles.", plane.GetRegistration(), unit.GetSerial(),
		unit.GetPosition(), hours(unit.GetCounters().GetOperatingSeconds()), unit.GetCounters().GetCycles())
	return nil
}

func hours(seconds int64) string { return fmt.Sprintf("%.1f h", float64(seconds)/3600) }

// requirement is one line of the invented maintenance programme.
type requirement struct {
	id, code, title, taskCard string
	kind                      compliancev1.Requirement_Kind
	limits                    []*compliancev1.IntervalLimit
	doneDaysBefore            int
	doneHoursBefore           float64
}

var programme = []requirement{
	{
		id: "wash", code: "DEMO-72-01", title: "Compressor recovery wash", taskCard: "taskCards/recovery-wash",
		kind: compliancev1.Requirement_PROGRAMME_ITEM, doneDaysBefore: 330, doneHoursBefore: 560,
		limits: []*compliancev1.IntervalLimit{
			{Unit: compliancev1.IntervalLimit_HOURS, Amount: 600 * 3600},
			{Unit: compliancev1.IntervalLimit_MONTHS, Amount: 12},
		},
	},
	{
		id: "heater-check", code: "DEMO-73-04", title: "Sense-line heater check", taskCard: "taskCards/sense-line-heater-check",
		kind: compliancev1.Requirement_COMPONENT_CHECK, doneDaysBefore: 90, doneHoursBefore: 150,
		limits: []*compliancev1.IntervalLimit{{Unit: compliancev1.IntervalLimit_CALENDAR_MONTHS_END, Amount: 12}},
	},
	{
		id: "trim-check", code: "DEMO-77-02", title: "Temperature-trim check", taskCard: "taskCards/temperature-trim-check",
		kind: compliancev1.Requirement_COMPONENT_CHECK, doneDaysBefore: 200, doneHoursBefore: 320,
		limits: []*compliancev1.IntervalLimit{{Unit: compliancev1.IntervalLimit_HOURS, Amount: 1200 * 3600}},
	},
}

func (s *Story) addRequirements(ctx context.Context) error {
	for _, r := range programme {
		if err := s.addRequirement(ctx, r); err != nil {
			return fmt.Errorf("requirement %s: %w", r.id, err)
		}
	}
	items, err := compliancev1.NewComplianceQueryServiceClient(s.cast["planner"]).ListDueItems(ctx,
		&compliancev1.ListDueItemsRequest{Filter: fmt.Sprintf("subject = %q", engine)})
	if err != nil {
		return err
	}
	for _, item := range items.GetDueItems() {
		s.tell.Line("%s %s: %s. %s", item.GetRequirementCode(), item.GetRequirementTitle(), item.GetBand(), item.GetExplanation())
		if item.GetRequirement() == "requirements/wash" {
			s.world.wash = item.GetName()
			s.out.DueBefore = isoDate(item.GetDueDate())
		}
	}
	if s.world.wash == "" {
		return fmt.Errorf("the wash programme made no due item for %s", engine)
	}
	return nil
}

func (s *Story) addRequirement(ctx context.Context, r requirement) error {
	made, err := compliancev1.NewComplianceServiceClient(s.cast["planner"]).CreateRequirement(ctx, &compliancev1.CreateRequirementRequest{
		RequirementId: r.id, RequestId: s.key("requirement " + r.id),
		Requirement: &compliancev1.Requirement{
			Code: r.code, DisplayName: r.title, Kind: r.kind, TaskCard: r.taskCard, Document: demoDocument("Maintenance programme"),
			Applicability: &compliancev1.Applicability{EngineModels: []string{engineModel}},
			Repeat:        &compliancev1.LimitTree{Combine: compliancev1.LimitTree_FIRST, Limits: r.limits},
			Rebase:        compliancev1.Requirement_FROM_DONE, EffectiveDate: civil(historyFrom),
		},
	})
	if err != nil {
		return err
	}
	proof, err := s.cast["quality"].proof(ctx)
	if err != nil {
		return err
	}
	done := s.world.sim.secondsAtStart() - int64(r.doneHoursBefore*3600)
	_, err = compliancev1.NewComplianceServiceClient(s.cast["quality"]).CreateAccomplishment(ctx, &compliancev1.CreateAccomplishmentRequest{
		Parent: made.GetName(), ReauthenticationToken: proof, RequestId: s.key("history " + r.id),
		Accomplishment: &compliancev1.Accomplishment{
			Subject: engine, DoneDate: civil(beginning.AddDate(0, 0, -r.doneDaysBefore)),
			Counters:          &compliancev1.Counters{OperatingSeconds: done, Cycles: 2000, Starts: 2080, Landings: 2170},
			DocumentReference: "Engine log book, page " + r.code, Method: "From the paper records",
			LateEntryReason: "Taken over from paper when the suite came into use",
		},
	})
	return err
}

func (s *Story) addTools(ctx context.Context) error {
	quality := compliancev1.NewComplianceServiceClient(s.cast["quality"])
	for _, t := range []*compliancev1.Tool{
		{DisplayName: "Conductivity meter", ToolType: "conductivity-meter", Serial: "CM-17", RangeText: "0 to 200 µS/cm", AccuracyText: "±0.5 %"},
		{DisplayName: "Pressure gauge", ToolType: "pressure-gauge", Serial: "PG-03", RangeText: "0 to 700 kPa", AccuracyText: "±1 %"},
		{DisplayName: "Thermometer", ToolType: "thermometer", Serial: "TH-09", RangeText: "-40 to 120 °C", AccuracyText: "±0.5 K"},
		{DisplayName: "Resistance bridge", ToolType: "resistance-bridge", Serial: "RB-02", RangeText: "0 to 200 Ω", AccuracyText: "±0.1 %"},
		{DisplayName: "Insulation tester", ToolType: "insulation-tester", Serial: "IT-05", RangeText: "0 to 500 MΩ", AccuracyText: "±5 %"},
		{DisplayName: "Stopwatch", ToolType: "stopwatch", Serial: "SW-01", RangeText: "0 to 24 h", AccuracyText: "±0.2 s"},
	} {
		tool, err := quality.CreateTool(ctx, &compliancev1.CreateToolRequest{Tool: t, ToolId: t.GetToolType(), RequestId: s.key("tool " + t.GetToolType())})
		if err != nil {
			return err
		}
		tool, err = quality.CalibrateTool(ctx, &compliancev1.CalibrateToolRequest{
			Name: tool.GetName(), RequestId: s.key("calibrate " + t.GetToolType()),
			Calibration: &compliancev1.Calibration{
				CalibrationDate: civil(beginning.AddDate(0, -2, 0)), DueDate: civil(beginning.AddDate(0, 10, 0)),
				Certificate: "DEMO-CAL-" + t.GetSerial(), Laboratory: "Demonstration laboratory",
			},
		})
		if err != nil {
			return err
		}
		s.tell.Line("%s %s is %s until %s.", tool.GetDisplayName(), tool.GetSerial(), tool.GetState(), isoDate(tool.GetCalibrationDueDate()))
	}
	return nil
}

func (s *Story) addStation(ctx context.Context) error {
	place, err := workordersv1.NewWorkOrdersServiceClient(s.cast["planner"]).CreateStation(ctx, &workordersv1.CreateStationRequest{
		StationId: "skerry", RequestId: s.key("station"),
		Station: &workordersv1.Station{DisplayName: "Skerry base", TimeZone: zone, PowerSource: "ground-unit"},
	})
	if err != nil {
		return err
	}
	s.tell.Line("%s, zone %s.", place.GetDisplayName(), place.GetTimeZone())
	return nil
}
