"""The only composer: a clip or a track file in, one screen out.

clip -> landmarks -> tracks -> reps -> solved press -> measures -> calls -> Screen
"""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any

import numpy as np

from asymscreen import __version__
from asymscreen.capture.advice import advise, advise_again
from asymscreen.capture.sheet import Capture
from asymscreen.document import (
    CapturePart,
    ClipPart,
    Fit,
    KeyFrame,
    LandmarkModel,
    Rep,
    ScreenDocument,
    Sheet,
    Software,
)
from asymscreen.errors import NothingToScreen, UsageError
from asymscreen.landmarks.skeleton import JOINTS
from asymscreen.looking import Progress, key_pictures, tracks_of_clip
from asymscreen.motion.camera import off_middle_deg
from asymscreen.motion.press import Press
from asymscreen.motion.reps import RepSpan
from asymscreen.motion.sides import settle_sides
from asymscreen.motion.tracks import Tracks
from asymscreen.scoring.curves import cycle_curves
from asymscreen.scoring.look import Looked, call_looked, look, press_reps
from asymscreen.scoring.noise import load_error_model
from asymscreen.scoring.patterns import cautions, find_patterns, summary
from asymscreen.whole import write_whole

if TYPE_CHECKING:
    from asymscreen.capture.reel import Reel


@dataclass(frozen=True)
class Screen:
    """One clip, measured and called.

    document   the result document; the report, the record and the desk read nothing else
    tracks     the landmark tracks that were screened, or None where none could be made
    images     JPEG bytes of the key frames by the names that the document gives them
    """

    document: ScreenDocument
    tracks: Tracks | None = None
    images: Mapping[str, bytes] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """The result document as plain JSON types."""
        return self.document.model_dump(mode="json", by_alias=True)

    @property
    def usable(self) -> bool:
        return self.document.capture.usable


def screen(
    path: str | Path,
    capture: Capture | None = None,
    progress: Progress | None = None,
    lifter_at: tuple[float, float] | None = None,
) -> Screen:
    """Screen a clip.

    lifter_at   a point (x, y) on the lifter, pixels of the upright picture, where a person says who it is

    A readable clip always gives a Screen; where there is nothing to screen, `usable` is false and
    `document.capture.reasons` says why. ClipError for a file that is no clip, ModelError for a damaged model.
    """
    from asymscreen.capture.reel import Reel

    capture, tell = capture or Capture(), progress or (lambda stage, share: None)
    tell("Opening the clip", 0.0)
    with Reel(path, capture.mirrored) as reel, ThreadPoolExecutor(1) as aside:
        return _screen_clip(reel, capture, tell, lifter_at, aside)


def _import_ahead() -> None:
    """What scores and report need is imported while the networks load."""
    for name in ("scipy.special", "asymscreen.report"):
        import_module(name)


def _screen_clip(
    reel: Reel,
    capture: Capture,
    tell: Progress,
    lifter_at: tuple[float, float] | None,
    aside: ThreadPoolExecutor,
) -> Screen:
    """`screen`, with a thread for what need not be waited for."""
    from asymscreen.landmarks.model import NAME, verified_bundle

    info = reel.info
    import_module("asymscreen.landmarks.extract")
    aside.submit(_import_ahead)
    model = LandmarkModel(name=NAME, sha256=verified_bundle()[1])
    clip = ClipPart(
        name=info.name,
        sha256=info.sha256,
        width=info.width,
        height=info.height,
        fps=round(info.fps, 3),
        frames=info.frames,
        duration_s=round(info.duration_s, 3),
        rotation_deg=info.rotation_deg,
        mirrored=capture.mirrored,
        recorded=info.recorded,
    )
    try:
        tracks = tracks_of_clip(reel, tell, lifter_at)
    except NothingToScreen as nothing:
        return Screen(_refusal(clip, model, capture, nothing.reasons))
    tell("Solving the press", 0.0)
    steady, reps = press_reps(tracks)
    taken = aside.submit(key_pictures, reel, [rep.bottom_s for rep in reps])
    found = _screen(tracks, clip, model, capture, (steady, reps))
    frames = found.document.keyframes
    if frames:
        tell("Taking the pictures for the report", 0.9)
        images = {frame.image: jpeg for frame, jpeg in zip(frames, taken.result(), strict=True)}
        found = Screen(found.document, found.tracks, images)
    tell("Done", 1.0)
    return found


