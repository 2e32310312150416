package app

import (
	"context"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/workorders/internal/app/pack"
)

// ExportWorkPack writes an order's record or its fallback sheet.
func (a *App) ExportWorkPack(ctx context.Context, req *workordersv1.ExportWorkPackRequest) (*workordersv1.ExportWorkPackResponse, error) {
	f, err := a.file(ctx, req.GetName())
	if err != nil {
		return nil, err
	}
	r := pack.Record{
		Order: f.order, Station: f.place, Plan: f.plan, Steps: f.steps, Readings: f.readings, Runs: f.runs, Findings: f.findings, Labour: f.labour, Attached: f.attached,
		History: f.history, Zone: f.zone, Printed: a.Clock.Now(),
	}
	for _, s := range f.signatures {
		r.Signatures = append(r.Signatures, pack.Signed{Signature: s.Signature, Valid: s.valid, Why: s.why})
	}
	return write(r, req.GetFormat())
}

func write(r pack.Record, format workordersv1.ExportWorkPackRequest_Format) (*workordersv1.ExportWorkPackResponse, error) {
	record, err := pack.JSON(r)
	if err != nil {
		return nil, err
	}
	out := &workordersv1.ExportWorkPackResponse{MediaType: "application/pdf", FileName: r.Order.GetNumber() + ".pdf"}
	switch format {
	case workordersv1.ExportWorkPackRequest_PDF:
		out.Content, err = pack.PDF(r, pack.Hash(record))
	case workordersv1.ExportWorkPackRequest_FALLBACK_SHEET:
		out.FileName = r.Order.GetNumber() + "-sheet.pdf"
		out.Content, err = pack.Sheet(r, pack.Hash(record))
	case workordersv1.ExportWorkPackRequest_JSON:
		out.MediaType, out.FileName, out.Content = "application/json", r.Order.GetNumber()+".json", record
	default:
		return nil, fault.Invalid("format", "FORMAT_UNKNOWN", "A work pack is written as PDF, JSON or FALLBACK_SHEET. Name one of them.")
	}
	out.Sha256 = pack.Hash(out.GetContent())
	return out, err
}
