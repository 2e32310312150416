#!/usr/bin/env bash
# Generates the Go code of proto/ with pinned local plugins. With --check: fails when the committed code is not fresh.
set -euo pipefail
cd "$(dirname "$0")/.."
.ci/tools.sh buf protoc-gen-go protoc-gen-go-grpc protoc-gen-grpc-gateway protoc-gen-openapi
(cd .ci/tools/extproto && go run . ../../../.build/proto)
.bin/buf lint proto
# The contract as it was released; after a release: .bin/buf build proto --exclude-source-info -o .ci/released.binpb.gz
.bin/buf breaking proto --against .ci/released.binpb.gz || { echo "this breaks clients of the released contract; add beside it instead, and mark the old as deprecated"; exit 1; }
.bin/buf generate
# What clients see of it, in lines that a change can be read from.
COLDSECTION_TEST_WRITE=1 go test ./gateway/internal/openapi -run TestTheDescriptionIsTheCommittedOne
if [ "${1:-}" = --check ]; then
  git diff --exit-code -- proto gateway/internal/openapi || { echo "generated code is not fresh: run .ci/generate.sh and commit"; exit 1; }
  [ -z "$(git ls-files --others --exclude-standard proto gateway/internal/openapi)" ] || { echo "generated files are not committed"; exit 1; }
fi
