package apirules

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// shelf is a small contract that keeps every rule; each seed below breaks it in one place.
const shelf = `syntax = "proto3";

package shelf.v1;

import "google/api/annotations.proto";
import "google/api/field_behavior.proto";
import "google/api/field_info.proto";
import "google/api/resource.proto";
import "google/protobuf/empty.proto";
import "google/protobuf/field_mask.proto";
import "google/protobuf/timestamp.proto";

// Keeps boxes.
service ShelfService {
  // Reads a box.
  rpc GetBox(GetBoxRequest) returns (Box) {
    option (google.api.http) = {get: "/v1/{name=boxes/*}"};
  }
  // Lists boxes.
  rpc ListBoxes(ListBoxesRequest) returns (ListBoxesResponse) {
    option (google.api.http) = {get: "/v1/boxes"};
  }
  // Adds a box.
  rpc CreateBox(CreateBoxRequest) returns (Box) {
    option (google.api.http) = {post: "/v1/boxes" body: "box"};
  }
  // Changes a box.
  rpc UpdateBox(UpdateBoxRequest) returns (Box) {
    option (google.api.http) = {patch: "/v1/{box.name=boxes/*}" body: "box"};
  }
  // Removes a box.
  rpc DeleteBox(DeleteBoxRequest) returns (google.protobuf.Empty) {
    option (google.api.http) = {delete: "/v1/{name=boxes/*}"};
  }
  // Brings a box back.
  rpc UndeleteBox(UndeleteBoxRequest) returns (Box) {
    option (google.api.http) = {post: "/v1/{name=boxes/*}:undelete" body: "*"};
  }
  // Weighs a box.
  rpc WeighBox(WeighBoxRequest) returns (WeighBoxResponse) {
    option (google.api.http) = {post: "/v1/{name=boxes/*}:weigh" body: "*"};
  }
  // Sends boxes as they come.
  rpc WatchBoxes(WatchBoxesRequest) returns (stream WatchBoxesResponse) {}
}

// A box.
message Box {
  option (google.api.resource) = {type: "shelf.example/Box" pattern: "boxes/{box}"};
  // Its name.
  string name = 1 [(google.api.field_behavior) = IDENTIFIER];
  // Where it stands.
  enum State {
    // Never returned.
    STATE_UNSPECIFIED = 0;
    // Can be filled.
    OPEN = 1;
  }
  // Where it stands.
  State state = 2 [(google.api.field_behavior) = OUTPUT_ONLY];
  // Changes with every change.
  string etag = 3 [(google.api.field_behavior) = OPTIONAL];
  // When it was added.
  google.protobuf.Timestamp create_time = 4 [(google.api.field_behavior) = OUTPUT_ONLY];
  // How many things are in it.
  int32 item_count = 5 [(google.api.field_behavior) = OPTIONAL];
  // The IANA zone of its dates.
  string time_zone = 6 [(google.api.field_behavior) = OPTIONAL];
  // What is written on it.
  Label label = 7 [(google.api.field_behavior) = OPTIONAL];
}

// What is written on a box.
message Label {
  // The words.
  string text = 1 [(google.api.field_behavior) = REQUIRED];
}

// The request of the method of this name.
message GetBoxRequest {
  // The box.
  string name = 1 [(google.api.field_behavior) = REQUIRED];
}

// The request of the method of this name.
message ListBoxesRequest {
  // The most to return.
  int32 page_size = 1 [(google.api.field_behavior) = OPTIONAL];
  // Where to go on.
  string page_token = 2 [(google.api.field_behavior) = OPTIONAL];
  // Which to return.
  string filter = 3 [(google.api.field_behavior) = OPTIONAL];
  // How to sort.
  string order_by = 4 [(google.api.field_behavior) = OPTIONAL];
  // Removed ones too.
  bool show_deleted = 5 [(google.api.field_behavior) = OPTIONAL];
}

// A page of boxes.
message ListBoxesResponse {
  // The boxes.
  repeated Box boxes = 1;
  // Where to go on.
  string next_page_token = 2;
}

// The request of the method of this name.
message CreateBoxRequest {
  // The box.
  Box box = 1 [(google.api.field_behavior) = REQUIRED];
  // The same key with the same request gets the first answer.
  string request_id = 2 [(google.api.field_behavior) = OPTIONAL, (google.api.field_info).format = UUID4];
}

// The request of the method of this name.
message UpdateBoxRequest {
  // The box.
  Box box = 1 [(google.api.field_behavior) = REQUIRED];
  // Which fields to change.
  google.protobuf.FieldMask update_mask = 2 [(google.api.field_behavior) = OPTIONAL];
}

// The request of the method of this name.
message DeleteBoxRequest {
  // The box.
  string name = 1 [(google.api.field_behavior) = REQUIRED];
}

// The request of the method of this name.
message UndeleteBoxRequest {
  // The box.
  string name = 1 [(google.api.field_behavior) = REQUIRED];
}

// The request of the method of this name.
message WeighBoxRequest {
  // The box.
  string name = 1 [(google.api.field_behavior) = REQUIRED];
  // How sure to be.
  string precision = 2 [(google.api.field_behavior) = OPTIONAL];
}

// The weight of a box.
message WeighBoxResponse {
  // In kilograms.
  double mass_kg = 1;
}

// The request of the method of this name.
message WatchBoxesRequest {}

// A box of the stream.
message WatchBoxesResponse {
  // The box.
  Box box = 1;
}
`

