// Package client is where a generator that others wrote puts a client of the REST API when the scenario test runs it; nothing of
// it is kept. What the generated code imports is named here, so that its version stands in go.mod.
package client

import _ "github.com/oapi-codegen/runtime" // the generated code
