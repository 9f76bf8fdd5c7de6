"""Findings in words: what is printed is pinned, every kind can be made, verdicts follow from severities."""

from __future__ import annotations

import inspect

import pytest

from builder.findings import Wording, verdict_of, worst_first
from builder.spin import KINDS, Finding

WORDS = Wording([f"IMG_{number:04d}.jpg" for number in range(101, 137)])


def every_finding() -> list[Finding]:
    return [
        WORDS.duplicate(16, 15, 0.1, 2.5),
        WORDS.nothing_turns(identical=False),
        WORDS.skipped_step(18, 19, 20.4, 10.1, 15.2),
        WORDS.uneven_steps([3, 9], 1.4, 1.0, 10.0, "note"),
        WORDS.open_loop(41.0, 10.0, 15.0, "fail"),
        WORDS.blurred(21, 2.4, 0.75, "fail"),
        WORDS.soft(2.2, 1.37, 1600, "note"),
        WORDS.bumped(14, (9.0, -6.0), 0.3, 16.0, 1.0, lasting=True, severity="warn"),
        WORDS.unsteady([2, 3, 5, 8], 7.0, 1.0),
        WORDS.obstructed(4, 0.031, 0.002),
        WORDS.flicker([5], 0.2, 0.03, "warn", colour=False),
        WORDS.exposure_drift(-0.23, 0.03, "note"),
        WORDS.cast((3.0, 12.0), 3.0, "note"),
        WORDS.clipped([0, 1], 0.2, 0.03, "fail"),
        WORDS.cut_off([0, 1, 2], ["left"], 40, 16),
        WORDS.off_axis(-0.12, 0.05, "note"),
        WORDS.size_mismatch([7], (4000, 3000), (3000, 4000)),
        WORDS.unreadable("IMG_0140.jpg", "the file is empty"),
        WORDS.too_few_frames(1, 2, "fail"),
        WORDS.small_frames(1200, 1600, subject=False),
    ]


def test_every_kind_can_be_said():
    assert {finding.kind for finding in every_finding()} == set(KINDS)


@pytest.mark.parametrize("finding", every_finding(), ids=lambda finding: finding.kind)
def test_every_message_is_a_sentence_with_advice(finding):
    for text in (finding.message, finding.advice):
        assert text[0].isupper() and text.rstrip()[-1] in ".?]" and "  " not in text
    assert not any(word in finding.message for word in ("index", "None", "nan"))


def test_wording_of_what_costs_most():
    assert WORDS.duplicate(16, 15, 0.1, 2.5).message == (
        "Frame 17 (IMG_0117.jpg) repeats frame 16: the disc wasn't turned."
    )
    assert 'drop = ["IMG_0117.jpg"]' in WORDS.duplicate(16, 15, 0.1, 2.5).advice
    assert WORDS.skipped_step(18, 19, 20.4, 10.1, 15.2).message == (
        "From frame 19 (IMG_0119.jpg) to frame 20 (IMG_0120.jpg) the disc turned 20.4°, where 10.1° is usual: "
        "a mark was skipped."
    )
    assert "3 marks were skipped" in WORDS.skipped_step(18, 19, 40.0, 10.0, 15.2).message
    bump = WORDS.bumped(14, (9.0, -6.0), 0.3, 16.0, 1.0, lasting=True, severity="warn")
    assert bump.message == (
        "The camera was bumped before frame 15 (IMG_0115.jpg) and stayed there: the picture moved 9.0 px to the right "
        "and 6.0 px up, rolled +0.30°."
    )
    shake = WORDS.bumped(14, (0.1, 3.0), 0.01, 3.0, 1.0, lasting=False, severity="warn")
    assert shake.message == "The camera shook at frame 15 (IMG_0115.jpg): the picture moved 3.0 px down, then back."
    past = WORDS.open_loop(1.0, 10.0, 2.5, "warn")
    assert "goes past its start" in past.message and 'drop = ["IMG_0136.jpg"]' in past.advice


def test_a_blur_is_told_by_its_cause():
    plain = WORDS.blurred(21, 2.4, 0.75, "fail")
    assert plain.message.endswith("2.4 px softer than in the frames beside it.")
    assert WORDS.blurred(21, 2.4, 0.75, "fail", way="all").message.endswith("it is out of focus.")
    assert WORDS.blurred(21, 2.4, 0.75, "fail", way="sideways", still="sharp").message.endswith("still turning.")
    assert WORDS.blurred(21, 2.4, 0.75, "fail", way="sideways", still="smeared").message.endswith("the camera shook.")
    assert WORDS.blurred(21, 2.4, 0.75, "fail", way="sideways").message.endswith("something moved.")
    # at 2.74 px, twice the limit, a quarter of the width shows all there is
    assert "no more detail in them than 400 px can show" in WORDS.soft(2.74, 1.37, 1600, "warn").message


def test_an_unreadable_photo_has_a_place_where_its_name_is_one_of_the_frames():
    assert WORDS.unreadable("IMG_0103.jpg", "the picture is damaged").frames == (2,)
    assert WORDS.unreadable("IMG_0999.jpg", "the file is empty").frames == ()


def test_which_frames_are_listed_follows_the_contract():
    assert WORDS.duplicate(16, 15, 0.1, 2.5).frames == (16,)
    assert WORDS.skipped_step(18, 19, 20.4, 10.1, 15.2).frames == (18, 19)
    assert WORDS.bumped(14, (9, 9), 0.0, 12, 1, lasting=True, severity="warn").frames == (14,)
    assert WORDS.small_frames(1200, 1600, subject=False).severity == "warn"


@pytest.mark.parametrize(("ab", "hue"), [
    ((1, 9), "yellow"), ((-1, -9), "blue"), ((8, 2), "red"), ((-8, 1), "green"), ((7, 8), "warm orange"),
    ((7, -8), "purple"), ((-7, 8), "yellow-green"), ((-7, -8), "blue-green"),
])  # fmt: skip
def test_casts_have_plain_names(ab, hue):
    assert f"a {hue} cast" in WORDS.cast(ab, 3.0, "note").message


def test_long_lists_are_cut_short():
    text = WORDS.frames(list(range(20)))
    assert text == "frames 1, 2, 3, 4, 5, 6 and 14 more"
    assert WORDS.frames([4, 8]) == "frames 5 and 9"
    assert WORDS.frames(list(range(36))) == "all frames"
    cut = WORDS.cut_off(list(range(36)), ["left", "right", "top"], 40, 16)
    assert cut.message == "The subject is cut off at the left, right and top of the picture in all frames."


def test_verdicts_and_order():
    note, warn, fail = (Finding("cast", (3,), severity, 1, 0, "m", "a") for severity in ("note", "warn", "fail"))
    early = Finding("blurred", (1,), "fail", 1, 0, "m", "a")
    assert [verdict_of(f) for f in ([], [note], [note, warn], [warn, fail])] == ["ready", "ready", "notes", "reshoot"]
    assert worst_first([note, warn, fail, early]) == (early, fail, warn, note)


def test_all_methods_that_make_findings_are_covered():
    made = {
        name for name, method in inspect.getmembers(Wording, inspect.isfunction)
        if inspect.signature(method).return_annotation == "Finding"
    }  # fmt: skip
    assert len(made) == len(every_finding())
