"""Metrics: the text is judged by prometheus-client's own parser, the names by its conventions."""

import json
import urllib.error
import urllib.request
from asyncio import to_thread
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.parser import text_string_to_metric_families as parsed

from polewright.adapters.metrics.endpoint import served_metrics
from polewright.adapters.metrics.exposition import Family, exposed, gauge
from polewright.adapters.metrics.figures import Figures
from polewright.adapters.metrics.process import process_families
from polewright.adapters.mqtt.payloads import check_payload
from polewright.core.errors import LinkError
from polewright.settings.displays import MetricsSettings
from polewright.settings.model import Settings
from tests.docs.metrics import AT, CORRECTION, EXAMPLES, HEALTH, STATE, SURVEY


def figures(*messages: tuple[str, dict[str, Any]]) -> Figures:
    made = Figures(list)
    for topic, message in messages:
        text = json.dumps(message)
        check_payload(topic, text)  # what goes out is by the contract, and so is this
        made.hear(topic, text, True)
    return made


def samples(text: str) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in parsed(text)
        for sample in family.samples
    }


def test_messages_become_metrics_in_base_units() -> None:
    told = samples(
        figures(
            ("state", STATE), ("health", HEALTH), ("survey", SURVEY), ("correction", CORRECTION)
        ).text()
    )  # fmt: skip
    assert told["polewright_state", (("state", "adjusting"),)] == 1.0
    assert told["polewright_state", (("state", "idle"),)] == 0.0
    assert told["polewright_broker_connected", ()] == 0.0
    assert told["polewright_indi_connected", ()] == 1.0
    assert told["polewright_dropped_messages_total", ()] == 4.0
    assert told["polewright_disk_free_bytes", ()] == 1.2e9
    assert told["polewright_temperature_celsius", (("sensor", 'cpu "a"\\b'),)] == 51.5
    assert told["polewright_correction_total_error_degrees", ()] == pytest.approx(0.09)
    assert told["polewright_correction_altitude_error_degrees", ()] == pytest.approx(0.05)
    assert told["polewright_correction_latency_seconds", ()] == 0.25
    assert told["polewright_correction_verdict", (("verdict", "not_yet"),)] == 1.0
    assert told["polewright_survey_frames", ()] == 5.0
    # 2026-11-25 20:00 UTC, by `date -u -d 2026-11-25T20:00 +%s`
    assert told["polewright_survey_timestamp_seconds", ()] == 1795636800.0
    assert told["polewright_surveys_total", ()] == 1.0
    assert ("polewright_clock_disciplined", ()) not in told  # nobody here can tell


def test_a_correction_that_is_history_leaves_no_figures() -> None:
    text = figures(("correction", CORRECTION), ("correction", CORRECTION | {"live": False})).text()
    assert "polewright_correction_total_error_degrees" not in text
    assert samples(text)["polewright_corrections_total", ()] == 1.0


def test_a_survey_of_an_earlier_run_is_dated_back_and_not_counted() -> None:
    told = samples(figures(("survey", SURVEY | {"age_s": 3600.0})).text())
    assert told["polewright_survey_timestamp_seconds", ()] == 1795636800.0 - 3600.0
    assert told["polewright_surveys_total", ()] == 0.0
    # Null: by a clock that stands before it.
    told = samples(figures(("survey", SURVEY | {"age_s": None})).text())
    assert told["polewright_surveys_total", ()] == 0.0


def test_events_are_counted_by_code() -> None:
    event = {"v": 1, "at": AT, "level": "warning", "code": "moved", "text": "the axis moved"}
    told = samples(figures(("event", event), ("event", event)).text())
    assert told["polewright_events_total", (("code", "moved"), ("level", "warning"))] == 2.0


def test_names_keep_to_the_conventions_of_prometheus() -> None:
    """prometheus.io, "Metric and label naming": prefix, base units in the plural, _total."""
    made = figures(*EXAMPLES)
    for family in [*made.families(), *process_families()]:
        assert family.name.startswith(("polewright_", "process_")), family.name
        assert family.name.endswith("_total") == (family.kind == "counter"), family.name
        assert not family.name.endswith(("_ms", "_s", "_arcmin", "_mb", "_deg")), family.name
        assert family.text, family.name


def test_the_process_is_told_as_linux_tells_it() -> None:
    told = {family.name: family.samples[0][1] for family in process_families()}
    status = Path("/proc/self/status").read_text("ascii")
    resident_kb = next(int(row.split()[1]) for row in status.splitlines() if "VmRSS" in row)
    assert told["process_resident_memory_bytes"] == pytest.approx(resident_kb * 1024, rel=0.2)
    assert told["process_cpu_seconds_total"] > 0.0
    assert told["process_open_fds"] >= 3


def test_infinities_and_odd_labels_survive_the_parser() -> None:
    odd = Family(
        name="polewright_odd", kind="gauge", text='back\\slash "and"\nline',
        samples=(({"label": 'a"b\\c\nd'}, float("inf")),),
    )  # fmt: skip
    assert samples(exposed([odd])) == {("polewright_odd", (("label", 'a"b\\c\nd'),)): float("inf")}
    assert exposed([gauge("polewright_none", "nothing", None)]) == "\n"


async def test_the_endpoint_answers_at_metrics_and_nowhere_else() -> None:
    wanted = MetricsSettings(port=0)
    async with served_metrics(wanted, figures(("state", STATE)).text) as port:

        def ask(path: str) -> tuple[str, str]:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=5) as answer:
                return answer.headers["Content-Type"], answer.read().decode()

        kind, text = await to_thread(ask, "/metrics")
        assert kind == "text/plain; version=0.0.4; charset=utf-8"
        assert samples(text)["polewright_state", (("state", "adjusting"),)] == 1.0
        with pytest.raises(urllib.error.HTTPError, match="404"):
            await to_thread(ask, "/")
        with pytest.raises(LinkError) as taken:
            async with served_metrics(MetricsSettings(port=port), lambda: ""):
                pass
        assert taken.value.code == "metrics_port"


def test_none_are_served_unless_asked_for_and_then_to_this_machine_alone() -> None:
    assert Settings().metrics.port is None
    assert Settings().metrics.host == "127.0.0.1"
