"""The service: one task group that owns the broker, the messages, the devices and the evening."""

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from polewright.adapters.catalogue.names import NamedPlaces
from polewright.adapters.direct.stop_door import stop_door
from polewright.adapters.indi.attitude_sensor import SensorUse
from polewright.adapters.indi.chip import GUIDE_CHIP, MAIN_CHIP, ChipWishes
from polewright.adapters.indi.reconnect import Reconnector
from polewright.adapters.indi.rig import Rig, open_rig
from polewright.adapters.journal.writing import SqliteJournal
from polewright.adapters.mqtt.embedded_broker import EmbeddedBroker
from polewright.adapters.mqtt.instance import ensure_alone
from polewright.adapters.mqtt.publisher import MqttPublisher
from polewright.adapters.mqtt.service import MqttService
from polewright.adapters.mqtt.topics import MountTopics
from polewright.adapters.solver.both import BothSolvers
from polewright.adapters.systemd.notifying import ServiceManager
from polewright.adapters.web.server import Page
from polewright.app.clock import HostClock
from polewright.app.gate import gate_of
from polewright.app.health import HealthTeller
from polewright.app.memory import keep_trim
from polewright.app.metrics import kept_metrics
from polewright.app.page import PageCommands, served_page
from polewright.app.sensors import Sensors
from polewright.app.site import settle_site
from polewright.app.supervision import Supervision, state_words
from polewright.app.watched import Watched
from polewright.app.wishes import evening_wishes, scale_arcsec_px
from polewright.core.errors import (
    DeviceError,
    LinkError,
    MeasurementError,
    PolewrightError,
    UsageError,
)
from polewright.core.imaging.attitude import SolveHint
from polewright.ports import CameraInfo, Journal
from polewright.session.evening import Evening
from polewright.session.keeping import KeptEvents, NoJournal
from polewright.session.messages import event_message
from polewright.session.scheduling import Schedule
from polewright.session.sensing import SensorTeller
from polewright.settings.model import Settings

if TYPE_CHECKING:
    from polewright.core.imaging.hot_pixels import HotPixels

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunningService:
    """What a caller in the same process may want to know of a service that has started."""

    broker_port: int | None
    evening: Evening
    page: Page | None
    clock: HostClock
    metrics_port: int | None = None


