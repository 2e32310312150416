package listing_test

import (
	"testing"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/listing"
)

// Whatever stands in a request to list, it is read or refused with one of the reasons that the contract names. No token that nobody made is
// good.
func FuzzParse(f *testing.F) {
	token := ""
	if q, err := listing.New([]byte("secret")).Parse(f.Context(), &request{}, boxes); err != nil {
		f.Fatal(q, err)
	}
	for filter := range filters {
		f.Add(filter, "size desc, label", token, int32(5))
	}
	for filter := range refusedFilters {
		f.Add(filter, "label desc asc", "AAAAAAAAAAAAAAAAAAAAAAAAAAAA", int32(-1))
	}
	f.Add("label = \xff", ",", "%%%", int32(1<<30))
	f.Add("a\u00a0= b", " , ", "=", int32(0))
	f.Fuzz(func(t *testing.T, filter, order, token string, size int32) {
		_, err := listing.New([]byte("secret")).Parse(t.Context(), &request{Filter: filter, OrderBy: order, PageToken: token, PageSize: size}, boxes)
		reason := ""
		if refusal, ok := fault.As(err); ok {
			reason = refusal.Reason
		} else if err != nil {
			t.Fatalf("%q %q %q: %v", filter, order, token, err)
		}
		switch reason {
		case "FILTER_INVALID", "ORDER_BY_INVALID", "PAGE_TOKEN_INVALID", "PAGE_SIZE_INVALID":
		case "":
			if token != "" {
				t.Errorf("the token %q is good", token)
			}
		default:
			t.Errorf("%q %q %q: %v", filter, order, token, err)
		}
	})
}
