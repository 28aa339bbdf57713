"""Discovery: which devices a server has and which of them is the camera, the mount, ..."""

import asyncio
import logging
from dataclasses import dataclass
from enum import StrEnum

from polewright.adapters.indi.adjuster import ADJUSTMENT
from polewright.adapters.indi.attitude_sensor import GRAVITY
from polewright.adapters.indi.connection import IndiConnection
from polewright.adapters.indi.device import APPEARS_S
from polewright.adapters.indi.equatorial import POSITIONS
from polewright.adapters.indi.snapshot import DeviceAppeared, PropertySnapshot
from polewright.core.errors import DeviceError

_LOG = logging.getLogger(__name__)

# The protocol does not say when the list of devices is complete; drivers follow one another
# within 10 ms when all are running (s).
QUIET_S = 0.5


class Role(StrEnum):
    """What a device can be in this program."""

    CAMERA = "camera"
    MOUNT = "mount"
    ADJUSTER = "adjuster"
    GPS = "GPS"
    SENSOR = "sensor"


# Bits of DRIVER_INFO / DRIVER_INTERFACE as INDI's library defines them.
_INTERFACES = {Role.MOUNT: 1 << 0, Role.CAMERA: 1 << 1, Role.GPS: 1 << 6}
# Properties by which a device shows its role where its interface does not.
_EVIDENCE = {
    Role.MOUNT: POSITIONS,
    Role.CAMERA: ("CCD_EXPOSURE",),
    Role.ADJUSTER: (ADJUSTMENT,),
    Role.SENSOR: (GRAVITY,),
}
# Where the settings name the device of a role.
_SETTINGS = {
    Role.MOUNT: "[mount]",
    Role.CAMERA: "[camera]",
    Role.ADJUSTER: "[adjuster]",
    Role.SENSOR: "[sensor]",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundDevice:
    """A device that a server has."""

    name: str
    driver: str
    roles: frozenset[Role]
    connected: bool

    @property
    def described(self) -> str:
        """Name and roles, for a person."""
        roles = ", ".join(sorted(self.roles)) or "no role here"
        return f"{self.name} ({roles})"


async def list_devices(
    connection: IndiConnection, *, expected: frozenset[str] = frozenset()
) -> tuple[FoundDevice, ...]:
    """Return the devices of a server, once no new one has come for a moment.

    Parameters
    ----------
    connection : IndiConnection
        An open connection.
    expected : frozenset of str
        Names that are waited for, at most ``APPEARS_S`` seconds.

    Raises
    ------
    LinkError
        When the connection is lost.
    """
    loop = asyncio.get_running_loop()
    deadline_s = loop.time() + APPEARS_S
    with connection.subscribe() as events:
        connection.ensure_alive()
        try:
            async with asyncio.timeout_at(deadline_s) as bound:
                if _complete(connection, expected):
                    bound.reschedule(loop.time() + QUIET_S)
                async for event in events:
                    if isinstance(event, DeviceAppeared) or (
                        isinstance(event, PropertySnapshot) and event.name == "DRIVER_INFO"
                    ):
                        complete = _complete(connection, expected)
                        bound.reschedule(
                            min(deadline_s, loop.time() + QUIET_S) if complete else deadline_s
                        )
        except TimeoutError:
            pass
    return known_devices(connection)


def known_devices(connection: IndiConnection) -> tuple[FoundDevice, ...]:
    """Return the devices that are known now, by what they have told so far."""
    return tuple(_found(connection, name) for name in connection.devices)


def choose(found: tuple[FoundDevice, ...], role: Role, name: str | None) -> str | None:
    """Return the device for a role: the configured one, else the only one, None where none.

    Parameters
    ----------
    found : tuple of FoundDevice
        What the server has.
    role : Role
        What is looked for.
    name : str or None
        The configured name, if any.

    Raises
    ------
    DeviceError
        Where the configured device is missing, or several devices could be meant.
    """
    have = ", ".join(device.described for device in found) or "no device at all"
    if name is not None:
        if any(device.name == name for device in found):
            return name
        raise DeviceError(
            f"No {role} {name!r}: the INDI server has {have}",
            remedy=f"Start its driver, or correct the name of the {role} in the settings",
            code=f"no_{role.lower()}",
        )
    candidates = [device.name for device in found if role in device.roles]
    if len(candidates) > 1:
        raise DeviceError(
            f"The INDI server has {len(candidates)} devices that could be the {role}:"
            f" {', '.join(candidates)}",
            remedy=_naming(role, candidates[0]),
            code=f"several_{role.lower()}s",
        )
    return candidates[0] if candidates else None


def explain(found: tuple[FoundDevice, ...], role: Role, name: str | None) -> str:
    """Return in words which device serves in a role and why; see :func:`choose`.

    Raises
    ------
    DeviceError
        As :func:`choose` does.
    """
    chosen = choose(found, role, name)
    if chosen is None:
        return f"no {role}"
    if name is None:
        return f"{chosen} is the {role}: the only one"
    rivals = [device.name for device in found if role in device.roles and device.name != name]
    rest = f", not {' or '.join(rivals)}" if rivals else ""
    return f"{chosen} is the {role}, as the settings say{rest}"


def require(found: tuple[FoundDevice, ...], role: Role, name: str | None) -> str:
    """Return the device for a role as :func:`choose` does; refuse where there is none.

    Raises
    ------
    DeviceError
        Also where no device has this role.
    """
    chosen = choose(found, role, name)
    if chosen is None:
        have = ", ".join(device.described for device in found) or "no device at all"
        raise DeviceError(
            f"No {role}: the INDI server has {have}",
            remedy=f"Start the driver of the {role}, or name the {role} in the settings",
            code=f"no_{role.lower()}",
        )
    return chosen


def _naming(role: Role, example: str) -> str:
    """Return how to say in the settings which device is meant."""
    section = _SETTINGS.get(role)
    if section is None:
        return "Start one of them only"
    return f'Name one in the settings, for example {section} device = "{example}"'


def _complete(connection: IndiConnection, expected: frozenset[str]) -> bool:
    """Return True where every device has told its driver and no expected one is missing."""
    names = connection.devices
    return (
        bool(names)
        and expected.issubset(names)
        and all(connection.read(name, "DRIVER_INFO") is not None for name in names)
    )


def _found(connection: IndiConnection, name: str) -> FoundDevice:
    """Describe one device by what it has told so far."""
    info = connection.read(name, "DRIVER_INFO")
    texts = {} if info is None else info.texts
    try:
        mask = int(texts.get("DRIVER_INTERFACE") or 0)
    except ValueError:
        _LOG.debug("%s: DRIVER_INTERFACE is no number", name)
        mask = 0
    roles = {role for role, bit in _INTERFACES.items() if mask & bit}
    roles |= {
        role
        for role, properties in _EVIDENCE.items()
        if any(connection.read(name, prop) for prop in properties)
    }
    link = connection.read(name, "CONNECTION")
    return FoundDevice(
        name=name,
        driver=texts.get("DRIVER_EXEC", ""),
        roles=frozenset(roles),
        connected=link is not None and link.is_on("CONNECT"),
    )
