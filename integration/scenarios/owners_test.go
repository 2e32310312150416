package scenarios

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"coldsection.example/integration/harness"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/suite/story"
)

// aboutNobody are methods that a limited account may call and that show no aircraft, engine or what was done to one.
// What a calendar shows is limited as its account is; that is tested where it is served, and so are packs, where they are made and operations are ended.
var aboutNobody = []string{
	"SignIn", "AcceptInvitation", "GetCurrentSession", "ChangePassword", "Reauthenticate", "DescribeSignIn", "EnrolSecondFactor",
	"ConfirmSecondFactor", "OpenBreakGlass", "DescribeOwnSessions", "EndOwnSession", "ChangeUnitSystem",
	"CreateCalendarFeed", "ListCalendarFeeds", "RevokeCalendarFeed", "GetCalendar", "CreateRecordPack", "CancelOperation",
}

// For every method that lets limited accounts in, what another owner has is answered as what does not exist is. A method
// that lets them in and has no case here fails.
func TestWhatIsAnothersDoesNotExist(t *testing.T) {
	stage, out := retold(t)
	conn := stage.Conn(t)
	admin := stage.SignIn(t, "admin")
	owner, stranger := guest(t, stage, conn, admin, "demo-operator"), guest(t, stage, conn, admin, "elsewhere")
	names := realNames(t, conn, owner, out)
	orderElsewhere(t, stage, conn, out.WorkOrder)
	names["ListFindings"] = beyondTheStory(t, stage, conn, out.Engine)
	names["GetEngineExceedance"], names["ListEngineExceedances"] = hotStart(t, stage, conn, out.Engine), out.Engine
	names["RenderEngineExceedance"] = names["GetEngineExceedance"]
	packOf(t, conn, owner, out.Engine, names)
	open := limitedMethods(t)
	for _, m := range methods() {
		short := string(m.Name())
		if !slices.Contains(open, string(m.FullName())) || slices.Contains(aboutNobody, short) {
			continue
		}
		t.Run(short, func(t *testing.T) {
			field := m.Input().Fields().ByName("parent")
			if field == nil {
				field = m.Input().Fields().ByName("name")
			}
			if field == nil {
				field = m.Input().Fields().ByName("subject")
			}
			if short == "FindEvidence" { // the requirement is everybody's
				field = m.Input().Fields().ByName("subject")
			}
			if short == "ExportDueItems" { // a file has a header, whoever asks
				own, err := ask(owner, conn, m, nil, "")
				foreign, foreignErr := ask(stranger, conn, m, nil, "")
				if err != nil || foreignErr != nil || rowsOf(t, own) < 2 || rowsOf(t, foreign) != 1 {
					t.Errorf("its own: %d lines, %v; another's: %d, %v", rowsOf(t, own), err, rowsOf(t, foreign), foreignErr)
				}
				return
			}
			if field == nil && strings.HasPrefix(short, "LookUp") {
				field = m.Input().Fields().ByName("external_id")
			}
			if field == nil { // a list of all: each sees its own
				if own, err := ask(owner, conn, m, nil, ""); err != nil || own == "{}" {
					t.Errorf("its own: %s, %v", own, err)
				}
				if foreign, err := ask(stranger, conn, m, nil, ""); err != nil || foreign != "{}" {
					t.Errorf("another's: %s, %v", foreign, err)
				}
				return
			}
			name := names[short]
			if name == "" {
				t.Fatal("there is no case for this method; name something of the story's that it shows")
			}
			// No use of a tool in the story needs a look, so that it answers with none; of another's tool it says that there is none.
			if own, err := ask(owner, conn, m, field, name); err != nil || own == "{}" && short != "FindSuspectToolUses" {
				t.Errorf("its own %s: %s, %v", name, own, err)
			}
			foreign, foreignErr := ask(stranger, conn, m, field, name)
			nothing := renamed(name)
			random, randomErr := ask(stranger, conn, m, field, nothing)
			if foreign != random {
				t.Errorf("another's answers %s, nothing %s", foreign, random)
			}
			f, r := status.Convert(foreignErr), status.Convert(randomErr)
			if f.Code() != r.Code() || strings.ReplaceAll(f.Message(), name, "X") != strings.ReplaceAll(r.Message(), nothing, "X") {
				t.Errorf("another's is refused with %v, nothing with %v", f, r)
			}
			alikeOverREST(t, stranger, m, field, name, nothing)
		})
	}
}

