// Package postings keeps what an accounting system books of the facts, and what it said of each.
//
// It follows the change feed with a place of its own and makes a posting of every fact that is booked, in the transaction that
// moves the place on: none is missed and none is there twice. What was said once stays in the history; a correction is added.
package postings

import (
	"context"
	"encoding/json"
	"errors"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/timestamppb"

	"coldsection.example/gateway/internal/feed"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	commonv1 "coldsection.example/proto/coldsection/common/v1"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/facts"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// Booked are the types of the facts that an accounting system books.
var Booked = []string{
	"coldsection.stock.lot.received.v1", "coldsection.stock.issued.v1", "coldsection.stock.returned.v1", "coldsection.stock.consumed.v1",
	"coldsection.stock.decanted.v1", "coldsection.stock.blended.v1", "coldsection.stock.moved.v1", "coldsection.stock.counted.v1",
	"coldsection.stock.reversed.v1", "coldsection.stock.disposed.v1", "coldsection.workorder.labour.recorded.v1",
	superseded, "coldsection.workorder.released.v1",
}

// Table keeps the postings.
var Table = resource.NewTable[*accessv1.Posting]("postings", "sequence",
	"state", "event_type", "event_date", "subject", "item", "work_order", "sequence")

// batch is how many facts are taken at once.
const batch = 500

// Store keeps postings.
type Store struct {
	DB    *storage.DB
	Clock clock.Clock
	IDs   ids.Source
	Feed  feed.Source
}

// CatchUp makes postings of all facts so far and returns the place in the feed.
func (s *Store) CatchUp(ctx context.Context) (place uint64, err error) {
	for {
		at, err := s.place(ctx)
		if err != nil {
			return 0, err
		}
		query := eventbus.FeedQuery{After: at, Oldest: at == 0, Types: Booked, Limit: batch}
		found, next, err := s.Feed.Feed(ctx, query)
		if f, ok := fault.As(err); ok && f.Category == fault.OutOfRange { // of a stream before this one; what was taken of it is known by its id
			query.Oldest = true
			found, next, err = s.Feed.Feed(ctx, query)
		}
		if err != nil || next == at {
			return at, err
		}
		if err := s.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error { return s.keep(ctx, tx, at, found, next) }); err != nil {
			return 0, err
		}
	}
}

func (s *Store) place(ctx context.Context) (at uint64, err error) {
	err = s.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		at, err = Place(ctx, tx)
		return err
	})
	return at, err
}

// Place is how far the feed was taken: what the same transaction counts is of the facts up to there, and of no other.
func Place(ctx context.Context, tx *storage.Tx) (uint64, error) {
	var at int64
	err := tx.QueryRow(ctx, "SELECT sequence FROM posting_place WHERE id = 'feed'").Scan(&at)
	if errors.Is(err, storage.ErrNoRows) {
		err = nil
	}
	return uint64(max(at, 0)), err
}

// Read is a posting that the reader may see; another one is as if it were not there. Reason: NOT_FOUND.
func Read(ctx context.Context, db *storage.DB, reader facts.Reader, name string) (*accessv1.Posting, error) {
	p, err := Table.Read(ctx, db, name)
	if err == nil && !reader.May(p.GetEventType()) {
		return nil, fault.Missing(name)
	}
	return p, err
}

// keep writes postings down and moves the place on, unless another instance did so meanwhile.
func (s *Store) keep(ctx context.Context, tx *storage.Tx, from uint64, found []eventbus.Message, next uint64) error {
	if _, err := tx.Exec(ctx, "INSERT INTO posting_place (id, sequence) VALUES ('feed', 0) ON CONFLICT (id) DO NOTHING"); err != nil {
		return err
	}
	moved, err := tx.Exec(ctx, "UPDATE posting_place SET sequence = $1 WHERE id = 'feed' AND sequence = $2", int64(next), int64(from))
	if err != nil || moved == 0 {
		return err
	}
	for _, m := range found {
		p, err := postingOf(m)
		if err != nil {
			return err
		}
		if err := Table.Insert(ctx, tx, p, s.Clock.Now()); err != nil && !fault.HasReason(err, "ALREADY_EXISTS") {
			return err // a fact that the stream has twice is one posting
		}
	}
	return nil
}

// payload is what the facts that are booked have in common; each has some of it.
type payload struct {
	Item      string `json:"item"`
	WorkOrder string `json:"workOrder"`
	Quantity  struct {
		Value    string `json:"value"`
		UnitCode string `json:"unitCode"`
	} `json:"quantity"`
	LabourEntry struct {
		WorkedSeconds int64 `json:"workedSeconds,string"`
	} `json:"labourEntry"`
	ChangedSeconds int64 `json:"changedSeconds,string"`
}

// worked is by how many seconds a fact changes the time worked; of a correction that is the difference to what was booked before.
func (p payload) worked(typ string) int64 {
	if typ == superseded {
		return p.ChangedSeconds
	}
	return p.LabourEntry.WorkedSeconds
}

const superseded = "coldsection.workorder.labour.superseded.v1"

// postingOf is the posting of a fact.
func postingOf(m eventbus.Message) (*accessv1.Posting, error) {
	var data payload
	if err := json.Unmarshal(m.Data, &data); err != nil {
		return nil, err
	}
	p := &accessv1.Posting{
		Name: "postings/" + m.ID, EventType: m.Type, Subject: m.Subject, Sequence: feed.Cursor(m.Sequence), EventTime: timestamppb.New(m.Time),
		EventDate: &date.Date{Year: int32(m.Time.UTC().Year()), Month: int32(m.Time.UTC().Month()), Day: int32(m.Time.UTC().Day())},
		Item:      data.Item, WorkOrder: data.WorkOrder, WorkedSeconds: data.worked(m.Type), State: accessv1.Posting_WAITING,
	}
	if data.Quantity.Value != "" {
		p.Quantity = &commonv1.Quantity{Value: data.Quantity.Value, UnitCode: data.Quantity.UnitCode}
	}
	return p, nil
}
