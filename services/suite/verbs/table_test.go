package verbs_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/suite/verbs"
)

// shown is a resource as the command line's table shows it: heading to cell, of cells without double spaces.
func shown(t *testing.T, m proto.Message) map[string]string {
	t.Helper()
	var out strings.Builder
	rows := verbs.NewRows("table", &out, nil)
	if err := rows.Write(m.ProtoReflect()); err != nil {
		t.Fatal(err)
	}
	if err := rows.Close(); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimRight(out.String(), "\n"), "\n")
	if len(lines) != 2 {
		t.Fatalf("%q", out.String())
	}
	cells := map[string]string{}
	for at := 0; at < len(lines[0]); {
		end := at + strings.Index(lines[0][at:]+"  ", "  ")
		heading := lines[0][at:end]
		for end < len(lines[0]) && lines[0][end] == ' ' {
			end++
		}
		cells[heading] = strings.TrimSpace(lines[1][min(at, len(lines[1])):min(end, len(lines[1]))])
		if end >= len(lines[0]) {
			cells[heading] = strings.TrimSpace(lines[1][min(at, len(lines[1])):])
		}
		at = end
	}
	return cells
}

// The list of lots shows when each ends, not the day on its label: an opened container ends before that, and who reads the list takes the one for
// the other.
func TestTheListOfLotsShowsTheirEnd(t *testing.T) {
	end := time.Date(2027, 4, 19, 21, 59, 59, 0, time.UTC)
	got := shown(t, &consumablesv1.Lot{
		Name: "lots/l1", State: consumablesv1.Lot_USABLE, UseByDate: &date.Date{Year: 2027, Month: 12, Day: 31}, ExpireTime: timestamppb.New(end),
	})
	if got["EXPIRE TIME"] != "2027-04-19T21:59:59Z" || got["USE BY DATE"] != "" || got["STATE"] != "USABLE" {
		t.Errorf("%q", got)
	}
}

// The list of demands shows what is missing, and how much of that is waited for.
func TestTheListOfDemandsShowsWhatIsMissing(t *testing.T) {
	litres := func(value string) *commonv1.Quantity { return &commonv1.Quantity{Value: value, UnitCode: "L"} }
	got := shown(t, &consumablesv1.StockDemand{
		Item: "items/cleaner", WorkOrder: "workOrders/w1", Needed: litres("5"), Reserved: litres("1"), Issued: litres("0.5"), Shortfall: litres("3.5"), Waiting: litres("2"),
		State: consumablesv1.StockDemand_OPEN,
	})
	for heading, want := range map[string]string{"NEEDED": "5 L", "RESERVED": "1 L", "ISSUED": "0.5 L", "SHORTFALL": "3.5 L", "WAITING": "2 L", "STATE": "OPEN"} {
		if got[heading] != want {
			t.Errorf("%s is %q, want %q: %q", heading, got[heading], want, got)
		}
	}
}
