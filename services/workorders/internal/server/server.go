// Package server is the gRPC side of work orders: it calls one use case per method. Shape and rights are checked before, by
// package rpc; errors are mapped there too.
package server

import (
	"context"
	"strings"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/workorders/internal/app"
	"coldsection.example/services/workorders/internal/store"
)

type commands struct {
	required
	*app.App
}

var _ workordersv1.WorkOrdersServiceServer = (*commands)(nil)

// required lies one level deeper than the use cases, so that they come first; gRPC wants it in every server.
type required struct {
	workordersv1.UnimplementedWorkOrdersServiceServer
}

type queries struct {
	workordersv1.UnimplementedWorkOrdersQueryServiceServer

	app *app.App
}

// Register adds both services with their policies.
func Register(r rpc.Registrar, a *app.App) {
	r.Register(&workordersv1.WorkOrdersService_ServiceDesc, &commands{App: a}, commandPolicy())
	query := auth.Policy{}
	for _, m := range workordersv1.WorkOrdersQueryService_ServiceDesc.Methods {
		query.For("coldsection.workorders.v1.WorkOrdersQueryService", []string{auth.SignedIn}, m.MethodName)
	}
	query.Scope("coldsection.workorders.v1.WorkOrdersQueryService", "GetWorkOrder", "ListWorkOrders", "LookUpWorkOrder", "GetWashPlan", "ListSteps", "ListMeasurements",
		"ListMotoringRuns", "ListFindings", "ListSignatures", "ListFlightExposures")
	r.Register(&workordersv1.WorkOrdersQueryService_ServiceDesc, &queries{app: a}, query)
}

func commandPolicy() auth.Policy {
	const service = "coldsection.workorders.v1.WorkOrdersService"
	p := auth.Policy{}.For(service, []string{"planner", "admin"}, "CreateStation").For(service, []string{"planner", "technician", "admin"}, "UpdateStation")
	p.For(service, []string{"quality"}, "CreateRegime").For(service, []string{"planner", "technician", "quality", "integrator"}, "CreateFlightExposure")
	p.For(service, []string{"planner", "quality"}, "OmitStep", "OmitDryingRun", "DecideFinding", "VoidWorkOrder", "CreateTaskCard")
	p.For(service, []string{"planner", "technician", "agent"}, "CreateWorkOrder")
	p.For(service, []string{"planner"}, "UpdateWorkOrder", "ScheduleWorkOrder").For(service, []string{"planner", "stores"}, "KitWorkOrder")
	p.For(service, []string{"technician", "inspector", "planner", "quality"}, "HoldWorkOrder", "ResumeWorkOrder")
	p.For(service, []string{"technician"}, "StartWorkOrder", "CreateMotoringRun", "SupersedeMotoringRun", "FinishWorkOrder")
	p.For(service, []string{"technician", "inspector"}, "AcknowledgeCautions", "CompleteStep", "SignStep", "CreateMeasurement", "SupersedeMeasurement", "CreateLabourEntry")
	p.For(service, []string{"technician", "inspector", "planner", "quality"}, "SupersedeLabourEntry")
	p.For(service, []string{"technician", "inspector", "quality"}, "CreateFinding", "AnswerFinding", "CreateAttachment", "ReopenStep")
	p.For(service, []string{"inspector", "quality"}, "CloseFinding")
	p.For(service, []string{"inspector", "releaser"}, "ReworkWorkOrder").For(service, []string{"inspector"}, "InspectWorkOrder")
	return p.For(service, []string{"releaser"}, "ReleaseWorkOrder")
}

// below is the collection of a parent; "-" in place of its id is every parent's.
func below(parent, collection string) string {
	if strings.HasSuffix(parent, "/-") {
		return parent
	}
	return parent + "/" + collection
}

func (q *queries) GetStation(ctx context.Context, req *workordersv1.GetStationRequest) (*workordersv1.Station, error) {
	return store.Stations.Read(ctx, q.app.DB, req.GetName())
}

