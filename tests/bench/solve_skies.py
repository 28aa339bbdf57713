"""Skies for the solving benchmark: pictures whose attitude is known.

Drawn by the sky simulator's renderer (photon and read noise, dark current, hot pixels, mosaic,
full well) at places computed here: no refraction and no aberration, which no solver takes out.

* To G = 10 the stars and proper motions are the carried catalogue's, each place moved by a
  further 1.5 mas per year times 16 years, which is how well those motions are known.
* Fainter ones are the Tycho-2 stars of the index files (to V = 12), moved from J2000.0 with the
  proper motion of a carried star of the 9th or 10th magnitude within 5 deg, drawn at random: the
  solver does not know these motions, as it would not know the real ones.
* Fainter still are invented: as many per magnitude as counts of stars give (ten to the 0.45 per
  magnitude from the Tycho-2 stars of the same field), down to what the camera shows.  They are
  in no catalogue, as in a real picture.
"""

import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from polewright.adapters.solver.catalogue import carried_catalogue, julian_year, moved
from polewright.adapters.solver.index_files import dense_stars
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.imaging.attitude import SolveHint
from polewright.core.imaging.frame import Frame
from polewright_drivers.sky_simulator.rendering import Readout, Renderer, Trails
from polewright_drivers.sky_simulator.scenario import CameraTruth, SkyTruth

INSTANT = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)
PIXEL_UM = 3.75
EXPOSURE_S = 2.0
GALACTIC_POLE_ICRS = np.array([-0.86766615, -0.19807637, 0.45598378])  # north; IAU 1958, ICRS
_MOTION_SIGMA_MAS_YR = 1.5
_INDEX_EPOCH_YEAR = 2000.0
_INDEX_COMPLETE_MAG = 11.0
_COUNT_SLOPE = 0.45
_MAS_RAD = 1e-3 * ARCSEC_RAD


@dataclass(frozen=True, kw_only=True)
class View:
    """One picture to be drawn."""

    seed: int
    field_deg: float
    kind: str  # "sky", or what spoils it
    width_px: int = 1280
    height_px: int = 960
    where: str = "anywhere"  # "north pole", "south pole", "sparse"
    mirrored: bool = False
    mosaic: bool = False
    distortion: float = 0.0  # of the half diagonal at the half diagonal
    hinted: bool = False
    places_known: bool = False  # the carried stars stand where the catalogue says
    carried_only: bool = False  # nothing fainter between them

    @property
    def focal_length_mm(self) -> float:
        half = math.tan(math.radians(self.field_deg) / 2.0)
        return self.width_px * PIXEL_UM / 1000.0 / (2.0 * half)

    @property
    def scale_arcsec_px(self) -> float:
        return PIXEL_UM / 1000.0 / self.focal_length_mm / ARCSEC_RAD


@dataclass(frozen=True, kw_only=True, eq=False)
class Picture:
    """A drawn view, its truth, and what the solver is told."""

    view: View
    frame: Frame
    camera_from_icrs: NDArray[Any]
    hint: SolveHint
    carried_stars: int  # of the carried catalogue, on the sensor
    camera: CameraTruth
    sky: SkyTruth
    star_px: NDArray[np.float64]  # true places of what was drawn, middle of the exposure
    star_electrons: NDArray[np.float64]
    fwhm_px: float
    zero_electrons: float  # that a star of magnitude 0 brings


