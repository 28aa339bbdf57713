"""What a rehearsed watch is held against."""

from polewright.app.rehearsed_watch import _size


def test_a_bump_across_true_north_is_as_large_as_it_is():
    before = {"TRUE_AXIS_ALT_DEG": 60.0, "TRUE_AXIS_AZ_DEG": 359.97}
    after = {"TRUE_AXIS_ALT_DEG": 60.0, "TRUE_AXIS_AZ_DEG": 0.03}
    told = {
        # 0.06 deg of azimuth are 3.6 arcmin, half of that on the sky at 60 deg.
        "altitude_move_arcmin": 0.1, "altitude_move_sigma_arcmin": 0.1,
        "azimuth_move_on_sky_arcmin": 1.8, "azimuth_move_on_sky_sigma_arcmin": 0.1,
    }  # fmt: skip
    assert _size([told], before, after).held
    assert not _size([told | {"azimuth_move_on_sky_arcmin": 3.6}], before, after).held
