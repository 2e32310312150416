#!/usr/bin/env bash
# Judges the suite, through its public API, on fleets that nobody looked at: one for each seed from FIRST on, each of 20 engines, the invented
# engines and three scatters by turns. Some minutes. More folders are judged with them.
# Usage: integration/fleet/fresh.sh FIRST COUNT FOLDER [FLEET ...]
set -euo pipefail
cd "$(dirname "$0")/../.."
first=${1:?the first seed} count=${2:?how many fleets} folder=${3:?a folder for the fleets}
shift 3
faults=none,none,none,none,fouling,fouling,fouling,fouling_fast,fouling_fast,fouling_fast
faults+=,hot_section,hot_section,bleed_leak,bleed_leak,itt_bias,itt_bias,torque_bias,torque_bias,fouling_then_hot,fouling_then_hot
noises=(1 0.7 1.5 1 1.5 0.7)
fleets=()
for ((i = 0; i < count; i++)); do
  fleets+=("$folder/$((first + i))")
  go run ./integration/fleetgen/generate --seed "$((first + i))" --engine "$((i % 4))" --noise "${noises[i % 6]}" --faults "$faults" "${fleets[i]}"
done
go run ./integration/fleet --days 60 "${fleets[@]}" "$@"