def screen_tracks(
    tracks: Tracks | Path,
    capture: Capture | None = None,
    image_size: tuple[int, int] | None = None,
    name: str = "",
    progress: Progress | None = None,
    fps: float | None = None,
) -> Screen:
    """Screen landmark tracks, given as they are, or as a track file or key points (`motion.keypoints`).

    `image_size` is the pictures' size where the file does not tell; `fps` their rate where it has no times.
    Where "left" turns out to be the picture's left it is made the lifter's, and the cautions say so.
    TracksError where the file cannot be read, or its picture size was not said.
    """
    from asymscreen.motion.keypoints import load_tracks

    digest = ""
    tell = progress or (lambda stage, share: None)
    tell("Reading the tracks", 0.0)
    if isinstance(tracks, Path):
        name = name or tracks.name
        loaded = load_tracks(tracks, image_size, fps)
        digest = hashlib.sha256(Path(str(tracks).partition("#")[0]).read_bytes()).hexdigest()
    else:
        loaded = tracks
    loaded = settle_sides(loaded, (capture or Capture()).view)
    width, height = loaded.image_size
    step = float(np.median(np.diff(loaded.time_s)))
    clip = ClipPart(
        name=name or "tracks",
        sha256=digest,
        width=width,
        height=height,
        fps=round(1 / step, 3),
        frames=len(loaded),
        duration_s=round(float(loaded.time_s[-1] - loaded.time_s[0]) + step, 3),
        mirrored=(capture or Capture()).mirrored,
    )
    tell("Solving the press", 0.5)
    found = _screen(loaded, clip, None, capture or Capture())
    tell("Done", 1.0)
    return found


def write_screen(found: Screen, folder: Path) -> list[Path]:
    """Report, tracks and result document into `folder`, made if need be; the paths, the report first.

    Every file is whole or absent, the document last. UsageError where they cannot be written.
    """
    from asymscreen.motion.tidy import write_tracks
    from asymscreen.report import write_report

    try:
        folder.mkdir(parents=True, exist_ok=True)
        written = [write_report(found.document, found.images, folder / "report.html")]
        if found.tracks is not None:
            written.append(write_tracks(found.tracks, folder / "tracks.csv.gz"))
        written += [write_whole(folder / image, data) for image, data in found.images.items()]
        written.append(write_whole(folder / "screen.json", found.document.to_json().encode("utf-8")))
    except OSError as error:
        raise UsageError(
            f"{folder}: expected to write the results there, got {error.strerror or error}; make room or "
            "choose another"
        ) from error
    return written


def screen_again(
    before: ScreenDocument,
    tracks: Tracks,
    capture: Capture,
    change: Callable[[Sequence[RepSpan]], Sequence[RepSpan]],
) -> Screen:
    """A screen solved again from tracks and a sheet that a person corrected, without its key frames' images.

    change   gets the reps that are found in the tracks and gives those that count
    The clip and the landmark model stay those of `before`.
    """
    steady, reps = press_reps(tracks)
    clip = before.clip.model_copy(update={"mirrored": capture.mirrored})
    return _screen(tracks, clip, before.software.landmark_model, capture, (steady, tuple(change(reps))))


def _screen(
    tracks: Tracks,
    clip: ClipPart,
    model: LandmarkModel | None,
    capture: Capture,
    found: tuple[Tracks, tuple[RepSpan, ...]] | None = None,
) -> Screen:
    found = found or press_reps(tracks)
    try:
        looked = look(tracks, capture, found)
    except NothingToScreen as nothing:
        return Screen(_noted(_refusal(clip, model, capture, nothing.reasons, found[1]), tracks), tracks)
    return Screen(_noted(_document(looked, clip, model, capture), tracks), tracks)


def _noted(document: ScreenDocument, tracks: Tracks) -> ScreenDocument:
    """The document with what must be said of its tracks among the cautions."""
    return document.model_copy(update={"cautions": [*document.cautions, *tracks.notes]})


