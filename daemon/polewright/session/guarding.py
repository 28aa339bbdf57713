"""Guarding: the mount behind its interlocks while devices come and go, and the watch over it."""

import logging
from collections.abc import Callable

from polewright.core.errors import PolewrightError, SafetyError, UsageError
from polewright.core.sky.doubts import Bars, Doubt
from polewright.core.sky.place import Place
from polewright.core.sky.place_sources import PlaceReading, Source, place_doubts
from polewright.ports import Clock, Mount, MovingMount
from polewright.session.given_word import GivenWord
from polewright.session.limits import SafetyLimits
from polewright.session.safety import GuardedMount
from polewright.session.site import Site
from polewright.session.stopping import lost_in_motion, stop_shielded

_log = logging.getLogger(__name__)

# A mount tracks 0.08 deg between two looks; several fit into the time that the watch looks ahead.
WATCH_EVERY_S = 20.0

SOLAR_FILTER_CAUTION = (
    "DANGER: the Sun's cone is lifted because somebody said that a solar filter sits IN FRONT of "
    "this camera's objective. polewright cannot see it. Never look through this or any other tube "
    "or finder; cap or filter every other tube and finder; check that wind and children cannot "
    "take the filter off; never leave the telescope alone"
)

Warn = Callable[[PolewrightError], None]
"""Told what happened and what to do."""


