"""Before the first photo: marks for the disc, the pace, the camera's place, and what to print.

Stands alone: it shares only plain values and errors with the other stages. Nothing heavy is imported until a
sheet, a page or a track is made.
"""

from __future__ import annotations

from builder.capture.plan import Plan, PlanInput, make_plan
from builder.capture.report import plan_json, plan_lines
from builder.capture.write import write_plan

__all__ = ["Plan", "PlanInput", "make_plan", "plan_json", "plan_lines", "write_plan"]
