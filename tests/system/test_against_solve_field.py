"""The same frames through astrometry.net's solve-field, an independent solver.

Its star finding, catalogue (Tycho-2, places of J2000.0) and fit share nothing with ours.  The
combined sigma of a difference is, in quadrature,

* ours, from the covariance;
* theirs, from the scatter of its own matched stars: rms / sqrt(n) per axis for the centre, and
  that over the stars' rms distance from the middle for the roll;
* 0.25 arcsec for the catalogues' epochs: sixteen years or more of the stars' common motion at
  15 mas a year.

Limits are four combined sigmas.
"""

import shutil
import subprocess
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS, FITSFixedWarning
from scipy.spatial.transform import Rotation

from polewright.adapters.solver.embedded import EmbeddedSolver
from polewright.core.geometry.rotations import vector_from_rotation
from polewright.core.imaging.attitude import SolveHint
from polewright.core.imaging.decode import decode_picture
from tests.full_run import in_full
from tests.unit.core.imaging.rendering import CATALOGUE_EPOCH, Sensor, attitude, expose, sky

INDEX_FOLDER = Path("/usr/share/astrometry")
# Of each ring two, in all four azimuths; the others in the full run.
USUAL = {(40, -135), (60, -45), (40, 45), (60, 135)}
PHOTOGRAPHS = Path(__file__).resolve().parents[3] / "shared" / "photographs"
ARCSEC = np.pi / 648000.0
EPOCH_SIGMA_ARCSEC = 0.25
LIMIT_SIGMAS = 4.0
CPU_LIMIT_S = 30
SCALE = 6.446

pytestmark = [
    pytest.mark.slow,
    # The first run on a machine builds the patterns.
    pytest.mark.timeout(600),
    pytest.mark.skipif(
        shutil.which("solve-field") is None, reason="solve-field (astrometry.net) is not installed"
    ),
    pytest.mark.skipif(
        not any(INDEX_FOLDER.glob("index-tycho2-*.fits")),
        reason="the Tycho-2 index files (astrometry-data-tycho2) are not installed",
    ),
]


@dataclass(frozen=True)
class Theirs:
    wcs: WCS
    stars_px: np.ndarray
    stars_icrs: np.ndarray
    rms_px: float

    @property
    def count(self):
        return len(self.stars_px)

    def centre_sigma_arcsec(self, scale):
        return self.rms_px * scale / np.sqrt(self.count)

    def roll_sigma_arcsec(self):
        spread = self.stars_px - self.stars_px.mean(axis=0)
        reach_px = np.sqrt(np.square(spread).sum(axis=1).mean())
        return self.rms_px / reach_px / np.sqrt(self.count) / ARCSEC


def vectors(right_ascension_deg, declination_deg):
    ra, dec = np.deg2rad(right_ascension_deg), np.deg2rad(declination_deg)
    return np.column_stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])


def solve_field(frame, scale, folder, order):
    """Run solve-field on a frame written as FITS, rows as stored."""
    config = folder / "engine.cfg"
    config.write_text(f"cpulimit {CPU_LIMIT_S}\nadd_path {INDEX_FOLDER}\nautoindex\n")
    picture = folder / "frame.fits"
    fits.writeto(picture, np.asarray(frame.pixels, dtype=np.float32), overwrite=True)
    run = subprocess.run(
        ["solve-field", "--config", config, "--overwrite", "--no-plots", "--dir", folder,
         "--cpulimit", str(CPU_LIMIT_S), "--tweak-order", str(order), "--scale-units", "app",
         "--scale-low", f"{0.95 * scale}", "--scale-high", f"{1.05 * scale}", picture],
        capture_output=True, text=True, timeout=2 * CPU_LIMIT_S, check=False,
    )  # fmt: skip
    assert (folder / "frame.solved").exists(), run.stdout[-500:] + run.stderr[-500:]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", FITSFixedWarning)
        wcs = WCS(fits.getheader(folder / "frame.wcs"))
    pairs = fits.getdata(folder / "frame.corr")
    offsets = np.column_stack(
        [pairs["field_x"] - pairs["index_x"], pairs["field_y"] - pairs["index_y"]]
    )
    return Theirs(
        wcs=wcs,
        stars_px=np.column_stack([pairs["field_x"], pairs["field_y"]]) - 1.0,  # FITS counts from 1
        stars_icrs=vectors(pairs["index_ra"], pairs["index_dec"]),
        rms_px=float(np.sqrt(np.square(offsets).sum() / (2 * len(offsets) - 4))),
    )


def sigmas_arcsec(answer):
    return np.sqrt(np.diag(answer.covariance_camera_rad2)) / ARCSEC


@pytest.fixture(scope="module")
def solver():
    """With the machine's cache: that patterns are built is tested with the solver itself."""
    return EmbeddedSolver()


