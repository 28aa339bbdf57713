#!/bin/sh
# The two bolts in a terminal, a serial display or a speech program, by mosquitto_sub alone:
#   configs/displays/bolts.sh kudu -h broker.local -u display -P word
# The first word is the mount's slug; what follows goes to mosquitto_sub.
# As one line:  mosquitto_sub -t 'polewright/kudu/correction/+_words' -F '%p'
set -eu
mount=${1:-mount}
[ $# -gt 0 ] && shift
base=polewright/$mount/correction
there=polewright/$mount/availability
# First whether the service lives: the broker keeps what a dead one said last.
mosquitto_sub "$@" -F '%t %p' -t "$there" -t "$base/altitude_words" -t "$base/azimuth_words" -t "$base/verdict" |
    while read -r topic words; do
        if [ "$topic" = "$there" ]; then
            alive=$words
            [ "$alive" = online ] || echo 'the service is offline: whatever stands above is old'
        fi
        [ "${alive:-online}" = online ] || continue
        # The embedded broker brings other topics, too.
        case $topic in
            "$base/altitude_words") printf 'altitude: %s\n' "$words" ;;
            "$base/azimuth_words") printf 'azimuth:  %s\n' "$words" ;;
            "$base/verdict") printf '%s\n' "$words" | tr _ ' ' ;;
        esac
    done
