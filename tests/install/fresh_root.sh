#!/bin/sh
# Installs polewright in a fresh Debian, boots it in a container, and tries the service there:
#   ./run install-test [bookworm | trixie] [--keep DIR] [--from COPY] [--once | --boot-only]
# Needs root, a network, and the Debian packages mmdebstrap and systemd-container. The installation
# has the host's network; the booted container has only its own loopback, so nothing here is
# touched. Where the kernel boots no container, the service is started by hand in the fresh root.
set -eu
HERE=$(CDPATH='' cd -- "$(dirname -- "$0")/../.." && pwd -P)
SUITE=bookworm
ROOM=
FROM=$HERE
INSTALL=yes
while [ $# -gt 0 ]; do
    case $1 in
        --keep) ROOM=$2; shift ;;
        --from) FROM=$2; shift ;;
        --once) INSTALL=once ;;  # neither again nor an upgrade: quicker
        --boot-only) INSTALL= ;;  # what a kept room already has is booted again
        *) SUITE=$1 ;;
    esac
    shift
done
say() { printf '%s\n' "install-test: $*" >&2; }
[ "$(id -u)" -eq 0 ] || { say "this needs root: a fresh root file system is made and booted"; exit 2; }
if [ -z "$ROOM" ]; then
    ROOM=$(mktemp -d /var/tmp/polewright-install.XXXXXX)
    trap 'rm -rf "$ROOM"' EXIT
fi
ROOT=$ROOM/$SUITE
if [ ! -d "$ROOT" ]; then
    say "making a fresh $SUITE"
    mkdir -p "$ROOM"
    mmdebstrap --quiet --variant=minbase --include=systemd,systemd-sysv,dbus,iproute2 "$SUITE" "$ROOT"
fi

inside() {
    systemd-nspawn --quiet --register=no --keep-unit --resolv-conf=copy-host --timezone=off --directory="$ROOT" \
        ${PIP_CERT:+--setenv=PIP_CERT=/etc/polewright-test-authorities.pem} ${PIP_INDEX_URL:+--setenv=PIP_INDEX_URL="$PIP_INDEX_URL"} "$@"
}
install_twice_and_upgrade() {
    # What this machine needs to reach the packages, the fresh one needs as well.
    if [ -n "${PIP_CERT:-}" ]; then cp "$PIP_CERT" "$ROOT/etc/polewright-test-authorities.pem"; fi
    rm -rf "$ROOT/root/polewright"
    mkdir -p "$ROOT/root/polewright"
    if [ -e "$FROM/.git" ]; then
        (cd "$FROM" && git ls-files --cached --others --exclude-standard | LC_ALL=C sort -u |
            while IFS= read -r name; do if [ -e "$name" ]; then printf '%s\n' "$name"; fi; done | tar -T - -cf -)
    else
        tar -C "$FROM" -cf - .
    fi | tar -xf - -C "$ROOT/root/polewright" --no-same-owner

    say "installing"
    inside /bin/sh /root/polewright/configs/install/install.sh
    [ "$INSTALL" = yes ] || return 0
    say "installing again: nothing must be made anew"
    inside /bin/sh /root/polewright/configs/install/install.sh 2>&1 | tee "$ROOT/root/again.txt"
    grep -q 'is here already' "$ROOT/root/again.txt"
    grep -q 'is kept as it is' "$ROOT/root/again.txt"
    say "upgrading to a copy that differs"
    echo 'A later version.' >>"$ROOT/root/polewright/docs/operations.md"
    echo '# a word of the owner' >>"$ROOT/etc/polewright/polewright.toml"
    inside /bin/sh /root/polewright/configs/install/install.sh
    grep -q 'a word of the owner' "$ROOT/etc/polewright/polewright.toml"
}
if [ -n "$INSTALL" ]; then install_twice_and_upgrade; fi

cp "$HERE/tests/install/booted.sh" "$ROOT/root/booted.sh"
cat >"$ROOT/etc/systemd/system/polewright-try.service" <<'UNIT'
[Unit]
After=multi-user.target polewright.service
[Service]
Type=oneshot
ExecStart=/bin/sh /root/booted.sh
StandardOutput=file:/root/tried.txt
StandardError=file:/root/tried.txt
TimeoutStartSec=1500
ExecStopPost=/bin/systemctl --no-block poweroff
UNIT
mkdir -p "$ROOT/etc/systemd/system/default.target.wants"
ln -sf ../polewright-try.service "$ROOT/etc/systemd/system/default.target.wants/polewright-try.service"
rm -f "$ROOT/root/tried.txt"
say "booting it"
timeout 1800 systemd-nspawn --quiet --register=no --keep-unit --private-network --timezone=off --directory="$ROOT" --boot >"$ROOM/boot.log" 2>&1 </dev/null || :
if [ ! -s "$ROOT/root/tried.txt" ]; then
    say "this kernel boots no container (see the last lines); starting the service by hand instead"
    tail -n 5 "$ROOM/boot.log" >&2
    inside --private-network --setenv=POLEWRIGHT_BY_HAND=1 /bin/sh /root/booted.sh >"$ROOT/root/tried.txt" 2>&1 || :
fi
cat "$ROOT/root/tried.txt"
tail -n 1 "$ROOT/root/tried.txt" | grep -qx 'all tried'
