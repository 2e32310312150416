package app

import (
	"context"
	"fmt"
	"strings"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/gs1"
	"coldsection.example/services/consumables/internal/scan"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
)

// assess says whether what was scanned may be used, what may be done with it, and what the person must know.
func (u unit) assess(ctx context.Context, req *consumablesv1.ParseScanRequest, resp *consumablesv1.ParseScanResponse, read scan.Read, item *consumablesv1.Item) error {
	if why := swallowed(read.Message); why != "" {
		warn(resp, "SEPARATOR_SUSPECTED", why)
	}
	receive(resp, read, item, u.now)
	lot := resp.GetLot()
	if lot == nil {
		return nil
	}
	demands, err := store.OpenDemands(ctx, u.Tx, req.GetWorkOrder())
	if err != nil {
		return err
	}
	at := u.needOf(req, demands, item.GetName())
	c, err := u.candidate(ctx, lot, item, at)
	if err != nil {
		return err
	}
	if err := u.outdated(ctx, resp, read, c); err != nil {
		return err
	}
	if resp.Reason, resp.Explanation = stock.Refuse(c, at); resp.GetReason() == "" {
		resp.Explanation = fmt.Sprintf("Usable: %s.", lot.GetLifeRule())
		differs(resp)
	}
	resp.Usable = resp.GetReason() == ""
	return u.actions(ctx, scene{req: req, resp: resp, item: item, candidate: c, demands: demands, at: at})
}

// scene is a scan of a known lot, as the rules see it.
type scene struct {
	req       *consumablesv1.ParseScanRequest
	resp      *consumablesv1.ParseScanResponse
	item      *consumablesv1.Item
	candidate stock.Candidate
	demands   []store.Demand // of the job
	at        time.Time      // of the need
}

func warn(resp *consumablesv1.ParseScanResponse, reason, why string) {
	resp.Warnings = append(resp.Warnings, &consumablesv1.ScanWarning{Reason: reason, Explanation: why})
}

// differs stops what has another last usable day on its code than in the books: one of the two is wrong.
func differs(resp *consumablesv1.ParseScanResponse) {
	onCode, inBooks := textOf(resp.GetUseByDate()), textOf(resp.GetLot().GetUseByDate())
	if onCode == "" || onCode == inBooks {
		return
	}
	resp.Reason = "USE_BY_DIFFERS"
	resp.Explanation = fmt.Sprintf("The code says use by %s and the books say %s for lot %s. Set it aside, and have the certificate decide.",
		onCode, orNone(inBooks), resp.GetLot().GetName())
}

func orNone(text string) string {
	if text == "" {
		return "nothing"
	}
	return text
}

// outdated warns where our label shows a later last day than the lot has by now, as after it was opened.
func (u unit) outdated(ctx context.Context, resp *consumablesv1.ParseScanResponse, read scan.Read, c stock.Candidate) error {
	if read.Kind != scan.OwnLabel || c.Expire.IsZero() {
		return nil
	}
	zone, err := u.zoneOf(ctx, c.Location)
	if err != nil {
		return err
	}
	last := c.Expire.In(zone).Format(time.DateOnly)
	shown, ok := gs1.Day(read.LabelDay, u.now)
	if !ok || shown.Format(time.DateOnly) > last {
		warn(resp, "LABEL_OUTDATED", fmt.Sprintf("The label shows a later last day than %s, which counts. Print a new label.", last))
	}
	return nil
}

func act(resp *consumablesv1.ParseScanResponse, verb consumablesv1.ScanAction_Verb, reason, why string) {
	resp.Actions = append(resp.Actions, &consumablesv1.ScanAction{Verb: verb, Allowed: reason == "", Reason: reason, Explanation: why})
}

// actFor takes a refusal of a rule as the answer; any other error is one.
func actFor(resp *consumablesv1.ParseScanResponse, verb consumablesv1.ScanAction_Verb, err error) error {
	if err == nil {
		act(resp, verb, "", "")
		return nil
	}
	refusal, ok := fault.As(err)
	if !ok {
		return err
	}
	act(resp, verb, refusal.Reason, refusal.Message)
	return nil
}