// alikeOverREST holds all that a browser is told of another's thing, the headers too, against what it is told of nothing.
func alikeOverREST(t *testing.T, stranger *harness.Person, m protoreflect.MethodDescriptor, field protoreflect.FieldDescriptor, name, nothing string) {
	t.Helper()
	rule, _ := proto.GetExtension(m.Options(), annotations.E_Http).(*annotations.HttpRule)
	place := regexp.MustCompile(`\{` + string(field.Name()) + `=[^}]*\}`)
	if !place.MatchString(rule.GetGet()) {
		return
	}
	said := func(of string) string {
		answer := stranger.REST("GET", place.ReplaceAllString(rule.GetGet(), of), nil)
		for _, each := range []string{"Date", "X-Request-Id", "Traceparent"} { // of the call, not of the thing
			answer.Header.Del(each)
		}
		body := answer.Body
		delete(body, "requestId")
		text := strings.ReplaceAll(jsonText(t, map[string]any{"status": answer.Status, "header": answer.Header, "body": body}), of, "X")
		_, id, _ := strings.Cut(of, "/")
		return contentLength.ReplaceAllString(strings.ReplaceAll(text, id, "X"), "")
	}
	if another, none := said(name), said(nothing); another != none {
		t.Errorf("over REST another's answers %s, nothing %s", another, none)
	}
}

// contentLength follows the length of the name that was asked for.
var contentLength = regexp.MustCompile(`"Content-Length":\["[0-9]+"\],?`)

// What an agent's door says to somebody of another's things is what it says of nothing, and it suggests no names of others.
func TestTheAgentsDoorKeepsOwnersApart(t *testing.T) {
	stage, out := retold(t)
	conn := stage.Conn(t)
	admin := stage.SignIn(t, "admin")
	owner, stranger := guest(t, stage, conn, admin, "demo-operator"), guest(t, stage, conn, admin, "elsewhere")
	mine, others := agent(t, overHTTP(stage, owner.Token), ""), agent(t, overHTTP(stage, stranger.Token), "")
	due, _ := askTool(t, mine, "due_find", nil)
	item, _ := elements(due, "due_items")[0].(map[string]any)
	for tool, asked := range map[string]map[string]any{
		"engine_trend": {"name": out.Engine + "/trend"}, "due_explain": {"name": item["name"]}, "compliance_status": {"subject": out.Engine},
		"work_order_get": {"name": out.WorkOrder}, "wash_plan_get": {"name": out.WorkOrder + "/washPlan"}, "recovery_find": {"parent": out.Engine},
		"wash_advice_find": {"parent": out.Engine},
	} {
		nothing, known := map[string]any{}, ""
		for key, name := range asked {
			known, _ = name.(string)
			nothing[key] = renamed(known)
		}
		if own, ok := askTool(t, mine, tool, asked); !ok && tool != "engine_trend" {
			t.Errorf("%s of its own: %v", tool, own)
		}
		another, anotherOK := askTool(t, others, tool, asked)
		none, noneOK := askTool(t, others, tool, nothing)
		a, b := strings.ReplaceAll(jsonText(t, another), known, "X"), strings.ReplaceAll(jsonText(t, none), renamed(known), "X")
		if a != b || anotherOK != noneOK || another["near_names"] != nil {
			t.Errorf("%s of another's answers %s, of nothing %s", tool, a, b)
		}
	}
	for tool, list := range map[string]string{"engine_find": "engines", "due_find": "due_items", "work_order_find": "work_orders", "assessment_find": "assessments"} {
		if seen, ok := askTool(t, others, tool, nil); !ok || len(elements(seen, list)) != 0 {
			t.Errorf("%s shows others %v", tool, seen)
		}
	}
}

// rowsOf counts the lines of a file in an answer.
func rowsOf(t *testing.T, answer string) int {
	t.Helper()
	var file struct {
		Content []byte `json:"content"`
	}
	if err := json.Unmarshal([]byte(answer), &file); err != nil {
		t.Fatal(err)
	}
	return strings.Count(string(file.Content), "\n")
}

// packOf has the owner make a pack, and names it and the operation that made it.
func packOf(t *testing.T, conn *grpc.ClientConn, owner *harness.Person, engine string, names map[string]string) {
	t.Helper()
	op, err := compliancev1.NewRecordPackServiceClient(conn).CreateRecordPack(owner.Context(), &compliancev1.CreateRecordPackRequest{RecordPack: &compliancev1.RecordPack{Subject: engine}})
	for err == nil && !op.GetDone() {
		op, err = operationsv1.NewOperationsServiceClient(conn).WaitOperation(owner.Context(), &operationsv1.WaitOperationRequest{Name: op.GetName()})
	}
	if err != nil {
		t.Fatal(err)
	}
	pack := &compliancev1.RecordPack{}
	if err := op.GetResponse().UnmarshalTo(pack); err != nil {
		t.Fatalf("%v: %v", op, err)
	}
	names["GetOperation"], names["WaitOperation"] = op.GetName(), op.GetName()
	names["GetRecordPack"], names["DownloadRecordPack"] = pack.GetName(), pack.GetName()
}

