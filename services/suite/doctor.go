package suite

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"google.golang.org/grpc"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/suite/verbs"
)

// found is a check that did its work and found something: the line ends with 3 instead of 1.
type found struct{ error }

// doctorCommand asks a suite, over its public door, whatever may need somebody.
type doctorCommand struct {
	remote

	Output string `short:"o" default:"table" enum:"table,json,csv" help:"table, json (one object per line) or csv."`
}

// check is one question; what it found is "" when all is well.
type check struct {
	name string
	ask  func(e *environment, conn grpc.ClientConnInterface) (finding string, err error)
}

var checks = []check{{"who calls", whoCalls}, {"facts that could not take effect", parkedFacts}, {"chains of records", lateChains}, {"break-glass account", unreviewed}}

// Run asks everything, says what it heard, and fails when something needs somebody.
func (c *doctorCommand) Run(e *environment) error {
	return c.asked(func(client verbs.Client) error {
		table, err := verbs.NewTable(c.Output, e.out, "check", "state", "finding")
		if err != nil {
			return err
		}
		bad := 0
		for i, one := range checks {
			state := "OK"
			finding, err := one.ask(e, client.Conn)
			refusal, said := fault.As(rpc.FromStatus(err))
			switch {
			case err != nil && i > 0 && said && (refusal.Reason == "ROLE_MISSING" || refusal.Reason == "SCOPE_MISSING"):
				state, finding = "NOT ASKED", "This key may not know it: it takes a key of quality or of an administrator."
			case err != nil:
				return errors.Join(rpc.FromStatus(err), table.Close())
			case finding != "" && i > 0:
				state, bad = "FOUND", bad+1
			}
			if err := table.Write(one.name, state, finding); err != nil {
				return err
			}
		}
		if err := table.Close(); err != nil || bad == 0 {
			return err
		}
		return found{fmt.Errorf("%d of %d checks found something that needs somebody", bad, len(checks))}
	})
}

func whoCalls(e *environment, conn grpc.ClientConnInterface) (string, error) {
	session, err := accessv1.NewSessionServiceClient(conn).GetCurrentSession(e.ctx, &accessv1.GetCurrentSessionRequest{})
	return fmt.Sprintf("%s with the roles %v", session.GetAccount(), session.GetRoles()), err
}

// page is what every list of the API answers with.
type page interface{ GetNextPageToken() string }

// firstFound asks page by page, as a page ends with each part of the suite, until one has something to say.
func firstFound[P page](ask func(token string) (P, error), say func(P) string) (string, error) {
	for token := ""; ; {
		list, err := ask(token)
		if err != nil {
			return "", err
		}
		if finding := say(list); finding != "" {
			return finding, nil
		}
		if token = list.GetNextPageToken(); token == "" {
			return "", nil
		}
	}
}

func parkedFacts(e *environment, conn grpc.ClientConnInterface) (string, error) {
	waiting := 0
	var oldest *operationsv1.ParkedFact
	_, err := firstFound(func(token string) (*operationsv1.ListParkedFactsResponse, error) {
		return operationsv1.NewParkedFactsServiceClient(conn).ListParkedFacts(e.ctx, &operationsv1.ListParkedFactsRequest{PageSize: 1000, PageToken: token})
	}, func(list *operationsv1.ListParkedFactsResponse) string {
		for _, one := range list.GetParkedFacts() {
			if one.GetState() != operationsv1.ParkedFact_PARKED {
				continue
			}
			if waiting++; oldest == nil || one.GetParkTime().AsTime().Before(oldest.GetParkTime().AsTime()) {
				oldest = one
			}
		}
		return "" // the oldest may stand on any page
	})
	if err != nil {
		return "", err
	}
	return ofParked(waiting, oldest), nil
}

// ofParked says how many facts could not take effect and which of them waits longest.
func ofParked(waiting int, oldest *operationsv1.ParkedFact) string {
	if oldest == nil {
		return ""
	}
	return fmt.Sprintf("%s could not take effect: %s. It waits since %s, and is the oldest of %d. See coldsection list parkedFacts.",
		oldest.GetName(), strings.TrimSuffix(oldest.GetReason(), "."), oldest.GetParkTime().AsTime().Format(time.RFC3339), waiting)
}

func lateChains(e *environment, conn grpc.ClientConnInterface) (string, error) {
	return firstFound(func(token string) (*operationsv1.ListRecordChainsResponse, error) {
		return operationsv1.NewRecordChainsServiceClient(conn).ListRecordChains(e.ctx, &operationsv1.ListRecordChainsRequest{PageSize: 1000, PageToken: token})
	}, func(list *operationsv1.ListRecordChainsResponse) string {
		for _, chain := range list.GetRecordChains() {
			if chain.GetClockBehind() {
				return fmt.Sprintf("The clock is behind the last entry of %s, so nothing is recorded there. Set it, or confirm the time with ConfirmClock.", chain.GetName())
			}
		}
		return ""
	})
}

func unreviewed(e *environment, conn grpc.ClientConnInterface) (string, error) {
	list, err := accessv1.NewBreakGlassQueryServiceClient(conn).ListBreakGlassUses(e.ctx, &accessv1.ListBreakGlassUsesRequest{Filter: `state = "OPENED"`, PageSize: 1})
	if err != nil || len(list.GetBreakGlassUses()) == 0 {
		return "", err
	}
	return fmt.Sprintf("%s was opened and nobody has reviewed it.", list.GetBreakGlassUses()[0].GetName()), nil
}
