package gs1_test

import (
	"fmt"

	"coldsection.example/services/consumables/internal/gs1"
)

// The item number is that of an example in the GS1 General Specifications. \x1d ends the batch, which has no fixed length.
func ExampleParse() {
	m, err := gs1.Parse("]d2" + "0109506000134352" + "10A7\x1d" + "17270131")
	fmt.Println(m.Text(), err)
	fmt.Println(m.Value("10"))
	// Output:
	// (01)09506000134352(10)A7(17)270131 <nil>
	// A7
}

// A scanner that drops the separator makes one long batch of batch and date. Nobody believes it.
func ExampleMessage_Swallowed() {
	m, err := gs1.Parse("0109506000134352" + "10A7" + "17270131")
	ai, tail, found := m.Swallowed()
	fmt.Println(ai, tail, found, err)
	// Output: 10 (17)270131 true <nil>
}
