package app

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"unicode"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/resource"
)

// Why deliveries are held.
const (
	uninspected = "Waits for its receiving inspection"
	uncertified = "No certificate came with it"
)

// alone lets deliveries and recalls of one manufacturer's lot come one after the other, so that none of them overlooks another.
func (u unit) alone(ctx context.Context, item, number string) error {
	if number == "" {
		return nil
	}
	return u.Alone(ctx, "deliveries of "+item+" "+strings.ToLower(strings.TrimSpace(number)))
}

// sameNumber compares a lot's number with that of $2.
const sameNumber = "upper(trim(manufacturer_lot)) = upper(trim($2))"

// lotNumber is a manufacturer's number without what nobody sees in it, such as a zero-width space that came along from a document: with it the
// number would be another one.
func lotNumber(text string) string {
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r):
			return ' '
		case unicode.Is(unicode.Cf, r), unicode.IsControl(r):
			return -1
		}
		return r
	}, text))
}

// batch are the lots that deliveries of a manufacturer's lot were booked into, the first delivery first. Containers that were filled from
// one of them have its number too and are not among them. Numbers that differ in capitals, as where they were typed or a scanner's keyboard had
// caps lock on, or in spaces around them, are one: a recall that took them for two would miss a delivery.
func (u unit) batch(ctx context.Context, item, number string) ([]*consumablesv1.Lot, error) {
	if number == "" {
		return nil, nil
	}
	lots, err := store.Lots.Where(ctx, u.Tx, "item = $1 AND "+sameNumber+" ORDER BY create_time, name", item, number)
	return slices.DeleteFunc(lots, func(l *consumablesv1.Lot) bool { return len(l.GetParents()) > 0 }), err
}

// lotToReceive is the lot that a delivery is booked into: one that is held anyway, or a new one, so that nothing of it can be used before
// somebody looked at it and at its documents.
func (u unit) lotToReceive(ctx context.Context, req *consumablesv1.ReceiveLotRequest, item *consumablesv1.Item, place string) (*consumablesv1.Lot, error) {
	lot := req.GetLot()
	lot.ManufacturerLot = lotNumber(lot.GetManufacturerLot())
	if err := u.alone(ctx, item.GetName(), lot.GetManufacturerLot()); err != nil {
		return nil, err
	}
	batch, err := u.batch(ctx, item.GetName(), lot.GetManufacturerLot())
	if err != nil {
		return nil, err
	}
	wanted := "lots/" + req.GetLotId()
	batch = slices.DeleteFunc(batch, func(l *consumablesv1.Lot) bool { return neverCame(l) && l.GetName() != wanted })
	if err := datesOfBatch(lot, batch); err != nil {
		return nil, err
	}
	for _, known := range batch {
		if (req.GetLotId() == "" || wanted == known.GetName()) && u.joins(lot, known, item) {
			return u.inspectAnew(ctx, known.GetName(), req.GetAnswers())
		}
	}
	resource.ClearOutputOnly(lot)
	lot.Name = u.app.newName("lots", req.GetLotId())
	u.blockAs(lot, consumablesv1.Lot_HELD, uninspected, "")
	addAnswers(lot, req.GetAnswers())
	heldByAnswers(lot)
	if item.GetCertificateRequired() && lot.GetCertificate() == nil {
		lot.HoldReason = uncertified
	}
	for _, known := range batch {
		if known.GetState() == consumablesv1.Lot_RECALLED {
			u.blockAs(lot, consumablesv1.Lot_RECALLED, fmt.Sprintf("Its manufacturer's lot is recalled with %s: %s", known.GetName(), known.GetHoldReason()), "")
		}
	}
	return u.addLot(ctx, lot, item, place, mixed{})
}

// neverCame reports whether all that was booked into a lot was undone as a mistake, its dates with it.
func neverCame(lot *consumablesv1.Lot) bool { return lot.GetReceived().GetValue() == "0" }

// joins reports whether a delivery goes into the lot of an earlier one: while that is held and usable in time, and both have the certificate
// that the item asks for.
func (u unit) joins(delivery, known *consumablesv1.Lot, item *consumablesv1.Item) bool {
	certified := !item.GetCertificateRequired() || delivery.GetCertificate() != nil && known.GetCertificate() != nil
	expired := known.GetExpireTime() != nil && u.now.After(known.GetExpireTime().AsTime())
	return known.GetState() == consumablesv1.Lot_HELD && certified && !expired
}

// inspectAnew begins the inspection of a held lot again with what was answered for a further delivery: what was seen of the first says
// nothing of the second. A No stays until somebody answers it again.
func (u unit) inspectAnew(ctx context.Context, name string, answers []*consumablesv1.InspectionAnswer) (*consumablesv1.Lot, error) {
	lot, err := store.Lots.Lock(ctx, u.Tx, name)
	if err != nil {
		return nil, err
	}
	refused := slices.DeleteFunc(lot.GetAnswers(), func(a *consumablesv1.InspectionAnswer) bool {
		return a.GetAnswer() != consumablesv1.InspectionAnswer_NO
	})
	lot.Answers = nil
	addAnswers(lot, answers)
	addAnswers(lot, refused)
	heldByAnswers(lot)
	return lot, store.Lots.Save(ctx, u.Tx, lot, u.now)
}

// heldByAnswers says as the reason of a hold which question was answered No.
func heldByAnswers(lot *consumablesv1.Lot) {
	for _, answer := range lot.GetAnswers() {
		if answer.GetAnswer() == consumablesv1.InspectionAnswer_NO {
			lot.HoldReason = "Inspection: " + answer.GetQuestion() + " No"
		}
	}
}

// datesOfBatch holds a delivery's dates against those of earlier deliveries of its manufacturer's lot. What was made together ends together:
// other dates are a mistake on one of the labels, and a use-by date that the delivery leaves out is the one on record. Reason:
// BATCH_DATES_DIFFER.
func datesOfBatch(delivery *consumablesv1.Lot, batch []*consumablesv1.Lot) error {
	for _, known := range batch {
		for _, d := range []struct{ what, before, now string }{
			{"a use-by date of", resource.DateText(known.GetUseByDate()), resource.DateText(delivery.GetUseByDate())},
			{"a manufacture date of", resource.DateText(known.GetManufactureDate()), resource.DateText(delivery.GetManufactureDate())},
			{"the cure quarter", known.GetCureQuarter(), delivery.GetCureQuarter()},
		} {
			if d.before != "" && d.now != "" && d.before != d.now {
				return fault.Precondition("BATCH_DATES_DIFFER",
					"%s, of the same manufacturer's lot %q, has %s %s, and this delivery has %s. One lot is made once. Read both labels again, or set the delivery aside until its supplier has answered.",
					known.GetName(), delivery.GetManufacturerLot(), d.what, d.before, d.now).With("lot", known.GetName())
			}
		}
	}
	for _, known := range batch {
		if delivery.GetUseByDate() == nil {
			delivery.UseByDate = known.GetUseByDate()
		}
	}
	return nil
}
