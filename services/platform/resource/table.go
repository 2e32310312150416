// Package resource keeps the resources of the contract in tables: one row each, with the whole message in one column and
// beside it the columns that are filtered, sorted or joined by.
//
// The columns are named in the contract's words and filled from the message by reflection: text for strings and enums,
// bigint for numbers, booleans (0 or 1) and instants (microseconds), text YYYY-MM-DD for dates. Every table also has name
// (primary key), version and body. The etag of a resource is made of its version.
package resource

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/owners"
	"coldsection.example/services/platform/storage"
)

// Table keeps resources of type T.
type Table[T proto.Message] struct {
	name    string
	columns []column
	names   []string // in the order of what they hold in every statement
	fields  listing.Fields
	order   string
	owned   []string                                    // the columns that name whose a resource is
	all     bool                                        // every one of these that is not empty must be the caller's
	shared  bool                                        // everybody's
	hidden  []string                                    // columns that are empty to a limited caller where they name another's
	insert  string                                      // adds a row: name, version, body and the columns
	update  string                                      // changes one: version, body, the columns, name and the version before
	touch   string                                      // the same where no column changes
	still   string                                      // changes one whose columns stay: version, body, name and the version before
	written func(context.Context, *storage.Tx, T) error // what follows an Insert and a Save; nil for nothing
	beside  func(T) []byte                              // what the last column, beside those of the contract, holds; nil without one
}

type column struct {
	field protoreflect.FieldDescriptor
	kind  listing.Kind
	place int // in the message's struct, for a text, an enum or an instant by itself; -1 for others
}

// NewTable describes a table whose columns are these fields of T, all of which a List call may filter and sort by; order
// is the default order of a list. It panics when T has no such field, which a test of the service finds.
func NewTable[T proto.Message](name, order string, fields ...string) *Table[T] {
	t := &Table[T]{name: name, order: order, fields: listing.Fields{}}
	var zero T
	desc, at := zero.ProtoReflect().Descriptor(), placesOf(reflect.TypeOf(zero).Elem())
	for _, f := range fields {
		fd := desc.Fields().ByName(protoreflect.Name(f))
		if fd == nil {
			panic(fmt.Sprintf("resource: %s has no field %s", desc.FullName(), f))
		}
		c := column{field: fd, kind: kindOf(fd), place: -1}
		if alone := !fd.IsList() && !fd.HasPresence(); alone && (fd.Kind() == protoreflect.StringKind || c.kind == listing.Enum) || c.kind == listing.Time {
			c.place = at.of(desc, fd.Name())
		}
		t.columns = append(t.columns, c)
		t.fields[f] = listing.Field{Column: f, Kind: c.kind, Values: enumNames(fd)}
	}
	t.names = slices.Clone(fields)
	t.insert, t.update, t.touch = statements(name, fields)
	t.still = "UPDATE " + name + " SET version = $1, body = $2 WHERE name = $3 AND version = $4"
	return t
}

// Keeping adds a column of bytes that are made of each resource whenever it is written, such as what many of them are read for at once. Nobody
// filters or sorts by it. Rows that were there before the column have none until they are written.
func (t *Table[T]) Keeping(column string, of func(T) []byte) *Table[T] {
	t.names, t.beside = append(t.names, column), of
	t.insert, t.update, t.touch = statements(t.name, t.names)
	return t
}

// statements are the texts that add a row, change one, and change one whose columns stay.
func statements(table string, fields []string) (insert, update, touch string) {
	marks, sets, same := "$1, $2, $3", "version = $1, body = $2", ""
	for i, f := range fields {
		marks += fmt.Sprintf(", $%d", i+4)
		sets += fmt.Sprintf(", %s = $%d", f, i+3)
		same += fmt.Sprintf(" AND %s = $%d", f, i+3)
	}
	columns := strings.Join(append([]string{"name", "version", "body"}, fields...), ", ")
	row := fmt.Sprintf("name = $%d AND version = $%d", len(fields)+3, len(fields)+4)
	return fmt.Sprintf("INSERT INTO %s (%s) VALUES (%s) ON CONFLICT (name) DO NOTHING", table, columns, marks),
		fmt.Sprintf("UPDATE %s SET %s WHERE %s", table, sets, row),
		fmt.Sprintf("UPDATE %s SET version = $1, body = $2 WHERE %s%s", table, row, same)
}

