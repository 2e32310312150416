package repository

import (
	"slices"
	"strconv"
	"strings"
	"testing"
)

// notCore are the folders under a service's internal/ that may do input and output; every other one is a pure core.
var notCore = []string{"app", "store", "server", "events", "chart", "paper"}

// outsideOfCores are parts of the standard library that a function of its arguments has no use for.
var outsideOfCores = []string{"context", "database/sql", "net", "net/http", "os/exec", "log", "log/slog"}

// The layer rules, as they are told to whoever breaks one.
const (
	testsImported   = "nothing imports tests"
	contractImports = "the contract imports no part of the suite"
	platformImports = "platform imports no service and no gateway"
	gatewayImports  = "the gateway imports no service"
	serviceImports  = "no service imports another one"
	upwardImports   = "a service imports neither the gateway nor the suite"
	coreImports     = "a core imports fault, quantity and its service's other cores only"
	coreIsPure      = "a core is a function of its arguments"
	coreLibraries   = "a core imports numeric libraries only"
	driverHidden    = "a package of the platform hides this driver"
	useCasesStore   = "use cases name a small interface; internal/store implements it"
)

// drivers are hidden by one package of the platform each.
var drivers = []string{
	"modernc.org/sqlite", "github.com/jackc/pgx/v5", "github.com/nats-io/nats.go", "github.com/nats-io/nats-server/v2",
}

// breach says which layer rule forbids a package in this folder to import that path; "" when none does.
func breach(dir, imported string) string {
	own, ours := strings.CutPrefix(imported, modulePath)
	switch {
	case !ours:
		return breachOutside(dir, imported)
	case within(own, "integration") && !within(dir, "integration"):
		return testsImported
	case within(dir, "proto") && !within(own, "proto"):
		return contractImports
	case within(dir, "services/platform") && !within(own, "services/platform") && !within(own, "proto"):
		return platformImports
	case within(dir, "gateway") && within(own, "services") && !within(own, "services/platform"):
		return gatewayImports
	case service(dir) != "" && service(own) != "" && service(own) != service(dir):
		return serviceImports
	case service(dir) != "" && (within(own, "gateway") || within(own, "services/suite") || within(own, "services/cmd")):
		return upwardImports
	case core(dir) && !coreMayImport(dir, own):
		return coreImports
	}
	return ""
}

// breachOutside judges imports of the standard library and of other modules.
func breachOutside(dir, imported string) string {
	if core(dir) {
		standard := !strings.Contains(strings.Split(imported, "/")[0], ".")
		switch {
		case slices.Contains(outsideOfCores, imported):
			return coreIsPure
		case !standard && !within(imported, "gonum.org/v1/gonum") && imported != "github.com/govalues/decimal" &&
			imported != "pgregory.net/rapid":
			return coreLibraries
		}
	}
	if within(dir, "services/platform") || within(dir, "integration") {
		return ""
	}
	if slices.ContainsFunc(drivers, func(driver string) bool { return within(imported, driver) }) {
		return driverHidden
	}
	if part := strings.Split(dir, "/"); len(part) > 3 && part[0] == "services" && part[3] == "app" && imported == "database/sql" {
		return useCasesStore
	}
	return ""
}

// within says whether name is the folder or lies in it.
func within(name, folder string) bool { return name == folder || strings.HasPrefix(name, folder+"/") }

// service is the name of the service that a folder belongs to; "" for platform, suite, cmd and everything else.
func service(dir string) string {
	part := strings.Split(dir, "/")
	if len(part) < 2 || part[0] != "services" || slices.Contains([]string{"platform", "suite", "cmd"}, part[1]) {
		return ""
	}
	return part[1]
}

// core says whether a folder is a pure core of a service.
func core(dir string) bool {
	part := strings.Split(dir, "/")
	return service(dir) != "" && len(part) > 3 && part[2] == "internal" && !slices.Contains(notCore, part[3])
}

func coreMayImport(dir, own string) bool {
	return own == "services/platform/fault" || own == "services/platform/quantity" || service(own) == service(dir) && core(own)
}

func TestLayers(t *testing.T) {
	for _, s := range goFiles(t) {
		for _, spec := range s.file.Imports {
			imported, err := strconv.Unquote(spec.Path.Value)
			if err != nil {
				t.Fatal(err)
			}
			if rule := breach(s.dir, imported); rule != "" {
				t.Errorf("%v: imports %s: %s", s.line(spec), imported, rule)
			}
		}
	}
}

func TestEveryLayerRuleCanFail(t *testing.T) {
	for _, c := range seededImports {
		if got := breach(c.dir, c.imported); got != c.rule {
			t.Errorf("%s importing %s: got %q, want %q", c.dir, c.imported, got, c.rule)
		}
	}
}

// seededImports are imports that a rule forbids, and next to them ones that it allows.
var seededImports = []struct{ dir, imported, rule string }{
	{"proto/coldsection/common/v1", modulePath + "services/platform/fault", contractImports},
	{"proto/coldsection/stock/v1", modulePath + "proto/coldsection/common/v1", ""},
	{"services/platform/rpc", modulePath + "services/consumables", platformImports},
	{"services/platform/rpc", modulePath + "gateway", platformImports},
	{"services/platform/rpc", modulePath + "services/platform/fault", ""},
	{"services/platform/storage", "modernc.org/sqlite", ""},
	{"gateway", modulePath + "services/compliance", gatewayImports},
	{"gateway/console", modulePath + "services/suite", gatewayImports},
	{"gateway", modulePath + "services/platform/auth", ""},
	{"services/consumables", modulePath + "services/workorders", serviceImports},
	{"services/consumables/internal/app", modulePath + "services/compliance", serviceImports},
	{"services/consumables", modulePath + "services/consumables/internal/app", ""},
	{"services/compliance", modulePath + "gateway", upwardImports},
	{"services/compliance", modulePath + "services/suite", upwardImports},
	{"services/suite", modulePath + "services/compliance", ""},
	{"services/suite", modulePath + "integration/harness", testsImported},
	{"integration/fleet", modulePath + "services/suite", ""},
	{"services/performance/internal/trend", modulePath + "services/platform/clock", coreImports},
	{"services/performance/internal/trend", modulePath + "services/performance/internal/store", coreImports},
	{"services/performance/internal/trend", modulePath + "proto/coldsection/performance/v1", coreImports},
	{"services/performance/internal/trend", modulePath + "services/performance/internal/gas", ""},
	{"services/performance/internal/trend", modulePath + "services/platform/quantity", ""},
	{"services/performance/internal/trend", "database/sql", coreIsPure},
	{"services/performance/internal/trend", "context", coreIsPure},
	{"services/performance/internal/trend", "google.golang.org/grpc", coreLibraries},
	{"services/performance/internal/trend", "google.golang.org/protobuf/proto", coreLibraries},
	{"services/performance/internal/trend", "github.com/nats-io/nats.go", coreLibraries},
	{"services/performance/internal/trend", "gonum.org/v1/gonum/stat", ""},
	{"services/performance/internal/trend", "math", ""},
	{"services/performance/internal/app", "context", ""},
	{"services/performance/internal/app", "database/sql", useCasesStore},
	{"services/performance/internal/store", "database/sql", ""},
	{"services/performance/internal/store/storetest", "context", ""},
	{"services/performance/internal/store", "github.com/jackc/pgx/v5/pgconn", driverHidden},
	{"gateway", "github.com/nats-io/nats.go/jetstream", driverHidden},
}
