"""The matrix of devices: which mount meets which camera, and what came out when it was run."""

import itertools
import json
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

RESULTS = Path(__file__).with_name("device_matrix.json")
ALL_PAIRS_RESULTS = Path(__file__).with_name("device_matrix_all_pairs.json")


@dataclass(frozen=True, kw_only=True)
class Kind:
    """One kind of device: how the simulator is told, what is set, and what must come out.

    ``expected`` is the code of the error that a survey must end with; empty: it must succeed.
    """

    name: str
    words: str
    sky: dict[str, Any] = field(default_factory=dict)
    settings: dict[str, Any] = field(default_factory=dict)
    by_hand: bool = False
    expected: str = ""


MOUNTS = (
    Kind(name="german", words="German, with backlash and periodic error", sky={
        "ra_backlash_arcsec": 60.0, "dec_backlash_arcsec": 90.0, "periodic_error_arcsec": 15.0,
    }),
    Kind(name="fork", words="fork: one side of the pier", sky={"kind": "fork"}),
    Kind(name="j2000", words="coordinates of J2000 only", sky={"equinox": "j2000"}),
    Kind(name="side-unknown", words="does not tell its pier side", sky={"tells_pier_side": False}),
    Kind(name="creeps", words="says that it stands and creeps on for 2 arcmin", sky={
        "creep_arcmin": 2.0, "creep_s": 0.7,
    }),
    Kind(name="loses-steps", words="loses 2 % of every slew", sky={"lost_steps_fraction": 0.02}),
    Kind(name="refuses", words="refuses the third go-to", sky={"slews_obeyed": 2},
         expected="device_refused"),
    Kind(name="parked", words="parked", sky={"parked_at_start": True}, expected="parked"),
    Kind(name="tracker", words="tracker without go-to, turned by hand", sky={
        "kind": "tracker", "dec_index_arcmin": -2400.0,
    }, by_hand=True),
    Kind(name="no-link", words="no computer link and no drive, turned by hand", sky={
        "kind": "none", "dec_index_arcmin": -2400.0,
    }, by_hand=True),
)  # fmt: skip
CAMERAS = (
    Kind(name="mono-16", words="mono, 16 bits"),
    Kind(name="mono-8", words="mono, 8 bits", sky={"bits": 8}),
    Kind(name="bayer", words="colour (RGGB), 16 bits", sky={"bayer_pattern": "RGGB"}),
    Kind(name="binned", words="binned 2 x 2 by the settings", settings={"binning": 2}),
    Kind(name="bin-left", words="left binned 2 x 2 by another program", sky={"binning_left": 2}),
    Kind(name="window-left", words="left with a window by another program",
         sky={"window_left": True}),
    Kind(name="zlib", words="frames packed with zlib (`.fits.z`)", sky={"compression": "z"}),
    Kind(name="tiles", words="frames packed in tiles (`.fits.fz`), gain set",
         sky={"compression": "fz"}, settings={"gain": 60.0}),
    Kind(name="guide", words="guide head of a two-chip camera",
         sky={"guide_width_px": 1088, "guide_height_px": 816}, settings={"chip": "guide"}),
    Kind(name="12-mp", words="12 megapixels", sky={
        "width_px": 4000, "height_px": 3000, "pixel_size_um": 1.2, "optics_fwhm_um": 3.0,
    }),
)  # fmt: skip
SITES = ("south", "north")


@dataclass(frozen=True, kw_only=True)
class Case:
    """One mount with one camera somewhere."""

    mount: Kind
    camera: Kind
    site: str

    @property
    def name(self) -> str:
        """Short name, for the test and the table."""
        return f"{self.mount.name}+{self.camera.name}@{self.site}"


def cases(*, all_pairs: bool = False) -> list[Case]:
    """Return the cases: every kind of mount and every kind of camera at least once, or all pairs.

    Mounts that only refuse meet the first camera: no frame is taken with them.
    """
    able = [mount for mount in MOUNTS if not mount.expected]
    unable = [mount for mount in MOUNTS if mount.expected]
    if all_pairs:
        pairs = list(itertools.product(able, CAMERAS))
    else:
        pairs = [
            (able[index % len(able)], CAMERAS[index % len(CAMERAS)])
            for index in range(max(len(able), len(CAMERAS)))
        ]
    pairs += [(mount, CAMERAS[0]) for mount in unable]
    return [
        Case(mount=mount, camera=camera, site=SITES[index % 2])
        for index, (mount, camera) in enumerate(pairs)
    ]


@dataclass(frozen=True, kw_only=True)
class Result:
    """What came out of one case; figures None where the survey was meant to be refused."""

    case: str
    outcome: str
    off_arcsec: float | None = None
    sigma_arcsec: float | None = None
    chi2: float | None = None
    frames: int | None = None
    says: str = ""


def recorded(*, all_pairs: bool = False) -> dict[str, Result]:
    """Return the results of the last recorded run."""
    file = ALL_PAIRS_RESULTS if all_pairs else RESULTS
    if not file.exists():
        return {}
    return {one["case"]: Result(**one) for one in json.loads(file.read_text("utf-8"))}


def record(result: Result, *, all_pairs: bool = False) -> None:
    """Keep a result for the documentation."""
    known = recorded(all_pairs=all_pairs) | {result.case: result}
    order = [case.name for case in cases(all_pairs=all_pairs) if case.name in known]
    lines = ",\n".join(json.dumps(asdict(known[name])) for name in order)
    file = ALL_PAIRS_RESULTS if all_pairs else RESULTS
    file.write_text(f"[\n{lines}\n]\n", "utf-8")
