"""How good the finish is, against the truth of the rendered sequences: `python tests/bench/finish.py`.

    python tests/bench/finish.py [SET]… [--drawn] [--every K] [--measured] [--width PX] [--pictures DIR]

Prints one table. Sequences lie in KICKWHEEL_SETS (default: ../shared/sets beside the repository). --measured: numbers
about the frames as the check measures them, instead of the truth's. --every K: each K-th frame only. --pictures: also
writes frames at 100 % on white, on black and on a strong colour, with the cut's faults marked.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[1])]

from finish_scenes import SCENES, drawn_turn  # noqa: E402
from rendered import HALF, RenderedSet, rendered_names, rendered_set, truth_measures  # noqa: E402

from builder import colour  # noqa: E402
from builder.catalog.declaration import FinishSettings  # noqa: E402
from builder.finished import Finished, FinishPlan, finish_frame, plan_finish  # noqa: E402
from builder.frames.photos import read_photo  # noqa: E402

BARS = {
    "white_%": 99.7, "IoU": 0.97, "IoU_min": 0.94, "dE_med": 2.3, "dE_95": 6.5, "burnt_%": 0.3,
    "even_EV": 0.01, "axis_%": 0.3, "jitter_px": 0.5,
}  # fmt: skip


def settings(**changes) -> FinishSettings:
    return FinishSettings(**changes)


def square(affine) -> np.ndarray:
    return np.vstack([np.asarray(affine, float), [0, 0, 1]])


def carried(picture: np.ndarray, matrix: np.ndarray, size: tuple[int, int], outside: float = 0.0) -> np.ndarray:
    """`picture` moved by `matrix` (3×3) to `size`, averaged over areas where it shrinks."""
    scale = np.sqrt(abs(np.linalg.det(matrix[:2, :2])))
    if scale < 0.9:
        picture = cv2.GaussianBlur(picture, (0, 0), np.sqrt((1 / scale**2 - 1) / 12))
    return cv2.warpAffine(picture, matrix[:2], size, flags=cv2.INTER_LINEAR, borderValue=outside)


def overlap(matte: np.ndarray, mask: np.ndarray, to_output: np.ndarray) -> float:
    """IoU of the matte ≥ 0.5, carried to source pixels, with the true mask ≥ 0.5."""
    height, width = mask.shape
    back = carried(matte.astype(np.float32) / 255, np.linalg.inv(to_output), (width, height)) >= 0.5
    true = mask >= 0.5
    return float((back & true).sum() / max(1, (back | true).sum()))


def white_share(done: Finished, mask: np.ndarray, to_output: np.ndarray) -> float:
    """Share of pixels more than 4 source px outside the subject that are ≥ 250 in all channels."""
    near = cv2.dilate((mask > 0).astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (9, 9)))
    height, width = done.pixels.shape[:2]
    outside = carried(near.astype(np.float32), to_output, (width, height)) < 1e-3
    return float((done.pixels[outside] >= 250).all(axis=1).mean())


def newly_burnt(done: Finished, photo: np.ndarray, mask: np.ndarray, to_output: np.ndarray, clean=None) -> float:
    """Share of subject pixels that are 255 in all channels now, and clipped in neither the photo nor the reference.

    Subject is what lies a pixel inside the mask's soft edge: eaten parts count. A source pixel beside a clipped one
    shares its light after resampling, so a pixel's breadth around clipped ones is left out.
    """
    height, width = done.pixels.shape[:2]
    square = np.ones((3, 3), np.uint8)
    subject = carried(cv2.erode((mask >= 0.999).astype(np.float32), square), to_output, (width, height)) >= 0.999
    clipped = photo.min(axis=2) >= 255
    if clean is not None:
        clipped = clipped | (clean.min(axis=2) >= 255)
    before = carried(cv2.dilate(clipped.astype(np.float32), square), to_output, (width, height)) > 0.01
    return float(((done.pixels == 255).all(axis=2) & ~before)[subject].mean())


def colour_differences(done: Finished, clean: np.ndarray, mask: np.ndarray, to_output: np.ndarray):
    """Linear subject colours, done and clean, (n, 3) each: pixels of which all is subject."""
    height, width = done.pixels.shape[:2]
    inner = cv2.erode((mask >= 0.999).astype(np.float32), np.ones((3, 3)))
    subject = carried(inner, to_output, (width, height)) >= 0.999
    wanted = carried(colour.decode(clean / 255.0).astype(np.float32), to_output, (width, height))
    return colour.decode(done.pixels[..., :3] / 255.0)[subject], wanted[subject]


def differing(found: list[np.ndarray], wanted: list[np.ndarray]) -> np.ndarray:
    """CIEDE2000 of linear light (n, 3) against the references', after one exposure factor; NaN without a reference."""
    if not found:
        return np.array([np.nan])
    have, want = np.concatenate(found), np.concatenate(wanted)
    factor = np.median(colour.luminance(want) / np.maximum(colour.luminance(have), 1e-4))
    return colour.ciede2000(colour.lab_from_light(have * factor), colour.lab_from_light(want))


