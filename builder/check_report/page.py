"""The check report: one self-contained page with contact sheet, plots over the turn, and findings in words."""

from __future__ import annotations

import base64
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from builder.check_report.lines import angles_phrase, verdict_line
from builder.check_report.plots import PLOT_BOX, Plot, plots_of
from builder.errors import PhotoError
from builder.frames.photos import read_photo_image
from builder.spin import Finding, FrameMeasure, Photo, SpinMeasures
from builder.themes import themes_dir

THUMB_SIDE, SMALL_THUMB_SIDE = 200, 120  # px; the smaller one where a spin has many frames
MANY_FRAMES = 80


@dataclass(frozen=True, slots=True)
class Cell:
    """One picture of the contact sheet. picture: data URI, or None where the photo can't be read."""

    number: int
    frame: FrameMeasure
    picture: str | None
    width: int
    height: int
    marks: tuple[Finding, ...]
    angle: str

    @property
    def worst(self) -> str:
        return self.marks[0].severity if self.marks else ""


@dataclass(frozen=True, slots=True)
class Section:
    """One spin of the report."""

    spin: SpinMeasures
    verdict: str
    angles: str
    cells: tuple[Cell, ...]
    plots: tuple[Plot, ...]


def render_check_page(spins: Sequence[SpinMeasures], photos: Mapping[str, Sequence[Photo]]) -> str:
    """The report as HTML. photos: by slug, the photos of each spin in its frames' order."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(themes_dir() / "check"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    sections = [_section(spin, photos.get(spin.slug, ())) for spin in spins]
    return environment.get_template("report.html.j2").render(sections=sections, box=PLOT_BOX)


def _section(spin: SpinMeasures, photos: Sequence[Photo]) -> Section:
    side = SMALL_THUMB_SIDE if len(spin.frames) > MANY_FRAMES else THUMB_SIDE
    cells = tuple(
        _cell(spin, frame, photos[index] if index < len(photos) else None, side)
        for index, frame in enumerate(spin.frames)
    )
    return Section(spin, verdict_line(spin), angles_phrase(spin), cells, plots_of(spin))


def _cell(spin: SpinMeasures, frame: FrameMeasure, photo: Photo | None, side: int) -> Cell:
    picture, width, height = _thumb(photo, side) if photo else (None, side, side)
    marks = tuple(finding for finding in spin.findings if frame.index in finding.frames)
    return Cell(frame.index + 1, frame, picture, width, height, marks, _angle(frame, spin))


def _angle(frame: FrameMeasure, spin: SpinMeasures) -> str:
    """The frame's angle in words; empty where it isn't known."""
    return "" if frame.angle_deg is None or spin.angle_sigma_deg is None else f"{round(frame.angle_deg, 1) + 0.0:.1f}°"


def _thumb(photo: Photo, side: int) -> tuple[str | None, int, int]:
    """A small picture as a data URI, with its size; no Exif goes along."""
    try:
        image = read_photo_image(photo, long_side=side)
    except PhotoError:
        return None, side, side
    image.info.clear()
    packed = io.BytesIO()
    image.save(packed, "JPEG", quality=72)
    return "data:image/jpeg;base64," + base64.b64encode(packed.getvalue()).decode("ascii"), *image.size
