package water_test

import (
	"fmt"
	"math"

	"coldsection.example/services/consumables/internal/water"
)

// Cold water conducts less: what a meter without compensation shows at 15 °C is referred to 25 °C before it is judged (EN 27888, linear form).
func ExampleJudge() {
	grade := water.Grade{ConductivityMax: 10, Source: "invented for this example"}
	nan := math.NaN()
	checks, _, passed, err := water.Judge(grade, water.Reading{Conductivity: 8.5, Temperature: 15, PH: nan, Silica: nan, Solids: nan})
	for _, c := range checks {
		fmt.Println(c.Explanation)
	}
	fmt.Println(passed, err)
	// Output:
	// 8.5 / (1 + 0.02 × (15 − 25)) = 10.6 at 25 °C
	// false <nil>
}
