package resource

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"maps"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/owners"
	"coldsection.example/services/platform/storage"
)

// Finder finds the resources of a table by their ids in other systems. The ids are kept in a table of their own with every Insert and
// Save; its columns are the key (the resource's name), system, external_id and version. The row without a system says which ids were kept,
// by their digest, and of which version they are: what was written otherwise, such as by a process of the version before, is looked
// through until it is kept too.
type Finder[T proto.Message] struct {
	table      *Table[T]
	index, key string
	ids        func(T) map[string]string
	told       bool // whoever changes ids says so; nothing is written otherwise
}

// FoundBy keeps the ids of the table's resources in an index from now on. Rows that several are written of at once are kept later.
func (t *Table[T]) FoundBy(index, key string, ids func(T) map[string]string) *Finder[T] {
	f := &Finder[T]{table: t, index: index, key: key, ids: ids}
	t.written = f.keep
	return f
}

// ToldOf keeps the ids of those of the table's resources that Keep is told of, so that writing one costs nothing while its ids stay.
func (t *Table[T]) ToldOf(index, key string, ids func(T) map[string]string) *Finder[T] {
	return &Finder[T]{table: t, index: index, key: key, ids: ids, told: true}
}

// Keep makes a resource findable by its ids, which were just written.
func (f *Finder[T]) Keep(ctx context.Context, tx *storage.Tx, m T) error { return f.keep(ctx, tx, m) }

// keep makes a resource that was just written findable by its ids; one statement where they stay as they were.
func (f *Finder[T]) keep(ctx context.Context, tx *storage.Tx, m T) error {
	version, err := strconv.ParseInt(strings.TrimPrefix(Etag(m), "v"), 10, 64)
	if err != nil {
		return err
	}
	ids := maps.Clone(f.ids(m))
	delete(ids, "")
	digest := digestOf(ids)
	n, err := tx.Exec(ctx, "UPDATE "+f.index+" SET version = $1 WHERE "+f.key+" = $2 AND system = '' AND external_id = $3", version, Name(m), digest)
	if err != nil || n > 0 {
		return err
	}
	if _, err := tx.Exec(ctx, "DELETE FROM "+f.index+" WHERE "+f.key+" = $1", Name(m)); err != nil {
		return err
	}
	if ids == nil {
		ids = map[string]string{}
	}
	ids[""] = digest
	for _, system := range slices.Sorted(maps.Keys(ids)) {
		if _, err := tx.Exec(ctx, "INSERT INTO "+f.index+" ("+f.key+", system, external_id, version) VALUES ($1, $2, $3, $4)",
			Name(m), system, ids[system], version); err != nil {
			return err
		}
	}
	return nil
}

func digestOf(ids map[string]string) string {
	h := sha256.New()
	for _, system := range slices.Sorted(maps.Keys(ids)) {
		h.Write([]byte(strconv.Quote(system) + strconv.Quote(ids[system])))
	}
	return hex.EncodeToString(h.Sum(nil))
}

// Find reads the resources that have an id in another system now, as far as they are the caller's, by name.
func (f *Finder[T]) Find(ctx context.Context, tx *storage.Tx, system, id string) ([]T, error) {
	hinted, err := f.table.Where(ctx, tx, "name IN (SELECT "+f.key+" FROM "+f.index+" WHERE system = $1 AND external_id = $2) ORDER BY name", system, id)
	if err != nil {
		return nil, err
	}
	hasNot := func(m T) bool { return f.ids(m)[system] != id }
	found, err := f.table.callers(ctx, tx, slices.DeleteFunc(hinted, hasNot))
	if err != nil || len(found) > 0 || f.told {
		return found, err
	}
	late, err := f.late(ctx, tx, "")
	if err != nil {
		return nil, err
	}
	return f.table.callers(ctx, tx, slices.DeleteFunc(late, hasNot))
}

// callers leaves the resources that a limited caller may see.
func (t *Table[T]) callers(ctx context.Context, tx *storage.Tx, all []T) ([]T, error) {
	if t.shared || len(owners.Limit(ctx)) == 0 {
		return all, nil
	}
	var own []T
	for _, m := range all {
		owns, err := t.owns(ctx, tx, m)
		if err != nil {
			return nil, err
		}
		if owns {
			own = append(own, m)
		}
	}
	return own, nil
}

// One is the name of the only resource with this id; noun is what people call one. What is another owner's is unknown in the same words.
// Reasons: EXTERNAL_ID_UNKNOWN, EXTERNAL_ID_AMBIGUOUS.
func (f *Finder[T]) One(ctx context.Context, tx *storage.Tx, noun, system, id string) (string, error) {
	found, err := f.Find(ctx, tx, system, id)
	switch {
	case err != nil:
		return "", err
	case len(found) == 0:
		return "", fault.New(fault.NotFound, "EXTERNAL_ID_UNKNOWN", "No %s has the id %.80q in %.40q. Enter it there first, in external_ids.", noun, id, system)
	case len(found) > 1:
		return "", fault.New(fault.FailedPrecondition, "EXTERNAL_ID_AMBIGUOUS",
			"The id %.80q in %.40q is that of %s and of %s. Take it off the one that it isn't.", id, system, Name(found[0]), Name(found[1]))
	default:
		return Name(found[0]), nil
	}
}

// KeepLate keeps the ids of resources that were written otherwise, at most so many, and says how many they were. Those that somebody else is at, such
// as another instance that does the same, are left to them.
func (f *Finder[T]) KeepLate(ctx context.Context, tx *storage.Tx, most int) (int, error) {
	limit := " LIMIT $1" + tx.ForUpdate()
	if tx.Engine() == storage.Postgres {
		limit += " SKIP LOCKED"
	}
	late, err := f.late(ctx, tx, limit, most)
	if err != nil {
		return 0, err
	}
	for _, m := range late {
		if err := f.keep(ctx, tx, m); err != nil {
			return 0, err
		}
	}
	return len(late), nil
}

// late are the resources whose ids, as they are now, the index does not have.
func (f *Finder[T]) late(ctx context.Context, tx *storage.Tx, limit string, args ...any) ([]T, error) {
	return f.table.Where(ctx, tx, "NOT EXISTS (SELECT 1 FROM "+f.index+" x WHERE x."+f.key+" = "+f.table.name+".name AND x.system = '' AND x.version = "+
		f.table.name+".version) ORDER BY name"+limit, args...)
}
