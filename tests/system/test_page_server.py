"""The page's server against callers that mean harm, over real sockets."""

import asyncio
import json
import logging
import socket
import ssl
import subprocess
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiohttp
import pytest

from polewright.adapters.mqtt.client import watch_topics
from polewright.adapters.web.access import Role, tokens_from
from polewright.adapters.web.greeting import TOKEN_REFUSED, TRY_LATER
from polewright.adapters.web.hosting import MOST_PAGES
from polewright.adapters.web.phone import SILENT_AFTER_S
from polewright.app.service import RunningService, running_service
from polewright.core.errors import LinkError, UsageError
from polewright.settings.model import Settings
from tests.browser.stage import Stage

_BOUND_S = 5.0


@asynccontextmanager
async def caller() -> AsyncIterator[aiohttp.ClientSession]:
    async with aiohttp.ClientSession(timeout=aiohttp.ClientTimeout(total=_BOUND_S)) as session:
        yield session


def live(session: aiohttp.ClientSession, stage: Stage, **headers: str) -> Any:
    origin = {"Origin": stage.url.rstrip("/")} | headers
    return session.ws_connect(f"{stage.url}live", headers=origin)


async def greeted(socket: aiohttp.ClientWebSocketResponse, **hello: Any) -> dict[str, Any]:
    await socket.send_json({"hello": 1} | hello)
    welcome = await socket.receive_json(timeout=_BOUND_S)
    assert welcome["topic"] == "link/welcome"
    return dict(welcome["payload"])


async def answer(socket: aiohttp.ClientWebSocketResponse, status: str) -> dict[str, Any]:
    async with asyncio.timeout(_BOUND_S):
        while True:
            told = await socket.receive_json()
            if told["topic"].startswith("reply/") and told["payload"]["status"] == status:
                return dict(told["payload"])


async def test_only_our_files_are_served_with_the_policy_on_everything():
    async with Stage().running() as stage, caller() as session:
        for path in ("", "page.css", "main.js", "icon.svg", "page.webmanifest"):
            async with session.get(stage.url + path) as response:
                assert response.status == 200, path
                assert response.headers["Content-Security-Policy"].startswith("default-src 'none'")
                assert response.headers["X-Content-Type-Options"] == "nosniff"
                assert response.headers["Referrer-Policy"] == "no-referrer"
                etag = response.headers["ETag"]
            async with session.get(stage.url + path, headers={"If-None-Match": etag}) as response:
                assert response.status == 304
        for path in ("index.htm", "..%2faccess.py", "%2e%2e/access.py", "static/page.css", "x"):
            async with session.get(stage.url + path) as response:
                assert response.status == 404, path
                assert "Content-Security-Policy" in response.headers
        async with session.post(stage.url) as response:
            assert response.status == 405


async def test_a_foreign_name_or_origin_is_refused():
    async with Stage().running() as stage, caller() as session:
        async with session.get(stage.url, headers={"Host": "evil.example.com"}) as response:
            assert response.status == 421
        for origin in ("http://evil.example.com", "null", "http://127.0.0.1:1"):
            with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
                async with live(session, stage, Origin=origin):
                    pass
            assert refused.value.status == 403
        with pytest.raises(aiohttp.WSServerHandshakeError):
            async with session.ws_connect(f"{stage.url}live"):
                pass
        async with live(session, stage) as ours:
            assert (await greeted(ours))["role"] == "command"


async def test_commands_get_the_same_answers_refusals_and_idempotence_as_on_the_broker():
    async with Stage().running() as stage, caller() as session, live(session, stage) as ours:
        await greeted(ours)
        for verb in ("confirm_clear", "confirm_clear", "stop", "stop"):
            await ours.send_json({"command": verb, "payload": {"id": verb}})
            assert (await answer(ours, "done"))["ok"]
        # The same id again is the same command, but for a stop, which is obeyed every time.
        obeyed = [("confirm_clear", {}), ("stop", {}), ("stop", {})]
        assert stage.asked == obeyed
        for verb, payload, code in (
            ("dance", {"id": "two"}, "unknown_verb"),
            ("survey", {"id": "three", "frames": 1000}, "invalid_arguments"),
            ("survey", {"id": "four", "colour": "red"}, "invalid_arguments"),
            ("survey", {}, "invalid_arguments"),
            ("survey", {"id": "confirm_clear"}, "id_used"),
            ("survey", {"id": "five", "target_pole": "x" * 20_000}, "payload_too_large"),
        ):
            await ours.send_json({"command": verb, "payload": payload})
            assert (await answer(ours, "failed"))["error"]["code"] == code
        assert stage.asked == obeyed