// receive says whether a supplier's code may be booked as a delivery, and drafts that.
func receive(resp *consumablesv1.ParseScanResponse, read scan.Read, item *consumablesv1.Item, now time.Time) {
	if read.Kind < scan.Elements {
		return
	}
	reason, why := resp.GetReason(), resp.GetExplanation()
	switch {
	case item == nil:
	case resp.GetManufacturerLot() == "":
		reason, why = "LOT_MISSING", "The code names no lot. Receive the delivery with the lot typed from the label."
	case len(resp.GetWarnings()) > 0:
		reason, why = resp.GetWarnings()[0].GetReason(), resp.GetWarnings()[0].GetExplanation()
	case resp.GetLot().GetState() == consumablesv1.Lot_RECALLED:
		reason, why = "LOT_RECALLED", fmt.Sprintf("Lot %s is recalled. Set the delivery aside and send it back.", resp.GetLot().GetName())
	case resp.GetUseByDate() != nil && textOf(resp.GetUseByDate()) < now.UTC().AddDate(0, 0, -1).Format(time.DateOnly):
		reason, why = "LOT_EXPIRED", fmt.Sprintf("The code says use by %s. Send it back.", textOf(resp.GetUseByDate()))
	default:
		reason, why = "", "Compare the lot with the printed text, then receive it."
		resp.ReceiveDraft = &consumablesv1.ReceiveLotRequest{Quantity: resp.GetQuantity(), Lot: &consumablesv1.Lot{
			Item: item.GetName(), ManufacturerLot: resp.GetManufacturerLot(), UseByDate: resp.GetUseByDate(), ManufactureDate: resp.GetManufactureDate(),
		}}
	}
	act(resp, consumablesv1.ScanAction_RECEIVE, reason, why)
}

// actions asks the rules of each verb, as far as they can be asked without changing anything.
func (u unit) actions(ctx context.Context, s scene) error {
	resp, lot := s.resp, s.resp.GetLot()
	if err := actFor(resp, consumablesv1.ScanAction_CLEAR, u.mayClear(ctx, lot, s.item, nil)); err != nil {
		return err
	}
	if err := u.issueAction(ctx, s); err != nil {
		return err
	}
	if err := u.decantAction(ctx, resp, s.item); err != nil {
		return err
	}
	if reason, why := withJobs(resp); reason == "" {
		act(resp, consumablesv1.ScanAction_CONSUME, resp.GetReason(), stopped(resp))
	} else {
		act(resp, consumablesv1.ScanAction_CONSUME, reason, why)
	}
	if s.candidate.Available > 0 {
		act(resp, consumablesv1.ScanAction_DISPOSE, "", "")
	} else {
		act(resp, consumablesv1.ScanAction_DISPOSE, "INSUFFICIENT_STOCK", fmt.Sprintf("Nothing of lot %s is in stores.", lot.GetName()))
	}
	return nil
}

// stopped is why the thing may not be used; empty when it may.
func stopped(resp *consumablesv1.ParseScanResponse) string {
	if resp.GetUsable() {
		return ""
	}
	return resp.GetExplanation()
}

// withJobs refuses to record a use of what no job has.
func withJobs(resp *consumablesv1.ParseScanResponse) (reason, why string) {
	for _, b := range resp.GetLot().GetBalances() {
		if strings.HasPrefix(b.GetLocation(), orders) {
			return "", ""
		}
	}
	return "INSUFFICIENT_STOCK", fmt.Sprintf("No job has any of lot %s. Issue it first.", resp.GetLot().GetName())
}

func (u unit) decantAction(ctx context.Context, resp *consumablesv1.ParseScanResponse, item *consumablesv1.Item) error {
	if !resp.GetUsable() {
		act(resp, consumablesv1.ScanAction_DECANT, resp.GetReason(), resp.GetExplanation())
		return nil
	}
	_, err := u.mayDecant(ctx, resp.GetLot(), item, 1)
	return actFor(resp, consumablesv1.ScanAction_DECANT, err)
}

// issueAction says whether it may be handed out, for the job where one is named, and drafts that.
func (u unit) issueAction(ctx context.Context, s scene) error {
	resp, item, lot, order := s.resp, s.item, s.resp.GetLot(), s.req.GetWorkOrder()
	want := wanted(s.demands, item.GetName())
	switch {
	case !resp.GetUsable():
		act(resp, consumablesv1.ScanAction_ISSUE, resp.GetReason(), resp.GetExplanation())
		return nil
	case order == "":
		act(resp, consumablesv1.ScanAction_ISSUE, "", "Scan or choose the job.")
		return nil
	case len(s.demands) == 0:
		act(resp, consumablesv1.ScanAction_ISSUE, "WORK_ORDER_UNKNOWN", fmt.Sprintf("Stores know of no demand of %s. Schedule the order first.", order))
		return nil
	case want == 0:
		act(resp, consumablesv1.ScanAction_ISSUE, "NOT_WANTED", fmt.Sprintf("%s needs no more of %s. Take what it does need, or have the order changed.", order, item.GetDisplayName()))
		return nil
	}
	claimed, err := u.claimedByOthers(ctx, lot.GetName(), order, item.GetBaseUnitCode())
	if err != nil {
		return err
	}
	amount := want
	if free := s.candidate.Available - claimed; free > 0 {
		amount = min(want, free)
	}
	draft := &consumablesv1.IssueStockRequest{Name: lot.GetName(), WorkOrder: order, Quantity: store.Quantity(amount, item.GetBaseUnitCode())}
	_, err = u.mayIssue(ctx, lot, item, draft, amount, s.at)
	if err == nil {
		resp.IssueDraft = draft
	}
	return actFor(resp, consumablesv1.ScanAction_ISSUE, err)
}
