package auth_test

import (
	"bytes"
	"testing"

	"coldsection.example/services/platform/auth"
)

func TestSealedSecretsAreReadByTheirOwnersOnly(t *testing.T) {
	first, second := bytes.Repeat([]byte("a"), 32), bytes.Repeat([]byte("b"), 32)
	keys := func(secrets ...[]byte) *auth.Keys {
		k, err := auth.NewKeys(secrets...)
		if err != nil {
			t.Fatal(err)
		}
		return k
	}
	old := keys(first)
	sealed, err := old.Seal("webhooks", []byte("secret"))
	if err != nil || bytes.Contains(sealed, []byte("secret")) {
		t.Fatalf("%x, %v", sealed, err)
	}
	again, err := old.Seal("webhooks", []byte("secret"))
	if err != nil || bytes.Equal(again, sealed) {
		t.Errorf("the same secret sealed twice is the same: %v", err)
	}
	changed := bytes.Clone(sealed)
	changed[len(changed)-1] ^= 1
	for what, c := range map[string]struct {
		keys    *auth.Keys
		purpose string
		sealed  []byte
		opens   bool
	}{
		"its own key":             {old, "webhooks", sealed, true},
		"while it is replaced":    {keys(second, first), "webhooks", sealed, true},
		"after it was replaced":   {keys(second), "webhooks", sealed, false},
		"for another purpose":     {old, "totp", sealed, false},
		"one bit changed":         {old, "webhooks", changed, false},
		"nothing":                 {old, "webhooks", nil, false},
		"shorter than its header": {old, "webhooks", sealed[:5], false},
	} {
		plain, err := c.keys.Unseal(c.purpose, c.sealed)
		if (err == nil) != c.opens || c.opens && string(plain) != "secret" {
			t.Errorf("%s: %q, %v", what, plain, err)
		}
	}
}
