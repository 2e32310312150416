package app

import (
	"context"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/fitted"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// CorrectFitting replaces an entry of a fitting by one with the right days and position. The wrong entry stays for what was known before.
func (a *App) CorrectFitting(ctx context.Context, req *compliancev1.CorrectFittingRequest) (*compliancev1.Fitting, error) {
	proof, proofErr := a.Keys.VerifyReauth(ctx, req.GetReauthenticationToken(), a.Clock.Now())
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Fitting, error) {
		u := a.unit(ctx, tx)
		if err := u.mayAmend(ctx, req.GetReason(), proof, proofErr); err != nil {
			return nil, err
		}
		return u.correctFitting(ctx, req)
	})
}

// mayAmend refuses a correction without a reason or a fresh proof, which it uses up.
func (u unit) mayAmend(ctx context.Context, reason string, proof auth.Reauth, proofErr error) error {
	if reason == "" {
		return fault.Invalid("reason", "CORRECTION_REASON_MISSING", "A correction says why the entry was wrong. Add the reason.")
	}
	if proofErr != nil {
		return proofErr
	}
	return auth.UseProof(ctx, u.Tx, proof, u.now)
}

func (u unit) correctFitting(ctx context.Context, req *compliancev1.CorrectFittingRequest) (*compliancev1.Fitting, error) {
	if err := u.Alone(ctx, componentsFitted); err != nil {
		return nil, err
	}
	known, err := store.Fittings.Get(ctx, u.Tx, req.GetName())
	if err != nil {
		return nil, err
	}
	for _, name := range []string{known.GetHost(), known.GetItem()} { // in the order in which fitting and flying lock them
		if _, err := u.thing(ctx, name); err != nil {
			return nil, err
		}
	}
	old, err := store.Fittings.Lock(ctx, u.Tx, req.GetName())
	if err != nil {
		return nil, err
	}
	if err := resource.CheckEtag(old, req.GetEtag()); err != nil {
		return nil, err
	}
	fresh, err := u.amended(old, req)
	if err != nil {
		return nil, err
	}
	if err := u.replaceFitting(ctx, old, fresh); err != nil {
		return nil, err
	}
	if err := u.reposition(ctx, old, fresh); err != nil {
		return nil, err
	}
	return fresh, u.refollow(ctx, old.GetHost(), old.GetItem(), firstChanged(fittedOf(old), fittedOf(fresh)))
}

// amended is the entry as it should read. Reasons: ALREADY_CORRECTED, CORRECTION_NOT_ALLOWED, DATES_REVERSED.
func (u unit) amended(old *compliancev1.Fitting, req *compliancev1.CorrectFittingRequest) (*compliancev1.Fitting, error) {
	if err := holds(old); err != nil {
		return nil, err
	}
	fresh := proto.CloneOf(old)
	if req.GetPosition() != "" {
		fresh.Position = req.GetPosition()
	}
	for field, to := range map[string]struct{ asked, kept **date.Date }{
		"install_date": {&req.InstallDate, &fresh.InstallDate}, "remove_date": {&req.RemoveDate, &fresh.RemoveDate},
	} {
		if *to.asked == nil {
			continue
		}
		day, err := realDate(field, *to.asked)
		if err != nil {
			return nil, err
		}
		if err := u.notFuture(field, day); err != nil {
			return nil, err
		}
		if field == "remove_date" && old.GetRemoveDate() == nil {
			return nil, fault.Invalid(field, "CORRECTION_NOT_ALLOWED", "%s is still fitted to %s. Remove it, with the right day.", old.GetItem(), old.GetHost())
		}
		*to.kept = protoDate(day)
	}
	from, through := dateOf(fresh.GetInstallDate()), dateOf(fresh.GetRemoveDate())
	switch {
	case !through.IsZero() && through.Before(from):
		return nil, fault.Invalid("remove_date", "DATES_REVERSED", "It would have come off on %s, and it went on only on %s. Correct the dates.", through, from)
	case proto.Equal(fresh, old):
		return nil, fault.Invalid("install_date", "CORRECTION_NOT_ALLOWED", "%s says this already. Give the right days or position.", old.GetName())
	}
	fresh.Name, fresh.Etag, fresh.Corrects = u.app.newName("fittings", ""), "", old.GetName()
	fresh.CorrectReason, fresh.Corrector, fresh.CreateTime = req.GetReason(), u.caller.Person, nil
	return fresh, nil
}

// replaceFitting keeps the right entry beside the wrong one, which it marks, and signs both into the record. Reasons: POSITION_TAKEN,
// DATE_BEFORE_LAST.
func (u unit) replaceFitting(ctx context.Context, old, fresh *compliancev1.Fitting) error {
	old.Correction, old.CorrectTime = fresh.GetName(), timestamppb.New(u.now)
	if err := store.Fittings.Save(ctx, u.Tx, old, u.now); err != nil {
		return err
	}
	if err := u.fits(ctx, fittedOf(fresh)); err != nil {
		return err
	}
	if err := store.Fittings.Insert(ctx, u.Tx, fresh, u.now); err != nil {
		return err
	}
	_, _, err := recordchain.Append(ctx, u.Tx, recordchain.Entry{
		Stream: "fittings", Kind: "corrected", Subject: fresh.GetName(), At: u.now, Actor: u.caller.Account, Fields: []recordchain.Field{
			{Name: "corrects", Value: old.GetName()}, {Name: "reason", Value: fresh.GetCorrectReason()}, {Name: "person", Value: u.caller.Person},
			{Name: "item", Value: old.GetItem()}, {Name: "host", Value: old.GetHost()}, {Name: "position", Value: old.GetPosition()},
			{Name: "was_from", Value: dateOf(old.GetInstallDate()).String()}, {Name: "was_to", Value: dateOf(old.GetRemoveDate()).String()},
			{Name: "is_position", Value: fresh.GetPosition()},
			{Name: "is_from", Value: dateOf(fresh.GetInstallDate()).String()}, {Name: "is_to", Value: dateOf(fresh.GetRemoveDate()).String()},
		},
	})
	return err
}

// firstChanged is the first day on which two fittings differ; a fitting still counts on its last day.
func firstChanged(a, b fitted.Fitting) civil.Date {
	first := civil.Date{Year: 9999, Month: 12, Day: 31}
	if a.Position != b.Position {
		first = a.From
	}
	for _, pair := range [][2]civil.Date{{a.From, b.From}, {a.To, b.To}} {
		for _, day := range pair {
			if pair[0] != pair[1] && day.Before(first) {
				first = day
			}
		}
	}
	return first
}
