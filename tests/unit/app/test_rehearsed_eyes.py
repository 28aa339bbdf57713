"""Rehearsed hands turn by nothing that was exposed before they came to rest."""

import asyncio

from polewright.app.rehearsed_eyes import Look, StillHands


def look(mid_exposure_s: float, *, delivered_late_s: float = 0.1) -> Look:
    return Look(message={"frame_age_s": 0.4}, received_s=mid_exposure_s + 0.4 + delivered_late_s)


async def test_the_first_look_may_be_turned_by() -> None:
    assert StillHands(2).seen_by(look(asyncio.get_running_loop().time()))


async def test_frames_from_before_the_rest_count_for_nothing_however_many_come_after_it() -> None:
    hands = StillHands(2)
    hands.rest()
    now_s = asyncio.get_running_loop().time()
    assert not any(hands.seen_by(look(now_s - 1.0 + 0.1 * n)) for n in range(12))
    assert not hands.seen_by(look(now_s + 1.0))
    assert hands.seen_by(look(now_s + 2.0))
    hands.rest()
    assert not hands.seen_by(look(now_s + 0.2))


async def test_a_frame_whose_middle_was_still_is_not_enough_its_first_half_may_have_moved() -> None:
    hands = StillHands(1)
    hands.rest()
    now_s = asyncio.get_running_loop().time()
    assert not hands.seen_by(look(now_s + 0.2))
    assert hands.seen_by(look(now_s + 0.8))