const getLid = `  // Reads a lid.
  rpc GetLid(GetBoxRequest) returns (Lid) {
    option (google.api.http) = {get: "/v1/{name=lids/*}"};
  }
`

// seeds break the shelf contract: replace one piece of text, and exactly the named rule must object.
var seeds = []struct{ rule, old, new string }{
	{"core::0123::resource-annotation", "  // Weighs a box.", getLid + "  // Weighs a box."},
	{"core::0123::resource-name-field",
		"string name = 1 [(google.api.field_behavior) = IDENTIFIER]",
		"int32 name = 1 [(google.api.field_behavior) = IDENTIFIER]"},
	{"core::0123::resource-pattern", `pattern: "boxes/{box}"`, `pattern: "boxes/{box}/{lid}"`},
	{"core::0123::resource-pattern", `pattern: "boxes/{box}"`, `pattern: "Boxes/{box}"`},
	{"core::0123::resource-pattern", ` pattern: "boxes/{box}"`, ``},
	{"core::0123::resource-type-name", `shelf.example/Box`, `shelf.example/Crate`},
	{"core::0126::unspecified", "STATE_UNSPECIFIED = 0", "UNKNOWN = 0"},
	{"core::0126::upper-snake-values", "OPEN = 1", "Open = 1"},
	{"core::0127::http-annotation", `option (google.api.http) = {get: "/v1/{name=boxes/*}"};`, ``},
	{"core::0127::http-annotation", `{patch: "/v1/{box.name`, `{put: "/v1/{box.name`},
	{"core::0131::response-message-name", "GetBox(GetBoxRequest) returns (Box)", "GetBox(GetBoxRequest) returns (WeighBoxResponse)"},
	{"core::0132::request-field-types", "string filter = 3", "bytes filter = 3"},
	{"core::0132::request-show-deleted-required",
		"  // Removed ones too.\n  bool show_deleted = 5 [(google.api.field_behavior) = OPTIONAL];\n",
		""},
	{"core::0132::request-unknown-fields",
		"bool show_deleted = 5",
		"bool show_deleted = 5 [(google.api.field_behavior) = OPTIONAL];\n  // More.\n  string colour = 6"},
	{"core::0132::response-message-name", "returns (ListBoxesResponse)", "returns (BoxPage)"},
	{"core::0133::response-message-name",
		"CreateBox(CreateBoxRequest) returns (Box)",
		"CreateBox(CreateBoxRequest) returns (WeighBoxResponse)"},
	{"core::0134::request-mask-required",
		"  // Which fields to change.\n  google.protobuf.FieldMask update_mask = 2 [(google.api.field_behavior) = OPTIONAL];\n",
		""},
	{"core::0134::response-message-name",
		"UpdateBox(UpdateBoxRequest) returns (Box)",
		"UpdateBox(UpdateBoxRequest) returns (WeighBoxResponse)"},
	{"core::0135::response-message-name", "returns (google.protobuf.Empty)", "returns (WeighBoxResponse)"},
	{"core::0136::http-uri-suffix", "boxes/*}:weigh", "boxes/*}/weigh"},
	{"core::0136::http-uri-suffix", "boxes/*}:weigh", "boxes/*}:Weigh"},
	{"core::0136::http-uri-suffix", "boxes/*}:weigh", "boxes/*}:measure"},
	{"core::0136::prepositions",
		"rpc WatchBoxes(WatchBoxesRequest) returns (stream WatchBoxesResponse)",
		"rpc WatchBoxesWithLids(WatchBoxesRequest) returns (stream Box)"},
	{"core::0136::response-message-name", "returns (WeighBoxResponse)", "returns (Label)"},
	{"core::0140::abbreviations", "string precision", "string precision_information"},
	{"core::0140::prepositions", "string precision", "string precision_of_scale"},
	{"core::0141::count-suffix", "int32 item_count", "int32 num_items"},
	{"core::0141::forbidden-types", "int32 item_count", "uint32 item_count"},
	{"core::0142::time-field-names", "Timestamp create_time", "Timestamp added"},
	{"core::0142::time-field-names", "Timestamp create_time", "Timestamp created_time"},
	{"core::0142::time-field-type", "google.protobuf.Timestamp create_time", "string create_time"},
	{"core::0143::standardized-codes", "string time_zone", "string timezone"},
	{"core::0154::field-type", "string etag", "int64 etag"},
	{"core::0155::request-id-format", ", (google.api.field_info).format = UUID4", ""},
	{"core::0158::request-page-size-field", "int32 page_size", "string page_size"},
	{"core::0158::request-page-token-field", "string page_token", "bytes page_token"},
	{"core::0158::response-next-page-token-field", "string next_page_token", "bytes next_page_token"},
	{"core::0158::response-repeated-first-field", "repeated Box boxes = 1", "Box boxes = 1"},
	{"core::0160::filter-field-name", "string precision", "string where"},
	{"core::0191::proto-version", `syntax = "proto3"`, `syntax = "proto2"`},
	{"core::0192::has-comments", "    // Can be filled.\n", ""},
	{"core::0192::has-comments", "// Keeps boxes.\n", ""},
	{"core::0203::field-behavior-required", "string text = 1 [(google.api.field_behavior) = REQUIRED]", "string text = 1"},
	{"core::0215::versioned-packages", "package shelf.v1;", "package shelf;"},
	{"core::0216::state-field-output-only",
		"State state = 2 [(google.api.field_behavior) = OUTPUT_ONLY]",
		"State state = 2 [(google.api.field_behavior) = OPTIONAL]"},
	{"core::0216::value-synonyms", "OPEN = 1", "READY = 1"},
}