async def test_rubbish_is_refused_and_corrections_go_on():
    async with Stage().running() as stage, caller() as session:
        stage.state(step="ready")
        async with live(session, stage) as good:
            await greeted(good)
            for rubbish in ("{", "[]", "NaN", '{"pictures": 1}', '{"command": 1, "payload": 2}',
                            '{"a":' * 5000 + "1" + "}" * 5000, "\u0000"):  # fmt: skip
                async with live(session, stage) as bad:
                    await greeted(bad)
                    await bad.send_str(rubbish)
                    async with asyncio.timeout(_BOUND_S):
                        while (await bad.receive_json())["topic"] != "link/refused":
                            pass
            async with live(session, stage) as bad:
                await greeted(bad)
                await bad.send_bytes(b"\x00" * 1000)
                await bad.send_str("x" * 1_000_000)
                await _closed(bad)
                assert bad.close_code == aiohttp.WSCloseCode.MESSAGE_TOO_BIG
            async with live(session, stage) as bad:
                await greeted(bad)
                for _ in range(2000):
                    try:
                        await bad.send_str('{"clock": 1}')
                    except (ConnectionError, aiohttp.ClientError):
                        break
                await _closed(bad)
                assert bad.close_code == aiohttp.WSCloseCode.POLICY_VIOLATION
            stage.correction(1.0, 1.0)
            async with asyncio.timeout(2.0):
                while (await good.receive_json())["topic"] != "correction":
                    pass


async def test_who_says_nothing_or_something_else_first_is_turned_away():
    async with Stage().running() as stage, caller() as session:
        for first in ("{}", '{"command":"stop","payload":{"id":"x"}}', '{"hello": 2}', "x"):
            async with live(session, stage) as stranger:
                await stranger.send_str(first)
                await _closed(stranger)
                assert stranger.close_code == aiohttp.WSCloseCode.POLICY_VIOLATION
        assert stage.asked == []


async def test_there_is_a_limit_to_open_pages():
    async with Stage().running() as stage, caller() as session:
        opened = []
        for _ in range(MOST_PAGES):
            page = await live(session, stage)
            await greeted(page)
            opened.append(page)
        with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
            await live(session, stage)
        assert refused.value.status == 503
        await opened.pop().close()
        async with asyncio.timeout(_BOUND_S):
            while True:
                try:
                    page = await live(session, stage)
                except aiohttp.WSServerHandshakeError:
                    await asyncio.sleep(0.05)
                else:
                    break
        await greeted(page)
        for one in (page, *opened):
            await one.close()


async def test_tokens_are_asked_for_counted_and_in_no_log(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
):
    file = tmp_path / "tokens.txt"
    caplog.set_level(logging.DEBUG)
    async with Stage(token_file=str(file)).running() as stage, caller() as session:
        tokens = tokens_from(file, onlookers=True)
        assert tokens.look is not None
        for token, role in ((tokens.command, "command"), (tokens.look, "look")):
            async with live(session, stage) as ours:
                assert (await greeted(ours, token=token))["role"] == role
        async with live(session, stage) as onlooker:
            await greeted(onlooker, token=tokens.look)
            await onlooker.send_json({"command": "stop", "payload": {"id": "x"}})
            assert (await answer(onlooker, "failed"))["error"]["code"] == "onlooker"
        for k in range(12):
            async with live(session, stage) as stranger:
                await stranger.send_json({"hello": 1, "token": f"wrong{k}"})
                await _closed(stranger)
                assert stranger.close_code == (TOKEN_REFUSED if k < 10 else TRY_LATER)
        assert stage.asked == []
        assert stage.served.link(Role.COMMAND) not in caplog.text
    assert tokens.command not in caplog.text
    assert tokens.look not in caplog.text


EVENT = {"t": 1000.0, "alpha": 156.5, "beta": 32.4, "gamma": 1.5, "absolute": True}
STREAM = {"hold": "along", "begins": True, "events": [EVENT, EVENT | {"t": 1050.0}]}


async def told(page: aiohttp.ClientWebSocketResponse, topic: str) -> dict[str, Any]:
    async with asyncio.timeout(_BOUND_S):
        while (message := await page.receive_json())["topic"] != topic:
            pass
    return dict(message["payload"])


async def test_a_phone_streams_until_its_page_is_gone_and_wrong_numbers_do_nothing():
    async with Stage().running() as stage, caller() as session:
        phone = stage.served.phone
        async with live(session, stage) as page:
            await greeted(page)
            for wrong in ({"beta": 1e999}, {"beta": 200.0}, {"t": "now"}):
                message = {"sensor": STREAM | {"events": [EVENT | wrong]}}
                await page.send_str(json.dumps(message).replace("Infinity", "1e999"))
                assert (await told(page, "link/refused"))["why"] == "not understood"
            assert phone.reading is None
            await page.send_json({"sensor": STREAM})
            await _until(lambda: phone.reading is not None)
            async with live(session, stage) as other:
                await greeted(other)
                await other.send_json({"sensor": STREAM | {"begins": False}})
                assert (await told(other, "link/sensor")) == {"state": "taken"}
            assert phone.reading is not None
        # Sooner than silence would be noticed.
        async with asyncio.timeout(0.8 * SILENT_AFTER_S):
            await _until(lambda: phone.reading is None)


