"""Lifters, intake, red flags and cautions.

Outside sources: the list of red flags is that of Mitchell et al. 2005 (BMJ 331:1124-8) and Rees et al. 2021
(Shoulder & Elbow 13:5-11).
"""

from __future__ import annotations

from datetime import date

import pytest
import record_makers as makers
from hypothesis import given
from hypothesis import strategies as st
from record_makers import DAY, later

from asymscreen.errors import RecordError
from asymscreen.record.intake import RED_FLAGS, IntakeSheet, findings, read_intake
from asymscreen.record.lifters import (
    add_lifter,
    check_may_screen,
    lift_caution,
    list_lifters,
    raise_caution,
    set_consent,
    show_lifter,
    standing,
    take_intake,
)
from asymscreen.record.screens import (
    add_screen,
    list_screens,
    read_images,
    read_screen,
    read_tracks_of,
    remove_screen,
    screen_entry,
    screen_for_report,
)
from asymscreen.record.store import Store

pytest_plugins = ["record_fixtures"]
TODAY = date(2026, 3, 9)


def sheet(**told: object) -> IntakeSheet:
    return read_intake(dict(told))


def test_a_lifter_is_added_and_listed_by_code(store: Store) -> None:
    for code in ("L-030", "L-014", "k_2.b"):
        add_lifter(store, code)
    assert [lifter.code for lifter in list_lifters(store)] == sorted(["L-030", "L-014", "k_2.b"])


@pytest.mark.parametrize("code", ["", "L 014", "../x", "-x", "L\n", "ä", "x" * 65])
def test_a_code_that_is_no_code_is_refused(sqlite_store: Store, code: str) -> None:
    with pytest.raises(RecordError, match="use a code like L-014, never a name"):
        add_lifter(sqlite_store, code)


def test_a_code_that_is_taken_is_refused(store: Store) -> None:
    add_lifter(store, "L-014")
    with pytest.raises(RecordError, match="got one that is taken"):
        add_lifter(store, "L-014")


def test_an_unknown_code_is_named(store: Store) -> None:
    for ask in (show_lifter, standing, list_screens):
        with pytest.raises(RecordError, match="lifter L-404: expected a code in the record"):
            ask(store, "L-404")


def test_consent_is_kept_with_its_day_and_can_be_taken_back(store: Store) -> None:
    assert add_lifter(store, "L-014").consent_film is None
    given_ = set_consent(store, "L-014", film=True, keep=True, at=DAY)
    assert (given_.consent_film, given_.consent_keep, given_.consent_at) == (True, True, DAY)
    back = set_consent(store, "L-014", keep=False, at=later(3))
    assert (back.consent_film, back.consent_keep, back.consent_at) == (True, False, later(3))


def test_the_intake_keeps_what_was_told(store: Store) -> None:
    add_lifter(store, "L-014")
    told = sheet(
        one_rep_max_kg=102.5, stalled_weeks=9, grip="ring finger on the ring", usual_cues="elbows in",
        injuries=[{"side": "right", "kind": "strained pectoral", "on_date": "2019"}],
        pain_now=0, consent_film=True, notes="sleeps well",
    )  # fmt: skip
    take_intake(store, "L-014", told, by="coach", at=DAY)
    take_intake(store, "L-014", told, by="coach", at=later(30))
    card = show_lifter(store, "L-014")
    assert [i.taken_at for i in card.intakes] == [DAY, later(30)]
    assert card.intakes[0].one_rep_max_kg == 102.5
    assert card.intakes[0].stalled_weeks == 9
    assert [i.model_dump() for i in card.injuries] == [
        {"side": "right", "kind": "strained pectoral", "on_date": "2019", "notes": ""}
    ]
    assert card.consent_film is True
    assert card.cautions == []


@pytest.mark.parametrize("flag", sorted(RED_FLAGS))
def test_every_red_flag_stops_the_screen_and_sends_to_a_clinician(store: Store, flag: str) -> None:
    add_lifter(store, "L-014")
    found = take_intake(store, "L-014", sheet(red_flags=[flag]), at=DAY)
    assert len(found.stops) == 1
    with pytest.raises(RecordError, match=r"no screen\. .*licensed clinician"):
        check_may_screen(store, "L-014")
    with pytest.raises(RecordError, match=r"no screen\. .*licensed clinician"):
        add_screen(store, "L-014", makers.screen())
    assert list_screens(store, "L-014") == []


