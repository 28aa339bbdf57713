"""Reports of earlier evenings: to those who were let in, for half an hour, and as plain pages."""

from typing import Any

import aiohttp

from polewright.adapters.web.past import PastDoor
from polewright.core.errors import UsageError
from tests.browser.stage import Stage


class Archive:
    """One evening, and no other."""

    def __init__(self) -> None:
        self.read = 0

    async def overview(self) -> dict[str, Any]:
        self.read += 1
        return {"evenings": [{"number": 1}]}

    async def report(self, number: int) -> str:
        if number != 1:
            raise UsageError("the journal has no such evening", remedy="Look again.")
        return "<!doctype html><title>evening 1</title>"


async def ticket_of(stage: Stage, session: aiohttp.ClientSession, **hello: str) -> str:
    origin = {"Origin": stage.url.rstrip("/")}
    async with session.ws_connect(f"{stage.url}live", headers=origin) as socket:
        await socket.send_json({"hello": 1} | hello)
        await socket.receive_json(timeout=5.0)
        await socket.send_json({"past": True})
        told = await socket.receive_json(timeout=5.0)
    assert told["topic"] == "link/past"
    assert told["payload"]["evenings"] == [{"number": 1}]
    return str(told["payload"]["ticket"])


async def test_a_report_needs_a_ticket_from_the_open_connection() -> None:
    async with Stage(archive=Archive()).running() as stage, aiohttp.ClientSession() as session:
        for query in ("", "?ticket=", "?ticket=guessed", "?ticket=%C3%A9"):
            async with session.get(f"{stage.url}report/1{query}") as response:
                assert response.status == 403
                assert "evening 1" not in await response.text()
        ticket = await ticket_of(stage, session)
        async with session.get(f"{stage.url}report/1?ticket={ticket}") as response:
            assert response.status == 200
            policy = response.headers["Content-Security-Policy"]
            assert policy.startswith("default-src 'none'; style-src 'unsafe-inline'")
            assert "sandbox" in policy
            assert "script" not in policy
            assert response.headers["Cache-Control"] == "no-store"
            assert "evening 1" in await response.text()
        for number in ("2", "x", "-1", "1e3", "999999999", "%32%33%34%35%36%37%38%39"):
            async with session.get(f"{stage.url}report/{number}?ticket={ticket}") as response:
                assert response.status == 404


async def test_who_was_not_let_in_is_told_nothing(tmp_path: Any) -> None:
    archive = Archive()
    stage = Stage(archive=archive, token_file=tmp_path / "tokens.txt")
    async with stage.running(), aiohttp.ClientSession() as session:
        origin = {"Origin": stage.url.rstrip("/")}
        async with session.ws_connect(f"{stage.url}live", headers=origin) as socket:
            await socket.send_json({"hello": 1})
            await socket.send_json({"past": True})
            assert (await socket.receive(timeout=5.0)).type is aiohttp.WSMsgType.CLOSE
        assert archive.read == 0


async def test_tickets_end_and_are_bounded() -> None:
    clock = [0.0]
    door = PastDoor(Archive(), monotonic=lambda: clock[0])
    first = str((await door.told())["ticket"])
    assert door.holds(first)
    clock[0] = 1801.0
    assert not door.holds(first)
    tickets = [str((await door.told())["ticket"]) for _ in range(70)]
    assert not door.holds(tickets[0])
    assert door.holds(tickets[-1])


async def test_a_journal_that_cannot_be_read_says_so() -> None:
    class Broken(Archive):
        async def overview(self) -> dict[str, Any]:
            raise UsageError("the journal is damaged", remedy="Start the service again.")

    told = await PastDoor(Broken()).told()
    assert told == {
        "trouble": {"text": "the journal is damaged", "remedy": "Start the service again."}
    }


def test_a_door_without_tickets_holds_for_nobody() -> None:
    assert not PastDoor(Archive()).holds("")
    assert not PastDoor(Archive()).holds("\udc80")
