"""True scale, measured on the drawn sheets: PDF by pypdf and Poppler, SVG by an XML parser."""

from __future__ import annotations

import math
import shutil

import numpy as np
import pytest

from builder.capture import PlanInput, make_plan
from builder.capture.centre import HALF_OPENING_DEG, rest_in_notch
from builder.capture.disc import Disc
from builder.capture.drawing import MARGIN_MM, PAPERS, Area, Circle, Line, Text, Window
from builder.capture.grey import encoded_grey
from builder.capture.pdf import draw_pdf
from builder.capture.ring import ring_shapes, ring_sheets, tile_disc
from builder.capture.svg import draw_svg
from builder.capture.tape import cut_strips, rim_tape_sheets, tape_length
from builder.capture.write import printables
from tests.capture_reading import (
    dark_middles,
    fitted_circle,
    joined_ring,
    length,
    near,
    pdf_pages,
    pdf_segments,
    rasterised,
    svg_segments,
)

WITHIN_MM = 0.05


def all_sheets(**wanted):
    plan = make_plan(PlanInput(**{"diameter_mm": 330.0, "subject_mm": (250, 130, 235)} | wanted))
    return [(name, sheet) for name, _, sheets in printables(plan) for sheet in sheets]


@pytest.mark.parametrize("paper", ["a4", "letter", "a3"])
def test_every_sheet_carries_its_control_lines_and_the_right_size(paper):
    for name, sheet in all_sheets(paper=paper):
        (page,) = pdf_pages(draw_pdf([sheet], name))
        size = sorted(float(side) * 25.4 / 72 for side in page.mediabox[2:])
        assert size == pytest.approx(sorted((PAPERS[paper].width_mm, PAPERS[paper].height_mm)), abs=1e-3)
        level = [length(s) for s in pdf_segments(page) if near(s[1], s[3], 1e-6)]
        assert any(near(run, 100, WITHIN_MM) for run in level), name
        assert any(near(run, 101.6, WITHIN_MM) for run in level), name


@pytest.mark.parametrize(
    "diameter, frames, paper", [(330, 36, "a4"), (342.9, 30, "letter"), (150, 24, "a4"), (620, 48, "a3")]
)
def test_ring_read_back_and_laid_together(diameter, frames, paper):
    """Marks of all sheets, joined by the register marks: a circle of the disc's size, chords D·sin(π/N)."""
    disc, tiling = Disc(diameter), tile_disc(Disc(diameter), PAPERS[paper])
    pdf = draw_pdf(ring_sheets(disc, frames, "clockwise", None, PAPERS[paper]), "ring")
    ends, apart = joined_ring([pdf_segments(page) for page in pdf_pages(pdf)], tiling.columns, tiling.rows)
    assert apart <= WITHIN_MM
    assert len(ends) == frames
    x, y, radius = fitted_circle(ends)
    assert radius == pytest.approx(diameter / 2, abs=WITHIN_MM)
    order = np.argsort(np.arctan2(ends[:, 1] - y, ends[:, 0] - x))
    chords = np.linalg.norm(np.diff(ends[[*order, order[0]]], axis=0), axis=1)
    assert np.abs(chords - diameter * math.sin(math.pi / frames)).max() <= WITHIN_MM


def test_ring_numbers_run_the_way_the_disc_turns():
    """Turning clockwise seen from above, the mark right of the pointer at the bottom comes next."""

    def place(turn):
        second = next(s for s in ring_shapes(Disc(330), 36, turn, None) if isinstance(s, Text) and s.text == "2")
        return second.x, second.y

    (x, y), (x_other, _) = place("clockwise"), place("counterclockwise")
    assert x > 0 and y > 0 and x_other == pytest.approx(-x)


@pytest.mark.parametrize(
    "diameter, frames, paper, thickness",
    [
        (330, 36, "a4", 0.1),
        (342.9, 30, "letter", 0.25),
        (900, 48, "a3", 0.1),
        (330, 2, "a4", 0.1),
        (200, 720, "a4", 0),
    ],
)
def test_rim_tape_read_back(diameter, frames, paper, thickness):
    """Strips end to end are π(D + t) long and hold N marks π(D + t)/N apart, joins included."""
    sheets = rim_tape_sheets(Disc(diameter), frames, "clockwise", thickness, 15, PAPERS[paper])
    wanted = math.pi * (diameter + thickness)
    laid, total = [], 0.0
    for page in pdf_pages(draw_pdf(sheets, "tape")):
        segments = pdf_segments(page)
        lefts = sorted(
            (s for s in segments if near(s[0], MARGIN_MM) and near(s[2], MARGIN_MM) and near(length(s), 15)),
            key=lambda s: min(s[1], s[3]),
        )
        for left in lefts:
            top = min(left[1], left[3])
            end = next(
                max(s[0], s[2])
                for s in segments
                if near(s[1], top) and near(s[3], top) and near(min(s[0], s[2]), MARGIN_MM)
            )
            laid += sorted(
                total + s[0] - MARGIN_MM
                for s in segments
                if near(s[0], s[2])
                and near(min(s[1], s[3]), top)
                and length(s) < 10
                and not near(s[0], MARGIN_MM, 1e-6)
                and not near(s[0], end, 1e-6)
            )
            total += end - MARGIN_MM
    assert total == pytest.approx(wanted, abs=WITHIN_MM)
    assert len(laid) == frames
    gaps = np.diff([*laid, laid[0] + total])
    assert np.abs(gaps - wanted / frames).max() <= WITHIN_MM


