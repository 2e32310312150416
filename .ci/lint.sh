#!/usr/bin/env bash
# Formatting, go vet and golangci-lint over the module, or over the packages given.
set -euo pipefail
cd "$(dirname "$0")/.."
[ $# -gt 0 ] || set -- ./...
.ci/tools.sh golangci-lint
unformatted=$(git ls-files -co --exclude-standard '*.go' | while read -r file; do [ ! -f "$file" ] || gofmt -l "$file"; done)
if [ -n "$unformatted" ]; then
  echo "not formatted; run gofmt -w on:"
  echo "$unformatted"
  exit 1
fi
go vet "$@"
.bin/golangci-lint run "$@"
