package fault_test

import (
	"fmt"

	"coldsection.example/services/platform/fault"
)

// A refusal names the thing, the rule and the next move; its reason is for programs and stays for ever.
func ExamplePrecondition() {
	err := fault.Precondition("LOT_NOT_USABLE", "Lot %s is held; only usable lots are issued. Inspect it, or choose another.", "C-114").
		With("lot", "C-114")
	refusal, _ := fault.As(fmt.Errorf("issuing: %w", err))
	fmt.Println(refusal.Reason, refusal.Metadata["lot"])
	fmt.Println(refusal)
	// Output:
	// LOT_NOT_USABLE C-114
	// Lot C-114 is held; only usable lots are issued. Inspect it, or choose another.
}
