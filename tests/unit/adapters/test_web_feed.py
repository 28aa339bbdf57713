"""What open pages are told, in bounded memory."""

import asyncio
import io
import json
import re
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from PIL import Image

from polewright.adapters.web.access import Role
from polewright.adapters.web.assets import content_security_policy, read_assets
from polewright.adapters.web.feed import Feed, Viewer
from polewright.adapters.web.history import MOST_POINTS, EveningHistory
from polewright.adapters.web.outbox import MOST_QUEUED, Allowance, Outbox, OutboxFullError
from polewright.adapters.web.picture import LARGEST_WIDTH_PX, picture_of
from polewright.core.imaging.frame import Frame


async def taken(viewer: Viewer) -> list[Any]:
    found = []
    while True:
        try:
            async with asyncio.timeout(0.02):
                message = await viewer.outbox.take()
        except TimeoutError:
            return found
        found.append(message if isinstance(message, bytes) else json.loads(message))


async def test_the_very_text_of_the_wire_is_passed_on():
    feed, viewer = Feed(lambda: None), Viewer(Role.LOOK)
    with feed.open_to(viewer):
        feed.hear("state", '{"v":1,"state":"idle"}', True)
        feed.hear("correction/verdict", "not_yet", True)
        feed.hear("command/ping", '{"id":"x"}', False)
        feed.hear("event", '{"v":1,"text":"x"}', False)
    told = await taken(viewer)
    assert [(m["topic"], m["payload"]) for m in told] == [
        ("event", {"v": 1, "text": "x"}),
        ("state", {"v": 1, "state": "idle"}),
    ]
    feed.hear("event", '{"v":1,"text":"later"}', False)
    assert await taken(viewer) == []


async def test_answers_go_to_the_page_that_asked_and_to_no_other():
    feed, asker, other = Feed(lambda: None), Viewer(Role.COMMAND), Viewer(Role.COMMAND)
    with feed.open_to(asker), feed.open_to(other):
        asker.asks("mine")
        feed.hear("reply/mine", '{"id":"mine"}', False)
        with feed.asking(asker):
            feed.hear("reply/invalid", '{"id":"invalid"}', False)
        feed.hear("reply/theirs", '{"id":"theirs"}', False)
    assert [m["payload"]["id"] for m in await taken(asker)] == ["mine", "invalid"]
    assert await taken(other) == []


async def test_a_page_that_opens_later_is_told_what_is_retained_and_the_curve():
    feed = Feed(lambda: None)
    at = "2026-03-01T18:00:00.000Z"
    survey = {"v": 1, "at": at, "total_error_arcmin": 48.0, "total_error_sigma_arcmin": 0.1,
              "tolerance_arcmin": 1.0, "age_s": None}  # fmt: skip
    feed.hear("survey", json.dumps(survey), True)
    feed.hear("event", '{"v":1}', False)
    so_far = feed.so_far()
    assert list(so_far["messages"]) == ["survey"]
    assert so_far["messages"]["survey"]["payload"] == survey
    assert so_far["messages"]["survey"]["age_s"] < 5.0
    assert [point["kind"] for point in so_far["history"]] == ["survey"]


def test_the_curve_is_bounded_and_keeps_its_surveys():
    history = EveningHistory()
    start = datetime(2026, 3, 1, 18, tzinfo=UTC)
    figures = {"total_error_arcmin": 3.0, "total_error_sigma_arcmin": 0.1, "live": True}
    history.take("survey", figures | {"at": start.isoformat(), "tolerance_arcmin": 1.0})
    for k in range(3 * MOST_POINTS):
        at = start + timedelta(seconds=k)
        history.take("correction", figures | {"at": at.isoformat()})
    points = history.as_list()
    assert len(points) <= MOST_POINTS
    assert points[0]["kind"] == "survey"
    assert [p["at_ms"] for p in points] == sorted(p["at_ms"] for p in points)
    assert points[-1]["tolerance_arcmin"] == 1.0


def test_figures_that_are_not_of_now_are_no_part_of_the_curve():
    history = EveningHistory()
    figures = {"at": "2026-03-01T18:00:00Z", "total_error_arcmin": 3.0,
               "total_error_sigma_arcmin": 0.1}  # fmt: skip
    history.take("survey", figures | {"age_s": 90000.0})
    history.take("correction", figures | {"live": False})
    history.take("correction", figures | {"live": True, "total_error_arcmin": None})
    assert history.as_list() == []


async def test_a_slow_page_gets_the_newest_figures_and_all_answers():
    outbox = Outbox()
    for k in range(50):
        outbox.put("correction", f"correction {k}")
        outbox.put("reply/x", f"reply {k}")
    got = [await outbox.take() for _ in range(51)]
    assert got == [*(f"reply {k}" for k in range(50)), "correction 49"]


