"""Sheets as SVG, true to scale: one user unit is one millimetre. For a cutter, or to change by hand."""

from __future__ import annotations

from html import escape

from builder.capture.drawing import Area, Circle, Line, Shape, Sheet, Text, Window


def draw_svg(sheet: Sheet) -> str:
    """One SVG file, its size in mm."""
    width, height = _number(sheet.paper.width_mm), _number(sheet.paper.height_mm)
    clips: list[str] = []
    body = "\n".join(_draw(shape, clips) for shape in sheet.shapes)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm" '
        f'viewBox="0 0 {width} {height}" font-family="Helvetica, Arial, sans-serif">\n'
        f"<title>{escape(sheet.title)}</title>\n"
        + (f"<defs>{''.join(clips)}</defs>\n" if clips else "")
        + f'<rect width="{width}" height="{height}" fill="#fff"/>\n{body}\n</svg>\n'
    )


def _draw(shape: Shape, clips: list[str]) -> str:
    n = _number
    match shape:
        case Line():
            return f'<path d="M{n(shape.x1)} {n(shape.y1)}L{n(shape.x2)} {n(shape.y2)}"{_pen(shape)}/>'
        case Circle():
            place = f'cx="{n(shape.x)}" cy="{n(shape.y)}" r="{n(shape.radius)}"'
            return f'<circle {place} fill="none"{_pen(shape)}/>'
        case Area():
            points = " ".join(f"{n(x)},{n(y)}" for x, y in shape.points)
            return f'<polygon points="{points}" fill="{_colour(shape.grey)}"/>'
        case Text():
            turn = f' transform="rotate({n(shape.turn)} {n(shape.x)} {n(shape.y)})"' if shape.turn else ""
            anchor = f' text-anchor="{shape.align}"' if shape.align != "start" else ""
            bold = ' font-weight="700"' if shape.bold else ""
            return (
                f'<text x="{n(shape.x)}" y="{n(shape.y)}" font-size="{n(shape.size)}"{anchor}{bold}{turn} '
                f'fill="{_colour(shape.grey)}">{escape(shape.text)}</text>'
            )
        case Window():
            name = f"window-{len(clips) + 1}"
            clips.append(
                f'<clipPath id="{name}"><rect x="{n(shape.x)}" y="{n(shape.y)}" '
                f'width="{n(shape.width)}" height="{n(shape.height)}"/></clipPath>'
            )
            inner = "\n".join(_draw(part, clips) for part in shape.shapes)
            return f'<g clip-path="url(#{name})">\n{inner}\n</g>'


def _pen(shape: Line | Circle) -> str:
    dash = f' stroke-dasharray="{" ".join(map(_number, shape.dash))}"' if shape.dash else ""
    return f' stroke="{_colour(shape.grey)}" stroke-width="{_number(shape.width)}"{dash}'


def _colour(grey: float) -> str:
    return f"#{round(grey * 255):02x}" + f"{round(grey * 255):02x}" * 2


def _number(value: float) -> str:
    """A tenth of a micron is plenty; no exponent, no trailing zeros."""
    text = f"{value:.4f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