// OwnedBy says which columns name the aircraft or engine that a resource is about; "name" stands for the first two segments
// of its name. A caller who is limited to owners is then shown what is theirs only, and without it nothing of the table.
func (t *Table[T]) OwnedBy(columns ...string) *Table[T] {
	t.owned = columns
	return t
}

// OwnedByAll is OwnedBy for resources that tell of several things, such as an engine and what it is fitted to: all that are named must be
// the caller's, so that none learns of another's thing through its own.
func (t *Table[T]) OwnedByAll(columns ...string) *Table[T] {
	t.owned, t.all = columns, true
	return t
}

// Shared says that the resources are everybody's, such as task cards; what a limited caller may call decides the policy.
func (t *Table[T]) Shared() *Table[T] {
	t.shared = true
	return t
}

// Hiding names columns that name other things, such as the aircraft that an engine is on. To a caller who is limited to owners they are empty
// where that is another's: no filter and no order tells what the answer hides.
func (t *Table[T]) Hiding(columns ...string) *Table[T] {
	t.hidden = columns
	return t
}

// seen narrows what a limited caller filters and sorts by.
func (t *Table[T]) seen(ctx context.Context, c *listing.Collection) {
	for _, column := range t.hidden {
		condition, args := owners.Condition(ctx, []string{t.name + "." + column}, c.ScopeArgs)
		if condition == "" {
			return
		}
		shown := c.Fields[column]
		shown.Column = "CASE WHEN " + condition + " THEN " + t.name + "." + column + " ELSE '' END"
		c.Fields = maps.Clone(c.Fields)
		c.Fields[column] = shown
		c.Scope, c.ScopeArgs = c.Scope+" AND ("+condition+" OR 1 = 1)", args // PostgreSQL wants every argument used, also without a filter
	}
}

func kindOf(fd protoreflect.FieldDescriptor) listing.Kind {
	switch fd.Kind() {
	case protoreflect.BoolKind:
		return listing.Bool
	case protoreflect.EnumKind:
		return listing.Enum
	case protoreflect.Int32Kind, protoreflect.Int64Kind:
		return listing.Int
	case protoreflect.MessageKind:
		switch fd.Message().FullName() {
		case "google.protobuf.Timestamp":
			return listing.Time
		case "google.type.Date":
			return listing.Date
		default:
			return listing.Bool // a message that is set or not, such as a hold
		}
	default:
		return listing.Text
	}
}

func enumNames(fd protoreflect.FieldDescriptor) []string {
	if fd.Kind() != protoreflect.EnumKind {
		return nil
	}
	var names []string
	for i := range fd.Enum().Values().Len() {
		names = append(names, string(fd.Enum().Values().Get(i).Name()))
	}
	return names
}

// values adds what the columns of a message hold to args.
func (t *Table[T]) values(args []any, m T) []any {
	r := m.ProtoReflect()
	_, v, _ := shapeOf(m)
	for _, c := range t.columns {
		if c.place >= 0 {
			if value, quick := c.quick(v.Field(c.place)); quick {
				args = append(args, value)
				continue
			}
		}
		args = append(args, c.value(r))
	}
	if t.beside != nil {
		args = append(args, t.beside(m))
	}
	return args
}

// quick is value for the kinds that most columns have, from the field of the message's struct.
func (c column) quick(v reflect.Value) (any, bool) {
	switch c.kind {
	case listing.Text:
		return v.String(), true
	case listing.Enum:
		return string(c.field.Enum().Values().ByNumber(protoreflect.EnumNumber(v.Int())).Name()), true
	case listing.Time:
		ts, ok := reflect.TypeAssert[*timestamppb.Timestamp](v)
		if !ok {
			return nil, false
		}
		if ts == nil {
			return int64(0), true
		}
		return storage.Micros(ts.AsTime()), true
	default:
		return nil, false
	}
}