def draw(view: View) -> Picture:
    """Return the picture of a view."""
    rng = np.random.default_rng(view.seed)
    truth = _attitude(view, rng)
    camera = CameraTruth(
        width_px=view.width_px,
        height_px=view.height_px,
        pixel_size_um=PIXEL_UM,
        focal_length_mm=view.focal_length_mm,
        aperture_mm=view.focal_length_mm / float(rng.uniform(4.0, 5.6)),
        mirrored=view.mirrored,
        bayer_pattern=str(rng.choice(["RGGB", "BGGR", "GRBG", "GBRG"])) if view.mosaic else "",
    )
    fwhm_px = float(rng.uniform(2.0, 4.0))
    if view.kind == "defocused":
        fwhm_px = float(rng.uniform(12.0, 40.0))
    sky = SkyTruth(
        seeing_fwhm_arcsec=0.0,
        optics_fwhm_um=fwhm_px * PIXEL_UM,
        brightness_mag_arcsec2=float(rng.uniform(18.5, 21.0)),
    )
    renderer = Renderer(camera, sky, view.seed)
    faintest = _faintest(renderer, camera, sky, view, fwhm_px)
    vector, magnitude, carried = _stars(truth, view, faintest, rng)
    places = _project(vector, truth, view)
    inside = np.isfinite(places[:, 0]) & (
        np.abs(places - [0.5 * view.width_px, 0.5 * view.height_px])
        < [0.5 * view.width_px + 20.0, 0.5 * view.height_px + 20.0]
    ).all(axis=1)
    on_sensor = (
        inside
        & (places > 0).all(axis=1)
        & (places < [view.width_px - 1, view.height_px - 1]).all(axis=1)
    )
    tracks = places[inside][None]
    shown = magnitude[inside]
    if view.kind in ("noise", "star-free", "false stars", "roofs"):
        tracks, shown = tracks[:, :0], shown[:0]
    elif view.kind == "trails":
        tracks = _trailed(tracks, rng)
    if view.kind == "false stars":
        tracks, shown = _false_stars(view, faintest, rng)
    trails = Trails(px=tracks, mag=shown.astype(np.float32))
    expected = renderer.expected(trails, EXPOSURE_S, clouds=view.kind == "clouds")
    if view.kind == "clouds":
        expected *= _cloud_structure(view, rng)
    elif view.kind == "star-free":
        expected *= rng.uniform(0.0, 30.0)  # lens cap, daylight
    elif view.kind == "roofs":
        expected = _roofs(expected, view, rng)
    whole = Readout(left_px=0, top_px=0, width_px=view.width_px, height_px=view.height_px)
    frame = Frame(
        pixels=renderer.read(expected, whole),
        mid_exposure=INSTANT,
        exposure_s=EXPOSURE_S,
        bayer_pattern=camera.bayer_pattern or None,
        saturation=65535.0,
        electrons_per_adu=camera.gain_e_per_adu,
        pixel_size_um=PIXEL_UM,
        focal_length_mm=view.focal_length_mm,
    )
    hint = SolveHint(scale_arcsec_px=view.scale_arcsec_px * float(rng.normal(1.0, 0.01)))
    if view.hinted:
        x, y, z = (float(v) for v in _turned(truth[0], math.radians(rng.normal(0.0, 2.0)), rng))
        hint = replace(hint, direction_icrs=(x, y, z))
    return Picture(
        view=view,
        frame=frame,
        camera_from_icrs=truth,
        hint=hint,
        carried_stars=int(on_sensor[:carried].sum()),
        camera=camera,
        sky=sky,
        star_px=trails.px.mean(axis=0),
        star_electrons=np.array([renderer.star_electrons(m, EXPOSURE_S) for m in shown]),
        fwhm_px=renderer.fwhm_px,
        zero_electrons=renderer.star_electrons(0.0, EXPOSURE_S),
    )


def _attitude(view: View, rng: np.random.Generator) -> NDArray[Any]:
    """Return a random rotation that looks where the view wants."""
    direction = rng.normal(size=3)
    direction /= np.linalg.norm(direction)
    if view.where.endswith("pole"):
        pole = np.array([0.0, 0.0, 1.0 if view.where == "north pole" else -1.0])
        direction = _turned(pole, math.radians(rng.uniform(0.0, 2.0)), rng)
    elif view.where == "sparse":
        side = 1.0 if rng.random() < 0.5 else -1.0
        direction = _turned(side * GALACTIC_POLE_ICRS, math.radians(rng.uniform(0.0, 15.0)), rng)
    across = np.cross(direction, rng.normal(size=3))
    across /= np.linalg.norm(across)
    return np.stack([direction, across, np.cross(direction, across)])


