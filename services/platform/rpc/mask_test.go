package rpc_test

import (
	"testing"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

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
