package app

import (
	"context"
	"strings"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/ghs"
	"coldsection.example/services/consumables/internal/paper"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/printing"
	"coldsection.example/services/platform/storage"
)

// RenderIssueSlip draws what is still to be fetched for an order, as the advice on lots has it now. Reasons: WORK_ORDER_UNKNOWN,
// WORK_ORDER_ENDED, NOTHING_TO_FETCH.
func (a *App) RenderIssueSlip(ctx context.Context, req *consumablesv1.RenderIssueSlipRequest) (*consumablesv1.RenderIssueSlipResponse, error) {
	if err := isOrder(req.GetWorkOrder()); err != nil {
		return nil, err
	}
	var slip paper.Slip
	notice := ""
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		slip, notice, err = a.unit(ctx, tx).slip(ctx, req.GetWorkOrder())
		return err
	})
	if err != nil {
		return nil, err
	}
	id := strings.TrimPrefix(req.GetWorkOrder(), orders)
	content, err := slip.Draw(printing.Meta{
		Title: "Issue slip " + id, Subject: "What stores hand out", Author: "coldsection", Number: id, Notice: notice, Created: a.Clock.Now(),
	})
	return &consumablesv1.RenderIssueSlipResponse{Content: content, MediaType: "application/pdf", FileName: "issue-slip-" + id + ".pdf"}, err
}

func (u unit) slip(ctx context.Context, order string) (slip paper.Slip, notice string, err error) {
	demands, err := store.OpenDemands(ctx, u.Tx, order)
	if err != nil {
		return slip, "", err
	}
	if len(demands) == 0 {
		return slip, "", u.noDemand(ctx, order)
	}
	slip = paper.Slip{Order: order, Code: order, Needed: demands[0].Need.UTC().Format(minutes)}
	for _, d := range demands {
		item, err := store.Items.Get(ctx, u.Tx, d.Item)
		if err != nil {
			return slip, "", err
		}
		if item.GetDemonstrationOnly() {
			notice = "demonstration only"
		}
		if d.Needed <= d.Issued {
			continue
		}
		lines, err := u.slipLines(ctx, item, d)
		if err != nil {
			return slip, "", err
		}
		slip.Lines = append(slip.Lines, lines...)
	}
	if len(slip.Lines) == 0 {
		return slip, "", fault.Precondition("NOTHING_TO_FETCH", "All that %s needs was handed out. Look at its movements, or have it need more.", order)
	}
	return slip, notice, nil
}

// noDemand says of an order that wants nothing whether it has ended, or was never scheduled. Reasons: WORK_ORDER_ENDED, WORK_ORDER_UNKNOWN.
func (u unit) noDemand(ctx context.Context, order string) error {
	demands, err := store.AllDemands(ctx, u.Tx, order)
	if err != nil {
		return err
	}
	if ended(demands) {
		return fault.Precondition("WORK_ORDER_ENDED",
			"%s was released or voided, and nothing is to be fetched for it any more. Look at its movements for what was handed out, or take the order that it is for.", order)
	}
	return fault.Precondition("WORK_ORDER_UNKNOWN", "Stores know of no demand of %s. Schedule the order first.", order)
}

// mostPassed bounds how many lots a slip says were passed over.
const mostPassed = 3

// slipLines are the lots to fetch for one demand, and what can't be had of it.
func (u unit) slipLines(ctx context.Context, item *consumablesv1.Item, d store.Demand) (lines []paper.SlipLine, err error) {
	picks, skips, missing, err := u.choose(ctx, item, d.WorkOrder, d.Needed-d.Issued, needTime([]store.Demand{d}, d.Item, u.now))
	if err != nil {
		return nil, err
	}
	hazards, signal := strings.Join(item.GetHazardStatements(), " · "), ""
	if word := signalOf(item); word != ghs.None {
		signal = strings.ToUpper(word.String())
	}
	for _, p := range picks {
		lot, err := store.Lots.Get(ctx, u.Tx, p.Lot)
		if err != nil {
			return nil, err
		}
		place, err := store.Locations.Get(ctx, u.Tx, p.Location)
		if err != nil {
			return nil, err
		}
		lines = append(lines, paper.SlipLine{
			Item: item.GetDisplayName(), Amount: p.Amount.Text() + " " + d.Unit, Signal: signal, Hazards: hazards, Place: place.GetDisplayName(), Lot: lot.GetManufacturerLot(),
			Code: p.ShortCode, Why: p.Why,
		})
	}
	if missing > 0 {
		lines = append(lines, paper.SlipLine{
			Item: item.GetDisplayName(), Amount: missing.Text() + " " + d.Unit + " missing", Signal: signal, Hazards: hazards,
			Why: "Tell the planner, and receive more.",
		})
	}
	for _, s := range skips[:min(len(skips), mostPassed)] {
		lines[len(lines)-1].Passed = append(lines[len(lines)-1].Passed, s.Why)
	}
	return lines, nil
}
