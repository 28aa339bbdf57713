"""The report of one evening: a page that fetches nothing and runs nothing."""

import math
from collections.abc import Iterable, Sequence
from html import escape

from polewright import __version__
from polewright.adapters.journal.figures import Kept, adjustment_figures, knob_figures
from polewright.adapters.journal.reading import JournalReader, KeptEvening, KeptSurvey
from polewright.app.evening_charts import ErrorPoint, path_chart, time_chart
from polewright.app.history_words import adjustment_words
from polewright.app.printing import rows_table
from polewright.core.axis.correction import Verdict
from polewright.core.errors import UsageError
from polewright.core.geometry.directions import altaz_from_enu
from polewright.core.records import KnobRecord, NoticeRecord, SurveyRecord, TransitionRecord

_STYLE = """\
:root { --ink: #e00; --faint: #800; --ground: #000; color-scheme: dark }
@media print { :root { --ink: #000; --faint: #888; --ground: #fff; color-scheme: light } }
@page { margin: 12mm }
* { box-sizing: border-box }
body { font: 1rem/1.45 sans-serif; color: var(--ink); background: var(--ground);
  margin: 0 auto; max-width: 60rem; padding: 1rem }
h1 { font-size: 1.4rem; margin: 0 0 .3rem } h2 { font-size: 1.1rem; margin: 1.6rem 0 .4rem }
p { margin: .3rem 0 } .verdict { font-size: 1.3rem; font-weight: bold;
  border: 2px solid var(--ink); padding: .5rem .7rem; margin: .8rem 0 }
.wide { overflow-x: auto } table { border-collapse: collapse; font-variant-numeric: tabular-nums }
th, td { padding: .15rem .5rem; text-align: right; border-bottom: 1px solid var(--faint) }
th { border-bottom: 2px solid var(--ink) }
td { white-space: nowrap } .words td { white-space: normal }
td:first-child, th:first-child, .words td, .words th { text-align: left }
.side { display: flex; flex-wrap: wrap; gap: 1rem }
.side figure { flex: 1 1 18rem; max-width: 20rem } figure { margin: .5rem 0; break-inside: avoid }
figcaption { font-size: .85rem } tr { break-inside: avoid }
svg { display: block; width: 100%; height: auto }
svg text { font: 12px sans-serif; fill: var(--ink) }
.grid { stroke: var(--faint); stroke-width: .7 } .axis { stroke: var(--ink) }
.goal { stroke: var(--ink); stroke-dasharray: 5 4; fill: none }
.way { stroke: var(--ink); stroke-width: 1.4; fill: none }
.mark { stroke: var(--ink); fill: var(--ink) }"""

_VERDICTS = {
    Verdict.GOOD_ENOUGH: "Good enough",
    Verdict.NOT_YET: "Not yet good enough",
    Verdict.CANNOT_TELL: "Measured too coarsely to say",
}
# Nearer the goal a second chart shows what the first makes a dot of.
_NEAR_TOLERANCES = 4.0


def surveyed_evening(kept: Kept, number: int | None) -> KeptEvening:
    """Return an evening by its number; None: the last one with a survey.

    Raises
    ------
    UsageError
        ``no_such_evening``.
    """
    if number is None:
        surveyed = [kept.evening_of(survey) for survey in kept.surveys]
        number = max((one.number for one in surveyed if one is not None), default=None)
    evening = next((one for one in kept.evenings if one.number == number), None)
    if evening is None:
        raise UsageError(
            "the journal has no evening with a survey" if number is None
            else f"the journal has no evening {number}",
            remedy="`polewright history evenings` lists them.",
            code="no_such_evening",
        )  # fmt: skip
    return evening


def evening_page(reader: JournalReader, kept: Kept, evening: KeptEvening, slug: str) -> str:
    """Return the page; only figures that the journal keeps."""
    surveys = kept.surveys_of(evening)
    records = [one.record for one in surveys if one.record is not None]
    title = f"{slug}: evening of {evening.began:%d %B %Y}"
    parts = [f"<h1>{escape(title)}</h1>", _where(kept, evening, surveys, records)]
    if records:
        parts.append(_verdict(kept, surveys))
        parts += _charts(reader, kept, evening, surveys, records)
        parts += [*_surveys(surveys), *_adjustments(kept, surveys)]
    parts += _told(reader.notices(evening))
    parts += _course(reader.transitions(evening))
    parts += _taught(reader, evening)
    parts += _settings(records)
    body = "\n".join(part for part in parts if part)
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>\n{_STYLE}\n</style>\n</head>\n<body>\n"
        f"{body}\n</body>\n</html>\n"
    )


