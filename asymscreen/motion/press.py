"""The press solver: 3-D joints of a lifter under a bar from the landmarks of one camera, with their
uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from asymscreen.capture.sheet import Capture
from asymscreen.landmarks.skeleton import JOINTS
from asymscreen.motion import arrow
from asymscreen.motion.camera import angles_over_chest, project
from asymscreen.motion.press_input import (
    COARSE,
    COEFFICIENTS,
    PressInput,
    cycle_basis,
    gather,
    pixels_per_metre,
    source_of,
    thinned,
)
from asymscreen.motion.press_model import (
    BAR_OFFSET,
    BEND_LEAN,
    CAM,
    COMMON_SIZE,
    LEAN,
    OWN_SIZE,
    PressModel,
    Priors,
    hip_points,
    mirror,
)
from asymscreen.motion.press_start import Start, mirrored_elbows, starts
from asymscreen.motion.reps import RepSpan
from asymscreen.motion.roll import Roll
from asymscreen.motion.sway import STILL, Sway, steadied
from asymscreen.motion.tracks import Tracks

FloatArray = NDArray[np.float64]

SAMPLES = 400
"""Draws from the solution's uncertainty that every measure is computed on."""
SEED = 20  # of the draws, so that the same clip gives the same numbers
FULL_STARTS = 3
"""Starts that are solved to the end, best first."""
CURVE_BEND_M = 3.0
"""Second difference of neighbouring curve coefficients, metres: some 40 times what a quick press reaches,
since a tighter one makes every lifter smaller."""
TURN_STEPS = 4
"""Steps after which it is judged whether turned elbows are worth going on with."""
TURN_WORTH = 2.0
"""Turned elbows that still cost this many times what was found are given up."""
STRAINED = 2.0
"""Standard errors by which a lifter pulls the roll away from uprights for the press to be solved without them
too. Of 140 rendered clips 3 did, one of them with edges that were none, 6.8 deg askew."""
CONTRADICTED = 3.7
"""Standard errors between the roll of the uprights and the one that the lifter alone tells, from which edges
are not believed to be upright, if without them the phone stood straighter: that clip's were 4.5 off, true
ones 2.9 at most (standard deviation 0.8), but 4.1 where a lifter lay turned on the bench, for whom the phone
would have leant by 7.7 deg."""
LEAST_INFORMATION = 1.0
"""Of a lifter about the camera's roll, per square radian: a standard deviation of 57 deg, which is none."""
ELSEWHERE_M = 0.02
"""An elbow this far from where it was found is another solution, metres."""


@dataclass(frozen=True)
class Press:
    """A solved set.

    spans      (B, 2) seconds that the start and end of every rep's curves mean
    common     (G,) common unknowns; `own` (B, N, 18) curve coefficients
    draws      the same for SAMPLES draws from their uncertainty: common (S, G), own (S, B, N, 18)
    rms_px     root mean square of the image residuals of the six arm joints
    sway       of a hand-held phone, taken off before solving
    misfit     chi-square per degree of freedom of the image residuals
    roll_strain   how hard the lifter pulls the camera's roll away from what was known of it, in standard
               errors of the roll that the lifter alone would tell
    """

    spans: FloatArray
    common: FloatArray
    own: FloatArray
    common_draws: FloatArray
    own_draws: FloatArray
    rms_px: float
    misfit: float
    center: tuple[float, float]
    refined: bool
    px_per_m: float
    frames: int
    sway: Sway = STILL
    roll_strain: float = 0.0

    @property
    def camera(self) -> FloatArray:
        return self.common[CAM]

    @property
    def elevation_deg(self) -> float:
        return angles_over_chest(self.camera)[0]

    @property
    def azimuth_deg(self) -> float:
        return angles_over_chest(self.camera)[1]

    def joints(self, rep: int, times: FloatArray) -> FloatArray:
        """(T, 8, 3) metres at `times` (T,) seconds of rep index `rep`, order as `skeleton.JOINTS`."""
        return self._place(self.common, self.own[rep], rep, times)

    def joint_draws(self, rep: int, times: FloatArray) -> FloatArray:
        """(S, T, 8, 3) the same for every draw."""
        return self._place(self.common_draws, self.own_draws[:, rep], rep, times)

    def _place(self, common: FloatArray, own: FloatArray, rep: int, times: FloatArray) -> FloatArray:
        start, end = self.spans[rep]
        basis = cycle_basis(((np.asarray(times) - start) / (end - start))[None], COEFFICIENTS)[0]
        arms = (basis @ own).reshape(*own.shape[:-2], len(basis), 6, 3)
        hips = np.broadcast_to(hip_points(common)[..., None, :, :], (*arms.shape[:-2], 2, 3))
        return np.concatenate([arms, hips], axis=-2)

    def pixels(self, rep: int, time_s: float) -> FloatArray:
        """(8, 2) the solved joints at one moment, projected into the picture."""
        still = project(self.camera, self.joints(rep, np.array([time_s]))[0], self.center)
        return np.asarray(still + self.sway.at(time_s))

    def bar_pixels(self, rep: int, time_s: float, beyond_m: float = 0.25) -> FloatArray:
        """(2, 2) two points of the solved bar axis `beyond_m` outside the lifter's left and right hand."""
        left, right = self.joints(rep, np.array([time_s]))[0, 4:6]
        out = (left - right) / max(float(np.linalg.norm(left - right)), 1e-9) * beyond_m
        offset = np.concatenate([[0.0], self.common[BAR_OFFSET]])
        still = project(self.camera, np.stack([left + out, right - out]) + offset, self.center)
        return np.asarray(still + self.sway.at(time_s))