func (c column) value(m protoreflect.Message) any {
	v := m.Get(c.field)
	switch c.kind {
	case listing.Bool:
		if c.field.Kind() == protoreflect.MessageKind {
			return flag(m.Has(c.field))
		}
		return flag(v.Bool())
	case listing.Enum:
		return string(c.field.Enum().Values().ByNumber(v.Enum()).Name())
	case listing.Int:
		return v.Int()
	case listing.Time:
		ts, _ := v.Message().Interface().(*timestamppb.Timestamp)
		if !m.Has(c.field) {
			return int64(0)
		}
		return storage.Micros(ts.AsTime())
	case listing.Date:
		d, _ := v.Message().Interface().(*date.Date)
		return DateText(d)
	case listing.Text:
		if c.field.IsList() {
			return joined(v.List())
		}
		return v.String()
	default:
		return v.Interface()
	}
}

func joined(l protoreflect.List) string {
	parts := make([]string, l.Len())
	for i := range parts {
		parts[i] = l.Get(i).String()
	}
	return strings.Join(parts, " ")
}

func flag(b bool) int64 {
	if b {
		return 1
	}
	return 0
}

// DateText is a civil date as YYYY-MM-DD; no date is the empty text.
func DateText(d *date.Date) string {
	if d == nil || d.GetYear() == 0 {
		return ""
	}
	return fmt.Sprintf("%04d-%02d-%02d", d.GetYear(), d.GetMonth(), d.GetDay())
}

// Name is the resource name of a message.
func Name(m proto.Message) string {
	if named, ok := m.(interface{ GetName() string }); ok {
		return named.GetName()
	}
	return text(m, "name")
}

// Etag is the etag of a message.
func Etag(m proto.Message) string {
	if tagged, ok := m.(interface{ GetEtag() string }); ok {
		return tagged.GetEtag()
	}
	return text(m, "etag")
}

func text(m proto.Message, field protoreflect.Name) string {
	fd := m.ProtoReflect().Descriptor().Fields().ByName(field)
	if fd == nil {
		return ""
	}
	return m.ProtoReflect().Get(fd).String()
}

// CheckEtag refuses a caller whose etag is not the current one; an empty etag passes. What follows a full stop in an etag tells apart what
// is shown beside the resource and is no part of it, such as stock, so that nobody's change waits for that to stand still.
func CheckEtag(current proto.Message, etag string) error {
	if version, _, _ := strings.Cut(etag, "."); etag != "" && version != Etag(current) {
		return fault.StaleEtag(Name(current)).With("current_etag", Etag(current))
	}
	return nil
}

// Get reads a resource. Reason: NOT_FOUND.
func (t *Table[T]) Get(ctx context.Context, tx *storage.Tx, name string) (T, error) {
	return t.read(ctx, tx, name, "")
}

// Lock reads a resource in order to change it.
func (t *Table[T]) Lock(ctx context.Context, tx *storage.Tx, name string) (T, error) {
	return t.read(ctx, tx, name, tx.ForUpdate())
}

func (t *Table[T]) read(ctx context.Context, tx *storage.Tx, name, lock string) (T, error) {
	m, err := Scan[T](tx.QueryRow(ctx, "SELECT body FROM "+t.name+" WHERE name = $1"+lock, name))
	if errors.Is(err, storage.ErrNoRows) {
		return m, fault.Missing(name)
	}
	if err != nil || t.shared || len(owners.Limit(ctx)) == 0 {
		return m, err
	}
	// What is another's is missing in the very same words, so that nobody finds out that it exists.
	if owns, err := t.owns(ctx, tx, m); err != nil || !owns {
		var zero T
		return zero, cmp.Or(err, error(fault.Missing(name)))
	}
	return m, nil
}

// owns reports whether a resource is a limited caller's.
func (t *Table[T]) owns(ctx context.Context, tx *storage.Tx, m T) (bool, error) {
	subjects := t.subjects(m)
	owns, err := owners.Owns(ctx, tx, subjects...)
	for _, subject := range subjects {
		if t.all && subject != "" && owns && err == nil {
			owns, err = owners.Owns(ctx, tx, subject)
		}
	}
	return owns, err
}

