#!/bin/sh
# Verifies the polar axis, and begins something only where it is good enough.
#
#   gate.sh COMMAND [ARGUMENT...]
#
# Nothing moves: the look needs no slew (--quick). What cannot be told (a cloud, the service just
# starting) is tried again, TRIES times in all and PAUSE seconds apart; what moved is not.
# Ends with 1 not good enough or moved, 2 wrong use, 3 cannot tell; else as COMMAND ends.
#
# COMMAND runs with nobody watching: point it at nothing that could turn into people or the Sun.
set -u

POLEWRIGHT=${POLEWRIGHT:-polewright}
CONFIG=${CONFIG:-}
TRIES=${TRIES:-3}
PAUSE=${PAUSE:-120}

say() { printf 'gate: %s\n' "$*" >&2; }

if [ $# -eq 0 ]; then
    say "usage: gate.sh COMMAND [ARGUMENT...]"
    exit 2
fi

try=1
while :; do
    "$POLEWRIGHT" verify --quick ${CONFIG:+--config "$CONFIG"} >&2
    status=$?
    case $status in
        0)
            say "good enough: beginning $1"
            exec "$@"
            ;;
        1)
            say "not good enough, or something moved: $1 is not begun"
            exit 1
            ;;
        3)
            if [ "$try" -ge "$TRIES" ]; then
                say "cannot tell after $try tries: $1 is not begun"
                exit 3
            fi
            say "cannot tell (try $try of $TRIES): again in $PAUSE s"
            sleep "$PAUSE"
            try=$((try + 1))
            ;;
        *)
            say "polewright ended with $status: $1 is not begun"
            exit 2
            ;;
    esac
done
