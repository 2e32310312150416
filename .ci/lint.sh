#!/usr/bin/env bash
# Formatting, go vet and golangci-lint over the module, or over the packages given.
set -euo pipefail
cd "$(dirname "$0")/.."
[ $# -gt 0 ] || set -- ./...
.ci/tools.sh golangci-lint
unformatted=$(gofmt -l .)
if [ -n "$unformatted" ]; then
  echo "not formatted; run gofmt -w on:"
  echo "$unformatted"
  exit 1
fi
go vet "$@"
.bin/golangci-lint run "$@"