def test_the_red_flags_are_those_of_the_sources() -> None:
    said = " ".join(flag.question.lower() + flag.said.lower() for flag in RED_FLAGS.values())
    for word in (
        "come out",
        "slips",
        "another shape",
        "numb",
        "weak",
        "sleep",
        "hot and swollen",
        "fever",
        "raise",
    ):
        assert word in said


def test_what_came_suddenly_is_urgent() -> None:
    slow, sudden = (findings(sheet(red_flags=["cannot-raise"], sudden=s), TODAY)[0] for s in (False, True))
    assert "today" in sudden.text
    assert "today" not in slow.text


@given(st.integers(0, 10), st.sampled_from(["left", "right", "both", "none"]))
def test_pain_is_a_caution_and_from_seven_a_stop(pain: int, side: str) -> None:
    found = findings(sheet(pain_now=pain, pain_side=side, provokes="wide grip."), TODAY)
    assert len(found) == (pain > 0)
    for finding in found:
        assert f"{pain} of 10" in finding.text
        assert "provoked by wide grip." in finding.text
        assert finding.stops == (pain >= 7)


@pytest.mark.parametrize(
    ("on_date", "said"),
    [("2026-02-01", True), ("2025-09-11", True), ("2025-09-10", False), ("2025-09", True), ("2025-08", False),
     ("2025", True), ("2024", False), ("", False)],
)  # fmt: skip
def test_an_injury_of_the_last_180_days_is_a_caution(on_date: str, said: bool) -> None:
    injury = {"side": "left", "kind": "rotator cuff strain", "on_date": on_date}
    found = findings(sheet(injuries=[injury]), TODAY)
    assert bool(found) is said
    assert all(not f.stops and "left side, rotator cuff strain" in f.text for f in found)


@pytest.mark.parametrize(
    "raw",
    [{"pain_now": 11}, {"pain_now": -1}, {"one_rep_max_kg": 0}, {"red_flags": ["headache"]}, {"nonsense": 1},
     {"injuries": [{"side": "up", "kind": "x"}]}, {"injuries": [{"side": "left", "kind": " "}]},
     {"injuries": [{"side": "left", "kind": "x", "on_date": "2024-13"}]},
     {"injuries": [{"side": "left", "kind": "x", "on_date": "March"}]}, {"notes": "x" * 4001}],
)  # fmt: skip
def test_a_sheet_that_does_not_fit_names_the_place(raw: dict[str, object]) -> None:
    with pytest.raises(RecordError, match="intake: expected a sheet that fits") as caught:
        read_intake(raw)
    assert next(iter(raw)) in str(caught.value)


def test_cautions_stay_until_lifted_with_who_and_when(store: Store) -> None:
    add_lifter(store, "L-014")
    take_intake(store, "L-014", sheet(pain_now=3, pain_side="right"), at=DAY)
    take_intake(store, "L-014", sheet(pain_now=2, pain_side="right"), at=later(1))
    now = standing(store, "L-014")
    assert [c.text for c in now.cautions] == [
        "Pain before the set: 2 of 10, right side. Load with care; stop if it rises."
    ]
    lifted = lift_caution(store, "L-014", now.cautions[0].id, by="coach K", at=later(20))
    assert (lifted.lifted_by, lifted.lifted_at) == ("coach K", later(20))
    assert standing(store, "L-014").cautions == []
    with pytest.raises(RecordError, match=r"expected an open one of L-014 \(none open\)"):
        lift_caution(store, "L-014", now.cautions[0].id, by="coach K")


def test_an_intake_without_pain_does_not_lift_a_stop_by_itself(store: Store) -> None:
    add_lifter(store, "L-014")
    take_intake(store, "L-014", sheet(pain_now=8))
    take_intake(store, "L-014", sheet(pain_now=0))
    assert len(standing(store, "L-014").stops) == 1