func (q *queries) ListStations(ctx context.Context, req *workordersv1.ListStationsRequest) (*workordersv1.ListStationsResponse, error) {
	items, next, err := store.Stations.List(ctx, q.app.DB, q.app.Lister, req, "")
	return &workordersv1.ListStationsResponse{Stations: items, NextPageToken: next}, err
}

func (q *queries) ListFlightExposures(ctx context.Context, req *workordersv1.ListFlightExposuresRequest) (*workordersv1.ListFlightExposuresResponse, error) {
	items, next, err := store.Flown.List(ctx, q.app.DB, q.app.Lister, req, "")
	return &workordersv1.ListFlightExposuresResponse{FlightExposures: items, NextPageToken: next}, err
}

func (q *queries) GetTaskCard(ctx context.Context, req *workordersv1.GetTaskCardRequest) (*workordersv1.TaskCard, error) {
	return store.ReadRevision(ctx, q.app.DB, store.Cards, req.GetName(), req.GetRevision())
}

func (q *queries) ListTaskCards(ctx context.Context, req *workordersv1.ListTaskCardsRequest) (*workordersv1.ListTaskCardsResponse, error) {
	items, next, err := store.Cards.List(ctx, q.app.DB, q.app.Lister, req, "")
	return &workordersv1.ListTaskCardsResponse{TaskCards: items, NextPageToken: next}, err
}

func (q *queries) GetRegime(ctx context.Context, req *workordersv1.GetRegimeRequest) (*workordersv1.Regime, error) {
	return store.ReadRevision(ctx, q.app.DB, store.Regimes, req.GetName(), req.GetRevision())
}

func (q *queries) ListRegimes(ctx context.Context, req *workordersv1.ListRegimesRequest) (*workordersv1.ListRegimesResponse, error) {
	items, next, err := store.Regimes.List(ctx, q.app.DB, q.app.Lister, req, "")
	return &workordersv1.ListRegimesResponse{Regimes: items, NextPageToken: next}, err
}

func (q *queries) GetAttachment(ctx context.Context, req *workordersv1.GetAttachmentRequest) (*workordersv1.Attachment, error) {
	return q.app.Attachment(ctx, req.GetName())
}

func (q *queries) DownloadAttachment(ctx context.Context, req *workordersv1.DownloadAttachmentRequest) (*workordersv1.DownloadAttachmentResponse, error) {
	return q.app.DownloadAttachment(ctx, req.GetName())
}

func (q *queries) ListAttachments(ctx context.Context, req *workordersv1.ListAttachmentsRequest) (*workordersv1.ListAttachmentsResponse, error) {
	items, next, err := store.Attached.List(ctx, q.app.DB, q.app.Lister, req, below(req.GetParent(), "attachments"))
	if err != nil {
		return nil, err
	}
	return &workordersv1.ListAttachmentsResponse{Attachments: items, NextPageToken: next}, q.app.Retained(ctx, items)
}

func (q *queries) GetWorkOrder(ctx context.Context, req *workordersv1.GetWorkOrderRequest) (*workordersv1.WorkOrder, error) {
	return store.Orders.Read(ctx, q.app.DB, req.GetName())
}

func (q *queries) LookUpWorkOrder(ctx context.Context, req *workordersv1.LookUpWorkOrderRequest) (*workordersv1.WorkOrder, error) {
	return q.app.LookUpWorkOrder(ctx, req.GetSystem(), req.GetExternalId())
}

func (q *queries) ListWorkOrders(ctx context.Context, req *workordersv1.ListWorkOrdersRequest) (*workordersv1.ListWorkOrdersResponse, error) {
	items, next, err := store.Orders.List(ctx, q.app.DB, q.app.Lister, req, "")
	return &workordersv1.ListWorkOrdersResponse{WorkOrders: items, NextPageToken: next}, err
}

func (q *queries) GetWashPlan(ctx context.Context, req *workordersv1.GetWashPlanRequest) (*workordersv1.WashPlan, error) {
	return store.ReadRevision(ctx, q.app.DB, store.Plans, req.GetName(), req.GetRevision())
}

