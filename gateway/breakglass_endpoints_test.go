package gateway_test

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/types/known/durationpb"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
)

// The session can't stop what carries its alarm to other systems, and has nothing sent that would go on after it.
func TestABreakGlassSessionLeavesEndpointsAlone(t *testing.T) {
	g := newGlass(t)
	g.hire("tomas", "technician")
	g.subscribe(newReceiver(t))
	ctx, name := g.as(g.opened("tomas")), "webhookEndpoints/erp"
	for what, call := range map[string]func() error{
		"delete": func() error {
			_, err := g.hooks().DeleteWebhookEndpoint(ctx, &accessv1.DeleteWebhookEndpointRequest{Name: name})
			return err
		},
		"disable": func() error {
			_, err := g.hooks().DisableWebhookEndpoint(ctx, &accessv1.DisableWebhookEndpointRequest{Name: name})
			return err
		},
		"leave out what was missed": func() error {
			_, err := g.hooks().EnableWebhookEndpoint(ctx, &accessv1.EnableWebhookEndpointRequest{Name: name, SkipMissed: true})
			return err
		},
		"a secret that the receiver does not know": func() error {
			_, err := g.hooks().RotateWebhookSecret(ctx, &accessv1.RotateWebhookSecretRequest{Name: name, Overlap: durationpb.New(0)})
			return err
		},
		"an endpoint of its own": func() error {
			_, err := g.hooks().CreateWebhookEndpoint(ctx, &accessv1.CreateWebhookEndpointRequest{
				WebhookEndpoint: &accessv1.WebhookEndpoint{DisplayName: "Elsewhere", Url: "https://elsewhere.example/"},
			})
			return err
		},
		"answer for one": func() error {
			_, err := g.hooks().EnableWebhookEndpoint(ctx, &accessv1.EnableWebhookEndpointRequest{Name: name})
			return err
		},
		"send elsewhere": func() error {
			_, err := g.hooks().UpdateWebhookEndpoint(ctx, &accessv1.UpdateWebhookEndpointRequest{WebhookEndpoint: &accessv1.WebhookEndpoint{
				Name: name, Url: "https://elsewhere.example/",
			}})
			return err
		},
	} {
		if err := call(); reasonOf(err) != "BREAK_GLASS_LIMITED" {
			t.Errorf("%s: %v", what, err)
		}
	}
	if e := g.endpoint(); e.GetState() != accessv1.WebhookEndpoint_ENABLED || e.GetResponsibleAccount() != "accounts/admin" || e.GetOldSecretExpireTime() != nil {
		t.Errorf("the endpoint is %v", e)
	}
	all, err := g.hookReader().ListWebhookEndpoints(g.as(g.admin), &accessv1.ListWebhookEndpointsRequest{})
	if err != nil || len(all.GetWebhookEndpoints()) != 1 {
		t.Errorf("the endpoints are %v, %v", all, err)
	}
}

// An endpoint that such a session made, when it still could, is sent nothing more until somebody of the house answers for it.
func TestNobodyIsSentFactsForTheBreakGlassAccount(t *testing.T) {
	g, r := newGlass(t), newReceiver(t)
	g.subscribe(r)
	g.older(func(e *accessv1.WebhookEndpoint) { e.ResponsibleAccount = "accounts/break-glass" })
	g.happen("lots/a", "f1")
	g.deliver()
	e := g.endpoint()
	if n := len(r.got()); n != 0 || e.GetState() != accessv1.WebhookEndpoint_DISABLED || !strings.HasPrefix(e.GetDisableReason(), "accounts/break-glass, who answered for it,") {
		t.Errorf("%d messages, %v: %s", n, e.GetState(), e.GetDisableReason())
	}
	if _, err := g.hooks().EnableWebhookEndpoint(g.as(g.admin), &accessv1.EnableWebhookEndpointRequest{Name: e.GetName()}); err != nil {
		t.Fatal(err)
	}
	g.deliver()
	came := slices.ContainsFunc(r.got(), func(c call) bool { return c.id() == "f1" })
	if e = g.endpoint(); e.GetState() != accessv1.WebhookEndpoint_ENABLED || e.GetResponsibleAccount() != "accounts/admin" || !came {
		t.Errorf("taken over: %v, sent %v", e, r.got())
	}
}
