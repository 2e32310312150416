package gateway_test

import (
	"bytes"
	"testing"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
)

// What is kept sealed can be read after the internal secret was replaced, once it was sealed anew while both were there; not otherwise.
func TestSealedSecretsOutliveTheInternalSecret(t *testing.T) {
	for name, reseal := range map[string]bool{"sealed anew": true, "left as they are": false} {
		w := newWorld(t)
		token := w.hire("tomas", "stores")
		factor, _ := w.enrol(token)
		hooks := accessv1.NewWebhooksServiceClient(w.conn)
		if _, err := hooks.CreateWebhookEndpoint(w.as(w.admin), &accessv1.CreateWebhookEndpointRequest{
			WebhookEndpointId: "erp", WebhookEndpoint: &accessv1.WebhookEndpoint{DisplayName: "ERP", Url: "http://127.0.0.1:1/in"},
		}); err != nil {
			t.Fatal(err)
		}
		replace := func(letters ...string) {
			var secrets [][]byte
			for _, l := range letters {
				secrets = append(secrets, bytes.Repeat([]byte(l), 32))
			}
			keys, err := auth.NewKeys(secrets...)
			if err != nil {
				t.Fatal(err)
			}
			w.keys.Replace(keys)
		}
		replace("n", "k")
		if reseal {
			if err := w.gw.Reseal(t.Context()); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
		replace("n")
		_, signIn := accessv1.NewSessionServiceClient(w.conn).SignIn(t.Context(), &accessv1.SignInRequest{Login: "tomas", Password: passphrase, Code: w.code(factor)})
		_, rotate := hooks.RotateWebhookSecret(w.as(w.admin), &accessv1.RotateWebhookSecretRequest{Name: "webhookEndpoints/erp"})
		if (signIn == nil) != reseal || (rotate == nil) != reseal {
			t.Errorf("%s: signing in %v, a new webhook secret %v", name, signIn, rotate)
		}
		if err := w.gw.Reseal(t.Context()); (err == nil) != reseal {
			t.Errorf("%s: sealing once more: %v", name, err)
		}
	}
}
