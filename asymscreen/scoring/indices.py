"""Published asymmetry indices of a left and a right value, for exports only.

Calls use the difference in degrees, millimetres or seconds: ratios break near zero (Herzog et al. 1989, MSSE
21:110-114, found limits to over 13,000 %), depend on where zero lies, and mostly change when the sides are
swapped (Parkinson et al. 2021, JSSM 20:594-617). Here every index is in percent, None where it is undefined.
"""

from __future__ import annotations

import math

SMALLEST = 1e-9
"""Default for the size below which a denominator counts as zero, in the measure's unit."""


def symmetry_index(left: float, right: float, floor: float = SMALLEST) -> float | None:
    """Difference over the mean of both sides, percent; positive = right larger (Robinson et al. 1987)."""
    return _ratio(right - left, (left + right) / 2, floor)


def limb_symmetry_index(left: float, right: float, floor: float = SMALLEST) -> float | None:
    """Left in percent of right; 100 = alike. Swapping the sides gives another number (80 becomes 125)."""
    return _ratio(left, right, floor)


def symmetry_angle(left: float, right: float, floor: float = SMALLEST) -> float | None:
    """Angle of the point (right, left) off the diagonal, percent of 90 deg; positive = right larger.

    Zifchock et al. 2008, Gait Posture 27:622-627. Undefined only where both sides are near zero.
    """
    if not math.hypot(left, right) > floor:
        return None
    angle = 45.0 - math.degrees(math.atan2(left, right))
    if angle > 90.0:
        angle -= 180.0
    elif angle <= -90.0:
        angle += 180.0
    return angle / 90.0 * 100.0


def bilateral_asymmetry(left: float, right: float, floor: float = SMALLEST) -> float | None:
    """Difference over the sum, percent; positive = right larger (Bishop et al. 2016, first form)."""
    return _ratio(right - left, left + right, floor)


def bilateral_asymmetry_doubled(left: float, right: float, floor: float = SMALLEST) -> float | None:
    """Twice the difference over the sum, percent; positive = right larger (Bishop et al., second form)."""
    return _ratio(2 * (right - left), left + right, floor)


INDICES = {
    "symmetry_index": symmetry_index,
    "limb_symmetry_index": limb_symmetry_index,
    "symmetry_angle": symmetry_angle,
    "bilateral_asymmetry": bilateral_asymmetry,
    "bilateral_asymmetry_doubled": bilateral_asymmetry_doubled,
}


def indices(left: float | None, right: float | None, floor: float = SMALLEST) -> dict[str, float | None]:
    """All of them by name; None throughout where a side is missing.

    `floor` is the size under which a denominator counts as zero; give the measure's noise floor.
    """
    if left is None or right is None:
        return dict.fromkeys(INDICES)
    return {name: rule(left, right, floor) for name, rule in INDICES.items()}


def _ratio(above: float, below: float, floor: float) -> float | None:
    """Percent, or None where the denominator is near zero or not a number."""
    return 100.0 * above / below if abs(below) > floor and math.isfinite(above) else None
