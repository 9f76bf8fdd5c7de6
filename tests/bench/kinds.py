"""Objects that are hard to follow, as phones shoot them: what the check finds, and what it says of spins that are good.

    python tests/bench/kinds.py [--only WORD] [--manner WORD] [--keep FOLDER]

White glaze on white paper, gloss black, brass, clear glass, print, meshes: each as a good spin and as one with a
repeat, a skip, a blurred frame, a bump and a hand; each shot by a phone on a stand (steady), with exposure and white
balance of its own accord (wandering: flicker is true of it), and held by hand (unsteady: there a bump is no fault of its
own). Stops are by hand, off their marks by 2° or so. Columns: faults found; error of the steps, the spin's standard error
(the root of the mean square of its steps', so one in doubt raises it), how many errors lie within two of it; where the
steps aren't judged, –. Then findings of severity fail and warn that point at no fault, and faults missed.
--keep: a folder that the drawn light is kept in, for drawing takes longest.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from builder.frames.photos import find_photos  # noqa: E402
from builder.measured import measure_spin  # noqa: E402
from builder.spin import SpinMeasures  # noqa: E402
from tests.bench.steps import show_calibration  # noqa: E402
from tests.mesh_scene import MeshTable, read_mesh  # noqa: E402
from tests.phone import Phone, PhotographedTable  # noqa: E402
from tests.pictures import write_photo  # noqa: E402
from tests.studio import StudioTable  # noqa: E402
from tests.turntable import Scene, Turntable, uneven_angles  # noqa: E402

WIDTH, HEIGHT, COUNT = 640, 480, 30
CAMERA = {"width": WIDTH, "height": HEIGHT, "focal35_mm": 40.0}
WHITE = {"disc_rgb": (0.86, 0.86, 0.85), "backdrop_rgb": (0.86, 0.85, 0.83)}
DARK = {"disc_rgb": (0.03, 0.03, 0.03), "backdrop_rgb": (0.05, 0.05, 0.05)}
STEADY = Phone(exposure=0.95, wander_ev=0.02, wander_colour=0.01)
MANNERS = {
    "steady": STEADY,
    "wandering": replace(STEADY, wander_ev=0.15, wander_colour=0.05),
    "unsteady": replace(STEADY, shake_px=0.8, sway_px=2.0, sway_deg=0.15, wander_ev=0.05),
}
# Places in the faulty spin; where stops are by hand, this skip is one of 23°
REPEAT, SKIP, BLUR, HAND, BUMP = 6, 12, 16, 20, 25
COLUMNS = (("spin", 34), ("found", 8), ("mean°", 8), ("worst°", 8), ("σ°", 7), ("≤2σ", 6), ("turn", 7), ("s", 6))


def kinds() -> Iterator[tuple[str, Turntable]]:
    plain = {"texture": "plain", "clutter": True}
    white = {**plain, **WHITE, "body_rgb": (0.78, 0.78, 0.75)}
    yield "white pot", StudioTable("glaze", Scene(**white, marks=36, seed=1), **CAMERA)
    yield "white pot, no marks", StudioTable("glaze", Scene(**white, marks=0, seed=2), **CAMERA)
    yield "white mug", StudioTable("glaze", Scene(shape="mug", **white, seed=3), **CAMERA)
    yield (
        "black mug",
        StudioTable("black", Scene(shape="mug", **plain, body_rgb=(0.015, 0.015, 0.017), seed=4), **CAMERA),
    )
    yield (
        "black pot on black",
        StudioTable("black", Scene(**{**plain, **DARK}, body_rgb=(0.015, 0.015, 0.017), seed=5), **CAMERA),
    )
    yield "brass pot", StudioTable("brass", Scene(**plain, seed=6), **CAMERA)
    yield "glass and brass", StudioTable("brass", Scene(**plain, seed=7), glass=True, **CAMERA)
    yield (
        "glass and brass on white",
        StudioTable("brass", Scene(**{**plain, **WHITE}, marks=0, seed=8), glass=True, **CAMERA),
    )
    yield (
        "printed boat",
        PhotographedTable(Scene(shape="boat", size_mm=45, clutter=True, seed=9), wears="coffee", **CAMERA),
    )
    for name, texture in (("bunny", "plain"), ("teapot", "spots")):
        mesh = read_mesh(name)
        if mesh is not None:
            yield (
                f"{name}, {texture}",
                MeshTable(mesh, texture=texture, radius_mm=95, gloss=0.6, rgb=(0.6, 0.6, 0.57), **CAMERA),
            )


def drawn(name: str, table: Turntable, turns: np.ndarray, keep: Path | None) -> list[np.ndarray]:
    """Light of each stop, float16."""
    kept = keep / f"{name.replace(' ', '_')}.npy" if keep else None
    if kept is None or not kept.exists():
        light = np.stack([table.linear(turn)[0].astype(np.float16) for turn in turns])
        if kept is None:
            return list(light)
        kept.parent.mkdir(parents=True, exist_ok=True)
        np.save(kept, light)
    return list(np.load(kept))


def faulty(table: Turntable, light: list[np.ndarray], turns: np.ndarray, *, bump: bool) -> tuple[list, np.ndarray, set]:
    """The stops with faults: light, turns, and what should be found."""
    order = [*range(REPEAT), REPEAT - 1, *range(REPEAT, SKIP - 1), *range(SKIP, COUNT)]
    frames = [light[k].astype(np.float32) for k in order]
    frames[BLUR] = cv2.GaussianBlur(frames[BLUR], (0, 0), 1.8)
    frames[HAND] = table._with_hand(frames[HAND])
    found = {("duplicate", REPEAT), ("skipped-step", SKIP), ("blurred", BLUR), ("obstructed", HAND)}
    if bump:
        moved = table.bump((4.0, -2.5), 0.3)
        frames[BUMP:] = [
            cv2.warpAffine(f, moved, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
            for f in frames[BUMP:]
        ]
        found.add(("bumped", BUMP))
    return frames, turns[order], found


def shot(frames: list[np.ndarray], phone: Phone) -> tuple[SpinMeasures, float]:
    with tempfile.TemporaryDirectory() as folder:
        for k, light in enumerate(frames):
            write_photo(
                Path(folder) / f"IMG_{k:04d}.jpg", phone.shoot(light.astype(np.float32), k), quality=88, subsampling=2
            )
        began = time.process_time()
        return measure_spin(
            find_photos(Path(folder)).photos, slug="spin", source="", widest=WIDTH
        ), time.process_time() - began


def row(
    name: str, measures: SpinMeasures, turns: np.ndarray, true: set, seconds: float, known: Sequence[str] = ()
) -> tuple[list[str], np.ndarray]:
    """Cells and remarks, and the step errors in standard errors (none where not judged). known: kinds true of the whole spin."""
    said = {(f.kind, f.frames[-1]): f.severity for f in measures.findings if f.frames}
    named = {frame for _, frame in true}
    excused = named | {frame - 1 for kind, frame in true if kind == "skipped-step"}
    wrong = [
        f"{f.severity} {f.kind} {list(f.frames) or ''}"
        for f in measures.findings
        if f.severity != "note"
        and f.kind not in ("small-frames", *known)
        and (f.kind, f.frames[-1] if f.frames else -1) not in true
        and not (f.severity == "warn" and f.frames and set(f.frames) <= excused)
    ]
    missed = [f"missed {kind} {frame}" for kind, frame in sorted(true) if (kind, frame) not in said]
    judged = measures.angle_sigma_deg is not None
    cells = [name, f"{len(true & set(said))}/{len(true)}"]
    if judged:
        off = np.abs(np.diff([f.angle_deg for f in measures.frames]) - np.diff(turns))
        share = off / measures.angle_sigma_deg
        right = measures.turn == "counterclockwise"
        cells += [
            f"{off.mean():.2f}",
            f"{off.max():.2f}",
            f"{measures.angle_sigma_deg:.2f}",
            f"{np.mean(share < 2):.0%}",
            "right" if right else "WRONG",
        ]
    else:
        share, cells = np.zeros(0), [*cells, *"–––––"]
    return [*cells, f"{seconds:.0f}", "  " + "; ".join(wrong + missed)], share


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", default="", help="kinds whose name holds this word")
    parser.add_argument("--manner", default="", help="manners of shooting whose name starts so")
    parser.add_argument("--keep", type=Path)
    wanted = parser.parse_args()
    print("".join(f"{name:>{width}}" for name, width in COLUMNS), flush=True)
    shares = []
    turns = uneven_angles(COUNT, seed=3, sigma_deg=2.0)
    for name, table in kinds():
        if wanted.only not in name:
            continue
        light = drawn(name, table, turns, wanted.keep)
        for manner, phone in MANNERS.items():
            if not manner.startswith(wanted.manner):
                continue
            spins = {"good": (light, turns, set()), "faulty": faulty(table, light, turns, bump=manner != "unsteady")}
            for state, (frames, stops, true) in spins.items():
                measures, seconds = shot(frames, phone)
                cells, share = row(
                    f"{name}, {manner}, {state}",
                    measures,
                    stops,
                    true,
                    seconds,
                    ("flicker",) if manner == "wandering" else (),
                )
                shares.append(share)
                print(
                    "".join(f"{cell:>{width}}" for cell, (_, width) in zip(cells, COLUMNS, strict=False)) + cells[-1],
                    flush=True,
                )
    show_calibration(np.concatenate(shares) if shares else np.zeros(0))


if __name__ == "__main__":
    main()
