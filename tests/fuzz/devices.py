"""Devices: odd properties through the adapter, and a server that sends garbage."""

import asyncio
import contextlib
import socket
import threading
from collections.abc import Awaitable, Callable
from types import MappingProxyType
from typing import Any

from polewright.adapters.indi.adjuster import ADJUSTMENT, ALTITUDE, AZIMUTH, IndiAdjuster
from polewright.adapters.indi.attitude_sensor import IndiAttitudeSensor, SensorUse
from polewright.adapters.indi.camera import IndiCamera
from polewright.adapters.indi.chip import ChipWishes
from polewright.adapters.indi.connection import IndiConnection
from polewright.adapters.indi.discovery import (
    Role,
    explain,
    known_devices,
    list_devices,
    require,
)
from polewright.adapters.indi.mount import IndiMount
from polewright.adapters.indi.place import IndiGps, PlaceOfMount, place_of
from polewright.adapters.indi.snapshot import (
    BlobSnapshot,
    DeviceAppeared,
    DeviceMessage,
    DeviceRemoved,
    Event,
    PropertyKind,
    PropertyRemoved,
    PropertySnapshot,
    PropertyState,
)
from polewright.core.errors import PolewrightError
from polewright.core.sky.place import Place
from polewright.ports import SensorHold, TrackMode
from polewright.session.sensor_desk import AXES
from tests.fuzz.dice import Dice
from tests.fuzz.virtual_loop import runner
from tests.system.fake_indi_server import camera_definitions

Run = Callable[[bytes], None]

_NUMBERS = {
    "CCD_INFO": (
        "CCD_MAX_X",
        "CCD_MAX_Y",
        "CCD_PIXEL_SIZE",
        "CCD_PIXEL_SIZE_X",
        "CCD_BITSPERPIXEL",
    ),
    "CCD_EXPOSURE": ("CCD_EXPOSURE_VALUE",),
    "CCD_BINNING": ("HOR_BIN", "VER_BIN"),
    "CCD_FRAME": ("X", "Y", "WIDTH", "HEIGHT"),
    "CCD_GAIN": ("GAIN",),
    "SCOPE_INFO": ("FOCAL_LENGTH", "APERTURE"),
    "TELESCOPE_INFO": ("TELESCOPE_FOCAL_LENGTH", "GUIDER_FOCAL_LENGTH"),
    "EQUATORIAL_EOD_COORD": ("RA", "DEC"),
    "EQUATORIAL_COORD": ("RA", "DEC"),
    "GEOGRAPHIC_COORD": ("LAT", "LONG", "ELEV"),
    ADJUSTMENT: (AZIMUTH, ALTITUDE),
    "GRAVITY": ("X", "Y", "Z"),
    "MAGNETIC_FIELD": ("X", "Y", "Z"),
}
_SWITCHES = {
    "CONNECTION": ("CONNECT", "DISCONNECT"),
    "TELESCOPE_TRACK_STATE": ("TRACK_ON", "TRACK_OFF"),
    "TELESCOPE_TRACK_MODE": ("TRACK_SIDEREAL", "TRACK_SOLAR", "TRACK_LUNAR"),
    "TELESCOPE_PARK": ("PARK", "UNPARK"),
    "TELESCOPE_PIER_SIDE": ("PIER_EAST", "PIER_WEST"),
    "TELESCOPE_ABORT_MOTION": ("ABORT",),
    "TELESCOPE_MOTION_WE": ("MOTION_WEST", "MOTION_EAST"),
    "ON_COORD_SET": ("TRACK", "SLEW", "SYNC"),
    "UPLOAD_MODE": ("UPLOAD_CLIENT", "UPLOAD_LOCAL", "UPLOAD_BOTH"),
    "CCD_ABORT_EXPOSURE": ("ABORT",),
    "CCD_FRAME_TYPE": ("FRAME_LIGHT", "FRAME_DARK"),
    "CCD_TRANSFER_FORMAT": ("FORMAT_FITS", "FORMAT_NATIVE"),
}
_TEXTS = {
    "DRIVER_INFO": ("DRIVER_EXEC", "DRIVER_INTERFACE", "DRIVER_NAME"),
    "TIME_UTC": ("UTC", "OFFSET"),
    "ACTIVE_DEVICES": ("ACTIVE_TELESCOPE",),
    "CCD_CFA": ("CFA_TYPE",),
}
_KINDS = {PropertyKind.NUMBER: _NUMBERS, PropertyKind.SWITCH: _SWITCHES, PropertyKind.TEXT: _TEXTS}
_NAMES = ("Kudu", "Hoopoe")
# Garbage is read in milliseconds; what the library chokes on never ends (s).
_LISTENS_S = 0.2


