"""The rendered turntable sequences with their truth, as the values the stages take."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from builder.frames.photos import find_photos
from builder.spin import FrameMeasure, Photo, SpinMeasures, TurnCamera

HALF = np.array([[1, 0, -0.5], [0, 1, -0.5], [0, 0, 1.0]])  # truth.json puts a pixel's centre at +0.5


def sets_folder() -> Path:
    """KICKWHEEL_SETS, or sets/ of a folder `shared` beside the repository."""
    named = os.environ.get("KICKWHEEL_SETS")
    return Path(named) if named else Path(__file__).resolve().parents[2] / "shared" / "sets"


@dataclass(frozen=True)
class RenderedSet:
    """One sequence: photos in order, truth.json, and where its files are."""

    folder: Path
    truth: dict
    photos: tuple[Photo, ...]

    @property
    def name(self) -> str:
        return self.folder.name

    def blurred(self) -> set[int]:
        return {d["frame"] for d in self.truth["defects"] if d["kind"] == "blur"}

    def mask(self, index: int) -> np.ndarray:
        """True coverage of the subject in a frame, float32 (h, w) 0..1, upright source pixels."""
        import cv2

        path = self.folder / self.truth["frames"][index]["mask"]
        return cv2.imread(str(path), cv2.IMREAD_GRAYSCALE).astype(np.float32) / 255

    def clean(self) -> dict[int, np.ndarray]:
        """Clean references by frame, uint8 (h, w, 3) RGB."""
        import cv2

        return {
            one["frame"]: cv2.imread(str(self.folder / one["file"]))[..., ::-1]
            for one in self.truth["clean_references"]
        }


def rendered_set(name: str) -> RenderedSet | None:
    """A sequence by name; None when it isn't there."""
    folder = sets_folder() / name
    if not (folder / "truth.json").is_file():
        return None
    truth = json.loads((folder / "truth.json").read_text())
    return RenderedSet(folder, truth, find_photos(folder / "photos").photos)


def rendered_names() -> list[str]:
    folder = sets_folder()
    return sorted(p.parent.name for p in folder.glob("*/truth.json")) if folder.is_dir() else []


def truth_measures(one: RenderedSet) -> SpinMeasures:
    """What a faultless check would measure on a sequence."""
    truth, frames = one.truth, []
    gains = np.array([f["exposure_gain"] * np.array(f["wb_gains"]) for f in truth["frames"]])
    gains = np.median(gains, axis=0) / gains
    for index, frame in enumerate(truth["frames"]):
        moved = np.vstack([frame["camera_affine"], [0, 0, 1]])  # reference -> this frame, centres at +0.5
        back = HALF @ np.linalg.inv(moved) @ np.linalg.inv(HALF)
        frames.append(
            FrameMeasure(
                index,
                Path(frame["file"]).name,
                angle_deg=frame["turn_deg"],
                gain=tuple(float(g) for g in gains[index]),
                to_reference=tuple(tuple(float(v) for v in row) for row in back[:2]),
            )
        )
    geometry = truth["geometry"]
    (foot_x, foot_y), (top_x, top_y) = geometry["axis_line_px"]
    light = np.array(truth["illuminant_rgb_linear"])
    return SpinMeasures(
        slug=one.name,
        source=one.name,
        frame_count=len(frames),
        frames=tuple(frames),
        axis_x=foot_x - 0.5,
        axis_tilt_deg=float(np.degrees(np.arctan2(top_x - foot_x, foot_y - top_y))),
        turn=truth["direction"].replace("-", ""),
        neutral_gain=tuple(float(v) for v in light[1] / light),
        camera=_camera(truth["camera"]),
    )


def _camera(truth: dict) -> TurnCamera:
    """The camera of truth.json, which looks at the axis."""
    x, y = truth["principal_point_px"]
    tilt, roll = (float(np.radians(truth[key])) for key in ("elevation_deg", "roll_deg"))
    return TurnCamera(0.0, tilt, -roll, truth["focal_px"], (x - 0.5, y - 0.5))
