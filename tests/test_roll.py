from __future__ import annotations

import tomllib
from datetime import datetime, timedelta

import pytest
from click.testing import CliRunner

from builder.cli import kickwheel
from builder.commands.start import sort_roll
from builder.errors import PhotoError
from builder.frames.roll import split_roll, usual_pause
from tests.pictures import write_photo


def shoot(folder, spins, *, pace_s=2.0, pause_s=90.0):
    """A camera roll: so many photos a spin, the camera's counter running on."""
    moment, number = datetime(2026, 4, 1, 9, 0, 0), 97
    for count in spins:
        for _ in range(count):
            write_photo(folder / f"IMG_{number}.jpg", time=moment.strftime("%Y:%m:%d %H:%M:%S"))
            moment += timedelta(seconds=pace_s)
            number += 1
        moment += timedelta(seconds=pause_s)


def test_a_roll_is_split_by_its_pauses(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    shoot(tmp_path / "roll", [24, 2, 12])
    (tmp_path / "roll" / "IMG_98.MOV").write_bytes(b"film")
    result = CliRunner().invoke(kickwheel, ["sort", "roll"])
    entries = tomllib.loads(result.stdout)["item"]
    assert [(e["from"], e["to"], e["frames"]) for e in entries] == [
        ("IMG_97.jpg", "IMG_120.jpg", "roll"),
        ("IMG_123.jpg", "IMG_134.jpg", "roll"),
    ]
    assert "too few for a turn, left out: IMG_121.jpg to IMG_122.jpg" in result.stderr
    assert "twins of a photo, counted once: IMG_98.MOV" in result.stderr


def test_entries_select_the_same_photos_again(tmp_path, monkeypatch):
    from builder.frames.photos import find_photos

    monkeypatch.chdir(tmp_path)
    shoot(tmp_path / "roll", [9, 10])
    entry = tomllib.loads(sort_roll(tmp_path / "roll", None).entries[1])["item"][0]
    found = find_photos(tmp_path / "roll", first=entry["from"], last=entry["to"], order=entry.get("order", "name"))
    assert [p.path.name for p in found.photos] == [f"IMG_{n}.jpg" for n in range(106, 116)]


def test_names_that_do_not_follow_time_are_ordered_by_time(tmp_path):
    for second in range(9):
        write_photo(tmp_path / f"p{9 - second}.jpg", time=f"2026:04:01 09:00:{second:02d}")
    assert 'order = "time"' in sort_roll(tmp_path, None).entries[0]


def test_pause_by_the_pace_of_the_hand():
    assert usual_pause([2, 2, 2, 90]) == 12
    assert usual_pause([0.5] * 9) == 10
    assert usual_pause([]) == 10


def test_no_times(tmp_path):
    write_photo(tmp_path / "a.jpg")
    from builder.frames.photos import find_photos

    with pytest.raises(PhotoError, match="no Exif time of shooting in 1 of 1 photos"):
        split_roll(find_photos(tmp_path).photos)
