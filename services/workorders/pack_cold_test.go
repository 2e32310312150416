package workorders_test

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/printing/printingtest"
	"coldsection.example/services/platform/storage"
)

// cold is a wash at -3 °C with antifreeze, done by the fallback sheet and entered the next day: runs as planned after one of an earlier
// job, the drying run, a reading that was corrected, a finding for the customer and one that was put off.
func (s *stage) cold() *workordersv1.WorkOrder {
	s.t.Helper()
	s.near.change(func(n *neighbours) {
		n.model.Wash.AntifreezeTable = &performancev1.AntifreezeTable{Document: &commonv1.DocumentReference{Title: "Lange's Handbook of Chemistry"}, Rows: []*performancev1.AntifreezeRow{
			{VolumePercent: 15, FreezingPointC: -8.3}, {VolumePercent: 20, FreezingPointC: -11.7},
		}}
	})
	o := must[*workordersv1.WorkOrder](s)(s.schedule(s.drafted("recovery-wash"), -3, "battery"))
	s.hear("met-"+o.GetNumber(), met(o))
	s.export(s.order(o), workordersv1.ExportWorkPackRequest_FALLBACK_SHEET)
	s.clock.Advance(26 * time.Hour)
	o = must[*workordersv1.WorkOrder](s)(s.do.StartWorkOrder(s.as("ann"), &workordersv1.StartWorkOrderRequest{Name: o.GetName(), Etag: s.order(o).GetEtag(), StartTime: minutes(60)}))
	must[*workordersv1.MotoringRun](s)(s.purposed(o, earlier, 600, 620, false))
	s.entered(o)
	first := must[*workordersv1.ListMeasurementsResponse](s)(s.look.ListMeasurements(s.as("ann"), &workordersv1.ListMeasurementsRequest{Parent: o.GetName()})).GetMeasurements()[0]
	must[*workordersv1.Measurement](s)(s.do.SupersedeMeasurement(s.as("ann"), &workordersv1.SupersedeMeasurementRequest{
		Name: first.GetName(), Entered: &commonv1.Entered{Text: "38", UnitCode: "[psi]"}, Reason: "a 3 of the sheet was read as an 8",
	}))
	asked := s.found(o, "Paint worn on the spinner")
	must[*workordersv1.Finding](s)(s.answer(asked, workordersv1.Finding_CUSTOMER_DECISION, "", nil))
	must[*workordersv1.Finding](s)(s.answer(s.found(o, "Scratch on the cowl, 12 mm"), workordersv1.Finding_DEFER, "repair data 51-10", day("2026-06-01")))
	must[*workordersv1.LabourEntry](s)(s.worked(o, "ann", 9*60, 11*60+5))
	must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
	must[*workordersv1.WorkOrder](s)(s.inspect(o, "ian", ""))
	return must[*workordersv1.WorkOrder](s)(s.release(o))
}

// entered enters the runs of the plan and every step as they stood on the sheet.
func (s *stage) entered(o *workordersv1.WorkOrder) {
	s.t.Helper()
	plan := must[*workordersv1.WashPlan](s)(s.look.GetWashPlan(s.as("ann"), &workordersv1.GetWashPlanRequest{Name: o.GetName() + "/washPlan"}))
	w := &wash{}
	for _, e := range plan.GetTimeline() {
		if e.GetActivity() == workordersv1.TimelineEntry_WASH_RUN || e.GetActivity() == workordersv1.TimelineEntry_RINSE_RUN {
			at := func(second int32) *timestamppb.Timestamp {
				return timestamppb.New(minutes(70).AsTime().Add(time.Duration(second) * time.Second))
			}
			w.runs = append(w.runs, &workordersv1.MotoringRun{StartTime: at(e.GetStartSecond()), EndTime: at(e.GetEndSecond())})
		}
	}
	w.runs = append(w.runs, w.dried(plan)...)
	for _, r := range w.runs {
		r.PaperEntry = true
		must[*workordersv1.MotoringRun](s)(s.do.CreateMotoringRun(s.as("ann"), &workordersv1.CreateMotoringRunRequest{Parent: o.GetName(), MotoringRun: r}))
	}
	for i, step := range s.steps(o) {
		who := map[bool]string{true: "ivy", false: "ann"}[step.GetKind() == workordersv1.StepKind_STEP_KIND_INDEPENDENT_INSPECTION]
		s.acknowledge(step, who)
		for _, m := range step.GetMeasurements() {
			req := reading(step, m.GetKey(), "88", "[psi]")
			req.Measurement.PaperEntry, req.Measurement.MeasureTime = true, minutes(61+i)
			must[*workordersv1.Measurement](s)(s.do.CreateMeasurement(s.as(who), req))
		}
		req := completion(step)
		req.PaperEntry, req.CompleteTime = true, minutes(62+i)
		must[*workordersv1.Step](s)(s.do.CompleteStep(s.as(who), req))
	}
}

// The pack of such a wash is sound PDF/A and says all of it.
func TestThePackOfAWashInTheColdByPaper(t *testing.T) {
	s := open(t, storage.Config{Engine: storage.SQLite, Path: filepath.Join(t.TempDir(), "w.db")})
	out := s.export(s.cold(), workordersv1.ExportWorkPackRequest_PDF)
	printingtest.CheckArchive(t, out.GetContent())
	text := strings.Join(strings.Fields(printingtest.Text(t, out.GetContent())), " ")
	for _, words := range []string{
		"Calculated, to be confirmed against approved data", "20 % by volume of the water", "-11.7 °C (10.9 °F)", "Lange's Handbook", "Of an earlier job", "Drying run, engine on",
		"From the fallback sheet, entered 2026-03-15", "606.7 kPa", "OUTSIDE ITS", "correction: a 3", "Paint worn on the spinner", "Scratch on the cowl, 12 mm",
		"2026-06-01", "soak", "rest", "2:05:00 h (2.08 h)", "covers the record as it stands", "within 60 min of the last wetting",
	} {
		if !strings.Contains(text, words) {
			t.Errorf("the pack does not say %q", words)
		}
	}
}
