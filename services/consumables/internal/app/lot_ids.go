package app

import (
	"context"
	"maps"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
)

// namedElsewhere keeps the ids that a received lot has in other systems, beside those of earlier deliveries of it; a new id in the same system
// takes the place of the one before.
func (u unit) namedElsewhere(ctx context.Context, lot *consumablesv1.Lot, ids map[string]string) error {
	if len(ids) == 0 {
		return nil
	}
	known := map[string]string{}
	maps.Copy(known, lot.GetExternalIds())
	maps.Copy(known, ids)
	lot.ExternalIds = known
	if err := store.Lots.Save(ctx, u.Tx, lot, u.now); err != nil {
		return err
	}
	return store.LotIDs.Keep(ctx, u.Tx, lot)
}

// lookedUp is the lot that a request names by a code or by its id in another system. Reasons: LOOK_UP_AMBIGUOUS, EXTERNAL_ID_UNKNOWN,
// EXTERNAL_ID_AMBIGUOUS, and those of findLot.
func (u unit) lookedUp(ctx context.Context, req *consumablesv1.LookUpLotRequest) (*consumablesv1.Lot, error) {
	byCode, byID := req.GetCode() != "", req.GetSystem() != "" || req.GetExternalId() != ""
	switch {
	case byCode == byID || byID && (req.GetSystem() == "" || req.GetExternalId() == ""):
		return nil, fault.Invalid("code", "LOOK_UP_AMBIGUOUS", "A lot is looked up by its code, or by system and external_id together. Give one of the two.")
	case byCode:
		return u.findLot(ctx, req.GetCode())
	}
	name, err := store.LotIDs.One(ctx, u.Tx, "lot", req.GetSystem(), req.GetExternalId())
	if err != nil {
		return nil, err
	}
	return store.Lots.Get(ctx, u.Tx, name)
}
