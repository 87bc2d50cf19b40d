"""What would make the next clip better, in plain sentences."""

from __future__ import annotations

from collections.abc import Iterable

BEST_ELEVATION_DEG = (36.0, 56.0)
"""Elevations over the chest at which the tuck difference is measured best."""
BEST_AZIMUTH_DEG = 8.0  # degrees off the bench's middle line; our rig
BEST_SHORT_SIDE_PX = 700  # pixels; 720 lines less the odd crop
BEST_REPS = 2  # full reps; common practice, no source


def advise(
    *, view: str, elevation_deg: float, aside_deg: float, roll_known: bool, short_side_px: int, reps: int
) -> list[str]:
    """Advice for the next clip; an empty list where there is nothing to better.

    `aside_deg` is how far the lens stands off the bench's middle line, 0 to 90 degrees.
    """
    out = []
    low, high = BEST_ELEVATION_DEG
    if view in ("foot-end", "head-end") and elevation_deg < low:
        out.append(
            "Hold the phone higher: about 2 m up and 1.3 to 1.4 m from the hips shows the elbows best."
        )
    if view == "overhead" or elevation_deg > high:
        out.append("Step back from the lifter: about 1.3 to 1.4 m from the hips, phone about 2 m up.")
    if view in ("foot-end", "head-end") and aside_deg > BEST_AZIMUTH_DEG:
        out.append(f"Stand in line with the bench: this clip was filmed {aside_deg:.0f} deg off its middle.")
    if not roll_known:
        out.append(
            "Have rack posts or a door frame in the picture, or mark something level: then the bar's tilt "
            "is exact."
        )
    if short_side_px < BEST_SHORT_SIDE_PX:
        out.append("Film with at least 720 lines.")
    if reps < BEST_REPS:
        out.append("Film two or three full reps: one rep cannot tell a habit from a slip.")
    return out


STAND = "Film from the foot end, centred, the phone about 2 m up and 1.3 to 1.4 m from the lifter's hips."
FRAME = "Keep hips, elbows, both hands and the bar inside the picture from the unrack to the rack."
CLEAR = "Let nobody and nothing stand between the phone and the lifter."
LIGHT = "Film in good light, with no window or lamp behind the lifter."
ALONE = "Frame the lifter alone; others wait outside the picture."
SET = "Film two or three full reps with the bar, starting before the unrack."

WHEN: tuple[tuple[tuple[str, ...], tuple[str, ...]], ...] = (
    (("at the side",), (STAND,)),
    (("two people",), (ALONE,)),
    (("hidden", "may hide"), (CLEAR, STAND)),
    (("too dark", "light"), (LIGHT,)),
    (("cuts off", "out of the picture", "in view", "too few frames"), (FRAME,)),
    (("place that was marked",), (ALONE, FRAME)),
    (("no press", "nobody in the picture", "no person"), (SET, FRAME)),
)
"""Words of a reason, and what to do about it the next time."""


def advise_again(reasons: Iterable[str]) -> list[str]:
    """How to film again a clip that held nothing to screen, out of the reasons why: each advice once.

    A reason of which nothing is known gets the advice that is always right: where to stand, what to frame.
    """
    out: dict[str, None] = {}
    for reason in reasons:
        said = reason.lower()
        for words, lines in WHEN:
            if any(word in said for word in words):
                out |= dict.fromkeys(lines)
    return list(out) or [STAND, FRAME, SET]
