#!/bin/sh
# Forwards what is worth a buzz (good_enough, moved, blocked) to any program that takes a text:
#   configs/displays/notify.sh kudu notify-send            on a desktop
#   configs/displays/notify.sh kudu ./to-my-phone.sh       gets the text as its last argument
# MQTT_OPTIONS goes to mosquitto_sub, for example: MQTT_OPTIONS='-h broker.local -u display -P word'
set -eu
mount=$1
shift
topic=polewright/$mount/event
# An event is one line of JSON; code and text stand in it as they are, quotes written as \".
field() { printf '%s\n' "$2" | sed -n 's/.*"'"$1"'":"\(\([^"\\]\|\\.\)*\)".*/\1/p' | sed 's/\\\(["\\/]\)/\1/g'; }
# shellcheck disable=SC2086
mosquitto_sub ${MQTT_OPTIONS:-} -F '%t %p' -t "$topic" | while read -r name event; do
    [ "$name" = "$topic" ] || continue
    code=$(field code "$event")
    case $code in
        good_enough | moved | blocked) "$@" "polewright $mount: $(field text "$event")" || : ;;
    esac
done
