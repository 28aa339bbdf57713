"""A wrong settings file is told by line, key, value and what is allowed, all at once."""

from pathlib import Path

import pytest

from polewright.core.errors import UsageError
from polewright.settings.load import (
    SettingsError,
    find_settings_file,
    load_settings,
    parse_settings,
)
from polewright.settings.toml_lines import key_lines, line_of


def problems(text: str) -> tuple[str, ...]:
    with pytest.raises(SettingsError) as caught:
        parse_settings(text, name="p.toml")
    return caught.value.problems


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        (
            "[site]\n\nlatitude_deg = 95\nlongitude_deg = 2\n",
            "p.toml line 3: [site] latitude_deg = 95 is refused; allowed: a number from -90 to 90",
        ),
        (
            "site.elevation_m = 'high'\n",
            'p.toml line 1: [site] elevation_m = "high" is refused; '
            "allowed: a number from -500 to 9000",
        ),
        (
            "[camera]\nexposure_s = true\n",
            "p.toml line 2: [camera] exposure_s = true is refused; "
            "allowed: a number from 0.001 to 120",
        ),
        (
            "[camera]\nexposure_s = nan\n",
            "p.toml line 2: [camera] exposure_s = nan is refused; "
            "allowed: a number from 0.001 to 120",
        ),
        (
            '[camera]\n"exposure_s" = 0\n',
            "p.toml line 2: [camera] exposure_s = 0 is refused; "
            "allowed: a number from 0.001 to 120",
        ),
        (
            "[survey]\nframes = 2.5\n",
            "p.toml line 2: [survey] frames = 2.5 is refused; allowed: a whole number from 3 to 60",
        ),
        (
            '[indi]\nport = "7624"\n',
            'p.toml line 2: [indi] port = "7624" is refused; '
            "allowed: a whole number from 1 to 65535",
        ),
        (
            '[mqtt]\nmode = "embeded"\n',
            'p.toml line 2: [mqtt] mode = "embeded" is refused; '
            'allowed: one of "embedded", "external", "off"',
        ),
        (
            "[mqtt]\ntls = 1\n",
            "p.toml line 2: [mqtt] tls = 1 is refused; allowed: true or false",
        ),
        (
            '[mount]\nslug = "all"\n',
            'p.toml line 2: [mount] slug = "all" is refused; allowed: 1 to 32 small letters, '
            "digits, - and _, in quotes; not the word all",
        ),
        (
            '[mount]\nslug = "Kudu/+"\n',
            'p.toml line 2: [mount] slug = "Kudu/+" is refused; allowed: 1 to 32 small letters, '
            "digits, - and _, in quotes; not the word all",
        ),
        (
            "[adjuster]\naltitude_arcmin_per_turn = 0\n",
            "p.toml line 2: [adjuster] altitude_arcmin_per_turn = 0 is refused; "
            "allowed: a number from -1200 to 1200, not 0",
        ),
        (
            '[camera]\ndevice = ""\n',
            'p.toml line 2: [camera] device = "" is refused; '
            "allowed: text in quotes, not empty, at most 64 characters",
        ),
        (
            "[safety]\nsun_cone = 5\n",
            "p.toml line 2: [safety] sun_cone = 5 is not a known key (did you mean "
            "sun_cone_deg?); allowed: sun_cone_deg, altitude_floor_deg, hour_angle_min_deg, "
            "hour_angle_max_deg, horizon, allow_meridian_crossing",
        ),
        (
            "[cmera]\nexposure_s = 5\n",
            "p.toml line 1: [cmera] is not a known section (did you mean camera?); allowed: site, "
            "mount, camera, adjuster, sensor, indi, mqtt, page, metrics, survey, "
            "sights, star_alignment, tolerance, plan, schedule, watch, safety, journal, logging",
        ),
        ("site = 3\n", "p.toml line 1: site = 3 is refused; allowed: a section, [site]"),
        (
            '[page]\ntls_key_file = "page.key"\n',
            "p.toml line 2: [page] tls_key_file is alone; allowed: tls_certificate_file and "
            "tls_key_file",
        ),
        (
            '[mqtt]\nhost = "10.0.0.3"\n',
            'p.toml line 2: [mqtt] host = "10.0.0.3" is outside this machine, where the embedded '
            'broker lets nobody in; allowed: host = "127.0.0.1", or mode = "external"',
        ),
        (
            "[site]\nname = 'x'\nlatitude_deg = 3.0\n",
            "p.toml line 3: [site] latitude_deg and longitude_deg are given together, or both left "
            "out to take the place from a GPS or the mount",
        ),
        (
            "[site]\nlatitude_deg = = 4\n",
            "p.toml line 2: not valid TOML: Invalid value: latitude_deg = = 4",
        ),
        (
            "[site]\nname = 'x'\n[site]\n",
            "p.toml line 3: not valid TOML: Cannot declare ('site',) twice: [site]",
        ),
    ],
)
def test_a_problem_names_line_key_value_and_what_is_allowed(text: str, problem: str) -> None:
    assert problems(text) == (problem,)


