"""Where the camera stands and what it sees sharp. A thin lens and a pinhole, level picture, square pixels.

Depth-of-field formulas: thin-lens geometry, as in S. F. Ray, Applied Photographic Optics. Lengths in mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

FRAME35_DIAGONAL_MM = math.hypot(36, 24)  # 43.27: 35 mm-equivalent focal lengths compare diagonals
BLUR_SHARE = 1500  # circle of confusion = sensor diagonal / 1500; common practice, no source
GREEN_MM = 0.00055  # wavelength the eye sees best, 550 nm
CALM_SWINGS = 3.0  # nearer than 3 swings the near side swells; common practice, no source
# f-numbers in thirds of a stop as engraved on lenses (ISO 517 names the full stops)
F_NUMBERS = (
    1,
    1.1,
    1.2,
    1.4,
    1.6,
    1.8,
    2,
    2.2,
    2.5,
    2.8,
    3.2,
    3.5,
    4,
    4.5,
    5,
    5.6,
    6.3,
    7.1,
    8,
    9,
    10,
    11,
    13,
    14,
    16,
    18,
    20,
    22,
    25,
    29,
    32,
    36,
    40,
    45,
    51,
    57,
    64,
)


@dataclass(frozen=True, slots=True)
class Lens:
    """Focal length with the part of the sensor the picture uses."""

    focal_mm: float
    width_mm: float
    height_mm: float
    blur_mm: float  # circle of confusion


@dataclass(frozen=True, slots=True)
class Subject:
    """A box on the disc, centred on the axis. Turning, it sweeps a cylinder."""

    width_mm: float
    depth_mm: float
    height_mm: float

    @property
    def swing_mm(self) -> float:
        """Diameter of what it sweeps: twice its largest distance from the axis."""
        return math.hypot(self.width_mm, self.depth_mm)


def lens_of(
    focal_mm: float | None,
    focal35_mm: float | None,
    sensor_mm: tuple[float, float] | None,
    picture_px: tuple[int, int] | None,
) -> Lens:
    """The lens as the picture sees it, from any sufficient set of values.

    focal + sensor: taken as they are. focal + focal35 (a phone's Exif holds both): the sensor's diagonal is
    43.27 mm · focal / focal35. focal35 + sensor: the other way round. focal35 alone: a sensor of 43.27 mm
    diagonal in the picture's shape; the angle of view is right, depth of field is that of a 35 mm frame.
    The picture uses the largest part of the sensor that has its shape, and may stand upright on it.
    Raises ValueError when a true focal length has neither sensor nor focal35.
    """
    shape = picture_px or sensor_mm or (3, 2)
    if sensor_mm is None:
        if focal35_mm is None:
            raise ValueError("a true focal length needs the sensor size or the 35 mm-equivalent")
        diagonal = FRAME35_DIAGONAL_MM * ((focal_mm / focal35_mm) if focal_mm else 1.0)
        scale = diagonal / math.hypot(*shape)
        width, height = shape[0] * scale, shape[1] * scale
    else:
        diagonal = math.hypot(*sensor_mm)
        wide, narrow = max(sensor_mm), min(sensor_mm)
        sensor = (wide, narrow) if shape[0] >= shape[1] else (narrow, wide)
        scale = min(sensor[0] / shape[0], sensor[1] / shape[1])
        width, height = shape[0] * scale, shape[1] * scale
    if focal_mm is None:
        focal_mm = focal35_mm * diagonal / FRAME35_DIAGONAL_MM
    return Lens(focal_mm, width, height, diagonal / BLUR_SHARE)


def hyperfocal(focal_mm: float, f_number: float, blur_mm: float) -> float:
    """H = f²/(N·c) + f: focused there, everything from H/2 to infinity is sharp."""
    return focal_mm**2 / (f_number * blur_mm) + focal_mm


def sharp_range(distance_mm: float, focal_mm: float, f_number: float, blur_mm: float) -> tuple[float, float]:
    """Near and far limit of sharpness, in mm from the lens; far is infinite from the hyperfocal distance on.

    near = s(H − f)/(H + s − 2f), far = s(H − f)/(H − s).
    """
    h, s, f = hyperfocal(focal_mm, f_number, blur_mm), distance_mm, focal_mm
    return s * (h - f) / (h + s - 2 * f), (s * (h - f) / (h - s) if s < h else math.inf)


def f_number_needed(distance_mm: float, near_mm: float, far_mm: float, focal_mm: float, blur_mm: float) -> float:
    """The smallest f-number that keeps near_mm … far_mm sharp when focused at distance_mm.

    `sharp_range` solved for H, for both limits; the harder one counts.
    """
    s, f = distance_mm, focal_mm
    h_near = (near_mm * (s - 2 * f) + s * f) / (s - near_mm)
    h_far = s * (far_mm - f) / (far_mm - s)
    h = min(h_near, h_far)
    return f**2 / ((h - f) * blur_mm)


def best_focus(near_mm: float, far_mm: float, focal_mm: float) -> float:
    """Focus that blurs near and far alike: the image distances' harmonic mean, taken back through the lens.

    Blur is aperture·|v − v'|/v' for a point imaged at v' and focus at v; set equal for near and far.
    """
    v_near, v_far = (focal_mm * z / (z - focal_mm) for z in (near_mm, far_mm))
    v = 2 * v_near * v_far / (v_near + v_far)
    return focal_mm * v / (v - focal_mm)


def engraved(f_number: float) -> float | None:
    """The next f-number a lens has, at or above; None past f/64."""
    return next((stop for stop in F_NUMBERS if stop >= f_number * (1 - 0.01)), None)


def diffraction_f_number(distance_mm: float, lens: Lens) -> float:
    """Past this f-number the Airy disc, 2.44·λ·N·(1+m) across, outgrows the circle of confusion."""
    magnification = lens.focal_mm / (distance_mm - lens.focal_mm)
    return lens.blur_mm / (2.44 * GREEN_MM * (1 + magnification))


def image_distance(distance_mm: float, focal_mm: float) -> float:
    """Thin lens: v = f·s/(s − f)."""
    return focal_mm * distance_mm / (distance_mm - focal_mm)


def view_angle(extent_mm: float, focal_mm: float) -> float:
    """Angle of view in degrees for one side of the sensor, focused far away."""
    return math.degrees(2 * math.atan(extent_mm / (2 * focal_mm)))


def filled(distance_mm: float, subject: Subject, lens: Lens, elevation_deg: float) -> float:
    """Share of the picture that the turning subject fills at its largest: of width or height, whichever is
    more.

    The subject sweeps a cylinder; its two rims are followed all round, in perspective, seen by a camera that
    looks at the subject's middle from `elevation_deg` above the level.
    """
    v = image_distance(distance_mm, lens.focal_mm)
    tilt, radius = math.radians(elevation_deg), subject.swing_mm / 2
    worst = 0.0
    for level in (-subject.height_mm / 2, subject.height_mm / 2):
        for degree in range(0, 181, 2):
            toward, across = radius * math.cos(math.radians(degree)), radius * math.sin(math.radians(degree))
            depth = distance_mm - toward * math.cos(tilt) - level * math.sin(tilt)
            if depth <= 0:
                return math.inf
            up = level * math.cos(tilt) - toward * math.sin(tilt)
            worst = max(worst, 2 * across * v / (depth * lens.width_mm), 2 * abs(up) * v / (depth * lens.height_mm))
    return worst


def distance_to_fill(share: float, subject: Subject, lens: Lens, elevation_deg: float) -> float:
    """Distance from lens to axis at which the turning subject fills `share` of the picture at its largest.

    From far away it is s = f·W/(q·w) + f with the swing as W; near by, the near side's swelling counts too.
    Found by halving: `filled` falls steadily with distance.
    """
    near = lens.focal_mm * 1.001 + subject.swing_mm / 2
    far = near * 2
    while filled(far, subject, lens, elevation_deg) > share:
        far *= 2
    for _ in range(60):
        middle = (near + far) / 2
        near, far = (middle, far) if filled(middle, subject, lens, elevation_deg) > share else (near, middle)
    return far
