"""Site: asks settings, receiver, mount and computer for place and time, and settles both."""

import logging
from dataclasses import replace
from datetime import datetime, timedelta

from polewright.adapters.indi.place import IndiGps, tell_mount, ticking_utc
from polewright.adapters.indi.rig import Rig
from polewright.app.clock import HostClock, kept_right_from_outside
from polewright.core.errors import DeviceError, LinkError
from polewright.core.sky.place import Place
from polewright.core.sky.place_sources import (
    PlaceReading,
    Source,
    choose_place,
    name_of,
    place_doubts,
)
from polewright.core.sky.time_sources import TimeReading, choose_time, span_words, time_doubts
from polewright.session.site import Site
from polewright.settings.model import Settings

_log = logging.getLogger(__name__)

# A receiver tells whole seconds; more than this is a clock that is really wrong.
_NOTABLE_CORRECTION = timedelta(seconds=2)
# A mount that differs by less need not be told (s).
_MOUNT_CLOCK_WITHIN_S = 5.0


async def settle_site(
    settings: Settings, rig: Rig, clock: HostClock, *, may_write: bool = True
) -> Site:
    """Settle place and time, set our own clock (not the computer's), and tell the mount if allowed.

    Raises
    ------
    LinkError
        ``no_place``: nobody knows where the mount stands; ``no_time``: the settings want a
        receiver's time, and there is none.
    """
    places = await _places(settings, rig)
    chosen = choose_place(places)
    if chosen is None or chosen.place is None:
        raise LinkError(
            "nobody knows where the mount stands: no site in the settings, no GPS, none in the "
            "mount",
            remedy="Set [site] latitude_deg and longitude_deg in the settings file.",
            code="no_place",
        )
    times = await _times(settings, rig, clock)
    wish = {"auto": None, "host": Source.HOST, "gps": Source.GPS}[settings.site.clock]
    time = choose_time(times, wish)
    if time is None:
        raise LinkError(
            "there is no GPS receiver that tells the time, but the settings want its time "
            '([site] clock = "gps")',
            remedy="Connect the receiver to the INDI server and wait for its fix, or set clock = "
            '"host".',
            code="no_time",
        )
    _set(clock, time)
    if settings.site.write_to_mount and may_write:
        places, times = await _told(rig, clock, chosen.place, places, times)
    mount_places = [p for p in places if p.source is Source.MOUNT]
    site = Site(
        place=replace(
            chosen.place,
            pressure_hpa=settings.site.pressure_hpa,
            temperature_c=settings.site.temperature_c,
            relative_humidity=settings.site.relative_humidity,
        ),
        reading=chosen,
        time_source=time.source,
        disciplined=time.disciplined,
        doubts=place_doubts(places)
        + time_doubts(times, wish, longitude_deg=chosen.place.longitude_deg),
        mount_doubts=place_doubts([chosen, *mount_places]) if chosen not in mount_places else (),
        mount_tells_place=bool(mount_places),
    )
    _log.info("place from %s, time from %s", name_of(chosen.source), name_of(time.source))
    return site


async def _places(settings: Settings, rig: Rig) -> list[PlaceReading]:
    readings = []
    if (place := settings.site.place()) is not None:
        readings.append(PlaceReading(source=Source.SETTINGS, place=place))
    if isinstance(rig.place_source, IndiGps):
        readings.append(PlaceReading(source=Source.GPS, place=await _of_gps(rig.place_source)))
    if rig.mount is not None and rig.mount.capabilities.has_place:
        readings.append(PlaceReading(source=Source.MOUNT, place=await _of_mount(rig)))
    return readings


async def _of_gps(gps: IndiGps) -> Place | None:
    try:
        return await gps.place()
    except DeviceError as trouble:
        _log.warning("%s", trouble)
        return None


async def _of_mount(rig: Rig) -> Place | None:
    if rig.mount is None:
        return None
    try:
        return await rig.mount.place()
    except DeviceError as trouble:
        _log.warning("%s", trouble)
        return None


async def _times(settings: Settings, rig: Rig, clock: HostClock) -> list[TimeReading]:
    host = clock.uncorrected()
    readings = [TimeReading(source=Source.HOST, utc=host, disciplined=kept_right_from_outside())]
    if isinstance(rig.place_source, IndiGps):
        try:
            told = await rig.place_source.utc()
        except DeviceError as trouble:
            if settings.site.clock == "gps":
                raise LinkError(trouble.text, remedy=trouble.remedy, code=trouble.code) from None
            _log.warning("%s", trouble)
        else:
            readings.append(_reading(clock, Source.GPS, told, disciplined=True))
    if rig.mount is not None:
        shown = await ticking_utc(rig.connection, rig.mount.name)
        if shown is not None:
            readings.append(_reading(clock, Source.MOUNT, shown, disciplined=None))
    return readings


def _reading(
    clock: HostClock, source: Source, told: datetime, *, disciplined: bool | None
) -> TimeReading:
    ahead_s = (told - clock.uncorrected()).total_seconds()
    return TimeReading(source=source, utc=told, ahead_s=ahead_s, disciplined=disciplined)


def _set(clock: HostClock, time: TimeReading) -> None:
    clock.correction = timedelta(seconds=time.ahead_s)
    if abs(clock.correction) > _NOTABLE_CORRECTION:
        _log.warning(
            "this computer's clock is %s %s the GPS receiver's: the receiver's holds",
            span_words(abs(clock.correction.total_seconds())),
            "behind" if clock.correction > timedelta(0) else "ahead of",
        )


async def _told(
    rig: Rig,
    clock: HostClock,
    place: Place,
    places: list[PlaceReading],
    times: list[TimeReading],
) -> tuple[list[PlaceReading], list[TimeReading]]:
    """Tell the mount place and time where it holds others; return the readings thereafter."""
    held = next((p for p in places if p.source is Source.MOUNT), None)
    if rig.mount is None or held is None:
        return places, times
    ours = PlaceReading(source=Source.SETTINGS, place=place)
    off_s = next(
        (
            abs(time.ahead_s - clock.correction.total_seconds())
            for time in times
            if time.source is Source.MOUNT
        ),
        None,
    )
    if not place_doubts([ours, held]) and off_s is not None and off_s < _MOUNT_CLOCK_WITHIN_S:
        return places, times
    try:
        await tell_mount(rig.connection, rig.mount.name, place, clock.now)
    except DeviceError as trouble:
        _log.warning("%s", trouble)
        return places, times
    _log.info("%s was told its place and the time", rig.mount.name)
    others = [p for p in places if p.source is not Source.MOUNT]
    now_held = PlaceReading(source=Source.MOUNT, place=await _of_mount(rig))
    shown = await ticking_utc(rig.connection, rig.mount.name)
    rest = [time for time in times if time.source is not Source.MOUNT]
    if shown is not None:
        rest.append(_reading(clock, Source.MOUNT, shown, disciplined=None))
    return [*others, now_held], rest
