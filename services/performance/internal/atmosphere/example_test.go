package atmosphere_test

import (
	"fmt"

	"coldsection.example/services/performance/internal/atmosphere"
)

// The U.S. Standard Atmosphere 1976 has 255.650 K and 54,019.9 Pa at 5,000 m of geopotential altitude (its table of altitudes, H).
func ExamplePressure() {
	kelvin, err := atmosphere.Temperature(5000)
	pascal, err2 := atmosphere.Pressure(5000)
	fmt.Printf("%.2f K, %.1f Pa, %v %v\n", kelvin, pascal, err, err2)
	// Output: 255.65 K, 54019.9 Pa, <nil> <nil>
}
