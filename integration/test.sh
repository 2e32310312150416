#!/usr/bin/env bash
# Runs every test of the suite, from unit tests to the distributed scenarios, on a machine that has Go and nothing else.
#
#   bash integration/test.sh                              everything
#   bash integration/test.sh ./services/compliance/...    some packages
#   bash integration/test.sh -run Recovery -v             any go test arguments
#
# Needs PostgreSQL's server programs, Chromium, readers of printed documents (qpdf, poppler, dmtxread, zbarimg), hledger,
# which checks the journal of stock, Python's icalendar, which reads calendars, and the statistics software that estimators are compared with (Python's numpy, scipy
# and statsmodels; R's strucchange, sandwich). As
# root on a Debian machine it installs them when they are missing; otherwise it says what to install and fails, because a
# test left out proves nothing. It starts a PostgreSQL of its own (a scratch folder, a free port of 127.0.0.1, data
# checksums) and stops it at the end, however it ends.
# COLDSECTION_TEST_POSTGRES (a superuser's connection string) or COLDSECTION_TEST_CHROMIUM (a program) use yours instead. In yours at most eight
# empty databases spare_… are left, which the next run takes.
set -euo pipefail
cd "$(dirname "$0")/.."

die() {
  echo "integration/test.sh: $*" >&2
  exit 1
}