def middle(values: list[np.ndarray]) -> float:
    return float(np.median(np.concatenate(values))) if sum(map(len, values)) else np.nan


def edge_widths(picture: np.ndarray, mask: np.ndarray) -> np.ndarray:
    """Widths, px, of the band that differs from both sides by more than ΔE00 6, along normals of the outline.

    picture: sRGB codes at source scale. Only where the sides differ by 25 or more.
    """
    soft = cv2.GaussianBlur(mask, (0, 0), 1.5)
    outlines, _ = cv2.findContours((mask >= 0.5).astype(np.uint8), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    points = np.concatenate([o[:, 0] for o in outlines if len(o) >= 40])[::3]
    down, along = np.gradient(soft)
    slope = np.stack([along[points[:, 1], points[:, 0]], down[points[:, 1], points[:, 0]]], axis=1)
    length = np.linalg.norm(slope, axis=1)
    points, slope = points[length > 0.02], slope[length > 0.02] / length[length > 0.02][:, None]
    steps = np.arange(-8, 8.01, 0.25)
    where = points[:, None, :] + slope[:, None, :] * steps[None, :, None]
    profile = cv2.remap(picture, where[..., 0].astype(np.float32), where[..., 1].astype(np.float32), cv2.INTER_LINEAR)
    lab = colour.lab_from_codes(profile)
    outer, inner = lab[:, :9].mean(axis=1, keepdims=True), lab[:, -9:].mean(axis=1, keepdims=True)
    strong = colour.ciede2000(outer, inner)[:, 0] >= 25
    if not strong.any():
        return np.zeros(0)
    lab, outer, inner = lab[strong], outer[strong], inner[strong]
    band = (colour.ciede2000(lab, outer) > 6) & (colour.ciede2000(lab, inner) > 6)
    return band.sum(axis=1) * 0.25


def at_source(done: Finished, to_output: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    return cv2.warpAffine(done.pixels[..., :3], np.linalg.inv(to_output)[:2], size, flags=cv2.INTER_LINEAR,
                          borderValue=(255, 255, 255))  # fmt: skip


def frame_axis(one: RenderedSet, index: int) -> np.ndarray:
    """Where the axis meets the disc top in a frame, source pixels with centres at .0."""
    truth = one.truth
    moved = np.array(truth["geometry"]["axis_line_px"][0])
    affine = np.vstack([truth["frames"][index]["camera_affine"], [0, 0, 1]])
    return (HALF @ affine @ [*moved, 1])[:2]


def measures_of(one: RenderedSet, measured: bool):
    if not measured:
        return truth_measures(one)
    from builder.measured import measure_spin

    return measure_spin(one.photos, slug=one.name, source=one.name)


def judge(one: RenderedSet, every: int, measured: bool, width: int | None, pictures: Path | None) -> dict:
    measures = measures_of(one, measured)
    began = time.process_time()
    plan = plan_finish(one.photos, measures, settings(shadow=0.0), disc_mm=one.truth["disc"]["diameter_mm"])
    row = {"set": one.name, "plan_s": time.process_time() - began}
    clean = one.clean()
    shares, ious, burnt, spent, places, wide, wide_clean = [], [], [], [], [], [], []
    found, wanted, gains = [], [], []
    for index in range(len(one.photos)):
        to_output = plan_to_output(plan, index)
        places.append((to_output @ [*frame_axis(one, index), 1])[:2])
        truth = one.truth["frames"][index]
        gains.append(np.array(plan.gains[index]) * truth["exposure_gain"] * np.array(truth["wb_gains"]))
        if index % every and index not in clean:
            continue
        began = time.process_time()
        done = finish_frame(plan, index, width=width)
        spent.append(time.process_time() - began)
        to_output, mask = square(done.to_output), one.mask(index)
        shares.append(white_share(done, mask, to_output))
        if index not in one.blurred():
            ious.append(overlap(done.matte, mask, to_output))
        burnt.append(newly_burnt(done, read_photo(one.photos[index]), mask, to_output, clean.get(index)))
        if index in clean:
            have, want = colour_differences(done, clean[index], mask, to_output)
            found.append(have)
            wanted.append(want)
            size = mask.shape[::-1]
            wide.append(edge_widths(at_source(done, to_output, size), mask))
            wide_clean.append(edge_widths(np.ascontiguousarray(clean[index]), mask))
        if pictures:
            show(pictures, one, plan, done, index, mask)
    apart = differing(found, wanted)
    places = np.array(places)
    row |= {
        "size": f"{plan.width}x{plan.height}",
        "frame_s": np.mean(spent),
        "white_%": 100 * np.mean(shares),
        "white_min": 100 * np.min(shares),
        "IoU": np.mean(ious),
        "IoU_min": np.min(ious),
        "dE_med": np.median(apart),
        "dE_95": np.percentile(apart, 95),
        "burnt_%": 100 * np.max(burnt),
        "even_EV": np.abs(np.diff(np.log2(gains), axis=0)).max(),
        "axis_%": 100 * np.abs(places[:, 0] - (plan.width - 1) / 2).max() / plan.width,
        "jitter_px": np.linalg.norm(places - np.median(places, axis=0), axis=1).max(),
        "edge_px": middle(wide),
        "edge_ref": middle(wide_clean),
        "mm": plan.px_per_mm or 0.0,
        "worst": int(np.argmin(ious)),
        "notes": "; ".join(plan.notes),
    }
    return row


def plan_to_output(plan: FinishPlan, index: int) -> np.ndarray:
    return square(plan.placement) @ square(plan.to_reference[index])


def show(folder: Path, one: RenderedSet, plan: FinishPlan, done: Finished, index: int, mask: np.ndarray) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    height, width = done.pixels.shape[:2]
    true = carried(mask, square(done.to_output), (width, height)) >= 0.5
    have = done.matte >= 128
    fault = (done.pixels * 0.5).astype(np.uint8)
    fault[have & ~true], fault[true & ~have] = (255, 0, 0), (255, 255, 0)
    tiles = [done.pixels, fault]
    for backdrop in ((0, 0, 0), (255, 0, 200)):
        tiles.append(finish_frame(replace(plan, backdrop=backdrop), index, width=width).pixels)
    cv2.imwrite(
        str(folder / f"{one.name}-{index:02d}.png"), np.vstack([np.hstack(tiles[:2]), np.hstack(tiles[2:])])[..., ::-1]
    )


def judge_drawn(name: str, every: int) -> str:
    """One line about a drawn turn: white on white, gloss black, clear glass, dark sets."""
    with tempfile.TemporaryDirectory() as folder:
        one = drawn_turn(name, Path(folder))
        plan = plan_finish(one.photos, one.measures, settings(shadow=0.0))
        rows = []
        for index in range(0, len(one.photos), every):
            done, mask = finish_frame(plan, index), one.masks[index]
            if done.matte is None:
                return f"{name:16s} left on its old backdrop: {'; '.join(f.message for f in plan.findings)}"
            to_output = square(done.to_output)
            burnt = newly_burnt(done, read_photo(one.photos[index]), mask, to_output)
            rows.append((overlap(done.matte, mask, to_output), white_share(done, mask, to_output), burnt))
    ious, whites, burnt = np.array(rows).T
    return (
        f"{name:16s} IoU {ious.mean():.3f}  least {ious.min():.3f}  "
        f"white {100 * whites.mean():.2f} %  burnt {100 * burnt.max():.2f} %"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("sets", nargs="*")
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--measured", action="store_true")
    parser.add_argument("--width", type=int)
    parser.add_argument("--pictures", type=Path)
    parser.add_argument("--drawn", action="store_true", help="drawn turns instead of the rendered ones")
    args = parser.parse_args()
    if args.drawn:
        for name in args.sets or SCENES:
            print(judge_drawn(name, args.every), flush=True)
        return
    rows = []
    for name in args.sets or rendered_names():
        one = rendered_set(name)
        if one is None:
            print(f"{name}: not there, left out")
            continue
        rows.append(judge(one, args.every, args.measured, args.width, args.pictures))
        print(f"  {name} done", file=sys.stderr)
    if not rows:
        print("no sequences found: set KICKWHEEL_SETS to their folder")
        return
    for key in rows[0]:
        values = [row[key] for row in rows]
        cells = [f"{v:16.4f}" if isinstance(v, float) else f"{v!s:>16}" for v in values]
        print(f"{key:10s}", *cells, f"  bar {BARS[key]}" if key in BARS else "")


if __name__ == "__main__":
    main()
