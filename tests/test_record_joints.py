"""Joints in space as C3D. Outside sources: ezc3d reads what was written; the law of cosines gives an elbow's
flexion (Wu et al. 2005, J Biomech 38:981-992: 0 = straight)."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from set_maker import Beat, SetPlan, film

from asymscreen.capture.sheet import Capture
from asymscreen.document import TwoSided
from asymscreen.landmarks.skeleton import JOINTS
from asymscreen.record.joints import AXES, solved_joints, write_joints
from asymscreen.record.lifters import add_lifter
from asymscreen.record.screens import add_screen, read_screen
from asymscreen.record.store import Store, open_store
from asymscreen.screen import screen_tracks


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Store, str]]:
    made, _ = film(SetPlan((Beat(), Beat())), "foot end 45", noise_px=1.0)
    found = screen_tracks(made, Capture(view="foot-end", camera_height_m=2.0))
    with open_store(tmp_path_factory.mktemp("home")) as store:
        add_lifter(store, "L-014")
        yield store, add_screen(store, "L-014", found.document, tracks=found.tracks).id


def flexion(points: Any, side: str) -> float:
    """Flexion of an elbow, degrees, out of the three lengths of shoulder, elbow and wrist."""
    shoulder, elbow, wrist = (
        points[JOINTS.index(f"{side}_{part}")] for part in ("shoulder", "elbow", "wrist")
    )
    a, b, c = math.dist(shoulder, elbow), math.dist(elbow, wrist), math.dist(shoulder, wrist)
    return 180.0 - math.degrees(math.acos((a * a + b * b - c * c) / (2 * a * b)))


def test_the_joints_give_the_difference_that_the_screen_states(
    kept: tuple[Store, str], tmp_path: Path
) -> None:
    import ezc3d

    store, number = kept
    document = read_screen(store, number)
    read = ezc3d.c3d(str(write_joints(store, number, tmp_path / "joints.c3d")))
    assert read["parameters"]["POINT"]["UNITS"]["value"] == ["mm"]
    assert read["parameters"]["POINT"]["LABELS"]["value"] == list(JOINTS)
    assert read["parameters"]["ASYMSCREEN"]["CALIBRATED"]["value"] == ["solved from one camera"]
    assert read["parameters"]["ASYMSCREEN"]["AXES"]["value"] == [AXES]
    rate = read["header"]["points"]["frame_rate"]
    assert rate == pytest.approx(document.clip.fps, abs=0.01)
    points = read["data"]["points"][:3].transpose(2, 1, 0)
    assert len(points) == document.clip.frames
    stated = document.measures["elbow_flexion_bottom"]
    assert isinstance(stated, TwoSided)
    for rep, given in zip(document.reps, stated.reps, strict=True):
        left, right = (flexion(points[round(rep.bottom_s * rate)], side) for side in ("left", "right"))
        assert given.left is not None
        assert given.right is not None
        assert left - right == pytest.approx(given.left - given.right, abs=0.3)
        assert left == pytest.approx(given.left, abs=8.0)  # levels are corrected by the error model besides


def test_joints_lie_where_axes_say_and_only_in_reps(kept: tuple[Store, str]) -> None:
    store, number = kept
    document = read_screen(store, number)
    times, placed = solved_joints(store, number)
    inside = np.zeros(len(times), dtype=bool)
    for rep in document.reps:
        inside |= (times >= rep.start_s) & (times <= rep.end_s)
    assert (np.isfinite(placed).all(axis=(1, 2)) == inside).all()
    assert 0 < inside.sum() < len(times)
    middle = np.nanmean(placed, axis=0)
    place = {name: middle[k] for k, name in enumerate(JOINTS)}
    assert place["left_shoulder"][0] > 100 > -100 > place["right_shoulder"][0]  # X to the lifter's left
    assert place["left_hip"][1] < -300  # Y to the head
    assert place["left_wrist"][2] > place["left_elbow"][2] + 100  # Z up
    upper = np.linalg.norm(placed[inside, 0] - placed[inside, 2], axis=1)
    assert 220 < np.median(upper) < 380  # an adult's upper arm, millimetres
    assert np.ptp(upper) < 40