# The folder of the newest PostgreSQL server programs, or nothing.
postgres_bin() {
  local initdb
  initdb=$(command -v initdb || true)
  [ -n "$initdb" ] || initdb=$(printf '%s\n' /usr/lib/postgresql/*/bin/initdb | sort -V | tail -n 1)
  if [ -x "$initdb" ]; then dirname "$(realpath "$initdb")"; fi
}

# The browser's program, or nothing.
chromium_path() {
  local name
  for name in "${COLDSECTION_TEST_CHROMIUM:-}" chromium chromium-browser google-chrome; do
    if [ -n "$name" ] && command -v "$name"; then return; fi
  done
}

# Whether the statistics software of integration/reference is there. Debian's Python is meant, not another one on the path.
python_answers() { /usr/bin/python3 -c 'import numpy, scipy, statsmodels.api' >/dev/null 2>&1; }
calendar_answers() { /usr/bin/python3 -c 'import icalendar' >/dev/null 2>&1; }
r_answers() { Rscript --vanilla -e 'library(strucchange); library(sandwich)' >/dev/null 2>&1; }

install_missing() {
  local packages=()
  [ -n "${COLDSECTION_TEST_POSTGRES:-}" ] || [ -n "$(postgres_bin)" ] || packages+=(postgresql)
  [ -n "$(chromium_path)" ] || packages+=(chromium fonts-dejavu-core)
  python_answers || packages+=(python3-numpy python3-scipy python3-statsmodels)
  calendar_answers || packages+=(python3-icalendar)
  r_answers || packages+=(r-base-core r-cran-strucchange r-cran-sandwich)
  local need program package
  for need in qpdf:qpdf pdftoppm:poppler-utils dmtxread:dmtx-utils zbarimg:zbar-tools hledger:hledger; do
    IFS=: read -r program package <<<"$need"
    command -v "$program" >/dev/null || packages+=("$package")
  done
  [ ${#packages[@]} -gt 0 ] || return 0
  [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null || die "missing: ${packages[*]}. As root on Debian:" \
    "apt-get install --no-install-recommends ${packages[*]}; elsewhere install the same programs, then run this again."
  echo "== installing ${packages[*]}"
  # Debian's package would start a server of its own; only its programs are wanted.
  if [ ! -e /etc/postgresql-common/createcluster.conf ]; then
    mkdir -p /etc/postgresql-common
    echo "create_main_cluster = false" >/etc/postgresql-common/createcluster.conf
  fi
  export DEBIAN_FRONTEND=noninteractive
  apt-get update -q </dev/null
  apt-get install -q -y --no-install-recommends -o Dpkg::Options::=--force-confold "${packages[@]}" </dev/null
}

# PostgreSQL refuses to run as root, so its programs run as an ordinary user then.
as_server() {
  if [ "$(id -u)" = 0 ]; then
    (cd / && runuser -u "$server_user" -- "$@")
  else
    "$@"
  fi
}

port_is_free() { ! (exec 3<>"/dev/tcp/127.0.0.1/$1") 2>/dev/null; }

# Ends the tests, the server and the scratch folder; does nothing the second time.
clean_up() {
  [ -d "$scratch" ] || return 0
  [ ! -s "$scratch/tests.pid" ] || kill -TERM -- "-$(cat "$scratch/tests.pid")" 2>/dev/null || true
  [ ! -d "$scratch/data" ] || as_server "$pg/pg_ctl" -D "$scratch/data" -m immediate stop >/dev/null 2>&1 || true
  rm -rf "$scratch"
}

# Traps can't run when this script is killed outright, so a second process watches for that.
clean_up_whatever_happens() {
  local main=$$
  trap clean_up EXIT
  trap 'exit 130' INT TERM HUP
  (
    trap '' INT TERM HUP
    trap - EXIT
    while kill -0 "$main" 2>/dev/null && [ -d "$scratch" ]; do sleep 1; done
    clean_up
  ) </dev/null >/dev/null 2>&1 &
}

start_postgres() {
  local port
  [ "$(id -u)" != 0 ] || chown "$server_user" "$scratch"
  as_server "$pg/initdb" -D "$scratch/data" -U postgres -A trust --data-checksums --encoding=UTF8 --locale=C.UTF-8 \
    >"$scratch/initdb.log" || die "initdb failed: $(cat "$scratch/initdb.log")"
  for _ in 1 2 3 4 5; do
    port=$((20000 + RANDOM % 12000))
    port_is_free "$port" || continue
    if as_server "$pg/pg_ctl" -D "$scratch/data" -l "$scratch/data/server.log" -w -t 60 start -o \
      "-c listen_addresses=127.0.0.1 -c port=$port -c unix_socket_directories= -c max_connections=400" >/dev/null; then
      export COLDSECTION_TEST_POSTGRES="postgres://postgres@127.0.0.1:$port/postgres?sslmode=disable"
      return
    fi
  done
  die "PostgreSQL did not start: $(tail -n 5 "$scratch/data/server.log" 2>/dev/null)"
}

# go test over the given arguments, or over everything, with the lines that matter repeated at the end.
run_tests() {
  local arguments=(-timeout 25m "$@") argument packages=() log=$scratch/go-test.log status=0 started=$SECONDS tests shown
  for argument in "$@"; do
    case $argument in . | ./* | ../* | coldsection.example*) packages+=("$argument") ;; esac
  done
  [ ${#packages[@]} -gt 0 ] || arguments+=(./...)
  echo "== go test ${arguments[*]}"
  : >"$log" # so that it is there before it is followed
  setsid go test "${arguments[@]}" </dev/null >"$log" 2>&1 &
  tests=$!
  echo "$tests" >"$scratch/tests.pid"
  tail -n +1 -f --pid="$tests" "$log" &
  shown=$!
  wait "$tests" || status=$?
  wait "$shown" || true # what it shows decides nothing
  rm "$scratch/tests.pid"
  echo "== closing lines"
  grep -E '^(--- FAIL|FAIL|panic:|ok )' "$log" || true
  echo "== $(grep -c '^ok ' "$log" || true) packages passed, $(grep -c '^FAIL[[:space:]]' "$log" || true) failed," \
    "$((SECONDS - started)) s"
  return "$status"
}

command -v go >/dev/null || die "missing: Go (see go.mod for the version). Install it and run this again."
install_missing
pg=$(postgres_bin)
server_user=$(id -un postgres 2>/dev/null || echo nobody)
scratch=$(mktemp -d)
clean_up_whatever_happens
[ -n "${COLDSECTION_TEST_POSTGRES:-}" ] || start_postgres
COLDSECTION_TEST_CHROMIUM=$(chromium_path)
[ -n "$COLDSECTION_TEST_CHROMIUM" ] || die "missing: chromium, although it was installed"
export COLDSECTION_TEST_CHROMIUM
.ci/tools.sh grpcurl oapi-codegen
export PATH="$PWD/.bin:$PATH"
echo "== PostgreSQL $COLDSECTION_TEST_POSTGRES, browser $COLDSECTION_TEST_CHROMIUM"
run_tests "$@"
