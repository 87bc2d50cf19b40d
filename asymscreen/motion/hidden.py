"""Why no press was found in tracks: filmed from the side, arms hidden, too short in view, or nobody
pressing."""

from __future__ import annotations

import numpy as np

from asymscreen.landmarks.usable import SIDE_WORDS, from_the_side
from asymscreen.motion.tracks import Tracks
from asymscreen.motion.travel import SHORTEST_S

MOST_HIDDEN = 0.5
"""A shoulder, or both hands, hidden in more than this share of the frames leave no rep to follow."""
NO_PRESS = (
    "No press was found: nobody lowers and raises a bar in this clip; film a set from the unrack to the rack."
)


def why_no_press(tracks: Tracks) -> str:
    """One sentence: the reason why cleaned `tracks` show no rep, and what to do."""
    if from_the_side(tracks):
        return SIDE_WORDS
    gone = hidden_parts(tracks)
    if gone:
        verb = "are" if _many(gone) else "is"
        return (
            f"No press was found: the lifter's {' and '.join(gone)} {verb} hidden or not marked in most "
            "frames, and a rep cannot be followed without both shoulders, both elbows and a hand; film again "
            "with both arms in full view."
        )
    seen = tracks.time_s[np.isfinite(tracks.points("left_shoulder", "right_shoulder")).all(axis=(1, 2))]
    span = float(seen[-1] - seen[0]) if len(seen) else 0.0
    if span < SHORTEST_S:
        return (
            f"No press was found: the lifter is in view for {span:.1f} s, less than a rep takes; film a set "
            "from the unrack to the rack."
        )
    return NO_PRESS


def _many(words: list[str]) -> bool:
    return len(words) > 1 or words[0].endswith("s")


def hidden_parts(tracks: Tracks) -> list[str]:
    """What of the arms is hidden for too long, in words: "right shoulder", "left elbow", "hands"."""
    hidden = {
        name: 1.0 - float(np.mean(np.isfinite(_best(tracks, name)).all(axis=1)))
        for name in (f"{s}_{j}" for j in ("shoulder", "elbow", "wrist") for s in ("left", "right"))
    }
    gone = [n for n in ("left_shoulder", "right_shoulder") if hidden[n] > MOST_HIDDEN]
    gone += [n for n in ("left_elbow", "right_elbow") if hidden[n] >= 1.0]
    words = [n.replace("_", " ") for n in gone]
    if words[:2] == ["left shoulder", "right shoulder"]:
        words[:2] = ["shoulders"]
    hands = np.stack([_best(tracks, "left_wrist"), _best(tracks, "right_wrist")])
    either = np.isfinite(hands).all(axis=2).any(axis=0)
    return words + (["hands"] if float(either.mean()) < 1 - MOST_HIDDEN else [])


def _best(tracks: Tracks, name: str) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """(T, 2) the refined joint where there is one, else the coarse one."""
    fine, coarse = tracks.points(f"refined_{name}")[:, 0], tracks.points(name)[:, 0]
    return np.where(np.isnan(fine), coarse, fine)