def test_a_stop_is_lifted_only_with_a_reason(store: Store) -> None:
    add_lifter(store, "L-014")
    stop = take_intake(store, "L-014", sheet(red_flags=["slips"])).stops[0]
    with pytest.raises(RecordError, match="expected why it is lifted"):
        lift_caution(store, "L-014", stop.id, by="coach K")
    with pytest.raises(RecordError, match="expected who lifts it"):
        lift_caution(store, "L-014", stop.id, by=" ", why="cleared")
    lift_caution(store, "L-014", stop.id, by="coach K", why="a licensed clinician cleared pressing")
    assert check_may_screen(store, "L-014").stops == []
    add_screen(store, "L-014", makers.screen())


def test_open_cautions_are_on_every_report_and_lifted_ones_are_not(store: Store) -> None:
    add_lifter(store, "L-014")
    own = ["Said by the screen itself."]
    entry = add_screen(store, "L-014", makers.screen(cautions=own))
    caution = raise_caution(store, "L-014", "Left wrist sore; spotter at the left end.")
    assert screen_for_report(store, entry.id).cautions == [*own, caution.text]
    second = add_screen(store, "L-014", makers.screen(cautions=[*own, caution.text]))
    assert screen_for_report(store, second.id).cautions == [*own, caution.text]
    lift_caution(store, "L-014", caution.id, by="coach K")
    for screen_id in (entry.id, second.id):
        assert screen_for_report(store, screen_id).cautions == own
    assert read_screen(store, second.id).cautions == [*own, caution.text]


def test_a_caution_needs_words(sqlite_store: Store) -> None:
    add_lifter(sqlite_store, "L-014")
    with pytest.raises(RecordError, match="write one sentence"):
        raise_caution(sqlite_store, "L-014", "  ")


def test_a_screen_comes_back_as_it_went_in(store: Store) -> None:
    add_lifter(store, "L-014")
    document, tracks = makers.screen(sheet={"grip": "narrow"}), makers.tracks()
    images = {"bottom-2.jpg": b"\xff\xd8\xff\x01", "bottom-1.jpg": b"\xff\xd8\xff\x02"}
    entry = add_screen(store, "L-014", document, tracks=tracks, images=images, filmed_at=DAY)
    assert entry.id.startswith("20260309-")
    assert (entry.load_kg, entry.grip, entry.complete_reps, entry.view) == (80, "narrow", 3, "foot-end")
    assert entry == screen_entry(store, entry.id) == list_screens(store, "L-014")[0]
    assert read_screen(store, entry.id).to_json() == document.to_json()
    assert read_images(store, entry.id) == images
    kept = read_tracks_of(store, entry.id)
    assert kept is not None
    assert kept.names == tracks.names
    assert kept.image_size == tracks.image_size
    assert abs(kept.xy_px[0] - tracks.xy_px[0]).max() < 1e-4
    assert (kept.xy_px[3, 5] != kept.xy_px[3, 5]).all()
    assert kept.time_s.tolist() == tracks.time_s.tolist()


def test_screens_are_listed_newest_first(store: Store) -> None:
    add_lifter(store, "L-014")
    days = [3, 1, 2]
    ids = {day: add_screen(store, "L-014", makers.screen(), filmed_at=later(day)).id for day in days}
    assert [e.id for e in list_screens(store, "L-014")] == [ids[3], ids[2], ids[1]]


def test_a_removed_screen_is_gone_with_its_parts(store: Store) -> None:
    add_lifter(store, "L-014")
    entry = add_screen(store, "L-014", makers.screen(), tracks=makers.tracks(), images={"a": b"\xff\xd8\xff"})
    remove_screen(store, entry.id)
    with pytest.raises(RecordError, match="list them with screens CODE"):
        read_screen(store, entry.id)
    assert list_screens(store, "L-014") == []


def test_who_refused_to_be_filmed_gets_no_screen(store: Store) -> None:
    add_lifter(store, "L-014", film=False)
    with pytest.raises(RecordError, match="expected consent to film, got a refusal"):
        add_screen(store, "L-014", makers.screen())


def test_a_screen_without_tracks_or_pictures_is_kept_too(store: Store) -> None:
    add_lifter(store, "L-014")
    entry = add_screen(store, "L-014", makers.screen(reps=[], measures={}, curves={}, keyframes=[]))
    assert not entry.has_tracks
    assert entry.keyframes == []
    assert read_tracks_of(store, entry.id) is None
    assert read_images(store, entry.id) == {}
