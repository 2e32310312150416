package operations_test

import (
	"context"
	"errors"
	"testing"

	"google.golang.org/protobuf/types/known/wrapperspb"

	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/operations"
	"coldsection.example/services/platform/storage"
)

// completing has an operation of a shop complete the lines that it kept, one call for each hundred, and counts them.
func (s *shop) completing(completed *int64) {
	s.after = func(ctx context.Context, tx *storage.Tx, step *operations.Step) (left bool, err error) {
		taken, _ := step.Result.(*wrapperspb.Int64Value)
		if _, err := tx.Exec(ctx, "DELETE FROM lines WHERE line < $1", 100+*completed); err != nil {
			return false, err
		}
		*completed += 100
		return *completed < taken.GetValue(), nil
	}
}

// An operation that is refused after some parts completes the rows of these before it fails: they are kept.
func TestAFailingOperationCompletesWhatItKept(t *testing.T) {
	shops(t, func(t *testing.T, db *storage.DB) {
		s := newShop(t, db)
		var completed int64
		s.completing(&completed)
		op := s.start(1200)
		s.once()
		s.work = fault.Precondition("ENGINE_UNKNOWN", "No such engine. Add it.")
		if _, err := s.ops.Once(t.Context()); err == nil {
			t.Error("the refusal is silent")
		}
		got, m := s.see(as(t, "anna"), op.GetName())
		if m.GetState() != operationsv1.OperationMetadata_FAILED || m.GetDoneCount() != 500 || got.GetError() == nil {
			t.Errorf("%v", got)
		}
		if completed != 500 || s.kept() != 0 {
			t.Errorf("%d lines are completed, %d are not", completed, s.kept())
		}
	})
}

// One that can't complete fails all the same, and one that kept nothing has nothing to complete.
func TestAFailingOperationEndsThoughItCannotComplete(t *testing.T) {
	shops(t, func(t *testing.T, db *storage.DB) {
		for _, parts := range []int{0, 1} {
			s := newShop(t, db)
			called := 0
			s.after = func(context.Context, *storage.Tx, *operations.Step) (bool, error) {
				called++
				return false, errors.New("the disk coughed")
			}
			op := s.start(1200)
			for range parts {
				s.once()
			}
			s.work = fault.Precondition("ENGINE_UNKNOWN", "No such engine. Add it.")
			if _, err := s.ops.Once(t.Context()); err == nil {
				t.Error("the refusal is silent")
			}
			if _, m := s.see(as(t, "anna"), op.GetName()); m.GetState() != operationsv1.OperationMetadata_FAILED || called != parts {
				t.Errorf("after %d parts: completed %d times, %v", parts, called, m)
			}
		}
	})
}
