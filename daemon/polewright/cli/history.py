"""``polewright history``: what the journal keeps, and whether it still gives the same digits."""

import argparse
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from polewright.adapters.journal.figures import (
    Kept,
    adjustment_figures,
    evening_figures,
    survey_figures,
)
from polewright.adapters.journal.reading import JournalReader, KeptSurvey, open_reader
from polewright.app.history_words import adjustment_words
from polewright.cli.evening_report import report_evening
from polewright.cli.history_plot import plot_history
from polewright.cli.history_tables import export
from polewright.cli.history_words import (
    evening_head,
    tell_adjustments,
    tell_evenings,
    tell_placements,
)
from polewright.cli.journal_copies import tell_backup, tell_restore
from polewright.cli.learned import tell_learned
from polewright.cli.output import ExitCode, Output
from polewright.cli.trails import trail_figures
from polewright.core.errors import MeasurementError, UsageError
from polewright.core.imaging.stars import trail_words
from polewright.core.records import FrameRecord, SurveyRecord
from polewright.session.keeping import computing_versions
from polewright.session.recomputing import Difference, differing_corrections, differing_survey
from polewright.settings.load import find_settings_file, load_settings


def history(options: argparse.Namespace, output: Output) -> ExitCode:
    """Carry out ``history`` and what may follow it."""
    file = _file(options)
    if options.backup is not None:
        return tell_backup(file, options.backup, output)
    if options.restore is not None:
        return tell_restore(options.restore, file, output)
    with open_reader(file) as reader:
        if options.plot is not None:
            return plot_history(reader, options.plot, options.mount, output)
        if options.report is not None:
            return report_evening(reader, options.report, options.evening, file, output)
        match options.action:
            case "list":
                return _list(reader, output)
            case "show":
                return _show(reader, _number(options.what, needed=True), output)
            case "replay":
                return _replay(reader, _number(options.what), output)
            case "evenings":
                return tell_evenings(Kept.read(reader), output)
            case "adjustments":
                return tell_adjustments(Kept.read(reader), output)
            case "placements":
                return tell_placements(Kept.read(reader), output)
            case "learned":
                return tell_learned(reader.lessons(), output)
            case _:
                return _export(reader, options, output)


def _file(options: argparse.Namespace) -> Path:
    if options.file is not None:
        return Path(options.file)
    settings = load_settings(find_settings_file(options.config))
    file = settings.journal.file(settings.mount.slug)
    if file is None:
        raise UsageError(
            'the settings keep no journal ([journal] mode = "off")',
            remedy="Name a journal with --file.",
            code="no_journal",
        )
    return file


def _number(text: str | None, *, needed: bool = False) -> int | None:
    if text is None and not needed:
        return None
    if text is None or not text.isdecimal():
        raise UsageError(
            "no survey's number was given" if text is None else f"'{text}' is no survey's number",
            remedy="Give the number that `polewright history` shows, such as 3.",
        )
    return int(text)


def _surveys(reader: JournalReader, number: int | None) -> Iterator[KeptSurvey]:
    found = False
    for survey in reader.surveys(number):
        found = True
        yield survey
    if number is not None and not found:
        raise UsageError(
            f"the journal has no survey {number}",
            remedy="`polewright history` lists their numbers.",
            code="no_such_survey",
        )


def _list(reader: JournalReader, output: Output) -> ExitCode:
    kept = Kept.read(reader)
    figures = [survey_figures(kept, survey) for survey in kept.surveys]
    lines: list[str] = []
    evening = None
    for survey, of_survey in zip(kept.surveys, figures, strict=True):
        this = kept.evening_of(survey)
        if this is not None and this != evening:
            evening = this
            lines.append(evening_head(this, kept))
        lines.append(f"  {_line(survey, of_survey)}")
        if (adjusted := adjustment_figures(kept, survey)) is not None:
            lines.append(f"        {adjustment_words(adjusted)}")
    evenings = [evening_figures(kept, evening) for evening in kept.evenings]
    output.result(
        {"surveys": figures, "evenings": evenings}, *(lines or ["no surveys are kept yet"])
    )
    return ExitCode.GOOD


def _show(reader: JournalReader, number: int | None, output: Output) -> ExitCode:
    (survey,) = _surveys(reader, number)
    record = _whole(survey)
    frames = reader.frames_of(survey.number)
    kept = Kept.read(reader)
    figures = survey_figures(kept, survey)
    adjusted = adjustment_figures(kept, survey)
    place = record.place
    output.result(
        figures
        | {
            "mechanical_floor_arcsec": record.mechanical_floor_arcsec,
            "misfit_probability": record.estimate.misfit_probability,
            "versions": dict(record.versions),
            "frame_list": [_frame_figures(frame) for frame in frames],
            "residuals_arcsec": record.estimate.residuals_arcsec.tolist(),
            "adjustment": adjusted,
        },
        _line(survey, figures),
        f"  {record.correction.altitude_words}; {record.correction.azimuth_words}",
        f"  at {place.latitude_deg:+.4f} {place.longitude_deg:+.4f} deg, {place.elevation_m:.0f} m,"
        f" {place.air_pressure_hpa:.0f} hPa, {place.temperature_c:.0f} deg C",
        f"  {record.target_pole} pole, tolerance {record.tolerance_arcsec:g} arcsec, "
        f"floor {record.mechanical_floor_arcsec:g} arcsec",
        f"  chi-square {record.estimate.chi2:.2f} with {record.estimate.degrees_of_freedom} dof",
        *(_frame_line(frame, record) for frame in frames),
        *([f"  {adjustment_words(adjusted)}"] if adjusted is not None else []),
        "  made by " + ", ".join(f"{name} {text}" for name, text in record.versions.items()),
    )
    return ExitCode.GOOD


