package app

import (
	"context"
	"strings"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/retention"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// GetRetentionFloor says how long a record of work must be kept, by the rules of the aircraft's regime; off wing, by all rules.
func (a *App) GetRetentionFloor(ctx context.Context, req *compliancev1.GetRetentionFloorRequest) (*compliancev1.RetentionFloor, error) {
	var out *compliancev1.RetentionFloor
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		u := a.unit(ctx, tx)
		record, err := store.Accomplishments.Get(ctx, tx, strings.TrimSuffix(req.GetName(), "/retentionFloor"))
		if fault.HasReason(err, "NOT_FOUND") {
			return fault.Missing(req.GetName())
		}
		if err != nil {
			return err
		}
		rules, err := u.floors(ctx, record)
		if err != nil {
			return err
		}
		later, err := store.Accomplishments.Where(ctx, tx, "subject = $1 AND name >= $2 AND name < $3 AND done_date > $4 ORDER BY done_date",
			record.GetSubject(), parentOf(record.GetName())+"/", parentOf(record.GetName())+"0", dateOf(record.GetDoneDate()).String())
		if err != nil {
			return err
		}
		superseded := dateOf(nil)
		for _, again := range later { // equal work done again, by a record that stands
			if superseded.IsZero() && again.GetSuccessor() == "" && !again.GetVoid() {
				superseded = dateOf(again.GetDoneDate())
			}
		}
		f := retention.Keep(rules, dateOf(record.GetDoneDate()), superseded)
		out = &compliancev1.RetentionFloor{
			Name: record.GetName() + "/retentionFloor", KeepThroughDate: protoDate(f.Through), OpenEnded: f.Open, AircraftBound: f.WithAircraft, Lines: f.Lines,
		}
		return nil
	})
	return out, err
}

// floors are the rules that a record is kept by: the shop's and the owner's of the regime, and of directives and life limits those that
// go with the aircraft.
func (u unit) floors(ctx context.Context, record *compliancev1.Accomplishment) (rules []retention.Rule, err error) {
	regime, err := u.regimeOf(ctx, record.GetSubject())
	if err != nil {
		return nil, err
	}
	r, err := store.Requirements.Get(ctx, u.Tx, parentOf(record.GetName()))
	if err != nil {
		return nil, err
	}
	status := r.GetKind() == compliancev1.Requirement_DIRECTIVE || r.GetKind() == compliancev1.Requirement_LIFE_LIMIT
	faa, easa := regime != compliancev1.Aircraft_EASA && regime != compliancev1.Aircraft_UK, regime != compliancev1.Aircraft_FAA
	if faa {
		rules = append(rules, retention.ShopFAA, retention.OwnerFAA)
	}
	if easa {
		rules = append(rules, retention.ShopEASA, retention.OwnerEASA)
	}
	if faa && status {
		rules = append(rules, retention.AircraftFAA)
	}
	if easa && r.GetKind() == compliancev1.Requirement_LIFE_LIMIT {
		rules = append(rules, retention.LifeEASA)
	}
	return rules, nil
}

// regimeOf is the regime of the aircraft that a thing is, or is on now; unset off wing.
func (u unit) regimeOf(ctx context.Context, subject string) (compliancev1.Aircraft_Regime, error) {
	ctx = unlimited(ctx)
	t, err := u.read(ctx, subject)
	if err != nil {
		return compliancev1.Aircraft_REGIME_UNSPECIFIED, err
	}
	s := seen{subject: t, at: u.now}
	err = u.surround(ctx, &s)
	return s.plane.GetRegime(), err
}