@asynccontextmanager
async def running_service(
    settings: Settings,
    *,
    on_catalogue: Callable[[float], None] | None = None,
    manager: ServiceManager | None = None,
    clock: HostClock | None = None,
) -> AsyncIterator[RunningService]:
    """Run the service while the context is open.

    Parameters
    ----------
    settings : Settings
        All of it.
    on_catalogue : callable, optional
        Told the fraction done (0 to 1) while the star catalogue is prepared the first time.
    manager : ServiceManager, optional
        Told when the service answers, how it is, and that it lives.
    clock : HostClock, optional
        The computer's clock, where a test brings one that is stepped.

    Raises
    ------
    LinkError
        The embedded broker's port is taken, or a service for this mount runs already.
    """
    clock = clock or HostClock()
    async with contextlib.AsyncExitStack() as stack:
        port: int | None = None
        if settings.mqtt.mode == "embedded":
            broker = EmbeddedBroker(host=settings.mqtt.host, port=settings.mqtt.port)
            await stack.enter_async_context(broker)
            port = broker.port
        elif settings.mqtt.mode == "external":
            await _alone_if_the_broker_answers(settings)
        sensors = Sensors(settings.sensor)
        publisher = MqttPublisher(MountTopics.of(settings), now=clock.now)
        metrics_port = await stack.enter_async_context(kept_metrics(settings, publisher))
        outcome = await stack.enter_async_context(
            served_page(
                settings,
                publisher,
                lambda verb, payload: page_commands.take(verb, payload),
                lambda: evening.last_frame,
                sensors.phone_pace,
            )
        )
        solver = BothSolvers()
        journal = await _journal(settings, clock, publisher, stack)
        desk = sensors.desk(outcome.page.phone if outcome.page else None, clock)
        watched = Watched(settings, clock)
        told = KeptEvents(publisher, journal, clock)
        gate = gate_of(settings, told)
        evening = Evening(
            solver, clock, told, evening_wishes(settings), journal, desk,
            watched if watched.usable else None, gate, NamedPlaces(),
        )  # fmt: skip
        await evening.restore()

        async def handle(
            verb: str, arguments: dict[str, Any], reply: Callable[[dict[str, Any]], None]
        ) -> dict[str, Any]:
            return await evening.handle(verb, arguments, reply)

        tasks = await stack.enter_async_context(asyncio.TaskGroup())
        await stack.enter_async_context(stop_door(settings, lambda: evening.handle("stop", {})))
        owned = [tasks.create_task(evening.watch(), name="limits")]
        # Commands expire by the callers' clocks, which a correction of ours does not change.
        mqtt = MqttService(
            settings,
            publisher,
            handle,
            port=port,
            sensor_input=sensors.mqtt_input,
            watch_inputs=watched.mqtt_inputs,
        )
        page_commands = PageCommands(mqtt.desk)
        owned.append(tasks.create_task(page_commands.run(), name="page commands"))
        if settings.mqtt.mode != "off":
            owned.append(tasks.create_task(mqtt.run(), name="messages"))
        file = settings.journal.file(settings.mount.slug)
        kept_in = file.parent if file else Path.home()
        page_health = outcome.health(motors=settings.adjuster.motors)
        health = HealthTeller(publisher, evening, clock, journal, mqtt.health, page_health, kept_in)
        owned.append(tasks.create_task(health.run(), name="health"))
        devices = _devices(settings, clock, solver, evening, on_catalogue, health, sensors)
        owned.append(tasks.create_task(devices, name="devices"))
        teller = SensorTeller(publisher, clock, desk.sensor, desk.note)
        owned.append(tasks.create_task(teller.run(), name="sensor"))
        owned.append(tasks.create_task(evening.planner.run(), name="plan"))
        planner = evening.planner
        schedule = Schedule(evening, clock, evening.wishes.schedule, lambda: planner.verify_at)
        owned.append(tasks.create_task(schedule.run(), name="schedule"))
        if gate is not None:
            owned.append(tasks.create_task(gate.run(), name="gate"))
        owned.append(tasks.create_task(keep_trim(), name="memory"))
        if manager is not None:
            supervision = _supervision(manager, settings, mqtt, evening)
            owned.append(tasks.create_task(supervision.run(tuple(owned)), name="supervision"))
        failure: PolewrightError | None = None
        try:
            yield RunningService(
                broker_port=port, evening=evening, page=outcome.page, clock=clock,
                metrics_port=metrics_port,
            )  # fmt: skip
        except PolewrightError as expected:
            failure = expected  # a task group would wrap it
        finally:
            if manager is not None:
                manager.stopping()
            await evening.stop()
            for task in owned:
                task.cancel()
    if failure is not None:
        raise failure


def _supervision(
    manager: ServiceManager, settings: Settings, mqtt: MqttService, evening: Evening
) -> Supervision:
    """Return what tells the service manager; without MQTT the service answers from the start."""

    def answers() -> bool:
        return settings.mqtt.mode == "off" or bool(mqtt.health()["connected"])

    return Supervision(manager, answers, lambda: state_words(evening, broker_away=not answers()))


async def _journal(
    settings: Settings,
    clock: HostClock,
    publisher: MqttPublisher,
    stack: contextlib.AsyncExitStack,
) -> Journal:
    """Return the mount's journal, closed with the service; it never stops the measuring."""
    file = settings.journal.file(settings.mount.slug)
    if file is None:
        return NoJournal()

    def tell(trouble: PolewrightError) -> None:
        event = event_message("warning", trouble.code, trouble.text, trouble.remedy)
        publisher.publish("event", event, retain=False)

    return await stack.enter_async_context(SqliteJournal(file, now=clock.now, on_trouble=tell))


async def _alone_if_the_broker_answers(settings: Settings) -> None:
    """Refuse a second service of one mount; a broker that is away is no reason not to measure."""
    try:
        await ensure_alone(settings)
    except LinkError as trouble:
        if trouble.code == "already_running":
            raise
        _log.warning("%s", trouble)


