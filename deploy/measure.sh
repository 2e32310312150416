#!/usr/bin/env bash
# Measures what a single process costs: time from start to ready on an existing state folder, and memory when nobody calls.
set -euo pipefail
cd "$(dirname "$0")/.."
scratch=$(mktemp -d)
trap 'kill "$pid" 2>/dev/null || true; rm -rf "$scratch"' EXIT
pid=
go build -o "$scratch/coldsection" ./services/cmd/coldsection
"$scratch/coldsection" demo --exit --state "$scratch/state" >/dev/null

start() {
  : >"$scratch/out"
  "$scratch/coldsection" serve --state "$scratch/state" --http 127.0.0.1:0 --grpc 127.0.0.1:0 >"$scratch/out" 2>/dev/null &
  pid=$!
  until grep -q '^Ready' "$scratch/out"; do kill -0 "$pid"; done
}

for run in 1 2 3 4 5; do
  began=$(date +%s%N)
  start
  echo "start to ready, run $run: $((($(date +%s%N) - began) / 1000000)) ms"
  [ "$run" = 5 ] || { kill "$pid"; wait "$pid" || true; }
done
for second in 10 30; do
  sleep $((second == 10 ? 10 : 20))
  echo "resident memory after $second s without calls: $(($(awk '/^VmRSS/ {print $2}' "/proc/$pid/status") / 1024)) MB"
done
