"""From a plan in the settings to the tolerance and the pole that the session uses."""

from datetime import UTC, datetime

import pytest

from polewright.app.wishes import evening_wishes, planned_tolerance
from polewright.cli.main import main
from polewright.core.errors import UsageError
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.settings.load import parse_settings

EXPOSURE = "[plan]\nfocal_length_mm = 400.0\npixel_size_um = 3.76\nexposure_s = 300.0\n"
WINDOW = (
    "[plan]\nright_ascension_deg = 84.0\ndeclination_deg = -69.1\n"
    "start_utc = 2026-11-25T20:00:00Z\nend_utc = 2026-11-25T23:30:00Z\n"
)


def _settings(text):
    return parse_settings(text, name="p.toml")


def test_without_a_plan_the_tolerance_is_a_usual_one_and_says_so():
    tolerance = planned_tolerance(_settings(""))
    assert tolerance.error_rad == pytest.approx(60 * ARCSEC_RAD)
    assert "usual" in tolerance.reason


def test_a_planned_exposure_sets_the_tolerance_with_its_reason():
    """89 arcsec for 300 s at 400 mm: docs, worked table."""
    wishes = evening_wishes(_settings(EXPOSURE))
    assert wishes.tolerance_arcsec == pytest.approx(89, abs=0.6)
    assert "300 s" in planned_tolerance(_settings(EXPOSURE)).reason


def test_a_tolerance_that_is_set_goes_before_the_plan():
    wishes = evening_wishes(_settings("[tolerance]\narcsec = 30.0\n" + EXPOSURE))
    assert wishes.tolerance_arcsec == pytest.approx(30.0)


def test_tonights_pole_needs_to_know_the_night():
    with pytest.raises(UsageError) as caught:
        evening_wishes(_settings("[survey]\ntarget_pole = 'tonight'\n"))
    assert caught.value.code == "no_window"
    wishes = evening_wishes(_settings("[survey]\ntarget_pole = 'tonight'\n" + WINDOW))
    assert wishes.window is not None
    assert wishes.window.start == datetime(2026, 11, 25, 20, tzinfo=UTC)


@pytest.mark.parametrize(
    "text",
    [
        "[plan]\nfocal_length_mm = 400.0\n",
        "[plan]\nstart_utc = 2026-11-25T20:00:00Z\n",
        "[plan]\nright_ascension_deg = 4.0\n",
        "[plan]\nstart_utc = 2026-11-25T20:00:00\nend_utc = 2026-11-25T22:00:00Z\n",
        "[safety]\nhorizon = [[10.0, 95.0]]\n",
    ],
)
def test_half_a_plan_is_refused_with_its_line(text):
    with pytest.raises(UsageError, match="line 2"):
        _settings(text)


def test_the_tolerance_command_says_the_figure_and_why(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    options = ["--focal-length", "400", "--pixel-size", "3.76", "--exposure", "300"]
    assert main(["tolerance", *options]) == 0
    said = capsys.readouterr().out
    assert "1.48 arcmin" in said
    assert "300 s" in said
    assert main(["tolerance", "--focal-length", "400"]) == 2
    assert "--exposure" in capsys.readouterr().err


def test_a_plan_of_names_hours_and_named_optics_is_read():
    wish = evening_wishes(
        _settings(
            EXPOSURE + "sensor_diagonal_mm = 20.0\nguided = true\ntargets = ['NGC 2070', "
            "'a comet = 13:26:47 -47:28:46']\nstart = '21:30'\nend = '02:00'\n"
            "optics = [{name = 'wide', focal_length_mm = 50.0, pixel_size_um = 3.75}]\n"
        )
    ).plan
    assert wish.asked is not None
    assert [target.name for target in wish.asked.targets][1] == "a comet"
    assert wish.asked.trains[0].farthest_mm == 10.0
    assert wish.asked.hours is not None
    assert (wish.asked.hours.start_min, wish.asked.hours.end_min) == (21 * 60 + 30, 120)
    assert wish.optics("Wide").focal_length_mm == 50.0
    assert wish.optics("wide").exposure_s is None


def test_an_unknown_name_in_the_settings_is_refused_with_where_it_stands():
    with pytest.raises(UsageError, match=r"\[plan\] targets: nothing is known.*Sirius"):
        evening_wishes(_settings("[plan]\ntargets = ['siruis']\n"))


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("[plan]\nstart = '21:30'\n", "start"),
        ("[plan]\nnight = true\nstart = '21:30'\nend = '02:00'\n", "window"),
        ("[plan]\nstart = '24:30'\nend = '02:00'\n", "start"),
        ("[plan]\ntargets = ['M 31']\ndeclination_deg = 41.0\n", "targets"),
        (
            "[plan]\noptics = [{name = 'w', focal_length_mm = -1.0, pixel_size_um = 3.0}]\n",
            "opt",
        ),
        (
            "[plan]\noptics = [{name = 'wide', focal_length_mm = 50.0, pixel_size_um = 3.0, "
            "farthest_mm = 3.0, sensor_diagonal_mm = 6.0}]\n",
            "not both",
        ),
    ],
)
def test_a_plan_that_contradicts_itself_is_refused(text, key):
    with pytest.raises(UsageError, match=key):
        _settings(text)


def test_the_check_of_a_file_looks_its_targets_up(capsys, tmp_path):
    file = tmp_path / "polewright.toml"
    file.write_text("[plan]\ntargets = ['helix']\n")
    assert main(["config", "check", str(file)]) == 2
    assert "Helix Nebula" in capsys.readouterr().err
