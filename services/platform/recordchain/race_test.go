package recordchain_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"

	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// Entries that are made at the same moment wait for each other: none is refused, and the chain has each one in its own place.
func TestEntriesAtOnceMakeOneChain(t *testing.T) {
	storagetest.Engines(t, none, func(t *testing.T, db *storage.DB) {
		const people, each = 8, 5
		var wait sync.WaitGroup
		errs := make([]error, people)
		for i := range people {
			wait.Go(func() {
				for n := range each {
					errs[i] = errors.Join(errs[i], db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
						_, _, err := recordchain.Append(ctx, tx, entry("signatures", "signed", fmt.Sprintf("%d by %d", n, i)))
						return err
					}))
				}
			})
		}
		wait.Wait()
		if err := errors.Join(errs...); err != nil {
			t.Error(err)
		}
		if bad := verify(t, db, "signatures"); bad != 0 {
			t.Errorf("the chain does not verify at entry %d", bad)
		}
		if position, _ := keep(t, db, entry("signatures", "signed", "last")); position != people*each+1 {
			t.Errorf("the last entry has the position %d", position)
		}
	})
}
