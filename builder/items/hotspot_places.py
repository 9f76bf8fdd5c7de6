"""An item's hotspots: from the catalogue's marks to what spin.json tells the viewer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from builder.catalog import Hotspot
from builder.catalog.reading import fault_at, slug_of
from builder.errors import InputError
from builder.frames.gather import Spin
from builder.items.numbers import frame_angles, kept_frames, only_frames
from builder.pages.text import render_markdown
from builder.spin import SpinMeasures

if TYPE_CHECKING:
    from builder.items.hotspots import Mark


@dataclass(frozen=True, slots=True)
class ItemSpot:
    """A fitted hotspot. places: px of each shown frame's upright photo; None where it is behind."""

    label: str
    text: str  # Markdown
    places: tuple[tuple[float, float] | None, ...]
    error_px: float
    large: bool  # the marks don't belong to one point
    worst_file: str  # the frame whose mark is furthest off

    def words(self, number: int) -> str:
        said = f"hotspot {number} ({self.label}) meets its marks to {self.error_px:.1f} px"
        if not self.large:
            return said
        return f"{said}, so they aren't all at the same point: look again, first of all at {self.worst_file}"


def fit_hotspots(spin: Spin, measures: SpinMeasures) -> tuple[ItemSpot, ...]:
    """Every hotspot of an item in every frame that is shown.

    Raises InputError for marks that can't fix a point: in frames too near in angle.
    """
    spots = spin.item.keys.hotspot
    if not spots:
        return ()
    import numpy as np

    from builder.items.hotspots import LARGE_SHARE, fit_points, in_sight, moved

    kept = kept_frames(measures)
    angles = frame_angles(only_frames(measures, kept), closed=spin.item.keys.closed)
    marks = [_marks(spot, spin, measures, kept, angles) for spot in spots]
    _refuse_near(spin, marks)
    photo = spin.photos[0]
    view, fitted = fit_points(marks, measures, (photo.width, photo.height), photo.focal35_mm)
    backwards = [np.linalg.inv(np.vstack([measures.frames[index].to_reference, [0, 0, 1]]))[:2] for index in kept]
    large_px = LARGE_SHARE * float(np.hypot(photo.width, photo.height))
    found = []
    for spot, one in zip(spots, fitted):
        seen = in_sight(one, angles, spot.visible)
        drawn = view.place(one.point, angles)
        places = tuple(moved(back, xy) if here else None for back, xy, here in zip(backwards, drawn, seen))
        worst = list(spot.at)[one.worst]
        found.append(ItemSpot(spot.label, spot.text, places, one.error_px, one.error_px > large_px, worst))
    return tuple(found)


def _marks(
    spot: Hotspot, spin: Spin, measures: SpinMeasures, kept: Sequence[int], angles: Sequence[float]
) -> list["Mark"]:
    from builder.items.hotspots import Mark, moved

    names = [photo.path.name for photo in spin.photos]
    marks = []
    for name, xy in spot.at.items():
        index = names.index(name)
        # A frame left out as a repeat stands where the shown frame before it does.
        shown = max((place for place, frame in enumerate(kept) if frame <= index), default=0)
        marks.append(Mark(angles[shown], moved(measures.frames[index].to_reference, xy)))
    return marks


def _refuse_near(spin: Spin, marks: Sequence[Sequence["Mark"]]) -> None:
    from builder.items.hotspots import NEAREST_DEG, too_near

    faults = [
        fault_at(
            spin.item.file, (*spin.item.place, "hotspot", number, "at"),
            f"the marked frames are too near in angle to fix '{spot.label}' in depth",
            f"Mark it in two frames {NEAREST_DEG:.0f}° to {180 - NEAREST_DEG:.0f}° apart; a third makes it surer.",
        )
        for number, (spot, placed) in enumerate(zip(spin.item.keys.hotspot, marks))
        if too_near([mark.angle_deg for mark in placed])
    ]  # fmt: skip
    if faults:
        raise InputError(*faults)


def viewer_spots(spots: Sequence[ItemSpot], facts: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The `hotspots` of spin.json: id, label, html and, a frame each, {x, y} as shares of the picture or null."""
    taken: set[str] = set()
    return [
        {
            "id": _id(spot.label, number, taken), "label": spot.label, "html": render_markdown(spot.text),
            "places": [_share(place, to, facts["full"]) for place, to in zip(spot.places, facts["to_output"])],
        }
        for number, spot in enumerate(spots, 1)
    ]  # fmt: skip


def _id(label: str, number: int, taken: set[str]) -> str:
    name = slug_of(label) or f"spot-{number}"
    name = f"{name}-{number}" if name in taken else name
    taken.add(name)
    return name


def _share(
    place: tuple[float, float] | None, to_output: Sequence[Sequence[float]], full: Sequence[int]
) -> dict[str, float] | None:
    """Share of the picture from its left and upper edge; None where the point is cropped away."""
    if place is None:
        return None
    x, y = ((row[0] * place[0] + row[1] * place[1] + row[2] + 0.5) / side for row, side in zip(to_output, full))
    return {"x": round(x, 4), "y": round(y, 4)} if 0 <= x <= 1 and 0 <= y <= 1 else None
