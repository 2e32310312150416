package stock_test

import (
	"fmt"

	"coldsection.example/services/consumables/internal/stock"
)

// The last letter of a typed code catches every single wrong letter and every swap of neighbours.
func ExampleReadShortCode() {
	code := stock.ShortCode(4711)
	_, err := stock.ReadShortCode(code)
	fmt.Println(code, err)
	swapped := code[:4] + code[5:6] + code[4:5] + code[6:]
	fmt.Println(stock.ShortCodeValid(swapped))
	// Output:
	// 2227KFG <nil>
	// false
}