def _replay(reader: JournalReader, number: int | None, output: Output) -> ExitCode:
    results: list[dict[str, Any]] = []
    lines: list[str] = []
    for survey in _surveys(reader, number):
        differences, frames, corrections = _differences(reader, survey)
        others = _other_versions(survey.record)
        results.append(
            {
                "number": survey.number,
                "identical": not differences,
                "frames": frames,
                "corrections": corrections,
                "differences": [
                    {"of": one.of, "what": one.what, "largest": one.largest} for one in differences
                ],
                "other_versions": others,
            }
        )
        if not differences:
            lines.append(
                f"survey {survey.number}: the same digits from {frames} frames, "
                f"{corrections} corrections after it"
            )
            continue
        lines.append(f"survey {survey.number}: not the same digits")
        lines += [f"  {difference}" for difference in differences]
        lines += [f"  made with {name} {then}, now {now}" for name, (then, now) in others.items()]
    same = sum(result["identical"] for result in results)
    output.result(
        {"identical": same == len(results), "surveys": results},
        *lines,
        f"{same} of {len(results)} surveys give the same digits",
    )
    return ExitCode.GOOD if same == len(results) else ExitCode.NOT_GOOD_ENOUGH


def _differences(reader: JournalReader, survey: KeptSurvey) -> tuple[list[Difference], int, int]:
    """Return what comes out otherwise, and from how many frames and corrections."""
    if survey.record is None:
        return [Difference(of="survey", what="is damaged in the journal")], 0, 0
    frames = reader.frames_of(survey.number)
    whole = [frame for frame in frames if frame is not None]
    if len(whole) < len(survey.record.frame_keys):
        text = f"has {len(whole)} of its {len(survey.record.frame_keys)} frames left"
        return [Difference(of="survey", what=text)], len(whole), 0
    found = differing_survey(survey.record, whole)
    of_live, corrections = differing_corrections(survey.record, reader.live_of(survey.number))
    return [*found, *of_live], len(whole), corrections


def _other_versions(record: SurveyRecord | None) -> dict[str, tuple[str, str]]:
    now = computing_versions()
    then = record.versions if record is not None else now
    return {
        name: (then.get(name, "none"), now.get(name, "none"))
        for name in sorted({*then, *now})
        if then.get(name) != now.get(name)
    }


def _export(reader: JournalReader, options: argparse.Namespace, output: Output) -> ExitCode:
    path, rows = export(reader, options.what, options.of)
    output.result(
        {"file": str(path), "of": options.of, "rows": rows},
        f"wrote {rows} {options.of} to {path}",
    )
    return ExitCode.GOOD


def _whole(survey: KeptSurvey) -> SurveyRecord:
    if survey.record is None:
        raise MeasurementError(
            f"survey {survey.number} is damaged in the journal",
            remedy="The other surveys can be read; check the disk or memory card.",
            code="journal_damaged",
        )
    return survey.record


def _line(survey: KeptSurvey, figures: dict[str, Any]) -> str:
    record = survey.record
    if record is None:
        return f"{survey.number:>4}  damaged in the journal"
    left_out = f", {figures['rejected']} left out" if figures["rejected"] else ""
    return (
        f"{survey.number:>4}  {record.estimate.instant:%Y-%m-%d %H:%M} UTC  "
        f"off by {figures['total_error_arcmin']:.2f} arcmin "
        f"+- {figures['total_error_sigma_arcmin']:.2f} "
        f"(altitude {figures['altitude_error_arcmin']:+.2f}, "
        f"azimuth {figures['azimuth_error_arcmin']:+.2f})  "
        f"{figures['verdict'].replace('_', ' ')}, {figures['frames']} frames{left_out}"
    )


def _frame_figures(frame: FrameRecord | None) -> dict[str, Any]:
    if frame is None:
        return {"damaged": True}
    attitude = frame.attitude
    return {
        "label": frame.observed.label,
        "instant": frame.observed.instant.isoformat(),
        "instant_sigma_s": attitude.mid_exposure_sigma_s,
        "camera": frame.camera,
        "matched_stars": attitude.matched,
        "scale_arcsec_px": attitude.scale_arcsec_px,
        "rms_arcsec": attitude.rms_arcsec,
        "solver": attitude.solver,
        **trail_figures(attitude.elongation),
        "enu_from_camera": frame.observed.enu_from_camera.tolist(),
    }


def _frame_line(frame: FrameRecord | None, record: SurveyRecord) -> str:
    if frame is None:
        return "  a frame that is damaged in the journal"
    attitude, label = frame.attitude, frame.observed.label
    residual = "left out"
    if label in record.estimate.labels:
        row = record.estimate.residuals_arcsec[record.estimate.labels.index(label)]
        residual = "residual roll {:+.1f}, columns {:+.1f}, rows {:+.1f} arcsec".format(*row)
    trails = trail_words(attitude.elongation)
    return (
        f"  {label} at {frame.observed.instant:%H:%M:%S}: {attitude.matched} stars, "
        f"{attitude.rms_arcsec:.2f} arcsec rms, {residual}{f', {trails}' if trails else ''}"
    )
