#!/bin/sh
# The same three without a hub, by mosquitto_sub and jq: prints one line for each thing to be told. Pipe it into what
# wakes you:  sh wake_without_hub.sh HOST | while read -r line; do your-program "$line"; done
# HOST: the broker [localhost]; BASE: base_topic [vatvigil]; SILENT: seconds without a heartbeat that are silence [130];
# EVERY: seconds after which what nobody acknowledged is told again [900]; PORT, and MORE for options such as -u and -P.
set -u
host=${1:-localhost}; base=${BASE:-vatvigil}; silent=${SILENT:-130}; every=${EVERY:-900}; port=${PORT:-1883}
folder=$(mktemp -d) || exit 1
trap 'rm -rf "$folder"; trap - TERM; kill 0' INT TERM

hear() { mosquitto_sub -h "$host" -p "$port" -q 1 ${MORE:-} "$@" 2>> "$folder/errors"; }

# 1. Each high alarm, its reminders, and a lower one that was raised, as it comes.
while :; do
  hear -t "$base/vat/+/event" -t "$base/event" | jq --unbuffered -r '
    select(.priority == "high" and (.annunciates or .cause == "reminder" or .cause == "raised"))
    | if .lines == [] then .text else .lines | join(" ") end'
  sleep 1
done &

# 2. What stands unacknowledged, again and again: the broker keeps it, so nothing is lost while this was away.
while :; do
  sleep "$every"
  hear -W 2 --retained-only -t "$base/vat/+/alarms" -t "$base/system/alarms" | jq --unbuffered -r '
    select(.worst == "unacknowledged" and .priority == "high")
    | if .lines == [] then "An alarm stands unacknowledged." else .lines | join(" ") end'
done &

# 3. Nobody watches, until a heartbeat is heard.
while :; do
  end=$(($(date +%s) + silent))
  while left=$((end - $(date +%s))); [ "$left" -gt 0 ]; do
    hear -C 1 -W "$left" -t "$base/heartbeat" > "$folder/beat"
    [ -s "$folder/beat" ] && break
    sleep 1
  done
  [ -s "$folder/beat" ] || echo "Nobody watches the vats: look at watch, broker and network, and at the vats."
done
