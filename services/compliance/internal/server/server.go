// Package server is the gRPC side of compliance: it calls one use case per method. Shape and rights are checked before, by
// package rpc; errors are mapped there too.
package server

import (
	"context"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/app"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/rpc"
)

type commands struct {
	unbuilt
	*app.App
}

var _ compliancev1.ComplianceServiceServer = (*commands)(nil)

// unbuilt lies one level deeper than the use cases, so that they come first; what is not built answers UNIMPLEMENTED.
type unbuilt struct {
	compliancev1.UnimplementedComplianceServiceServer
}

type queries struct {
	compliancev1.UnimplementedComplianceQueryServiceServer

	app *app.App
}

type gates struct {
	compliancev1.UnimplementedGateServiceServer

	app *app.App
}

// Register adds the three services with their policies.
func Register(r rpc.Registrar, a *app.App) {
	r.Register(&compliancev1.ComplianceService_ServiceDesc, &commands{App: a}, commandPolicy())
	query := auth.Policy{}
	for _, m := range compliancev1.ComplianceQueryService_ServiceDesc.Methods {
		query.For("coldsection.compliance.v1.ComplianceQueryService", []string{auth.SignedIn}, m.MethodName)
	}
	query.Scope("coldsection.compliance.v1.ComplianceQueryService", "GetAircraft", "ListAircraft", "LookUpAircraft", "GetEngine", "ListEngines", "LookUpEngine", "ListUtilizations",
		"GetDueItem", "ListDueItems", "ExplainDueItem", "ListAccomplishments", "ListFittings", "GetComponent", "ListComponents", "GetLifeStatus",
		"ListLifeStatuses", "GetComplianceStatus", "ListOpenFindings", "GetRetentionFloor", "ListToolUses", "FindSuspectToolUses",
		"FindEvidence")
	r.Register(&compliancev1.ComplianceQueryService_ServiceDesc, &queries{app: a}, query)
	r.Register(&compliancev1.GateService_ServiceDesc, &gates{app: a},
		auth.Policy{}.For("coldsection.compliance.v1.GateService", []string{auth.RoleService, "quality"}, "CheckGates"))
	registerPlanning(r, a)
	registerCalendars(r, a)
	registerExchange(r, a)
	registerPacks(r, a)
	registerOwnerRecord(r, a)
}

func commandPolicy() auth.Policy {
	const service = "coldsection.compliance.v1.ComplianceService"
	p := auth.Policy{}.For(service, []string{"planner", "quality", "admin"}, "CreateAircraft", "UpdateAircraft", "CreateEngine", "UpdateEngine")
	p.For(service, []string{"planner", "quality"}, "InstallEngine", "RemoveEngine", "CreateRequirement", "UpdateRequirement", "CreateTool",
		"CreateComponent", "InstallComponent", "RemoveComponent")
	p.For(service, []string{"planner", "integrator"}, "BatchCreateUtilizations")
	p.For(service, []string{"planner", "integrator", "quality"}, "CreateUtilization")
	p.For(service, []string{"quality"}, "CreateAccomplishment", "ExtendDueItem", "CalibrateTool", "CreateAuthorization", "SuspendAuthorization",
		"RecordExperience", "CreateLifeLimit", "DecideApplicability", "CorrectFitting", "VoidFitting", "CorrectComponentHistory",
		"CorrectEntryCounters")
	p.For(service, []string{"quality", "stores", "technician"}, "WithdrawTool")
	return p.For(service, []string{"quality", "admin"}, "CreatePerson", "UpdatePerson")
}

func (g *gates) CheckGates(ctx context.Context, req *compliancev1.CheckGatesRequest) (*compliancev1.CheckGatesResponse, error) {
	return g.app.CheckGates(ctx, req)
}

func (q *queries) GetAircraft(ctx context.Context, req *compliancev1.GetAircraftRequest) (*compliancev1.Aircraft, error) {
	return q.app.GetAircraft(ctx, req.GetName())
}

func (q *queries) ListAircraft(ctx context.Context, req *compliancev1.ListAircraftRequest) (*compliancev1.ListAircraftResponse, error) {
	return q.app.ListAircraft(ctx, req)
}

func (q *queries) LookUpAircraft(ctx context.Context, req *compliancev1.LookUpAircraftRequest) (*compliancev1.Aircraft, error) {
	return q.app.LookUpAircraft(ctx, req.GetSystem(), req.GetExternalId())
}

func (q *queries) LookUpEngine(ctx context.Context, req *compliancev1.LookUpEngineRequest) (*compliancev1.Engine, error) {
	return q.app.LookUpEngine(ctx, req.GetSystem(), req.GetExternalId())
}

func (q *queries) GetEngine(ctx context.Context, req *compliancev1.GetEngineRequest) (*compliancev1.Engine, error) {
	return q.app.GetEngine(ctx, req.GetName())
}

func (q *queries) ListEngines(ctx context.Context, req *compliancev1.ListEnginesRequest) (*compliancev1.ListEnginesResponse, error) {
	return q.app.ListEngines(ctx, req)
}

