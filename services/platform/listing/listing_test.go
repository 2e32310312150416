package listing_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"google.golang.org/protobuf/proto"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// schema is a small collection with a column of every kind.
var schema = func() storage.Migrations {
	const body = "-- +goose Up\nCREATE TABLE boxes (id TEXT PRIMARY KEY, label TEXT NOT NULL, state TEXT NOT NULL, size BIGINT NOT NULL," +
		" sealed BIGINT NOT NULL, use_by TEXT NOT NULL, created BIGINT NOT NULL);\n"
	files := func(text string) fstest.MapFS { return fstest.MapFS{"0001_boxes.sql": {Data: []byte(text)}} }
	return storage.Migrations{
		SQLite: files(strings.NewReplacer("BIGINT", "INTEGER", ");\n", ") STRICT;\n").Replace(body)), Postgres: files(body),
	}
}()

var boxes = listing.Collection{
	Key: "id",
	Fields: listing.Fields{
		"label": {Column: "label"}, "state": {Column: "state", Kind: listing.Enum, Values: []string{"OPEN", "SHUT"}},
		"size": {Column: "size", Kind: listing.Int}, "sealed": {Column: "sealed", Kind: listing.Bool},
		"use_by_date": {Column: "use_by", Kind: listing.Date}, "create_time": {Column: "created", Kind: listing.Time},
	},
}

var day = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)

// fill adds boxes b00, b01, … whose properties follow from their number.
func fill(t *testing.T, db *storage.DB, from, to int) {
	t.Helper()
	err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		for i := from; i < to; i++ {
			label := []string{"alpha", "Beta_1", "gamma 100%", ""}[i%4]
			state := []string{"OPEN", "SHUT"}[i%2]
			at := day.Add(time.Duration(i/3) * time.Hour)
			if _, err := tx.Exec(ctx, "INSERT INTO boxes VALUES ($1, $2, $3, $4, $5, $6, $7)", fmt.Sprintf("b%02d", i), label, state,
				int64(i%5), int64(i%3/2), at.AddDate(0, 0, i).Format(time.DateOnly), storage.Micros(at)); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

type request = consumablesv1.ListLotsRequest

// page reads one page of box ids.
func page(ctx context.Context, db *storage.DB, c listing.Collection, req *request) (ids []string, next string, err error) {
	q, err := listing.New([]byte("secret")).Parse(ctx, req, c)
	if err != nil {
		return nil, "", err
	}
	err = db.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		ids, next, err = listing.Page(ctx, tx, q, "id", "boxes", func(row storage.Scanner) (id string, err error) {
			err = row.Scan(&id)
			return id, err
		})
		return err
	})
	return ids, next, err
}

// walk reads every page.
func walk(t *testing.T, db *storage.DB, c listing.Collection, req *request) []string {
	t.Helper()
	var all []string
	for req = proto.CloneOf(req); ; {
		ids, next, err := page(t.Context(), db, c, req)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, ids...)
		if next == "" {
			return all
		}
		req.PageToken = next
	}
}

func TestEveryPageSizeWalksTheSameRows(t *testing.T) {
	storagetest.Engines(t, schema, func(t *testing.T, db *storage.DB) {
		fill(t, db, 0, 60)
		for _, order := range []string{"", "size", "label desc, size", "create_time desc, label", "useByDate desc", "state, sealed desc"} {
			want := walk(t, db, boxes, &request{OrderBy: order})
			if unique := slices.Compact(slices.Sorted(slices.Values(want))); len(want) != 60 || len(unique) != 60 {
				t.Errorf("order %q: %d rows, %d different ones", order, len(want), len(unique))
			}
			for _, size := range []int32{1, 7, 60, 1000, 1_000_000} {
				if got := walk(t, db, boxes, &request{OrderBy: order, PageSize: size}); !slices.Equal(got, want) {
					t.Errorf("order %q in pages of %d: %v, want %v", order, size, got, want)
				}
			}
		}
	})
}

func TestOrderIsByBytesOnBothEngines(t *testing.T) {
	storagetest.Engines(t, schema, func(t *testing.T, db *storage.DB) {
		fill(t, db, 0, 4)
		got := walk(t, db, boxes, &request{OrderBy: "label"})
		if want := []string{"b03", "b01", "b00", "b02"}; !slices.Equal(got, want) {
			t.Errorf("got %v, want %v: capital letters before small ones", got, want)
		}
	})
}

