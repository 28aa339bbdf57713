"""The check-up: walks the chain from the clock to the camera and says what to do at each step."""

import shutil
from collections.abc import AsyncIterator
from datetime import UTC, datetime
from pathlib import Path

from polewright.adapters.indi.connection import IndiConnection
from polewright.adapters.indi.discovery import (
    FoundDevice,
    Role,
    explain,
    list_devices,
    require,
)
from polewright.adapters.indi.rig import Rig
from polewright.adapters.mqtt.connection import open_client
from polewright.adapters.mqtt.instance import echo_comes_back, find_other_service
from polewright.adapters.solver.database import DatabaseCache, default_cache_directory
from polewright.adapters.solver.index_files import what_is_missing
from polewright.adapters.solver.solving import field_from_scale
from polewright.app.clock import HostClock, kept_right_from_outside
from polewright.app.findings import Finding, Mark
from polewright.app.first_frame import first_frame
from polewright.app.planning import asked_by_settings, planned_tolerance
from polewright.app.service import optics_scale, rig_of
from polewright.app.site import settle_site
from polewright.app.upkeep import upkeep
from polewright.core.errors import PolewrightError, UsageError
from polewright.core.geometry.directions import ARCMIN_RAD
from polewright.core.sky.doubts import Bars
from polewright.core.sky.instant import earth_orientation
from polewright.core.sky.place import Place
from polewright.core.sky.place_sources import name_of
from polewright.settings.model import Settings

# Below this a night's journal and the pattern files may not fit (bytes).
_LEAST_FREE_BYTES = 500_000_000


async def check_up(settings: Settings, settings_file: Path | None) -> AsyncIterator[Finding]:
    """Yield the findings in the order in which a person mends them."""
    yield _settings(settings, settings_file)
    yield _clock()
    yield _earth_orientation()
    yield _disk()
    async for finding in upkeep(settings):
        yield finding
    yield await _broker(settings)
    found: list[FoundDevice] = []
    server = await _server(settings, found)
    yield server
    if server.mark is not Mark.BAD:
        roles = _roles(settings, tuple(found))
        yield roles
        if roles.mark is not Mark.BAD:
            async for finding in _devices(settings):
                yield finding
    yield _second_solver()


def _settings(settings: Settings, path: Path | None) -> Finding:
    try:
        asked_by_settings(settings)
        tolerance = planned_tolerance(settings)
    except UsageError as wrong:
        return Finding(step="settings", mark=Mark.BAD, text=wrong.text, remedy=wrong.remedy)
    where = str(path) if path else "no file: every setting has its default"
    return Finding(
        step="settings",
        mark=Mark.GOOD if path else Mark.NOTE,
        text=f"{where}; good enough is {tolerance.error_rad / ARCMIN_RAD:.2f} arcmin "
        f"({tolerance.reason})",
        remedy="" if path else "Write one with `polewright config init`.",
    )


def _clock() -> Finding:
    said = f"{datetime.now(UTC):%Y-%m-%d %H:%M:%S} UTC"
    kept = kept_right_from_outside()
    if kept:
        return Finding(step="clock", mark=Mark.GOOD, text=f"{said}, set over the network (NTP)")
    nobody = "nobody here says whether it is set by NTP" if kept is None else "not set by NTP"
    return Finding(
        step="clock",
        mark=Mark.NOTE,
        text=f"{said}; {nobody}",
        remedy="Compare it with a watch: star methods forgive 10 s, the Sun does not. With a "
        "network `sudo timedatectl set-ntp true` sets it, without one `sudo date -u -s "
        "'YYYY-MM-DD HH:MM:SS'` (UTC, from the watch); a GPS receiver on the INDI server "
        "needs neither.",
    )


def _earth_orientation() -> Finding:
    known = earth_orientation(datetime.now(UTC)).known
    return Finding(
        step="earth rotation",
        mark=Mark.GOOD if known else Mark.NOTE,
        text="the packaged table covers today"
        if known
        else "the packaged table is too old: UT1-UTC is taken as 0, which stars forgive",
        remedy="" if known else "Update the package astropy-iers-data.",
    )


