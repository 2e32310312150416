package operations

import (
	"encoding/json"

	"coldsection.example/services/platform/auth"
)

// caller is who started an operation as the row keeps it: it is worked on their behalf, with the roles that they had then.
type caller struct {
	Account     string   `json:"account"`
	Person      string   `json:"person,omitempty"`
	DisplayName string   `json:"displayName,omitempty"`
	Roles       []string `json:"roles,omitempty"`
	Kind        string   `json:"kind"`
	Owners      []string `json:"owners,omitempty"`
}

func callerOf(id auth.Identity) ([]byte, error) {
	return json.Marshal(caller{
		Account: id.Account, Person: id.Person, DisplayName: id.DisplayName, Roles: id.Roles, Kind: id.Kind, Owners: id.Owners,
	})
}

func identityOf(raw []byte) (auth.Identity, error) {
	var c caller
	err := json.Unmarshal(raw, &c)
	return auth.Identity{Account: c.Account, Person: c.Person, DisplayName: c.DisplayName, Roles: c.Roles, Kind: c.Kind, Owners: c.Owners}, err
}
