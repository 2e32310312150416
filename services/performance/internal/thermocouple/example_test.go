package thermocouple_test

import (
	"fmt"

	"coldsection.example/services/performance/internal/thermocouple"
)

// NIST Monograph 175 has 29.129 mV for type K at 700 °C.
func ExampleEMF() {
	millivolts, err := thermocouple.EMF(700)
	fmt.Printf("%.3f mV, %v\n", millivolts, err)
	back, err := thermocouple.Temperature(29.129)
	fmt.Printf("%.0f °C, %v\n", back, err)
	// Output:
	// 29.129 mV, <nil>
	// 700 °C, <nil>
}