def _disk() -> Finding:
    directory = default_cache_directory()
    place = directory
    while not place.exists():
        place = place.parent
    free = shutil.disk_usage(place).free
    enough = free >= _LEAST_FREE_BYTES
    return Finding(
        step="disk",
        mark=Mark.GOOD if enough else Mark.BAD,
        text=f"{free / 1e9:.1f} GB free for star patterns and the journal",
        remedy="" if enough else "Make room: pattern files take up to 150 MB each.",
    )


async def _broker(settings: Settings) -> Finding:
    mqtt = settings.mqtt
    if mqtt.mode == "off":
        return Finding(
            step="broker", mark=Mark.NOTE, text="MQTT is switched off: no display can follow",
            remedy='Set [mqtt] mode = "embedded" or "external".',
        )  # fmt: skip
    try:
        async with open_client(mqtt, identifier="polewright-doctor") as (_, version):
            pass
        other, _ = await find_other_service(settings)
        echo = other is not None or await echo_comes_back(settings)
    except PolewrightError as trouble:
        if mqtt.mode == "embedded":
            return Finding(
                step="broker", mark=Mark.NOTE,
                text="the embedded broker is not running, since no service is",
                remedy="It starts with `polewright run`.",
            )  # fmt: skip
        return Finding(step="broker", mark=Mark.BAD, text=trouble.text, remedy=trouble.remedy)
    if not echo:
        base = f"{mqtt.root}/{settings.mount.slug}"
        return Finding(
            step="broker", mark=Mark.BAD,
            text=f"the broker lets this user in, but swallows what it sends below {base}/",
            remedy=f"Let this user read and write {base}/# in the broker's access list.",
        )  # fmt: skip
    runs = "a service for this mount runs" if other else "no service for this mount runs"
    return Finding(
        step="broker",
        mark=Mark.GOOD,
        text=f"{mqtt.host}:{mqtt.port} answers ({version.name}); {runs}",
    )


async def _server(settings: Settings, found: list[FoundDevice]) -> Finding:
    """Look what the server has; ``found`` is filled with it."""
    wanted = (settings.camera.device, settings.mount.device, settings.adjuster.device)
    try:
        async with IndiConnection.open(settings.indi.host, settings.indi.port) as connection:
            found += await list_devices(connection, expected=frozenset(filter(None, wanted)))
            names = "; ".join(device.described for device in found) or "no device"
    except PolewrightError as trouble:
        return Finding(step="INDI server", mark=Mark.BAD, text=trouble.text, remedy=trouble.remedy)
    return Finding(step="INDI server", mark=Mark.GOOD, text=names)


def _roles(settings: Settings, found: tuple[FoundDevice, ...]) -> Finding:
    """Say which device serves as what, and why."""
    try:
        require(found, Role.CAMERA, settings.camera.device)
        said = [
            explain(found, role, name)
            for role, name in (
                (Role.CAMERA, settings.camera.device),
                (Role.MOUNT, settings.mount.device),
                (Role.GPS, None),
                (Role.ADJUSTER, settings.adjuster.device),
            )
        ]
    except PolewrightError as trouble:
        return Finding(step="roles", mark=Mark.BAD, text=trouble.text, remedy=trouble.remedy)
    return Finding(step="roles", mark=Mark.GOOD, text="; ".join(said))


async def _devices(settings: Settings) -> AsyncIterator[Finding]:
    try:
        async with rig_of(settings) as rig:
            places: list[Place] = []
            async for finding in _place(settings, rig, places):
                yield finding
            yield await _mount(rig)
            async for finding in _camera(settings, rig):
                yield finding
            if await _served_already(settings):
                yield Finding(
                    step="first frame", mark=Mark.NOTE,
                    text="not taken: the service that runs would lose its own",
                    remedy="`polewright status` says what the service sees; or stop it and run "
                    "this again.",
                )  # fmt: skip
                return
            info = await rig.camera.info()
            async for finding in first_frame(settings, rig, next(iter(places), None), info):
                yield finding
    except PolewrightError as trouble:
        yield Finding(step="devices", mark=Mark.BAD, text=trouble.text, remedy=trouble.remedy)


