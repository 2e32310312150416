package oidc_test

import (
	"slices"
	"strings"
	"testing"

	"coldsection.example/gateway/internal/oidc"
)

// A provider that anybody on the way could speak for is refused when the gateway starts, as is one to which the gateway can't say who it is.
func TestProvidersThatCantBe(t *testing.T) {
	good := oidc.Config{Issuer: "https://id.example", ClientID: "c", PublicURL: "https://gateway.example"}
	for name, c := range map[string]struct {
		change func(c *oidc.Config)
		want   string // a part of what is said; "" for a good one
	}{
		"as it should be":               {func(*oidc.Config) {}, ""},
		"http on this machine":          {func(c *oidc.Config) { c.Issuer = "http://127.0.0.1:8080" }, ""},
		"http on this machine by name":  {func(c *oidc.Config) { c.Issuer = "http://localhost/realm" }, ""},
		"http on this machine, IPv6":    {func(c *oidc.Config) { c.Issuer = "http://[::1]:8080" }, ""},
		"http elsewhere":                {func(c *oidc.Config) { c.Issuer = "http://id.example" }, "is not https"},
		"http at a name like localhost": {func(c *oidc.Config) { c.Issuer = "http://localhost.example" }, "is not https"},
		"http with a user like it":      {func(c *oidc.Config) { c.Issuer = "http://127.0.0.1@id.example" }, "is not https"},
		"no host":                       {func(c *oidc.Config) { c.Issuer = "https:///realm" }, "is no URL"},
		"a word":                        {func(c *oidc.Config) { c.Issuer = "id.example" }, "is no URL"},
		"no URL":                        {func(c *oidc.Config) { c.Issuer = "https://[::1/" }, "is no URL"},
		"no way back":                   {func(c *oidc.Config) { c.PublicURL = "" }, "the URL at which browsers reach"},
		"a way back without a host":     {func(c *oidc.Config) { c.PublicURL = "/console" }, "the URL at which browsers reach"},
		"no client":                     {func(c *oidc.Config) { c.ClientID = "" }, "needs the client id"},
	} {
		cfg := good
		c.change(&cfg)
		if err := cfg.Check(); c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
		if _, err := oidc.New(cfg, nil, nil); (err == nil) != (c.want == "") {
			t.Errorf("%s is made: %v", name, err)
		}
	}
}

// What groups give is the sum of what each gives; a group that is not named gives nothing, and one that limits to owners does so whatever others give.
func TestWhatGroupsGive(t *testing.T) {
	known := []string{"technician", "viewer", "admin"}
	grants, err := oidc.ParseGrants([]string{"mechanics=technician", "mechanics=viewer", "cn=admins,dc=house=admin", "guests=viewer"}, []string{"guests=owner-a", "airline-b=owner-b"}, known)
	if err != nil {
		t.Fatal(err)
	}
	for groups, want := range map[string][2]string{
		"": {"", ""}, "mechanics": {"technician viewer", ""}, "guests": {"viewer", "owner-a"}, "guests;mechanics": {"technician viewer", "owner-a"},
		"guests;airline-b;guests": {"viewer", "owner-a owner-b"}, "cn=admins,dc=house": {"admin", ""}, "cn=admins,dc": {"", ""}, "Mechanics": {"", ""}, "admin": {"", ""},
		"mechanics=technician": {"", ""},
	} {
		roles, owners := grants.For(strings.Split(groups, ";"))
		if got := [2]string{strings.Join(roles, " "), strings.Join(owners, " ")}; got != want {
			t.Errorf("%q give %q, want %q", groups, got, want)
		}
	}
	for _, bad := range [][2][]string{
		{{"mechanics=pilot"}, nil}, {{"mechanics="}, nil}, {{"=admin"}, nil}, {{"mechanics"}, nil}, {{"mechanics=Admin"}, nil}, {nil, {"guests="}}, {nil, {"=owner-a"}}, {nil, {"guests"}},
	} {
		if got, err := oidc.ParseGrants(bad[0], bad[1], known); err == nil {
			t.Errorf("%v is read as %v", bad, got)
		}
	}
	if roles, _ := grants.For([]string{"mechanics"}); !slices.Equal(roles, []string{"technician", "viewer"}) {
		t.Errorf("asked again: %v", roles)
	}
}
