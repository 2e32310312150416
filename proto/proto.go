// Package proto has the text of the contract, for those who ask the suite for it.
package proto

import "embed"

// Files are the contract's .proto files, by their import paths.
//
//go:embed coldsection/*/v1/*.proto
var Files embed.FS
