"""Which axis a verification is held against, after a restart above all."""

import math
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from polewright.core.axis.stands import AxisSeen, BoltsFree, Placed
from polewright.core.geometry.directions import ARCMIN_RAD, angle_between, enu_from_altaz
from polewright.session.known_axis import KnownAxis
from polewright.session.last_axis import axis_before

SURVEYED = datetime(2026, 11, 25, 18, 0, tzinfo=UTC)
ALTITUDE, AZIMUTH = math.radians(32.0), math.radians(180.5)


def _known():
    return KnownAxis(
        axis_enu=enu_from_altaz(ALTITUDE, AZIMUTH), covariance_rad2=np.eye(2) * 1e-10,
        instant=SURVEYED,
    )  # fmt: skip


def _seen(after_min, *, corrected, azimuth_deg=180.0):
    return AxisSeen(
        at=SURVEYED + timedelta(minutes=after_min), altitude_rad=ALTITUDE,
        azimuth_rad=math.radians(azimuth_deg), altitude_sigma_rad=0.1 * ARCMIN_RAD,
        azimuth_sigma_rad=0.2 * ARCMIN_RAD, altitude_error_rad=0.0, azimuth_error_rad=0.0,
        total_error_rad=0.0, latitude_deg=-32.4, longitude_deg=22.7, corrected=corrected,
    )  # fmt: skip


def _work(*moments, restarted=True, known=True, doubted=None, readable=True):
    kept = SimpleNamespace(mount="Kudu", committed_at=SURVEYED) if restarted else None

    async def axis_moments(mount):
        assert mount == "Kudu"
        return moments if readable else None

    memory = SimpleNamespace(
        axis=_known() if known else None, doubted=doubted, kept=kept, other_mount=lambda _name: None
    )
    return SimpleNamespace(
        memory=memory, mount_name="Kudu", keeper=SimpleNamespace(axis_moments=axis_moments)
    )


async def test_the_services_own_memory_goes_first():
    before, why = await axis_before(_work(restarted=False))
    assert (before.instant, why) == (SURVEYED, None)
    doubted = _known()
    before, why = await axis_before(_work(restarted=False, known=False, doubted=doubted))
    assert before is doubted
    before, why = await axis_before(_work(restarted=False, known=False))
    assert before is None
    assert why.code == "no_known_axis"


async def test_after_a_restart_an_adjustment_of_before_counts():
    moments = (_seen(0, corrected=False), BoltsFree(at=SURVEYED + timedelta(minutes=5)),
               _seen(20, corrected=True))  # fmt: skip
    before, why = await axis_before(_work(*moments))
    assert why is None
    assert before.instant == SURVEYED + timedelta(minutes=20)
    assert angle_between(before.axis_enu, enu_from_altaz(ALTITUDE, math.pi)) < 1e-9
    sigma_side = math.sqrt(before.covariance_rad2[0, 0])
    assert sigma_side == pytest.approx(0.2 * ARCMIN_RAD * math.cos(ALTITUDE))


@pytest.mark.parametrize(
    ("last", "words"),
    [
        (BoltsFree(at=SURVEYED + timedelta(minutes=5)), "bolts may have been turned"),
        (Placed(at=SURVEYED + timedelta(hours=20), name="terrace"), "put down anew"),
    ],
)
async def test_what_may_have_moved_it_unseen_leaves_nothing_to_compare(last, words):
    before, why = await axis_before(_work(_seen(0, corrected=False), last))
    assert before is None
    assert words in why.text


@pytest.mark.parametrize("readable", [True, False])
async def test_else_the_survey_of_before_is_what_is_known(readable):
    before, why = await axis_before(_work(_seen(0, corrected=False), readable=readable))
    assert (before.instant, why) == (SURVEYED, None)
