"""``polewright axis`` on picture files: time, place, floor and roll, against the sky's own truth.

The simulator draws the pictures (its sky is astropy's, ours is ERFA's) and keeps the truth.
"""

import json
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from astropy.coordinates import EarthLocation
from astropy.io import fits

from polewright.cli.main import main
from polewright_drivers.sky_simulator.scenario import CameraTruth, invent
from tests.simulated_observatory import SimulatedObservatory
from tests.system.commands import polewright

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]

NAMES = [f"sky{n}.fits" for n in range(4)]
DECLINATION_DEG = -55.0
EXPOSURE_S = 1.0


@dataclass(frozen=True)
class Evening:
    """Bare pictures of one sweep (no place in them), and the truth."""

    folder: Path
    sky: SimulatedObservatory

    @property
    def truth_arcmin(self) -> float:
        return self.sky.truth().total_error_refracted_arcsec / 60.0

    def copy(self, folder: Path, cards: dict, *, without=(), only_the_last: bool = False) -> None:
        """Copy the pictures with cards added and taken away."""
        for name in NAMES:
            with fits.open(self.folder / name) as units:
                pixels, header = units[0].data, units[0].header
                if not only_the_last or name == NAMES[-1]:
                    header.update(cards)
                for key in without:
                    del header[key]
                fits.writeto(folder / name, pixels, header)