def _document(
    looked: Looked, clip: ClipPart, model: LandmarkModel | None, capture: Capture
) -> ScreenDocument:
    errors = load_error_model()
    press, reps, roll, view = looked.press, looked.reps, looked.roll, looked.context.view
    measures = call_looked(looked, errors)
    return ScreenDocument(
        software=Software(version=__version__, landmark_model=model, error_model=errors.version),
        clip=clip,
        capture=CapturePart(
            view=view,
            view_source="stated" if capture.view else "estimated",
            elevation_deg=round(press.elevation_deg, 1),
            azimuth_deg=round(press.azimuth_deg, 1),
            roll_deg=round(float(np.degrees(press.camera[5])), 2),
            roll_source=roll.source if roll else "none",
            distance_m=round(float(np.linalg.norm(press.camera[:3])), 2),
            usable=True,
            advice=advise(
                view=view,
                elevation_deg=press.elevation_deg,
                aside_deg=off_middle_deg(press.azimuth_deg),
                roll_known=roll is not None,
                short_side_px=min(clip.width, clip.height),
                reps=sum(rep.complete for rep in reps),
            ),
        ),
        reps=_reps(reps),
        measures=dict(measures),
        patterns=find_patterns(measures),
        cautions=cautions(
            measures,
            reps=sum(rep.complete for rep in reps),
            level=roll is not None,
            mirrored=capture.mirrored,
            provisional=errors.provisional or not any(m.rows for m in errors.views.get(view, {}).values()),
        ),
        summary=summary(measures),
        sheet=_sheet(capture),
        fit=Fit(
            rms_px=round(press.rms_px, 3),
            frames=press.frames,
            focal_px=round(float(np.exp(press.camera[6])), 1),
        ),
        curves=cycle_curves(press, reps),
        keyframes=_keyframes(press, reps),
    )


def _keyframes(press: Press, reps: Sequence[RepSpan]) -> list[KeyFrame]:
    out = []
    for k, rep in enumerate(reps):
        pixels = press.pixels(k, rep.bottom_s)
        bar = press.bar_pixels(k, rep.bottom_s)
        points = {
            name: (round(float(x), 1), round(float(y), 1))
            for name, (x, y) in zip(JOINTS, pixels, strict=True)
        }
        ends = tuple((round(float(x), 1), round(float(y), 1)) for x, y in bar)
        out.append(
            KeyFrame(
                rep=rep.number,
                event="bottom",
                time_s=round(rep.bottom_s, 3),
                image=f"rep-{rep.number}-bottom.jpg",
                points=points,
                bar=(ends[0], ends[1]),
            )
        )
    return out


def _refusal(
    clip: ClipPart,
    model: LandmarkModel | None,
    capture: Capture,
    reasons: Sequence[str],
    reps: Sequence[RepSpan] = (),
) -> ScreenDocument:
    return ScreenDocument(
        software=Software(version=__version__, landmark_model=model),
        clip=clip,
        capture=CapturePart(
            view=capture.view or "unknown",
            view_source="stated" if capture.view else "estimated",
            usable=False,
            reasons=list(reasons),
            advice=advise_again(reasons),
        ),
        reps=_reps(reps),
        measures={},
        patterns=[],
        cautions=cautions({}, reps=len(reps), level=True, mirrored=capture.mirrored),
        summary=summary({}, usable=False, reasons=reasons),
        sheet=_sheet(capture),
    )


def _reps(reps: Sequence[RepSpan]) -> list[Rep]:
    names = ("start_s", "bottom_s", "end_s", "descent_s", "pause_s", "ascent_s")
    return [
        Rep(number=r.number, complete=r.complete, **{name: round(getattr(r, name), 3) for name in names})
        for r in reps
    ]


def _sheet(capture: Capture) -> Sheet:
    return Sheet(
        lifter=capture.lifter,
        load_kg=capture.load_kg,
        one_rep_max_kg=capture.one_rep_max_kg,
        camera_height_m=capture.camera_height_m,
        camera_distance_m=capture.camera_distance_m,
        grip=capture.grip,
        level_marks=capture.level_marks,
        roll_deg=capture.roll_deg,
    )


class _CallableModule(ModuleType):
    """This module can be called: `asymscreen.screen(path)` is the function, whichever was imported first."""

    def __call__(
        self,
        path: str | Path,
        capture: Capture | None = None,
        progress: Progress | None = None,
        lifter_at: tuple[float, float] | None = None,
    ) -> Screen:
        return screen(path, capture, progress, lifter_at)


sys.modules[__name__].__class__ = _CallableModule
