"""The evening as a curve: total error over time, in bounded memory."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any, Literal

# At two corrections a second this is over half an hour at full detail, hours when thinned.
MOST_POINTS = 4000


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One figure of the evening; ``at_ms`` by the service's clock (ms since 1970)."""

    at_ms: int
    kind: Literal["survey", "correction"]
    total_arcmin: float
    sigma_arcmin: float
    tolerance_arcmin: float | None


class EveningHistory:
    """Remembers what surveys and live corrections said of the total error."""

    def __init__(self) -> None:
        self._points: list[Point] = []
        self._tolerance_arcmin: float | None = None

    def take(self, topic: str, payload: Mapping[str, Any]) -> None:
        """Take one message, where it tells a figure of now."""
        if topic == "survey":
            self._tolerance_arcmin = payload.get("tolerance_arcmin")
            if payload.get("age_s") is None:
                self._add("survey", payload)
        elif topic == "correction" and payload.get("live"):
            self._add("correction", payload)

    def as_list(self) -> list[dict[str, Any]]:
        """Return all points, oldest first."""
        return [asdict(point) for point in self._points]

    def _add(self, kind: Literal["survey", "correction"], payload: Mapping[str, Any]) -> None:
        total, sigma = payload.get("total_error_arcmin"), payload.get("total_error_sigma_arcmin")
        if total is None or sigma is None:
            return
        at = datetime.fromisoformat(str(payload["at"]).replace("Z", "+00:00"))
        self._points.append(
            Point(
                at_ms=round(at.timestamp() * 1000.0),
                kind=kind,
                total_arcmin=total,
                sigma_arcmin=sigma,
                tolerance_arcmin=payload.get("tolerance_arcmin") or self._tolerance_arcmin,
            )
        )
        if len(self._points) > MOST_POINTS:
            half = MOST_POINTS // 2
            older = self._points[:half]
            kept = [p for i, p in enumerate(older) if i % 2 == 0 or p.kind == "survey"]
            self._points = kept + self._points[half:]
            # An evening of surveys alone cannot be thinned: the oldest go.
            self._points = self._points[-MOST_POINTS:]