func (q *queries) ListSteps(ctx context.Context, req *workordersv1.ListStepsRequest) (*workordersv1.ListStepsResponse, error) {
	items, next, err := store.Steps.List(ctx, q.app.DB, q.app.Lister, req, below(req.GetParent(), "steps"))
	return &workordersv1.ListStepsResponse{Steps: items, NextPageToken: next}, err
}

func (q *queries) ListMeasurements(ctx context.Context, req *workordersv1.ListMeasurementsRequest) (*workordersv1.ListMeasurementsResponse, error) {
	items, next, err := store.Measured.List(ctx, q.app.DB, q.app.Lister, req, below(req.GetParent(), "measurements"))
	return &workordersv1.ListMeasurementsResponse{Measurements: items, NextPageToken: next}, err
}

func (q *queries) ListMotoringRuns(ctx context.Context, req *workordersv1.ListMotoringRunsRequest) (*workordersv1.ListMotoringRunsResponse, error) {
	items, next, err := store.Runs.List(ctx, q.app.DB, q.app.Lister, req, below(req.GetParent(), "motoringRuns"))
	return &workordersv1.ListMotoringRunsResponse{MotoringRuns: items, NextPageToken: next}, err
}

func (q *queries) GetMotoringLimits(ctx context.Context, req *workordersv1.GetMotoringLimitsRequest) (*workordersv1.MotoringLimits, error) {
	return q.app.MotoringLimits(ctx, req.GetName())
}

func (q *queries) ListFindings(ctx context.Context, req *workordersv1.ListFindingsRequest) (*workordersv1.ListFindingsResponse, error) {
	items, next, err := store.Findings.List(ctx, q.app.DB, q.app.Lister, req, below(req.GetParent(), "findings"))
	return &workordersv1.ListFindingsResponse{Findings: items, NextPageToken: next}, err
}

func (q *queries) ListLabourEntries(ctx context.Context, req *workordersv1.ListLabourEntriesRequest) (*workordersv1.ListLabourEntriesResponse, error) {
	items, next, err := store.Labour.List(ctx, q.app.DB, q.app.Lister, req, below(req.GetParent(), "labourEntries"))
	return &workordersv1.ListLabourEntriesResponse{LabourEntries: items, NextPageToken: next}, err
}

func (q *queries) ListSignatures(ctx context.Context, req *workordersv1.ListSignaturesRequest) (*workordersv1.ListSignaturesResponse, error) {
	items, next, err := store.Signatures.List(ctx, q.app.DB, q.app.Lister, req, below(req.GetParent(), "signatures"))
	return &workordersv1.ListSignaturesResponse{Signatures: items, NextPageToken: next}, err
}

func (q *queries) PreviewSignature(ctx context.Context, req *workordersv1.PreviewSignatureRequest) (*workordersv1.PreviewSignatureResponse, error) {
	return q.app.PreviewSignature(ctx, req)
}

func (q *queries) TraceWorkOrder(ctx context.Context, req *workordersv1.TraceWorkOrderRequest) (*workordersv1.TraceWorkOrderResponse, error) {
	return q.app.TraceWorkOrder(ctx, req)
}

func (q *queries) CompareWorkOrder(ctx context.Context, req *workordersv1.CompareWorkOrderRequest) (*workordersv1.CompareWorkOrderResponse, error) {
	return q.app.CompareWorkOrder(ctx, req)
}

func (q *queries) ExportWorkPack(ctx context.Context, req *workordersv1.ExportWorkPackRequest) (*workordersv1.ExportWorkPackResponse, error) {
	return q.app.ExportWorkPack(ctx, req)
}

func (q *queries) VerifySignature(ctx context.Context, req *workordersv1.VerifySignatureRequest) (*workordersv1.VerifySignatureResponse, error) {
	return q.app.VerifySignature(ctx, req.GetName())
}