// adapt makes the rest of the contract legal where a seed needs more than its one replacement to compile.
func adapt(source string) string {
	if strings.Contains(source, "(Lid)") {
		source += "\n// A lid.\nmessage Lid {\n  // Its name.\n  string name = 1;\n}\n"
	}
	if strings.Contains(source, "(BoxPage)") {
		source += "\n// A page of boxes.\nmessage BoxPage {\n  // The boxes.\n  repeated Box boxes = 1;\n" +
			"  // Where to go on.\n  string next_page_token = 2;\n}\n"
	}
	if strings.Contains(source, `"proto2"`) {
		source = regexp.MustCompile(`(?m)^ {2}((?:google\.protobuf\.)?\w+ \w+ = \d+)`).ReplaceAllString(source, "  optional $1")
	}
	return source
}

func rulesBroken(findings []Finding) []string {
	var ids []string
	for _, f := range findings {
		ids = append(ids, f.Rule)
	}
	slices.Sort(ids)
	return slices.Compact(ids)
}

func TestShelfKeepsTheRules(t *testing.T) {
	for _, f := range Check(compile(t, map[string]string{"shelf.proto": shelf}), nil) {
		t.Error(f)
	}
}

func TestEverySeedBreaksItsRule(t *testing.T) {
	for _, seed := range seeds {
		t.Run(strings.ReplaceAll(seed.rule, "::", "_"), func(t *testing.T) {
			if strings.Count(shelf, seed.old) == 0 {
				t.Fatalf("the contract has no %q to replace", seed.old)
			}
			source := adapt(strings.Replace(shelf, seed.old, seed.new, 1))
			findings := Check(compile(t, map[string]string{"shelf.proto": source}), nil)
			if broken := rulesBroken(findings); !slices.Equal(broken, []string{seed.rule}) {
				t.Errorf("broken: %v; findings: %v", broken, findings)
			}
		})
	}
}

