"""What is settled per measure before any clip: its share of the allowed false calls, limits, bands and words.

Reference bands are common practice without a source, unless noted, and editable per lifter. None of them
decides whether a difference is real: they only decide which of two different sides is the one to name.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Named = Literal["band", "higher", "lower"]


@dataclass(frozen=True)
class MeasureRule:
    """Settings of one measure.

    share    of the 5 % of even lifters with any side named that this measure may use up; all shares sum to 1.
             The measures on which a coach acts get more
    limit    95 % half-width beyond which the measure is not measurable in the clip, in its unit: about what a
             coach sees without any tool, so that a wider answer would add nothing
    high, low   direction words of the side with the higher and the lower number
    named    "band": the side farther from the middle of the band; "higher"/"lower": always that side, where
    only
             the difference is measured or only one direction is a fault
    band     default reference band of each side, or None
    possible  range of each side's number, or None; beyond it the fit is wrong
    """

    share: float
    limit: float
    high: str
    low: str
    named: Named = "band"
    band: tuple[float, float] | None = None
    possible: tuple[float, float] | None = None


ELBOW_RANGE = (0.0, 160.0)
"""No elbow bends further: AAOS 150, AMA 140 or more (Norkin & White, appendix A)."""
TUCK_RANGE = (0.0, 180.0)  # degrees; every angle there is

RULES: dict[str, MeasureRule] = {
    "tuck_bottom": MeasureRule(
        0.25, 10.0, "more flared", "more tucked", band=(45.0, 75.0), possible=TUCK_RANGE
    ),
    "tuck_mid_ascent": MeasureRule(
        0.06, 12.0, "more flared", "more tucked", band=(50.0, 85.0), possible=TUCK_RANGE
    ),
    # band: forearm vertical, upper arm level to 25 deg below; geometry, since no measured norm was found
    "elbow_flexion_bottom": MeasureRule(
        0.12, 10.0, "more bent", "less bent", band=(90.0, 115.0), possible=ELBOW_RANGE
    ),
    "elbow_flexion_lockout": MeasureRule(
        0.06, 12.0, "less straight", "straighter", "higher", band=(0.0, 15.0), possible=ELBOW_RANGE
    ),
    "shoulder_height_bottom": MeasureRule(0.06, 30.0, "higher", "lower", "lower"),
    "forearm_lean_bottom": MeasureRule(
        0.06, 10.0, "leaning further out", "leaning further in", band=(-10.0, 10.0)
    ),
    "lockout_time": MeasureRule(0.06, 0.3, "later", "earlier", "higher"),
    "bar_tilt_bottom": MeasureRule(0.12, 3.0, "lower", "lower"),
    "bar_tilt_mid_ascent": MeasureRule(0.05, 3.0, "lower", "lower"),
    "bar_tilt_lockout": MeasureRule(0.05, 3.0, "lower", "lower"),
    "shoulder_line_bottom": MeasureRule(0.05, 6.0, "lower", "lower"),
    "bar_shift_bottom": MeasureRule(0.06, 40.0, "bar shifted to this side", "bar shifted to this side"),
}

SHARES: dict[str, float] = {name: rule.share for name, rule in RULES.items()}
EVEN_TIE = 0.25
"""Two sides are equally far from the middle of the band when their distances differ by less than this share
of the noise floor."""
FALSE_CALLS = 0.05
"""Even lifters with any side named, over all measures of a clip together."""
