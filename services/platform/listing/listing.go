// Package listing answers List calls: page by page, filtered and sorted, the same on every collection (AIP-132, 158, 160).
//
// A page goes on after the last row of the page before, by the sort values of that row, so that rows added or removed in
// between make nobody miss a row or see one twice. The token carries those values and when it was made under a keyed hash
// over the caller and the rest of the request: it opens nothing, and it is refused with any other list, filter, order, parent or
// caller, and when it is old.
//
// Filters are a subset of AIP-160: comparisons "field op value" with = != < <= > >= and : (has), joined by AND, OR, NOT and
// parentheses. As that standard says, OR binds tighter than AND. Values are bare words or quoted in " or '. On text, "has"
// means "contains", whatever the case, and field:* means "not empty". Fields are spelt as the contract does or as JSON does. A day or
// a time that is not set stands before every other, so that nothing whose date is not known drops out of what comes before a day.
package listing

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// How many rows a page has when the request does not say, and at most.
const (
	DefaultSize = 50
	MaxSize     = 1000
)

// Kind says how a field's values are written in a filter and kept in its column.
type Kind int

// The kinds.
const (
	Text Kind = iota // text
	Int              // bigint
	Bool             // true or false, kept as bigint 1 or 0
	Time             // RFC 3339, kept as bigint microseconds (storage.Micros)
	Date             // YYYY-MM-DD, kept as text
	Enum             // one of Values, kept as text
)

// Field is what a caller may filter and sort by.
type Field struct {
	Column string // a column or expression that is never NULL
	Kind   Kind
	Values []string // of an Enum
}

// Fields are the fields of a collection by their name in the API.
type Fields map[string]Field

// Collection is what can be listed, and how.
type Collection struct {
	Fields Fields
	Key    string // the unique text column that breaks ties, such as "id"
	Order  string // the order when the request gives none, in order_by's form; empty sorts by Key

	// Scope is a condition that every row must meet, such as "lot_id = $1", and its arguments.
	Scope     string
	ScopeArgs []any
}

// Request is a List request of the contract.
type Request interface {
	proto.Message
	GetPageSize() int32
	GetPageToken() string
	GetFilter() string
	GetOrderBy() string
}

// Lister reads List requests.
type Lister struct {
	secrets func() [][]byte
	clock   clock.Clock
}

// TokenLife is how long a page token is good. Whoever walks a list takes minutes, and a list of last month is better begun again.
const TokenLife = 7 * 24 * time.Hour

// New makes a lister by the machine's clock, whose tokens are good for every process that has the same secret.
func New(secret []byte) *Lister {
	return From(clock.System(), func() [][]byte { return [][]byte{secret} })
}

// From makes a lister whose secrets may change: tokens are made under the first and good under each.
func From(now clock.Clock, secrets func() [][]byte) *Lister {
	return &Lister{secrets: secrets, clock: now}
}

// Query is a List request that was read and found good.
type Query struct {
	collection Collection
	filter     node
	order      []sortKey
	after      []any
	size       int
	secrets    [][]byte
	now        time.Time
	mac        func(secret, payload []byte) []byte
}

// Parse reads a request. Reasons: PAGE_SIZE_INVALID, PAGE_TOKEN_INVALID, FILTER_INVALID, ORDER_BY_INVALID.
func (l *Lister) Parse(ctx context.Context, req Request, c Collection) (Query, error) {
	q := Query{collection: c, size: int(req.GetPageSize()), secrets: l.secrets(), now: l.clock.Now(), mac: macOf(ctx, req)}
	switch {
	case q.size < 0:
		return q, fault.Invalid("page_size", "PAGE_SIZE_INVALID", "The page size %d is negative. Give 0 for the default of %d, or up to %d.",
			q.size, DefaultSize, MaxSize)
	case q.size == 0:
		q.size = DefaultSize
	case q.size > MaxSize:
		q.size = MaxSize
	}
	var err error
	if q.filter, err = parseFilter(req.GetFilter(), c.Fields); err != nil {
		return q, err
	}
	if q.order, err = parseOrder(req.GetOrderBy(), c); err != nil {
		return q, err
	}
	q.after, err = q.open(req.GetPageToken())
	return q, err
}