async def test_an_onlooker_streams_nothing(tmp_path: Path):
    file = tmp_path / "tokens.txt"
    async with Stage(token_file=str(file)).running() as stage, caller() as session:
        look = tokens_from(file, onlookers=True).look
        async with live(session, stage) as page:
            assert (await greeted(page, token=look))["role"] == "look"
            await page.send_json({"sensor": STREAM})
            assert (await told(page, "link/sensor")) == {"state": "onlooker"}
            assert stage.served.phone.reading is None


async def _until(holds: Callable[[], bool]) -> None:
    async with asyncio.timeout(_BOUND_S):
        while not holds():  # noqa: ASYNC110
            await asyncio.sleep(0.02)


async def test_pages_are_told_when_the_service_ends():
    stage = Stage()
    async with caller() as session:
        async with stage.running():
            page = await live(session, stage)
            await greeted(page)
        await _closed(page)


@pytest.fixture
def certificate(tmp_path: Path) -> tuple[Path, Path]:
    certificate, key = tmp_path / "page.pem", tmp_path / "page.key"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1",
         "-nodes", "-days", "2", "-subj", "/CN=localhost", "-addext",
         "subjectAltName=DNS:localhost,IP:127.0.0.1", "-keyout", key, "-out", certificate],
        check=True, capture_output=True,
    )  # fmt: skip
    return certificate, key


async def test_https_with_a_certificate_of_ones_own(certificate: tuple[Path, Path]):
    pem, key = certificate
    files = {"tls_certificate_file": str(pem), "tls_key_file": str(key)}
    context = ssl.create_default_context(cafile=pem)
    async with Stage(**files).running() as stage, caller() as session:
        assert stage.url.startswith("https://")
        async with session.get(stage.url, ssl=context) as response:
            assert response.status == 200
        origin = {"Origin": stage.url.rstrip("/")}
        async with session.ws_connect(f"{stage.url}live", headers=origin, ssl=context) as page:
            await greeted(page)
    key.write_text("not a key")
    with pytest.raises(UsageError, match="cannot be used"):
        Stage(**files)


async def test_a_port_that_is_taken_costs_the_page_and_nothing_else(
    caplog: pytest.LogCaptureFixture,
):
    with socket.socket() as holder:
        holder.bind(("127.0.0.1", 0))
        holder.listen()
        port = holder.getsockname()[1]
        with pytest.raises(LinkError, match="cannot be served"):
            async with Stage(port=port).running():
                pass
        settings = Settings.model_validate(
            {"page": {"port": port}, "mqtt": {"port": 0}, "journal": {"mode": "off"},
             "indi": {"port": 1}}
        )  # fmt: skip
        async with running_service(settings) as service:
            assert service.page is None
            health = await told_of_the_page(settings, service)
        assert health["served"] is False
        assert f"cannot be served at 127.0.0.1:{port}" in health["problem"]
        assert "Set another [page] port" in caplog.text


async def test_a_certificate_that_cannot_be_read_costs_the_page_and_is_told_in_health(
    tmp_path: Path,
):
    (tmp_path / "page.pem").write_text("not a certificate")
    files = {name: str(tmp_path / "page.pem") for name in ("tls_certificate_file", "tls_key_file")}
    settings = Settings.model_validate(
        {"page": {"port": 0} | files, "mqtt": {"port": 0}, "journal": {"mode": "off"},
         "indi": {"port": 1}}
    )  # fmt: skip
    async with running_service(settings) as service:
        assert service.page is None
        health = await told_of_the_page(settings, service)
    assert health["served"] is False
    assert "the certificate" in health["problem"]
    assert "PEM" in health["problem"]


async def told_of_the_page(settings: Settings, service: RunningService) -> dict[str, Any]:
    async with asyncio.timeout(_BOUND_S):
        async for update in watch_topics(settings, "health", port=service.broker_port):
            if isinstance(update.payload, dict):
                return dict(update.payload["page"])
    raise AssertionError("the broker ended")


async def _closed(page: aiohttp.ClientWebSocketResponse) -> None:
    async with asyncio.timeout(_BOUND_S):
        while True:
            message = await page.receive()
            if message.type in (
                aiohttp.WSMsgType.CLOSE, aiohttp.WSMsgType.CLOSED, aiohttp.WSMsgType.CLOSING,
                aiohttp.WSMsgType.ERROR,
            ):  # fmt: skip
                return


def test_a_welcome_is_json():
    """The envelope is written by hand around the wire's own text."""
    from polewright.adapters.web.feed import enveloped

    told = json.loads(enveloped("state", '{"v":1}'))
    assert told["topic"] == "state"
    assert told["payload"] == {"v": 1}