def solve_level(
    tracks: Tracks,
    reps: Sequence[RepSpan],
    capture: Capture,
    roll: Roll | None,
    priors: Priors | None = None,
) -> tuple[Press, Roll | None]:
    """`solve`, and the roll that was believed: not one of uprights that the lifter alone contradicts.

    Either edges that lean are held for uprights, or the lifter lies askew. A phone is mostly held straight,
    so whichever makes it lean less is believed.
    """
    press = solve(tracks, reps, capture, roll, priors)
    if roll is None or roll.source != "uprights" or abs(press.roll_strain) < STRAINED:
        return press, roll
    alone = solve(tracks, reps, capture, None, priors)
    error = float(np.hypot(np.std(alone.common_draws[:, CAM][:, 5]), roll.sd))
    told = float(alone.camera[5])
    if abs(told - roll.roll) < CONTRADICTED * error or abs(told) > abs(roll.roll):
        return press, roll
    return alone, None


def solve(
    tracks: Tracks,
    reps: Sequence[RepSpan],
    capture: Capture,
    roll: Roll | None = None,
    priors: Priors | None = None,
) -> Press:
    """Solve all `reps` together.

    `roll` is what is known of the camera's roll, or None where nothing level was found. The refined
    joints are used where the tracks carry them, else the landmarker's. NothingToScreen when the arms are not
    seen.
    """
    tracks, sway = steadied(tracks, pixels_per_metre(tracks.points(*JOINTS)))
    data = gather(tracks, reps, source_of(tracks, capture))
    priors = priors or Priors()
    known = (roll.roll, roll.sd) if roll else None
    trials = starts(data.seen, capture, tracks.image_size, known, priors)
    rough = _problem(thinned(data), trials[0], priors)[0]
    found = min(
        (_settle(rough, t.common, _fit(data.basis, t.own)) for t in trials[:FULL_STARTS]),
        key=lambda f: f.cost,
    )
    found = _turn_elbows(rough, found, trials[0], data.basis)
    problem, model = _problem(data, trials[0], priors)
    found = arrow.solve(problem, found.common, found.own, None, iterations=12, tolerance=1e-4)
    return replace(_finish(data, found, problem, model), sway=sway)


def _problem(data: PressInput, start: Start, priors: Priors) -> tuple[arrow.Problem, PressModel]:
    model = PressModel(data.seen, start.prior, priors)
    linear = np.zeros(COMMON_SIZE, bool)
    linear[LEAN] = linear[BEND_LEAN] = True
    slopes = model.lean_slopes
    stiff = _stiffness(data.basis.shape[-1])
    return arrow.Problem(model.frames, model.clip, model.weights, data.basis, stiff, linear, slopes), model


def _stiffness(coefficients: int) -> FloatArray:
    """(N, N) so that neighbouring coefficients bend by at most some `CURVE_BEND_M`: where no landmark is seen
    for part of a cycle, a joint goes on as it came."""
    bend = np.diff(np.eye(coefficients), n=2, axis=0) / CURVE_BEND_M
    return np.asarray(bend.T @ bend)


