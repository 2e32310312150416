package reorder_test

import (
	"fmt"

	"coldsection.example/services/consumables/internal/reorder"
)

// Two litres a day give or take one, nine days to arrive give or take two, and 95 of 100 cycles without a shortage.
func ExamplePoint() {
	z, err := reorder.Z(0.95)
	point, safety := reorder.Point(reorder.Demand{Mean: 2, Deviation: 1, Lead: 9, LeadSigma: 2}, z)
	fmt.Printf("order at %.1f L, %.1f of them for safety, %v\n", point, safety, err)
	// Output: order at 26.2 L, 8.2 of them for safety, <nil>
}
