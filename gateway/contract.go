package gateway

import "coldsection.example/gateway/internal/openapi"

// OpenAPI is the description of the REST API that gateways of this version serve.
func OpenAPI() ([]byte, error) { return openapi.Document() }

// Protos is the contract for gRPC clients that gateways of this version serve, a zip.
func Protos() ([]byte, error) { return openapi.Bundle() }
