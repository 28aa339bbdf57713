#!/bin/sh
# Installs polewright as a service of this machine; the same command upgrades it.
#   configs/install/install.sh                    install, or upgrade to this copy's version
#   configs/install/install.sh rollback           back to the version before
#   configs/install/install.sh uninstall          remove it; settings and journal stay
#   configs/install/install.sh uninstall --purge  remove settings, journal and user as well
# For 64-bit Debian 12/13 and Raspberry Pi OS. It says what it does, and asks for root (sudo) where
# that is needed. What goes where: docs/operations.md.
set -eu
HERE=$(CDPATH='' cd -- "$(dirname -- "$(readlink -f -- "$0")")" && pwd -P)
BASE=/opt/polewright
ETC=/etc/polewright
STATE=/var/lib/polewright
UNITS=/usr/local/lib/systemd/system
COMMAND=/usr/local/bin/polewright
LEAST_FREE_MB=1500
KEPT_BACKUPS=3

say() { printf '%s\n' "install: $*" >&2; }
die() { say "$*"; exit 1; }
root() { if [ "$(id -u)" -eq 0 ]; then "$@"; else sudo "$@"; fi; }
runs_systemd() { [ -d /run/systemd/system ]; }
is_there() { root test -e "$1"; }
release_of() { if [ -L "$BASE/$1" ]; then basename -- "$(readlink "$BASE/$1")"; fi; }

need_root() {
    [ "$(id -u)" -eq 0 ] && return 0
    command -v sudo >/dev/null 2>&1 || die "root is needed for $BASE, $ETC and the service: run this as root, or install sudo"
    say "root is needed for $BASE, $ETC and the service: sudo may ask for your password"
    sudo true || die "sudo was refused; nothing was changed"
}

need_machine() {
    [ -f "$SOURCE/configs/requirements.txt" ] || die "$SOURCE is not polewright's folder"
    case $(uname -m) in
        x86_64 | aarch64) ;;
        *) die "$(uname -m): polewright needs a 64-bit system, x86-64 or ARM" ;;
    esac
    missing=
    for package in python3 python3-venv openssl; do
        dpkg-query -W -f '${db:Status-Status}' "$package" 2>/dev/null | grep -qx installed || missing="$missing $package"
    done
    if [ -n "$missing" ]; then
        say "installing the missing system packages:$missing"
        root env DEBIAN_FRONTEND=noninteractive apt-get -q -o APT::Update::Error-Mode=any update >/dev/null ||
            say "the package lists could not be refreshed; trying with those that are here"
        # shellcheck disable=SC2086
        root env DEBIAN_FRONTEND=noninteractive apt-get -q -y --no-install-recommends install $missing >/dev/null ||
            die "the system packages could not be installed: is there a network?"
    fi
    python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
        die "this is $(python3 -V 2>&1); polewright needs Python 3.11 or newer"
    free=$(df -Pm /opt | awk 'NR == 2 { print $4 }')
    [ "$free" -ge "$LEAST_FREE_MB" ] || die "only $free MB free under /opt; $LEAST_FREE_MB are needed"
}

# What a release is made of decides its name: the same sources are not installed twice.
name_release() {
    version=$(sed -n 's/^version = "\(.*\)"$/\1/p' "$SOURCE/pyproject.toml")
    sum=$( (cd "$SOURCE" && python3 -V && find daemon drivers configs docs pyproject.toml LICENSE -type f \
        ! -name '*.pyc' | LC_ALL=C sort | xargs sha256sum) | sha256sum | cut -c1-10)
    printf '%s-%s\n' "$version" "$sum"
}

make_user() {
    getent passwd polewright >/dev/null && return 0
    say "making the system user polewright (no login, no password, no further groups)"
    root useradd --system --user-group --home-dir "$STATE" --no-create-home --shell /usr/sbin/nologin polewright
}

# A virtual environment of its own for each release. One whose making was cut short is made afresh.
make_release() {
    release=$BASE/releases/$1
    if is_there "$release/complete"; then
        say "release $1 is here already"
        return 0
    fi
    say "making release $1 in $release (the pinned packages are fetched: some minutes)"
    root rm -rf "$release"
    root install -d -m 755 "$BASE" "$BASE/releases"
    root python3 -m venv "$release"
    root env PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_ROOT_USER_ACTION=ignore PIP_NO_CACHE_DIR=1 "$release/bin/python" -m pip install --quiet \
        --require-hashes --no-deps --only-binary :all: -r "$SOURCE/configs/requirements.txt" ||
        die "the packages could not be installed: is there a network? What ran before goes on."
    # Built from a copy: nothing is left behind in the folder that this came from.
    copy=$(root mktemp -d)
    (cd "$SOURCE" && tar -cf - --exclude='__pycache__' pyproject.toml README.md CHANGELOG.md LICENSE DEVELOPERS.md daemon drivers configs docs) |
        root tar -xf - -C "$copy" --no-same-owner
    root env PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_ROOT_USER_ACTION=ignore "$release/bin/python" -m pip install --quiet --no-deps --no-index \
        --no-build-isolation "$copy" || { root rm -rf "$copy"; die "polewright itself could not be installed"; }
    root cp -r "$copy/configs" "$copy/docs" "$copy/LICENSE" "$copy/CHANGELOG.md" "$release/"
    root rm -rf "$copy"
    root chmod -R u=rwX,go=rX "$release"
    root touch "$release/complete"
}

