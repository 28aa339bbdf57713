"""Scenario file: hidden truths from TOML, checked, over those that a seed draws."""

import dataclasses
import tomllib
import typing
from pathlib import Path
from typing import Any

from polewright_drivers.sky_simulator.scenario import SITES, Scenario, ScenarioError, invent


def load(path: Path, *, seed: int | None = None, site: str | None = None) -> Scenario:
    """Read a scenario from a TOML file.

    Parameters
    ----------
    path : Path
        Tables ``[site]``, ``[clock]``, ``[mount]``, ``[bolts]``, ``[camera]``, ``[sky]``,
        ``[sensor]``, ``[faults]`` set single truths.  The top-level keys ``seed`` and
        ``site_name`` draw everything else; without a ``seed`` everything else is perfect.
    seed, site : optional
        Take precedence over the file's own.

    Raises
    ------
    ScenarioError
        The file cannot be read, a key is unknown or a value is not allowed.
    """
    try:
        told = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as trouble:
        raise ScenarioError(f"{path}: cannot be read ({trouble.strerror})") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as trouble:
        raise ScenarioError(f"{path}: is not TOML ({trouble})") from None
    try:
        return from_tables(told, seed=seed, site=site)
    except ScenarioError as trouble:
        raise ScenarioError(f"{path}: {trouble}") from None


def from_tables(
    told: dict[str, Any], *, seed: int | None = None, site: str | None = None
) -> Scenario:
    """Build a scenario from parsed tables; see :func:`load`."""
    told = dict(told)
    file_seed = told.pop("seed", None)
    file_site = told.pop("site_name", None)
    if file_seed is not None:
        _check("seed", file_seed, int, {})
    seed = seed if seed is not None else file_seed
    site = site or file_site or "south"
    if site not in SITES:
        raise ScenarioError(f"site_name: {site!r} is not one of {', '.join(SITES)}")
    base = invent(seed, site) if seed is not None else Scenario(site=SITES[site])
    groups = {f.name: getattr(base, f.name) for f in dataclasses.fields(Scenario)}
    del groups["seed"]
    changes: dict[str, Any] = {}
    for name, table in told.items():
        if name not in groups:
            allowed = ", ".join(["seed", "site_name", *groups])
            raise ScenarioError(f"{name}: unknown key; allowed are {allowed}")
        if not isinstance(table, dict):
            raise ScenarioError(f"{name}: must be a table, [{name}]")
        changes[name] = _merge(name, groups[name], table)
    return dataclasses.replace(base, **changes)


def _merge(group: str, base: Any, table: dict[str, Any]) -> Any:
    """Return the group with the table's values in place of its own."""
    known = {f.name: f for f in dataclasses.fields(base)}
    hints = typing.get_type_hints(type(base))
    for key, value in table.items():
        if key not in known:
            raise ScenarioError(f"{group}.{key}: unknown key; allowed are {', '.join(known)}")
        _check(f"{group}.{key}", value, hints[key], known[key].metadata)
    values = {key: float(value) if hints[key] is float else value for key, value in table.items()}
    return dataclasses.replace(base, **values)


def _check(name: str, value: object, kind: type, limits: typing.Mapping[str, Any]) -> None:
    """Refuse a value of the wrong kind or outside its range."""
    accepted: tuple[type, ...] = (int, float) if kind is float else (kind,)
    if not isinstance(value, accepted) or (isinstance(value, bool) and kind is not bool):
        raise ScenarioError(f"{name}: {value!r} is not a {kind.__name__}")
    if "low" in limits and isinstance(value, (int, float)):
        low, high = limits["low"], limits["high"]
        if not low <= value <= high:
            raise ScenarioError(f"{name}: {value!r} is outside {low:g} to {high:g}")
    if "allowed" in limits and value not in limits["allowed"]:
        allowed = ", ".join(repr(a) for a in limits["allowed"])
        raise ScenarioError(f"{name}: {value!r} is not one of {allowed}")
