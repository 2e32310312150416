package listing_test

import (
	"strings"
	"testing"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/listing"
)

// A token made under a secret that is being replaced is good as long as that one is there.
func TestTokensOutliveASecretThatIsBeingReplaced(t *testing.T) {
	secrets := [][]byte{[]byte("old")}
	l := listing.From(clock.System(), func() [][]byte { return secrets })
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

// Case A14: a page token is good for seven days, and each page's token anew; after that the list is begun again. That a clock is set back ends none.
func TestAPageTokenGrowsOld(t *testing.T) {
	now := clock.NewFake(day)
	l := listing.From(now, func() [][]byte { return [][]byte{[]byte("secret")} })
	page := func(token string) (string, string, error) {
		items, next, err := listing.Slice(t.Context(), l, &consumablesv1.ListWaterGradesRequest{PageSize: 1, PageToken: token}, []string{"a", "b", "c"},
			func(s string) string { return s })
		return strings.Join(items, ","), next, err
	}
	_, first, err := page("")
	if err != nil {
		t.Fatal(err)
	}
	const life = 7 * 24 * time.Hour
	second := ""
	for _, c := range []struct {
		after time.Duration
		good  bool
	}{{-time.Hour, true}, {0, true}, {life - time.Second, true}, {life, true}, {life + time.Second, false}, {30 * 24 * time.Hour, false}} {
		now.Set(day.Add(c.after))
		items, next, err := page(first)
		f, _ := fault.As(err)
		switch {
		case c.good && (err != nil || items != "b"):
			t.Errorf("after %v: %q, %v", c.after, items, err)
		case c.good:
			second = next
		case f == nil || f.Reason != "PAGE_TOKEN_INVALID" || f.Violations[0].Field != "page_token" ||
			f.Message != "This page token was made on 2026-03-01, and page tokens are good for 7 days. Repeat the first request without a token.":
			t.Errorf("after %v: %q, %v", c.after, items, err)
		}
	}
	now.Set(day.Add(2 * life)) // the second page was asked for after the first life
	if items, _, err := page(second); err != nil || items != "c" {
		t.Errorf("the next page's token: %q, %v", items, err)
	}
}
