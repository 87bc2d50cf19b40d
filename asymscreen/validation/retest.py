"""The same lifter filmed again with the phone set up anew: what changes although nothing changed.

Two screens are a pair where their truth files name one `lifter` with two `session` numbers, in the same view,
`preset`, conditions and picture size. What a session's truth itself differs by is taken off, so that only the
instrument's change counts.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from itertools import combinations, pairwise
from typing import Any

import numpy as np

from asymscreen.scoring.retest import Reset, Retest
from asymscreen.scoring.statistics import Z95, chi2_interval
from asymscreen.validation.figures import Pairing, rounded

LEAST_PAIRS = 20
"""Fewer pairs than this leave the assumed value: a 95th percentile needs twenty."""
COVER = 0.95  # share of unchanged pairs that should stay below what is needed
LEAST_KEPT = 0.3
"""A change is never held to carry less than this share of both clips' errors, however alike the pairs."""


def sessions(found: Sequence[Pairing]) -> dict[str, list[list[Pairing]]]:
    """By measure, the pairings of every lifter that has two sessions or more, in their order."""
    groups: dict[tuple[object, ...], list[Pairing]] = defaultdict(list)
    for p in found:
        truth = p.case.truth
        if truth.lifter is not None and truth.session is not None:
            aimed_at = (truth.view, truth.preset, truth.hardships, truth.image_size)
            groups[(p.name, truth.lifter, *aimed_at)].append(p)
    out: dict[str, list[list[Pairing]]] = defaultdict(list)
    for (name, *_), group in groups.items():
        ordered = sorted(group, key=lambda p: (p.case.truth.session or 0, p.case.name))
        if len({p.case.truth.session for p in ordered}) > 1:
            out[str(name)].append(ordered)
    return dict(out)


def retest(found: Sequence[Pairing]) -> dict[str, dict[str, Any]]:
    """By measure: lifters and pairs, the SEM within lifters, the SD and the 95 % of a change, the re-set.

    sem     root of the mean square within lifters, with its chi-square interval (Weir 2005, one-way)
    sd      sqrt2 SEM, of the change between two screens; mdc95  1.96 times that
    reset95 see `needed_reset`, kept see `share_kept`; needed95 what a comparison then asks for, in
            the middle of all pairs; `beyond` counts pairs whose change exceeds what both clips state
    """
    out = {}
    for name, groups in sessions(found).items():
        within = sum(float(((e - e.mean()) ** 2).sum()) for e in map(_errors, groups))
        df = sum(len(g) - 1 for g in groups)
        low, high = chi2_interval(within, df)
        sem = float(np.sqrt(within / df))
        changes = [pair for group in groups for pair in combinations(group, 2)]
        stated = [(b.error - a.error, _half(a), _half(b)) for a, b in changes]
        reset = needed_reset(stated)
        kept = 1.0 if reset else share_kept(stated)
        out[name] = {
            "unit": groups[0][0].unit,
            "lifters": len(groups),
            "pairs": len(changes),
            "sem": rounded(sem),
            "sem_interval": [rounded(low), rounded(high)],
            "sd": rounded(float(np.sqrt(2) * sem)),
            "mdc95": rounded(float(Z95 * np.sqrt(2) * sem)),
            "mean_change": rounded(
                float(np.mean([b.error - a.error for g in groups for a, b in pairwise(g)]))
            ),
            "stated95": rounded(float(np.median([np.hypot(a, b) for _, a, b in stated]))),
            "beyond": sum(bool(abs(d) > np.hypot(a, b)) for d, a, b in stated),
            "reset95": rounded(reset),
            "kept": rounded(kept),
            "needed95": rounded(
                float(np.median([np.hypot(kept * np.hypot(a, b), reset) for _, a, b in stated]))
            ),
        }
    return out


def needed_reset(stated: Sequence[tuple[float, float, float]]) -> float:
    """The re-set error that keeps 95 of 100 unchanged pairs below sqrt(own1^2 + own2^2 + reset^2).

    `stated` holds (change, 95 % half-width of the one clip, of the other). The rank is that of a
    split-conformal quantile (Lei et al. 2018, JASA 113:1094-1111): the ceil(0.95 (n + 1))-th smallest, at
    most the largest.
    """
    left = sorted(max(d * d - a * a - b * b, 0.0) for d, a, b in stated)
    return float(np.sqrt(left[_rank(len(left)) - 1]))


def share_kept(stated: Sequence[tuple[float, float, float]]) -> float:
    """The share of both clips' own errors below which 95 of 100 unchanged pairs stay; at most 1.

    `stated` and the rank as in `needed_reset`. A clip's own error holds what the lifter's build does to it,
    which is the same in the next clip of that lifter.
    """
    shares = sorted(abs(d) / max(float(np.hypot(a, b)), 1e-9) for d, a, b in stated)
    return float(np.clip(shares[_rank(len(shares)) - 1], LEAST_KEPT, 1.0))


def _rank(pairs: int) -> int:
    return min(int(np.ceil((pairs + 1) * COVER)), pairs)


def retest_table(
    measured: Mapping[str, Mapping[str, Any]], before: Retest, version: str, command: str
) -> Retest:
    """`before` with every measure of which there are enough pairs replaced by what was measured."""
    measures = dict(before.measures)
    for name, m in measured.items():
        if m["pairs"] >= LEAST_PAIRS:
            kept = {key: m[key] for key in ("unit", "reset95", "kept", "pairs", "sd", "mdc95")}
            measures[name] = Reset.model_validate(kept)
    return Retest(
        schema="asymscreen.retest/1",
        version=version,
        command=command,
        measures=measures,
        by_unit=before.by_unit,
    )


def _errors(group: Sequence[Pairing]) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.array([p.error for p in group])


def _half(p: Pairing) -> float:
    return (p.high - p.low) / 2