def _where(
    kept: Kept,
    evening: KeptEvening,
    surveys: Sequence[KeptSurvey],
    records: Sequence[SurveyRecord],
) -> str:
    words = [f"{evening.began:%Y-%m-%d %H:%M} to {evening.ended:%H:%M} UTC"]
    if evening.ended.date() != evening.began.date():
        words = [f"{evening.began:%Y-%m-%d %H:%M} to {evening.ended:%Y-%m-%d %H:%M} UTC"]
    if records:
        place = records[-1].place
        # To a kilometre: a report is passed on, and it need not tell where somebody lives.
        words.append(f"at {place.latitude_deg:+.2f} {place.longitude_deg:+.2f} deg")
        words += sorted({f"mount {one.mount}" for one in records if one.mount})
    words += sorted({f"on the marks “{name}”" for one in surveys if (name := kept.marks_of(one))})
    return f"<p>{escape('; '.join(words))}</p>"


def _verdict(kept: Kept, surveys: Sequence[KeptSurvey]) -> str:
    looks = [
        (one.record.committed_at, one.record.correction, "the last survey")
        for one in surveys
        if one.record is not None
    ]
    looks += [
        (end.at, end.correction, "the last correction while the bolts were turned")
        for one in surveys
        if one.number in kept.adjustments and (end := kept.adjustments[one.number].ended)
    ]
    at, last, by = max(looks, key=lambda look: look[0])
    return (
        f'<p class="verdict">{_VERDICTS[last.verdict]}: off by {last.total_error_arcmin:.2f} '
        f"arcmin ± {last.total_error_sigma_arcmin:.2f}; {last.tolerance_arcmin:.2f} is allowed</p>"
        f"<p>By {by}, {at:%H:%M} UTC: altitude {_signed(last.altitude_error_arcmin)} "
        f"± {last.altitude_error_sigma_arcmin:.2f}, azimuth "
        f"{_signed(last.azimuth_error_arcmin)} ± {last.azimuth_error_sigma_arcmin:.2f} arcmin. "
        "Every ± is one sigma. Positive: the axis is too high, or its azimuth too large.</p>"
    )


def _charts(
    reader: JournalReader,
    kept: Kept,
    evening: KeptEvening,
    surveys: Sequence[KeptSurvey],
    records: Sequence[SurveyRecord],
) -> list[str]:
    numbers = [one.number for one in kept.surveys]
    first = numbers.index(surveys[0].number)
    cosine = math.cos(altaz_from_enu(records[-1].target_enu)[0])
    # An evening may begin by an adjustment from the last one's survey.
    told = [
        ErrorPoint(
            at=one.at,
            altitude_arcmin=one.altitude_error_arcmin,
            azimuth_on_sky_arcmin=one.azimuth_error_arcmin * cosine,
            total_arcmin=one.total_error_arcmin,
            sigma_arcmin=one.total_error_sigma_arcmin,
            begins=one.first,
        )
        for one in reader.told_after(
            [*numbers[max(first - 1, 0) : first], *(one.number for one in surveys)]
        )
        if evening.holds(one.at)
    ]
    marks = [
        ErrorPoint(
            at=one.committed_at,
            altitude_arcmin=one.correction.altitude_error_arcmin,
            azimuth_on_sky_arcmin=one.correction.azimuth_error_on_sky_arcmin,
            total_arcmin=one.correction.total_error_arcmin,
            sigma_arcmin=one.correction.total_error_sigma_arcmin,
        )
        for one in records
    ]
    tolerance = records[-1].correction.tolerance_arcmin
    farthest = 1.1 * max(*(one.total_arcmin for one in (*told, *marks)), 2.0 * tolerance)
    near = _NEAR_TOLERANCES * tolerance
    caption = "How far the axis was off, all evening. Dots: surveys, with two sigma"
    caption += "; line: live, while the bolts were turned." if told else "."
    ways = [_figure(path_chart(told, marks, tolerance, farthest), "Its way on the sky.")]
    if farthest > 2.0 * near:
        ways.append(_figure(path_chart(told, marks, tolerance, near), "The same, near the goal."))
    return [
        "<h2>How it went</h2>",
        _figure(time_chart(told, marks, tolerance), caption),
        f'<div class="side">{"".join(ways)}</div>',
    ]


def _figure(drawing: str, caption: str) -> str:
    return f"<figure>{drawing}<figcaption>{escape(caption)}</figcaption></figure>"


