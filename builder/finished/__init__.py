"""Finish: frames and numbers to catalogue pictures. The order of the steps, and why:

register and crop first (one resampling), even the exposure, take the clean plate, balance, cut the subject from
the plate, lay it on the new backdrop, then taste (contrast, saturation), and sharpening after the last resize.
"""

from __future__ import annotations

from builder.finished.explain import explain
from builder.finished.frame import finish_frame
from builder.finished.plan import plan_finish
from builder.finished.tone import sharpen
from builder.finished.values import Finished, FinishPlan

__all__ = ["Finished", "FinishPlan", "explain", "finish_frame", "plan_finish", "sharpen"]
