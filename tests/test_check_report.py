"""The report: lines, JSON to the contract, and one page that stands alone."""

from __future__ import annotations

import json
import os
import re
from dataclasses import replace
from pathlib import Path

import html5lib
import pytest

from builder.check_report.lines import check_json, check_lines, has_failed
from builder.check_report.page import render_check_page
from builder.check_report.plots import LABEL_HEIGHT, PLOT_BOX, plots_of
from builder.findings import Wording, verdict_of
from builder.frames.photos import find_photos
from builder.spin import FrameMeasure, Photo, SpinMeasures
from tests.pictures import write_spin

NAMES = [f"IMG_{n:04d}.jpg" for n in range(1, 9)]


def spin(**changes) -> SpinMeasures:
    words = Wording(NAMES)
    findings = (words.blurred(3, 2.4, 0.75, "fail"), words.cast((2.0, 7.0), 3.0, "note"))
    frames = tuple(
        FrameMeasure(
            index, name, 45.0 * index, 45.0, 0.4 if index == 3 else 1.0, 0.01 * index, (2.0, 7.0),
            (0.5 * index, -0.25), 0.02, (1.0, 1.0, 1.0), blur_px=2.4 if index == 3 else 0.1,
        )
        for index, name in enumerate(NAMES)
    )  # fmt: skip
    whole = SpinMeasures(
        "enamel-pot", "photos/enamel-pot", 8, frames, findings, verdict_of(findings), 799.5, 0.2, "clockwise", 0.08,
        (0.9, 1.0, 1.13),
    )  # fmt: skip
    return replace(whole, **changes)


def unjudged() -> SpinMeasures:
    frames = tuple(replace(f, sharpness=None, exposure_ev=None, cast=None, blur_px=None) for f in spin().frames)
    return spin(frames=frames, findings=(), verdict="ready", angle_sigma_deg=None, turn=None, axis_x=None)


def test_lines_start_with_the_verdict_and_go_on_worst_first():
    lines = check_lines([spin(), unjudged()])
    assert lines[0] == "enamel-pot: reshoot. 8 frames, clockwise, steps known to 0.08°."
    assert lines[1].startswith("  fail: Frame 4 (IMG_0004.jpg) is blurred")
    assert lines[2].startswith("  note: The backdrop has a yellow cast")
    assert lines[3] == "enamel-pot: ready. 8 frames, direction unknown, steps can't be judged."
    assert has_failed([spin()]) and not has_failed([unjudged()])


def test_json_is_the_contract():
    page = json.loads(json.dumps(check_json([spin(), unjudged()]), allow_nan=False))
    assert page["version"] == 1
    item = page["items"][0]
    contract = {
        "slug",
        "source",
        "frame_count",
        "axis_x",
        "turn",
        "angle_sigma_deg",
        "verdict",
        "neutral_gain",
        "frames",
        "findings",
    }
    assert contract <= set(item)
    assert item["neutral_gain"] == [0.9, 1.0, 1.13]
    frame = item["frames"][3]
    wanted = {"index", "file", "angle_deg", "step_deg", "sharpness", "exposure_ev", "cast", "shift_px", "roll_deg"}
    assert wanted <= set(frame)
    assert frame["file"] == "IMG_0004.jpg" and frame["shift_px"] == [1.5, -0.25]
    assert set(item["findings"][0]) == {"kind", "frames", "severity", "measured", "limit", "message", "advice"}
    assert page["items"][1]["angle_sigma_deg"] is None and page["items"][1]["axis_x"] is None


def test_no_minus_zero_is_printed():
    frames = (FrameMeasure(0, "a.jpg", -0.0, -0.0001, roll_deg=-0.000001),)
    assert "-0.0" not in json.dumps(check_json([spin(frames=frames)]))


@pytest.fixture(scope="module")
def page(tmp_path_factory) -> str:
    photos = find_photos(write_spin(tmp_path_factory.mktemp("photos"), 8, gps=True)).photos
    return render_check_page([spin(), replace(unjudged(), slug="plain-pot")], {"enamel-pot": photos, "plain-pot": ()})


def test_page_is_valid_and_needs_nothing_from_elsewhere(page):
    html5lib.HTMLParser(strict=True).parse(page)
    assert not re.search(r'(src|href)="(?!data:|#)', page)
    assert "<script" not in page and "url(" not in page and "@import" not in page
    assert b"SERIAL" not in page.encode() and b"Owner" not in page.encode()


