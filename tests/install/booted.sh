#!/bin/sh
# What is tried in the fresh machine, as root: the service under its real sandbox and manager.
set -eu
step() { printf '\n== %s\n' "$*"; }
fail() { printf 'FAILED: %s\n' "$*"; journalctl -u polewright --no-pager -n 40 -o cat 2>/dev/null || :; exit 1; }
shown() { systemctl show polewright -P "$1"; }
# within SECONDS COMMAND...: until it succeeds.
within() {
    left=$1
    shift
    until "$@" >/dev/null 2>&1; do
        [ "$left" -gt 0 ] || return 1
        left=$((left - 1))
        sleep 1
    done
}
follower() { setpriv --reuid follower --regid follower --clear-groups env -i PATH="$PATH" HOME=/home/follower "$@"; }

useradd --create-home follower 2>/dev/null || :

if [ -n "${POLEWRIGHT_BY_HAND:-}" ]; then
    step "the service by hand"
    ip link set lo up
    systemd-analyze verify /usr/local/lib/systemd/system/polewright.service
    install -d -m 700 -o polewright -g polewright /var/lib/polewright /var/cache/polewright /run/polewright
    polewright run >/root/service.log 2>&1 &
    service=$!
    answers() { follower polewright status | grep -q 'state\|idle\|devices'; }
    within 60 answers || { cat /root/service.log; fail "no answer"; }
    follower polewright status || :
    kill "$service"
    wait "$service" || fail "it did not end in order"
    echo 'all tried'
    exit 0
fi

step "the unit"
systemd-analyze verify polewright.service
systemd-analyze security --no-pager polewright.service | tail -n 1

step "it is up, and says how it stands"
within 60 systemctl --quiet is-active polewright || fail "not active"
systemctl show polewright -p ActiveState,StatusText,WatchdogUSec,User,NRestarts
grep -E '^(CapEff|NoNewPrivs|Seccomp):' "/proc/$(shown MainPID)/status"
follower polewright status || [ $? -eq 3 ] || fail "status"

step "files are its own"
ls -ld /etc/polewright /etc/polewright/secrets /var/lib/polewright /var/cache/polewright /run/polewright
[ "$(stat -c %a:%U /var/lib/polewright)" = 700:polewright ] || fail "the state's folder"
if follower ls /var/lib/polewright 2>/dev/null; then fail "others read the journal"; fi

step "a survey under the sandbox, of a simulated mount"
cp /etc/polewright/polewright.toml /root/settings-kept.toml
# Where it is about midnight now: the simulator goes by the host's clock, and stars are needed.
longitude=$(python3 -c 'import time; t = time.gmtime(); print((-15.0 * (t.tm_hour + t.tm_min / 60.0) + 180.0) % 360.0 - 180.0)')
cat >/etc/polewright/polewright.toml <<TOML
[site]
latitude_deg = -32.40
longitude_deg = $longitude
elevation_m = 1250.0
[mount]
slug = "kudu"
device = "Kudu"
[camera]
device = "Hoopoe"
exposure_s = 1.0
focal_length_mm = 50.0
pixel_size_um = 3.75
[metrics]
port = 9478
TOML
# A wide field, whose patterns are made in seconds.
printf '[clock]\nhost_clock = true\n[site]\nlongitude_deg = '"$longitude"'\n[camera]\nfocal_length_mm = 50.0\ntold_focal_length_mm = 50.0\n' >/root/sky.toml
systemd-run --quiet --unit=simulator /opt/polewright/current/bin/polewright-sky-simulator --port 7624 --seed 11 --sky /root/sky.toml
systemctl restart polewright
attached() { shown StatusText | grep -q 'idle: ready'; }
within 480 attached || fail "no devices: $(shown StatusText)"
shown StatusText
# 1: measured, and not good enough yet.
follower polewright survey --clear && code=0 || code=$?
[ "$code" -le 1 ] || fail "no survey: exit code $code"
follower polewright status | grep -q 'arcmin' || fail "the survey is not told"
follower polewright stop || fail "stop"
follower polewright status || :
polewright doctor || :
polewright page || :
step "metrics"
python3 - <<'PY'
import urllib.request
text = urllib.request.urlopen("http://127.0.0.1:9478/metrics", timeout=5).read().decode()
print("\n".join(line for line in text.splitlines() if not line.startswith("#"))[:1500])
assert "polewright_info" in text
PY
systemctl show polewright -p MemoryPeak,MemoryCurrent,CPUUsageNSec,TasksCurrent