def test_several_problems_are_told_together_in_the_order_of_the_file() -> None:
    told = problems(
        '[survey]\nframes = 1\nsweep = 3\n[mqtt]\nmode = "x"\n[site]\nelevation_m = 1e9\n'
    )
    assert [problem.split(":")[0] for problem in told] == [
        "p.toml line 2",
        "p.toml line 3",
        "p.toml line 5",
        "p.toml line 7",
    ]


def test_the_message_is_one_line_a_problem_and_one_for_the_remedy() -> None:
    with pytest.raises(UsageError) as caught:
        parse_settings("[survey]\nframes = 1\nsweep_deg = 1\n", name="p.toml")
    assert len(str(caught.value).splitlines()) == 3
    assert caught.value.exit_code == 2


def test_a_password_written_into_the_file_is_not_repeated() -> None:
    (told,) = problems('[mqtt]\nmode = "external"\npassword = "acacia"\n')
    assert "acacia" not in told
    assert "did you mean password_file?" in told


def test_lines_are_found_around_multi_line_values() -> None:
    text = '[a]\nx = [\n 1, # ]\n "]",\n]\ny = """\nz = 3\n"""\n[b.c]\nd.e = 1\nf = {g = 1}\n'
    lines = key_lines(text)
    assert lines[("a", "y")] == 6
    assert ("a", "z") not in lines
    assert lines[("b", "c", "d", "e")] == 10
    assert line_of(("b", "c", "f", "g"), lines) == 11
    assert line_of(("nowhere",), lines) is None


def test_a_file_that_is_missing_is_a_usage_error(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be read: No such file"):
        load_settings(tmp_path / "gone.toml")


def test_a_file_that_is_not_utf8_names_its_line(tmp_path: Path) -> None:
    path = tmp_path / "latin.toml"
    path.write_bytes(b"[site]\nname = 'K\xfcste'\n")
    with pytest.raises(UsageError, match=r"latin.toml line 2: not UTF-8 text"):
        load_settings(path)


def test_a_decimal_comma_is_told_as_what_it_is():
    assert problems("[site]\nlatitude_deg = -32,40  # south\n") == (
        "p.toml line 2: a decimal point is needed, -32.40 instead of -32,40: "
        "latitude_deg = -32,40  # south",
    )
    # A comma that is no decimal one is left to the parser's words.
    (problem,) = problems("[safety]\nhorizon = 1, 2, 3\n")
    assert "not valid TOML" in problem


def test_the_search_order_is_option_variable_here_home_etc(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    here, home = tmp_path / "here", tmp_path / "home"
    here.mkdir()
    (home / "polewright").mkdir(parents=True)
    monkeypatch.chdir(here)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(home))
    monkeypatch.delenv("POLEWRIGHT_CONFIG", raising=False)
    (home / "polewright" / "polewright.toml").touch()
    assert find_settings_file() == home / "polewright" / "polewright.toml"
    (here / "polewright.toml").touch()
    assert find_settings_file() == Path("polewright.toml")
    (tmp_path / "named.toml").touch()
    monkeypatch.setenv("POLEWRIGHT_CONFIG", str(tmp_path / "named.toml"))
    assert find_settings_file() == tmp_path / "named.toml"
    assert find_settings_file(here / "polewright.toml") == here / "polewright.toml"


def test_a_named_file_that_does_not_exist_is_never_passed_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("POLEWRIGHT_CONFIG", str(tmp_path / "gone.toml"))
    with pytest.raises(UsageError, match=r"POLEWRIGHT_CONFIG names .*gone\.toml"):
        find_settings_file()
    with pytest.raises(UsageError, match="--config names"):
        find_settings_file(tmp_path / "other.toml")
