package app

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// CorrectComponentHistory replaces where a component was before it was added, and what it was added with. What it said before stays for
// what was known before.
func (a *App) CorrectComponentHistory(ctx context.Context, req *compliancev1.CorrectComponentHistoryRequest) (*compliancev1.Component, error) {
	proof, proofErr := a.Keys.VerifyReauth(ctx, req.GetReauthenticationToken(), a.Clock.Now())
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Component, error) {
		u := a.unit(ctx, tx)
		if err := u.mayAmend(ctx, req.GetReason(), proof, proofErr); err != nil {
			return nil, err
		}
		part, err := store.Components.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(part, req.GetEtag()); err != nil {
			return nil, err
		}
		return u.correctHistory(ctx, part, req)
	})
}

func (u unit) correctHistory(ctx context.Context, part *compliancev1.Component, req *compliancev1.CorrectComponentHistoryRequest) (*compliancev1.Component, error) {
	if err := checkHistory(req.GetHistory()); err != nil {
		return nil, err
	}
	old := proto.CloneOf(part)
	part.History = req.GetHistory()
	right := req.GetEntryCounters()
	moves := right != nil && !proto.Equal(right, old.GetEntryCounters())
	if !moves && proto.Equal(part, old) {
		return nil, fault.Invalid("history", "CORRECTION_NOT_ALLOWED", "%s says that already. Give the right history.", part.GetName())
	}
	if err := u.keepHistory(ctx, part, right, moves, req.GetReason()); err != nil {
		return nil, err
	}
	fields := []recordchain.Field{{Name: "reason", Value: req.GetReason()}, {Name: "person", Value: u.caller.Person}}
	fields = append(append(fields, lifeBefore("was_", old)...), lifeBefore("is_", part)...)
	if _, _, err := recordchain.Append(ctx, u.Tx, recordchain.Entry{
		Stream: "components", Kind: "history_corrected", Subject: part.GetName(), At: u.now, Actor: u.caller.Account, Fields: fields,
	}); err != nil {
		return nil, err
	}
	return part, u.recomputeWithin(ctx, part.GetName())
}

// keepHistory saves a component with its right history, and with the right entry where that moves.
func (u unit) keepHistory(ctx context.Context, part *compliancev1.Component, right *compliancev1.Counters, moves bool, reason string) error {
	if moves {
		was, err := u.wasEntered(ctx, part)
		if err != nil {
			return err
		}
		return u.reenter(ctx, part, was, right, &compliancev1.EntryCorrection{Reason: reason})
	}
	if err := store.Components.Save(ctx, u.Tx, part, u.now); err != nil {
		return err
	}
	return store.AddVersion(ctx, u.Tx, part, u.now)
}

// lifeBefore is what a component says of its life before it was added, to be signed.
func lifeBefore(prefix string, part *compliancev1.Component) []recordchain.Field {
	fields := []recordchain.Field{{Name: prefix + "entry", Value: spelledOut(part.GetEntryCounters())}}
	for i, h := range part.GetHistory() {
		fields = append(fields, recordchain.Field{Name: fmt.Sprintf("%sstay_%d", prefix, i+1), Value: fmt.Sprintf(
			"%s %s, cycles %d to %d, %d starts, %d flights, %d s, off %s, %s", h.GetEngineModel(), h.GetEngineSerial(), h.GetInstallCycles(), h.GetRemoveCycles(),
			h.GetStarts(), h.GetFlights(), h.GetOperatingSeconds(), dateOf(h.GetRemoveDate()), h.GetDocumentReference(),
		)})
	}
	return fields
}