def _turned(direction: NDArray[Any], angle_rad: float, rng: np.random.Generator) -> NDArray[Any]:
    side = np.cross(direction, rng.normal(size=3))
    side /= np.linalg.norm(side)
    return np.asarray(math.cos(angle_rad) * direction + math.sin(angle_rad) * side)


def _faintest(
    renderer: Renderer, camera: CameraTruth, sky: SkyTruth, view: View, fwhm_px: float
) -> float:
    """Return the magnitude whose whole light is twice the noise under it."""
    glow_mag = sky.brightness_mag_arcsec2 - 5.0 * math.log10(view.scale_arcsec_px)
    per_px = renderer.star_electrons(glow_mag, EXPOSURE_S) + camera.read_noise_e**2
    noise = math.sqrt(per_px * math.pi * max(1.0, 0.6 * fwhm_px) ** 2)
    return 2.5 * math.log10(renderer.star_electrons(0.0, EXPOSURE_S) / (2.0 * noise))


def _stars(
    truth: NDArray[Any], view: View, faintest: float, rng: np.random.Generator
) -> tuple[NDArray[Any], NDArray[Any], int]:
    """Return places of the instant, magnitudes, and how many are of the carried catalogue."""
    radius_rad = math.atan(0.66 * math.hypot(view.width_px, view.height_px) * PIXEL_UM / 1000.0
                           / view.focal_length_mm)  # fmt: skip
    year = julian_year(INSTANT)
    carried = carried_catalogue().cone(truth[0], radius_rad, year=year)
    sigma_mas = 0.0 if view.places_known else _MOTION_SIGMA_MAS_YR * (year - 2016.0)
    known = moved(carried.icrs, rng.normal(0.0, sigma_mas, (len(carried.icrs), 2)), 1.0)
    vectors, magnitudes = [known], [carried.magnitude]
    if faintest > 9.5 and not view.carried_only:
        more, magnitude = _index_stars(truth[0], radius_rad, faintest, year, rng)
        vectors.append(more)
        magnitudes.append(magnitude)
        invented, magnitude = _invented(truth, radius_rad, magnitudes, faintest, rng)
        vectors.append(invented)
        magnitudes.append(magnitude)
    vector, magnitude = np.concatenate(vectors), np.concatenate(magnitudes)
    shown = magnitude < faintest
    return vector[shown], magnitude[shown], int((carried.magnitude < faintest).sum())


@cache
def _index() -> tuple[NDArray[Any], NDArray[Any]]:
    stars = dense_stars()
    if stars is None:
        raise RuntimeError("this benchmark needs Debian's astrometry-data-tycho2 packages")
    return stars.icrs, stars.magnitude


