package app

import (
	"cmp"
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
	reason, why := swallowed(read.Message)
	warn(resp, reason, why)
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
	zone, err := u.zoneOfLot(ctx, lot, c.Location)
	if err != nil {
		return err
	}
	reason, why = outdated(read, c, u.now, zone)
	warn(resp, reason, why)
	if err := u.openedBeside(ctx, resp, item); err != nil {
		return err
	}
	if resp.Reason, resp.Explanation = stock.Refuse(c, at); resp.GetReason() == "" {
		resp.Reason, resp.Explanation = differs(resp)
	}
	if resp.Usable = resp.GetReason() == ""; resp.GetUsable() {
		resp.Explanation = fmt.Sprintf("Usable: %s.", lot.GetLifeRule())
	}
	return u.actions(ctx, scene{req: req, resp: resp, item: item, candidate: c, demands: demands, at: at})
}

// openedBeside tells who scanned the label of sealed packs that one of them is open: its label is its own, and so is its life.
func (u unit) openedBeside(ctx context.Context, resp *consumablesv1.ParseScanResponse, item *consumablesv1.Item) error {
	lot := resp.GetLot()
	if pack, err := packOf(lot, item); err != nil || pack == 0 || !sealed(lot, item) {
		return err
	}
	packs, err := store.OpenedPacks(ctx, u.Tx, lot.GetName(), "")
	if err != nil || len(packs) == 0 {
		return err
	}
	var codes []string
	for _, p := range packs {
		pack, err := store.Lots.Get(ctx, u.Tx, p.Lot)
		if err != nil {
			return err
		}
		codes = append(codes, pack.GetShortCode())
	}
	warn(resp, "PACK_OPENED", fmt.Sprintf("Sealed packs of lot %s are meant. If this one is open, scan or type its own code: %s.", lot.GetName(), strings.Join(codes, " or ")))
	return nil
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

// warn adds a warning, if there is a reason for one.
func warn(resp *consumablesv1.ParseScanResponse, reason, why string) {
	if reason != "" {
		resp.Warnings = append(resp.Warnings, &consumablesv1.ScanWarning{Reason: reason, Explanation: why})
	}
}

// differs stops what has another last usable day on its code than in the books: one of the two is wrong.
func differs(resp *consumablesv1.ParseScanResponse) (reason, why string) {
	onCode, inBooks := textOf(resp.GetUseByDate()), textOf(resp.GetLot().GetUseByDate())
	if onCode == "" || onCode == inBooks {
		return "", ""
	}
	return "USE_BY_DIFFERS", fmt.Sprintf("The code says use by %s and the books say %s for lot %s. Set it aside, and have the certificate decide.",
		onCode, orNone(inBooks), resp.GetLot().GetName())
}

func orNone(text string) string {
	if text == "" {
		return "nothing"
	}
	return text
}

// outdated tells that our label shows a later last day than the lot has by now, as after it was opened.
func outdated(read scan.Read, c stock.Candidate, now time.Time, zone *time.Location) (reason, why string) {
	if read.Kind != scan.OwnLabel || c.Expire.IsZero() {
		return "", ""
	}
	last := c.Expire.In(zone).Format(time.DateOnly)
	if shown, ok := gs1.Day(read.LabelDay, now); ok && shown.Format(time.DateOnly) <= last {
		return "", ""
	}
	return "LABEL_OUTDATED", fmt.Sprintf("The label shows a later last day than %s, which counts. Print a new label.", last)
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
	reason, why := mayReceive(resp, item, now)
	if reason == "" {
		why = "Compare the lot with the printed text, then receive it."
		resp.ReceiveDraft = &consumablesv1.ReceiveLotRequest{Quantity: resp.GetQuantity(), Lot: &consumablesv1.Lot{
			Item: item.GetName(), ManufacturerLot: cmp.Or(resp.GetLot().GetManufacturerLot(), resp.GetManufacturerLot()), UseByDate: resp.GetUseByDate(), ManufactureDate: resp.GetManufactureDate(),
		}}
	}
	act(resp, consumablesv1.ScanAction_RECEIVE, reason, why)
}

// mayReceive refuses what the code leaves open or makes doubtful. Whether the last day is past is judged a day late, because
// the place whose zone counts is not known yet; receiving itself judges by it.
func mayReceive(resp *consumablesv1.ParseScanResponse, item *consumablesv1.Item, now time.Time) (reason, why string) {
	switch {
	case item == nil:
		return resp.GetReason(), resp.GetExplanation()
	case resp.GetManufacturerLot() == "":
		return "LOT_MISSING", "The code names no lot. Receive the delivery with the lot typed from the label."
	case len(resp.GetWarnings()) > 0:
		return resp.GetWarnings()[0].GetReason(), resp.GetWarnings()[0].GetExplanation()
	case resp.GetLot().GetState() == consumablesv1.Lot_RECALLED:
		return "LOT_RECALLED", fmt.Sprintf("Lot %s is recalled. Set the delivery aside and send it back.", resp.GetLot().GetName())
	case resp.GetUseByDate() != nil && textOf(resp.GetUseByDate()) < now.UTC().AddDate(0, 0, -1).Format(time.DateOnly):
		return "LOT_EXPIRED", fmt.Sprintf("The code says use by %s. Send it back.", textOf(resp.GetUseByDate()))
	}
	return "", ""
}

// actions asks the rules of each verb, as far as they can be asked without changing anything.
func (u unit) actions(ctx context.Context, s scene) error {
	resp, lot := s.resp, s.resp.GetLot()
	if err := actFor(resp, consumablesv1.ScanAction_CLEAR, u.mayClear(ctx, lot, s.item)); err != nil {
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
	_, err := u.mayDecant(ctx, resp.GetLot(), item, 1, u.now)
	return actFor(resp, consumablesv1.ScanAction_DECANT, err)
}

// issueAction says whether it may be handed out, for the job where one is named, and drafts that.
func (u unit) issueAction(ctx context.Context, s scene) error {
	resp, item, lot, order := s.resp, s.item, s.resp.GetLot(), s.req.GetWorkOrder()
	want := wanted(s.demands, item.GetName())
	if resp.GetUsable() && order != "" && len(s.demands) == 0 {
		return actFor(resp, consumablesv1.ScanAction_ISSUE, u.noDemand(ctx, order))
	}
	if reason, why := unwanted(s, want); reason != "" || order == "" {
		act(resp, consumablesv1.ScanAction_ISSUE, reason, why)
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
	sooner, err := store.Sooner(ctx, u.Tx, lot.GetName())
	if err != nil {
		return err
	}
	_, err = u.mayIssue(ctx, s.candidate, claimed, store.Line{Item: item, Sooner: sooner}, draft, amount, s.at)
	if err == nil {
		resp.IssueDraft = draft
	}
	return actFor(resp, consumablesv1.ScanAction_ISSUE, err)
}

// unwanted says why nothing of a lot is to be handed out, before the lot and the job are weighed against others.
func unwanted(s scene, want stock.Micro) (reason, why string) {
	order := s.req.GetWorkOrder()
	switch {
	case !s.resp.GetUsable():
		return s.resp.GetReason(), s.resp.GetExplanation()
	case order == "":
		return "", "Scan or choose the job."
	case want == 0:
		return "NOT_WANTED", fmt.Sprintf("%s needs no more of %s. Take what it does need, or have the order changed.", order, s.item.GetDisplayName())
	}
	return "", ""
}