// toolOf is a tool that was used on an engine of the owner's.
func toolOf(t *testing.T, conn *grpc.ClientConn, owner *harness.Person) string {
	t.Helper()
	uses, err := compliancev1.NewComplianceQueryServiceClient(conn).ListToolUses(owner.Context(), &compliancev1.ListToolUsesRequest{Parent: "tools/-"})
	if err != nil || len(uses.GetToolUses()) == 0 {
		t.Fatalf("uses of tools %v, %v", uses, err)
	}
	tool, _, _ := strings.Cut(uses.GetToolUses()[0].GetName(), "/toolUses/")
	return tool
}

// guest is an account with every role but admin and agent, which would take the others away, that is limited to one owner.
func guest(t *testing.T, stage *harness.Stage, conn *grpc.ClientConn, admin *harness.Person, owner string) *harness.Person {
	t.Helper()
	accounts, ctx := accessv1.NewAccessServiceClient(conn), admin.Context()
	roles := slices.DeleteFunc(slices.Clone(callers[1:len(callers)-1]), func(role string) bool { return role == "agent" })
	_, err := accounts.CreateAccount(ctx, &accessv1.CreateAccountRequest{AccountId: "guest-" + owner, Account: &accessv1.Account{
		Login: "guest-" + owner, DisplayName: "Guest", Roles: roles, Kind: accessv1.Account_HUMAN, Owners: []string{owner},
	}})
	if err != nil {
		t.Fatal(err)
	}
	invitation, err := accounts.InviteAccount(ctx, &accessv1.InviteAccountRequest{Name: "accounts/guest-" + owner})
	if err != nil {
		t.Fatal(err)
	}
	answer := must(t, stage.Stranger(t).REST("POST", "/v1/invitations:accept", map[string]any{"token": invitation.GetToken(), "password": story.Password}))
	who := stage.Stranger(t)
	who.Token = text(answer, "token")
	return who
}

// evidenceOf is the requirement of the story whose evidence is asked for.
const evidenceOf = "requirements/wash"

// realNames are names of the story's things, by the method that shows them.
func realNames(t *testing.T, conn *grpc.ClientConn, owner *harness.Person, out story.Outcome) map[string]string {
	t.Helper()
	ctx := owner.Context()
	due, err := compliancev1.NewComplianceQueryServiceClient(conn).ListDueItems(ctx, &compliancev1.ListDueItemsRequest{})
	if err != nil || len(due.GetDueItems()) == 0 {
		t.Fatalf("due items %v, %v", due, err)
	}
	done, err := compliancev1.NewComplianceQueryServiceClient(conn).ListAccomplishments(ctx, &compliancev1.ListAccomplishmentsRequest{Parent: "requirements/-"})
	if err != nil || len(done.GetAccomplishments()) == 0 {
		t.Fatalf("accomplishments %v, %v", done, err)
	}
	performance := performancev1.NewPerformanceQueryServiceClient(conn)
	readings, err := performance.ListReadings(ctx, &performancev1.ListReadingsRequest{Parent: out.Engine, PageSize: 1})
	if err != nil || len(readings.GetReadings()) == 0 {
		t.Fatalf("readings %v, %v", readings, err)
	}
	recoveries, err := performance.ListRecoveries(ctx, &performancev1.ListRecoveriesRequest{Parent: out.Engine})
	if err != nil || len(recoveries.GetRecoveries()) == 0 {
		t.Fatalf("recoveries %v, %v", recoveries, err)
	}
	requirement, _, _ := strings.Cut(done.GetAccomplishments()[0].GetName(), "/accomplishments/")
	const plane, part = "aircraft/demo-101", "components/owners-pump"
	meter := toolOf(t, conn, owner)
	item, order := due.GetDueItems()[0].GetName(), out.WorkOrder
	return map[string]string{
		"GetAircraft": plane, "ListUtilizations": plane, "GetEngine": out.Engine, "GetDueItem": item, "ExplainDueItem": item, "ListAccomplishments": requirement,
		"GetComplianceStatus": out.Engine, "ProposeVisit": out.Engine, "GetRetentionFloor": done.GetAccomplishments()[0].GetName() + "/retentionFloor",
		"GetComponent": part, "GetLifeStatus": part + "/lifeStatus", "ListLifeStatuses": part, "ListToolUses": meter, "FindSuspectToolUses": meter,
		"GetWorkOrder": order, "GetWashPlan": order + "/washPlan", "ListSteps": order, "ListMeasurements": order, "ListMotoringRuns": order,
		"ListSignatures": order, "GetFlyingPlan": plane + "/flyingPlan", "FindFlyingPlanVersions": plane + "/flyingPlan", "ListFlyingPlans": plane,
		"GetReleaseEntry": strings.Replace(order, "workOrders/", "releaseEntries/", 1), "CheckOperation": plane, "FindEvidence": out.Engine,
		"GetReading": readings.GetReadings()[0].GetName(), "ListReadings": out.Engine, "ListEngineEvents": out.Engine, "GetAssessment": out.Engine + "/assessment",
		"ListWashAdvices": out.Engine, "LookUpAircraft": "erp/plane-1", "LookUpEngine": "erp/engine-1", "LookUpWorkOrder": "erp/order-1",
		"GetRecovery": recoveries.GetRecoveries()[0].GetName(), "ListRecoveries": out.Engine,
	}
}