// limited is what a row must meet to be shown to the caller, going on after args; empty without a limit.
func (t *Table[T]) limited(ctx context.Context, args []any) (string, []any) {
	columns := make([]string, len(t.owned))
	for i, column := range t.owned {
		columns[i] = t.name + "." + column
	}
	condition, args := owners.Condition(ctx, columns, args)
	if condition == "" || t.shared || !t.all {
		return condition, args
	}
	for _, column := range columns {
		var one string
		one, args = owners.Condition(ctx, []string{column}, args)
		condition += " AND (" + column + " = '' OR " + one + ")"
	}
	return condition, args
}

// subjects are the aircraft and engines that a resource is about.
func (t *Table[T]) subjects(m T) []string {
	var subjects []string
	for _, c := range t.owned {
		subject := text(m, protoreflect.Name(c))
		if c == "name" {
			subject = owners.Subject(subject)
		}
		subjects = append(subjects, subject)
	}
	return subjects
}

// Scan reads a resource from its body, the only column of the row.
func Scan[T proto.Message](row storage.Scanner) (T, error) {
	var body []byte
	var zero T
	if err := row.Scan(&body); err != nil {
		return zero, err
	}
	m, _ := zero.ProtoReflect().New().Interface().(T)
	return m, proto.Unmarshal(body, m)
}

// Where reads every resource that meets a condition, such as "work_order = $1 ORDER BY name".
func (t *Table[T]) Where(ctx context.Context, tx *storage.Tx, condition string, args ...any) ([]T, error) {
	return storage.Collect(ctx, tx, Scan[T], "SELECT body FROM "+t.name+" WHERE "+condition, args...)
}

// Gather is Where that nobody waits for: every resource is in into once the next statement was waited for.
func (t *Table[T]) Gather(ctx context.Context, tx *storage.Tx, into *[]T, condition string, args ...any) error {
	return storage.Gather(ctx, tx, into, Scan[T], "SELECT body FROM "+t.name+" WHERE "+condition, args...)
}

// List answers a List call over the table; parent, when set, is the name before the collection, and "x/-" spans all.
func (t *Table[T]) List(ctx context.Context, db *storage.DB, l *listing.Lister, req listing.Request, parent string) (items []T, next string, err error) {
	if parent != "" && !strings.HasSuffix(parent, "/-") {
		return t.ListWhere(ctx, db, l, req, "name >= $1 AND name < $2", parent+"/", parent+"0")
	}
	return t.ListWhere(ctx, db, l, req, "")
}

// ListWhere is List over the rows that meet a condition, such as "name >= $1", and are the caller's; an empty one is met by all.
func (t *Table[T]) ListWhere(ctx context.Context, db *storage.DB, l *listing.Lister, req listing.Request, scope string, args ...any) (items []T, next string, err error) {
	q, err := t.query(ctx, l, req, scope, args)
	if err != nil {
		return nil, "", err
	}
	err = db.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		items, next, err = listing.Page(ctx, tx, q, "body", t.name, Scan[T])
		return err
	})
	return items, next, err
}

// ListIn is List over the whole table in a snapshot that is open, so that what is read for the rows is of the same moment as they.
func (t *Table[T]) ListIn(ctx context.Context, tx *storage.Tx, l *listing.Lister, req listing.Request) (items []T, next string, err error) {
	q, err := t.query(ctx, l, req, "", nil)
	if err != nil {
		return nil, "", err
	}
	return listing.Page(ctx, tx, q, "body", t.name, Scan[T])
}

// query reads a List call over the rows that meet a condition and are the caller's.
func (t *Table[T]) query(ctx context.Context, l *listing.Lister, req listing.Request, scope string, args []any) (listing.Query, error) {
	c := listing.Collection{Fields: t.fields, Key: "name", Order: t.order, Scope: scope, ScopeArgs: args}
	if condition, args := t.limited(ctx, c.ScopeArgs); condition != "" && !t.shared {
		c.Scope, c.ScopeArgs = cmp.Or(c.Scope, "1 = 1")+" AND "+condition, args
		t.seen(ctx, &c)
	}
	return l.Parse(ctx, req, c)
}

// Read is Get in a snapshot of its own.
func (t *Table[T]) Read(ctx context.Context, db *storage.DB, name string) (m T, err error) {
	err = db.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		m, err = t.Get(ctx, tx, name)
		return err
	})
	return m, err
}
