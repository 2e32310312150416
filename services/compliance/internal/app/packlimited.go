package app

import (
	"context"
	"slices"
	"strings"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/owners"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/storage"
)

// limitedTo are the owners to whom the caller is limited, as a pack says them; empty for no limit.
func limitedTo(ctx context.Context) string {
	limit := slices.Clone(owners.Limit(ctx))
	slices.Sort(limit)
	return strings.Join(slices.Compact(limit), " ")
}

// packFor reads a pack that the caller may see: a limited caller those that were made under the very same limit, as others hold things of
// other owners.
func packFor(ctx context.Context, tx *storage.Tx, name string) (*compliancev1.RecordPack, error) {
	p, err := store.RecordPacks.Get(ctx, tx, name)
	if limit := limitedTo(ctx); err == nil && limit != "" && p.GetLimitedTo() != limit {
		return nil, fault.Missing(name)
	}
	return p, err
}

// GetRecordPack reads a pack that the caller may see.
func (a *App) GetRecordPack(ctx context.Context, name string) (p *compliancev1.RecordPack, err error) {
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		p, err = packFor(ctx, tx, name)
		return err
	})
	return p, err
}

// ListRecordPacks lists the packs that the caller may see.
func (a *App) ListRecordPacks(ctx context.Context, req *compliancev1.ListRecordPacksRequest) (*compliancev1.ListRecordPacksResponse, error) {
	scope, args := "", []any(nil)
	if limit := limitedTo(ctx); limit != "" {
		scope, args = "limited_to = $1", []any{limit}
	}
	items, next, err := store.RecordPacks.ListWhere(ctx, a.DB, a.Lister, req, scope, args...)
	return &compliancev1.ListRecordPacksResponse{RecordPacks: items, NextPageToken: next}, err
}

// elsewhere is what a pack says in place of the name of what belongs to another owner.
const elsewhere = "of another owner"

// mine reports whether things are the caller's. What is no aircraft, engine or component, such as a work order, is nobody's and may be named.
func (u unit) mine(ctx context.Context, names ...string) (bool, error) {
	if len(owners.Limit(ctx)) == 0 {
		return true, nil
	}
	for _, name := range names {
		if !owned(name) {
			continue
		}
		if yes, err := owners.Owns(ctx, u.Tx, owners.Subject(name)); err != nil || !yes {
			return false, err
		}
	}
	return true, nil
}

// owned reports whether a name is one of a thing that has owners, or begins with it.
func owned(name string) bool {
	return slices.ContainsFunc([]string{"aircraft/", "engines/", "components/"}, func(kind string) bool { return strings.HasPrefix(name, kind) })
}

// mayName reports whether an entry of a record chain names nothing of another's.
func (u unit) mayName(ctx context.Context, p recordchain.Proof) (bool, error) {
	var names []string
	for _, said := range p.Said {
		names = append(names, strings.FieldsFunc(said.Value, func(r rune) bool { return strings.ContainsRune(" ,;|()", r) })...)
	}
	return u.mine(ctx, names...)
}