// macOf hashes a token together with the caller, the list and every field of the request but the paging ones.
func macOf(ctx context.Context, req proto.Message) func(secret, payload []byte) []byte {
	bare := proto.Clone(req)
	fields := bare.ProtoReflect().Descriptor().Fields()
	for _, name := range []string{"page_size", "page_token"} {
		if f := fields.ByName(protoName(name)); f != nil {
			bare.ProtoReflect().Clear(f)
		}
	}
	rest, err := proto.MarshalOptions{Deterministic: true}.Marshal(bare)
	caller, _ := auth.FromContext(ctx)
	list := req.ProtoReflect().Descriptor().FullName() // the requests of two lists are the same bytes when neither filters
	return func(secret, payload []byte) []byte {
		h := hmac.New(sha256.New, secret)
		for _, part := range [][]byte{payload, rest, []byte(list), []byte(caller.Account), []byte(fmt.Sprint(err))} {
			_, _ = fmt.Fprintf(h, "%d:", len(part))
			h.Write(part)
		}
		return h.Sum(nil)[:macSize]
	}
}

const macSize = 16

func (q Query) seal(values []any) (string, error) {
	payload, err := json.Marshal(append([]any{q.now.Unix()}, values...))
	if err != nil {
		return "", err
	}
	return base64.RawURLEncoding.EncodeToString(append(q.mac(q.secrets[0], payload), payload...)), nil
}

func (q Query) open(token string) ([]any, error) {
	if token == "" {
		return nil, nil
	}
	refusal := fault.Invalid("page_token", "PAGE_TOKEN_INVALID",
		"This page token does not belong to this request. Repeat the first request without a token, and change nothing between pages.")
	raw, err := base64.RawURLEncoding.DecodeString(token)
	if err != nil || len(raw) < macSize || !q.made(raw[:macSize], raw[macSize:]) {
		return nil, refusal
	}
	decoder := json.NewDecoder(strings.NewReader(string(raw[macSize:])))
	decoder.UseNumber()
	var values []any
	if err := decoder.Decode(&values); err != nil || len(values) != len(q.order)+1 {
		return nil, refusal
	}
	for i, v := range values {
		if n, ok := v.(json.Number); ok {
			if values[i], err = n.Int64(); err != nil {
				return nil, refusal
			}
		}
	}
	made, ok := values[0].(int64)
	if !ok {
		return nil, refusal
	}
	return values[1:], Fresh(q.now, time.Unix(made, 0))
}

// Fresh refuses a token that was made too long ago. Reason: PAGE_TOKEN_INVALID.
func Fresh(now, made time.Time) error {
	if now.Sub(made) <= TokenLife {
		return nil
	}
	return fault.Invalid("page_token", "PAGE_TOKEN_INVALID", "This page token was made on %s, and page tokens are good for %d days. Repeat the first request without a token.",
		made.UTC().Format(time.DateOnly), int(TokenLife.Hours())/24)
}

// made says whether a hash of a token is ours, under any secret.
func (q Query) made(hash, payload []byte) bool {
	return slices.ContainsFunc(q.secrets, func(secret []byte) bool { return hmac.Equal(hash, q.mac(secret, payload)) })
}

// Page reads one page: "SELECT columns FROM from" with the query's conditions, order and limit. It returns the token of the
// next page, empty when this is the last one.
func Page[T any](
	ctx context.Context, tx *storage.Tx, q Query, columns, from string, scan func(storage.Scanner) (T, error),
) (items []T, next string, err error) {
	if len(q.order) == 0 {
		return nil, "", errors.New("the query was not made by Parse")
	}
	statement, args := q.sql(tx.Engine(), columns, from)
	var last []any
	rows, err := storage.Collect(ctx, tx, func(row storage.Scanner) (T, error) {
		s := &sortScanner{row: row, order: q.order}
		item, err := scan(s)
		if len(items) < q.size {
			last = s.values()
			items = append(items, item)
		}
		return item, err
	}, statement, args...)
	if err != nil {
		return nil, "", err
	}
	if len(rows) > q.size {
		next, err = q.seal(last)
	}
	return items, next, err
}

// sortScanner reads the sort values that stand behind the caller's columns.
type sortScanner struct {
	row   storage.Scanner
	order []sortKey
	texts []string
	ints  []int64
}

// Scan reads the caller's columns.
func (s *sortScanner) Scan(dest ...any) error {
	s.texts, s.ints = make([]string, len(s.order)), make([]int64, len(s.order))
	for i, key := range s.order {
		if key.text {
			dest = append(dest, &s.texts[i])
		} else {
			dest = append(dest, &s.ints[i])
		}
	}
	return s.row.Scan(dest...)
}

func (s *sortScanner) values() []any {
	values := make([]any, len(s.order))
	for i, key := range s.order {
		if key.text {
			values[i] = s.texts[i]
		} else {
			values[i] = s.ints[i]
		}
	}
	return values
}
