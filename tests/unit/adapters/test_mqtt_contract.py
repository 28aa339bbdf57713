"""Topics, payload models, schemas, back-off and the ledger of commands."""

import contextlib
import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from polewright.adapters.mqtt.backoff import FIRST_WAIT_S, LONGEST_WAIT_S, Backoff
from polewright.adapters.mqtt.commands import COMMANDS, identifier_in, read_command
from polewright.adapters.mqtt.inputs import INPUTS
from polewright.adapters.mqtt.ledger import KEPT_S, MOST_KEPT, Ledger, digest_of
from polewright.adapters.mqtt.payloads import check_payload, payload_schemas, scalars_of
from polewright.adapters.mqtt.topics import MountTopics
from polewright.core.errors import UsageError

KUDU = MountTopics("polewright", "kudu")

ABOUT_ALL = ("cycle_id", "meaning", "longest_exposure_s")
REACH_FIELDS = {
    f"{bolt}_{what}_arcmin"
    for bolt in ("altitude", "azimuth")
    for what in ("to_go", "margin", "room")
}


def test_topics_are_built_below_the_mount() -> None:
    assert KUDU.availability == "polewright/kudu/availability"
    assert KUDU.command_filter == "polewright/kudu/command/+"
    assert KUDU.fleet_stop == "polewright/all/command/stop"
    assert KUDU.reply("a-1") == "polewright/kudu/reply/a-1"
    assert MountTopics("garden/polewright", "kudu").base == "garden/polewright/kudu"


def test_topics_of_others_are_not_ours() -> None:
    assert KUDU.relative("polewright/kudu/state") == "state"
    assert KUDU.relative("polewright/kudu2/state") is None
    assert KUDU.relative("polewright/kudu/#") is None
    assert KUDU.verb("polewright/kudu/command/survey") == "survey"
    assert KUDU.verb("polewright/all/command/stop") == "stop"
    assert KUDU.verb("polewright/all/command/survey") is None
    assert KUDU.verb("polewright/kudu/state") is None


@pytest.mark.parametrize(("root", "mount"), [("a/+", "kudu"), ("a", "#"), ("a", "all"), ("", "x")])
def test_a_root_with_wildcards_or_the_reserved_name_is_refused(root: str, mount: str) -> None:
    with pytest.raises(ValueError, match="topic root"):
        MountTopics(root, mount)


def test_every_modelled_topic_has_a_schema_that_forbids_the_unknown() -> None:
    schemas = payload_schemas()
    assert {"state", "survey", "correction", "event", "reply/+", "availability"} <= set(schemas)
    assert {f"command/{verb}" for verb in COMMANDS} <= set(schemas)
    for topic, schema in schemas.items():
        if schema.get("type") == "object":
            assert schema["additionalProperties"] is False, topic
            if topic not in INPUTS and not topic.startswith("command/"):
                assert {"v", "at"} <= set(schema["required"]), topic
    json.dumps(schemas)


def test_the_payload_fields_are_those_of_the_contract() -> None:
    fields = {
        topic: set(schema.get("properties", ())) for topic, schema in payload_schemas().items()
    }
    assert fields["state"] == {
        "v", "at", "state", "since", "step", "frames", "percent", "reason", "remedy",
    }  # fmt: skip
    assert fields["survey"] == {
        "v", "at", "method", "target_pole", "axis_altitude_deg", "axis_azimuth_deg",
        "altitude_error_arcmin", "altitude_error_sigma_arcmin", "azimuth_error_arcmin",
        "azimuth_error_sigma_arcmin", "azimuth_error_on_sky_arcmin", "total_error_arcmin",
        "total_error_sigma_arcmin", "chi2", "degrees_of_freedom", "frames", "sweep_deg",
        "tolerance_arcmin", "verdict", "age_s", "roll_used", "rejected_frames",
        "further_frame_sigma_arcmin", "residuals", "advice", *ABOUT_ALL,
    } | REACH_FIELDS  # fmt: skip
    assert fields["targets"] == {"v", "at", "width_px", "height_px", "stars"}
    assert fields["correction"] == {
        "v", "at", "sequence", "altitude_error_arcmin", "altitude_error_sigma_arcmin",
        "azimuth_error_arcmin", "azimuth_error_sigma_arcmin", "azimuth_error_on_sky_arcmin",
        "total_error_arcmin", "total_error_sigma_arcmin", "altitude_words", "azimuth_words",
        "altitude_turns", "azimuth_turns", "closeness", "verdict", "live", "frame_age_s",
        "latency_ms", "method", "valid_s", "tolerance_arcmin", *ABOUT_ALL,
    } | REACH_FIELDS  # fmt: skip


