package rpc_test

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	_ "coldsection.example/proto/coldsection/access/v1"
	_ "coldsection.example/proto/coldsection/compliance/v1"
	_ "coldsection.example/proto/coldsection/operations/v1"
	_ "coldsection.example/proto/coldsection/performance/v1"
	_ "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/rpc"
)

// Case A9: only methods that take a file or a long table have room for more than 4 MiB. A method that this test does not name has not, so that a new one is
// looked at before it takes more.
func TestOnlyFilesAndLongTablesMayBeLarge(t *testing.T) {
	want := []string{
		"compliance.v1.ExchangeService.BulkImportFleet", "compliance.v1.ExchangeService.ImportFleet", "consumables.v1.ConsumablesService.ImportStock",
		"performance.v1.PerformanceService.CreateEngineModel", "performance.v1.PerformanceService.ImportReadings", "performance.v1.PerformanceService.UpdateEngineModel",
		"performance.v1.ReadingsService.BulkImportReadings", "workorders.v1.WorkOrdersService.CreateAttachment",
	}
	var got []string
	protoregistry.GlobalFiles.RangeFiles(func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			service := file.Services().Get(i)
			for j := range service.Methods().Len() {
				m := service.Methods().Get(j)
				switch limit := rpc.Largest(m.Input()); {
				case limit == 20<<20:
					got = append(got, strings.TrimPrefix(string(m.FullName()), "coldsection."))
				case limit != 4<<20:
					t.Errorf("%s takes %d bytes", m.FullName(), limit)
				}
			}
		}
		return true
	})
	if slices.Sort(got); !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}
