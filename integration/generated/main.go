//go:build generated

// Command generated tells a short story with a client that was generated from the description of the REST API: it signs in,
// fills and pages a catalogue, asks a verb and is refused. The scenario test generates the client and runs it.
package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"

	"coldsection.example/integration/generated/client"
)

func main() {
	if err := tell(context.Background(), os.Args[1], os.Args[2], os.Args[3]); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func ptr[T any](v T) *T { return &v }

// signedIn is a client of somebody who signs in by password.
func signedIn(ctx context.Context, url, login, password string) (*client.ClientWithResponses, error) {
	anybody, err := client.NewClientWithResponses(url)
	if err != nil {
		return nil, err
	}
	session, err := anybody.SessionServiceSignInWithResponse(ctx, nil, client.SignInRequest{Login: login, Password: &password})
	if err != nil {
		return nil, err
	}
	if session.JSON200 == nil {
		return nil, fmt.Errorf("signing in: %s", session.Body)
	}
	token := *session.JSON200.Token
	return client.NewClientWithResponses(url, client.WithRequestEditorFn(func(_ context.Context, r *http.Request) error {
		r.Header.Set("Authorization", "Bearer "+token)
		return nil
	}))
}

func tell(ctx context.Context, url, login, password string) error {
	stores, err := signedIn(ctx, url, login, password)
	if err != nil {
		return err
	}
	for _, step := range []func(context.Context, *client.ClientWithResponses) error{create, page, verb, refused} {
		if err := step(ctx, stores); err != nil {
			return err
		}
	}
	fmt.Println("told")
	return nil
}

// create adds items; the same key again gives the same item.
func create(ctx context.Context, c *client.ClientWithResponses) error {
	for i := range 5 {
		params := &client.ConsumablesServiceCreateItemParams{ItemId: ptr(fmt.Sprintf("generated-%d", i)), IdempotencyKey: ptr(fmt.Sprintf("generated-%d", i))}
		for range 2 {
			made, err := c.ConsumablesServiceCreateItemWithResponse(ctx, params, client.Item{DisplayName: "Made by a generated client", Kind: "OTHER", BaseUnitCode: "kg"})
			if err != nil {
				return err
			}
			if made.JSON200 == nil || *made.JSON200.Name != fmt.Sprintf("items/generated-%d", i) {
				return fmt.Errorf("creating: %s", made.Body)
			}
		}
	}
	return nil
}

// page reads a list two by two.
func page(ctx context.Context, c *client.ClientWithResponses) error {
	seen, pages := map[string]bool{}, 0
	for token := ""; ; pages++ {
		list, err := c.ConsumablesQueryServiceListItemsWithResponse(ctx, &client.ConsumablesQueryServiceListItemsParams{
			PageSize: ptr(int32(2)), PageToken: &token, Filter: ptr(`display_name = "Made by a generated client"`),
		})
		if err != nil {
			return err
		}
		if list.JSON200 == nil {
			return fmt.Errorf("listing: %s", list.Body)
		}
		for _, item := range *list.JSON200.Items {
			seen[*item.Name] = true
		}
		if token = *list.JSON200.NextPageToken; token == "" {
			break
		}
	}
	if len(seen) != 5 || pages != 2 {
		return fmt.Errorf("%d items on %d full pages", len(seen), pages)
	}
	return nil
}

// verb holds a lot.
func verb(ctx context.Context, c *client.ClientWithResponses) error {
	held, err := c.ConsumablesServiceHoldLotWithResponse(ctx, "cleaner-a", nil, client.HoldLotRequest{Reason: "Tried by a generated client"})
	if err != nil {
		return err
	}
	if held.JSON200 == nil || held.JSON200.State == nil || *held.JSON200.State != "HELD" {
		return fmt.Errorf("holding: %s", held.Body)
	}
	return nil
}

// refused asks for what is not there and reads why not.
func refused(ctx context.Context, c *client.ClientWithResponses) error {
	none, err := c.ConsumablesQueryServiceGetItemWithResponse(ctx, "none", nil)
	if err != nil {
		return err
	}
	problem := none.ApplicationproblemJSONDefault
	if none.StatusCode() != http.StatusNotFound || problem == nil || problem.Reason != "NOT_FOUND" || problem.Code != "NOT_FOUND" {
		return errors.New("a refusal can't be read: " + string(none.Body))
	}
	return nil
}