// elsewhere is the other system in which the story's aircraft and engine have an id.
const elsewhere = "erp"

// knownElsewhere gives the story's aircraft and engine an id in another system, and the aircraft a flying plan.
func knownElsewhere(planner context.Context, t *testing.T, conn *grpc.ClientConn, engine string) {
	t.Helper()
	compliance, mask := compliancev1.NewComplianceServiceClient(conn), &fieldmaskpb.FieldMask{Paths: []string{"external_ids"}}
	_, err := compliance.UpdateAircraft(planner, &compliancev1.UpdateAircraftRequest{UpdateMask: mask, Aircraft: &compliancev1.Aircraft{
		Name: "aircraft/demo-101", ExternalIds: map[string]string{elsewhere: "erp/plane-1"},
	}})
	if err == nil {
		_, err = compliance.UpdateEngine(planner, &compliancev1.UpdateEngineRequest{UpdateMask: mask, Engine: &compliancev1.Engine{
			Name: engine, ExternalIds: map[string]string{elsewhere: "erp/engine-1"},
		}})
	}
	if err == nil {
		_, err = compliancev1.NewPlanningServiceClient(conn).UpdateFlyingPlan(planner, &compliancev1.UpdateFlyingPlanRequest{
			FlyingPlan: &compliancev1.FlyingPlan{Name: "aircraft/demo-101/flyingPlan", WindowWeeks: 8}, Reason: "tried",
		})
	}
	if err != nil {
		t.Fatal(err)
	}
}

// orderElsewhere gives the story's order, which is released, an id in another system.
func orderElsewhere(t *testing.T, stage *harness.Stage, conn *grpc.ClientConn, order string) {
	t.Helper()
	_, err := workordersv1.NewWorkOrdersServiceClient(conn).UpdateWorkOrder(stage.SignIn(t, "planner").Context(), &workordersv1.UpdateWorkOrderRequest{
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"external_ids"}},
		WorkOrder:  &workordersv1.WorkOrder{Name: order, ExternalIds: map[string]string{elsewhere: "erp/order-1"}},
	})
	if err != nil {
		t.Fatal(err)
	}
}

