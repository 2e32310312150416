package civil_test

import (
	"fmt"

	"coldsection.example/services/compliance/internal/civil"
)

// A month after the last of January is the last of February; "calendar months" always end with their month.
func ExampleDate_AddMonths() {
	day := civil.Date{Year: 2027, Month: 1, Day: 31}
	fmt.Println(day.AddMonths(1), day.AddMonths(13))
	fmt.Println(civil.Date{Year: 2027, Month: 1, Day: 12}.EndOfMonth(1))
	// Output:
	// 2027-02-28 2028-02-29
	// 2027-02-28
}