class Guard:
    """Holds the guarded mount, and what the person said of it, over losses of the devices.

    The word that the mount is clear holds for one mount, by name, and is gone once its connection
    was lost in a motion: nobody knows where that ended.  A word from while it was away is none
    then either.
    """

    def __init__(self, clock: Clock, limits: SafetyLimits) -> None:
        self._clock = clock
        self._limits = limits
        self._site: Site | None = None
        self._words: dict[str, GivenWord] = {}
        self._word_for_the_first: GivenWord | None = None
        self._off_deg: dict[str, float] = {}
        self._lost_in_motion: set[str] = set()
        self.mount: GuardedMount | None = None

    @property
    def must_stop(self) -> bool:
        """True while this mount's connection was lost in a motion and it was not stopped since."""
        return self.mount is not None and self.mount.name in self._lost_in_motion

    def was_lost_in_motion(self, name: str) -> bool:
        """Return whether this mount's connection broke while it moved, and it was not stopped."""
        return name in self._lost_in_motion

    def attach(self, mount: MovingMount | None, site: Site, camera: str) -> None:
        """Take a mount behind the interlocks."""
        self.detach()
        self._site = site
        if mount is None:
            return
        word, self._word_for_the_first = self._word_for_the_first, None
        if mount.name in self._lost_in_motion:
            word = None
        word = word or self._words.get(mount.name) or GivenWord(self._clock)
        self._words[mount.name] = word
        self.mount = GuardedMount(
            mount,
            site.place,
            self._clock,
            self._limits,
            camera=camera,
            doubts=site.doubts,
            word=word,
            off_deg=self._off_deg.get(mount.name, 0.0),
        )

    def detach(self) -> SafetyError | None:
        """Let the mount go; what holds of it when it comes back is remembered.

        Returns
        -------
        SafetyError or None
            ``lost_in_motion``, where it moved: it may go on, and nobody can tell it to stop.
        """
        if (mount := self.mount) is None:
            return None
        self.mount = None
        self._off_deg[mount.name] = mount.off_deg
        mount.remove_solar_filter()
        if mount.unfinished:
            self._words.pop(mount.name, None)
            self._lost_in_motion.add(mount.name)
            return lost_in_motion(mount.name)
        return None

    async def stop(self) -> SafetyError | None:
        """Stop the mount; return why a mount may move on, if one may: a person must see to it."""
        if (mount := self.mount) is not None:
            trouble = await stop_shielded(mount)
            if trouble is not None:
                return trouble
            self._lost_in_motion.discard(mount.name)
        away = sorted(self._lost_in_motion)
        return lost_in_motion(" and ".join(away)) if away else None

    def confirm_clear(self) -> None:
        """Take the person's word that the mount is clear to move."""
        if self.mount is None:
            self._word_for_the_first = GivenWord(self._clock)
            self._word_for_the_first.confirm_clear()
        else:
            self.mount.confirm_clear()
        _log.info("the person confirmed that the mount is clear to move")

    def confirm_solar_filter(self, camera: str, *, fitted: bool) -> None:
        """Take the person's word about a solar filter on a camera's tube.

        Raises
        ------
        UsageError
            ``no_mount``.
        SafetyError
            ``other_camera``.
        """
        if self.mount is None:
            raise UsageError(
                "no mount is connected, so there is no Sun's cone to lift",
                remedy="Connect the mount first; whatever turns by hand, polewright cannot guard.",
                code="no_mount",
            )
        if not fitted:
            self.mount.remove_solar_filter()
            _log.warning("the solar filter is off: the Sun's cone holds again")
            return
        self.mount.confirm_solar_filter(camera)
        _log.warning("the person confirmed a solar filter on %s: the Sun's cone is lifted", camera)

    async def stop_after_loss(self, mount: Mount | None) -> SafetyError | None:
        """Stop a mount whose connection was lost in a motion and is back; return what to tell.

        Raises
        ------
        DeviceError, LinkError
            It does not take the stop.
        """
        if mount is None or mount.name not in self._lost_in_motion:
            return None
        await mount.abort()
        self._lost_in_motion.discard(mount.name)
        self._word_for_the_first = None  # from before it was seen where it went
        return SafetyError(
            f"the connection to {mount.name} was lost while it moved; it was told to stop as soon "
            "as it was back, and nobody knows where it went meanwhile",
            remedy="Look at the mount, its cables and its tube; when all is clear, confirm it: "
            "polewright survey --clear.",
            code="lost_in_motion",
        )

    async def watch(self, warn: Warn) -> None:
        """Watch tracking and the mount's site for ever."""
        told: frozenset[str] = frozenset()
        while True:
            await self._clock.sleep(WATCH_EVERY_S)
            try:
                told = await self.look(warn, told)
            except PolewrightError as trouble:
                # The link's own trouble is told by whoever keeps the link.
                _log.debug("the watch could not look: %s", trouble)

    async def look(self, warn: Warn, told: frozenset[str] = frozenset()) -> frozenset[str]:
        """Look once; return the codes of what was told about the site, so that it is told once."""
        mount, site = self.mount, self._site
        if mount is None or site is None:
            return told
        if (reason := await self._stopped_tracking(mount)) is not None:
            warn(reason)
        if mount.unfinished:
            return told
        seen = await mount.place()
        if self.mount is not mount:
            return told
        doubts = _doubts_now(site, seen)
        mount.take_doubts(doubts)
        new = [doubt for doubt in doubts if doubt.code not in told and doubt not in site.doubts]
        for doubt in new:
            warn(_overwritten(mount.name, doubt))
        return told | {doubt.code for doubt in new}

    async def _stopped_tracking(self, mount: GuardedMount) -> PolewrightError | None:
        try:
            reason = await mount.stop_tracking_before_limits()
        except PolewrightError as failure:
            return SafetyError(
                f"{mount.name} tracks into a limit and could not be stopped: {failure.text}",
                remedy="Stop it with its hand controller or its power switch now.",
                code="tracking_not_stopped",
            )
        if reason is None:
            return None
        if reason.code == "sun" and mount.left_tracking:
            return SafetyError(
                f"{mount.name} points near the Sun, which is up or about to rise",
                remedy="Cap the tube now, and every finder; then turn it away.",
                code="sun_near",
            )
        return SafetyError(
            f"{mount.name} was stopped: tracking on would break a limit ({reason.text})",
            remedy=reason.remedy,
            code="tracking_stopped",
        )


def _doubts_now(site: Site, seen: Place | None) -> tuple[Doubt, ...]:
    """Return the doubts with what the mount says of its site now instead of then."""
    if site.reading is None or site.reading.source is Source.MOUNT:
        return site.doubts
    then = site.mount_doubts
    now = place_doubts([site.reading, PlaceReading(source=Source.MOUNT, place=seen)])
    if seen is None and not site.mount_tells_place:
        now = ()
    return tuple(doubt for doubt in site.doubts if doubt not in then) + now


def _overwritten(name: str, doubt: Doubt) -> SafetyError:
    barred = "" if doubt.bars is Bars.NOTHING else f"; {doubt.consequence}"
    return SafetyError(
        f"the site that {name} holds was changed by another program or a GPS driver: "
        f"{doubt.text}{barred}",
        remedy=doubt.remedy,
        code="site_overwritten",
    )
