package listing

import (
	"context"
	"slices"
)

// Slice is a page of a list that the program carries with it, in its own order; such a list can't be filtered or ordered.
// key is unique. Reasons as in Parse.
func Slice[T any](ctx context.Context, l *Lister, req Request, items []T, key func(T) string) (page []T, next string, err error) {
	q, err := l.Parse(ctx, req, Collection{Key: "name"})
	if err != nil {
		return nil, "", err
	}
	if len(q.after) > 0 {
		items = items[slices.IndexFunc(items, func(item T) bool { return key(item) == q.after[0] })+1:]
	}
	if len(items) <= q.size {
		return items, "", nil
	}
	page = items[:q.size]
	next, err = q.seal([]any{key(page[q.size-1])})
	return page, next, err
}
