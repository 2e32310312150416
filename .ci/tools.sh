#!/usr/bin/env bash
# Installs the pinned build tools with the Go toolchain into .bin (git-ignored). Usage: .ci/tools.sh [name ...]
set -euo pipefail
cd "$(dirname "$0")/.."
export GOBIN="$PWD/.bin"
mkdir -p "$GOBIN"
declare -A tools=(
  [protoc-gen-go]=google.golang.org/protobuf/cmd/protoc-gen-go@v1.36.12
  [protoc-gen-go-grpc]=google.golang.org/grpc/cmd/protoc-gen-go-grpc@v1.6.2
  [protoc-gen-grpc-gateway]=github.com/grpc-ecosystem/grpc-gateway/v2/protoc-gen-grpc-gateway@v2.33.0
  [protoc-gen-openapi]=github.com/google/gnostic/cmd/protoc-gen-openapi@v0.7.1
  [buf]=github.com/bufbuild/buf/cmd/buf@v1.75.0
  [golangci-lint]=github.com/golangci/golangci-lint/v2/cmd/golangci-lint@v2.15.0
  [oapi-codegen]=github.com/oapi-codegen/oapi-codegen/v2/cmd/oapi-codegen@v2.8.2
  [grpcurl]=github.com/fullstorydev/grpcurl/cmd/grpcurl@v1.9.4
)
want=("$@")
[ ${#want[@]} -gt 0 ] || want=(protoc-gen-go protoc-gen-go-grpc protoc-gen-grpc-gateway protoc-gen-openapi buf golangci-lint oapi-codegen grpcurl)
for name in "${want[@]}"; do
  spec=${tools[$name]:?unknown tool $name}
  stamp="$GOBIN/.$name@${spec##*@}"
  [ -x "$GOBIN/$name" ] && [ -f "$stamp" ] && continue
  echo "installing $spec"
  go install "$spec"
  rm -f "$GOBIN/.$name@"*
  touch "$stamp"
done
