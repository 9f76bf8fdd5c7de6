"""The camera's place for one turn, and what the picture will hold. Values only; the formulas are in
`optics`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from builder.capture import optics
from builder.capture.lengths import plain
from builder.capture.optics import Lens, Subject


@dataclass(frozen=True, slots=True)
class Camera:
    """Distances run from the lens to the turntable's axis."""

    lens: Lens
    distance_mm: float
    filled: float  # share of the picture the turning subject fills at its largest
    horizontal_fov_deg: float
    vertical_fov_deg: float
    f_number: float  # as given, or as needed
    near_mm: float  # limits of sharpness, focused on the axis
    far_mm: float  # may be infinite
    nearest_mm: float  # of the swing: what has to be sharp
    farthest_mm: float
    f_number_needed: float | None  # focused on the axis; None: no lens stops down that far
    best_focus_mm: float
    f_number_best_focus: float | None
    f_number_limit: float  # past it, diffraction blurs more than the depth of field allows
    px_per_mm: float | None  # at the axis
    edge_px_per_step: float | None
    edge_step_share: float | None  # the same, as a share of the picture's width
    finished_px: int | None  # width of the finished frame this picture can give, subject filling it as wanted
    notes: tuple[str, ...]

    @property
    def all_sharp(self) -> bool:
        return self.near_mm <= self.nearest_mm and self.far_mm >= self.farthest_mm


def place_camera(
    lens: Lens,
    subject: Subject,
    *,
    step_deg: float,
    share: float,
    distance_mm: float | None,
    elevation_deg: float,
    f_number: float | None,
    picture_px: tuple[int, int] | None,
    output_px: int,
) -> Camera:
    """A camera that sees the turning subject fill `share` of the picture, or the one at distance_mm.

    Raises ValueError when distance_mm is inside the turning subject's reach.
    """
    radius = subject.swing_mm / 2
    if distance_mm is None:
        distance_mm = optics.distance_to_fill(share, subject, lens, elevation_deg)
    elif distance_mm <= radius + lens.focal_mm:
        raise ValueError(f"the subject swings out to {radius:.0f} mm from the axis and would meet the camera")
    nearest, farthest = distance_mm - radius, distance_mm + radius
    needed = optics.f_number_needed(distance_mm, nearest, farthest, lens.focal_mm, lens.blur_mm)
    best = optics.best_focus(nearest, farthest, lens.focal_mm)
    needed_best = optics.f_number_needed(best, nearest, farthest, lens.focal_mm, lens.blur_mm)
    stop = optics.engraved(needed)
    used = f_number if f_number is not None else stop or optics.F_NUMBERS[-1]
    near, far = optics.sharp_range(distance_mm, lens.focal_mm, used, lens.blur_mm)
    filled = optics.filled(distance_mm, subject, lens, elevation_deg)
    on_sensor = optics.image_distance(distance_mm, lens.focal_mm) / distance_mm  # mm on the sensor a mm at the axis
    px_per_mm = picture_px[0] / lens.width_mm * on_sensor if picture_px else None
    edge_mm = radius * math.radians(step_deg)
    camera = Camera(
        lens=lens,
        distance_mm=distance_mm,
        filled=filled,
        horizontal_fov_deg=optics.view_angle(lens.width_mm, lens.focal_mm),
        vertical_fov_deg=optics.view_angle(lens.height_mm, lens.focal_mm),
        f_number=used,
        near_mm=near,
        far_mm=far,
        nearest_mm=nearest,
        farthest_mm=farthest,
        f_number_needed=stop,
        best_focus_mm=best,
        f_number_best_focus=optics.engraved(needed_best),
        f_number_limit=optics.diffraction_f_number(distance_mm, lens),
        px_per_mm=px_per_mm,
        edge_px_per_step=edge_mm * px_per_mm if px_per_mm else None,
        edge_step_share=edge_mm * on_sensor / lens.width_mm,
        finished_px=_finished_px(subject, px_per_mm, share, picture_px) if px_per_mm else None,
        notes=(),
    )
    return _with_notes(camera, subject, share, output_px, f_number is not None)


def _finished_px(subject: Subject, px_per_mm: float, share: float, picture_px: tuple[int, int]) -> int:
    """A square frame that the subject fills to `share`; no larger than the picture's long side."""
    return min(max(picture_px), round(max(subject.swing_mm, subject.height_mm) * px_per_mm / share))


def _with_notes(camera: Camera, subject: Subject, share: float, output_px: int, stop_given: bool) -> Camera:
    import dataclasses

    notes = []
    swing = subject.swing_mm
    if camera.filled > 1:
        notes.append(f"From {plain(camera.distance_mm, 0)} mm the turning subject doesn’t fit the picture: step back.")
    if camera.distance_mm < optics.CALM_SWINGS * swing:
        times = (optics.CALM_SWINGS * swing - camera.lens.focal_mm) / (camera.distance_mm - camera.lens.focal_mm)
        notes.append(
            f"The camera stands {camera.distance_mm / swing:.1f} swings away; nearer than 3 the near side "
            "swells. "
            f"A focal length about {times:.1f} times as long, from {plain(optics.CALM_SWINGS * swing, 0)} "
            "mm, "
            "looks calmer; or step back and let the crop do the rest."
        )
    if camera.f_number_needed is None:
        notes.append("No usual f-number keeps the whole swing sharp from here: step back.")
    elif stop_given and not camera.all_sharp:
        notes.append(
            f"f/{plain(camera.f_number)} does not keep the whole swing sharp: "
            f"f/{plain(camera.f_number_needed)}"
            f" does, or f/{plain(camera.f_number_best_focus)} when focused "
            f"{plain(camera.distance_mm - camera.best_focus_mm, 0)} mm in front of the axis. "
            "A phone’s f-number is fixed: step back and crop."
        )
    if (camera.f_number_needed or 0) > camera.f_number_limit:
        notes.append(
            f"Past f/{plain(camera.f_number_limit)} diffraction softens the whole picture: rather step back and crop."
        )
    if camera.finished_px is not None and camera.finished_px < output_px:
        notes.append(
            f"The finished frame will be about {camera.finished_px} px wide, less than the largest output "
            f"of {output_px} px: go nearer, or use a longer focal length or more pixels."
        )
    return dataclasses.replace(camera, notes=tuple(notes))
