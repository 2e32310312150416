package apirules

import "testing"

func TestContractKeepsTheRules(t *testing.T) {
	sources := readContract(t)
	if len(sources) < 6 {
		t.Fatalf("found %d .proto files; every area has at least one", len(sources))
	}
	for _, f := range Check(compile(t, sources), exceptions) {
		t.Error(f)
	}
}

const (
	asOf = "\"as of\" and \"known at\" are how the field asks for the state of records on a date; a name without the " +
		"preposition would be one that nobody knows"
	ownSession = "a session is known by its secret token only; it has no name that could be given to anybody"
	feedCursor = "the feed of facts never ends and is no collection: its cursor goes on after the last page, and it filters " +
		"on the event's type and subject"
	signIn    = "to sign in is one verb"
	tradeTerm = "the words that stand on containers and certificates"
)

// exceptions are the breaches that the contract means.
var exceptions = []Exception{
	{"core::0131::response-message-name", "coldsection.access.v1.SessionService.GetCurrentSession", ownSession},
	{"core::0132::request-unknown-fields", "coldsection.access.v1.ListEventsRequest", feedCursor},
	{"core::0132::request-unknown-fields", "coldsection.compliance.v1.ListDueItemsRequest.as_of_date",
		"it is the day that every item is computed for, not a property that items are chosen by"},
	{"core::0136::prepositions", "coldsection.access.v1.SessionService.SignIn", signIn},
	{"core::0136::prepositions", "coldsection.access.v1.SessionService.DescribeSignIn", signIn},
	{"core::0140::prepositions", "coldsection.access.v1.DescribeSignInResponse.sign_in_path", signIn},
	{"core::0136::response-message-name", "coldsection.access.v1.SessionService.SignIn", ownSession},
	{"core::0136::response-message-name", "coldsection.access.v1.SessionService.AcceptInvitation", ownSession},
	{"core::0136::response-message-name", "coldsection.access.v1.BreakGlassService.OpenBreakGlass", ownSession},
	{"core::0140::prepositions", "coldsection.access.v1.ListEventsRequest.after", feedCursor},
	{"core::0140::prepositions", "coldsection.access.v1.WatchEventsRequest.after", feedCursor},
	{"core::0140::prepositions", "coldsection.compliance.v1.DueItem.as_of_date", asOf},
	{"core::0140::prepositions", "coldsection.compliance.v1.ListDueItemsRequest.as_of_date", asOf},
	{"core::0140::prepositions", "coldsection.compliance.v1.ComplianceStatus", asOf},
	{"core::0140::prepositions", "coldsection.compliance.v1.GetComplianceStatusRequest", asOf},
	{"core::0140::prepositions", "coldsection.compliance.v1.FindEvidenceRequest", asOf},
	{"core::0140::prepositions", "coldsection.compliance.v1.RecordPack", asOf},
	{"core::0140::prepositions", "coldsection.compliance.v1.FindEvidenceResponse", asOf},
	{"core::0140::prepositions", "coldsection.consumables.v1.TraceLotRequest.as_of_time", asOf},
	{"core::0140::prepositions", "coldsection.compliance.v1.ExportDueItemsRequest.as_of_time", asOf},
	{"core::0140::prepositions", "coldsection.compliance.v1.ExportDueItemsRequest.known_at_time", asOf},
	{"core::0140::prepositions", "coldsection.compliance.v1.Calibration.found_out_of_tolerance", tradeTerm},
	{"core::0140::prepositions", "coldsection.compliance.v1.ToolChanged.found_out_of_tolerance", tradeTerm},
	{"core::0140::prepositions", "coldsection.consumables.v1.Item.ready_to_use", tradeTerm},
	{"core::0140::prepositions", "coldsection.consumables.v1.Lot.use_by_date", tradeTerm},
	{"core::0140::prepositions", "coldsection.consumables.v1.ParseScanResponse.use_by_date", tradeTerm},
	{"core::0158::request-page-token-field", "coldsection.access.v1.ListEventsRequest", feedCursor},
	{"core::0158::response-next-page-token-field", "coldsection.access.v1.ListEventsResponse", feedCursor},
}
