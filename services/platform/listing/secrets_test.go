package listing_test

import (
	"testing"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/listing"
)

// A token made under a secret that is being replaced is good as long as that one is there.
func TestTokensOutliveASecretThatIsBeingReplaced(t *testing.T) {
	secrets := [][]byte{[]byte("old")}
	l := listing.From(func() [][]byte { return secrets })
	all := []string{"a", "b", "c"}
	name := func(s string) string { return s }
	first, token, err := listing.Slice(t.Context(), l, &consumablesv1.ListWaterGradesRequest{PageSize: 1}, all, name)
	if err != nil || len(first) != 1 || token == "" {
		t.Fatalf("got %v, %q, %v", first, token, err)
	}
	for _, c := range []struct {
		secrets []string
		good    bool
	}{{[]string{"old", "new"}, true}, {[]string{"new", "old"}, true}, {[]string{"new"}, false}} {
		secrets = nil
		for _, s := range c.secrets {
			secrets = append(secrets, []byte(s))
		}
		if _, _, err := listing.Slice(t.Context(), l, &consumablesv1.ListWaterGradesRequest{PageSize: 1, PageToken: token}, all, name); (err == nil) != c.good ||
			!c.good && !fault.HasReason(err, "PAGE_TOKEN_INVALID") {
			t.Errorf("with %v: %v", c.secrets, err)
		}
	}
}
