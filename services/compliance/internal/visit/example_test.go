package visit_test

import (
	"fmt"

	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/visit"
)

// What is due before the next visit is done on the last day on which none of it is late.
func ExamplePropose() {
	may := func(day int) civil.Date { return civil.Date{Year: 2026, Month: 5, Day: day} }
	p := visit.Propose([]visit.Item{{Name: "wash", Due: may(20)}, {Name: "inspection", Due: may(24)}, {Name: "overhaul", Due: civil.Date{Year: 2027, Month: 1, Day: 1}}},
		visit.Window{Earliest: may(4), Latest: may(28), Next: civil.Date{Year: 2026, Month: 8, Day: 1}})
	fmt.Println(p.Day, len(p.Items), p.GivenUp)
	// Output: 2026-05-20 2 4
}
