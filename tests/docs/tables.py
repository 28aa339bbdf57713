"""Tables: topics, payloads, commands, settings, phases and errors, as the code has them."""

import ast
from collections.abc import Callable, Mapping
from pathlib import Path
from statistics import fmean, median
from typing import Any

from polewright.adapters.mqtt.commands import COMMANDS
from polewright.adapters.mqtt.inputs import INPUTS
from polewright.adapters.mqtt.payloads import PAYLOADS, SCALAR_SCHEMAS, payload_schemas
from polewright.adapters.mqtt.topics import SENSOR_INPUT
from polewright.core import errors as errors_module
from polewright.session.phases import TRANSITIONS, Happening, Phase
from polewright.settings.explain import allowed_values, value_in_toml
from polewright.settings.model import Settings
from polewright.settings.section import Section
from tests.device_matrix import CAMERAS, MOUNTS, SITES, Kind, Result, cases, recorded
from tests.docs.blocks import ROOT, table
from tests.docs.bounds import bound_rows
from tests.docs.licences import licences
from tests.docs.meanings import ARGUMENTS, FIELDS, RETAINED, TOPICS
from tests.docs.metrics import metrics

_ENVELOPE = ("id", "v", "at", "expires")


def topics() -> str:
    """Return the table of all topics that are published."""
    rows = []
    for topic in [*PAYLOADS, *SCALAR_SCHEMAS]:
        retained = RETAINED.get(topic, topic.startswith("correction/"))
        kind = "JSON" if topic in PAYLOADS else _scalar(SCALAR_SCHEMAS[topic])
        rows.append((f"`{topic}`", "yes" if retained else "no", kind, TOPICS[topic]))
    return table(("topic", "retained", "payload", "what"), rows)


def payloads() -> str:
    """Return one table for the fields of every JSON payload."""
    schemas = payload_schemas()
    parts = []
    for topic in PAYLOADS:
        schema = schemas[topic]
        parts += [f"### `{topic}`", "", _fields(schema, schema["properties"]), ""]
    return "\n".join(parts)


def inputs() -> str:
    """Return one table for the fields of everything that may be told to the service."""
    schemas = payload_schemas()
    return "\n".join(
        _fields(schemas[topic], schemas[topic]["properties"]) for topic in [SENSOR_INPUT]
    )


def watch_inputs() -> str:
    """Return what may be told to the watch."""
    schemas = payload_schemas()
    return "\n\n".join(
        f"`{topic}`:\n\n{_fields(schemas[topic], schemas[topic]['properties'])}"
        for topic in INPUTS
        if topic != SENSOR_INPUT
    )


def commands() -> str:
    """Return every command with its own arguments."""
    parts = []
    for verb, model in COMMANDS.items():
        schema = payload_schemas()[f"command/{verb}"]
        own = {k: v for k, v in schema["properties"].items() if k not in _ENVELOPE}
        parts += [f"### `command/{verb}`", "", _plain(model.__doc__), ""]
        arguments = _fields(schema, own, FIELDS | ARGUMENTS) if own else "No arguments of its own."
        parts += [arguments, ""]
    envelope = payload_schemas()["command/ping"]
    parts += ["### What every command carries", "", _fields(envelope, envelope["properties"])]
    return "\n".join(parts)


def settings() -> str:
    """Return every setting, section by section."""
    parts = []
    for name, section in Settings.model_fields.items():
        model = section.annotation
        assert isinstance(model, type)
        assert issubclass(model, Section)
        parts += [f"## [{name}]", "", _plain(model.__doc__), ""]
        rows = [
            (
                f"`{key}`",
                "none"
                if (default := field.get_default(call_default_factory=True)) is None
                else f"`{value_in_toml(default)}`",
                allowed_values(field),
                field.description or "",
            )
            for key, field in model.model_fields.items()
        ]
        parts += [table(("key", "default", "allowed", "what"), rows), ""]
    return "\n".join(parts)


def phases() -> str:
    """Return which happening leads from which phase to which; empty: it is refused there."""
    rows = []
    for happening in Happening:
        ways = [TRANSITIONS[phase].get(happening) for phase in Phase]
        rows.append((happening.value, *("" if way is None else way.value for way in ways)))
    return table(("", *(f"`{phase.value}`" for phase in Phase)), rows)


def bounds() -> str:
    """Return the uncertainty of the axis by declination, frames and sweep."""
    sweeps, rows = bound_rows()
    head = ("declination", "frames", *(f"{sweep:.0f} deg" for sweep in sweeps))
    return table(
        head,
        [
            (f"{row.declination_deg:.0f} deg", str(row.frames), *(f"{s:.1f}" for s in row.arcsec))
            for row in rows
        ],
    )


def devices() -> str:
    """Return what came out for every pair of a mount and a camera in the recorded run."""
    known = recorded()
    where = {"south": "32 S", "north": "47 N"}
    assert set(where) == set(SITES)
    rows = [
        (case.mount.words, case.camera.words, where[case.site], _outcome(known.get(case.name)))
        for case in cases()
    ]
    return table(("mount", "camera", "site", "came out"), rows)


