"""Who may look and who may command."""

import logging
import stat
from pathlib import Path

import pytest

from polewright.adapters.web.access import (
    Role,
    Tokens,
    WrongTokens,
    is_called_right,
    is_loopback,
    is_same_origin,
    own_names,
    tokens_from,
)
from polewright.adapters.web.links import page_link, terminal_code
from polewright.adapters.web.server import page_tokens
from polewright.core.errors import UsageError
from polewright.settings.displays import PageSettings
from polewright.settings.model import Settings

NAMES = own_names(["kudu.example.net"])


def test_tokens_are_made_once_for_their_owner_alone(tmp_path: Path):
    file = tmp_path / "deep" / "tokens.txt"
    first = tokens_from(file, onlookers=True)
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert tokens_from(file, onlookers=True) == first
    assert first.look is not None
    assert len(first.command) >= 32
    assert first.command != first.look
    assert tokens_from(file, onlookers=False).look is None


def test_a_token_file_that_others_may_read_is_refused(tmp_path: Path):
    file = tmp_path / "tokens.txt"
    tokens_from(file, onlookers=True)
    file.chmod(0o640)
    with pytest.raises(UsageError, match="can be read by other users"):
        tokens_from(file, onlookers=True)


@pytest.mark.parametrize(
    "text",
    ["", "command = short", "look = 0123456789abcdef", "\x00\x01",
     "command = " + "x" * 20 + "\nlook = " + "x" * 20],
)  # fmt: skip
def test_a_file_without_two_different_tokens_is_refused(tmp_path: Path, text: str):
    file = tmp_path / "tokens.txt"
    file.write_text(text)
    file.chmod(0o600)
    with pytest.raises(UsageError) as refused:
        tokens_from(file, onlookers=True)
    assert refused.value.code == "token_file"


def test_each_token_has_its_role_and_nothing_else_has_one():
    tokens = Tokens(command="c" * 20, look="l" * 20)
    assert tokens.role_of("c" * 20) is Role.COMMAND
    assert tokens.role_of("l" * 20) is Role.LOOK
    for wrong in ("", "c" * 19, "c" * 21, "l" * 19, None, 7, ["c" * 20], "ü" * 20):
        assert tokens.role_of(wrong) is None
    assert Tokens(command="c" * 20).role_of("") is None


def test_tokens_stand_in_no_text_of_their_record():
    assert "secret" not in repr(Tokens(command="secretsecretsecret", look="secret"))


@pytest.mark.parametrize("host", ["127.0.0.1", "127.3.2.1", "localhost", "::1", "LOCALHOST"])
def test_this_machine_alone_is_known_as_such(host: str):
    assert is_loopback(host)


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.5", "kudu", "localhost.example.net"])
def test_everything_else_is_beyond(host: str):
    assert not is_loopback(host)


@pytest.mark.parametrize(
    "header",
    ["127.0.0.1:8472", "192.168.1.5", "[::1]:8472", "localhost:8472", "kudu.example.net",
     "KUDU.example.net.:1"],
)  # fmt: skip
def test_names_and_addresses_of_this_machine_are_heard(header: str):
    assert is_called_right(header, NAMES)


@pytest.mark.parametrize(
    "header",
    [None, "", "evil.example.com", "evil.example.com:8472", "127.0.0.1.evil.example.com",
     "localhost.evil.example.com", "a@127.0.0.1", "127.0.0.1/x", "127.0.0.1:port", "[::1"],
)  # fmt: skip
def test_a_foreign_name_that_points_here_is_not_heard(header: str | None):
    """DNS rebinding: the browser would take the foreign page for ours."""
    assert not is_called_right(header, NAMES)


@pytest.mark.parametrize(
    ("origin", "host", "same"),
    [
        ("http://127.0.0.1:8472", "127.0.0.1:8472", True),
        ("https://kudu.example.net", "kudu.example.net", True),
        ("HTTP://KUDU.example.net", "kudu.example.net", True),
        ("http://127.0.0.1:9999", "127.0.0.1:8472", False),
        ("http://evil.example.com", "127.0.0.1:8472", False),
        ("http://localhost:8472", "127.0.0.1:8472", False),
        ("null", "127.0.0.1:8472", False),
        ("file://127.0.0.1:8472", "127.0.0.1:8472", False),
        (None, "127.0.0.1:8472", False),
        ("http://127.0.0.1:8472", None, False),
    ],
)
def test_only_our_own_page_is_of_our_origin(origin: str | None, host: str | None, same: bool):
    assert is_same_origin(origin, host) is same


def test_who_tries_too_often_waits_and_others_do_not(caplog: pytest.LogCaptureFixture):
    now_s = 0.0
    wrong = WrongTokens(lambda: now_s)
    with caplog.at_level(logging.WARNING):
        for _ in range(9):
            wrong.note("10.0.0.9")
        assert not wrong.must_wait("10.0.0.9")
        wrong.note("10.0.0.9")
    assert wrong.must_wait("10.0.0.9")
    assert not wrong.must_wait("10.0.0.8")
    assert len(caplog.records) == 1
    now_s = 61.0
    assert not wrong.must_wait("10.0.0.9")
    for k in range(1000):
        wrong.note(f"address {k}")
    assert len(wrong._wrong) <= 256


def settings(tmp_path: Path, **page: object) -> Settings:
    return Settings.model_validate({"page": {"token_file": str(tmp_path / "t.txt")} | page})


def test_this_machine_alone_needs_no_token_and_beyond_it_one_is_made(tmp_path: Path):
    assert page_tokens(Settings()) is None
    beyond = settings(tmp_path, host="0.0.0.0")
    tokens = page_tokens(beyond)
    assert tokens is not None
    link = page_link(beyond.page, 8472, tokens, Role.COMMAND)
    assert link is not None
    assert link.endswith(f":8472/#token={tokens.command}")
    assert page_link(settings(tmp_path, host="0.0.0.0", onlookers=False).page, 1,
                     page_tokens(settings(tmp_path, host="0.0.0.0", onlookers=False)),
                     Role.LOOK) is None  # fmt: skip


def test_links_name_what_a_browser_can_reach():
    assert page_link(PageSettings(), 8472, None) == "http://127.0.0.1:8472/"
    assert page_link(PageSettings(host="::1"), 1, None) == "http://localhost:1/"
    assert page_link(PageSettings(host="fd00::5"), 1, None) == "http://[fd00::5]:1/"
    named = PageSettings(host="0.0.0.0", names=["kudu.example.net"])
    assert page_link(named, 8472, None) == "http://kudu.example.net:8472/"
    assert page_link(PageSettings(), 8472, None, Role.LOOK) is None


def test_the_code_in_the_terminal_is_red_on_black_and_square():
    code = terminal_code("http://192.168.1.5:8472/#token=" + "x" * 32)
    lines = code.splitlines()
    assert all(line.startswith("\x1b[38;5;196m\x1b[48;5;16m") for line in lines)
    plain = [line.split("m", 2)[2].removesuffix("\x1b[0m") for line in lines]
    assert len({len(line) for line in plain}) == 1
    assert abs(2 * len(plain) - len(plain[0])) <= 1