func TestRowsAddedMeanwhileDisturbNoPage(t *testing.T) {
	storagetest.Engines(t, schema, func(t *testing.T, db *storage.DB) {
		fill(t, db, 10, 20)
		first, token, err := page(t.Context(), db, boxes, &request{PageSize: 5})
		if err != nil {
			t.Fatal(err)
		}
		fill(t, db, 0, 10)
		rest := walk(t, db, boxes, &request{PageSize: 5, PageToken: token})
		if got := slices.Concat(first, rest); len(got) != 10 || len(slices.Compact(slices.Sorted(slices.Values(got)))) != 10 {
			t.Errorf("rows before the page moved it: %v", got)
		}
	})
}

func TestDefaultSizeAndOrder(t *testing.T) {
	db := storagetest.SQLite(t, schema)
	fill(t, db, 0, 60)
	c := boxes
	c.Order = "create_time desc"
	ids, next, err := page(t.Context(), db, c, &request{})
	if err != nil || len(ids) != listing.DefaultSize || next == "" || ids[0] != "b59" {
		t.Errorf("%d rows from %v, next %q, error %v", len(ids), ids[:1], next, err)
	}
}

func TestScope(t *testing.T) {
	storagetest.Engines(t, schema, func(t *testing.T, db *storage.DB) {
		fill(t, db, 0, 12)
		c := boxes
		c.Scope, c.ScopeArgs = "state = $1 OR size = $2", []any{"SHUT", int64(0)}
		got := walk(t, db, c, &request{Filter: "sealed = true", PageSize: 1})
		if want := []string{"b05", "b11"}; !slices.Equal(got, want) {
			t.Errorf("got %v, want %v", got, want)
		}
	})
}

func TestRefusals(t *testing.T) {
	db := storagetest.SQLite(t, schema)
	fill(t, db, 0, 60)
	_, token, err := page(t.Context(), db, boxes, &request{PageSize: 3, Filter: "size < 4"})
	if err != nil {
		t.Fatal(err)
	}
	other := auth.NewContext(t.Context(), auth.Identity{Account: "accounts/other"})
	forged := "A" + token[1:]
	if forged == token {
		forged = "B" + token[1:]
	}
	for name, c := range map[string]struct {
		ctx    context.Context
		req    *request
		reason string
	}{
		"negative size":  {t.Context(), &request{PageSize: -1}, "PAGE_SIZE_INVALID"},
		"other filter":   {t.Context(), &request{PageToken: token, Filter: "size < 3"}, "PAGE_TOKEN_INVALID"},
		"other order":    {t.Context(), &request{PageToken: token, Filter: "size < 4", OrderBy: "size"}, "PAGE_TOKEN_INVALID"},
		"other caller":   {other, &request{PageToken: token, Filter: "size < 4"}, "PAGE_TOKEN_INVALID"},
		"forged token":   {t.Context(), &request{PageToken: forged, Filter: "size < 4"}, "PAGE_TOKEN_INVALID"},
		"no token":       {t.Context(), &request{PageToken: "x"}, "PAGE_TOKEN_INVALID"},
		"unknown order":  {t.Context(), &request{OrderBy: "colour"}, "ORDER_BY_INVALID"},
		"order up":       {t.Context(), &request{OrderBy: "size up"}, "ORDER_BY_INVALID"},
		"trailing comma": {t.Context(), &request{OrderBy: "size,"}, "ORDER_BY_INVALID"},
		"order as SQL":   {t.Context(), &request{OrderBy: "size; DROP TABLE boxes"}, "ORDER_BY_INVALID"},
	} {
		if _, _, err := page(c.ctx, db, boxes, c.req); !fault.HasReason(err, c.reason) {
			t.Errorf("%s: got %v, want %s", name, err, c.reason)
		}
	}
	if _, _, err := page(t.Context(), db, boxes, &request{PageSize: 9, PageToken: token, Filter: "size < 4"}); err != nil {
		t.Errorf("another page size is allowed between pages: %v", err)
	}
}

// A page token of one list says nothing about another, also where both requests are the same bytes: its rows would begin in the middle.
func TestATokenIsOfOneList(t *testing.T) {
	db := storagetest.SQLite(t, schema)
	fill(t, db, 0, 9)
	_, token, err := page(t.Context(), db, boxes, &request{PageSize: 3})
	if err != nil || token == "" {
		t.Fatalf("%q, %v", token, err)
	}
	l := listing.New([]byte("secret"))
	if _, err := l.Parse(t.Context(), &consumablesv1.ListItemsRequest{PageToken: token}, boxes); !fault.HasReason(err, "PAGE_TOKEN_INVALID") {
		t.Errorf("at another list: %v, want PAGE_TOKEN_INVALID", err)
	}
	if _, err := l.Parse(t.Context(), &request{PageToken: token}, boxes); err != nil {
		t.Errorf("at its own list: %v", err)
	}
}