@pytest.mark.parametrize(
    ("right_ascension_deg", "declination_deg", "roll_deg", "mirrored"),
    [(83.0, -5.0, 20.0, False), (200.0, 60.0, 130.0, True), (300.0, 20.0, 77.0, True)],
)
def test_a_rendered_frame_has_the_same_centre_scale_and_roll(
    solver, tmp_path, right_ascension_deg, declination_deg, roll_deg, mirrored
):
    """No distortion here, so solve-field's linear solution is compared as it stands."""
    rng = np.random.default_rng(int(right_ascension_deg))
    sensor = Sensor(tell={"mid_exposure": CATALOGUE_EPOCH})
    truth = attitude(right_ascension_deg, declination_deg, roll_deg)
    x, y, flux, _ = sky(truth, sensor, SCALE, mirrored=mirrored, zero_magnitude_flux_adu=3e7)
    frame = expose(sensor, x, y, flux, rng)
    ours = solver.solve_now(frame, SolveHint(scale_arcsec_px=SCALE))
    theirs = solve_field(frame, SCALE, tmp_path, order=1)
    assert theirs.count > 12

    middle, arm = np.array([0.5 * (frame.width_px - 1), 0.5 * (frame.height_px - 1)]), 400.0
    places = middle + arm * np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]])
    camera = vectors(*theirs.wcs.all_pix2world(places, 0).T) @ ours.camera_from_icrs.T
    tangent = camera[:, 1:] / camera[:, :1] / ARCSEC
    along_x = (tangent[1] - tangent[2]) / (2 * arm)
    along_y = (tangent[3] - tangent[4]) / (2 * arm) * (-1.0 if mirrored else 1.0)

    roll_sigma, *centre_sigma = sigmas_arcsec(ours)
    centre_limit = LIMIT_SIGMAS * np.sqrt(
        max(centre_sigma) ** 2 + theirs.centre_sigma_arcsec(SCALE) ** 2 + EPOCH_SIGMA_ARCSEC**2
    )
    assert np.abs(tangent[0]).max() < centre_limit
    scale = np.sqrt(abs(along_x[0] * along_y[1] - along_x[1] * along_y[0]))
    assert scale == pytest.approx(ours.scale_arcsec_px, rel=1e-4)
    roll = 0.5 * (np.arctan2(along_x[1], along_x[0]) + np.arctan2(-along_y[0], along_y[1]))
    roll_limit = LIMIT_SIGMAS * np.hypot(roll_sigma, theirs.roll_sigma_arcsec())
    assert abs(roll) / ARCSEC < roll_limit


@pytest.mark.photographs
@pytest.mark.skipif(
    not PHOTOGRAPHS.is_dir(), reason="the photographs are not beside the repository"
)
@pytest.mark.parametrize(
    ("altitude", "azimuth"),
    [
        pytest.param(altitude, azimuth, marks=() if (altitude, azimuth) in USUAL else in_full)
        for altitude in (40, 60)
        for azimuth in (-135, -45, 45, 135)
    ],
)
def test_a_photograph_has_the_same_attitude_by_their_stars(solver, tmp_path, altitude, azimuth):
    """The lens bends the field by 0.17 %, so what solve-field's polynomials make of its edges
    differs by more than sigma.  Compared is the rotation by scipy through solve-field's own
    stars (its centres, its identities, Tycho-2 places), with our lens term taken out.
    """
    (path,) = PHOTOGRAPHS.glob(f"2019*Alt{altitude}_Azi{azimuth}_*.tiff")
    frame = decode_picture(path.read_bytes())
    ours = solver.solve_now(frame, field_deg=11.4)
    theirs = solve_field(frame, ours.scale_arcsec_px, tmp_path, order=2)
    assert theirs.count > 10

    middle = np.array([0.5 * (frame.width_px - 1), 0.5 * (frame.height_px - 1)])
    ours_raw = ours.star_px - middle
    reach = np.square(ours_raw).sum(axis=1)
    stretch = (ours.star_tangent * ours_raw).sum(axis=1) / reach - 1.0
    bend = (stretch * reach).sum() / np.square(reach).sum()  # ideal = raw (1 + bend r^2)
    raw = theirs.stars_px - middle
    ideal = raw * (1.0 + bend * np.square(raw).sum(axis=1))[:, None]

    expected = theirs.stars_icrs @ ours.camera_from_icrs.T
    expected = expected[:, 1:] / expected[:, :1] / (ours.scale_arcsec_px * ARCSEC)
    residual = ideal - expected
    residual -= residual.mean(axis=0)
    rms_px = float(np.sqrt(np.square(residual).sum() / (2 * theirs.count - 4)))
    assert rms_px < 0.35  # every one of their stars is the same star in ours

    camera = np.column_stack([np.ones(theirs.count), ideal * ours.scale_arcsec_px * ARCSEC])
    camera /= np.linalg.norm(camera, axis=1)[:, None]
    turned, _ = Rotation.align_vectors(camera, theirs.stars_icrs)
    roll, *centre = (
        np.abs(vector_from_rotation(turned.as_matrix() @ ours.camera_from_icrs.T)) / ARCSEC
    )
    own = Theirs(theirs.wcs, theirs.stars_px, theirs.stars_icrs, rms_px)
    roll_sigma, *centre_sigma = sigmas_arcsec(ours)
    assert roll < LIMIT_SIGMAS * np.hypot(roll_sigma, own.roll_sigma_arcsec())
    assert max(centre) < LIMIT_SIGMAS * np.sqrt(
        max(centre_sigma) ** 2
        + own.centre_sigma_arcsec(ours.scale_arcsec_px) ** 2
        + EPOCH_SIGMA_ARCSEC**2
    )
