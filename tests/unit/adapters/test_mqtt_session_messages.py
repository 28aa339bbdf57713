"""What the session says is what the contract allows."""

import json
from datetime import UTC, datetime

import numpy as np
import pytest

from polewright.adapters.mqtt.commands import COMMANDS, read_command
from polewright.adapters.mqtt.publisher import MqttPublisher
from polewright.adapters.mqtt.topics import MountTopics
from polewright.core.axis.correction import correct
from polewright.core.axis.estimate import AxisEstimate
from polewright.core.axis.knobs import KnobAdvice
from polewright.core.axis.targets import StarTarget
from polewright.core.errors import UsageError
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.session.following import validity_s
from polewright.session.messages import (
    correction_message,
    state_message,
    survey_message,
    targets_message,
)
from polewright.session.phases import Phase

NOW = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)
AXIS = np.array([0.01, -0.84, 0.54]) / np.linalg.norm([0.01, -0.84, 0.54])
TARGET = np.array([0.0, -0.8443, 0.5358]) / np.linalg.norm([0.0, -0.8443, 0.5358])
COVARIANCE = np.eye(2) * (3.0 * ARCSEC_RAD) ** 2


async def sent(topic: str, message: object) -> dict[str, object]:
    publisher = MqttPublisher(MountTopics("polewright", "kudu"), now=lambda: NOW)
    assert publisher.send(topic, message, retain=True)
    payloads = {outgoing.topic: outgoing.payload for outgoing in publisher.take_all()}
    told = json.loads(payloads[f"polewright/kudu/{topic}"])
    assert isinstance(told, dict)
    return told


@pytest.mark.parametrize("phase", list(Phase))
async def test_every_phase_is_a_state_of_the_contract(phase: Phase) -> None:
    assert (await sent("state", state_message(phase, NOW)))["state"] == phase.value
    full = state_message(
        phase, NOW, step="frame 2 of 5", frames=2, percent=40, reason="No stars", remedy="Wait."
    )
    assert (await sent("state", full))["percent"] == 40


@pytest.mark.parametrize("trustworthy", [True, False])
async def test_the_survey_and_the_correction_fit_the_contract(trustworthy: bool) -> None:
    correction = correct(
        AXIS, COVARIANCE, TARGET, tolerance_rad=60.0 * ARCSEC_RAD, trustworthy=trustworthy
    )
    estimate = AxisEstimate(
        axis_enu=AXIS,
        covariance_rad2=COVARIANCE,
        chi2=4.2,
        degrees_of_freedom=6,
        residuals_arcsec=np.zeros((5, 3)),
        turn_angles_rad=np.linspace(0.0, 1.0, 5),
        axis_camera=np.array([1.0, 0.0, 0.0]),
        axis_camera_covariance_rad2=np.eye(3),
        instant=NOW,
        labels=("1", "2", "3", "4", "5"),
    )
    survey = await sent("survey", survey_message(estimate, correction, "refracted"))
    assert survey["frames"] == 5
    message = correction_message(
        correction, sequence=1, live=True, frame_age_s=0.4, latency_ms=31.0, valid_s=6.04
    )
    live = await sent("correction", message)
    assert live["total_error_arcmin"] == survey["total_error_arcmin"]
    assert live["valid_s"] == 6.0


@pytest.mark.parametrize(("frame_takes_s", "valid_s"), [(0.6, 6.0), (2.0, 6.0), (31.0, 77.5)])
def test_a_correction_holds_until_the_next_frame_is_overdue(
    frame_takes_s: float, valid_s: float
) -> None:
    assert validity_s(frame_takes_s) == valid_s


async def test_knob_turns_and_star_targets_fit_the_contract() -> None:
    correction = correct(AXIS, COVARIANCE, TARGET, tolerance_rad=60.0 * ARCSEC_RAD)
    knob = KnobAdvice(
        steps_turns=(-0.5, 0.2), turns=-0.3, sigma_turns=0.02,
        words="about 1/2 turn anticlockwise, then about 1/4 turn clockwise",
    )  # fmt: skip
    message = correction_message(
        correction, sequence=1, live=True, frame_age_s=0.4, latency_ms=31.0, altitude_knob=knob
    )
    told = await sent("correction", message)
    assert told["altitude_turns"] == -0.3
    assert str(told["altitude_words"]).endswith(f"; knob {knob.words} as you face it")
    assert told["azimuth_turns"] is None
    star = StarTarget(x_px=10.0, y_px=20.0, to_x_px=-5.123, to_y_px=2000.0)
    targets = await sent("targets", targets_message([star] * 12, 1280, 960))
    assert isinstance(targets["stars"], list)
    assert targets["stars"][0] == {"x_px": 10.0, "y_px": 20.0, "to_x_px": -5.12, "to_y_px": 2000.0}


def test_a_turn_is_of_one_of_the_two_bolts_and_a_finite_number() -> None:
    good = read_command("turned", b'{"id":"a","bolt":"altitude","turns":-1}', COMMANDS)
    assert good.arguments() == {"bolt": "altitude", "turns": -1.0}
    for wrong in (b'{"id":"a","bolt":"tilt","turns":1}', b'{"id":"a","bolt":"altitude"}',
                  b'{"id":"a","bolt":"azimuth","turns":1e9}'):  # fmt: skip
        with pytest.raises(UsageError) as caught:
            read_command("turned", wrong, COMMANDS)
        assert caught.value.code == "invalid_arguments"
