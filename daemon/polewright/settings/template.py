"""The commented settings file that `polewright config init` writes, made from the models."""

import textwrap
from datetime import UTC, datetime

from polewright.settings.explain import allowed_values, value_in_toml
from polewright.settings.model import Settings
from polewright.settings.section import Section

_WIDTH = 96

_HEAD = """\
# polewright settings (TOML).  Every line that starts with # is a default or an example:
# take the # away to change it.  `polewright config check` says whether the file is good.
"""

# What a person would write there; only for keys that have no default.
_EXAMPLES: dict[tuple[str, str], object] = {
    ("site", "latitude_deg"): -32.4,
    ("site", "longitude_deg"): 22.7,
    ("site", "pressure_hpa"): 872.0,
    ("mount", "device"): "Kudu",
    ("camera", "device"): "Hoopoe",
    ("camera", "exposure_s"): 2.0,
    ("camera", "binning"): 1,
    ("camera", "gain"): 100.0,
    ("camera", "offset"): 10.0,
    ("camera", "dark_file"): "dark.fits",
    ("camera", "focal_length_mm"): 120.0,
    ("camera", "pixel_size_um"): 3.75,
    ("camera", "mirrored"): False,
    ("adjuster", "device"): "Bolt Motors",
    ("adjuster", "altitude_arcmin_per_turn"): 60.0,
    ("adjuster", "azimuth_arcmin_per_turn"): -75.0,
    ("sensor", "device"): "Bracket",
    ("sensor", "axis"): [0.0, 0.8, 0.6],
    ("sensor", "bracket"): "clamp",
    ("sensor", "tilt_sigma_deg"): 0.3,
    ("sensor", "compass_sigma_deg"): 4.0,
    ("schedule", "at"): ["21:30"],
    ("schedule", "zone"): "Africa/Windhoek",
    ("schedule", "after_dusk_min"): 20.0,
    ("schedule", "gate_command"): ["/usr/local/bin/begin-imaging", "kudu"],
    ("metrics", "port"): 9478,
    ("watch", "folder"): "/data/lights",
    ("journal", "directory"): "/var/lib/polewright",
    ("page", "token_file"): "page-tokens.txt",
    ("page", "names"): ["kudu.example.net"],
    ("page", "tls_certificate_file"): "page.pem",
    ("page", "tls_key_file"): "page.key",
    ("sights", "home_sigma_arcmin"): 30.0,
    ("survey", "wish_arcsec"): 10.0,
    ("survey", "mechanical_floor_arcsec"): 3.0,
    ("safety", "horizon"): [[170.0, 12.0], [180.0, 25.0], [190.0, 12.0]],
    ("tolerance", "arcsec"): 60.0,
    ("plan", "focal_length_mm"): 400.0,
    ("plan", "pixel_size_um"): 3.75,
    ("plan", "exposure_s"): 120.0,
    ("plan", "right_ascension_deg"): 84.0,
    ("plan", "declination_deg"): -69.1,
    ("plan", "sensor_diagonal_mm"): 28.3,
    ("plan", "optics"): [
        {"name": "wide", "focal_length_mm": 50.0, "pixel_size_um": 3.75, "sensor_diagonal_mm": 28.3}
    ],
    ("plan", "targets"): ["M 83", "13:26:47 -47:28:46"],
    ("plan", "start"): "21:30",
    ("plan", "end"): "02:00",
    ("survey", "target_pole"): "refracted",
    ("plan", "start_utc"): datetime(2026, 11, 25, 20, 0, tzinfo=UTC),
    ("plan", "end_utc"): datetime(2026, 11, 25, 23, 30, tzinfo=UTC),
    ("mqtt", "username"): "kudu",
    ("mqtt", "password_file"): "mqtt-password.txt",
    ("mqtt", "ca_file"): "ca.pem",
    ("mqtt", "client_certificate_file"): "kudu.pem",
    ("mqtt", "client_key_file"): "kudu.key",
}


def default_settings_text() -> str:
    """Return a commented TOML text that names every key, its meaning and what is allowed."""
    parts = [_HEAD]
    for name, section_field in Settings.model_fields.items():
        section = section_field.annotation
        assert isinstance(section, type)
        assert issubclass(section, Section)
        summary = (section.__doc__ or "").strip()
        parts.append(f"\n{_comment(summary)}[{name}]\n")
        for key, field in section.model_fields.items():
            example = _EXAMPLES.get((name, key), field.default)
            assert example is not None, f"no example for [{name}] {key}"
            parts.append(_comment(f"{field.description} Allowed: {allowed_values(field)}."))
            parts.append(f"#{key} = {value_in_toml(example)}\n")
    return "".join(parts)


def _comment(text: str) -> str:
    return textwrap.fill(text, _WIDTH, initial_indent="# ", subsequent_indent="#   ") + "\n"
