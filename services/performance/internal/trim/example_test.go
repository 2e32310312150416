package trim_test

import (
	"fmt"

	"coldsection.example/services/performance/internal/trim"
)

// A resistor across the harness only lowers what is indicated. Values are invented, for demonstration only.
func ExampleShift() {
	h := trim.Equal(8, 2, 700, 20)
	shift, err := trim.Shift(h, trim.Branch{Topology: trim.Across, Resistance: 40})
	fmt.Printf("%.1f °C, %v\n", shift, err)
	// Output: -4.2 °C, <nil>
}
