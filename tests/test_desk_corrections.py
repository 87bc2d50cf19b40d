"""Corrections by a person: what each does to tracks, sheet and reps; the untouched screen comes back."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import reference_desk as reference
import report_samples as samples
from hypothesis import given
from hypothesis import strategies as st
from set_maker import Beat, SetPlan, film

from asymscreen.capture.sheet import Capture
from asymscreen.cli import demo_capture
from asymscreen.desk import corrections as fix
from asymscreen.desk.moments import DRAWN, MOST_GAP_S, drawn_points, moments
from asymscreen.document import ScreenDocument, read_document
from asymscreen.errors import RecordError, UsageError
from asymscreen.landmarks.skeleton import BLAZEPOSE
from asymscreen.motion.reps import RepSpan
from asymscreen.motion.roll import camera_roll
from asymscreen.motion.tracks import Tracks
from asymscreen.record.corrections import (
    TRACKS,
    Base,
    correct,
    list_corrections,
    read_base,
    read_untouched,
    whole_tracks,
)
from asymscreen.record.folder import export_record, import_record
from asymscreen.record.lifters import add_lifter
from asymscreen.record.packing import unpack_tracks
from asymscreen.record.screens import add_screen, read_images, read_screen, read_tracks_of, screen_entry
from asymscreen.record.sheets import sheet_of_document
from asymscreen.record.store import Store, open_store
from asymscreen.report import wording
from asymscreen.screen import Screen, screen_tracks

DATA = Path(__file__).parent / "data" / "desk"
CLIP = Path(__file__).parent.parent / "asymscreen" / "demo" / "demo.mp4"
NAMES = (*BLAZEPOSE, "refined_left_elbow", "left_bar", "right_bar")
REPS = (
    RepSpan(1, 1.0, 2.6, 3.9, 1.45, 0.3, 1.15, True),
    RepSpan(2, 4.5, 6.0, 7.4, 1.4, 0.2, 1.3, True),
)


def small(frames: int = 12, seed: int = 3) -> Tracks:
    rng = np.random.default_rng(seed)
    xy = rng.uniform(100, 600, (frames, len(NAMES), 2))
    seen = np.full((frames, len(NAMES)), 0.8)
    return Tracks(np.arange(frames) / 10.0, NAMES, xy, seen, (1280, 720))


def state(**changes: Any) -> fix.State:
    return replace(fix.State(small(), Capture()), **changes)


def applied(kind: str, details: dict[str, Any], before: fix.State | None = None) -> fix.State:
    return fix.apply(before or state(), fix.draft(kind, {"turned": False} | details))


# ---- tracks


@given(st.integers(0, 11), st.floats(0, 1280), st.floats(0, 720))
def test_a_drag_is_as_in_the_plain_loop(frame: int, x: float, y: float) -> None:
    tracks = small()
    found = fix.drag(tracks, "right_wrist", frame / 10, x, y)
    column = NAMES.index("right_wrist")
    wanted = reference.dragged(
        list(tracks.time_s), tracks.xy_px.tolist(), column, frame, [x, y], fix.DRAG_REACH_S
    )
    np.testing.assert_allclose(found.xy_px, wanted, atol=1e-9)
    assert found.xy_px[frame, column] == pytest.approx([x, y])
    assert found.visibility[frame, column] == 1.0


def test_a_drag_takes_the_refined_point_along_and_puts_it_where_it_was_let_go() -> None:
    tracks = small()
    found = fix.drag(tracks, "left_elbow", 0.5, 400.0, 300.0)
    refined, rough = NAMES.index("refined_left_elbow"), NAMES.index("left_elbow")
    assert found.xy_px[5, refined] == pytest.approx([400.0, 300.0])
    shift = found.xy_px[5, refined] - tracks.xy_px[5, refined]
    np.testing.assert_allclose(found.xy_px[5, rough] - tracks.xy_px[5, rough], shift)


def test_a_drag_of_a_joint_that_was_not_seen_is_that_frame_only() -> None:
    tracks = small()
    tracks.xy_px[4, NAMES.index("left_hip")] = np.nan
    found = fix.drag(tracks, "left_hip", 0.4, 10.0, 20.0)
    assert found.xy_px[4, NAMES.index("left_hip")] == pytest.approx([10.0, 20.0])
    changed = np.flatnonzero((found.xy_px != tracks.xy_px).any(axis=(1, 2)) & (np.arange(12) != 4))
    assert len(changed) == 0


def test_mirrored_tracks_are_as_in_the_plain_loop_and_twice_is_none() -> None:
    tracks = small()
    found = fix.mirror_tracks(tracks)
    wanted = reference.mirrored(list(NAMES), tracks.xy_px.tolist(), 1280)
    np.testing.assert_allclose(found.xy_px, wanted)
    np.testing.assert_allclose(fix.mirror_tracks(found).xy_px, tracks.xy_px)


def test_drawn_joints_are_refined_or_moved_like_their_refined_neighbours() -> None:
    tracks = small()
    fine, rough = (tracks.xy_px[:, NAMES.index(f"{part}left_elbow")] for part in ("refined_", ""))
    fine[[0, 1, 3, 4, 5, 8, 9, 11]] = np.nan
    rough[[2, 5, 6, 7, 8, 9, 10]] = np.nan  # frames that were only looked at closely, and a gap
    found = drawn_points(tracks)[:, DRAWN.index("left_elbow")]
    for axis in (0, 1):
        wanted = reference.filled(
            list(tracks.time_s), rough[:, axis].tolist(), fine[:, axis].tolist(), MOST_GAP_S
        )
        np.testing.assert_allclose(found[:, axis], wanted)
    assert np.isnan(found[8]).all()  # neither was seen within a quarter of a second: 0.4 s and 1.1 s
    assert np.isfinite(found[[2, 5, 6, 7, 10]]).all()


def test_a_joint_that_only_the_refiner_saw_is_drawn_there_and_nowhere_else() -> None:
    tracks = small()
    tracks.xy_px[:, NAMES.index("left_elbow")] = np.nan
    tracks.xy_px[[0, 3], NAMES.index("refined_left_elbow")] = np.nan
    found = drawn_points(tracks)[:, DRAWN.index("left_elbow")]
    assert np.flatnonzero(np.isnan(found[:, 0])).tolist() == [0, 3]


def test_the_real_screens_arms_are_drawn_in_every_frame_of_every_rep() -> None:
    document = read_document(DATA / "screen.json")
    tracks = unpack_tracks((DATA / "tracks.npz").read_bytes())
    inside = np.zeros(len(tracks), bool)
    for rep in document.reps:
        inside |= (tracks.time_s >= rep.start_s) & (tracks.time_s <= rep.end_s)
    arms = [k for k, name in enumerate(DRAWN) if name.endswith(("shoulder", "elbow", "wrist"))]
    assert np.isfinite(drawn_points(tracks)[inside][:, arms]).all()


# ---- what a correction does to the state


def test_a_level_takes_the_place_of_a_stated_roll() -> None:
    found = applied("level", {"points": [[100, 400], [1100, 420]]}, state(capture=Capture(roll_deg=2.0)))
    assert found.capture.level_marks == ((100.0, 400.0), (1100.0, 420.0))
    assert found.capture.roll_deg is None


def test_points_marked_before_a_swap_are_turned_with_the_picture() -> None:
    marked = fix.apply(state(), fix.draft("level", {"turned": True, "points": [[100, 400], [1100, 420]]}))
    assert marked.capture.level_marks == ((1179.0, 400.0), (179.0, 420.0))
    dragged = fix.apply(
        state(),
        fix.draft("landmark", {"turned": True, "name": "left_wrist", "time_s": 0.3, "x": 79, "y": 50}),
    )
    assert dragged.tracks.xy_px[3, NAMES.index("right_wrist")] == pytest.approx([1200.0, 50.0])


def test_a_swap_turns_tracks_marks_and_roll() -> None:
    before = state(capture=Capture(level_marks=((0.0, 1.0), (1279.0, 2.0))))
    found = applied("swapped", {}, before)
    assert found.capture.mirrored
    assert found.capture.level_marks == ((1279.0, 1.0), (0.0, 2.0))
    assert applied("swapped", {}, state(capture=Capture(roll_deg=1.5))).capture.roll_deg == -1.5
    np.testing.assert_allclose(found.tracks.xy_px, fix.mirror_tracks(before.tracks).xy_px)


def changed(found: fix.State) -> list[RepSpan]:
    reps: Any = REPS
    for change in found.changes:
        reps = change(reps)
    return list(reps)


def test_a_rep_that_is_none_goes_and_the_rest_is_counted_anew() -> None:
    (left,) = changed(applied("not-a-rep", {"time_s": 2.6}))
    assert left == replace(REPS[1], number=1)
    with pytest.raises(UsageError, match="expected another rep in the set"):
        changed(applied("not-a-rep", {"time_s": 6.0}, applied("not-a-rep", {"time_s": 2.6})))


def test_a_moved_bottom_keeps_start_end_and_pause() -> None:
    first, second = changed(applied("bottom", {"time_s": 2.6, "bottom_s": 2.8}))
    assert second == REPS[1]
    assert (first.start_s, first.bottom_s, first.end_s, first.pause_s) == (1.0, 2.8, 3.9, 0.3)
    assert first.descent_s == pytest.approx(2.8 - 0.15 - 1.0)
    assert first.ascent_s == pytest.approx(3.9 - 2.8 - 0.15)
    assert first.descent_s + first.pause_s + first.ascent_s == pytest.approx(first.end_s - first.start_s)


def test_another_person_takes_the_place_of_all_that_was_changed_of_the_first() -> None:
    from asymscreen.record.corrections import TRACKS, whole_tracks

    other = small(seed=9)
    before = applied("not-a-rep", {"time_s": 2.6})
    found = applied("person", {"x": 1, "y": 2, TRACKS: whole_tracks(other)}, before)
    assert found.changes == ()
    np.testing.assert_allclose(found.tracks.xy_px, other.xy_px, atol=1e-3)  # kept as float32
    turned = fix.apply(before, fix.draft("person", {"turned": True, TRACKS: whole_tracks(other)}))
    np.testing.assert_allclose(turned.tracks.xy_px, fix.mirror_tracks(other).xy_px, atol=1e-3)


@pytest.mark.parametrize(
    ("kind", "details", "said"),
    [
        ("level", {"points": [[100, 400], [150, 400]]}, "two points that lie further apart"),
        ("level", {"points": [[100, 400], [300, 700]]}, "two points on something level"),
        ("level", {}, "expected the numbers of a level"),
        ("landmark", {"name": "nose", "time_s": 0.1, "x": 1, "y": 1}, "a joint, one of left_shoulder"),
        (
            "landmark",
            {"name": "left_elbow", "time_s": 0.1, "x": 1, "y": 9999},
            "a place in the picture of 1280",
        ),
        ("bottom", {"time_s": "soon", "bottom_s": 1}, "expected the numbers of a bottom"),
    ],
)
def test_details_that_do_not_fit_are_one_sentence(kind: str, details: dict[str, Any], said: str) -> None:
    with pytest.raises(UsageError, match=said):
        applied(kind, details)


def test_a_moment_outside_every_rep_and_a_bottom_outside_its_rep_are_refused() -> None:
    with pytest.raises(UsageError, match=r"a moment inside a rep, got 4\.20 s"):
        fix.rep_at(REPS, 4.2)
    with pytest.raises(UsageError, match=r"a bottom inside the rep, 1\.00 to 3\.90 s, got 3\.95 s"):
        fix.moved(REPS[0], 3.95)


def test_the_sheet_comes_out_of_the_document() -> None:
    document = read_document(DATA / "screen.json")
    found, told = sheet_of_document(document), demo_capture()
    for name in ("view", "camera_height_m", "camera_distance_m", "load_kg", "one_rep_max_kg", "mirrored"):
        assert getattr(found, name) == getattr(told, name), name
    known = document.model_copy(
        update={"capture": document.capture.model_copy(update={"roll_source": "marked", "roll_deg": 1.2})}
    )
    sheet = sheet_of_document(known)  # an older document: marks of the same slope, tan 1.2 deg = 0.020947
    assert sheet.level_marks is not None
    (ax, ay), (bx, by) = sheet.level_marks
    assert (by - ay) / (bx - ax) == pytest.approx(0.020947, abs=1e-6)
    assert camera_roll(small(), sheet) is not None
    stated = known.model_copy(update={"capture": known.capture.model_copy(update={"roll_source": "stated"})})
    assert (sheet_of_document(stated).level_marks, sheet_of_document(stated).roll_deg) == (None, 1.2)


def test_marks_stay_marks_when_a_screen_is_solved_again() -> None:
    given = Capture(view="foot-end", level_marks=((100.0, 300.0), (1180.0, 311.0)))
    made, _ = film(SetPlan((Beat(), Beat())), "foot end 45", noise_px=1.0)
    found = screen_tracks(made, given)
    assert found.document.capture.roll_source == "marked"
    assert sheet_of_document(found.document) == given
    assert found.tracks is not None
    base = Base(found.document, found.tracks, ())
    again, _ = fix.solve_again(base, ())
    assert again.capture == found.document.capture
    assert again.measures == found.document.measures
    assert wording.ROLL_SOURCES[again.capture.roll_source] == "from two points that were marked as level"


# ---- in the record


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "home") as opened:
        add_lifter(opened, "L-014", film=True, keep=True)
        yield opened


def kept(store: Store, clip: Path | None = None) -> str:
    document = read_document(DATA / "screen.json")
    images = {file.name: file.read_bytes() for file in DATA.glob("*.jpg")}
    tracks = unpack_tracks((DATA / "tracks.npz").read_bytes())
    return add_screen(store, "L-014", document, tracks=tracks, images=images, clip=clip).id


def quick(before: ScreenDocument, tracks: Tracks, capture: Capture, change: Any) -> Screen:
    """Stands in for the solver: the reps that count, everything else as it was."""
    spans = [
        RepSpan(r.number, r.start_s, r.bottom_s, r.end_s, r.descent_s, r.pause_s, r.ascent_s, r.complete)
        for r in before.reps
    ]
    left = [r.bottom_s for r in change(spans)]
    frames = [
        frame.model_copy(update={"time_s": round(bottom, 3), "rep": k, "image": f"rep-{k}-bottom.jpg"})
        for k, (bottom, frame) in enumerate(zip(left, before.keyframes, strict=False), start=1)
    ]
    reps = [
        rep.model_copy(update={"bottom_s": bottom}) for bottom, rep in zip(left, before.reps, strict=False)
    ]
    clip = before.clip.model_copy(update={"mirrored": capture.mirrored})
    return Screen(before.model_copy(update={"reps": reps, "keyframes": frames, "clip": clip}), tracks)


def test_a_screen_solved_again_moves_with_its_bottom_and_comes_back_byte_for_byte(store: Store) -> None:
    # the real solver, twice: the demo lifter's first rep with its bottom a fifth of a second late
    number = kept(store)
    before = read_screen(store, number)
    late = before.reps[0].bottom_s + 0.2
    told = {"time_s": before.reps[0].bottom_s, "bottom_s": late}
    fix.add_correction(store, number, "bottom", told, by="coach K")
    after = read_screen(store, number)
    assert after.reps[0].bottom_s == pytest.approx(late, abs=1e-3)
    assert after.reps[1].bottom_s == before.reps[1].bottom_s
    assert after.clip == before.clip
    assert after.software.landmark_model == before.software.landmark_model
    assert after.measures["tuck_bottom"] != before.measures["tuck_bottom"]
    assert read_untouched(store, number) == before
    (made,) = list_corrections(store, number)
    assert (made.kind, made.made_by, made.taken_back_at) == ("bottom", "coach K", None)
    fix.remove_correction(store, number, made.id, by="coach M")
    assert read_screen(store, number).to_json() == before.to_json()
    (gone,) = list_corrections(store, number)
    assert (gone.taken_back_by, gone.taken_back_at is None) == ("coach M", False)


def test_pictures_follow_the_bottoms_and_the_turn(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fix, "screen_again", quick)
    number = kept(store, Path(__file__).parent.parent / "asymscreen" / "demo" / "demo.mp4")
    before = read_screen(store, number)
    told = {"time_s": before.reps[0].bottom_s, "bottom_s": before.reps[0].bottom_s + 0.1}
    fix.add_correction(store, number, "bottom", told, by="coach")
    first, second = read_screen(store, number).keyframes
    assert second.image == before.keyframes[1].image
    assert first.image not in {frame.image for frame in before.keyframes}
    images = read_images(store, number)
    assert images[first.image].startswith(b"\xff\xd8\xff")
    fix.add_correction(store, number, "swapped", {}, by="coach")
    names = [frame.image for frame in read_screen(store, number).keyframes]
    assert all(name.endswith("-turned.jpg") for name in names)
    assert set(names) <= set(read_images(store, number))


def test_without_a_kept_clip_a_moved_bottom_has_no_picture(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(fix, "screen_again", quick)
    number = kept(store)
    before = read_screen(store, number)
    told = {"time_s": before.reps[0].bottom_s, "bottom_s": before.reps[0].bottom_s + 0.1}
    fix.add_correction(store, number, "bottom", told, by="coach")
    assert [frame.rep for frame in read_screen(store, number).keyframes] == [2]


def test_corrections_add_up_and_one_can_be_taken_back(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fix, "screen_again", quick)
    number = kept(store)
    before = read_screen(store, number)
    tracks = read_tracks_of(store, number)
    assert tracks is not None
    fix.add_correction(store, number, "swapped", {}, by="coach")
    fix.add_correction(store, number, "not-a-rep", {"time_s": before.reps[1].bottom_s}, by="coach")
    found = read_screen(store, number)
    assert (found.clip.mirrored, len(found.reps)) == (True, 1)
    turned = read_tracks_of(store, number)
    assert turned is not None
    np.testing.assert_allclose(turned.xy_px, fix.mirror_tracks(tracks).xy_px, atol=1e-3)
    swap, _ = list_corrections(store, number)
    fix.remove_correction(store, number, swap.id, by="coach")
    found = read_screen(store, number)
    assert (found.clip.mirrored, len(found.reps)) == (False, 1)
    assert screen_entry(store, number).complete_reps == 1
    with pytest.raises(RecordError, match=r"expected one of screen .* that counts"):
        fix.remove_correction(store, number, swap.id, by="coach")


def test_two_people_correcting_at_once_do_not_lose_either(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    number = kept(store)
    told = {"time_s": read_screen(store, number).reps[1].bottom_s}

    def meanwhile(*given: Any) -> Screen:
        monkeypatch.setattr(fix, "screen_again", quick)
        fix.add_correction(store, number, "swapped", {}, by="the other")
        return quick(*given)

    monkeypatch.setattr(fix, "screen_again", meanwhile)
    with pytest.raises(RecordError, match="somebody corrected it meanwhile"):
        fix.add_correction(store, number, "not-a-rep", told, by="coach")
    assert [c.made_by for c in list_corrections(store, number)] == ["the other"]


def test_what_cannot_be_screened_any_more_is_refused_and_nothing_changes(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    number = kept(store)
    before = read_screen(store, number)

    def nothing(document: ScreenDocument, tracks: Tracks, *_: Any) -> Screen:
        capture = document.capture.model_copy(update={"usable": False, "reasons": ["No press was found."]})
        return Screen(document.model_copy(update={"capture": capture}), tracks)

    monkeypatch.setattr(fix, "screen_again", nothing)
    with pytest.raises(UsageError, match=r"got none: No press was found\."):
        fix.add_correction(store, number, "swapped", {}, by="coach")
    with pytest.raises(UsageError, match="expected one of level"):
        fix.add_correction(store, number, "nonsense", {}, by="coach")
    assert read_screen(store, number) == before
    assert list_corrections(store, number) == []


def test_a_screen_without_tracks_cannot_be_solved_again(store: Store) -> None:
    number = add_screen(store, "L-014", read_document(DATA / "screen.json")).id
    with pytest.raises(RecordError, match="expected kept tracks to solve it again"):
        read_base(store, number)


def test_a_person_chosen_in_a_refused_clip_makes_it_a_screen_and_can_be_taken_back(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    number = add_screen(store, "L-014", samples.unusable(), clip=CLIP).id
    before = read_screen(store, number)
    with pytest.raises(UsageError, match="expected another person to be chosen first"):
        fix.add_correction(store, number, "swapped", {}, by="coach")
    found = read_document(DATA / "screen.json").model_copy(update={"keyframes": []})
    monkeypatch.setattr(fix, "screen_again", lambda _, tracks, *__: Screen(found, tracks))
    tracks = unpack_tracks((DATA / "tracks.npz").read_bytes())
    details = {"x": 640, "y": 400, "turned": before.clip.mirrored, TRACKS: whole_tracks(tracks)}
    base = read_base(store, number)
    assert base.tracks is None
    result = fix.solve_with(store, number, base, [fix.draft("person", details)])
    with store.writing() as session:
        correct(session, base, number, "person", details, result, by="coach K")
    assert screen_entry(store, number).usable
    assert read_tracks_of(store, number) is not None
    export_record(store, tmp_path / "out")
    with open_store(tmp_path / "other") as other:
        import_record(other, tmp_path / "out")
        (made,) = list_corrections(other, number)
        fix.remove_correction(other, number, made.id, by="coach")
        assert read_screen(other, number) == before
        assert read_tracks_of(other, number) is None
        assert not screen_entry(other, number).usable


def test_corrections_and_the_untouched_screen_travel_with_an_export(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(fix, "screen_again", quick)
    number = kept(store)
    before = read_screen(store, number)
    fix.add_correction(store, number, "swapped", {}, by="coach K")
    export_record(store, tmp_path / "out")
    assert json.loads((tmp_path / "out" / "record.json").read_text())["tables"]["correction"][0]["made_by"]
    with open_store(tmp_path / "other") as other:
        import_record(other, tmp_path / "out")
        assert read_untouched(other, number) == before
        (made,) = list_corrections(other, number)
        fix.remove_correction(other, number, made.id, by="coach")
        assert read_screen(other, number) == before


# ---- what the page's script gets


def test_the_script_gets_reps_curves_and_joints_in_plain_numbers() -> None:
    document = read_document(DATA / "screen.json")
    found = moments(document, unpack_tracks((DATA / "tracks.npz").read_bytes()))
    assert json.loads(json.dumps(found, allow_nan=False)) == found
    assert [curve["name"] for curve in found["curves"]] == ["elbow_flexion", "tuck", "bar_tilt"]
    assert all(len(line) == 101 for c in found["curves"] for lines in c["lines"].values() for line in lines)
    assert len(found["times"]) == len(found["points"])
    assert {len(row) for row in found["points"]} == {2 * len(DRAWN)}
    assert moments(document, None)["points"] == []
