"""What the finish of one frame was made from: pictures to look at and the numbers used."""

from __future__ import annotations

import numpy as np

from builder import colour
from builder.finished.frame import finish_frame
from builder.finished.sample import matrix, read_copy, sample_light, scale_of, scaling
from builder.finished.values import FinishPlan


def explain(plan: FinishPlan, index: int, *, width: int = 800) -> dict[str, np.ndarray | str]:
    """Pictures (uint8, (h, w, 3) or (h, w)) and numbers (text) by name, in the order in which they are worth showing.

    "before": the frame in the output's box as it came; "after": finished; "matte": coverage; "clean plate": the set
    with the subject gone; "shade-free set": the same without the subject's own shadow. Pictures that don't exist for
    this plan (no matte was made) are left out.
    """
    size = plan.size_at(width)
    done = finish_frame(plan, index, width=size[0])
    to_output = np.vstack([done.to_output, [0, 0, 1]])
    copy = read_copy(plan.photos[index], scale_of(to_output))
    shown: dict[str, np.ndarray | str] = {
        "before": colour.to_codes(sample_light(copy, to_output, size)),
        "after": done.pixels[..., :3],
    }
    if done.matte is not None:
        shown["matte"] = done.matte
    if plan.clean_set is not None:
        shown["clean plate"] = np.rint(plan.clean_set.colour.astype(np.float32)).astype(np.uint8)
        shown["shade-free set"] = np.rint(plan.clean_set.lit.astype(np.float32)).astype(np.uint8)
    return shown | _numbers(plan, index)


def _numbers(plan: FinishPlan, index: int) -> dict[str, str]:
    def triple(values) -> str:
        return " ".join(f"{value:.4f}" for value in values)

    across = "left as it is" if plan.across is None else f"{triple(plan.across[0])} to {triple(plan.across[-1])}"
    moved = matrix(plan.to_reference[index])
    centre = scaling(1, 1) @ [plan.photos[index].width / 2, plan.photos[index].height / 2, 1]
    shift = (moved @ centre - centre)[:2]
    turned = np.degrees(np.arctan2(moved[1, 0], moved[0, 0]))
    return {
        "frame size": f"{plan.width} × {plan.height} px",
        "axis": f"column {plan.axis_x:.1f} px",
        "registered by": f"{shift[0]:+.2f}, {shift[1]:+.2f} px, {turned:+.3f}°",
        "evening (r g b)": triple(plan.evening[index]),
        "white balance × exposure (r g b)": triple(plan.balance),
        "light's colour across": across,
        "scale": "not measured" if plan.px_per_mm is None else f"{plan.px_per_mm:.3f} px/mm",
        "shadow kept": f"{plan.shadow:.2f}",
        "notes": "; ".join(plan.notes) or "none",
    }
