"""Optical trains: what earlier frames taught about each camera's optics, believed with care."""

import logging

from polewright.core.imaging.attitude import Attitude, SolveHint
from polewright.core.imaging.frame import Frame
from polewright.core.imaging.optical_train import OpticalTrain, TrainKey, train_after
from polewright.ports import CameraInfo

_log = logging.getLogger(__name__)


class OpticalTrains:
    """The trains of all cameras; stays while devices come and go."""

    def __init__(self) -> None:
        self._known: dict[TrainKey, OpticalTrain] = {}
        self._news: set[TrainKey] = set()

    def remember(self, key: TrainKey, train: OpticalTrain) -> None:
        """Take up a train of an earlier evening; what this one taught goes before it."""
        self._known.setdefault(key, train)

    def of(self, key: TrainKey, hint: SolveHint) -> OpticalTrain | None:
        """Return what is remembered of these pictures, unless the hint rules it out."""
        train = self._known.get(key)
        if train is not None and train.contradicts(hint):
            self.drop(key, "the settings or devices now say otherwise")
            return None
        return train

    def expected(self, camera: str, info: CameraInfo, hint: SolveHint) -> SolveHint:
        """Return the hint for making ready before the first frame, from what is remembered."""
        for key, train in reversed(self._known.items()):
            size = (key.width_px, key.height_px)
            if key.camera == camera and size == (info.width_px, info.height_px):
                return hint if train.contradicts(hint) else train.told_to(hint)
        return hint

    def learn(self, key: TrainKey, attitude: Attitude) -> OpticalTrain:
        """Take up what a solved frame says, and return what is known now."""
        train = train_after(self._known.get(key), attitude)
        self._known[key] = train
        self._news.add(key)
        return train

    def drop(self, key: TrainKey, why: str) -> None:
        """Forget a train that proved to be another."""
        train = self._known.pop(key)
        self._news.discard(key)
        _log.warning(
            "what was remembered of the optics before camera %s (%.2f arcsec per pixel) is "
            "dropped: %s",
            key.camera, train.scale_arcsec_px, why,
        )  # fmt: skip

    def news(self) -> list[tuple[TrainKey, OpticalTrain]]:
        """Return what was learned since the last call."""
        news = [(key, self._known[key]) for key in self._news]
        self._news.clear()
        return news


def key_of(frame: Frame, camera: str) -> TrainKey:
    """Return which train a frame is of."""
    return TrainKey(
        camera=camera,
        width_px=frame.width_px,
        height_px=frame.height_px,
        pixel_size_um=frame.pixel_size_um,
    )