def test_a_payload_of_another_version_or_without_a_zone_is_refused() -> None:
    good = '{"v":1,"at":"2026-03-01T18:00:00Z","level":"info","code":"x","text":"y"}'
    check_payload("event", good)
    for wrong in (good.replace('"v":1', '"v":2'), good.replace(":00Z", ":00")):
        with pytest.raises(ValueError, match="EventPayload"):
            check_payload("event", wrong)


def test_scalars_never_show_a_negative_zero() -> None:
    correction = {
        "live": True, "altitude_error_arcmin": -0.001, "azimuth_error_arcmin": -0.5,
        "total_error_arcmin": None, "altitude_words": "", "azimuth_words": "x",
        "verdict": "good_enough", "closeness": 99.6,
    }  # fmt: skip
    scalars = scalars_of(correction)
    assert scalars["correction/altitude_arcmin"] == "0.00"
    assert scalars["correction/azimuth_arcmin"] == "-0.50"
    assert scalars["correction/total_arcmin"] == "none"
    assert scalars["correction/altitude_words"] == "--"
    assert scalars["correction/closeness"] == "100"
    for stale in (scalars, scalars_of(None)):
        for topic, text in stale.items():
            check_payload(topic, text)


def test_only_the_arguments_that_were_given_reach_the_session() -> None:
    command = read_command("survey", b'{"id":"a","v":1,"frames":4}', COMMANDS)
    assert command.arguments() == {"frames": 4}


def test_a_verb_of_another_version_is_unknown() -> None:
    with pytest.raises(UsageError) as caught:
        read_command("repaint", b'{"id":"a"}', COMMANDS)
    assert caught.value.code == "unknown_verb"
    assert "survey" in caught.value.remedy


@given(payload=st.binary(max_size=200), verb=st.sampled_from([*COMMANDS, "dance"]))
def test_any_bytes_are_a_command_or_a_usage_error(payload: bytes, verb: str) -> None:
    identifier_in(payload)
    with contextlib.suppress(UsageError):
        read_command(verb, payload, COMMANDS)


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=6,
)


@given(
    payload=st.dictionaries(
        st.sampled_from(["id", "v", "at", "expires", "frames", "exposure_s"]) | st.text(), _JSON
    )
)
def test_any_json_object_is_a_command_or_a_usage_error_that_can_be_sent(
    payload: dict[str, Any],
) -> None:
    def refusal() -> UsageError | None:
        try:
            command = read_command("survey", json.dumps(payload).encode(), COMMANDS)
        except UsageError as error:
            return error
        assert set(command.arguments()) <= set(payload)
        return None

    if (error := refusal()) is not None:
        assert error.code in ("invalid_arguments", "not_json")
        assert error.text.encode()


def test_a_lone_surrogate_is_refused_as_not_json() -> None:
    with pytest.raises(UsageError) as caught:
        read_command("stop", b'{"id":"a","\\ud800":1}', COMMANDS)
    assert caught.value.code == "not_json"


def test_waits_double_up_to_a_bound_and_reset_only_after_a_stable_connection() -> None:
    backoff = Backoff(uniform=lambda low, high: (low + high) / 2)
    waits = [backoff.next_wait_s(0.0) for _ in range(10)]
    assert waits[:4] == [FIRST_WAIT_S, 2 * FIRST_WAIT_S, 4 * FIRST_WAIT_S, 8 * FIRST_WAIT_S]
    assert waits[-1] == LONGEST_WAIT_S
    assert backoff.next_wait_s(29.0) == LONGEST_WAIT_S
    assert backoff.next_wait_s(31.0) == FIRST_WAIT_S


def test_jitter_keeps_two_daemons_apart() -> None:
    waits = {Backoff().next_wait_s(0.0) for _ in range(20)}
    assert len(waits) == 20
    assert all(0.75 * FIRST_WAIT_S <= wait <= 1.25 * FIRST_WAIT_S for wait in waits)


def test_the_ledger_forgets_after_ten_minutes_and_is_bounded() -> None:
    now = [0.0]
    ledger = Ledger(monotonic=lambda: now[0])
    ledger.enter("a", "d")
    now[0] = KEPT_S - 1
    assert ledger.find("a") is not None
    now[0] = KEPT_S + 1
    assert ledger.find("a") is None
    for number in range(MOST_KEPT + 10):
        ledger.enter(str(number), "d")
    assert ledger.find("5") is None
    assert ledger.find(str(MOST_KEPT + 9)) is not None


def test_the_digest_tells_other_arguments_apart() -> None:
    assert digest_of("survey", {"a": 1, "b": 2}) == digest_of("survey", {"b": 2, "a": 1})
    assert digest_of("survey", {"a": 1}) != digest_of("survey", {"a": 2})
    assert digest_of("survey", {}) != digest_of("adjust", {})
