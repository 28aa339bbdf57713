"""Go-to: commands one, watches it start, arrive and settle."""

import asyncio

from polewright.adapters.indi.connection import gone, is_withdrawal
from polewright.adapters.indi.device import IndiDevice
from polewright.adapters.indi.equatorial import HOURS_TO_DEG, Position, position_in
from polewright.adapters.indi.event_stream import EventStream
from polewright.adapters.indi.snapshot import PropertySnapshot
from polewright.core.errors import DeviceError

# A mount reports Busy, or moves, within one polling period (1 s at most) of accepting a go-to (s).
MOTION_STARTS_S = 4.0
# Half a turn at 1.5 deg/s, the slowest go-to rate of portable mounts, takes 120 s (s).
SLEW_S = 240.0
# The position normally arrives several times a second while the mount moves; some report only
# every 2 s (s).
SILENCE_S = 15.0
# The mount stands when reports over this time agree; it covers several polling periods (s).
STANDS_FOR_S = 1.2
# Backlash and belt oscillation die out within a few seconds (s).
SETTLE_S = 20.0
# Reports jitter by the encoder's step, up to some arcsec; trailing at the sidereal rate
# is 15 arcsec/s and must not count as standing still (arcsec).
STANDS_WITHIN_ARCSEC = 8.0
# Star alignment and pointing corrections may move the reported end of a go-to by some arcmin (deg).
ARRIVED_WITHIN_DEG = 0.25
# Movement by which a mount that never reports Busy gives itself away (deg).
MOVED_DEG = 0.05


async def go_to(device: IndiDevice, equatorial: str, target: Position, *, longest_s: float) -> None:
    """Send the mount to a target and return when it stands there.

    The caller tells the mount to stop where this raises.

    Parameters
    ----------
    device : IndiDevice
        The mount, ready and unparked.
    equatorial : str
        The property in which it tells its position and takes go-tos.
    target : Position
        Where to, as that property tells it.
    longest_s : float
        Longest time for the motion (s).

    Raises
    ------
    LinkError
        When the connection is lost.
    DeviceError
        Where the mount refuses, does not move, goes silent, or ends elsewhere.
    """
    with device.connection.subscribe(device.name) as events:
        before = device.read(equatorial)
        start = None if before is None else position_in(before)
        since = device.connection.send_numbers(
            device.name,
            equatorial,
            {
                "RA": target.right_ascension_deg / HOURS_TO_DEG,
                "DEC": target.declination_deg,
            },
        )
        reports = _Reports(device, equatorial, events, since)
        await _started(device, reports, start, target)
        last = await _ended(device, reports, longest_s)
        last = await _stands(device, reports, last)
    missed_deg = last.separation_deg(target)
    if missed_deg > ARRIVED_WITHIN_DEG:
        raise DeviceError(
            f"{device.name} stopped {missed_deg:.1f} deg short of its target: it was stopped by"
            " someone, or met a limit",
            remedy="Check the mount and its limits, then try again",
            code="stopped_short",
        )


class _Reports:
    """The mount's position reports since a go-to was sent."""

    def __init__(
        self, device: IndiDevice, equatorial: str, events: EventStream, since: int
    ) -> None:
        self._device = device
        self._equatorial = equatorial
        self._events = events
        self.since = since

    @property
    def latest(self) -> PropertySnapshot | None:
        """The latest report, also one from before."""
        return self._device.read(self._equatorial)

    async def next(self) -> PropertySnapshot:
        """Return the next report; refuse a failed one, and a mount that vanished."""
        async for event in self._events:
            if is_withdrawal(event, self._equatorial):
                raise gone(self._device.name, "finish its go-to")
            if (
                isinstance(event, PropertySnapshot)
                and event.name == self._equatorial
                and event.serial > self.since
            ):
                if event.failed:
                    raise self._device.refused("go to the target", since=self.since)
                return event
        raise AssertionError("a stream of events ends with an error")


async def _started(
    device: IndiDevice, reports: _Reports, start: Position | None, target: Position
) -> None:
    """Wait until the mount is busy, moves, or is there already."""
    try:
        async with asyncio.timeout(MOTION_STARTS_S):
            while True:
                report = await reports.next()
                position = position_in(report)
                if report.busy or (
                    start is not None and position.separation_deg(start) > MOVED_DEG
                ):
                    return
    except TimeoutError:
        pass
    now = reports.latest
    # Some mounts never turn Busy for a go-to to where they are.
    if now is not None and position_in(now).separation_deg(target) < ARRIVED_WITHIN_DEG:
        return
    said = device.connection.last_message(device.name, since=reports.since)
    raise DeviceError(
        f"{device.name} did not start to move"
        + (f' and says: "{said}"' if said else ": the target may be beyond its limits"),
        remedy="Check that it is unparked and that the target is above its horizon limits",
        code="slew_ignored",
    )


async def _ended(device: IndiDevice, reports: _Reports, longest_s: float) -> Position:
    """Wait until the mount is no longer busy."""
    current = reports.latest
    if current is not None and not current.busy:
        return position_in(current)
    loop = asyncio.get_running_loop()
    deadline_s = loop.time() + longest_s
    try:
        async with asyncio.timeout(min(SILENCE_S, longest_s)) as silence:
            while True:
                report = await reports.next()
                if not report.busy:
                    return position_in(report)
                silence.reschedule(min(deadline_s, loop.time() + SILENCE_S))
    except TimeoutError:
        pass
    if loop.time() >= deadline_s:
        raise DeviceError(
            f"{device.name} did not finish its go-to within {longest_s:g} s",
            remedy="Check the mount: a cable may be caught or a clutch open",
            code="slew_timeout",
        )
    raise DeviceError(
        f"{device.name} reported nothing for {SILENCE_S:g} s while moving",
        remedy="Check the mount's cable and power, then restart its driver",
        code="mount_silent",
    )


async def _stands(device: IndiDevice, reports: _Reports, last: Position) -> Position:
    """Wait until the reported position stays put for a while.

    Drivers that report only changes are silent when the mount stands, so silence counts as
    standing here; a new report that differs starts the wait again.
    """
    loop = asyncio.get_running_loop()
    deadline_s = loop.time() + SETTLE_S
    reference = last
    try:
        async with asyncio.timeout(STANDS_FOR_S) as standing:
            while True:
                report = await reports.next()
                last = position_in(report)
                moved_arcsec = last.separation_deg(reference) * 3600.0
                if report.busy or moved_arcsec > STANDS_WITHIN_ARCSEC:
                    if loop.time() > deadline_s:
                        break
                    reference = last
                    standing.reschedule(loop.time() + STANDS_FOR_S)
    except TimeoutError:
        return last
    raise DeviceError(
        f"{device.name} did not come to rest within {SETTLE_S:g} s after its go-to",
        remedy="Check that it tracks at the sidereal rate and that nothing pushes it",
        code="not_settled",
    )