def _sendable(text: str) -> str:
    """Return a text as the adapter's border lets it in: bytes that are no UTF-8 are gone."""
    return text.encode("utf-8", "replace").decode("utf-8")


def _elements(
    dice: Dice, names: tuple[str, ...], throw: Callable[[], Any]
) -> MappingProxyType[str, Any]:
    told = {name: throw() for name in names if dice.below(8)}
    if dice.one_in(16):
        told[dice.text()] = throw()
    return MappingProxyType(told)


def _property(dice: Dice, name: str | None = None, device: str | None = None) -> PropertySnapshot:
    known = [(kind, each) for kind, table in _KINDS.items() for each in table]
    kind, chosen = dice.pick(known)
    if name is not None:
        chosen = name
        kind = next((k for k, table in _KINDS.items() if name in table), kind)
    if dice.one_in(24):
        kind = dice.pick(list(PropertyKind))
    names = _KINDS.get(kind, {}).get(chosen, ("X", "UTC"))
    snapshot: dict[str, Any] = {}
    match kind:
        case PropertyKind.NUMBER:
            snapshot["numbers"] = _elements(dice, names, dice.number)
            snapshot["limits"] = _elements(dice, names, lambda: (dice.number(), dice.number()))
            if dice.below(4):
                snapshot["limits"] = MappingProxyType(
                    dict.fromkeys(snapshot["numbers"], dice.pick(((0.0, 0.0), (0.001, 3600.0))))
                )
        case PropertyKind.SWITCH:
            snapshot["switches"] = _elements(dice, names, lambda: bool(dice.below(3)))
        case _:
            numbers = ("2", "7", "65535", "-1", "1e3", "2026-11-25T20:00:00")
            snapshot["texts"] = _elements(
                dice, names, lambda: dice.pick(numbers) if dice.below(2) else _sendable(dice.text())
            )
    return PropertySnapshot(
        device=device or dice.pick(_NAMES),
        name=chosen,
        kind=kind,
        state=dice.pick((PropertyState.OK, *PropertyState)),
        **snapshot,
    )


def _event(dice: Dice) -> Event:
    device = dice.pick(_NAMES)
    match dice.below(12):
        case 0:
            return PropertyRemoved(device=device, name=dice.pick(list(_NUMBERS)))
        case 1:
            return DeviceRemoved(device=device) if dice.one_in(3) else DeviceAppeared(device=device)
        case 2:
            return DeviceMessage(device=device, text=_sendable(dice.text()))
        case 3 | 4:
            return BlobSnapshot(
                device=device,
                name=dice.pick(("CCD1", "CCD2")),
                element="CCD1",
                format=dice.pick((".fits", ".fits.z", ".fits.fz", ".cr2", "")),
                data=dice.take(dice.below(64)),
                declared_size=dice.pick((0, 1, 64, -1, 2**40)),
            )
        case _:
            return _property(dice, device=device)


class _NoRelay:
    """Stands for a relay with nobody behind it."""

    connected = False
    content_bytes = 0

    def take_blobs(self, _device: str, _name: str) -> tuple[BlobSnapshot, ...]:
        return ()

    def hang_up(self) -> None:
        return None

    def close(self) -> None:
        return None


class _Answering:
    """Stands for the library's client: every request is answered by what the dice say."""

    def __init__(self, dice: Dice, deliver: Callable[[Event], None]) -> None:
        self._dice = dice
        self._deliver = deliver

    def _answer(self, outgoing: Any) -> None:
        loop = asyncio.get_running_loop()
        for _ in range(1 + self._dice.below(3)):
            event = (
                _property(self._dice, outgoing.getName(), outgoing.getDeviceName())
                if self._dice.below(3)
                else _event(self._dice)
            )
            loop.call_later(0.1, self._deliver, event)

    sendNewNumber = sendNewSwitch = sendNewText = _answer  # noqa: N815

    def setBLOBMode(self, *_: Any) -> None:  # noqa: N802
        return None


