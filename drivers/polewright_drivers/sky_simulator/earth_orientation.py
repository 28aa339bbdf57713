"""Earth orientation: astropy's packaged table, read in a twentieth of its own reader's time.

The values are those that ``astropy.utils.iers.IERS_Auto`` makes of the same two files: Bulletin A
with its predictions (``finals2000A.all``), where there is one the final value of Bulletin B, and
that one from the C04 series (``eopc04.1962-now``) as far as this goes.
"""

from pathlib import Path

import astropy.units as u
import numpy as np
from astropy.utils import iers
from astropy_iers_data import IERS_A_FILE, IERS_B_FILE  # type: ignore[import-untyped]
from numpy.typing import NDArray

Column = NDArray[np.float64]

# Bytes as in readme.finals2000A of the IERS Rapid Service, counted from 1.
_DAY = (8, 15)
_POLE_FLAG, _UT1_FLAG = (17, 17), (58, 58)
_RAPID = ((19, 27), (38, 46), (59, 68))
_FINAL = ((135, 144), (145, 154), (155, 165))
# Columns of the C04 series, counted from 0: day, x, y, UT1-UTC.
_SERIES = (4, 5, 6, 7)


# No look-ups over the network: the packaged table, however old; beyond its end UT1 and polar
# motion are taken as constant, which turns the sky by under 15 arcsec.
iers.conf.auto_download = False
iers.conf.auto_max_age = None
iers.conf.iers_degraded_accuracy = "warn"


def use_packaged_table() -> None:
    """Let astropy take the packaged table."""
    if iers.IERS_Auto.iers_table is None:
        iers.IERS_Auto.iers_table = read_table(Path(IERS_A_FILE), Path(IERS_B_FILE))


def read_table(bulletins: Path, series: Path) -> iers.IERS_Auto:
    """Return polar motion and UT1-UTC as astropy takes them.

    Parameters
    ----------
    bulletins, series : Path
        ``finals2000A.all`` and ``eopc04.1962-now``.

    Raises
    ------
    ValueError
        Not of the known layout.
    """
    text = np.frombuffer(bulletins.read_bytes(), dtype="S1")
    width = int(np.argmax(text == b"\n")) + 1
    if width < _FINAL[2][1] or text.size % width:
        raise ValueError(f"{bulletins} is not a table of the known layout")
    lines = text.reshape(-1, width)
    pole_flag, rapid_ut1 = _words(lines, _POLE_FLAG), _numbers(lines, _RAPID[2])
    told = np.isfinite(rapid_ut1) & (pole_flag != b"")  # the last rows have only a date
    lines, pole_flag = lines[told], pole_flag[told]
    day = _numbers(lines, _DAY)
    rapid = [_numbers(lines, where) for where in _RAPID]
    final = [_numbers(lines, where) for where in _FINAL]

    day_of_series, *of_series = np.loadtxt(series, usecols=_SERIES, unpack=True)
    settled = day[np.isfinite(final[2])]
    first = int(np.searchsorted(day_of_series, settled[0], side="left"))
    end = int(np.searchsorted(day_of_series, settled[-1], side="right"))
    if not np.array_equal(day[: end - first], day_of_series[first:end]):
        raise ValueError(f"{series} has other days than {bulletins}")
    for column, better in zip(final, of_series, strict=True):
        column[: end - first] = better[first:end]

    no_pole, no_ut1 = np.isnan(final[0]) | np.isnan(final[1]), np.isnan(final[2])
    ut1_flag = _words(lines, _UT1_FLAG)
    predicted = min(int(np.searchsorted(flag, b"P")) for flag in (ut1_flag, pole_flag))
    return iers.IERS_Auto(
        {
            "MJD": day * u.d,
            "PM_x": np.where(no_pole, rapid[0], final[0]) * u.arcsec,
            "PM_y": np.where(no_pole, rapid[1], final[1]) * u.arcsec,
            "UT1_UTC": np.where(no_ut1, rapid[2], final[2]) * u.s,
            "PolPMFlag": np.where(no_pole, pole_flag, b"B").astype(str),
            "UT1Flag": np.where(no_ut1, ut1_flag, b"B").astype(str),
        },
        meta={"predictive_index": predicted, "predictive_mjd": float(day[predicted])},
    )


def _words(lines: NDArray[np.bytes_], where: tuple[int, int]) -> NDArray[np.bytes_]:
    """Return a column's words, empty where it is blank."""
    first, last = where
    column = np.ascontiguousarray(lines[:, first - 1 : last]).view(f"S{last - first + 1}").ravel()
    return np.char.strip(column)


def _numbers(lines: NDArray[np.bytes_], where: tuple[int, int]) -> Column:
    """Return a column's numbers, NaN where it is blank."""
    words = _words(lines, where)
    return np.where(words == b"", b"nan", words).astype(np.float64)
