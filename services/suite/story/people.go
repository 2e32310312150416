package story

import (
	"context"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// role is one of the cast.
type role struct {
	id, name, certificate string
	roles                 []string
	scopes                []string
}

// The cast is invented.
var cast = []role{
	{id: "planner", name: "Lena Voss", roles: []string{"planner"}},
	{id: "stores", name: "Tomas Rydell", roles: []string{"stores"}},
	{id: "technician", name: "Ines Kallio", certificate: "Demonstration licence B1-1001", roles: []string{"technician"},
		scopes: []string{"perform", "ground-run"}},
	{id: "inspector", name: "Ravi Anand", certificate: "Demonstration licence B1-1002", roles: []string{"inspector"},
		scopes: []string{"perform", "inspect"}},
	{id: "releaser", name: "Marta Oyelaran", certificate: "Demonstration licence C-1003", roles: []string{"releaser"},
		scopes: []string{"release"}},
	{id: "quality", name: "Omar Saidi", roles: []string{"quality"}},
	{id: "analyst", name: "June Park", roles: []string{"analyst"}},
}

const password = "a demonstration passphrase"

// people opens the door with the one-time token and brings the cast in.
func (s *Story) people(ctx context.Context) error {
	if err := s.at(beginning); err != nil {
		return err
	}
	admin, err := s.firstAdmin(ctx)
	if err != nil {
		return err
	}
	for _, r := range cast {
		if err := s.hire(ctx, admin, r); err != nil {
			return err
		}
	}
	if err := s.connectERP(ctx, admin); err != nil {
		return err
	}
	for _, r := range cast {
		for _, scope := range r.scopes {
			if err := s.authorize(ctx, r, scope); err != nil {
				return err
			}
		}
	}
	return nil
}

// firstAdmin uses the one-time link, or the password when the link was used before an interruption.
func (s *Story) firstAdmin(ctx context.Context) (*actor, error) {
	admin := &actor{story: s, login: "admin", password: password}
	s.cast["admin"] = admin
	if err := s.join(ctx, admin, s.opts.FirstAdminToken); err != nil {
		return nil, err
	}
	s.tell.Line("The first administrator used the one-time link that the suite printed and chose a passphrase.")
	return admin, nil
}

// join accepts an invitation, or signs in when it was accepted already.
func (s *Story) join(ctx context.Context, a *actor, token string) error {
	return s.patiently(ctx, func() error {
		session, err := accessv1.NewSessionServiceClient(s.opts.Conn).AcceptInvitation(ctx,
			&accessv1.AcceptInvitationRequest{Token: token, Password: a.password})
		if err == nil {
			a.token = session.GetToken()
			return nil
		}
		if c := status.Code(err); c == codes.Unavailable || c == codes.DeadlineExceeded {
			return err
		}
		if a.signIn(ctx) == nil {
			return nil
		}
		return err
	})
}

func (s *Story) hire(ctx context.Context, admin *actor, r role) error {
	person, err := compliancev1.NewComplianceServiceClient(admin).CreatePerson(ctx, &compliancev1.CreatePersonRequest{
		Person: &compliancev1.Person{DisplayName: r.name, Certificate: r.certificate}, PersonId: r.id, RequestId: s.key("person " + r.id),
	})
	if err != nil {
		return err
	}
	accounts := accessv1.NewAccessServiceClient(admin)
	account, err := accounts.CreateAccount(ctx, &accessv1.CreateAccountRequest{
		Account:   &accessv1.Account{Login: r.id, DisplayName: r.name, Person: person.GetName(), Roles: r.roles, Kind: accessv1.Account_HUMAN},
		AccountId: r.id, RequestId: s.key("account " + r.id),
	})
	if err != nil {
		return err
	}
	invitation, err := accounts.InviteAccount(ctx, &accessv1.InviteAccountRequest{Name: account.GetName(), RequestId: s.key("invite " + r.id)})
	if err != nil {
		return err
	}
	a := &actor{story: s, login: r.id, password: password, person: person.GetName()}
	s.cast[r.id] = a
	if err := s.join(ctx, a, invitation.GetToken()); err != nil {
		return err
	}
	s.tell.Line("%s signed in as %s.", account.GetDisplayName(), strings.Join(account.GetRoles(), ", "))
	return nil
}

// connectERP gives the other system a key.
func (s *Story) connectERP(ctx context.Context, admin *actor) error {
	accounts := accessv1.NewAccessServiceClient(admin)
	account, err := accounts.CreateAccount(ctx, &accessv1.CreateAccountRequest{
		Account:   &accessv1.Account{Login: "erp", DisplayName: "ERP of the operator", Roles: []string{"integrator"}, Kind: accessv1.Account_MACHINE},
		AccountId: "erp", RequestId: s.key("account erp"),
	})
	if err != nil {
		return err
	}
	apiKey, err := accounts.CreateApiKey(ctx, &accessv1.CreateApiKeyRequest{
		Parent: account.GetName(), RequestId: s.key("api key"),
		ApiKey: &accessv1.ApiKey{DisplayName: "nightly pull", ExpireTime: timestamppb.New(beginning.AddDate(5, 0, 0))},
	})
	if err != nil {
		return err
	}
	s.cast["erp"] = &actor{story: s, login: "erp", token: apiKey.GetSecret()}
	s.tell.Line("%s got an API key.", account.GetDisplayName())
	return nil
}

func (s *Story) authorize(ctx context.Context, r role, scope string) error {
	auth, err := compliancev1.NewComplianceServiceClient(s.cast["quality"]).CreateAuthorization(ctx, &compliancev1.CreateAuthorizationRequest{
		Parent: "people/" + r.id, AuthorizationId: scope, RequestId: s.key("authorize " + r.id + " " + scope),
		Authorization: &compliancev1.Authorization{
			Scope: scope, StartDate: civil(beginning), EndDate: civil(beginning.AddDate(3, 0, 0)),
			LastExperienceDate: civil(beginning), Reference: "DEMO-" + strings.ToUpper(r.id),
		},
	})
	if err != nil {
		return err
	}
	s.tell.Line("Quality authorized %s for %q until %s.", r.name, auth.GetScope(), isoDate(auth.GetEndDate()))
	return nil
}