// beyondTheStory flies the aircraft and raises a finding on a new order, which the story does not, and returns the order.
func beyondTheStory(t *testing.T, stage *harness.Stage, conn *grpc.ClientConn, engine string) string {
	t.Helper()
	planner, technician := stage.SignIn(t, "planner").Context(), stage.SignIn(t, "technician").Context()
	knownElsewhere(planner, t, conn, engine)
	compliance := compliancev1.NewComplianceServiceClient(conn)
	if _, err := compliance.CreateComponent(planner, &compliancev1.CreateComponentRequest{ComponentId: "owners-pump", Component: &compliancev1.Component{
		PartNumber: "DEMO-PUMP", Serial: "1", DisplayName: "fuel pump, demonstration only",
	}}); err != nil {
		t.Fatal(err)
	}
	if _, err := compliance.InstallComponent(planner, &compliancev1.InstallComponentRequest{
		Name: "components/owners-pump", Host: engine, Position: "pump", InstallDate: &date.Date{Year: 2026, Month: 9, Day: 8},
	}); err != nil {
		t.Fatal(err)
	}
	_, err := compliance.CreateUtilization(planner, &compliancev1.CreateUtilizationRequest{
		Parent: "aircraft/demo-101", Utilization: &compliancev1.Utilization{
			FlightDate: &date.Date{Year: 2026, Month: 9, Day: 9}, FlownSeconds: 3600, Cycles: 1, SourceId: "owners-1",
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	orders := workordersv1.NewWorkOrdersServiceClient(conn)
	order, err := orders.CreateWorkOrder(planner, &workordersv1.CreateWorkOrderRequest{
		WorkOrder: &workordersv1.WorkOrder{Engine: engine, TaskCard: "taskCards/sense-line-heater-check", Station: "stations/skerry"},
	})
	if err != nil {
		t.Fatal(err)
	}
	_, err = orders.CreateFinding(technician, &workordersv1.CreateFindingRequest{
		Parent: order.GetName(), Finding: &workordersv1.Finding{Description: "A clamp of the sense line is loose."},
	})
	if err != nil {
		t.Fatal(err)
	}
	return order.GetName()
}

// hotStart records a flight along the sea and a hot start, and returns the exceedance.
func hotStart(t *testing.T, stage *harness.Stage, conn *grpc.ClientConn, engine string) string {
	t.Helper()
	technician := stage.SignIn(t, "technician").Context()
	_, err := workordersv1.NewWorkOrdersServiceClient(conn).CreateFlightExposure(technician, &workordersv1.CreateFlightExposureRequest{
		FlightExposure: &workordersv1.FlightExposure{
			Engine: engine, FlightDate: &date.Date{Year: 2026, Month: 9, Day: 8}, Kind: workordersv1.FlightExposure_SALT,
			Source: "flight log, demonstration only",
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	exceedance, err := performancev1.NewExceedanceServiceClient(conn).CreateEngineExceedance(technician, &performancev1.CreateEngineExceedanceRequest{
		Parent: engine, Chart: "itt-start", ExceedTime: timestamppb.New(time.Date(2026, 9, 8, 6, 0, 0, 0, time.UTC)), Trace: &performancev1.ExceedanceTrace{
			UnitCode: "Cel", Samples: []*performancev1.TraceSample{{OffsetSeconds: 0, Value: 600}, {OffsetSeconds: 1, Value: 880}, {OffsetSeconds: 5, Value: 880}, {OffsetSeconds: 6, Value: 600}},
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	if exceedance.GetZone() != "B" {
		t.Errorf("880 °C for 4 s is in zone %q of the demonstration's chart", exceedance.GetZone())
	}
	return exceedance.GetName()
}

// limitedMethods are the methods that the table of authority opens to limited accounts.
func limitedMethods(t *testing.T) []string {
	t.Helper()
	text, err := os.ReadFile(rolesFile)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(strings.NewReader(string(text))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var open []string
	for _, row := range rows {
		if slices.Contains(strings.Fields(row[1]), limited) {
			open = append(open, row[0])
		}
	}
	if len(open) == 0 {
		t.Fatalf("%s opens nothing to limited accounts", rolesFile)
	}
	return open
}

// renamed is a name of the same shape that nothing has.
func renamed(name string) string {
	parts := strings.Split(name, "/")
	parts[1] = "no-" + strings.Repeat("x", max(len(parts[1])-3, 1))
	return strings.Join(parts, "/")
}

// ask calls a method with a name in the field and returns the answer as JSON.
func ask(who *harness.Person, conn *grpc.ClientConn, m protoreflect.MethodDescriptor, field protoreflect.FieldDescriptor, name string) (string, error) {
	in, out := dynamicpb.NewMessage(m.Input()), dynamicpb.NewMessage(m.Output())
	for i, name := range []protoreflect.Name{"earliest_date", "latest_date", "next_visit_date"} { // what a visit is asked with
		if fd := m.Input().Fields().ByName(name); fd != nil {
			in.Set(fd, protoreflect.ValueOfMessage((&date.Date{Year: 2027, Month: int32(i + 1), Day: 1}).ProtoReflect()))
		}
	}
	if field != nil {
		in.Set(field, protoreflect.ValueOfString(name))
	}
	if system := m.Input().Fields().ByName("system"); system != nil {
		in.Set(system, protoreflect.ValueOfString(elsewhere))
	}
	if m.Name() == "FindEvidence" {
		in.Set(m.Input().Fields().ByName("name"), protoreflect.ValueOfString(evidenceOf))
	}
	if err := conn.Invoke(who.Context(), "/"+string(m.Parent().FullName())+"/"+string(m.Name()), in, out); err != nil {
		return "", err
	}
	answer, err := protojson.Marshal(out)
	return strings.ReplaceAll(string(answer), " ", ""), err
}
