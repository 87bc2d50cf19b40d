"""Invented result documents and placeholder pictures for the report's tests: nobody was filmed for them.

`python tests/report_samples.py` writes the documents again into tests/data/.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from asymscreen.document import (
    Curve,
    CurvePair,
    Interval,
    KeyFrame,
    OneValue,
    Rep,
    ScreenDocument,
    SideRep,
    TwoSided,
    ValueRep,
)

DATA = Path(__file__).parent / "data"
SIZE = (1280, 720)
AWAY = "the phone stood too low for it; its error would be 9 deg"

Call = str
"""left, right, both, even or not-measurable"""


def two(
    left: float, right: float, error: float, floor: float, call: Call, direction: str = "", **more: Any
) -> TwoSided:
    """A two-sided measure with a symmetric interval and three reps about its sides."""
    reps = more.pop("reps", 3)
    difference = left - right
    steps = [0.4 * math.sin(2.1 * k) for k in range(reps)]
    fields: dict[str, Any] = {
        "unit": "deg",
        "left": left,
        "right": right,
        "difference": Interval(value=difference, low=difference - error, high=difference + error),
        "noise_floor": floor,
        "call": call,
        "direction": direction,
        "reason": "",
        "reps": [SideRep(number=k + 1, left=left + d, right=right - d) for k, d in enumerate(steps)],
    }
    return TwoSided(**(fields | more))


def one(value: float, error: float, floor: float, call: Call, direction: str = "", **more: Any) -> OneValue:
    """A measure with one signed number."""
    reps = more.pop("reps", 3)
    fields: dict[str, Any] = {
        "unit": "deg",
        "value": value,
        "low": value - error,
        "high": value + error,
        "noise_floor": floor,
        "call": call,
        "direction": direction,
        "reason": "",
        "reps": [ValueRep(number=k + 1, value=value + 0.1 * math.sin(1.7 * k)) for k in range(reps)],
    }
    return OneValue(**(fields | more))


def unknown(unit: str = "deg", reason: str = AWAY) -> TwoSided:
    """A two-sided measure that the view does not show."""
    empty = Interval(value=None, low=None, high=None)
    return TwoSided(
        unit=unit, left=None, right=None, difference=empty, noise_floor=None,
        call="not-measurable", direction="", reason=reason, reps=[],
    )  # fmt: skip


def unknown_one(unit: str = "deg", reason: str = AWAY) -> OneValue:
    """A one-value measure that the view does not show."""
    return OneValue(
        unit=unit, value=None, low=None, high=None, noise_floor=None,
        call="not-measurable", direction="", reason=reason, reps=[],
    )  # fmt: skip


def rep(number: int, *, complete: bool = True) -> Rep:
    start = 1.0 + 3.2 * (number - 1)
    return Rep(
        number=number, start_s=start, bottom_s=start + 1.6, end_s=start + 2.9,
        descent_s=1.5, pause_s=0.2, ascent_s=1.2, complete=complete,
    )  # fmt: skip


def _cycle(low: float, peak: float, reps: int, wobble: float) -> Curve:
    """A smooth hump over the cycle with its top at 54 %, each rep a little different."""
    x = np.linspace(0.0, 1.0, 101)
    shape = np.sin(np.pi * x ** (math.log(0.5) / math.log(0.54))) ** 1.4
    each = [
        low + (peak - low + wobble * (k - (reps - 1) / 2)) * shape + 0.3 * wobble * np.sin(9 * x + k)
        for k in range(reps)
    ]
    return _curve(np.array(each))


def _curve(each: np.ndarray) -> Curve:
    sd = each.std(axis=0, ddof=1) if len(each) > 1 else np.zeros(each.shape[1])
    return Curve(
        mean=each.mean(axis=0).round(2).tolist(), sd=sd.round(2).tolist(), reps=each.round(2).tolist()
    )


def curves(
    reps: int = 3, *, tuck: tuple[float, float] = (55.1, 42.8), tilt: float = 2.4
) -> dict[str, CurvePair]:
    """Elbow flexion, tuck and bar tilt over the cycle."""
    return {
        "elbow_flexion": CurvePair(
            unit="deg", bottom_percent=54, left=_cycle(6, 101.3, reps, 2.0), right=_cycle(7, 98.9, reps, 2.4)
        ),
        "tuck": CurvePair(
            unit="deg",
            bottom_percent=54,
            left=_cycle(78, tuck[0], reps, 2.6),
            right=_cycle(77, tuck[1], reps, 2.2),
        ),
        "bar_tilt": CurvePair(unit="deg", bottom_percent=54, value=_cycle(0.3, tilt, reps, 0.5)),
    }


def _camera(points: np.ndarray) -> np.ndarray:
    """Lifter frame (metres) to pixels: a phone 2 m high at the foot end, looking down at 40 deg."""
    pitch, focal = math.radians(40), 900.0
    back = np.array(
        [[1, 0, 0], [0, math.sin(pitch), math.cos(pitch)], [0, -math.cos(pitch), math.sin(pitch)]]
    )
    seen = points @ back.T
    depth = 2.6 + points[:, 1] * math.cos(pitch) - points[:, 2] * math.sin(pitch)
    return np.stack(
        [SIZE[0] / 2 + focal * seen[:, 0] / depth, SIZE[1] / 2 + 40 - focal * seen[:, 1] / depth], axis=1
    )


JOINTS_M = {
    "left_shoulder": (0.19, 0.0, 0.0), "right_shoulder": (-0.19, 0.0, 0.0),
    "left_elbow": (0.43, -0.14, -0.08), "right_elbow": (-0.38, -0.21, -0.08),
    "left_wrist": (0.38, -0.12, 0.17), "right_wrist": (-0.38, -0.12, 0.2),
    "left_hip": (0.1, -0.5, 0.0), "right_hip": (-0.1, -0.5, 0.0),
}  # fmt: skip
BAR_M = ((1.0, -0.12, 0.146), (-1.0, -0.12, 0.222))


def keyframe(number: int, event: str = "bottom") -> KeyFrame:
    shift = 6.0 * (number - 1)
    step = np.array([0.6 * shift, shift])
    xy = _camera(np.array(list(JOINTS_M.values()))) + step
    ends = _camera(np.array(BAR_M)) + step
    points = {name: tuple(p.round(1).tolist()) for name, p in zip(JOINTS_M, xy, strict=True)}
    return KeyFrame(
        rep=number, event=event, time_s=1.0 + 3.2 * (number - 1) + 1.6, image=f"{event}-{number}.jpg",
        points=points, bar=tuple(tuple(p.round(1).tolist()) for p in ends),
    )  # fmt: skip


def picture(frame: KeyFrame, size: tuple[int, int] = SIZE) -> bytes:
    """A plain stand-in for a frame: floor, bench, trunk, arms and bar as simple shapes."""
    image = np.full((size[1], size[0], 3), (96, 104, 108), np.uint8)
    image[size[1] // 3 :] = (70, 76, 80)
    noise = np.random.default_rng(frame.rep).normal(0, 4, image.shape)
    at = {name: (round(x), round(y)) for name, (x, y) in frame.points.items()}
    trunk = np.array([at["left_shoulder"], at["right_shoulder"], at["right_hip"], at["left_hip"]])
    cv2.rectangle(image, (540, 240), (740, 719), (40, 42, 46), -1)
    cv2.fillConvexPoly(image, cv2.convexHull(trunk), (120, 110, 96))
    for side in ("left", "right"):
        for a, b in (("shoulder", "elbow"), ("elbow", "wrist")):
            cv2.line(image, at[f"{side}_{a}"], at[f"{side}_{b}"], (128, 146, 178), 46, cv2.LINE_AA)
    cv2.circle(image, (640, 250), 48, (128, 146, 178), -1, cv2.LINE_AA)
    left, right = (tuple(round(v) for v in end) for end in frame.bar)
    cv2.line(image, left, right, (150, 150, 152), 12, cv2.LINE_AA)
    for end in (left, right):
        cv2.ellipse(image, end, (26, 96), 0, 0, 360, (46, 46, 50), -1, cv2.LINE_AA)
    image = np.clip(image + noise, 0, 255).astype(np.uint8)
    return cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, 80])[1].tobytes()


def images(document: ScreenDocument) -> dict[str, bytes]:
    """A stand-in picture for every key frame of the document."""
    return {frame.image: picture(frame) for frame in document.keyframes}


def _base(**parts: Any) -> ScreenDocument:
    fields: dict[str, Any] = {
        "software": {
            "version": "0.1.0",
            "landmark_model": {"name": "blazepose-heavy", "sha256": "5f" * 32},
            "error_model": "invented-1",
        },
        "clip": {
            "name": "L-014 set 2.mp4", "sha256": "a3" * 32, "width": SIZE[0], "height": SIZE[1],
            "fps": 29.97, "frames": 330, "duration_s": 11.0,
        },
        "capture": {
            "view": "foot-end", "view_source": "stated", "elevation_deg": 44.2, "azimuth_deg": -1.3,
            "roll_deg": 0.4, "roll_source": "uprights", "distance_m": 1.35, "height_m": 2.05, "usable": True,
        },
        "reps": [rep(1), rep(2), rep(3)],
        "measures": {},
        "patterns": [],
        "cautions": [],
        "sheet": {"lifter": "L-014", "load_kg": 80, "one_rep_max_kg": 100},
        "fit": {"rms_px": 2.1, "frames": 174, "focal_px": 910},
    }  # fmt: skip
    return ScreenDocument.model_validate(fields | parts)


def crossed() -> ScreenDocument:
    """The bar low on the left, the right elbow tucked more: the crossed pattern."""
    return _base(
        summary="The bar sits 2.4 degrees lower on the left at the bottom, and the right elbow is tucked"
        " 12.3 degrees more than the left.",
        measures={
            "elbow_flexion_bottom": two(
                101.3, 98.9, 2.3, 3.4, "even", "even within 4.7 deg", reference_band=(90, 115)
            ),
            "elbow_flexion_lockout": two(6.2, 7.4, 2.0, 2.9, "even"),
            "tuck_bottom": two(55.1, 42.8, 2.6, 3.1, "right", "more tucked", reference_band=(45, 75)),
            "tuck_mid_ascent": two(61.4, 53.0, 3.0, 3.9, "right", "more tucked"),
            "forearm_lean_bottom": two(4.1, 2.2, 2.8, 3.6, "even"),
            "shoulder_height_bottom": two(98, 106, 9, 14, "even", unit="mm"),
            "lockout_time": two(0.02, 0.0, 0.04, 0.07, "even", unit="s"),
            "bar_tilt_bottom": one(2.4, 0.4, 0.6, "left", "lower"),
            "bar_tilt_mid_ascent": one(1.5, 0.4, 0.7, "left", "lower"),
            "bar_tilt_lockout": one(0.2, 0.4, 0.6, "even", "even within 0.6 deg"),
            "shoulder_line_bottom": one(0.9, 1.2, 1.6, "even"),
            "bar_shift_bottom": one(-7, 9, 13, "even", unit="mm"),
        },
        patterns=[
            {
                "name": "crossed",
                "text": "The bar sits low on the left while the right elbow is tucked more. These two belong"
                " together; the low side's shoulder girdle is where to look next.",
                "because": ["bar_tilt_bottom", "tuck_bottom"],
            }
        ],
        cautions=["The lifter reported a sore right shoulder (3 of 10) on the capture day; load with care."],
        curves=curves(),
        keyframes=[keyframe(1), keyframe(2), keyframe(3), keyframe(2, "mid-ascent"), keyframe(2, "lockout")],
    )


def even() -> ScreenDocument:
    """Nothing above the noise floor; two reps, no capture sheet."""
    return _base(
        summary="Both sides press alike, as far as this clip can show.",
        reps=[rep(1), rep(2)],
        measures={
            "elbow_flexion_bottom": two(97.0, 96.2, 2.5, 3.6, "even", reps=2),
            "tuck_bottom": two(58.3, 59.4, 2.6, 3.3, "even", reps=2),
            "bar_tilt_bottom": one(-0.1, 0.4, 0.6, "even", reps=2),
        },
        sheet={},
        curves=curves(2, tuck=(58.3, 59.4), tilt=-0.1),
        keyframes=[keyframe(1), keyframe(2)],
    )


def not_measurable() -> ScreenDocument:
    """A level foot-end view: tilt and flexion are seen, tuck is not."""
    low = curves()
    del low["tuck"]
    return _base(
        summary="The bar sits 1.4 degrees lower on the right at the bottom; how far the elbows are tucked"
        " cannot be seen from this low.",
        capture={
            "view": "foot-end", "view_source": "estimated", "elevation_deg": 8.1, "azimuth_deg": 6.4,
            "roll_source": "none", "usable": True,
            "reasons": ["The phone stood at bench height, where the tuck of the elbows is hidden."],
            "advice": [
                "Hold the phone about 2 m high at the foot end.",
                "Keep a rack upright in the picture.",
            ],
        },
        measures={
            "elbow_flexion_bottom": two(96.0, 101.5, 3.1, 4.2, "both", "left straighter, right more bent"),
            "tuck_bottom": unknown(),
            "tuck_mid_ascent": unknown(),
            "shoulder_height_bottom": unknown("mm", "the shoulders were hidden behind the arms"),
            "bar_tilt_bottom": one(-1.4, 0.9, 1.1, "right", "lower", reason="against the shoulder line only"),
            "bar_shift_bottom": unknown_one("mm", "no plate was seen whole, so there is no scale"),
        },
        curves=low,
        keyframes=[keyframe(1), keyframe(2), keyframe(3)],
        sheet={"lifter": "L-021"},
    )  # fmt: skip


def unusable() -> ScreenDocument:
    """A clip from the side: nothing is called."""
    return _base(
        capture={
            "view": "side", "view_source": "estimated", "elevation_deg": 12.0, "azimuth_deg": 84.0,
            "usable": False,
            "reasons": [
                "The clip was filmed from the side, where one arm hides the other.",
                "The bar left the picture in 41 of 210 frames.",
            ],
            "advice": [
                "Stand at the foot end and hold the phone about 2 m high.",
                "Keep both ends of the bar inside the picture.",
            ],
        },
        reps=[], measures={}, fit=None,
        summary="This clip was filmed from the side, so left and right cannot be compared.",
        sheet={"lifter": "L-030", "load_kg": 62.5},
    )  # fmt: skip


SAMPLES = {"crossed": crossed, "even": even, "not-measurable": not_measurable, "unusable": unusable}


def write_all() -> None:
    DATA.mkdir(exist_ok=True)
    for name, make in SAMPLES.items():
        (DATA / f"screen-{name}.json").write_text(make().to_json() + "\n", encoding="utf-8")


if __name__ == "__main__":
    write_all()
