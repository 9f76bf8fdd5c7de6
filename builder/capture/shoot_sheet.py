"""The shoot sheet: the whole plan on paper, as a page and as a PDF with the same words."""

from __future__ import annotations

import io
from collections.abc import Iterator

from builder.capture import advice
from builder.capture.lengths import plain, ruler_name, ruler_unit, shown
from builder.capture.plan import Plan
from builder.capture.report import Section, marks_table, plan_sections
from builder.capture.templates import render

TITLE = "Shoot sheet"
MARK_COLUMNS = 4


def summary(plan: Plan) -> str:
    ruler = plan.wanted.ruler_mm
    return (
        f"{shown(plan.disc.diameter_mm, ruler)} disc · {plan.marks.frames} frames · "
        f"{plain(plan.marks.step_deg, 3)}° a step · {plain(plan.pace.seconds, 2)} s a frame"
    )


def lists(plan: Plan) -> list[Section]:
    """What is worked through point by point."""
    return [
        Section("Light and exposure", (), advice.light_advice(plan.wanted.mains_hz)),
        Section("Backdrop", (), advice.BACKDROP_ADVICE),
        Section("Checklist", (), advice.CHECKLIST),
        Section("Mind", (), advice.CAUTIONS),
    ]


def marks_heading(plan: Plan) -> str:
    return f"Marks: distance from the zero mark along the rim, in {ruler_unit(plan.wanted.ruler_mm)}"


def render_sheet_html(plan: Plan) -> str:
    paper = plan.paper.name if plan.paper else "a4"
    return render(
        "shoot-sheet.html",
        title=TITLE,
        summary=summary(plan),
        sections=plan_sections(plan),
        lists=lists(plan),
        marks_heading=marks_heading(plan),
        marks=marks_table(plan),
        ruler=ruler_name(plan.wanted.ruler_mm),
        page_size=f"{plan.paper.width_mm}mm {plan.paper.height_mm}mm" if plan.paper else paper,
    )


def render_sheet_pdf(plan: Plan) -> bytes:
    """ReportLab sets it; no dates inside, so the same plan gives the same bytes."""
    from reportlab.platypus import SimpleDocTemplate

    mm = 72 / 25.4
    with io.BytesIO() as file:
        document = SimpleDocTemplate(
            file,
            pagesize=(plan.paper.width_mm * mm, plan.paper.height_mm * mm),
            invariant=1,
            title=TITLE,
            creator="Kickwheel",
            leftMargin=15 * mm,
            rightMargin=15 * mm,
            topMargin=14 * mm,
            bottomMargin=14 * mm,
        )
        document.build(list(_flow(plan, document.width)))
        return file.getvalue()


def _flow(plan: Plan, width: float) -> Iterator[object]:
    """The sheet's parts, top to bottom."""
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import KeepTogether, Paragraph, Spacer

    body = ParagraphStyle("body", fontName="Helvetica", fontSize=8.8, leading=11.6)
    big = ParagraphStyle("big", body, fontName="Helvetica-Bold", fontSize=20, leading=24)
    head = ParagraphStyle(
        "head", body, fontName="Helvetica-Bold", fontSize=10.5, leading=13, spaceBefore=9, spaceAfter=3
    )
    yield Paragraph(_escaped(TITLE), big)
    yield Paragraph(_escaped(summary(plan)), body)
    for section in plan_sections(plan):
        parts: list[object] = [Paragraph(_escaped(section.title), head)]
        if section.rows:
            parts.append(_rows(section.rows, body, width))
        parts += [Paragraph(_escaped(sentence), body) for sentence in section.sentences]
        yield KeepTogether(parts)
        if section.title == "Disc and marks":
            yield (
                KeepTogether([Paragraph(_escaped(marks_heading(plan)), head)])
                if len(plan.marks.at_mm) > 160
                else KeepTogether([Paragraph(_escaped(marks_heading(plan)), head), _marks(plan, width)])
            )
            if len(plan.marks.at_mm) > 160:
                yield _marks(plan, width)
    for section in lists(plan):
        box = section.title == "Checklist"
        yield KeepTogether([Paragraph(_escaped(section.title), head), _points(section.sentences, box, body, width)])
    yield Spacer(1, 4)


def _rows(rows, style, width: float):
    from reportlab.platypus import Paragraph, Table, TableStyle

    cells = [
        [Paragraph(f"<b>{_escaped(label)}</b>", style), Paragraph(_escaped(value), style)] for label, value in rows
    ]
    return Table(
        cells,
        colWidths=[80, width - 80],
        hAlign="LEFT",
        style=TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("TOPPADDING", (0, 0), (-1, -1), 1),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 1),
            ]
        ),
    )


def _marks(plan: Plan, width: float):
    """Columns of frame, angle and distance, read down, then right; each row ends in a hair line to tick
    along.
    """
    from reportlab.platypus import Table, TableStyle

    marks = marks_table(plan)
    rows = -(-len(marks) // MARK_COLUMNS)
    columns = [marks[start : start + rows] for start in range(0, len(marks), rows)]
    cells = [["frame", "angle", "at", ""] * len(columns)]
    for row in range(rows):
        cells.append([cell for column in columns for cell in ((*column[row], "") if row < len(column) else ("",) * 4)])
    share = width / MARK_COLUMNS
    style = [
        ("FONT", (0, 0), (-1, -1), "Helvetica", 8.4),
        ("FONT", (0, 0), (-1, 0), "Helvetica", 7),
        ("TOPPADDING", (0, 0), (-1, -1), 1.2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.2),
        ("ALIGN", (0, 0), (-1, -1), "RIGHT"),
    ]
    for column in range(len(columns)):
        first = column * 4
        style += [
            ("LINEBELOW", (first, 0), (first + 2, -1), 0.25, (0.6, 0.6, 0.6)),
            ("FONT", (first + 2, 1), (first + 2, -1), "Helvetica-Bold", 8.4),
        ]
    return Table(
        cells,
        colWidths=[share * 0.22, share * 0.28, share * 0.35, share * 0.15] * len(columns),
        hAlign="LEFT",
        repeatRows=1,
        style=TableStyle(style),
    )


def _points(sentences, box: bool, style, width: float):
    from reportlab.platypus import Paragraph, Table, TableStyle

    cells = [["" if box else "–", Paragraph(_escaped(sentence), style)] for sentence in sentences]
    lines = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("FONT", (0, 0), (0, -1), "Helvetica", 8.8),
        ("TOPPADDING", (0, 0), (-1, -1), 1.5),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
    ]
    return Table(
        [[_tick_box() if box else mark, text] for mark, text in cells],
        colWidths=[14, width - 14],
        hAlign="LEFT",
        style=TableStyle(lines),
    )


def _tick_box():
    """An empty square, the height of a small letter."""
    from reportlab.graphics.shapes import Drawing, Rect

    drawing = Drawing(8, 9)
    drawing.add(Rect(0.5, 0.5, 7, 7, strokeWidth=0.5, fillColor=None))
    return drawing


def _escaped(text: str) -> str:
    from xml.sax.saxutils import escape

    return escape(text)
