package retirement_test

import (
	"net/http"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"coldsection.example/gateway/internal/retirement"
	"coldsection.example/gateway/internal/retirement/retirementtest"
	_ "coldsection.example/proto/coldsection/access/v1"
	_ "coldsection.example/proto/coldsection/compliance/v1"
	_ "coldsection.example/proto/coldsection/consumables/v1"
	optionsv1 "coldsection.example/proto/coldsection/options/v1"
	_ "coldsection.example/proto/coldsection/performance/v1"
	_ "coldsection.example/proto/coldsection/workorders/v1"
)

// Whatever of the contract is deprecated says since when and what to use instead, and goes half a year later at the earliest.
func TestWhatGoesSaysWhen(t *testing.T) {
	methods := 0
	look := func(d protoreflect.Descriptor) {
		if wrong := retirement.Wrong(d); wrong != "" {
			t.Errorf("%s: %s", d.FullName(), wrong)
		}
	}
	protoregistry.GlobalFiles.RangeFiles(func(f protoreflect.FileDescriptor) bool {
		if !strings.HasPrefix(string(f.Package()), "coldsection.") {
			return true
		}
		for i := range f.Services().Len() {
			for k := range f.Services().Get(i).Methods().Len() {
				look(f.Services().Get(i).Methods().Get(k))
				methods++
			}
		}
		for i := range f.Messages().Len() {
			for k := range f.Messages().Get(i).Fields().Len() {
				look(f.Messages().Get(i).Fields().Get(k))
			}
		}
		return true
	})
	if methods < 200 {
		t.Errorf("only %d methods were looked at", methods)
	}
}

func TestWhatIsWrongIsSeen(t *testing.T) {
	soon := retirementtest.Going()
	soon.SunsetDate = &date.Date{Year: 2023, Month: 12, Day: 29}
	for want, r := range map[string]*optionsv1.Retirement{
		"": retirementtest.Going(), "what to use instead": {DeprecateDate: &date.Date{Year: 2023, Month: 6, Day: 30}}, "the day": {Replacement: "Use RinseEngine."},
		"half a year": soon,
	} {
		service := retirementtest.Service(t, r, r)
		for _, d := range []protoreflect.Descriptor{service.Methods().Get(0), service.Methods().Get(0).Input().Fields().Get(1)} {
			if got := retirement.Wrong(d); !strings.Contains(got, want) || want == "" && got != "" {
				t.Errorf("%s: %q, want %q", d.Name(), got, want)
			}
		}
	}
}

// RFC 9745, section 2.1, writes the end of 30 June 2023 as @1688169599; its beginning is a day less a second before that. The form of the
// date in Sunset is RFC 9110's, section 5.6.7.
func TestHeadersSayTheEarliestTimes(t *testing.T) {
	service := retirementtest.Service(t, retirementtest.Going(), retirementtest.Going())
	h := http.Header{}
	retirement.OfMethod(service.Methods().Get(1)).Set(h)
	if len(h) != 0 {
		t.Errorf("a method that stays: %v", h)
	}
	retirement.OfMethod(service.Methods().Get(0)).Set(h)
	want := http.Header{"Deprecation": {"@1688083200"}, "Sunset": {"Tue, 31 Dec 2024 00:00:00 GMT"}, "Link": {`</changelog>; rel="deprecation"; type="text/markdown"`}}
	check(t, h, want)
	later, earlier := retirementtest.Going(), retirementtest.Going()
	later.DeprecateDate.Year, later.SunsetDate.Year, earlier.DeprecateDate.Day, earlier.SunsetDate.Day = 2024, 2025, 29, 30
	retirement.OfMethod(retirementtest.Service(t, later, nil).Methods().Get(0)).Set(h)
	check(t, h, want)
	retirement.OfMethod(retirementtest.Service(t, earlier, nil).Methods().Get(0)).Set(h)
	want["Deprecation"], want["Sunset"] = []string{"@1687996800"}, []string{"Mon, 30 Dec 2024 00:00:00 GMT"}
	check(t, h, want)
}

func check(t *testing.T, got, want http.Header) {
	t.Helper()
	for name := range want {
		if strings.Join(got.Values(name), ", ") != strings.Join(want.Values(name), ", ") {
			t.Errorf("%s: %q, want %q", name, got.Values(name), want.Values(name))
		}
	}
}
