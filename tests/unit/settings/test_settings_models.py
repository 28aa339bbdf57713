"""What the settings allow, what they default to, and what the written examples say."""

import re
import tomllib
from pathlib import Path

import pytest

from polewright.core.errors import UsageError
from polewright.settings.displays import MQTT_PASSWORD_VARIABLE
from polewright.settings.load import load_settings, parse_settings
from polewright.settings.model import Settings
from polewright.settings.template import default_settings_text

CONFIGS = Path(__file__).parents[3] / "configs"


def test_an_empty_file_gives_the_defaults() -> None:
    settings = parse_settings("", name="empty.toml")
    assert settings == Settings()
    assert settings.site.place() is None
    assert settings.indi.port == 7624
    assert settings.survey.target_pole is None
    assert settings.tolerance.arcsec is None
    assert settings.safety.sun_cone_deg == 20.0
    assert settings.safety.altitude_floor_deg == 15.0
    assert settings.mqtt.root == "polewright"


def test_settings_cannot_be_changed_after_loading() -> None:
    settings = Settings()
    with pytest.raises(ValueError, match="frozen"):
        settings.indi.port = 1  # type: ignore[misc]


def test_the_example_of_the_southern_terrace_loads() -> None:
    settings = load_settings(CONFIGS / "polewright.toml")
    place = settings.site.place()
    assert place is not None
    assert place.south
    assert (place.latitude_deg, place.longitude_deg, place.elevation_m) == (-32.40, 22.70, 1250.0)
    assert settings.mount.slug == "kudu"
    assert settings.camera.device == "Hoopoe"


def test_the_example_of_the_northern_yard_loads() -> None:
    settings = load_settings(CONFIGS / "juniper-yard.toml")
    place = settings.site.place()
    assert place is not None
    assert not place.south
    assert settings.mqtt.mode == "external"
    assert settings.mqtt.password_file == CONFIGS / "mqtt-password.txt"


def test_the_written_template_is_all_defaults() -> None:
    assert parse_settings(default_settings_text(), name="template.toml") == Settings()


# A plan's target and window are said in one of several ways.
ANOTHER_WAY = ("right_ascension_deg", "declination_deg", "start_utc", "end_utc")


def test_every_example_in_the_template_is_valid_once_uncommented() -> None:
    lines = []
    left_out: set[str] = set()
    for line in default_settings_text().splitlines():
        if line.startswith("#") and not line.startswith("# "):
            line = line[1:]
        # These belong to a broker of one's own.
        line = line.replace('mode = "embedded"', 'mode = "external"').replace(
            "tls = false", "tls = true"
        )
        if line.startswith(ANOTHER_WAY):
            left_out.add(line.partition(" ")[0])
        else:
            lines.append(line)
    text = "\n".join(lines)
    parsed = tomllib.loads(text)
    settings = parse_settings(text, name="template.toml")
    for name, section in Settings.model_fields.items():
        assert section.annotation is not None
        named = set(parsed[name]) | (left_out if name == "plan" else set())
        assert named == set(type(getattr(settings, name)).model_fields)


def test_the_template_wraps_its_lines() -> None:
    assert max(map(len, default_settings_text().splitlines())) <= 100


def test_the_password_comes_from_the_file_without_its_line_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv(MQTT_PASSWORD_VARIABLE, raising=False)
    (tmp_path / "secret.txt").write_text(" acacia \n")
    text = '[mqtt]\nmode = "external"\npassword_file = "secret.txt"\n'
    mqtt = parse_settings(text, name="x", directory=tmp_path).mqtt
    assert mqtt.password() == " acacia "
    monkeypatch.setenv(MQTT_PASSWORD_VARIABLE, "marula")
    assert mqtt.password() == "marula"
    assert "acacia" not in repr(mqtt)


def test_a_missing_password_file_is_a_usage_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv(MQTT_PASSWORD_VARIABLE, raising=False)
    mqtt = parse_settings(
        '[mqtt]\nmode = "external"\npassword_file = "gone.txt"\n', name="x", directory=tmp_path
    ).mqtt
    with pytest.raises(UsageError, match=re.escape(str(tmp_path / "gone.txt"))):
        mqtt.password()


@pytest.mark.parametrize("axis", ["[0, 0, 0]", "[1.0, 0.0]", '"up"', "[1e9, 0.0, 0.0]"])
def test_an_axis_of_the_sensor_that_points_nowhere_is_refused(axis: str) -> None:
    with pytest.raises(UsageError):
        parse_settings(f"[sensor]\naxis = {axis}\n", name="kudu.toml")
    settings = parse_settings("[sensor]\naxis = [0.0, 0.8, 0.6]\n", name="kudu.toml")
    assert settings.sensor.axis == [0.0, 0.8, 0.6]
