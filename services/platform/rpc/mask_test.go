package rpc_test

import (
	"strings"
	"testing"

	"buf.build/go/protovalidate"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

// An update sends what it changes: what it leaves as it is may be missing, what it changes must be right.
func TestAnUpdateNeedNotSendWhatItLeaves(t *testing.T) {
	v, err := protovalidate.New()
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		station *workordersv1.Station
		mask    []string
		refused bool
	}{
		"a field by mask":             {&workordersv1.Station{Name: "stations/a", PowerSource: "battery"}, []string{"power_source"}, false},
		"a field without mask":        {&workordersv1.Station{Name: "stations/a", PowerSource: "battery"}, nil, false},
		"clearing what is needed":     {&workordersv1.Station{Name: "stations/a"}, []string{"display_name"}, true},
		"everything, some is missing": {&workordersv1.Station{Name: "stations/a", DisplayName: "A"}, []string{"*"}, true},
		"wrong below a changed field": {&workordersv1.Station{Name: "stations/a", Weather: &workordersv1.Weather{LowestExpectedC: 99}}, []string{"weather"}, true},
		"wrong without mask":          {&workordersv1.Station{Name: "stations/a", Weather: &workordersv1.Weather{LowestExpectedC: 99}}, nil, true},
	} {
		req := &workordersv1.UpdateStationRequest{Station: c.station, UpdateMask: &fieldmaskpb.FieldMask{Paths: c.mask}}
		if err := rpc.Validate(v, req); fault.HasReason(err, "FIELD_INVALID") != c.refused {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := rpc.Validate(v, &workordersv1.UpdateStationRequest{}); !fault.HasReason(err, "FIELD_INVALID") {
		t.Errorf("without a station: %v", err)
	}
	order := &workordersv1.UpdateWorkOrderRequest{WorkOrder: &workordersv1.WorkOrder{Name: "workOrders/a", Remarks: "x"}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"*"}}}
	if err := rpc.Validate(v, order); err != nil {
		t.Errorf("its engine never changes: %v", err)
	}
}

// Who reads a resource, changes one field and sends the whole back by a mask, sends along what older rules let in: an update that can't be sent keeps the
// old value for ever. What the mask names is checked, and so is which resource in which version is meant.
func TestAnUpdateIsCheckedForWhatItChanges(t *testing.T) {
	v, err := protovalidate.New()
	if err != nil {
		t.Fatal(err)
	}
	far := &date.Date{Year: 9999, Month: 12, Day: 31}
	item := func(change func(*consumablesv1.Item)) *consumablesv1.Item {
		i := &consumablesv1.Item{Name: "items/a", DisplayName: "A", Kind: consumablesv1.Item_CLEANER, BaseUnitCode: "L"}
		change(i)
		return i
	}
	for name, c := range map[string]struct {
		item   *consumablesv1.Item
		mask   string
		reason string
	}{
		"a day sent along":          {item(func(i *consumablesv1.Item) { i.SafetyDataSheetDate = far }), "display_name", ""},
		"a day that is changed":     {item(func(i *consumablesv1.Item) { i.SafetyDataSheetDate = far }), "safety_data_sheet_date", "DATE_INVALID"},
		"a day among the populated": {item(func(i *consumablesv1.Item) { i.SafetyDataSheetDate = far }), "", "DATE_INVALID"},
		"a day where all changes":   {item(func(i *consumablesv1.Item) { i.SafetyDataSheetDate = far }), "*", "DATE_INVALID"},
		"a blank text sent along":   {item(func(i *consumablesv1.Item) { i.PartNumber = "  " }), "display_name", ""},
		"a blank text in a list":    {item(func(i *consumablesv1.Item) { i.HazardStatements = []string{" "} }), "display_name", ""},
		"a blank text changed":      {item(func(i *consumablesv1.Item) { i.PartNumber = "  " }), "display_name,part_number", "TEXT_BLANK"},
		"a name that is none":       {item(func(i *consumablesv1.Item) { i.Name = "items/a\x00" }), "display_name", "TEXT_UNREADABLE"},
		"a version that is none":    {item(func(i *consumablesv1.Item) { i.Etag = " " }), "display_name", "TEXT_BLANK"},
	} {
		req := &consumablesv1.UpdateItemRequest{Item: c.item}
		if c.mask != "" {
			req.UpdateMask = &fieldmaskpb.FieldMask{Paths: strings.Split(c.mask, ",")}
		}
		if err := rpc.Validate(v, req); c.reason == "" && err != nil || c.reason != "" && !fault.HasReason(err, c.reason) {
			t.Errorf("%s: %v, want %q", name, err, c.reason)
		}
	}
	mask := &consumablesv1.UpdateItemRequest{Item: item(func(*consumablesv1.Item) {}), UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"display_name", " "}}}
	if err := rpc.Validate(v, mask); !fault.HasReason(err, "TEXT_BLANK") {
		t.Errorf("a blank path of the mask itself: %v", err)
	}
	create := &consumablesv1.CreateItemRequest{Item: item(func(i *consumablesv1.Item) { i.SafetyDataSheetDate = far })}
	if err := rpc.Validate(v, create); !fault.HasReason(err, "DATE_INVALID") {
		t.Errorf("a new one: %v", err)
	}
}