async def test_a_page_that_never_reads_is_given_up():
    viewer = Viewer(Role.COMMAND)
    for _ in range(MOST_QUEUED):
        viewer.tell("event", "x")
    assert not viewer.lost.is_set()
    viewer.tell("event", "x")
    assert viewer.lost.is_set()
    with pytest.raises(OutboxFullError):
        viewer.outbox.put("event", "x")


def test_an_allowance_lets_a_few_at_once_and_a_steady_rate():
    allowance = Allowance(per_s=2.0, at_once=3.0)
    assert [allowance.takes(0.0) for _ in range(4)] == [True, True, True, False]
    assert [allowance.takes(1.0) for _ in range(3)] == [True, True, False]
    assert sum(allowance.takes(1000.0) for _ in range(10)) == 3


@pytest.mark.parametrize(("shape", "bayer"), [((960, 1280), None), ((4016, 6016), "RGGB")])
def test_a_picture_is_small_grey_and_shows_the_stars(shape: tuple[int, int], bayer: str | None):
    pixels = np.full(shape, 300, dtype=np.uint16)
    pixels[100:110, 200:210] = 60000
    data = picture_of(Frame(pixels=pixels, bayer_pattern=bayer))

    picture = Image.open(io.BytesIO(data))
    assert picture.mode == "L"
    assert picture.width <= LARGEST_WIDTH_PX
    assert picture.width / picture.height == pytest.approx(shape[1] / shape[0], rel=0.01)
    scale = picture.width / shape[1]
    found = np.asarray(picture)
    assert found[int(105 * scale), int(205 * scale)] > 200
    assert np.median(found) < 60


def test_noise_does_not_look_like_stars():
    """A frame with few stars: dark all over, and the star still plain."""
    rng = np.random.default_rng(5)
    pixels = rng.normal(300.0, 12.0, (240, 320))
    pixels[100:103, 200:203] += 500.0
    picture = picture_of(Frame(pixels=np.round(pixels).astype(np.uint16)))
    shown = np.asarray(Image.open(io.BytesIO(picture)), dtype=float)
    assert np.mean(shown > 160.0) < 0.005
    assert shown[99:104, 199:204].max() > 230.0


async def test_pictures_are_made_only_while_somebody_looks():
    frame = Frame(pixels=np.zeros((32, 32), dtype=np.uint16))
    looked = 0

    def source() -> Frame:
        nonlocal looked
        looked += 1
        return frame

    feed, viewer = Feed(source), Viewer(Role.LOOK)
    sending = asyncio.create_task(feed.send_pictures())
    with feed.open_to(viewer):
        feed.hear("state", "{}", True)
        assert looked == 0
        feed.wish_pictures(viewer, wanted=True)
        async with asyncio.timeout(5.0):
            picture = await viewer.outbox.take()
            while not isinstance(picture, bytes):
                picture = await viewer.outbox.take()
        head, _, jpeg = picture.partition(b"\n")
        assert json.loads(head)["width_px"] == 32
        assert jpeg[:2] == b"\xff\xd8"
    sending.cancel()
    await asyncio.gather(sending, return_exceptions=True)


def test_the_policy_allows_our_files_and_the_one_inline_style_alone():
    assets = read_assets()
    policy = content_security_policy(assets["index.html"].body, "127.0.0.1:8472")
    assert "unsafe" not in policy
    assert policy.count("'sha256-") == 1
    assert policy.startswith("default-src 'none'; script-src 'self';")
    assert "connect-src 'self' ws://127.0.0.1:8472 wss://127.0.0.1:8472" in policy


def test_no_file_of_the_page_names_another_place():
    """No third party: everything comes from this machine, and styles and scripts from files."""
    for name, asset in read_assets().items():
        text = asset.body.decode()
        text = text.replace("http://www.w3.org/2000/svg", "")
        assert "http://" not in text, name
        assert "https://" not in text, name
        assert "innerHTML" not in text, name
    index = read_assets()["index.html"].body.decode()
    assert " style=" not in index
    assert " on" + "click" not in index
    assert index.count("<script") == 1


def test_the_page_is_dark_before_anything_else_has_come():
    index = read_assets()["index.html"].body.decode()
    head = index.partition("<style>")[0]
    assert '<meta name="color-scheme" content="dark">' in head
    assert "<link" not in head
    assert "<script" not in head
    assert "background:#000" in index.partition("<style>")[2].partition("</style>")[0]


@pytest.mark.parametrize(
    ("index", "first"), [("index.html", "main.js"), ("fleet.html", "fleet.js")]
)
def test_all_scripts_are_fetched_at_once_and_not_one_after_the_other(index: str, first: str):
    """A phone at the edge of a network waits for every step of a chain of imports."""
    assets = read_assets(index)
    wanted, found = [first], set()
    while wanted:
        name = wanted.pop()
        new = re.findall(r'from "\./([a-z]+\.js)"', assets[name].body.decode())
        wanted += [one for one in new if one not in found]
        found |= set(new)
    told = re.findall(r'rel="modulepreload" href="([a-z]+\.js)"', assets[index].body.decode())
    assert sorted(told) == sorted(found)
