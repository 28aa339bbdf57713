"""``polewright demo --day`` and ``--evening``: what came out, stage by stage."""

from polewright.app.day_rehearsal import DayReport
from polewright.app.evening_rehearsal import EveningReport
from polewright.app.rehearsed_person import Finding, Stage

DAY_CAUTION = (
    "This Sun is a drawing. With a real one: never look at it, through nothing; the filter IN "
    "FRONT of the objective, every finder capped; never leave the telescope alone."
)


def day_held(report: DayReport) -> bool:
    """Return whether every stage reached what it was to reach, and claimed honestly."""
    stages = all(stage.reached and stage.honest for stage in report.stages)
    return stages and all(finding.held for finding in _findings(report))


def day_lines(report: DayReport) -> tuple[str, ...]:
    """Return the verdict, and a line for each stage and each finding."""
    ended = report.stages[-1].true_arcmin * 60.0
    what = "evening" if isinstance(report, EveningReport) else "day"
    off = f"the axis was brought to {ended:.0f} arcsec off the pole in truth"
    if day_held(report):
        verdict = f"GOOD ENOUGH - the {what} succeeded: {off}, and every claim holds"
    else:
        verdict = f"the {what} failed: {off}; see what is marked below"
    return (
        verdict,
        f"{report.site}, seed {report.seed}: off by {report.initial_true_arcmin / 60.0:.2f} deg at "
        f"the start, {report.wall_s:.0f} s",
        f"  {'':26s} {'true':>9s} {'claimed':>10s}   sigma (arcmin)",
        *(_line(stage) for stage in report.stages),
        *(
            f"  {finding.name}: {finding.words}{'' if finding.held else ' - DOES NOT HOLD'}"
            for finding in _findings(report)
        ),
    )


def _findings(report: DayReport) -> tuple[Finding, ...]:
    return report.findings if isinstance(report, EveningReport) else ()


def _line(stage: Stage) -> str:
    marks = []
    if stage.to_reach_arcmin is not None:
        passed = "" if stage.reached else " - NOT REACHED"
        marks.append(f"to reach: {stage.to_reach_arcmin:g}{passed}")
    if not stage.honest:
        marks.append("CLAIM DOES NOT HOLD")
    return (
        f"  {stage.name:26s} {stage.true_arcmin:9.2f} {stage.claimed_arcmin:10.2f} "
        f"+- {stage.sigma_arcmin:6.2f}   {'; '.join(marks)}"
    ).rstrip()
