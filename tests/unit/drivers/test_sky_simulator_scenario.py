"""The scenario's settings: what is accepted, what is refused, and how the refusal reads."""

import dataclasses
import tomllib
from pathlib import Path

import pytest

from polewright_drivers.sky_simulator.scenario import (
    CameraTruth,
    Scenario,
    ScenarioError,
    invent,
)
from polewright_drivers.sky_simulator.scenario_file import from_tables, load
from polewright_drivers.sky_simulator.simulated_clock import SimulatedClock, utc


def test_a_seed_gives_the_same_evening_again_and_another_seed_another():
    assert invent(11, "south") == invent(11, "south")
    assert invent(11, "south") != invent(12, "south")
    assert invent(11, "north").site.name == "Juniper Yard"


def test_an_empty_file_is_a_perfect_mount_at_the_terrace():
    assert from_tables({}) == Scenario()


def test_a_table_changes_single_truths_of_a_drawn_evening():
    drawn = invent(4, "north")
    changed = from_tables({"seed": 4, "site_name": "north", "mount": {"cone_arcmin": 7}})
    assert changed.mount == dataclasses.replace(drawn.mount, cone_arcmin=7.0)
    assert changed.bolts == drawn.bolts


def test_the_command_lines_seed_and_site_go_before_the_files_own(tmp_path: Path):
    path = tmp_path / "sky.toml"
    path.write_text('seed = 4\nsite_name = "north"\n')
    assert load(path, seed=5, site="south") == invent(5, "south")


@pytest.mark.parametrize(
    ("tables", "words"),
    [
        ({"moount": {}}, ["moount", "unknown key", "mount"]),
        ({"mount": {"cone": 3.0}}, ["mount.cone", "unknown key", "cone_arcmin"]),
        ({"mount": 3}, ["mount", "table"]),
        ({"mount": {"slew_rate_deg_s": -1.0}}, ["mount.slew_rate_deg_s", "-1.0", "0.01 to 100"]),
        ({"mount": {"slew_rate_deg_s": True}}, ["mount.slew_rate_deg_s", "True", "float"]),
        ({"camera": {"bits": 12}}, ["camera.bits", "12", "8, 16"]),
        ({"camera": {"width_px": 100.5}}, ["camera.width_px", "100.5", "int"]),
        ({"bolts": {"azimuth_clockwise": "left"}}, ["bolts.azimuth_clockwise", "east", "west"]),
        ({"clock": {"start_utc": "tonight"}}, ["clock.start_utc", "tonight", "ISO 8601"]),
        ({"site_name": "moon"}, ["site_name", "moon", "south, north"]),
        ({"seed": "x"}, ["seed", "'x'"]),
    ],
)
def test_a_wrong_setting_is_refused_with_its_name_its_value_and_what_is_allowed(tables, words):
    with pytest.raises(ScenarioError) as refusal:
        from_tables(tables)
    for word in words:
        assert word in str(refusal.value)


def test_a_file_that_cannot_be_read_is_named(tmp_path: Path):
    with pytest.raises(ScenarioError, match=r"missing\.toml: cannot be read"):
        load(tmp_path / "missing.toml")
    broken = tmp_path / "broken.toml"
    broken.write_text("[mount\n")
    with pytest.raises(ScenarioError, match=r"broken\.toml: is not TOML"):
        load(broken)


def test_the_clock_starts_where_it_is_told_and_runs_at_its_pace():
    host = [100.0]
    scenario = from_tables({"clock": {"start_utc": "2026-11-25T20:00:00", "time_factor": 10}})
    clock = SimulatedClock(scenario.clock, lambda: host[0])
    assert utc(clock.now_unix_s()).isoformat() == "2026-11-25T20:00:00+00:00"
    host[0] += 3.0
    assert utc(clock.now_unix_s()).isoformat() == "2026-11-25T20:00:30+00:00"
    assert clock.host_s(5.0) == 0.5


def test_every_number_states_its_unit_in_its_name():
    """Counts, fractions and factors apart, a float's name ends with its unit."""
    units = (
        "_deg", "_arcmin", "_arcsec", "_m", "_mm", "_um", "_s", "_hpa", "_c", "_px", "_e",
        "_adu", "_mag", "_turns", "_turn", "_arcsec2", "_mag_arcsec2", "_ms2", "_ut", "_hz",
    )  # fmt: skip
    bare = {
        "relative_humidity", "time_factor", "motor_scale", "motor_azimuth_sign",
        "motor_altitude_sign", "hot_pixel_fraction", "efficiency",
        "moffat_beta", "lost_steps_fraction", "motor_azimuth_scale", "motor_altitude_scale",
        "solar_filter_density", "glare_fraction",
    }  # fmt: skip
    for group in dataclasses.fields(Scenario):
        value = getattr(Scenario(), group.name)
        if not dataclasses.is_dataclass(value):
            continue
        for field in dataclasses.fields(value):
            if isinstance(getattr(value, field.name), float):
                assert field.name.endswith(units) or field.name in bare, field.name


def test_the_default_camera_is_the_one_of_the_demo():
    camera = CameraTruth()
    assert (camera.width_px, camera.height_px, camera.pixel_size_um) == (1280, 960, 3.75)
    assert camera.focal_length_mm == 120.0


def test_the_example_file_shows_every_key_with_its_default():
    path = Path(__file__).parents[3] / "configs" / "sky-simulator.toml"
    assert load(path) == Scenario()
    told = tomllib.loads(path.read_text())
    groups = {f.name: getattr(Scenario(), f.name) for f in dataclasses.fields(Scenario)}
    del groups["seed"]
    assert told.keys() == groups.keys()
    for name, group in groups.items():
        assert told[name].keys() == {f.name for f in dataclasses.fields(group)}