func TestEveryRuleHasASeed(t *testing.T) {
	form := regexp.MustCompile(`^core::0\d{3}::[a-z-]+$`)
	for i, rule := range Rules() {
		if !form.MatchString(rule.ID) || rule.Summary == "" {
			t.Errorf("%q has no public id or no summary", rule.ID)
		}
		if i > 0 && Rules()[i-1].ID >= rule.ID {
			t.Errorf("%s is there twice or out of order", rule.ID)
		}
		if !slices.ContainsFunc(seeds, func(s struct{ rule, old, new string }) bool { return s.rule == rule.ID }) {
			t.Errorf("%s has no seeded breach", rule.ID)
		}
	}
}

func TestExceptions(t *testing.T) {
	source := strings.Replace(shelf, "string etag", "int64 etag", 1)
	files := compile(t, map[string]string{"shelf.proto": source})
	useless := []string{"core::0154::field-type", unusedException}
	cases := map[string]struct {
		exceptions []Exception
		want       []string
	}{
		"on the element":        {[]Exception{{"core::0154::field-type", "shelf.v1.Box.etag", "old"}}, nil},
		"on what encloses it":   {[]Exception{{"core::0154::field-type", "shelf.v1.Box", "old"}}, nil},
		"of another rule":       {[]Exception{{"core::0140::prepositions", "shelf.v1.Box", "old"}}, useless},
		"on a name that starts": {[]Exception{{"core::0154::field-type", "shelf.v1.B", "old"}}, useless},
		"without reason":        {[]Exception{{"core::0154::field-type", "shelf.v1.Box.etag", ""}}, []string{unusedException}},
	}
	for name, c := range cases {
		if got := rulesBroken(Check(files, c.exceptions)); !slices.Equal(got, c.want) {
			t.Errorf("exception %s: broken %v, want %v", name, got, c.want)
		}
	}
}

func TestFindingNamesTheLine(t *testing.T) {
	source := strings.Replace(shelf, "string etag", "int64 etag", 1)
	before, _, _ := strings.Cut(source, "int64 etag")
	want := fmt.Sprintf("shelf.proto:%04d: core::0154::field-type: shelf.v1.Box.etag: ", 1+strings.Count(before, "\n"))
	findings := Check(compile(t, map[string]string{"shelf.proto": source}), nil)
	if len(findings) != 1 || !strings.HasPrefix(findings[0].String(), want) {
		t.Errorf("got %v, want %s…", findings, want)
	}
}