async def _devices(
    settings: Settings,
    clock: HostClock,
    solver: BothSolvers,
    evening: Evening,
    on_catalogue: Callable[[float], None] | None,
    health: HealthTeller,
    sensors: Sensors,
) -> None:
    """Keep the devices connected and attached to the evening, for ever."""

    @asynccontextmanager
    async def open_link() -> AsyncIterator[Rig]:
        try:
            async with rig_of(settings, clock.now, sensors.indi_use(), clock.uncorrected) as rig:
                sensors.indi.use(rig.sensor)
                yield rig
        except (DeviceError, UsageError) as trouble:
            # A missing camera may be plugged in later: as good a reason to try again.
            raise LinkError(trouble.text, remedy=trouble.remedy, code=trouble.code) from None
        finally:
            sensors.indi.use(None)

    async def work(rig: Rig) -> None:
        await evening.stop_after_loss(rig.mount)
        await evening.stop_motors_after_loss(rig.adjuster)
        site = await settle_site(settings, rig, clock)
        place = site.place
        info = await rig.camera.info()
        hint = optics_hint(settings, info)
        expected = evening.expected_optics(rig.camera.name, info, hint)
        if expected.scale_arcsec_px and info.width_px and info.height_px:
            await solver.prepare(info.width_px, info.height_px, expected, on_catalogue)
        health.use(
            rig.camera.name,
            rig.mount.name if rig.mount else None,
            rig.adjuster.name if rig.adjuster else None,
        )
        evening.attach(rig.camera, rig.mount, place, hint, adjuster=rig.adjuster, site=site)
        _log.info(
            "ready: camera %s, mount %s, at %+.3f %+.3f deg",
            rig.camera.name, rig.mount.name if rig.mount else "turned by hand",
            place.latitude_deg, place.longitude_deg,
        )  # fmt: skip
        raise LinkError(
            await rig.until_lost(),
            remedy="Check the server and the cables; the service reconnects by itself.",
        )

    def on_lost(trouble: LinkError, _pause_s: float) -> None:
        evening.detach(trouble)

    await Reconnector(clock, on_lost=on_lost).run(open_link, work)


def rig_of(
    settings: Settings,
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
    sensor: SensorUse | None = None,
    uncorrected: Callable[[], datetime] | None = None,
) -> AbstractAsyncContextManager[Rig]:
    """Return the context in which the devices that the settings name are connected.

    Raises
    ------
    UsageError
        ``dark_file``, ``not_a_dark``: the dark frame is of no use.
    """
    camera = settings.camera
    return open_rig(
        settings.indi.host,
        settings.indi.port,
        camera_name=settings.camera.device,
        mount_name=settings.mount.device,
        adjuster_name=settings.adjuster.device,
        search_adjuster=settings.adjuster.motors,
        chip=GUIDE_CHIP if camera.chip == "guide" else MAIN_CHIP,
        chip_wishes=ChipWishes(binning=camera.binning, gain=camera.gain, offset=camera.offset),
        mend=None if camera.dark_file is None else hot_pixels(camera.dark_file).mended,
        sensor=sensor,
        now=now,
        uncorrected=uncorrected,
    )


def hot_pixels(dark_file: Path) -> "HotPixels":
    """Return the hot pixels that a dark frame shows.

    Raises
    ------
    UsageError
        ``dark_file``: it cannot be read; ``not_a_dark``: it shows something else.
    """
    from polewright.core.imaging.decode import decode_picture
    from polewright.core.imaging.hot_pixels import HotPixels

    try:
        return HotPixels.of_dark(decode_picture(dark_file.read_bytes(), name=dark_file.name))
    except (OSError, MeasurementError) as trouble:
        reason = trouble.strerror if isinstance(trouble, OSError) else trouble.text
        raise UsageError(
            f"[camera] dark_file = {dark_file} cannot be used: {reason}",
            remedy="Correct the path, or leave dark_file out.",
            code="dark_file",
        ) from None


def optics_hint(settings: Settings, info: CameraInfo) -> SolveHint:
    """Return what settings and devices say of scale and parity."""
    return SolveHint(
        scale_arcsec_px=optics_scale(settings, info), mirrored=settings.camera.mirrored
    )


def optics_scale(settings: Settings, info: CameraInfo) -> float | None:
    """Return the plate scale (arcsec per px), the settings' figures before the devices'."""
    focal_length = settings.camera.focal_length_mm or info.focal_length_mm
    pixel_size = info.pixel_size_um
    if settings.camera.pixel_size_um is not None:
        pixel_size = settings.camera.pixel_size_um * info.binning
    if not focal_length or not pixel_size:
        return None
    return scale_arcsec_px(focal_length, pixel_size)
