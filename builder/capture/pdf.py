"""Sheets as PDF, true to scale: 1 mm is 72/25.4 units (ISO 32000-1). Same sheets, same bytes: no dates
inside.

ReportLab draws: long kept, BSD licence, six decimals in every coordinate, and a mode without dates.
The standard 14 fonts are used and not embedded.
"""

from __future__ import annotations

import io
from collections.abc import Sequence

from builder.capture.drawing import Area, Circle, Line, Shape, Sheet, Text, Window

POINTS = 72 / 25.4  # a millimetre


def draw_pdf(sheets: Sequence[Sheet], title: str) -> bytes:
    """One PDF, a page a sheet."""
    from reportlab.pdfgen.canvas import Canvas

    with io.BytesIO() as file:
        canvas = Canvas(file, invariant=1, pageCompression=1)
        canvas.setTitle(title)
        canvas.setCreator("Kickwheel")
        for sheet in sheets:
            canvas.setPageSize((sheet.paper.width_mm * POINTS, sheet.paper.height_mm * POINTS))
            for shape in sheet.shapes:
                _draw(canvas, shape, sheet.paper.height_mm)
            canvas.showPage()
        canvas.save()
        return file.getvalue()


def _draw(canvas, shape: Shape, page_mm: float) -> None:
    def at(x: float, y: float) -> tuple[float, float]:
        return x * POINTS, (page_mm - y) * POINTS

    match shape:
        case Line():
            _pen(canvas, shape)
            canvas.line(*at(shape.x1, shape.y1), *at(shape.x2, shape.y2))
        case Circle():
            _pen(canvas, shape)
            canvas.circle(*at(shape.x, shape.y), shape.radius * POINTS)
        case Area():
            canvas.setFillGray(shape.grey)
            path = canvas.beginPath()
            path.moveTo(*at(*shape.points[0]))
            for point in shape.points[1:]:
                path.lineTo(*at(*point))
            path.close()
            canvas.drawPath(path, stroke=0, fill=1)
        case Text():
            _write(canvas, shape, at(shape.x, shape.y))
        case Window():
            canvas.saveState()
            path = canvas.beginPath()
            x, y = at(shape.x, shape.y + shape.height)
            path.rect(x, y, shape.width * POINTS, shape.height * POINTS)
            canvas.clipPath(path, stroke=0, fill=0)
            for inner in shape.shapes:
                _draw(canvas, inner, page_mm)
            canvas.restoreState()


def _pen(canvas, shape: Line | Circle) -> None:
    canvas.setStrokeGray(shape.grey)
    canvas.setLineWidth(shape.width * POINTS)
    canvas.setDash([length * POINTS for length in shape.dash])


def _write(canvas, text: Text, place: tuple[float, float]) -> None:
    canvas.saveState()
    canvas.setFillGray(text.grey)
    canvas.setFont("Helvetica-Bold" if text.bold else "Helvetica", text.size * POINTS)
    canvas.translate(*place)
    canvas.rotate(-text.turn)
    {"start": canvas.drawString, "middle": canvas.drawCentredString, "end": canvas.drawRightString}[text.align](
        0, 0, text.text
    )
    canvas.restoreState()
