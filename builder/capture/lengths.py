"""Lengths as people write them, and as people read them. Everything inside is millimetres."""

from __future__ import annotations

import re
from fractions import Fraction

from builder.errors import InputError

INCH_MM = 25.4  # exact, by definition (international yard, 1959)
UNITS_MM = {
    "mm": 1.0,
    "cm": 10.0,
    "m": 1000.0,
    "in": INCH_MM,
    '"': INCH_MM,
    "inch": INCH_MM,
    "inches": INCH_MM,
}

_NUMBER = r"[+-]?(?:\d+\s+\d+/\d+|\d+/\d+|\d*[.,]?\d+|\d+[.,])"
_LENGTH = re.compile(rf"\s*({_NUMBER})\s*([a-zA-Z\"]*)\s*")
_SEPARATOR = re.compile(r"\s*[x×*]\s*", re.IGNORECASE)


def parse_length(text: str | float, place: str = "length") -> float:
    """A length in mm from "330mm", "33 cm", "13.5in", '13 1/2"'; a bare number is mm.

    The sign is kept, so that whoever checks the value can say what is wrong with it.
    Raises InputError when it isn't a number with a known unit.
    """
    found = _LENGTH.fullmatch(str(text))
    unit = found[2].lower() if found else ""
    if not found or (unit and unit not in UNITS_MM):
        raise InputError.at("plan", place, f"“{text}” is not a length", "Write it like 330mm, 33cm or 13.5in.")
    return _number(found[1], text, place) * UNITS_MM.get(unit, 1.0)


def parse_lengths(text: str, count: int, place: str) -> tuple[float, ...]:
    """`count` lengths joined by x, in mm: "250x130x235mm". A unit left out is taken from the last one."""
    parts = _SEPARATOR.split(str(text).strip())
    example = "x".join(("250", "130", "235")[:count]) + "mm"
    if len(parts) != count:
        raise InputError.at("plan", place, f"“{text}” is not {count} lengths joined by x", f"Write it like {example}.")
    last_unit = re.search(r"[a-zA-Z\"]*$", parts[-1])[0]
    with_unit = [part if re.search(r"[a-zA-Z\"]$", part) else part + last_unit for part in parts]
    return tuple(parse_length(part, place) for part in with_unit)


def parse_pixels(text: str, place: str = "picture") -> tuple[int, int]:
    """Width and height of a picture in px, from "4000x3000"."""
    found = re.fullmatch(r"\s*(-?\d+)\s*[x×*]\s*(-?\d+)\s*(?:px)?\s*", str(text), re.IGNORECASE)
    if not found:
        raise InputError.at("plan", place, f"“{text}” is not a picture size", "Write it like 4000x3000.")
    return int(found[1]), int(found[2])


def parse_number(text: str | float, place: str) -> float:
    """A plain number; "f/8" and "8" are the same f-number."""
    try:
        return float(str(text).strip().lower().removeprefix("f/").removeprefix("f").replace(",", "."))
    except ValueError:
        raise InputError.at("plan", place, f"“{text}” is not a number", "Write it like 8.") from None


def _number(text: str, whole: str | float, place: str) -> float:
    try:
        return float(sum(Fraction(part.replace(",", ".")) for part in text.split()))
    except (ZeroDivisionError, OverflowError):
        raise InputError.at("plan", place, f"“{whole}” is not a length", "Write it like 330mm or 1/16in.") from None


def inch_divisions(ruler_mm: float) -> int | None:
    """16 for a ruler divided in 1/16 in; None for a metric one."""
    per_inch = INCH_MM / ruler_mm
    whole = round(per_inch)
    return whole if whole and abs(per_inch - whole) < 1e-6 * per_inch else None


def plain(value: float, digits: int = 1) -> str:
    """A number without trailing zeros: 330, 28.8."""
    text = f"{value:.{digits}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text in ("-0", "") else text


def on_ruler(length_mm: float, ruler_mm: float) -> str:
    """A rounded length as its ruler shows it: "28.5", "1 7/16". The unit is `ruler_unit`."""
    divisions = inch_divisions(ruler_mm)
    if divisions is None:
        return plain(length_mm, 3) if ruler_mm % 1 else plain(length_mm, 0)
    length = Fraction(round(length_mm / ruler_mm), divisions)
    whole, rest = divmod(length, 1)
    return " ".join(part for part in (str(whole) if whole or not rest else "", str(rest) if rest else "") if part)


def ruler_unit(ruler_mm: float) -> str:
    return "in" if inch_divisions(ruler_mm) else "mm"


def ruler_name(ruler_mm: float) -> str:
    """ "1 mm", "1/16 in" """
    return f"{on_ruler(ruler_mm, ruler_mm)} {ruler_unit(ruler_mm)}"


def shown(length_mm: float, ruler_mm: float, digits: int = 1) -> str:
    """A length in the ruler's unit: "330 mm", "13.5 in"."""
    if inch_divisions(ruler_mm):
        return f"{plain(length_mm / INCH_MM, digits + 1)} in"
    return f"{plain(length_mm, digits)} mm"


def clock(seconds: float) -> str:
    """45 -> "0:45", 82.5 -> "1:22.5"."""
    tenths = round(seconds * 10)
    minutes, rest = divmod(tenths, 600)
    whole, tenth = divmod(rest, 10)
    return f"{minutes}:{whole:02d}" + (f".{tenth}" if tenth else "")
