"""The landmark network behind one class: the only place that imports MediaPipe.

Only two-dimensional landmarks leave here: the network's "world" landmarks lean to one side and stay unused.
"""

from __future__ import annotations

import contextlib
import importlib
import sys
import threading
import weakref
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType, TracebackType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from asymscreen.errors import ModelError, UsageError
from asymscreen.landmarks.model import verified_bundle
from asymscreen.landmarks.quiet import quiet
from asymscreen.landmarks.skeleton import BLAZEPOSE

Image = NDArray[np.uint8]
FloatArray = NDArray[np.float64]

MAX_POSES = 3  # people looked for in a picture: the lifter, a spotter and one more
FAR_APART_MS = 100_000_000  # pretended time between frames; see `Detector`
MIN_CONFIDENCE = 0.5  # 0 to 1; MediaPipe's own default for detection and presence
_PICTURES = threading.Lock()
"""MediaPipe declares the arguments of its C functions anew for every picture, which no thread may
do while another makes or frees a picture."""
_IMPORTING = threading.Lock()
NOT_NEEDED = ("matplotlib", "matplotlib.pyplot", "sounddevice")
"""What MediaPipe imports for drawing and for sound: a third of a second, and folders outside ours."""


@dataclass(frozen=True)
class Pose:
    """One person in one picture.

    xy_px       (33, 2) pixels of the picture that was given, x right, y down; may lie outside it
    visibility  (33,) 0 to 1
    """

    xy_px: FloatArray
    visibility: FloatArray


class Detector:
    """BlazePose *heavy* on single pictures. Use with `with`; one per thread.

    poses     at most so many people are returned
    follow    look for people where they were in the picture before, all over it only when they are lost
    model     bundle to load, the shipped one by default; its digest is checked

    Following is MediaPipe's video mode, which also smooths over time by a filter (one-euro) that lets through
    all of a change that took long. Every picture is therefore given a time stamp a day after the one before:
    nothing is smoothed, and pictures affect one another only in where the network looks.
    Raises ModelError if the bundle is damaged or the system libraries that MediaPipe loads are missing.
    """

    def __init__(self, poses: int = MAX_POSES, follow: bool = False, model: Path | None = None) -> None:
        path, _ = verified_bundle(model) if model else verified_bundle()
        self._settled = False
        self._follow = follow
        self._stamp_ms = 0
        with quiet():
            landmarker = _landmarker(path, poses, follow)
        self._landmarker: Any = landmarker
        self._finalizer = weakref.finalize(self, _close, landmarker)

    def detect(self, rgb: Image) -> list[Pose]:
        """People in a picture, surest first.

        rgb   (height, width, 3) uint8, red first; the person may lie any way up
        Raises UsageError on another kind of array, ModelError once the detector is closed.
        """
        if self._landmarker is None:
            raise ModelError("the landmark detector is closed: make a new one before asking it for people")
        if rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.dtype != np.uint8:
            raise UsageError(
                f"expected a picture (height, width, 3) of uint8, got {rgb.shape} of {rgb.dtype}"
            )
        with contextlib.nullcontext() if self._settled else quiet():
            people = self._run(np.ascontiguousarray(rgb))
        # the network writes its last start-up line when it first sees a person, and is silent from then on
        self._settled = self._settled or bool(people)
        height, width = rgb.shape[:2]
        return [_pose(person, width, height) for person in people]

    def forget(self, height: int, width: int) -> None:
        """Lose whoever is being followed: the next picture, of that size, is searched all over."""
        self.detect(np.zeros((height, width, 3), np.uint8))

    def _run(self, rgb: Image) -> list[Any]:
        from mediapipe import Image as MpImage
        from mediapipe import ImageFormat

        with _PICTURES:
            picture = MpImage(image_format=ImageFormat.SRGB, data=rgb)
        try:
            if not self._follow:
                return list(self._landmarker.detect(picture).pose_landmarks)
            self._stamp_ms += FAR_APART_MS
            return list(self._landmarker.detect_for_video(picture, self._stamp_ms).pose_landmarks)
        finally:
            with _PICTURES:
                del picture

    def close(self) -> None:
        """Free the network. Closing twice does nothing."""
        self._landmarker = None
        self._finalizer()

    def __enter__(self) -> Detector:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def model_schemas() -> tuple[Any, Any]:
    """MediaPipe's generated flatbuffer modules (TFLite model, TFLite metadata), for building the bundle."""
    _import_mediapipe()
    from mediapipe.tasks.metadata import metadata_schema_py_generated, schema_py_generated

    return schema_py_generated, metadata_schema_py_generated


class _Later(ModuleType):
    """Stands for a module until somebody asks it for something; only then the true one is imported."""

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        return getattr(importlib.import_module(self.__name__), name)


def _import_mediapipe() -> None:
    """Import MediaPipe without what it needs for drawing and sound only; that comes when it is used."""
    with _IMPORTING:
        if "mediapipe" in sys.modules:
            return
        put = {name: _Later(name) for name in NOT_NEEDED if name not in sys.modules}
        for name, module in put.items():
            above, _, last = name.rpartition(".")
            if above in put:
                setattr(put[above], last, module)
        sys.modules.update(put)
        try:
            importlib.import_module("mediapipe")
        finally:
            for name in put:
                sys.modules.pop(name, None)


def _landmarker(path: Path, poses: int, follow: bool) -> Any:
    try:
        _import_mediapipe()
        from mediapipe.tasks.python import BaseOptions, vision

        options = vision.PoseLandmarkerOptions(
            base_options=BaseOptions(model_asset_path=str(path)),
            running_mode=vision.RunningMode.VIDEO if follow else vision.RunningMode.IMAGE,
            num_poses=poses,
            min_pose_detection_confidence=MIN_CONFIDENCE,
            min_pose_presence_confidence=MIN_CONFIDENCE,
        )
        return vision.PoseLandmarker.create_from_options(options)
    except (ImportError, OSError) as exc:
        raise ModelError(
            f"expected the system libraries libEGL, libGLESv2 and libGL, got: {exc}; "
            "on Debian or Ubuntu: apt-get install libegl1 libgles2 libgl1"
        ) from exc
    except (RuntimeError, ValueError) as exc:
        raise ModelError(
            f"{path}: the landmark model could not be loaded ({exc}); reinstall asymscreen"
        ) from exc


def _pose(landmarks: Any, width: int, height: int) -> Pose:
    values = np.array([(p.x, p.y, p.visibility) for p in landmarks], dtype=np.float64)
    if values.shape != (len(BLAZEPOSE), 3):
        raise ModelError(f"the landmark model gave {len(values)} points, expected {len(BLAZEPOSE)}")
    return Pose(values[:, :2] * (width, height), np.clip(values[:, 2], 0.0, 1.0))


def _close(landmarker: Any) -> None:
    # at interpreter exit MediaPipe's own worker thread is gone already: nothing is left to free then
    with contextlib.suppress(RuntimeError), quiet():
        landmarker.close()
    landmarker._handle = None
