"""Steps that prove the bench's own axis, with or without a part on it. They must never judge.

Source: hardware/first_steps.md, 11.
"""

from __future__ import annotations

from rig.control.step import Context


def has_axis(ctx: Context) -> bool:
    """Whether the bench turns anything."""
    return ctx.bench.axis is not None and ctx.bench.file.axis is not None


def turn_and_back(ctx: Context) -> None:
    """One whole turn counter-clockwise and back to the index: a step that was lost shows at the next index."""
    axis, device = ctx.bench.axis, ctx.bench.file.axis
    if axis is None or device is None:
        return
    for done, target in enumerate((axis.steps_per_turn, 0), start=1):
        axis.move_to(target)
        axis.wait_stopped(device.settle_s)
        ctx.progress("one turn and back", done, 2)
