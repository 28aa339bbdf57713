"""The matrix of devices: every kind in it, and the recorded results belong to it."""

from tests.device_matrix import CAMERAS, MOUNTS, cases, recorded


def test_every_kind_of_mount_and_of_camera_is_in_the_matrix():
    ran = cases()
    assert {case.mount.name for case in ran} == {kind.name for kind in MOUNTS}
    assert {case.camera.name for case in ran} == {kind.name for kind in CAMERAS}


def test_all_pairs_hold_every_mount_that_measures_with_every_camera():
    able = [kind for kind in MOUNTS if not kind.expected]
    pairs = {(case.mount.name, case.camera.name) for case in cases(all_pairs=True)}
    assert pairs >= {(mount.name, camera.name) for mount in able for camera in CAMERAS}


def test_the_documented_results_are_those_of_the_matrix_as_it_is():
    """A kind that was added must be run before its results are told."""
    assert set(recorded()) == {case.name for case in cases()}


def test_all_pairs_were_run_once_and_each_came_out_as_it_must():
    ran = recorded(all_pairs=True)
    for case in cases(all_pairs=True):
        result = ran[case.name]
        assert result.outcome == (case.mount.expected or "measured"), result
        assert case.mount.expected or (result.chi2 is not None and result.chi2 < 18.4), result
    assert len(ran) == len(cases(all_pairs=True))