async def _served_already(settings: Settings) -> bool:
    """Return whether a service takes frames with these devices now."""
    if settings.mqtt.mode == "off":
        return False
    try:
        other, _ = await find_other_service(settings)
    except PolewrightError:
        return False
    return other is not None


async def _place(settings: Settings, rig: Rig, places: list[Place]) -> AsyncIterator[Finding]:
    """Yield the place and time that hold, then each thing that does not fit; fill ``places``."""
    try:
        site = await settle_site(settings, rig, HostClock(), may_write=False)
    except PolewrightError as trouble:
        yield Finding(step="place", mark=Mark.BAD, text=trouble.text, remedy=trouble.remedy)
        return
    places.append(site.place)
    where = f"{site.place.latitude_deg:+.3f} {site.place.longitude_deg:+.3f} deg"
    source = name_of(site.reading.source) if site.reading else "the settings"
    yield Finding(
        step="place",
        mark=Mark.GOOD,
        text=f"{where}, from {source}; time from {name_of(site.time_source)}",
    )
    for doubt in site.doubts:
        yield Finding(
            step=doubt.code.replace("_", " "),
            mark=Mark.NOTE if doubt.bars is Bars.NOTHING else Mark.BAD,
            text=f"{doubt.text}; {doubt.consequence}",
            remedy=doubt.remedy,
        )


async def _mount(rig: Rig) -> Finding:
    if rig.mount is None:
        return Finding(
            step="mount", mark=Mark.NOTE, text="none: the axis is turned by hand",
            remedy="`polewright survey --by-hand` needs no mount.",
        )  # fmt: skip
    can = rig.mount.capabilities
    able = [
        word
        for word, yes in (
            ("slews", can.can_slew), ("aborts", can.can_abort), ("tracks", can.can_track),
            ("parks", can.can_park), ("syncs", can.can_sync),
            ("tells its pier side", can.has_pier_side), ("tells its place", can.has_place),
        )
        if yes
    ]  # fmt: skip
    able += [f"tracks at the {mode} rate" for mode in sorted(can.track_modes)]
    status = await rig.mount.status()
    parked = ", parked now" if status.parked else ""
    mark = Mark.GOOD if can.can_slew and can.can_abort else Mark.NOTE
    return Finding(
        step="mount",
        mark=mark,
        text=f"{rig.mount.name} {', '.join(able) or 'tells nothing of itself'}{parked}",
        remedy="" if mark is Mark.GOOD else "Turn it by hand: `polewright survey --by-hand`.",
    )


async def _camera(settings: Settings, rig: Rig) -> AsyncIterator[Finding]:
    info = await rig.camera.info()
    scale = optics_scale(settings, info)
    size = f"{info.width_px} x {info.height_px} px" if info.width_px else "size not told"
    if scale is None:
        yield Finding(
            step="camera",
            mark=Mark.BAD,
            text=f"{info.name}, {size}; its scale is not known",
            remedy="Set [camera] focal_length_mm and pixel_size_um.",
        )
        return
    field = field_from_scale(scale, info.width_px or 0)
    yield Finding(
        step="camera",
        mark=Mark.GOOD,
        text=f"{info.name}, {size}, {scale:.2f} arcsec per px, field {field:.2f} deg wide",
    )
    if info.bayer_pattern or info.binning > 1:
        pattern = f"colour mosaic {info.bayer_pattern}, " if info.bayer_pattern else ""
        yield Finding(
            step="sensor", mark=Mark.GOOD, text=f"{pattern}binned {info.binning} x {info.binning}"
        )
    ready = (
        DatabaseCache(default_cache_directory(), fewer=not what_is_missing()).load(field)
        is not None
    )
    yield Finding(
        step="star patterns",
        mark=Mark.GOOD if ready else Mark.NOTE,
        text="ready for this camera" if ready else "not made yet for this camera",
        remedy="" if ready else "They are made now, in up to a minute or two.",
    )


def _second_solver() -> Finding:
    missing = what_is_missing()
    return Finding(
        step="second solver",
        mark=Mark.NOTE if missing else Mark.GOOD,
        text="for narrow and sparse fields: " + ("not installed" if missing else "ready"),
        remedy=f"Only needed under about 1.5 deg: install {missing}." if missing else "",
    )
