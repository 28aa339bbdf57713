"""``polewright history learned``: what mount and optics taught, as the next evening finds it."""

import math
from typing import Any

from polewright.cli.output import ExitCode, Output
from polewright.core.axis.mechanical_floor import FloorEstimate
from polewright.core.geometry.directions import ARCMIN_RAD
from polewright.core.records import KnobRecord, Lessons, TrainRecord
from polewright.session.experience import mechanical_floors


def tell_learned(lessons: Lessons, output: Output) -> ExitCode:
    """Print knobs, optical trains and mechanical floors."""
    floors = mechanical_floors(lessons)
    lines = [_knob_line(record) for record in lessons.knobs]
    lines += [_train_line(record) for record in lessons.trains]
    lines += [_floor_line(mount, floor) for mount, floor in floors.items()]
    output.result(
        {
            "knobs": [_knob_figures(record) for record in lessons.knobs],
            "trains": [_train_figures(record) for record in lessons.trains],
            "mechanical_floors": [
                {
                    "mount": mount,
                    "floor_arcsec": floor.floor_arcsec,
                    "floor_sigma_arcsec": floor.sigma_arcsec,
                    "surveys": floor.surveys,
                }
                for mount, floor in floors.items()
            ],
        },
        *(lines or ["nothing is learned yet: survey, and report turns with `polewright turned`"]),
    )
    return ExitCode.GOOD


def _knob_figures(record: KnobRecord) -> dict[str, Any]:
    knob = record.knob
    known = knob.gain_rad is not None
    return {
        "mount": record.mount,
        "bolt": record.bolt.value,
        "at": record.at.isoformat(),
        "arcmin_per_turn": knob.gain_rad / ARCMIN_RAD if knob.gain_rad is not None else None,
        "arcmin_per_turn_sigma": knob.gain_sigma_rad / ARCMIN_RAD if known else None,
        "slack_turns": knob.slack_turns,
        "slack_sigma_turns": knob.slack_sigma_turns,
        "turns": len(knob.moves),
        "doubtful": knob.doubtful is not None,
    }


def _knob_line(record: KnobRecord) -> str:
    figures = _knob_figures(record)
    told = "not known yet"
    if figures["arcmin_per_turn"] is not None:
        told = (
            f"{figures['arcmin_per_turn']:+.1f} arcmin +- {figures['arcmin_per_turn_sigma']:.1f} "
            f"per turn clockwise, slack {figures['slack_turns']:.2f} turns"
        )
    doubt = ", the last turn did not fit" if figures["doubtful"] else ""
    return (
        f"{record.mount or 'turned by hand'}, {record.bolt.value} knob: {told}{doubt} "
        f"({record.at:%Y-%m-%d})"
    )


def _train_figures(record: TrainRecord) -> dict[str, Any]:
    key, train = record.key, record.train
    angle = train.position_angle_deg
    return {
        "camera": key.camera,
        "width_px": key.width_px,
        "height_px": key.height_px,
        "pixel_size_um": key.pixel_size_um,
        "at": record.at.isoformat(),
        "scale_arcsec_px": train.scale_arcsec_px,
        "radial": train.radial if train.radial_stars else None,
        "radial_stars": train.radial_stars,
        "mirrored": train.mirrored,
        "position_angle_deg": None if math.isnan(angle) else angle,
    }


def _train_line(record: TrainRecord) -> str:
    key, train = record.key, record.train
    bent = f"bent by {100.0 * train.radial:+.3f} % at the corners"
    return (
        f"{key.camera}, {key.width_px} x {key.height_px} pixels: "
        f"{train.scale_arcsec_px:.3f} arcsec per pixel, "
        f"{bent if train.radial_stars else 'lens not known yet'}, "
        f"{'mirrored' if train.mirrored else 'not mirrored'} ({record.at:%Y-%m-%d})"
    )


def _floor_line(mount: str, floor: FloorEstimate) -> str:
    return (
        f"{mount or 'turned by hand'}: wanders by {floor.floor_arcsec:.1f} arcsec "
        f"+- {floor.sigma_arcsec:.1f} from frame to frame ({floor.surveys} surveys)"
    )
