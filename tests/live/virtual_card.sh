#!/usr/bin/env bash
# A sound card made of software: runs COMMAND with a private PulseAudio server, on a machine without
# card, session or configuration, as any user. What is played on the sink `room` is heard on the
# source `room.monitor`; both are the default. `hall` is a second pair.
#
#   virtual_card.sh COMMAND [ARGUMENT...]   runs COMMAND beside a server; its exit status is ours
#   virtual_card.sh --serve FOLDER          only the server, in a folder that the first form made
#
# COMMAND finds CARD_FOLDER and CARD_PID (the server) in its environment.
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)

serve() {
  local folder=$1
  rm -f "$folder/socket"
  # `norewinds`: otherwise a monitor may stay silent for a second and then come in a burst.
  cat >"$folder/server.pa" <<PA
load-module module-native-protocol-unix auth-anonymous=1 socket=$folder/socket
load-module module-null-sink sink_name=room rate=${CARD_RATE:-48000} channels=2 format=float32le norewinds=1
load-module module-null-sink sink_name=hall rate=${CARD_RATE:-48000} channels=2 format=float32le norewinds=1
set-default-sink room
set-default-source room.monitor
PA
  exec pulseaudio -n -F "$folder/server.pa" --daemonize=no --use-pid-file=no \
    --exit-idle-time=-1 --disallow-exit --realtime=no --high-priority=no \
    --log-target=file:"$folder/server.log" </dev/null >"$folder/server.out" 2>&1
}

environment() {
  local folder=$1
  export HOME=$folder XDG_CONFIG_HOME=$folder/.config XDG_RUNTIME_DIR=$folder
  export PULSE_RUNTIME_PATH=$folder PULSE_STATE_PATH=$folder PULSE_SERVER=unix:$folder/socket
  export ALSA_CONFIG_PATH=$here/asound.conf CARD_FOLDER=$folder
  unset DBUS_SESSION_BUS_ADDRESS DISPLAY PULSE_COOKIE PULSE_SINK PULSE_SOURCE
}

if [ "${1:-}" = --serve ]; then
  environment "$2"
  serve "$2"
fi

folder=$(mktemp -d -t card.XXXXXX)
environment "$folder"
( serve "$folder" ) &
export CARD_PID=$!
# Not a job of this shell any more: a test may kill it, and nobody shall comment on that.
disown "$CARD_PID"
trap 'kill "$CARD_PID" 2>/dev/null || true; sleep 0.2; rm -rf "$folder"' EXIT
tries=0
until pactl info >/dev/null 2>&1; do
  tries=$((tries + 1))
  if [ "$tries" -gt 100 ] || ! kill -0 "$CARD_PID" 2>/dev/null; then
    echo "the sound server does not start:" >&2
    cat "$folder/server.out" "$folder/server.log" >&2 || true
    exit 1
  fi
  sleep 0.1
done
status=0
"$@" || status=$?
exit "$status"
