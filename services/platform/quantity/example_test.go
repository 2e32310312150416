package quantity_test

import (
	"fmt"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
)

// A gallon is 231 cubic inches exactly (NIST Handbook 44, Appendix C), so its conversion has no rounding to hide.
func ExampleQuantity_Convert() {
	can := quantity.MustParse("5", "[gal_us]")
	litres, err := can.Convert(quantity.MustLookup("L"))
	fmt.Println(litres, err)
	// Output: 18.92705892 L <nil>
}

func ExampleQuantity_Add() {
	poured := quantity.MustParse("0.3", "L")
	sum, err := poured.Add(quantity.MustParse("250", "mL"))
	fmt.Println(sum, err)
	_, err = poured.Add(quantity.MustParse("1", "kg"))
	fmt.Println(fault.HasReason(err, "UNIT_MISMATCH"))
	// Output:
	// 0.55 L <nil>
	// true
}

// What a person typed with a comma that could group thousands is not guessed at.
func ExampleTyped() {
	comma, err := quantity.Typed("20,5", "L")
	fmt.Println(comma, err)
	_, err = quantity.Typed("1,234", "L")
	fmt.Println(fault.HasReason(err, "VALUE_AMBIGUOUS"))
	// Output:
	// 20.5 L <nil>
	// true
}