def _surveys(surveys: Sequence[KeptSurvey]) -> list[str]:
    head = ("survey", "UTC", "altitude", "azimuth", "off by", "allowed", "frames", "chi²/dof",
            "verdict")  # fmt: skip
    rows = []
    for one in surveys:
        if one.record is None:
            rows.append((str(one.number), "damaged", *("",) * 7))
            continue
        estimate, found = one.record.estimate, one.record.correction
        rejected = len(estimate.rejected)
        rows.append(
            (
                f"{one.number} ({estimate.method.value})",
                f"{estimate.instant:%H:%M}",
                f"{_signed(found.altitude_error_arcmin)} ± {found.altitude_error_sigma_arcmin:.2f}",
                f"{_signed(found.azimuth_error_arcmin)} ± {found.azimuth_error_sigma_arcmin:.2f}",
                f"{found.total_error_arcmin:.2f} ± {found.total_error_sigma_arcmin:.2f}",
                f"{found.tolerance_arcmin:.2f}",
                f"{estimate.frames}{f' + {rejected}' if rejected else ''}",
                f"{estimate.chi2:.1f}/{estimate.degrees_of_freedom}",
                found.verdict.value.replace("_", " "),
            )
        )
    return [
        "<h2>Surveys</h2>",
        _table(head, rows),
        "<p>In arcmin; frames: used + left out because they did not fit.</p>",
    ]


def _adjustments(kept: Kept, surveys: Sequence[KeptSurvey]) -> list[str]:
    found = [
        f"<p>After survey {one.number}: {escape(adjustment_words(row))}.</p>"
        for one in surveys
        if (row := adjustment_figures(kept, one)) is not None
    ]
    return ["<h2>Adjustments</h2>", *found] if found else []


def _told(notices: Sequence[NoticeRecord]) -> list[str]:
    if not notices:
        return []
    rows = [(f"{one.at:%H:%M:%S}", one.level, one.text) for one in notices]
    return ["<h2>What was told</h2>", _table(("UTC", "", "what"), rows, kind="wide words")]


def _course(transitions: Sequence[TransitionRecord]) -> list[str]:
    if not transitions:
        return []
    rows = [(f"{one.at:%H:%M:%S}", one.after, one.happening, one.code or "") for one in transitions]
    return [
        "<h2>What happened when</h2>",
        _table(("UTC", "then", "because", "code"), rows, kind="wide words"),
    ]


def _taught(reader: JournalReader, evening: KeptEvening) -> list[str]:
    told = [(one.at, _knob_words(one)) for one in reader.knobs()]
    told += [
        (
            one.at,
            f"the feet stand on {'new marks' if one.new_marks else 'the marks'} “{one.name}”"
            + (", bolts turned with nobody watching" if one.bolts_turned else ""),
        )
        for one in reader.placements()
    ]
    told += [
        (one.at, f"the survey taught how the bracket “{one.bracket}” holds its sensor")
        for one in reader.brackets()
    ]
    told += [
        (
            one.at,
            f"star alignment of {one.fields} fields, go-to error expected "
            f"{one.goto_arcsec:.0f} arcsec",
        )
        for one in reader.pointings()
    ]
    lines = [f"{at:%H:%M} UTC: {words}" for at, words in sorted(told) if evening.holds(at)]
    return ["<h2>What was said and learned</h2>", *_paragraphs(lines)] if lines else []


def _knob_words(record: KnobRecord) -> str:
    figures = knob_figures(record)
    known = "not known yet"
    if figures["arcmin_per_turn"] is not None:
        known = (
            f"{figures['arcmin_per_turn']:+.2f} ± {figures['arcmin_per_turn_sigma']:.2f} arcmin "
            f"per turn clockwise, slack {figures['slack_turns']:.2f} "
            f"± {figures['slack_sigma_turns']:.2f} turns"
        )
    return f"{record.bolt.value} knob: {known}"


def _settings(records: Sequence[SurveyRecord]) -> list[str]:
    if not records:
        return [f"<p>Written by polewright {__version__}.</p>"]
    last = records[-1]
    place = last.place
    rows = [
        ("pole aimed at", last.target_pole),
        ("largest error allowed", f"{last.tolerance_arcsec:g} arcsec"),
        ("wander from frame to frame", f"{last.mechanical_floor_arcsec:.1f} arcsec"),
        ("elevation", f"{place.elevation_m:.0f} m"),
        ("air", f"{place.air_pressure_hpa:.0f} hPa, {place.temperature_c:.0f} °C, "
         f"{100.0 * place.relative_humidity:.0f} % humid"),
        *((f"computed with {name}", version) for name, version in sorted(last.versions.items())),
        ("this page by polewright", __version__),
    ]  # fmt: skip
    return [
        "<h2>What it rests on</h2>",
        _table(("of the last survey", ""), rows, kind="wide words"),
    ]


def _paragraphs(lines: Iterable[str]) -> list[str]:
    return [f"<p>{escape(line)}</p>" for line in lines]


def _table(head: tuple[str, ...], rows: Sequence[tuple[str, ...]], *, kind: str = "wide") -> str:
    return f'<div class="{kind}">{rows_table(head, list(rows))}</div>'


def _signed(arcmin: float) -> str:
    return f"{arcmin:+.2f}".replace("-", "−")
