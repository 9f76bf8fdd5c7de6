"""Marks and lengths against closed forms and worked examples."""

from __future__ import annotations

import math

import pytest

from builder.capture.disc import Disc, coincide, frames_for_step, mark_disc, measured_disc, to_ruler
from builder.capture.lengths import (
    clock,
    on_ruler,
    parse_length,
    parse_lengths,
    parse_number,
    parse_pixels,
    plain,
    ruler_name,
    shown,
)
from builder.errors import InputError

INCH = 25.4


def test_worked_example_of_common_practice():
    """13.5 in across: 42.4 in round, 30 marks 1.41 in apart (common practice, no source)."""
    disc = Disc(parse_length("13.5in"))
    marks = mark_disc(disc, 30, INCH / 16)
    assert round(disc.rim_mm / INCH, 1) == 42.4
    assert round(marks.arc_mm / INCH, 2) == 1.41
    assert marks.step_deg == 12


def test_arc_and_chord_against_closed_forms():
    """D 330 mm, N 36: arc 28.798 mm, chord 28.761 mm (computed by hand from πD/N and D·sin(π/N))."""
    marks = mark_disc(Disc(330), 36, 1)
    assert marks.arc_mm == pytest.approx(28.798, abs=5e-4)
    assert marks.chord_mm == pytest.approx(28.761, abs=5e-4)


@pytest.mark.parametrize("frames", [2, 3, 7, 24, 36, 72, 720])
def test_chords_close_a_polygon(frames):
    """Stepping the chord round the circle as vectors comes back to the start: independent of the formula."""
    marks = mark_disc(Disc(330), frames, 0.5)
    here = 0j
    heading = 1 + 0j
    turn = complex(math.cos(2 * math.pi / frames), math.sin(2 * math.pi / frames))
    for _ in range(frames):
        here, heading = here + marks.chord_mm * heading, heading * turn
    assert abs(here) < 1e-9
    radius = marks.chord_mm / 2 / math.sin(math.pi / frames)
    assert radius == pytest.approx(165)


@pytest.mark.parametrize("ruler", [1, 0.5, INCH / 16, INCH / 8])
def test_marks_are_rounded_each_on_its_own(ruler):
    marks = mark_disc(Disc(330), 36, ruler)
    for index, at in enumerate(marks.at_mm):
        exact = index * math.pi * 330 / 36
        assert abs(at - exact) <= ruler / 2 + 1e-6
        assert at / ruler == pytest.approx(round(at / ruler), abs=1e-5)
    worst = max(abs(at - index * math.pi * 330 / 36) for index, at in enumerate(marks.at_mm))
    assert marks.worst_error_mm == pytest.approx(worst)
    assert marks.worst_error_deg == pytest.approx(worst / (math.pi * 330) * 360)
    assert marks.at_mm[0] == 0


def test_worst_step_counts_the_gap_over_the_seam():
    marks = mark_disc(Disc(330), 36, 1)
    gaps = [b - a for a, b in zip(marks.at_mm, [*marks.at_mm[1:], math.pi * 330])]
    assert marks.worst_step_deg == pytest.approx(max(abs(g - marks.arc_mm) for g in gaps) / (math.pi * 330) * 360)


def test_stepping_a_rounded_spacing_piles_up():
    """D 330 mm, N 30 stepped at 34.5 mm leaves a last gap of 36.23 mm, 1.05 times the others (computed)."""
    stepping = mark_disc(Disc(330), 30, 0.5).stepping
    assert stepping.spacing_mm == 34.5
    assert stepping.last_gap_mm == pytest.approx(36.23, abs=5e-3)
    assert stepping.last_gap_ratio == pytest.approx(1.05, abs=5e-3)


def test_halves_round_up_and_leave_no_dust():
    assert to_ruler(0.5, 1) == 1 and to_ruler(2.5, 1) == 3
    assert to_ruler(0.3, 0.1) == 0.3


def test_marks_closer_than_the_ruler_coincide():
    assert coincide(mark_disc(Disc(20), 72, 1))
    assert not coincide(mark_disc(Disc(330), 72, 1))


@pytest.mark.parametrize("step, frames", [(10, 36), (9.9, 37), (7.5, 48), (180, 2), (360 / 7, 7)])
def test_fewest_frames_for_a_step(step, frames):
    assert frames_for_step(step) == frames


def test_two_measures_agree_within_a_percent():
    disc, faults = measured_disc(330, None, 1040)
    assert not faults and disc.rim_mm == pytest.approx(1040)  # the rim is what gets divided
    disc, faults = measured_disc(330, 165, 1100)
    assert disc is None
    assert [str(fault) for fault in faults] == [
        "plan: disc and rim: disc 330 mm makes the rim 1036.7 mm, but rim 1100 mm makes it 1100.0 mm: 5.8% "
        "apart. "
        "One was misread. Measure again, or give only the one you trust.",
        "plan: radius and rim: radius 165 mm makes the rim 1036.7 mm, but rim 1100 mm makes it 1100.0 mm: "
        "5.8% apart. "
        "One was misread. Measure again, or give only the one you trust.",
    ]


@pytest.mark.parametrize(
    "text, mm",
    [
        ("330mm", 330),
        ("33cm", 330),
        ("33 cm", 330),
        ("0.33m", 330),
        ("13.5in", 342.9),
        ('13 1/2"', 342.9),
        ("1/16in", 1.5875),
        ("33,5cm", 335),
        ("330", 330),
        (330, 330),
        ("-5mm", -5),
        (".5mm", 0.5),
        ("1e2", None),
        ("abc", None),
        ("", None),
        ("12ft", None),
        ("nan", None),
        ("mm", None),
        ("1/0in", None),
        ("9" * 400, None),
    ],
)
def test_lengths_as_people_write_them(text, mm):
    if mm is None:
        with pytest.raises(InputError, match="is not a length. Write it like"):
            parse_length(text)
    else:
        assert parse_length(text) == pytest.approx(mm)


def test_sizes_take_their_unit_from_the_last():
    assert parse_lengths("250x130x235mm", 3, "subject") == (250, 130, 235)
    assert parse_lengths("25 x 13 × 23.5cm", 3, "subject") == pytest.approx((250, 130, 235))
    assert parse_lengths("10inx5mmx1cm", 3, "subject") == pytest.approx((254, 5, 10))
    with pytest.raises(InputError, match="“1x2” is not 3 lengths joined by x"):
        parse_lengths("1x2", 3, "subject")


def test_pictures_and_numbers():
    assert parse_pixels("4000x3000") == (4000, 3000)
    with pytest.raises(InputError, match="“4000” is not a picture size"):
        parse_pixels("4000")
    assert parse_number("f/5,6", "f-number") == 5.6
    with pytest.raises(InputError, match="“wide” is not a number"):
        parse_number("wide", "f-number")


def test_lengths_as_people_read_them():
    sixteenth = INCH / 16
    assert on_ruler(to_ruler(36.5, sixteenth), sixteenth) == "1 7/16"
    assert on_ruler(0, sixteenth) == "0" and on_ruler(INCH, sixteenth) == "1"
    assert on_ruler(28.5, 0.5) == "28.5" and on_ruler(29, 1) == "29"
    assert ruler_name(INCH / 8) == "1/8 in" and ruler_name(0.5) == "0.5 mm"
    assert shown(342.9, sixteenth) == "13.5 in" and shown(330, 1) == "330 mm"
    assert plain(100, 0) == "100" and plain(-0.0) == "0"
    assert (clock(45), clock(82.5), clock(59.96)) == ("0:45", "1:22.5", "1:00")