def test_every_plot_has_its_words(page):
    for described in re.findall(r'aria-describedby="([^"]+)"', page):
        text = re.search(rf'<p id="{described}">([^<]+)</p>', page)
        assert text and text[1].startswith("From ")
    assert page.count('role="img"') == len(plots_of(spin())) + len(plots_of(replace(unjudged(), slug="plain-pot")))


def test_contact_sheet_marks_the_blurred_frame(page):
    cell = re.search(r'<li class="cell fail">.*?</li>', page, re.S)[0]
    assert "IMG_0004.jpg" in cell and "blurred" in cell and 'alt="Frame 4"' in cell
    assert page.count("no picture") == 8  # the second spin's photos weren't given


def test_names_are_escaped(tmp_path):
    nasty = '<img src=x onerror="1">.jpg'
    frames = (FrameMeasure(0, nasty),)
    page = render_check_page([spin(frames=frames, findings=(Wording([nasty]).unreadable(nasty, "it's <odd>"),))], {})
    assert "<img src=x" not in page and "<odd>" not in page


def test_an_unreadable_photo_leaves_a_gap(tmp_path):
    gone = Photo(tmp_path / "gone.jpg", 40, 30)
    assert "no picture" in render_check_page([spin()], {"enamel-pot": [gone] * 8})


def test_plots_know_what_wasnt_measured():
    assert [plot.key for plot in plots_of(spin())] == ["step", "exposure", "sharpness", "shift", "roll"]
    assert [plot.key for plot in plots_of(unjudged())] == ["shift", "roll"]
    assert plots_of(spin(frames=())) == ()


def test_plots_carry_units_limits_and_marks():
    blur = next(plot for plot in plots_of(spin()) if plot.key == "sharpness")
    assert blur.unit == "px" and any(line.limit for line in blur.lines)
    assert [dot.marked for dot in blur.dots] == [index == 3 for index in range(8)]
    assert blur.dots[3].label == "frame 4: 2.40 px"
    assert blur.text == "From 0.10 px (frame 1) to 2.40 px (frame 4). Limits: seen from 0.75 px. Marked: frame 4."
    heights = [dot.y for dot in blur.dots]
    assert min(heights) == heights[3]  # up is more


def test_one_frame_and_three_hundred_can_be_plotted():
    one = spin(frames=spin().frames[:1])
    assert plots_of(one)
    many = tuple(replace(spin().frames[0], index=index) for index in range(300))
    plot = plots_of(spin(frames=many))[0]
    assert len(plot.x_ticks) <= 14 and plot.x_ticks[0].label == "1"


def test_template_ships_with_the_themes():
    folder = Path(__file__).parent.parent / "themes" / "check"
    assert {"report.html.j2", "report.css"} <= {file.name for file in folder.iterdir()}


AXE = Path(os.environ.get("KICKWHEEL_AXE") or Path(__file__).parent / ".out/node_modules/axe-core/axe.min.js")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_and_nothing_sticks_out(browser, page, tmp_path, scheme):
    """axe-core, WCAG 2.0 to 2.2 A and AA and its best practices; no sideways scrolling of the page at 320 px (1.4.10)."""
    if not AXE.is_file():
        pytest.skip("axe-core isn't here (npm install --prefix tests/.out axe-core); KICKWHEEL_AXE names the file")
    file = tmp_path / "report.html"
    file.write_text(page, "utf-8")
    context = browser.new_context(color_scheme=scheme, viewport={"width": 320, "height": 640})
    tab = context.new_page()
    tab.goto(file.as_uri())
    tab.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    assert tab.evaluate("document.documentElement.scrollWidth") <= 320
    tab.evaluate(AXE.read_text("utf-8"))
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    found = tab.evaluate("(tags) => axe.run(document, { runOnly: tags })", tags)
    assert [(v["id"], v["nodes"][0]["html"]) for v in found["violations"]] == []
    context.close()


def test_labels_of_levels_stand_clear_of_one_another_and_of_the_course():
    for plot in plots_of(spin()):
        rows = [line.label_y for line in plot.lines if line.label]
        assert all(below - above >= LABEL_HEIGHT for above, below in zip(rows, rows[1:], strict=False))
        assert max(dot.x for dot in plot.dots) <= PLOT_BOX["right"]