@pytest.fixture(scope="module")
def evening(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sweep")
    camera = CameraTruth(
        focal_length_mm=120.0, told_focal_length_mm=120.0, width_px=1280, height_px=960
    )
    sky = SimulatedObservatory(replace(invent(11, "south"), camera=camera))
    for hour_angle_deg, name in zip((5.0, 25.0, 45.0, 65.0), NAMES, strict=True):
        sky.go_to(hour_angle_deg, DECLINATION_DEG)
        (folder / name).write_bytes(sky.picture(EXPOSURE_S))
    return Evening(folder, sky)


@pytest.fixture
def axis(tmp_path, monkeypatch, capsys):
    """Run the command where no settings are, or these; return exit code, result and notes."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "none"))

    def run(*options: str, settings: str = "", json_too: bool = True):
        (tmp_path / "here.toml").write_text(settings)
        tail = ["--json"] if json_too else []
        code = main(["axis", *NAMES, "--config", "here.toml", *options, *tail])
        said = capsys.readouterr()
        return code, json.loads(said.out) if json_too else said.out, said.err

    return run


def geocentric(place):
    x, y, z = EarthLocation.from_geodetic(
        place.longitude_deg, place.latitude_deg, place.elevation_m
    ).to_value("m")
    return {"OBSGEO-X": float(x), "OBSGEO-Y": float(y), "OBSGEO-Z": float(z)}


def site(place):
    return {
        "SITELAT": place.latitude_deg,
        "SITELONG": place.longitude_deg,
        "SITEELEV": place.elevation_m,
    }


def test_place_and_time_from_the_files_give_the_truth(evening, axis, tmp_path):
    evening.copy(tmp_path, geocentric(evening.sky.place))
    code, found, _ = axis()
    assert found["frame"] == "ground"
    assert found["place"]["told_by"] == "pictures"
    assert found["place"]["elevation_m"] == pytest.approx(1250.0, abs=1.0)
    assert found["warnings"] == []
    margin = 3.0 * found["sigma_arcsec"] / 60.0
    assert found["total_error_arcmin"] == pytest.approx(evening.truth_arcmin, abs=margin)
    assert code == 1, "the truth is far outside the tolerance"


async def test_the_program_says_in_words_which_place_it_used_and_what_contradicts(
    evening, tmp_path
):
    """As a process: what a person reads. The last picture counts its longitude west."""
    place = evening.sky.place
    evening.copy(tmp_path, site(place))
    other = {**site(place), "SITELONG": -place.longitude_deg}
    with fits.open(tmp_path / NAMES[-1], mode="update") as units:
        units[0].header.update(other)
    ended = await polewright(tmp_path, "axis", *NAMES)
    assert ended.code == 1, ended.err
    assert "by the pictures (SITELAT, SITELONG of sky0.fits); east counted as positive" in ended.out
    assert "32.4000 S, 22.7000 E, 1250 m" in ended.out
    assert "the pictures contradict each other" in ended.err
    assert "some programs count west" in ended.err


def test_pictures_without_time_take_it_from_the_options(evening, axis, tmp_path):
    place = evening.sky.place
    with fits.open(evening.folder / NAMES[0]) as units:
        start = units[0].header["DATE-OBS"]
    evening.copy(tmp_path, site(place), without=["DATE-OBS"])
    _, found, _ = axis()
    assert found["frame"] == "icrs", "nobody says when they were taken"
    lines = [f"{n} {fits.getheader(evening.folder / n)['DATE-OBS']}Z\n" for n in NAMES]
    (tmp_path / "times.txt").write_text("# shutter opened\n" + "".join(lines))
    _, listed, _ = axis("--times", "times.txt")
    margin = 3.0 * listed["sigma_arcsec"] / 60.0
    assert listed["total_error_arcmin"] == pytest.approx(evening.truth_arcmin, abs=margin)
    # The same with even steps, which the slews here are within seconds of.
    first, last = (
        np.datetime64(fits.getheader(evening.folder / n)["DATE-OBS"]) for n in (NAMES[0], NAMES[-1])
    )
    every_s = (last - first) / np.timedelta64(1, "s") / (len(NAMES) - 1)
    _, stepped, _ = axis("--start", f"{start}Z", "--every", f"{every_s:.3f}")
    assert stepped["total_error_arcmin"] == pytest.approx(evening.truth_arcmin, abs=margin + 0.2)


def test_a_picture_that_says_another_time_than_the_option_is_told(evening, axis, tmp_path):
    evening.copy(tmp_path, site(evening.sky.place))
    wrong = evening.sky.now + timedelta(hours=5)
    _, _, notes = axis("--start", wrong.isoformat(), "--every", "20", json_too=False)
    assert "sky0.fits (and 3 more) says" in notes
    assert "the time by the options holds" in notes


def test_floor_and_roll_of_the_settings_and_of_the_options(evening, axis, tmp_path):
    evening.copy(tmp_path, site(evening.sky.place))
    _, usual, _ = axis()
    assert (usual["mechanical_floor_arcsec"], usual["roll_used"]) == (3.0, True)
    text = '[survey]\nuse_roll = "no"\nmechanical_floor_arcsec = 20.0\n'
    _, by_settings, _ = axis(settings=text)
    assert (by_settings["mechanical_floor_arcsec"], by_settings["roll_used"]) == (20.0, False)
    _, by_options, _ = axis("--floor", "20", "--without-roll")
    assert by_options["sigma_arcsec"] == pytest.approx(by_settings["sigma_arcsec"])
    assert by_options["degrees_of_freedom"] == len(NAMES) - 3
    assert by_options["sigma_arcsec"] > 3.0 * usual["sigma_arcsec"]


def test_pressure_and_temperature_go_with_a_place_by_options(evening, axis, tmp_path):
    """No air bends no light: the refracted pole becomes the true one, 83 arcsec lower at 32 deg."""
    evening.copy(tmp_path, {})
    here = ("--latitude", "-32.4", "--longitude", "22.7", "--elevation", "1250")
    _, usual, _ = axis(*here)
    _, cold, _ = axis(*here, "--pressure", "1050", "--temperature", "-20")
    assert cold["place"]["pressure_hpa"] == 1050.0
    assert cold["place"]["temperature_c"] == -20.0
    assert usual["place"]["pressure_hpa"] == pytest.approx(871.6, abs=1.0)
    assert cold["axis_altitude_deg"] != usual["axis_altitude_deg"]


async def test_bolts_turned_between_pictures_are_told_as_what_moved(tmp_path):
    """The mount itself is moved by the simulator's bolt, unseen, after the third of five."""
    sky = SimulatedObservatory(invent(12, "south"))
    names = [f"sweep{n}.fits" for n in range(5)]
    for n, name in enumerate(names):
        sky.go_to(5.0 + 15.0 * n, DECLINATION_DEG)
        (tmp_path / name).write_bytes(sky.picture(EXPOSURE_S))
        if n == 2:
            sky.turn(altitude_turns=0.25)
    here = ("--latitude", "-32.4", "--longitude", "22.7", "--elevation", "1250")
    ended = await polewright(tmp_path, "axis", *reversed(names), *here, "--json")
    assert ended.code == 3, "cannot tell"
    assert ended.json["verdict"] == "cannot_tell"
    assert ended.json["trouble"]["code"] == "tripod_moved"
    assert "after sweep2.fits" in ended.json["trouble"]["text"]
    told = await polewright(tmp_path, "axis", *names, *here)
    assert told.out.startswith("not to be believed: the tripod or the mount moved by about")
    assert "Check the tripod's feet" in told.out
    nowhere = await polewright(tmp_path, "axis", *names)
    assert nowhere.out.startswith("not to be believed: the pictures disagree")
    assert nowhere.code == 3, "cannot tell"


async def test_pictures_without_a_place_that_agree_are_believed(evening, tmp_path):
    evening.copy(tmp_path, {})
    ended = await polewright(tmp_path, "axis", *NAMES)
    assert ended.code == 0, ended.out
    assert ended.out.startswith("rotation axis: right ascension")


def test_a_trailed_picture_is_told_as_such_and_the_others_are_not(tmp_path, monkeypatch, capsys):
    """Ten seconds without tracking: 15 arcsec/s x cos(55 deg) x 10 s are 86 arcsec, 13 pixels."""
    monkeypatch.chdir(tmp_path)
    sky = SimulatedObservatory(invent(13, "south"))
    names = ["still0.fits", "still1.fits", "trail2.fits", "still3.fits"]
    for n, name in enumerate(names):
        sky.go_to(5.0 + 20.0 * n, DECLINATION_DEG)
        sky.rig.axes.track(on="still" in name)
        exposure_s = EXPOSURE_S if "still" in name else 10.0
        (tmp_path / name).write_bytes(sky.picture(exposure_s))
    (tmp_path / "here.toml").write_text("")
    main(["solve", "trail2.fits", "--config", "here.toml"])
    assert "  trailed, stars " in capsys.readouterr().out
    here = ["--latitude=-32.4", "--longitude=22.7", "--elevation=1250", "--config", "here.toml"]
    main(["axis", *names, *here])
    lines = [line for line in capsys.readouterr().out.splitlines() if "residual" in line]
    assert [line.partition(":")[0].strip() for line in lines if "trailed, stars" in line] == [
        "trail2.fits"
    ]
    main(["axis", *names, *here, "--json"])
    pictures = json.loads(capsys.readouterr().out)["pictures"]
    assert [one["trailed"] for one in pictures] == [False, False, True, False]


def test_tonights_pole_needs_a_plan_and_has_it_from_the_settings(evening, axis, tmp_path):
    evening.copy(tmp_path, site(evening.sky.place))
    code, refused, _ = axis("--target", "tonight")
    assert (code, refused["error"]["code"]) == (2, "no_window")
    window = "start_utc = 2026-11-25T21:00:00Z\nend_utc = 2026-11-26T01:00:00Z\n"
    plan = '[plan]\ntargets = ["M 42"]\n' + window
    _, found, _ = axis("--target", "tonight", settings=plan)
    _, refracted, _ = axis(settings=plan)
    assert found["target_pole"] == "tonight"
    apart_arcmin = abs(found["altitude_error_arcmin"] - refracted["altitude_error_arcmin"])
    assert 0.02 < apart_arcmin < 3.0
