"""Pattern databases in the cache: built once, whole, and built again when damaged."""

import os
import time
from pathlib import Path

import pytest

from polewright.adapters.solver.database import (
    DatabaseCache,
    FieldRange,
    default_cache_directory,
    main,
)

FIELD_DEG = 11.4


def test_a_range_serves_its_train_and_its_neighbours_only():
    fields = FieldRange.around(2.3)
    assert fields.low_deg == pytest.approx(2.3 * 0.88)
    assert fields.high_deg == pytest.approx(2.3 * 1.12)
    assert fields.serves(2.3)
    assert fields.serves(2.2)
    assert fields.serves(2.4)
    assert not fields.serves(2.0)
    assert not fields.serves(2.7)


def test_the_cache_directory_follows_the_base_directory_standard(monkeypatch):
    """XDG Base Directory Specification 0.8."""
    monkeypatch.setenv("XDG_CACHE_HOME", "/somewhere/cache")
    assert default_cache_directory() == Path("/somewhere/cache/polewright")
    monkeypatch.delenv("XDG_CACHE_HOME")
    monkeypatch.setenv("HOME", "/home/visitor")
    assert default_cache_directory() == Path("/home/visitor/.cache/polewright")


def test_a_database_is_built_once_and_found_again(tmp_path):
    cache = DatabaseCache(tmp_path / "deep" / "cache")
    assert cache.load(FIELD_DEG) is None
    path = cache.build(FIELD_DEG)
    assert [file.name for file in path.parent.iterdir()] == [path.name]
    fields, database = cache.load(FIELD_DEG * 1.03)
    assert fields.serves(FIELD_DEG)
    assert database.num_patterns > 10_000
    assert cache.load(FIELD_DEG * 1.3) is None


@pytest.mark.parametrize("damage", [b"", b"rubbish", None])
def test_a_damaged_database_is_removed_with_a_warning(tmp_path, damage, caplog):
    cache = DatabaseCache(tmp_path)
    path = cache.path(FieldRange.around(FIELD_DEG))
    if damage is None:
        whole = cache.build(FIELD_DEG).read_bytes()
        damage = whole[: len(whole) // 2]
    path.write_bytes(damage)
    assert cache.load(FIELD_DEG) is None
    assert not path.exists()
    assert "damaged" in caplog.text


def test_a_failed_write_leaves_nothing_behind(tmp_path, monkeypatch):
    monkeypatch.setattr(Path, "replace", lambda *_: (_ for _ in ()).throw(OSError("disk full")))
    with pytest.raises(OSError, match="disk full"):
        DatabaseCache(tmp_path).build(FIELD_DEG)
    assert list(tmp_path.iterdir()) == []


def test_old_drafts_are_swept_and_young_ones_are_left(tmp_path):
    old, young = tmp_path / "draft-old.tetra3", tmp_path / "draft-young.tetra3"
    old.touch()
    young.touch()
    long_ago = time.time() - 7200.0
    os.utime(old, (long_ago, long_ago))
    DatabaseCache(tmp_path).build(FIELD_DEG)
    assert not old.exists()
    assert young.exists()


@pytest.mark.parametrize("how_many", ["all", "fewer"])
def test_the_module_builds_from_its_arguments(tmp_path, how_many):
    assert main([str(tmp_path), str(FIELD_DEG), how_many]) == 0
    fewer = how_many == "fewer"
    assert DatabaseCache(tmp_path, fewer=fewer).load(FIELD_DEG) is not None
    assert DatabaseCache(tmp_path, fewer=not fewer).load(FIELD_DEG) is None


def test_fewer_patterns_take_at_most_four_fifths_of_the_room(tmp_path):
    sizes = [
        DatabaseCache(tmp_path, fewer=fewer).build(FIELD_DEG).stat().st_size
        for fewer in (True, False)
    ]
    assert sizes[0] < 0.8 * sizes[1]
