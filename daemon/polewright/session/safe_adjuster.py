"""Safe adjuster: the motors of the bolts behind their interlocks; the session holds no other.

The motors move the whole mount head with everything on it: fingers between head and base, cables
that are too short and a tube near a leg are in danger as in a slew, and the axis can be driven
away from the pole for ever.  So: no motion before the person has said that all is clear, none
while the mount slews, none by day, none farther than a limit from where the motors stood at that
word, none while place or time are in doubt, and one command at a time.  ``abort`` is never
refused.
"""

import logging
import math
from collections.abc import Sequence

from polewright.core.axis.motor_steps import MotorLimits
from polewright.core.errors import SafetyError
from polewright.core.sky.doubts import Doubt
from polewright.core.sky.place import Place
from polewright.ports import Adjuster, Clock
from polewright.session.given_word import GivenWord
from polewright.session.limits import SafetyLimits, Scene, refuse_in_doubt
from polewright.session.safety import GuardedMount

_log = logging.getLogger(__name__)

_NOWHERE = [(0.0, 0.0), (0.0, 0.0)]


class GuardedAdjuster:
    """An adjuster behind the interlocks.

    Parameters
    ----------
    adjuster : Adjuster
        What moves.
    mount : GuardedMount or None
        What is moved; None where it is turned by hand.
    place : Place
        Where it stands.
    clock : Clock
        What time it is.
    limits : SafetyLimits
        Of the mount.
    total_deg : float
        How far each motor may go from where it stood at the person's word (deg as it counts).
    doubts : sequence of Doubt
        What does not fit about place and time, where no mount is there to know it.
    """

    def __init__(
        self,
        adjuster: Adjuster,
        mount: GuardedMount | None,
        place: Place,
        clock: Clock,
        limits: SafetyLimits,
        *,
        total_deg: float = 5.0,
        doubts: Sequence[Doubt] = (),
    ) -> None:
        self._adjuster = adjuster
        self._mount = mount
        self._place = place
        self._clock = clock
        self._limits = limits
        self._total_deg = total_deg
        self._doubts = tuple(doubts)
        self._word = GivenWord(clock)
        self._halted = False
        self._under_way = False
        self._unfinished = False
        self._steps = 0
        # From where to where each may have gone: of a step that was broken off nobody knows.
        self._gone_deg = _NOWHERE

    @property
    def name(self) -> str:
        """The device's name."""
        return self._adjuster.name

    @property
    def moving(self) -> bool:
        """True while a command was sent whose end nobody has seen: the motors may turn."""
        return self._under_way or self._unfinished

    @property
    def limits(self) -> MotorLimits:
        """How far the motors may go, in all and in one command."""
        total = self._total_deg
        azimuth, altitude = self._adjuster.largest_step_deg
        return MotorLimits(total_deg=total, step_deg=(min(azimuth, total), min(altitude, total)))

    def confirm_clear(self) -> None:
        """Take the person's word that head, cables and fingers are clear; the way counts anew."""
        self._word.confirm_clear()
        self._gone_deg = _NOWHERE

    def allow_motion(self) -> None:
        """Begin a command: motion that a stop ended before may be asked for again."""
        self._halted = False

    def require_clear(self) -> None:
        """Refuse where nobody has said that the mount head is clear to move.

        Raises
        ------
        SafetyError
            ``not_confirmed_clear``, ``clock_jumped``.
        """
        if self._mount is not None:
            self._mount.require_clear()
        if not self._word.clear:
            raise SafetyError(
                "nobody has confirmed that the mount head is clear to move",
                remedy="Look: fingers out from between head and base, cables slack, nothing near "
                "the tube. Then say so: polewright adjust --motors --clear, or "
                "confirm_clear over MQTT.",
                code="not_confirmed_clear",
            )
        self._word.require_clear()

    async def step(self, azimuth_deg: float, altitude_deg: float) -> None:
        """Make one relative step of both motors, if it is safe.

        Raises
        ------
        SafetyError
            What it would break and what to do.
        DeviceError, LinkError
            From the adjuster; it was told to stop.
        """
        if self._under_way:
            raise SafetyError(
                f"{self.name} is moving already", remedy="Wait, or stop it.", code="already_moving"
            )
        self._under_way = True
        try:
            slewing = self._mount is not None and (await self._mount.status()).slewing
            # Nothing is awaited between these checks and the motion.
            self._refuse(azimuth_deg, altitude_deg, slewing=slewing)
            gone, step = self._gone_deg, (azimuth_deg, altitude_deg)
            self._gone_deg = [
                (least + min(way, 0.0), most + max(way, 0.0))
                for (least, most), way in zip(gone, step, strict=True)
            ]
            self._unfinished = True
            self._steps += 1
            await self._adjuster.step(azimuth_deg, altitude_deg)
            self._gone_deg = [
                (least + way, most + way) for (least, most), way in zip(gone, step, strict=True)
            ]
            self._unfinished = False
        finally:
            self._under_way = False

    def hold(self) -> None:
        """Let no motion begin before a new command."""
        self._halted = True

    async def abort(self) -> None:
        """Stop both motors at once, and let none begin before a new command; never refused."""
        self._halted = True
        steps = self._steps
        await self._adjuster.abort()
        # A step that was begun since is another one, whose end nobody has seen.
        if self._steps == steps:
            self._unfinished = False

    def _refuse(self, azimuth_deg: float, altitude_deg: float, *, slewing: bool) -> None:
        if self._halted:
            raise SafetyError(
                "a stop was asked for", remedy="Start again when ready.", code="stopped"
            )
        self.require_clear()
        if slewing:
            raise SafetyError(
                "the mount is slewing, and the head is not moved below it",
                remedy="Wait until it stands.",
                code="mount_slewing",
            )
        if not (math.isfinite(azimuth_deg) and math.isfinite(altitude_deg)):
            raise SafetyError(
                "a motor was to make a step that is no number",
                remedy="Please report this with the log.",
                code="not_a_step",
            )
        scene = Scene(limits=self._limits, place=self._place, now=self._clock.now())
        if self._mount is not None:
            self._mount.require_no_doubt()
        else:
            refuse_in_doubt(scene, self._doubts)
        filtered = self._mount is not None and self._mount.solar_filter
        if scene.sun is not None and not filtered:
            raise SafetyError(
                "the Sun is up, and the motors would move the tube without anybody knowing how "
                "near to it",
                remedy="Wait for the night, or turn the bolts by hand with every tube capped.",
                code="sun",
            )
        for motor, gone, step in (
            ("azimuth", self._gone_deg[0], azimuth_deg),
            ("altitude", self._gone_deg[1], altitude_deg),
        ):
            far = max(abs(gone[0] + step), abs(gone[1] + step))
            if step and far > self._total_deg:
                raise SafetyError(
                    f"the {motor} motor would be {far:.1f} deg from where it stood "
                    f"when you said that all is clear, more than {self._total_deg:g} deg",
                    remedy="Look at head, cables and tube; then confirm again (polewright adjust "
                    "--motors --clear), or set [adjuster] largest_total_deg.",
                    code="adjuster_too_far",
                )