# Settings are written once, and never changed again.
settle_settings() {
    root install -d -m 755 "$ETC"
    # Secrets, such as the broker's password: for the service alone.
    root install -d -m 750 -o root -g polewright "$ETC/secrets"
    if is_there "$ETC/polewright.toml"; then
        root "$BASE/releases/$1/bin/polewright" config check "$ETC/polewright.toml" >/dev/null ||
            die "release $1 does not take $ETC/polewright.toml: correct it, then run this again. What ran before goes on."
        say "$ETC/polewright.toml is kept as it is"
        return 0
    fi
    say "writing $ETC/polewright.toml: every setting with its meaning; put in your site and devices"
    root "$BASE/releases/$1/bin/polewright" config init "$ETC/polewright.toml" >/dev/null
    root chmod 644 "$ETC/polewright.toml"
}

# A newer version may change the journal in a way that an older one does not read.
back_up() {
    [ -n "$(release_of current)" ] && [ -x "$COMMAND" ] || return 0
    is_there "$STATE" || return 0
    root install -d -m 700 -o polewright -g polewright "$STATE/backups"
    # The clock of a small computer may stand still: the number makes the name new.
    number=$(root ls "$STATE/backups" | wc -l)
    copy=$STATE/backups/$(date -u +%Y%m%dT%H%M%SZ)-$number-before-$1.sqlite
    if root "$COMMAND" history --backup "$copy" >/dev/null 2>&1; then
        say "the journal is copied to $copy"
    else
        say "no journal to copy yet"
    fi
    root ls -1t "$STATE/backups" | tail -n +$((KEPT_BACKUPS + 1)) | while read -r old; do
        root rm -f "$STATE/backups/$old"
    done
}

# Points $1 at release $2 in one step: there is no moment without it.
point() {
    root ln -sfn "releases/$2" "$BASE/$1.new"
    root mv -T "$BASE/$1.new" "$BASE/$1"
}

take_into_use() {
    point current "$1"
    root install -d -m 755 "$UNITS" "$(dirname "$COMMAND")"
    root install -m 644 "$BASE/current/configs/systemd/"polewright*.* "$UNITS/"
    root install -m 755 "$BASE/current/configs/install/polewright" "$COMMAND"
    if ! command -v systemctl >/dev/null 2>&1; then
        say "systemd is not here: start the service by hand, $BASE/current/bin/polewright run"
        return 0
    fi
    root systemctl --quiet enable polewright.service
    if ! runs_systemd; then
        say "systemd does not run now: the service starts with the machine"
        return 0
    fi
    root systemctl daemon-reload
    say "starting the service"
    root systemctl restart polewright.service
}

install_or_upgrade() {
    SOURCE=$(dirname -- "$(dirname -- "$HERE")")
    need_root
    need_machine
    new=$(name_release)
    old=$(release_of current)
    make_user
    make_release "$new"
    settle_settings "$new"
    if [ -n "$old" ] && [ "$old" != "$new" ]; then back_up "$new"; fi
    if ! take_into_use "$new"; then
        if [ -n "$old" ] && [ "$old" != "$new" ]; then
            say "release $new does not start (journalctl -u polewright -n 50); going back to $old"
            take_into_use "$old"
            die "upgrade undone: $old runs again"
        fi
        die "the service does not start: journalctl -u polewright -n 50 says why"
    fi
    if [ -n "$old" ] && [ "$old" != "$new" ]; then point previous "$old"; fi
    for release in "$BASE/releases/"*; do
        case $(basename "$release") in
            "$(release_of current)" | "$(release_of previous)") ;;
            *) say "removing the old release $(basename "$release")"; root rm -rf "$release" ;;
        esac
    done
    say "done: $new. Next: edit $ETC/polewright.toml, then: sudo systemctl restart polewright; sudo polewright doctor"
}

rollback() {
    old=$(release_of current)
    before=$(release_of previous)
    [ -n "$before" ] || die "there is no version before to go back to"
    need_root
    is_there "$BASE/releases/$before/complete" || die "release $before is not whole any more"
    say "going back from $old to $before"
    point previous "$old"
    take_into_use "$before" || die "$before does not start: journalctl -u polewright -n 50 says why"
    say "done: $before. If it cannot read the journal, put back the copy from before the upgrade:"
    say "  sudo systemctl stop polewright; sudo polewright history --restore $STATE/backups/FILE; sudo systemctl start polewright"
}

uninstall() {
    need_root
    if command -v systemctl >/dev/null 2>&1; then
        if runs_systemd; then
            say "stopping the service"
            root systemctl stop polewright.service || :
        fi
        root systemctl --quiet disable polewright.service || :
    fi
    say "removing $BASE, $COMMAND and the unit"
    root rm -rf "$BASE" "$COMMAND" "$UNITS/"polewright*.*
    runs_systemd && root systemctl daemon-reload
    if [ "${1:-}" != --purge ]; then
        say "done; $ETC, $STATE and the user polewright stay (uninstall --purge removes them)"
        return 0
    fi
    say "removing $ETC, $STATE, /var/cache/polewright and the user polewright: the journal is gone"
    root rm -rf "$ETC" "$STATE" /var/cache/polewright
    if getent passwd polewright >/dev/null; then root userdel polewright; fi
    say "done"
}

case ${1:-install} in
    install) install_or_upgrade ;;
    rollback) rollback ;;
    uninstall) uninstall "${2:-}" ;;
    name) SOURCE=$(dirname -- "$(dirname -- "$HERE")"); name_release ;;  # what this copy would be called
    *) sed -n '2,8s/^# \{0,1\}//p' "$0"; exit 2 ;;
esac