step "the log is JSON, and holds no token"
journalctl -u polewright -o cat --no-pager | grep '"level"' | tail -n 2
token=$(sed -n 's/^command *= *//p' /var/lib/polewright/*-page-tokens.txt 2>/dev/null || :)
if [ -n "$token" ] && journalctl -u polewright --no-pager | grep -qF "$token"; then fail "a token in the log"; fi

step "a hung service is started anew by the watchdog"
mkdir -p /run/systemd/system/polewright.service.d
printf '[Service]\nWatchdogSec=6\n' >/run/systemd/system/polewright.service.d/soon.conf
systemctl daemon-reload
systemctl restart polewright
before=$(shown NRestarts)
kill -STOP "$(shown MainPID)"
renewed() { [ "$(shown NRestarts)" -gt "$before" ] && systemctl --quiet is-active polewright; }
within 60 renewed || fail "not started anew"
systemctl show polewright -p NRestarts,ActiveState,StatusText
journalctl -u polewright --no-pager -o cat | grep -i watchdog | tail -n 2

step "wrong settings: it gives up at once, and says why"
echo 'nonsense = 1' >>/etc/polewright/polewright.toml
systemctl restart polewright || :
sleep 2
systemctl show polewright -p ActiveState,Result,ExecMainStatus
journalctl -u polewright --no-pager -o cat -n 5
[ "$(shown ExecMainStatus)" = 2 ] || fail "exit code"
cp /root/settings-kept.toml /etc/polewright/polewright.toml
rm -r /run/systemd/system/polewright.service.d
systemctl daemon-reload
systemctl reset-failed polewright
systemctl restart polewright

if [ -L /opt/polewright/previous ]; then
    step "back to the version before, and forth"
    now=$(readlink /opt/polewright/current)
    sh /opt/polewright/current/configs/install/install.sh rollback
    [ "$(readlink /opt/polewright/current)" != "$now" ] || fail "still $now"
    within 60 systemctl --quiet is-active polewright || fail "not active after going back"
    sh /opt/polewright/current/configs/install/install.sh rollback
    [ "$(readlink /opt/polewright/current)" = "$now" ] || fail "not forth again"
fi

step "an upgrade that does not start is taken back"
before=$(readlink /opt/polewright/current)
echo 'A version that does not start.' >>/root/polewright/docs/operations.md
broken=/opt/polewright/releases/$(sh /root/polewright/configs/install/install.sh name)
mkdir -p "$broken/bin"
cp -r /opt/polewright/current/configs "$broken/"
printf '#!/bin/sh\n[ "$1" = config ]\n' >"$broken/bin/polewright"
chmod 755 "$broken/bin/polewright"
touch "$broken/complete"
if sh /root/polewright/configs/install/install.sh; then fail "it was called good"; fi
[ "$(readlink /opt/polewright/current)" = "$before" ] || fail "it stayed"
within 60 systemctl --quiet is-active polewright || fail "not active after it was taken back"
ls /var/lib/polewright/backups

step "it ends in order"
systemctl stop polewright
systemctl show polewright -p ActiveState,Result,ExecMainStatus
[ "$(shown Result)" = success ] || fail "it did not end in order"

step "removed"
cp /opt/polewright/current/configs/install/install.sh /root/remove.sh
sh /root/remove.sh uninstall
[ -e /etc/polewright/polewright.toml ] || fail "the settings are gone"
sh /root/remove.sh uninstall --purge
for left in /opt/polewright /etc/polewright /var/lib/polewright /var/cache/polewright /usr/local/bin/polewright; do
    [ ! -e "$left" ] || fail "$left is left"
done
if getent passwd polewright; then fail "the user is left"; fi
echo 'all tried'