def _index_stars(
    direction: NDArray[Any],
    radius_rad: float,
    faintest: float,
    year: float,
    rng: np.random.Generator,
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Return the Tycho-2 stars that are not among the carried ones, moved to the instant."""
    icrs, magnitude = _index()
    rows = np.flatnonzero((icrs @ direction.astype(np.float32) > math.cos(radius_rad) - 1e-6)
                          & (magnitude < faintest))  # fmt: skip
    places = icrs[rows].astype(float)
    places /= np.linalg.norm(places, axis=1)[:, None]
    carried = carried_catalogue().cone(direction, radius_rad * 1.05, year=_INDEX_EPOCH_YEAR)
    if len(carried.icrs) and len(places):
        apart = np.arccos(np.clip((places @ carried.icrs.T).max(axis=1), -1.0, 1.0))
        places, rows = places[apart > 8.0 * ARCSEC_RAD], rows[apart > 8.0 * ARCSEC_RAD]
    around = carried_catalogue().cone(direction, math.radians(5.0), year=year)
    motions = around.motion_mas_yr[(around.magnitude > 8.5) & around.motion_mas_yr.any(axis=1)]
    drawn = motions[rng.integers(len(motions), size=len(places))]
    return moved(places, drawn, year - _INDEX_EPOCH_YEAR), magnitude[rows].astype(float)


def _invented(
    truth: NDArray[Any],
    radius_rad: float,
    magnitudes: list[NDArray[Any]],
    faintest: float,
    rng: np.random.Generator,
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Return stars beyond the Tycho-2 limit, spread evenly over the cone."""
    bright = int((np.concatenate(magnitudes) < _INDEX_COMPLETE_MAG).sum())
    wanted = bright * (10.0 ** (_COUNT_SLOPE * (faintest - _INDEX_COMPLETE_MAG)) - 1.0)
    total = int(rng.poisson(max(0.0, wanted)))
    low, high = (10.0 ** (_COUNT_SLOPE * m) for m in (_INDEX_COMPLETE_MAG, max(11.0, faintest)))
    magnitude = np.log10(rng.uniform(low, high, total)) / _COUNT_SLOPE
    # What Tycho-2 already gives beyond its completeness is not given twice.
    keep = rng.random(total) > np.clip((12.0 - magnitude) / 1.5, 0.0, 0.7)
    cosine = rng.uniform(math.cos(radius_rad), 1.0, total)
    around = rng.uniform(0.0, 2.0 * math.pi, total)
    sine = np.sqrt(1.0 - cosine**2)
    camera = np.column_stack([cosine, sine * np.cos(around), sine * np.sin(around)])
    return (camera @ truth)[keep], magnitude[keep]


def _project(vector: NDArray[Any], truth: NDArray[Any], view: View) -> NDArray[Any]:
    """Return column and row, radial distortion in: r_seen = r (1 + d (r / half diagonal)^2)."""
    inside = vector @ truth.T
    forward = np.where(inside[:, 0] > 0.05, inside[:, 0], np.nan)
    offsets = inside[:, 1:] / forward[:, None] * (view.focal_length_mm * 1000.0 / PIXEL_UM)
    half_diagonal_px = 0.5 * math.hypot(view.width_px, view.height_px)
    radius = np.hypot(offsets[:, 0], offsets[:, 1]) / half_diagonal_px
    offsets *= (1.0 + view.distortion * radius**2)[:, None]
    parity = -1.0 if view.mirrored else 1.0
    middle_px = 0.5 * (np.array([view.width_px, view.height_px]) - 1)
    return np.asarray(offsets * [1.0, parity] + middle_px)


def _trailed(tracks: NDArray[Any], rng: np.random.Generator) -> NDArray[Any]:
    """Return straight trails whose middles are the true places."""
    length_px, angle = rng.uniform(5.0, 80.0), rng.uniform(0.0, math.pi)
    along = np.linspace(-0.5, 0.5, 24)[:, None, None] * length_px
    return np.asarray(tracks + along * [math.cos(angle), math.sin(angle)])


def _false_stars(
    view: View, faintest: float, rng: np.random.Generator
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Return points as bright as stars where there are none."""
    count = int(rng.integers(6, 120))
    places = rng.uniform(0.0, 1.0, (1, count, 2)) * [view.width_px - 1, view.height_px - 1]
    return places, faintest - 1.5 - rng.exponential(1.0, count)


def _cloud_structure(view: View, rng: np.random.Generator) -> NDArray[Any]:
    """Return a smooth random field around one."""
    coarse = rng.uniform(0.3, 2.0, (8, 10))
    rows = np.linspace(0, 7, view.height_px)
    columns = np.linspace(0, 9, view.width_px)
    across = np.stack([np.interp(columns, np.arange(10), line) for line in coarse])
    return np.stack(
        [np.interp(rows, np.arange(8), across[:, i]) for i in range(view.width_px)], axis=1
    ).astype(np.float32)


def _roofs(expected: NDArray[Any], view: View, rng: np.random.Generator) -> NDArray[Any]:
    """Return a picture full of edges, leaves and lamps."""
    picture = expected.copy()
    for _ in range(int(rng.integers(20, 200))):
        height, width = rng.integers(2, 60, 2)
        top, left = rng.integers(0, view.height_px - 2), rng.integers(0, view.width_px - 2)
        picture[top : top + height, left : left + width] *= rng.uniform(0.1, 6.0)
    return picture
