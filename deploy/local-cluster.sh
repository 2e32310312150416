#!/usr/bin/env bash
# Runs the suite on this machine as a cluster: three event servers, two processes of every part, PostgreSQL behind them. Interrupt it to end
# them all. The same folder, with the same databases, goes on where it was ended.
#
#   COLDSECTION_POSTGRES=postgres://user@127.0.0.1/coldsection deploy/local-cluster.sh FOLDER [FIRST_PORT]
#
# COLDSECTION_PROGRAM names a built program; without it, the program is built into the folder. It takes 18 ports on loopback from FIRST_PORT
# on, 18000 without one: six for the event servers, eight for the parts, then two for HTTP and two for gRPC of the gateways.
set -euo pipefail
postgres=${COLDSECTION_POSTGRES:?names the PostgreSQL server, such as postgres://user@127.0.0.1/coldsection}
unset COLDSECTION_POSTGRES
folder=${1:?names the folder for the secret, the event servers and the logs}
port=${2:-18000}
if [ -e "$folder" ] && [ ! -s "$folder/secret" ]; then
  echo "$folder is there already, and no cluster was started in it: it has no secret. Name a new folder, or that of an earlier start." >&2
  exit 2
fi
mkdir -p "$folder"
folder=$(cd "$folder" && pwd)
program=${COLDSECTION_PROGRAM:-$folder/coldsection}
unset COLDSECTION_PROGRAM
if [ ! -x "$program" ]; then
  (cd "$(dirname "$0")/.." && go build -o "$program" ./services/cmd/coldsection)
fi
if [ ! -s "$folder/secret" ]; then
  (umask 077 && od -An -N32 -tx1 /dev/urandom | tr -d ' \n' >"$folder/secret")
fi

if [ ! -s "$folder/event-keys/public" ]; then
  "$program" event-keys "$folder/event-keys" >/dev/null
fi

pids=()
finish() {
  trap - EXIT INT TERM
  for pid in "${pids[@]}"; do kill "$pid" 2>/dev/null || true; done
  wait
}
trap finish EXIT
trap 'exit 0' INT TERM

# launch NAME ARGUMENTS... runs the program with its output in a file of that name.
launch() {
  local name=$1
  shift
  mkdir -p "$folder/$name"
  rm -f "$folder/$name/out" # what an earlier start printed says nothing of this one
  "$program" "$@" >"$folder/$name/out" 2>"$folder/$name/log" &
  pids+=($!)
}

# ready NAME... waits until each says so; one that ended is an error.
ready() {
  for name in "$@"; do
    for _ in $(seq 600); do
      grep -q '^Ready' "$folder/$name/out" 2>/dev/null && continue 2
      sleep 0.1
    done
    echo "$name does not get ready; its log is $folder/$name/log" >&2
    tail -n 3 "$folder/$name/log" >&2
    exit 1
  done
}

routes=127.0.0.1:$((port + 3)),127.0.0.1:$((port + 4)),127.0.0.1:$((port + 5))
servers=nats://127.0.0.1:$port,nats://127.0.0.1:$((port + 1)),nats://127.0.0.1:$((port + 2))
for i in 0 1 2; do
  launch "events-$i" event-server --name "events-$i" --state "$folder/events-$i/data" --listen "127.0.0.1:$((port + i))" --cluster "127.0.0.1:$((port + 3 + i))" --route "$routes" --keys "$folder/event-keys/public"
done
ready events-0 events-1 events-2

common=(--postgres "$postgres" --nats "$servers" --secret "$folder/secret" --event-keys "$folder/event-keys")
next=$((port + 6))
parts=(compliance consumables performance workorders)
for part in "${parts[@]}"; do
  common+=(--address "$part=127.0.0.1:$next,127.0.0.1:$((next + 1))")
  next=$((next + 2))
done
next=$((port + 6))
names=()
for part in "${parts[@]}"; do
  for i in 0 1; do
    launch "$part-$i" serve "$part" --state "$folder/$part-$i" --listen "$part=127.0.0.1:$((next + i))" "${common[@]}"
    names+=("$part-$i")
  done
  next=$((next + 2))
done
for i in 0 1; do
  launch "gateway-$i" serve gateway --state "$folder/gateway-$i" --http "127.0.0.1:$((next + i))" --grpc "127.0.0.1:$((next + 2 + i))" "${common[@]}"
  ready "gateway-$i" # one after the other: of the links for the first administrator, the newest works
  names+=("gateway-$i")
done
ready "${names[@]}"
cat "$folder/gateway-1/out"
grep '^Ready' "$folder/gateway-0/out"
echo "Ready: 13 processes."
wait -n || true
for name in "${names[@]}"; do tail -n 1 "$folder/$name/log" | grep -i error || true; done
echo "A process ended, so all end." >&2
exit 1