def device_pairs() -> str:
    """Return what came out when every mount that measures met every camera."""
    ran = list(recorded(all_pairs=True).values())
    told = [one for one in ran if one.off_arcsec is not None and one.chi2 is not None]
    offs = [one.off_arcsec for one in told if one.off_arcsec is not None]
    chi2s = [one.chi2 for one in told if one.chi2 is not None]
    row = (
        f"{len(ran)} of {len(cases(all_pairs=True))}",
        str(len(told)),
        f"{median(offs):.0f} arcsec",
        f"{max(offs):.0f} arcsec",
        f"{fmean(chi2s):.1f}",
        f"{max(chi2s):.1f}",
    )
    head = ("pairs run", "measured", "off, median", "off, largest", "chi-square, mean", "largest")
    return table(head, [row])


def device_kinds() -> str:
    """Return the kinds of mounts and cameras that the simulator plays."""

    def rows(kinds: tuple[Kind, ...]) -> list[tuple[str, ...]]:
        return [(f"`{kind.name}`", kind.words, "by hand" if kind.by_hand else "") for kind in kinds]

    head = ("kind", "what it is", "turned")
    return f"{table(head, rows(MOUNTS))}\n\n{table(head[:2], [row[:2] for row in rows(CAMERAS)])}"


def _outcome(result: Result | None) -> str:
    if result is None:
        return "not run"
    if result.off_arcsec is None:
        return f"refused: `{result.outcome}`"
    return (
        f"{result.frames} frames, {result.off_arcsec:.0f} arcsec off, "
        f"sigma {result.sigma_arcsec:.0f} arcsec"
    )


def errors() -> str:
    """Return every expected error: its code, what it says and what to do."""
    rows = []
    for path in sorted((ROOT / "daemon").rglob("*.py")):
        rows += _errors_in(path)
    return table(("code", "it says", "what to do"), sorted(set(rows)))


MAKERS: Mapping[str, Callable[[], str]] = {
    "topics": topics,
    "payloads": payloads,
    "inputs": inputs,
    "watch-inputs": watch_inputs,
    "commands": commands,
    "settings": settings,
    "phases": phases,
    "bounds": bounds,
    "devices": devices,
    "device-kinds": device_kinds,
    "device-pairs": device_pairs,
    "metrics": metrics,
    "licences": licences,
    "errors": errors,
}


def _fields(
    schema: Mapping[str, Any], properties: Mapping[str, Any], words: Mapping[str, str] = FIELDS
) -> str:
    required = schema.get("required", ())
    rows = []
    for name, form in properties.items():
        if name not in words:
            raise KeyError(f"tests/docs/meanings.py has no words for the field {name!r}")
        presence = "yes" if name in required else "no"
        rows.append((f"`{name}`", _form(form, schema), presence, words[name]))
    return table(("field", "type", "always there", "what"), rows)


def _plain(docstring: str | None) -> str:
    return " ".join((docstring or "").split()).replace("``", "`")


def _form(form: Mapping[str, Any], schema: Mapping[str, Any]) -> str:
    if "anyOf" in form:
        return " or ".join(_form(one, schema) for one in form["anyOf"])
    if "$ref" in form:
        return _form(schema["$defs"][form["$ref"].rsplit("/", 1)[1]], schema)
    if "const" in form:
        return f"`{form['const']}`"
    if "enum" in form:
        return ", ".join(f"`{one}`" for one in form["enum"])
    kind: str = {"string": "text", "boolean": "true or false", "object": "object"}.get(
        form["type"], form["type"]
    )
    if form.get("format") == "date-time":
        kind = "instant"
    low = form.get("minimum", form.get("exclusiveMinimum"))
    high = form.get("maximum", form.get("exclusiveMaximum"))
    above = "over" if "exclusiveMinimum" in form else "from"
    bounds_text = (f" {above} {low:g}" if low is not None else "") + (
        f" to {high:g}" if high is not None else ""
    )
    return kind + bounds_text


def _scalar(schema: Mapping[str, Any]) -> str:
    if "enum" in schema:
        return ", ".join(f"`{one}`" for one in schema["enum"])
    if schema.get("pattern", "").startswith("^(none"):
        return "two decimals, or `none`"
    return "0 to 100" if "pattern" in schema else "words, or `--`"


def _errors_in(path: Path) -> list[tuple[str, str, str]]:
    found = []
    module = ast.parse(path.read_text("utf-8"))
    constants = {
        node.targets[0].id: node.value
        for node in module.body
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name)
    }
    for node in ast.walk(module):
        if not (isinstance(node, ast.Call) and node.args):
            continue
        named = {keyword.arg: keyword.value for keyword in node.keywords}
        if "remedy" not in named:
            continue
        code = _words(named["code"], constants) if "code" in named else _default_code(node.func)
        text = _words(node.args[0], constants)
        if code.strip("…") and text.strip("…"):
            found.append((f"`{code}`", text, _words(named["remedy"], constants)))
    return found


def _default_code(maker: ast.expr) -> str:
    kind = getattr(errors_module, maker.id, None) if isinstance(maker, ast.Name) else None
    return str(kind.default_code) if kind is not None else ""


def _words(node: ast.expr, constants: Mapping[str, ast.expr]) -> str:
    """Return a text as far as it can be read from the code, ``…`` for what is filled in."""
    if isinstance(node, ast.Constant):
        return str(node.value)
    if isinstance(node, ast.JoinedStr):
        return "".join(_words(part, constants) for part in node.values)
    if isinstance(node, ast.BinOp):
        return _words(node.left, constants) + _words(node.right, constants)
    if isinstance(node, ast.IfExp):
        return _words(node.body, constants) if _words(node.body, constants) else "…"
    if isinstance(node, ast.Name) and node.id in constants:
        return _words(constants[node.id], {})
    return "…"
