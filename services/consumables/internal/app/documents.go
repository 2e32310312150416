package app

import (
	"context"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// RecordLotDocuments records the certificate or the last usable day of a delivered lot while it is held, beside what stood there before.
func (a *App) RecordLotDocuments(ctx context.Context, req *consumablesv1.RecordLotDocumentsRequest) (*consumablesv1.Lot, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.Lot, error) {
		u := a.unit(ctx, tx)
		lot, item, err := u.lockLot(ctx, req.GetName(), req.GetEtag())
		if err != nil {
			return nil, err
		}
		if err := mayRecord(lot, req); err != nil {
			return nil, err
		}
		record := &consumablesv1.LotDocumentRecord{Reason: req.GetReason(), Recorder: who(u.caller), RecordTime: timestamppb.New(u.now)}
		if req.GetCertificate() != nil {
			record.Certificate, record.PreviousCertificate = req.GetCertificate(), lot.GetCertificate()
			lot.Certificate = req.GetCertificate()
		}
		if lot.GetCertificate() != nil && lot.GetHoldReason() == uncertified {
			lot.HoldReason = uninspected
		}
		lot.DocumentRecords = append(lot.DocumentRecords, record)
		if req.GetLastDate() != nil {
			record.LastDate, record.PreviousLastDate = req.GetLastDate(), lot.GetUseByDate()
			if err := u.endBy(ctx, lot, item, req.GetLastDate()); err != nil {
				return nil, err
			}
		}
		if err := store.Lots.Save(ctx, tx, lot, u.now); err != nil {
			return nil, err
		}
		return lot, u.lotFact(ctx, "documented", lot, lot.GetOnHand(), req.GetReason())
	})
}

// mayRecord refuses to record what is no document of a held delivery, or would make it last longer. Reasons: LOT_NOT_HELD, LOT_MADE_HERE,
// DOCUMENTS_MISSING, LIFE_NOT_LENGTHENED.
func mayRecord(lot *consumablesv1.Lot, req *consumablesv1.RecordLotDocumentsRequest) error {
	before, now := resource.DateText(lot.GetUseByDate()), resource.DateText(req.GetLastDate())
	switch {
	case req.GetCertificate() == nil && req.GetLastDate() == nil:
		return fault.Invalid("certificate", "DOCUMENTS_MISSING", "Neither a certificate nor a use-by date is given for %s. Give one of them.", lot.GetName())
	case len(lot.GetParents()) > 0 || lot.GetProductionRun() != "":
		return fault.Precondition("LOT_MADE_HERE", "Lot %s was made or filled here and has no documents of a delivery. Record them on the lot that it came from.", lot.GetName())
	case lot.GetState() != consumablesv1.Lot_HELD:
		return fault.Precondition("LOT_NOT_HELD", "Lot %s is %s; documents are recorded of a HELD lot only. Put it on hold first.", lot.GetName(), lot.GetState()).
			With("state", lot.GetState().String())
	case before != "" && now > before:
		return fault.Precondition("LIFE_NOT_LENGTHENED", "Lot %s is usable until %s on record, and %s is later. If the record is wrong, reverse the receipt and book it anew.",
			lot.GetName(), before, now)
	}
	return nil
}

// endBy gives a lot its last usable day; an end that was earlier stays, and what was filled or mixed from the lot ends no later.
func (u unit) endBy(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, day *date.Date) error {
	c, err := u.candidate(ctx, lot, item, u.now)
	if err != nil {
		return err
	}
	lot.UseByDate = day
	end, rule, known, err := u.lifeOf(ctx, lot, item, c.Location, mixed{})
	if err != nil || !known || end.IsZero() {
		return err
	}
	endsBy(lot, end, rule)
	names, err := u.descendants(ctx, lot.GetName())
	if err != nil {
		return err
	}
	for _, name := range names[1:] {
		child, err := store.Lots.Lock(ctx, u.Tx, name)
		if err != nil {
			return err
		}
		if child.GetItem() == lot.GetItem() {
			child.UseByDate = day
		}
		if endsBy(child, end, rule+" of "+lot.GetName()) {
			if err := store.Lots.Save(ctx, u.Tx, child, u.now); err != nil {
				return err
			}
		}
	}
	return nil
}

// endsBy shortens the life of a lot, and says whether it did.
func endsBy(lot *consumablesv1.Lot, end time.Time, rule string) bool {
	if lot.GetExpireTime() != nil && !end.Before(lot.GetExpireTime().AsTime()) {
		return false
	}
	lot.ExpireTime, lot.LifeRule = timestamppb.New(end), rule
	return true
}
