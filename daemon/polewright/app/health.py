"""Health: how the service itself is, told every half minute and when a link comes or goes."""

import asyncio
import platform
import shutil
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from polewright import __version__
from polewright.adapters.mqtt.payloads import CONTRACT_VERSION
from polewright.app.clock import HostClock, kept_right_from_outside
from polewright.core.errors import PolewrightError
from polewright.ports import Journal, Publisher
from polewright.session.evening import Evening

# The contract's figure; and how soon a change of a link is told (s).
PERIOD_S = 30.0
_LOOK_EVERY_S = 1.0

_NO_DEVICES: Mapping[str, str | None] = {"camera": None, "mount": None, "adjuster": None}

_THERMAL = Path("/sys/class/thermal")

Message = dict[str, Any]


class HealthTeller:
    """Publishes ``health``; run :meth:`run` in the application's task group.

    Parameters
    ----------
    publisher : Publisher
        Where it goes.
    evening : Evening
        Whose devices are looked at.
    clock : HostClock
        Its correction is told.
    journal : Journal
        Its trouble is told.
    link : callable
        The broker link's own account.
    page : mapping
        The page's own account.
    directory : Path
        Where the journal is kept, or would be: its disk is looked at.
    """

    def __init__(
        self,
        publisher: Publisher,
        evening: Evening,
        clock: HostClock,
        journal: Journal,
        link: Callable[[], Mapping[str, Any]],
        page: Mapping[str, Any],
        directory: Path,
    ) -> None:
        self._publisher = publisher
        self._evening = evening
        self._clock = clock
        self._journal = journal
        self._link = link
        self._page = page
        self._devices = _NO_DEVICES
        self._directory = directory
        self._started_s = time.monotonic()

    def use(self, camera: str, mount: str | None, adjuster: str | None) -> None:
        """Take note of the devices that are in use now; told while they are connected."""
        self._devices = {"camera": camera, "mount": mount, "adjuster": adjuster}

    async def run(self) -> None:
        """Tell until cancelled."""
        told: object = None
        told_s = 0.0
        while True:
            links = self._links()
            # The counters grow all the time, and are told with the rest.
            new = {name: dict(part) for name, part in links.items()}
            for counter in ("dropped_messages", "dropped_commands", "connections"):
                new["broker"].pop(counter, None)
            new["journal"] = self._kept()
            now_s = time.monotonic()
            if new != told or now_s - told_s >= PERIOD_S:
                self._publisher.publish("health", self._message(links), retain=True)
                told, told_s = new, now_s
            await asyncio.sleep(_LOOK_EVERY_S)

    def _links(self) -> dict[str, Message]:
        connected = self._evening.ready.is_set()
        return {
            "indi": {
                "connected": connected,
                "problem": _words(self._evening.link_trouble),
                **(self._devices if connected else _NO_DEVICES),
            },
            "broker": dict(self._link()),
        }

    def _kept(self) -> Message:
        return {
            "journal_problem": _words(self._journal.trouble),
            "journal_set_aside": self._journal.put_aside,
        }

    def _message(self, links: Mapping[str, Message]) -> Message:
        return {
            "uptime_s": round(time.monotonic() - self._started_s, 1),
            **links,
            "clock": {
                "disciplined": kept_right_from_outside(),
                "correction_s": round(self._clock.correction.total_seconds(), 3),
            },
            "page": dict(self._page),
            **self._kept(),
            "disk_free_mb": disk_free_mb(self._directory),
            "temperatures_c": temperatures_c(),
            "versions": {
                "polewright": __version__,
                "contract": CONTRACT_VERSION,
                "python": platform.python_version(),
            },
        }


def disk_free_mb(directory: Path) -> int | None:
    """Return the room left where a folder is or would be made (MB); None where nobody tells."""
    while not directory.exists() and directory != directory.parent:
        directory = directory.parent
    try:
        return shutil.disk_usage(directory).free // 1_000_000
    except OSError:
        return None


def temperatures_c(thermal: Path = _THERMAL) -> dict[str, float]:
    """Return what the kernel's sensors say, by name (deg C); empty where there are none."""
    found: dict[str, float] = {}
    for zone in sorted(thermal.glob("thermal_zone*")):
        try:
            name = (zone / "type").read_text("utf-8").strip()[:64]
            found.setdefault(name, int((zone / "temp").read_text("utf-8")) / 1000.0)
        except (OSError, ValueError):
            # A sensor of hardware that sleeps refuses to be read.
            continue
    return found


def _words(trouble: PolewrightError | None) -> str | None:
    return None if trouble is None else str(trouble)[:1000]
