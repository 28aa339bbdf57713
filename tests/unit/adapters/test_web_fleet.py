"""The page of many mounts against callers that mean harm: it looks, whoever asks."""

from pathlib import Path
from typing import Any

import aiohttp
import pytest

from polewright.adapters.web.access import tokens_from
from polewright.adapters.web.fleet_page import FleetPage
from polewright.settings.model import Settings


def page_of(**page: Any) -> FleetPage:
    settings = Settings.model_validate({"page": page})
    return FleetPage(settings, lambda: {"mounts": [], "words": ""}, port=0, where="here")


def live(session: aiohttp.ClientSession, page: FleetPage, **headers: str) -> Any:
    origin = {"Origin": page.address.rstrip("/")} | headers
    return session.ws_connect(f"{page.address}live", headers=origin)


async def test_it_tells_how_the_mounts_stand_and_takes_no_command() -> None:
    page = page_of()
    async with page.serving(), aiohttp.ClientSession() as session, live(session, page) as socket:
        await socket.send_json({"hello": 1})
        welcome = await socket.receive_json(timeout=5.0)
        assert welcome["payload"]["role"] == "look"
        assert (await socket.receive_json(timeout=5.0))["topic"] == "fleet"
        await socket.send_json({"command": "stop", "payload": {"id": "a"}})
        while (told := await socket.receive_json(timeout=5.0))["topic"] == "fleet":
            pass
        assert told["payload"] == {"why": "this page only looks"}


async def test_foreign_names_and_origins_are_refused_and_only_its_files_are_served() -> None:
    page = page_of()
    async with page.serving(), aiohttp.ClientSession() as session:
        async with session.get(page.address, headers={"Host": "evil.example.com"}) as response:
            assert response.status == 421
        with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
            await live(session, page, Origin="http://evil.example.com")
        assert refused.value.status == 403
        async with session.get(page.address) as response:
            assert "All mounts" in await response.text()
            assert response.headers["Content-Security-Policy"].startswith("default-src 'none'")
        for path in ("index.html", "report/1", "../access.py"):
            async with session.get(page.address + path) as response:
                assert response.status == 404, path


async def test_beyond_this_machine_a_token_of_its_own_is_asked_for(tmp_path: Path) -> None:
    file = tmp_path / "tokens.txt"
    page = page_of(token_file=str(file))
    tokens = tokens_from(file, onlookers=True)
    assert page.asks_for_tokens
    assert page.link.endswith(f"#token={tokens.look}"), "the link lets somebody look, no more"
    async with page.serving(), aiohttp.ClientSession() as session:
        async with live(session, page) as socket:
            await socket.send_json({"hello": 1, "token": "guessed-and-wrong"})
            assert (await socket.receive(timeout=5.0)).type is aiohttp.WSMsgType.CLOSE
        async with live(session, page) as socket:
            await socket.send_json({"hello": 1, "token": tokens.look})
            assert (await socket.receive_json(timeout=5.0))["topic"] == "link/welcome"