def _settle(problem: arrow.Problem, common: FloatArray, own: FloatArray) -> arrow.Solution:
    """Camera held, then the landmarks' leans held, then everything."""
    near = _approach(problem, common, own, 12)
    return arrow.solve(problem, near.common, near.own, None, iterations=8, tolerance=1e-3)


def _approach(problem: arrow.Problem, common: FloatArray, own: FloatArray, steps: int) -> arrow.Solution:
    """Camera held for a few steps, then `steps` with the landmarks' leans held."""
    free = np.ones(COMMON_SIZE, bool)
    free[CAM] = free[LEAN] = free[BEND_LEAN] = False
    first = arrow.solve(problem, common, own, free, iterations=4)
    free[CAM] = True
    return arrow.solve(problem, first.common, first.own, free, iterations=steps, tolerance=1e-2)


def _turn_elbows(
    problem: arrow.Problem, found: arrow.Solution, start: Start, start_basis: FloatArray
) -> arrow.Solution:
    """Try the other place that each elbow could have on its ray, on one side or both; keep what costs less.

    From where the search ended, and from where it began: with an elbow in the wrong place the camera may have
    been led astray. A try that soon costs far more, or comes back to where the elbows were, is given up.
    """
    for sides in ((0, 1), (0,), (1,)):
        here = _fit(problem.basis, mirrored_elbows(found.common, problem.spread(found.own), sides))
        begin = _fit(start_basis, mirrored_elbows(start.common, start.own, sides))
        for common, own in ((found.common, here), (start.common, begin)):
            other = _approach(problem, common, own, TURN_STEPS)
            if other.cost > TURN_WORTH * found.cost or not _elsewhere(problem, other, found):
                continue
            other = _settle(problem, other.common, other.own)
            found = other if other.cost < found.cost else found
    return found


def _elsewhere(problem: arrow.Problem, one: arrow.Solution, other: arrow.Solution) -> bool:
    """Whether an elbow of the two solutions is `ELSEWHERE_M` apart in the middle of all frames."""
    elbows = [problem.spread(s.own).reshape(-1, 6, 3)[:, 2:4] for s in (one, other)]
    apart = np.median(np.linalg.norm(elbows[0] - elbows[1], axis=-1), axis=0)
    return bool(apart.max() > ELSEWHERE_M)


def _finish(data: PressInput, found: arrow.Solution, problem: arrow.Problem, model: PressModel) -> Press:
    linear = arrow.linearize(problem, found.common, found.own, np.ones(COMMON_SIZE, bool))
    residuals = model.frames(found.common, problem.spread(found.own))
    weights = model.weights(residuals)[:, :12]
    image = residuals[:, :12]
    seen = ~np.isnan(np.repeat(data.seen.xy[..., 0], 2, axis=1))
    unknowns = found.own.size / 2
    misfit = float((weights * image**2)[seen].sum() / max(seen.sum() - unknowns, 1))
    px = image.reshape(-1, 6, 2) * data.seen.sigma_px[..., None]
    rms = float(np.sqrt((px[seen.reshape(-1, 6, 2)] ** 2).mean()))
    rng = np.random.default_rng(SEED)
    prior = float(model.camera.sd[5])
    spread = float(np.linalg.inv(linear.common_information[2])[5, 5])
    alone = max(1 / spread - prior**-2, LEAST_INFORMATION)
    strain = float(found.common[5] - model.camera.mean[5]) / prior**2 / np.sqrt(alone)
    d_common, d_own = arrow.sample(linear, SAMPLES // 2, rng, mirror())
    inflate = np.sqrt(max(misfit, 1.0))
    return Press(
        spans=data.spans,
        common=found.common,
        own=found.own,
        common_draws=found.common + inflate * d_common,
        own_draws=found.own + inflate * d_own.reshape(SAMPLES, *found.own.shape),
        rms_px=rms,
        misfit=misfit,
        center=data.seen.center,
        refined=data.source is not COARSE,
        px_per_m=pixels_per_metre(data.seen.xy),
        frames=len(data.seen.xy),
        roll_strain=float(strain),
    )


def _fit(basis: FloatArray, joints: FloatArray) -> FloatArray:
    """Coefficients (B, N, K) whose curves come nearest to `joints` (B*M, K)."""
    B, M, N = basis.shape
    values = joints.reshape(B, M, OWN_SIZE)
    normal = np.swapaxes(basis, 1, 2) @ basis + 1e-6 * np.eye(N)
    return np.asarray(np.linalg.solve(normal, np.swapaxes(basis, 1, 2) @ values))
