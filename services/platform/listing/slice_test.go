package listing_test

import (
	"slices"
	"testing"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/listing"
)

func TestAListThatTheProgramCarriesIsPagedAsOthersAre(t *testing.T) {
	l, all := listing.New([]byte("s")), []string{"c", "a", "b", "e", "d"}
	name := func(s string) string { return s }
	for size := range int32(7) {
		var got []string
		token := ""
		for range 9 {
			req := &consumablesv1.ListWaterGradesRequest{PageSize: size, PageToken: token}
			page, next, err := listing.Slice(t.Context(), l, req, all, name)
			if err != nil || size > 0 && len(page) > int(size) {
				t.Fatalf("pages of %d: %v, %v", size, page, err)
			}
			got, token = append(got, page...), next
			if token == "" {
				break
			}
		}
		if !slices.Equal(got, all) {
			t.Errorf("pages of %d give %v, want %v", size, got, all)
		}
	}
	for reason, req := range map[string]*consumablesv1.ListWaterGradesRequest{
		"PAGE_SIZE_INVALID": {PageSize: -1}, "PAGE_TOKEN_INVALID": {PageToken: "bm9uZQ"}, "FILTER_INVALID": {Filter: "name = x"},
		"ORDER_BY_INVALID": {OrderBy: "name"},
	} {
		if _, _, err := listing.Slice(t.Context(), l, req, all, name); !fault.HasReason(err, reason) {
			t.Errorf("%v: %v, want %s", req, err, reason)
		}
	}
}
