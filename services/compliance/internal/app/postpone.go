package app

import (
	"context"
	"maps"
	"slices"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
)

// postponed is what is to be worked out once, after many changes of one use case.
type postponed struct {
	everything bool
	subjects   map[string]map[string]string // by subject, the record that moved a requirement
}

func postpone() *postponed { return &postponed{subjects: map[string]map[string]string{}} }

// takes keeps a subject for later, and reports whether it does.
func (p *postponed) takes(subject, requirement, accomplishment string) bool {
	if p == nil {
		return false
	}
	if p.subjects[subject] == nil {
		p.subjects[subject] = map[string]string{}
	}
	if accomplishment != "" {
		p.subjects[subject][requirement] = accomplishment
	}
	return true
}

// add is what another use case postponed too.
func (p *postponed) add(more *postponed) {
	p.everything = p.everything || more.everything
	for subject, moved := range more.subjects {
		p.takes(subject, "", "")
		maps.Copy(p.subjects[subject], moved)
	}
}

// postponable is everything that requirements are held against; nothing when all of it is worked out later anyway.
func (u unit) postponable(ctx context.Context) ([]string, error) {
	if u.later != nil {
		u.later.everything = true
		return nil, nil
	}
	return store.Everything(ctx, u.Tx)
}

// catchUp works out what was postponed, each subject once, and tells of the records that moved an item.
func (u unit) catchUp(ctx context.Context) error {
	p := u.later
	u.later = nil
	subjects := slices.Sorted(maps.Keys(p.subjects))
	if p.everything {
		var err error
		if subjects, err = store.Everything(ctx, u.Tx); err != nil {
			return err
		}
	}
	if err := u.recomputeAll(ctx, subjects); err != nil {
		return err
	}
	for _, subject := range subjects {
		for _, requirement := range slices.Sorted(maps.Keys(p.subjects[subject])) {
			if err := u.recalculated(ctx, dueName(requirement, subject), p.subjects[subject][requirement]); err != nil {
				return err
			}
		}
	}
	return nil
}

// recalculated tells that a record moved a due item; a requirement that does not apply has none.
func (u unit) recalculated(ctx context.Context, name, accomplishment string) error {
	item, err := store.DueItems.Get(ctx, u.Tx, name)
	if fault.HasReason(err, "NOT_FOUND") {
		return nil
	}
	if err != nil {
		return err
	}
	r, err := store.Requirements.Get(ctx, u.Tx, item.GetRequirement())
	if err != nil {
		return err
	}
	same := &compliancev1.DueItem{Band: item.GetBand()} // a change of band was told when the item was worked out
	return u.dueFacts(ctx, r, same, item, accomplishment)
}
