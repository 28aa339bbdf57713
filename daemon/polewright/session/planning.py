"""Planning: the evening's plan, what it makes of the wishes, and how it is told."""

from dataclasses import asdict

from polewright.core.geometry.directions import ARCMIN_RAD
from polewright.core.plan.evening_plan import EveningPlan
from polewright.session.messages import Message


def plan_body(plan: EveningPlan) -> Message:
    """Return a plan as it is told: ``plan`` in the ``schedule`` payload, and in replies."""
    tightest, window = plan.tightest, plan.window
    tolerance = None if tightest is None else tightest.tolerance
    return {
        "source": plan.asked.source.value,
        "targets": [
            {
                "name": target.name,
                "right_ascension_deg": round(target.right_ascension_deg, 5),
                "declination_deg": round(target.declination_deg, 5),
            }
            for target in plan.asked.targets
        ],
        "trains": [asdict(train) for train in plan.asked.trains],
        "start": None if window is None else window.start.isoformat(timespec="seconds"),
        "end": None if window is None else window.end.isoformat(timespec="seconds"),
        "verify_at": (
            None if plan.verify_at is None else plan.verify_at.isoformat(timespec="seconds")
        ),
        "tolerance_arcmin": (
            None if tolerance is None else round(tolerance.error_rad / ARCMIN_RAD, 4)
        ),
        "tolerance_reason": None if tolerance is None else tolerance.reason,
        "tightest_target": None if tightest is None else tightest.target or None,
        "tightest_train": None if tightest is None else tightest.train.name or None,
        "target_pole": plan.target_pole,
        "pole_reason": plan.pole_reason,
        "warnings": [asdict(warning) for warning in plan.warnings],
    }
