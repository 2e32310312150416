package economy_test

import (
	"fmt"

	"coldsection.example/services/performance/internal/economy"
)

// Where the loss grows straight, the interval that costs least is sqrt(2 K / s): sqrt(2 · 400 / 0.02) = 200 h.
func ExampleBest() {
	plan, err := economy.Best(economy.Loss{Slope: 0.02}, economy.Wash{Cost: 400})
	fmt.Printf("%.0f h, %v\n", plan.Hours, err)
	// Output: 200 h, <nil>
}
