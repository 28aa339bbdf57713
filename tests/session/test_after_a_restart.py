"""What a service that was started anew goes by, and what it does not."""

import asyncio

import numpy as np
import pytest

from polewright.core.errors import LinkError, PolewrightError
from polewright.core.geometry.directions import ARCMIN_RAD
from polewright.core.geometry.rotations import rotation_about
from tests.session.ports_in_memory import MemoryCamera, MemoryMount, MemorySolver
from tests.session.test_journal import Rig

GONE = LinkError("the link broke", remedy="Wait.")


def _other_mount(rig):
    tilt = rotation_about(np.array([0.6, 0.0, 0.8]), 40.0 * ARCMIN_RAD)
    return MemoryMount(rig.clock, place=rig.place, head=tilt, declination=-70.0, name="Nyala")


async def _refused(evening):
    asked = evening.handle("adjust", {"stop_when_good": True})
    with pytest.raises(PolewrightError) as caught:
        await asyncio.wait_for(asked, 20.0)
    return caught.value.code


async def test_a_survey_by_another_camera_is_not_adjusted_by_after_a_restart(tmp_path):
    rig = Rig(tmp_path / "kudu.sqlite")
    await rig.survey()
    async with rig.journal() as journal:
        evening = rig.evening(journal)
        await evening.restore()
        evening.attach(MemoryCamera(rig.clock, name="Lapwing"), rig.mount, rig.place)
        assert await _refused(evening) == "optics_changed"


async def test_a_survey_with_another_scale_is_not_adjusted_by_after_a_restart(tmp_path):
    rig = Rig(tmp_path / "kudu.sqlite")
    await rig.survey()
    async with rig.journal() as journal:
        rig.solver = MemorySolver(rig.mount, np.random.default_rng(4))
        rig.solver.scale_arcsec_px = 5.5
        evening = rig.evening(journal)
        await evening.restore()
        evening.attach(rig.camera, rig.mount, rig.place)
        assert await _refused(evening) == "optics_changed"


@pytest.mark.parametrize("restarted", [False, True])
async def test_another_mounts_survey_is_not_adjusted_by(tmp_path, restarted):
    """The camera went over to another mount, and looks along another of its axes there."""
    rig = Rig(tmp_path / "kudu.sqlite")
    if restarted:
        await rig.survey()
    async with rig.journal() as journal:
        evening = rig.evening(journal)
        await evening.restore()
        if not restarted:
            evening.attach(rig.camera, rig.mount, rig.place)
            await evening.handle("confirm_clear", {})
            await evening.handle("survey", {})
            evening.detach(GONE)
        evening.attach(rig.camera, _other_mount(rig), rig.place)
        assert await _refused(evening) == "mount_changed"
        look = await evening.handle("verify", {"depth": "quick"})
        assert look["verdict"] == "cannot_tell"


async def test_another_mounts_axis_is_nothing_to_compare_a_survey_with(tmp_path):
    rig = Rig(tmp_path / "kudu.sqlite")
    await rig.survey()
    async with rig.journal() as journal:
        evening = rig.evening(journal)
        await evening.restore()
        other = _other_mount(rig)
        other.head = rotation_about(np.array([0.0, 0.0, 1.0]), 90.0 * ARCMIN_RAD) @ other.head
        rig.solver.mount = other
        evening.attach(rig.camera, other, rig.place)
        await evening.handle("confirm_clear", {})
        result = await evening.handle("verify", {"depth": "full"})
        assert result["moved"] is None
        assert "moved" not in [
            body["code"] for topic, body, _ in rig.publisher.messages if topic == "event"
        ]
