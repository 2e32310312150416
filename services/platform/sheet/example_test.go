package sheet_test

import (
	"fmt"
	"strings"

	"coldsection.example/services/platform/quantity"
	"coldsection.example/services/platform/sheet"
)

// The unit stands in the column's name. A bad cell costs its row and says why; it never costs the table.
func ExampleTable_Bind() {
	table, err := sheet.Read([]byte("serial,oat_f\nDEMO-1,59\nDEMO-2,warm\n"), sheet.CSV, sheet.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	bound, err := table.Bind(
		sheet.Want{Name: "serial", Required: true},
		sheet.Want{Name: "oat", Kind: sheet.Amount, Dimension: quantity.Temperature},
	)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, r := range bound.Records {
		fmt.Println(r.Get("serial").Text, r.Get("oat").Text, r.Get("oat").Unit)
	}
	for _, p := range bound.Problems {
		fmt.Println(p.Line, p.Column, p.Reason)
	}
	// Output:
	// DEMO-1 59 [degF]
	// 3 oat_f VALUE_NOT_A_NUMBER
}

// A text that a spreadsheet would take for a formula is defused in CSV.
func ExampleNewWriter() {
	var file strings.Builder
	w, err := sheet.NewWriter(&file, sheet.CSV, []sheet.Column{{Name: "batch"}, {Name: "received", Kind: sheet.Amount, Unit: "L"}})
	if err == nil {
		err = w.Write("=1+1", "20")
	}
	if err == nil {
		err = w.Close()
	}
	fmt.Printf("%q %v\n", file.String(), err)
	// Output: "batch,received_l\r\n'=1+1,20\r\n" <nil>
}
