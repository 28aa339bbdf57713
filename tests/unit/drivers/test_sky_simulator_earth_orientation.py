"""The table of the Earth's orientation, against astropy's own reader of the same files."""

from pathlib import Path

import numpy as np
import pytest
from astropy.utils import iers
from astropy_iers_data import IERS_A_FILE, IERS_B_FILE

from polewright_drivers.sky_simulator.earth_orientation import read_table


def test_every_value_is_the_one_that_astropys_reader_takes():
    ours, theirs = read_table(Path(IERS_A_FILE), Path(IERS_B_FILE)), iers.IERS_Auto.read()
    assert len(ours) == len(theirs) > 18000
    assert len(ours.colnames) == 6
    for name in ours.colnames:
        assert np.array_equal(ours[name], theirs[name]), name
        assert getattr(ours[name], "unit", None) == getattr(theirs[name], "unit", None)
    for name, value in ours.meta.items():
        assert theirs.meta[name] == value
    days = np.arange(2460676.5, 2461400.5, 0.37)
    for mine, reference in (
        (ours.ut1_utc(days, return_status=True), theirs.ut1_utc(days, return_status=True)),
        (ours.pm_xy(days, return_status=True), theirs.pm_xy(days, return_status=True)),
    ):
        assert all(np.array_equal(a, b) for a, b in zip(mine, reference, strict=True))
    # Final, rapid and predicted values are all among them.
    assert {"B", "I", "P"} == set(ours["UT1Flag"])


def test_a_file_of_another_layout_is_not_read(tmp_path):
    other = tmp_path / "finals2000A.all"
    other.write_bytes(Path(IERS_A_FILE).read_bytes()[:-7])
    with pytest.raises(ValueError, match="known layout"):
        read_table(other, Path(IERS_B_FILE))
    days = tmp_path / "eopc04.1962-now"
    lines = Path(IERS_B_FILE).read_text().splitlines()
    days.write_text("\n".join(lines[:20000] + lines[20001:]) + "\n")
    with pytest.raises(ValueError, match="other days"):
        read_table(Path(IERS_A_FILE), days)
