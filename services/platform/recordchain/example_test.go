package recordchain_test

import (
	"bytes"
	"fmt"

	"coldsection.example/services/platform/recordchain"
)

// Fields carry their length, so no two different entries have the same bytes.
func ExampleCanonical() {
	one := recordchain.Canonical([]recordchain.Field{{Name: "step", Value: "rinse"}, {Name: "by", Value: "12"}})
	other := recordchain.Canonical([]recordchain.Field{{Name: "step", Value: "rinseby"}, {Name: "", Value: "12"}})
	fmt.Println(bytes.Equal(one, other))
	// Output: false
}
