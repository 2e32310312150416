package fault_test

import (
	"errors"
	"fmt"
	"maps"
	"testing"

	"coldsection.example/services/platform/fault"
)

func TestWithLeavesTheOriginalAlone(t *testing.T) {
	base := fault.Precondition("LOT_EXPIRED", "Lot %s expired.", "lots/a")
	more := base.With("lot", "lots/a").With("use_by", "2026-10-31")
	if len(base.Metadata) != 0 || len(more.Metadata) != 2 || more.Metadata["lot"] != "lots/a" {
		t.Errorf("base %v, more %v", base.Metadata, more.Metadata)
	}
	if base.Error() != "Lot lots/a expired." || base.Category != fault.FailedPrecondition {
		t.Errorf("got %+v", base)
	}
}

func TestReasonIsFoundThroughWrapping(t *testing.T) {
	cause := errors.New("disk full")
	err := fmt.Errorf("saving: %w", fault.New(fault.Unavailable, "STORE_UNAVAILABLE", "Try again.").Because(cause))
	if !fault.HasReason(err, "STORE_UNAVAILABLE") || fault.HasReason(err, "OTHER") || !errors.Is(err, cause) {
		t.Errorf("got %v", err)
	}
	if _, ok := fault.As(cause); ok {
		t.Error("a plain error is not a refusal")
	}
}

func TestARefusalIsDecidedAndAFailureIsNot(t *testing.T) {
	for _, err := range []error{
		errors.New("disk full"), fault.New(fault.Unavailable, "A_B", "x"), fault.New(fault.DeadlineExceeded, "A_B", "x"),
		fault.New(fault.Canceled, "A_B", "x"), fmt.Errorf("asking: %w", fault.New(fault.Internal, "A_B", "x")),
	} {
		if !fault.Undecided(err) {
			t.Errorf("%v judges the request", err)
		}
	}
	for _, err := range []error{nil, fault.Missing("lots/x"), fmt.Errorf("asking: %w", fault.Precondition("A_B", "x"))} {
		if fault.Undecided(err) {
			t.Errorf("%v does not judge the request", err)
		}
	}
}

func TestInvalidNamesTheField(t *testing.T) {
	err := fault.Invalid("quantity.value", "QUANTITY_NOT_POSITIVE", "The quantity is %s. Give more than zero.", "-5 L")
	if len(err.Violations) != 1 || err.Violations[0].Field != "quantity.value" || err.Violations[0].Description != err.Message {
		t.Errorf("got %+v", err.Violations)
	}
}

func TestConstructorsCarryTheResource(t *testing.T) {
	for _, c := range []struct {
		err      *fault.Error
		category fault.Category
		reason   string
	}{
		{fault.Missing("lots/x"), fault.NotFound, "NOT_FOUND"},
		{fault.Exists("lots/x"), fault.AlreadyExists, "ALREADY_EXISTS"},
		{fault.StaleEtag("lots/x"), fault.Aborted, "ETAG_MISMATCH"},
	} {
		if c.err.Category != c.category || c.err.Reason != c.reason || c.err.Metadata["resource"] != "lots/x" {
			t.Errorf("got %+v", c.err)
		}
	}
	if d := fault.Denied("ROLE_MISSING", "no"); d.Category != fault.PermissionDenied {
		t.Errorf("got %+v", d)
	}
}

// A program reads every value of the sentence in the facts, under a name where it has one.
func TestFactsHaveWhatTheSentenceSays(t *testing.T) {
	err := fault.Precondition("STOCK_SHORT", "%q has %.1f L of 100 %% left, %d are asked for by %s.", "lots/a", 2.04, 3, "workOrders/b").With("lot", "lots/a")
	if got, want := err.Facts(), map[string]string{"lot": "lots/a", "said_1": "2.0", "said_2": "3", "said_3": "workOrders/b", "said_4": "100"}; !maps.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	if len(err.Metadata) != 1 {
		t.Errorf("the metadata became %v", err.Metadata)
	}
	why := `Lot lots/a is usable until 2026-09-08 21:59Z, says "the \"old\" label"; 19.6 L and lots/a are left.`
	want := map[string]string{"said_1": "lots/a", "said_2": "2026-09-08 21:59Z", "said_3": `the "old" label`, "said_4": "19.6"}
	if got := fault.Precondition("LOT_EXPIRED", "%s", why).Facts(); !maps.Equal(got, want) {
		t.Errorf("a sentence made elsewhere: got %v, want %v", got, want)
	}
	for _, nothing := range []*fault.Error{fault.New(fault.Internal, "A_B", "%s", "A sentence."), fault.New(fault.Internal, "A_B", "Nothing to say%s.", "")} {
		if got := nothing.Facts(); len(got) != 0 {
			t.Errorf("%v of %q", got, nothing.Message)
		}
	}
}
