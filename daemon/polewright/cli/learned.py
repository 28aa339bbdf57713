"""``polewright history learned``: what mount, optics and sensors taught the next evening."""

import math
from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from polewright.adapters.journal.figures import bracket_figures, by_bracket, knob_figures
from polewright.cli.output import ExitCode, Output
from polewright.core.axis.mechanical_floor import FloorEstimate
from polewright.core.axis.pointing_mechanics import PointingTerms
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.records import KnobRecord, Lessons, PointingRecord, TrainRecord
from polewright.session.experience import mechanical_floors
from polewright.session.pointing_message import angle_words


def tell_learned(lessons: Lessons, output: Output) -> ExitCode:
    """Print knobs, optical trains, mechanical floors, pointing and brackets."""
    floors = mechanical_floors(lessons)
    lines = [_knob_line(record) for record in lessons.knobs]
    lines += [_train_line(record) for record in lessons.trains]
    lines += [_floor_line(mount, floor) for mount, floor in floors.items()]
    pointings = {(one.mount, one.camera): one for one in lessons.pointings}
    lines += [_pointing_line(record) for record in pointings.values()]
    brackets = [bracket_figures(records) for records in by_bracket(lessons.brackets)]
    lines += [_bracket_line(figures) for figures in brackets]
    output.result(
        {
            "brackets": brackets,
            "knobs": [knob_figures(record) for record in lessons.knobs],
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
            "pointings": [_pointing_figures(record) for record in pointings.values()],
        },
        *(lines or ["nothing is learned yet: survey, and report turns with `polewright turned`"]),
    )
    return ExitCode.GOOD


def _bracket_line(figures: Mapping[str, Any]) -> str:
    spread = figures["spread_deg"]
    sits = "" if spread is None else f", sits differently by {spread:.2f} deg from time to time"
    return (
        f"{figures['mount'] or 'turned by hand'}, sensor ({figures['bracket']}): held "
        f"{figures['off_deg']:.1f} deg crooked, sure to {figures['best_sigma_deg']:.1f} deg as "
        f"gravity shows it and to {figures['worst_sigma_deg']:.1f} deg as the compass does{sits} "
        f"({figures['surveys']} survey{'s' if figures['surveys'] > 1 else ''})"
    )


def _knob_line(record: KnobRecord) -> str:
    figures = knob_figures(record)
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


def _pointing_figures(record: PointingRecord) -> dict[str, Any]:
    sigmas = record.covariance_rad2.diagonal() ** 0.5
    names = [one.name.removesuffix("_rad") for one in fields(PointingTerms)]
    return {
        "mount": record.mount,
        "camera": record.camera,
        "at": record.at.isoformat(),
        "from_home": record.from_home,
        "fields": record.fields,
        "goto_arcsec": record.goto_arcsec,
        "check_promised_arcsec": record.check_promised_arcsec,
        "check_met_arcsec": record.check_met_arcsec,
        "terms": {
            name: {"arcsec": float(value) / ARCSEC_RAD, "sigma_arcsec": float(sigma) / ARCSEC_RAD}
            for name, value, sigma in zip(names, record.terms.array(), sigmas, strict=True)
        },
    }


def _pointing_line(record: PointingRecord) -> str:
    terms = _pointing_figures(record)["terms"]

    def told(name: str) -> str:
        term = terms[name]
        return f"{angle_words(term['arcsec'])} +- {angle_words(term['sigma_arcsec'])}"

    return (
        f"{record.mount} with {record.camera}: cone {told('cone')}, out of square "
        f"{told('non_perpendicularity')}, zero points {told('index_hour')} and "
        f"{told('index_declination')}; go-tos to {record.goto_arcsec:.0f} arcsec "
        f"({record.fields} fields, {record.at:%Y-%m-%d})"
    )
