"""Everything a plan puts on paper or on a second phone, written to a folder."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from builder.capture.drawing import Sheet
from builder.capture.pace import LONGEST_TRACK_S, render_track, track_seconds
from builder.capture.plan import Plan
from builder.errors import OutputError

SMALLEST_BAR_MM = 1.0  # of the coded tape: finer bars run together in print


def write_plan(plan: Plan, out_dir: Path) -> list[Path]:
    """Writes the shoot sheet, the pace and the printables; returns their paths in that order.

    Files of an earlier plan with the same names are replaced. Raises OutputError when the folder can't be
    written.
    """
    contents = list(plan_files(plan))
    written = []
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
        for name, content in contents:
            path = out_dir / name
            path.write_bytes(content)
            written.append(path)
    except OSError as error:
        raise OutputError.at(
            out_dir, "", f"can't be written ({error.strerror})", "Choose another folder with --out."
        ) from error
    return written


def plan_files(plan: Plan) -> Iterator[tuple[str, bytes]]:
    """(file name, bytes): the same plan gives the same bytes."""
    from builder.capture.pace_page import render_pace_page
    from builder.capture.shoot_sheet import render_sheet_html, render_sheet_pdf

    yield "shoot-sheet.html", render_sheet_html(plan).encode()
    if plan.paper:
        yield "shoot-sheet.pdf", render_sheet_pdf(plan)
    yield "pace.html", render_pace_page(plan).encode()
    if track_seconds(plan.pace) <= LONGEST_TRACK_S:
        yield "pace.wav", render_track(plan.pace)
    for name, title, sheets in printables(plan):
        yield from _sheet_files(name, title, sheets)


def printables(plan: Plan) -> Iterator[tuple[str, str, list[Sheet]]]:
    """(file name, title, sheets) of everything drawn at true scale; nothing when no paper is wanted."""
    from builder.capture.centre import centre_sheet
    from builder.capture.coded_tape import coded_tape_sheets
    from builder.capture.grey import grey_sheet
    from builder.capture.ring import ring_sheets
    from builder.capture.tape import rim_tape_sheets
    from builder.rim.code import CELLS

    if plan.paper is None:
        return
    wanted, disc, frames = plan.wanted, plan.disc, plan.marks.frames
    footprint = wanted.subject_mm[:2] if wanted.subject_mm else None
    yield "ring", "Ring of marks", ring_sheets(disc, frames, wanted.turn, footprint, plan.paper)
    yield (
        "rim-tape",
        "Rim tape",
        rim_tape_sheets(disc, frames, wanted.turn, wanted.paper_thickness_mm, wanted.tape_height_mm, plan.paper),
    )
    if disc.rim_mm >= SMALLEST_BAR_MM * 2 * CELLS:
        yield (
            "coded-tape",
            "Coded rim tape",
            coded_tape_sheets(disc, frames, wanted.turn, wanted.paper_thickness_mm, wanted.tape_height_mm, plan.paper),
        )
    yield "centre-finder", "Centre finder", [centre_sheet(disc, plan.paper)]
    yield "grey-card", "Grey card", [grey_sheet(plan.paper)]


def _sheet_files(name: str, title: str, sheets: list[Sheet]) -> Iterator[tuple[str, bytes]]:
    from builder.capture.pdf import draw_pdf
    from builder.capture.svg import draw_svg

    yield f"{name}.pdf", draw_pdf(sheets, title)
    for sheet in sheets:
        yield f"{sheet.name}.svg", draw_svg(sheet).encode()