func (q *queries) ListUtilizations(ctx context.Context, req *compliancev1.ListUtilizationsRequest) (*compliancev1.ListUtilizationsResponse, error) {
	items, next, err := store.Utilizations.List(ctx, q.app.DB, q.app.Lister, req, req.GetParent()+"/utilizations")
	return &compliancev1.ListUtilizationsResponse{Utilizations: items, NextPageToken: next}, err
}

func (q *queries) ListFittings(ctx context.Context, req *compliancev1.ListFittingsRequest) (*compliancev1.ListFittingsResponse, error) {
	return q.app.ListFittings(ctx, req)
}

func (q *queries) GetRequirement(ctx context.Context, req *compliancev1.GetRequirementRequest) (*compliancev1.Requirement, error) {
	return store.Requirements.Read(ctx, q.app.DB, req.GetName())
}

func (q *queries) ListRequirements(ctx context.Context, req *compliancev1.ListRequirementsRequest) (*compliancev1.ListRequirementsResponse, error) {
	items, next, err := store.Requirements.List(ctx, q.app.DB, q.app.Lister, req, "")
	return &compliancev1.ListRequirementsResponse{Requirements: items, NextPageToken: next}, err
}

func (q *queries) GetDueItem(ctx context.Context, req *compliancev1.GetDueItemRequest) (*compliancev1.DueItem, error) {
	return q.app.GetDueItem(ctx, req.GetName())
}

func (q *queries) ListDueItems(ctx context.Context, req *compliancev1.ListDueItemsRequest) (*compliancev1.ListDueItemsResponse, error) {
	return q.app.ListDueItems(ctx, req)
}

func (q *queries) ExplainDueItem(ctx context.Context, req *compliancev1.ExplainDueItemRequest) (*compliancev1.ExplainDueItemResponse, error) {
	return q.app.ExplainDueItem(ctx, req)
}

func (q *queries) ListAccomplishments(ctx context.Context, req *compliancev1.ListAccomplishmentsRequest) (*compliancev1.ListAccomplishmentsResponse, error) {
	items, next, err := store.Accomplishments.List(ctx, q.app.DB, q.app.Lister, req, parentScope(req.GetParent(), "/accomplishments"))
	return &compliancev1.ListAccomplishmentsResponse{Accomplishments: items, NextPageToken: next}, err
}

func (q *queries) GetComplianceStatus(ctx context.Context, req *compliancev1.GetComplianceStatusRequest) (*compliancev1.ComplianceStatus, error) {
	return q.app.GetComplianceStatus(ctx, req)
}

func (q *queries) FindEvidence(ctx context.Context, req *compliancev1.FindEvidenceRequest) (*compliancev1.FindEvidenceResponse, error) {
	return q.app.FindEvidence(ctx, req)
}

// parentScope is the prefix of names under a parent; "x/-" spans all.
func parentScope(parent, collection string) string {
	if len(parent) > 1 && parent[len(parent)-2:] == "/-" {
		return parent
	}
	return parent + collection
}

func (q *queries) GetTool(ctx context.Context, req *compliancev1.GetToolRequest) (*compliancev1.Tool, error) {
	return store.Tools.Read(ctx, q.app.DB, req.GetName())
}

func (q *queries) ListTools(ctx context.Context, req *compliancev1.ListToolsRequest) (*compliancev1.ListToolsResponse, error) {
	items, next, err := store.Tools.List(ctx, q.app.DB, q.app.Lister, req, "")
	return &compliancev1.ListToolsResponse{Tools: items, NextPageToken: next}, err
}

func (q *queries) ListToolUses(ctx context.Context, req *compliancev1.ListToolUsesRequest) (*compliancev1.ListToolUsesResponse, error) {
	items, next, err := store.ToolUses.List(ctx, q.app.DB, q.app.Lister, req, parentScope(req.GetParent(), "/toolUses"))
	return &compliancev1.ListToolUsesResponse{ToolUses: items, NextPageToken: next}, err
}

func (q *queries) FindSuspectToolUses(ctx context.Context, req *compliancev1.FindSuspectToolUsesRequest) (*compliancev1.FindSuspectToolUsesResponse, error) {
	return q.app.FindSuspectToolUses(ctx, req)
}

func (q *queries) GetPerson(ctx context.Context, req *compliancev1.GetPersonRequest) (*compliancev1.Person, error) {
	return store.People.Read(ctx, q.app.DB, req.GetName())
}

func (q *queries) LookUpPerson(ctx context.Context, req *compliancev1.LookUpPersonRequest) (*compliancev1.Person, error) {
	return q.app.LookUpPerson(ctx, req.GetSystem(), req.GetExternalId())
}

func (q *queries) ListPeople(ctx context.Context, req *compliancev1.ListPeopleRequest) (*compliancev1.ListPeopleResponse, error) {
	items, next, err := store.People.List(ctx, q.app.DB, q.app.Lister, req, "")
	return &compliancev1.ListPeopleResponse{People: items, NextPageToken: next}, err
}

func (q *queries) ListAuthorizations(ctx context.Context, req *compliancev1.ListAuthorizationsRequest) (*compliancev1.ListAuthorizationsResponse, error) {
	return q.app.ListAuthorizations(ctx, req, parentScope(req.GetParent(), "/authorizations"))
}