def test_strips_fit_and_keep_joins_off_the_marks():
    for total, spacing in ((1037.0, 28.8), (1037.0, 518.5), (3000.0, 83.3), (60.0, 30.0), (3000.0, 100.0)):
        strips = cut_strips(total, spacing, 267)
        assert strips[0].start_mm == 0 and strips[-1].end_mm == total
        for strip in strips:
            assert 0 < strip.end_mm - strip.start_mm <= 267 + 1e-6
        for strip in strips[1:]:
            off = (strip.start_mm / spacing - 0.5) % 1
            assert min(off, 1 - off) * spacing >= 3 - 1e-9


@pytest.mark.skipif(not shutil.which("pdftoppm"), reason="Poppler's pdftoppm isn't installed")
def test_rim_tape_measured_on_the_printed_picture(tmp_path):
    """600 dpi by Poppler: a row through the first strip's marks, their middles against π(D + t)/N."""
    pdf = tmp_path / "tape.pdf"
    pdf.write_bytes(draw_pdf(rim_tape_sheets(Disc(330), 36, "clockwise", 0.1, 15, PAPERS["a4"]), "tape"))
    picture = rasterised(pdf, 600)
    row = round((MARGIN_MM + 13 + 2) * 600 / 25.4)
    middles = dark_middles(picture[row]) * 25.4 / 600
    marks = middles[1:10]  # after the strip's left edge; nine marks to a strip
    assert np.abs(np.diff(marks) - tape_length(Disc(330), 0.1) / 36).max() <= WITHIN_MM
    assert marks[0] - middles[0] == pytest.approx(tape_length(Disc(330), 0.1) / 72, abs=WITHIN_MM)


@pytest.mark.skipif(not shutil.which("pdftoppm"), reason="Poppler's pdftoppm isn't installed")
def test_sheets_stay_inside_the_printers_margins(tmp_path):
    """Nothing within 6 mm of the paper's edge, on any sheet, as drawn by Poppler."""
    for name, sheet in all_sheets():
        pdf = tmp_path / f"{name}.pdf"
        pdf.write_bytes(draw_pdf([sheet], name))
        picture = rasterised(pdf, 60)
        edge = round(6 * 60 / 25.4)
        inside = picture[edge:-edge, edge:-edge]
        assert (inside < 128).sum() == (picture < 128).sum() > 300, name
        assert (picture < 128).mean() < 0.6


def test_svg_and_pdf_draw_the_same():
    for name, sheet in all_sheets():
        from_pdf = np.array(pdf_segments(pdf_pages(draw_pdf([sheet], name))[0]))
        svg = draw_svg(sheet)
        from_svg = np.array(svg_segments(svg))
        assert f'width="{sheet.paper.width_mm:g}mm" height="{sheet.paper.height_mm:g}mm"' in svg
        assert f'viewBox="0 0 {sheet.paper.width_mm:g} {sheet.paper.height_mm:g}"' in svg
        assert from_pdf.shape == from_svg.shape and len(from_pdf) > 5
        assert np.abs(from_pdf - from_svg).max() <= 0.001


def test_sheets_are_black_on_white():
    """Only the grey card has large grey areas; anything cut along is black and at most 0.3 mm wide."""

    def shapes(sheet):
        for shape in sheet.shapes:
            yield from shape.shapes if isinstance(shape, Window) else (shape,)

    for name, sheet in all_sheets():
        for shape in shapes(sheet):
            if isinstance(shape, (Line, Circle)):
                assert shape.width <= 0.6 and shape.grey <= 0.5
            if isinstance(shape, Area) and name != "grey-card":
                assert shape.grey >= 0.9 or name == "coded-tape"


@pytest.mark.parametrize("diameter", [60, 200, 330, 600])
def test_centre_finder_by_geometry(diameter):
    """The circle about the marked centre touches both sides, or passes the flaps' ends."""
    reach, radius = 102.0, diameter / 2
    notch = rest_in_notch(Disc(diameter), reach)
    alpha = math.radians(HALF_OPENING_DEG)
    side = np.array([math.sin(alpha), math.cos(alpha)])
    centre = np.array([0, notch.centre_mm])
    if notch.touch_mm < reach:
        assert abs(centre[0] * side[1] - centre[1] * side[0]) == pytest.approx(radius)
        assert centre @ side == pytest.approx(notch.touch_mm)
    else:
        assert math.dist(side * reach, centre) == pytest.approx(radius)


def test_middle_grey_is_118():
    """18 % reflectance is sRGB 118 by IEC 61966-2-1 (117.6, computed; colour-science agrees)."""
    colour = pytest.importorskip("colour")
    assert encoded_grey(0.18) == pytest.approx(float(colour.models.eotf_inverse_sRGB(0.18)), abs=1e-6)
    assert round(encoded_grey(0.18) * 255) == 118