def _uses(connection: IndiConnection, dice: Dice) -> list[Callable[[], Awaitable[Any]]]:
    """Return what a service does with a server, in an order of the dice."""
    terrace = Place(latitude_deg=-32.40, longitude_deg=22.70, elevation_m=1250.0)
    mount = IndiMount(connection, "Kudu", slew_s=20.0)
    camera = IndiCamera(connection, "Hoopoe", wishes=ChipWishes(binning=2, gain=10.0))
    adjuster = IndiAdjuster(connection, "Kudu")
    sensor = IndiAttitudeSensor(
        connection, "Kudu", SensorUse(hold=SensorHold.SQUARE, axis_sensor=AXES[SensorHold.SQUARE])
    )

    async def look() -> None:
        found = await list_devices(connection)
        for role in Role:
            with contextlib.suppress(PolewrightError):
                explain(found, role, None)
            with contextlib.suppress(PolewrightError):
                require(found, role, "Kudu")

    async def listen() -> None:
        async with sensor.listening():
            for _ in range(4):
                connection._deliver(_property(dice, "GRAVITY", "Kudu"))
                connection._deliver(_property(dice, "MAGNETIC_FIELD", "Kudu"))
                await asyncio.sleep(0.1)
        _ = sensor.reading

    async def sizes() -> None:
        _ = adjuster.largest_step_deg, mount.capabilities

    gps = IndiGps(connection, "Kudu")
    uses: list[Callable[[], Awaitable[Any]]] = [
        look,
        listen,
        sizes,
        mount.status,
        mount.place,
        mount.abort,
        camera.info,
        gps.place,
        gps.utc,
        PlaceOfMount(mount).place,
        lambda: camera.expose(dice.pick((0.2, 1.0, 9999.0))),
        lambda: mount.slew_to(120.0, -45.0),
        mount.park,
        mount.unpark,
        lambda: mount.set_tracking(on=True, mode=TrackMode.SOLAR),
        lambda: mount.sync(10.0, -20.0),
        lambda: mount.tell_site(terrace),
        lambda: adjuster.step(0.1, -0.1),
        adjuster.abort,
    ]
    return [dice.pick(uses) for _ in range(1 + dice.below(3))]


def properties() -> Run:
    """Whatever drivers may say, through discovery, mount, camera, receiver, motors and sensor."""
    running = runner()

    async def serve(dice: Dice) -> None:
        relay: Any = _NoRelay()
        connection = IndiConnection("localhost", 7624, relay)
        # The library's own client was never connected: there is nothing to hang up.
        connection._hang_up.detach()
        client: Any = _Answering(dice, connection._deliver)
        connection._client = client
        for name in _NAMES:
            connection._deliver(DeviceAppeared(device=name))
            connection._deliver(
                PropertySnapshot(
                    device=name,
                    name="CONNECTION",
                    kind=PropertyKind.SWITCH,
                    state=PropertyState.OK,
                    switches=MappingProxyType({"CONNECT": True, "DISCONNECT": False}),
                )
            )
        for _ in range(2 + dice.below(24)):
            connection._deliver(_event(dice))
        for use in _uses(connection, dice):
            with contextlib.suppress(PolewrightError):
                async with asyncio.timeout(3600.0):
                    await use()

    def run(data: bytes) -> None:
        running.run(serve(Dice(data)))

    return run


class _Garbage:
    """A server in a thread of its own that says a camera, and then what it was given."""

    def __init__(self) -> None:
        self.words = b""
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        while True:
            link, _ = self._listener.accept()
            threading.Thread(target=self._speak, args=(link,), daemon=True).start()

    def _speak(self, link: socket.socket) -> None:
        with contextlib.suppress(OSError), link:
            link.settimeout(5.0)
            link.recv(4096)
            link.sendall(camera_definitions().encode() + self.words)
            while heard := link.recv(4096):
                if b"<newNumberVector" in heard:
                    link.sendall(self.words)
                if b"pingRequest" in heard:
                    link.sendall(b"<pingReply uid='x'/>\n")


_END = "that was all"


def server() -> Run:
    """The whole adapter with the library in it, against a server that sends garbage."""
    garbage = _Garbage()

    async def visit() -> None:
        async with IndiConnection.open("127.0.0.1", garbage.port) as connection:
            camera, mount = IndiCamera(connection, "Hoopoe"), IndiMount(connection, "Kudu")
            with connection.subscribe() as events, contextlib.suppress(TimeoutError):
                connection.send_numbers("Hoopoe", "CCD_EXPOSURE", {"CCD_EXPOSURE_VALUE": 0.1})
                async with asyncio.timeout(_LISTENS_S):
                    async for event in events:
                        if isinstance(event, BlobSnapshot):
                            with contextlib.suppress(PolewrightError):
                                camera._decoded(event)
                        if isinstance(event, DeviceMessage) and _END in event.text:
                            break
            known_devices(connection)
            place_of(connection.read("Kudu", "GEOGRAPHIC_COORD"))
            _ = mount.capabilities, connection.last_message("Hoopoe")

    def run(data: bytes) -> None:
        garbage.words = data + f"<message device='Hoopoe' message='{_END}'/>\n".encode()
        asyncio.run(visit())

    return run
