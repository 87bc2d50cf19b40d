"""The hand-in page: the whole way of a client, what stops it, and everything that a link must not open.

Outside sources: checks.md's published red flags are those of `asymscreen.record.intake`; hashlib.
"""

from __future__ import annotations

import hashlib
import re
import sqlite3
import zipfile
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import report_samples as samples
from desk_visits import (
    BEFORE,
    CLIP,
    LOCAL,
    PASSWORD,
    THE_SET,
    Desk,
    desk_at,
    post,
    send,
    to_the_clip,
    token_of,
)
from starlette.testclient import TestClient

from asymscreen.desk import handin, handin_take, links
from asymscreen.desk.accounts import make_account
from asymscreen.desk.handin_forms import read_before, read_set
from asymscreen.desk.sandbox import Look
from asymscreen.desk.uploads import Slots
from asymscreen.document import ScreenDocument
from asymscreen.record import hand_ins as rows
from asymscreen.record.access import list_accounts
from asymscreen.record.backup import backup, restore
from asymscreen.record.erase import erase_lifter
from asymscreen.record.folder import export_record, import_record
from asymscreen.record.hand_ins import NEW_DAYS, list_hand_ins, list_links, new_clips, revoke_link
from asymscreen.record.intake import PAIN_STOPS, RED_FLAGS, read_intake
from asymscreen.record.jobs import claim_job, fail_job, finish_job, list_jobs
from asymscreen.record.lifters import lift_caution, now, raise_caution, show_lifter, standing, take_intake
from asymscreen.record.screens import list_screens
from asymscreen.record.store import Store, open_store

STUDIO = "https://desk.example"
DATA = CLIP.read_bytes()


@pytest.fixture
def real_look() -> bool:
    """The test wants the sandbox's process to be started; the others only want its answer."""
    return True


@pytest.fixture(autouse=True)
def _quick_look(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    if "real_look" not in request.fixturenames:
        monkeypatch.setattr(handin_take, "look_at", lambda _: Look(1280, 720, 30.0, 225, 7.5, "h264"))


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    """A desk that others reach, so that nothing but the link opens anything."""
    made = desk_at(tmp_path / "home", names=("desk.example",))
    yield made
    made.store.close()


@pytest.fixture
def client(desk: Desk) -> TestClient:
    return desk.visitor(STUDIO)


def words(answer: Any) -> str:
    """What a page says, without its markup."""
    main = re.sub(r"(?s)<script.*?</script>|<[^>]+>", " ", answer.text.split("<main", 1)[1])
    return " ".join(main.split())


def finish(desk: Desk, document: ScreenDocument) -> None:
    """Let the clip that waits be screened, with this document as the result."""
    job = claim_job(desk.store, "mine")
    assert job is not None
    assert finish_job(desk.store, job.id, "mine", document, tracks=None, images={}) is not None


# -- the whole way -----------------------------------------------------------------------------------------


def test_a_clip_is_handed_in_and_found_fine(desk: Desk, client: TestClient, real_look: bool) -> None:
    link = desk.link()
    assert "code L-014" in words(client.get(link))
    place = to_the_clip(client, link)
    answer = send(client, place, DATA)
    assert answer.status_code == 201, answer.text
    to = answer.json()["to"]
    assert "Your clip has arrived" in words(client.get(to))
    state = client.get(f"{to}/state").json()
    assert state == {"state": "checking", "stage": "Waiting for its turn", "share": 0.0, "waits": False}
    finish(desk, samples.crossed())
    assert client.get(f"{to}/state").json()["state"] == "taken"
    said = words(client.get(to))
    assert "Thank you, your clip is fine" in said
    kept = list_screens(desk.store, "L-014")
    assert [screen.id for screen in kept] == [list_hand_ins(desk.store, "L-014")[0].screen_id]
    (new,) = new_clips(desk.store)
    assert (new.lifter, new.screen_id, new.by_link, new.pain) == ("L-014", kept[0].id, True, 1)
    assert new_clips(desk.store, at=now() + timedelta(days=NEW_DAYS + 1)) == []
    assert list((desk.store.home / "arriving").iterdir()) == []
    assert list((desk.store.home / "waiting").iterdir()) == []


def test_a_clip_that_came_in_is_shown_until_somebody_opens_its_screen(home_desk: Desk) -> None:
    coach, client = home_desk.visitor(), home_desk.visitor()
    send(client, to_the_clip(client, home_desk.link()), DATA)
    finish(home_desk, samples.crossed())
    (new,) = new_clips(home_desk.store)
    said = words(coach.get("/"))
    assert "Came in, not seen yet" in said
    assert "from the client, pain after it 1 of 10: left works harder" in said
    assert coach.get(f"/screens/{new.screen_id}").status_code == 200
    assert new_clips(home_desk.store) == []
    assert "Came in" not in words(coach.get("/"))


def test_what_the_client_told_is_in_the_record(desk: Desk, client: TestClient) -> None:
    link = desk.link()
    take_intake(desk.store, "L-014", read_intake({"one_rep_max_kg": 100}))
    post(client, link, BEFORE | {"pain": "3", "side": "left", "provokes": "wide grip", "keep": "no"})
    card = show_lifter(desk.store, "L-014")
    assert (card.consent_film, card.consent_keep) == (True, False)
    told = card.intakes[-1]
    assert (told.pain_now, told.pain_side, told.provokes) == (3, "left", "wide grip")
    assert told.taken_by == "lifter, hand-in page"
    assert "Pain before the set: 3 of 10, left side" in card.cautions[0].text
    entry = list_hand_ins(desk.store)[0]
    place = f"{link}/{entry.name}"
    post(client, f"{place}/set", THE_SET)
    entry = list_hand_ins(desk.store)[0]
    assert entry.sheet == {"view": "foot-end", "mirrored": False, "load_kg": 80.0, "camera_height_m": 2.0,
                           "camera_distance_m": 1.35, "grip": "ring finger on ring"}  # fmt: skip
    assert entry.felt == {"pain": 1, "pain_side": "left", "words": THE_SET["words"], "mirror_unsure": False}
    send(client, f"{place}/clip", DATA)
    job = list_jobs(desk.store)[0]
    assert (job.lifter, job.origin) == ("L-014", "hand-in")
    assert job.capture["camera_height_m"] == 2.0
    assert job.capture["load_kg"] == 80.0
    assert job.capture["grip"] == "ring finger on ring"
    assert job.capture["one_rep_max_kg"] == 100
    assert list_hand_ins(desk.store)[0].sha256 == hashlib.sha256(DATA).hexdigest()


def test_a_clip_that_holds_no_press_is_asked_for_again_in_plain_words(desk: Desk, client: TestClient) -> None:
    place = to_the_clip(client, desk.link())
    to = send(client, place, DATA).json()["to"]
    reason = "The picture cuts off the lifter's hips: step back until all are in it."
    base = samples.crossed()
    capture = base.capture.model_copy(update={"usable": False, "reasons": [reason]})
    finish(desk, base.model_copy(update={"capture": capture}))
    said = words(client.get(to))
    assert "Please film it again" in said
    assert "says nothing about you or your press" in said
    assert reason.replace("'", "&#39;") in said
    assert "Keep hips, elbows, both hands and the bar inside the picture" in said
    (kept,) = list_screens(desk.store, "L-014")
    assert (kept.usable, list_hand_ins(desk.store)[0].screen_id) == (False, kept.id)
    # and again: the sheet, then another clip
    assert post(client, place.replace("/clip", "/set"), THE_SET).status_code == 303
    assert send(client, place, DATA + b"\x00" * 8).status_code == 201


def test_a_file_that_is_no_clip_is_refused_on_the_page(desk: Desk, client: TestClient) -> None:
    place = to_the_clip(client, desk.link())
    answer = send(client, place, b"\x89PNG\r\n\x1a\n" + bytes(500))
    assert (answer.status_code, answer.json()) == (
        415, {"error": "This file is not a video clip. Choose the video of your set."}
    )  # fmt: skip
    assert list_hand_ins(desk.store)[0].sent_at is None


def test_a_damaged_clip_is_asked_for_again(desk: Desk, client: TestClient, real_look: bool) -> None:
    place = to_the_clip(client, desk.link())
    to = send(client, place, DATA[: len(DATA) // 3]).json()["to"]
    said = words(client.get(to))
    assert "Please film it again" in said
    assert "damaged" in said
    assert list_jobs(desk.store) == []
    assert list((desk.store.home / "arriving").iterdir()) == []


def test_a_check_that_broke_is_left_to_the_coach(desk: Desk, client: TestClient) -> None:
    place = to_the_clip(client, desk.link())
    to = send(client, place, DATA).json()["to"]
    job = claim_job(desk.store, "mine")
    assert job is not None
    fail_job(desk.store, job.id, "mine", "broke")
    assert client.get(f"{to}/state").json()["waits"] is True
    assert "Your clip is with your coach" in words(client.get(to))


def test_findings_are_not_told(desk: Desk, client: TestClient) -> None:
    place = to_the_clip(client, desk.link())
    to = send(client, place, DATA).json()["to"]
    document = samples.crossed()
    finish(desk, document)
    for page in (client.get(to), client.get(to.rsplit("/", 1)[0]), client.get(f"{to}/state")):
        for told in (document.summary, "12.3", "tuck", "noise floor", "lower on the left"):
            assert told not in page.text, told


# -- what stops --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("key", sorted(RED_FLAGS))
def test_every_red_flag_stops_with_advice(desk: Desk, client: TestClient, key: str) -> None:
    link = desk.link()
    answer = post(client, link, BEFORE | {f"flag-{key}": "yes", "sudden": "no"})
    said = words(answer)
    assert answer.status_code == 200
    assert "Please wait with pressing and filming" in said
    assert RED_FLAGS[key].said.split(".")[0] in said
    assert "licensed clinician" in said
    assert "<form" not in answer.text
    assert standing(desk.store, "L-014").stops
    assert list_hand_ins(desk.store)[0].state == "stopped"
    assert "Please wait" in words(client.get(link))


def test_sudden_is_urgent(desk: Desk, client: TestClient) -> None:
    answer = post(client, desk.link(), BEFORE | {"flag-slips": "yes", "sudden": "yes"})
    assert "look at it today" in words(answer)


def test_strong_pain_stops(desk: Desk, client: TestClient) -> None:
    answer = post(client, desk.link(), BEFORE | {"pain": str(PAIN_STOPS), "side": "right"})
    assert f"{PAIN_STOPS} of 10, right side" in words(answer)
    assert standing(desk.store, "L-014").stops


def test_pain_that_rose_in_the_set_stops_the_next_ones(desk: Desk, client: TestClient) -> None:
    link = desk.link()
    place = to_the_clip(client, link)
    answer = post(client, place.replace("/clip", "/set"), THE_SET | {"pain": "3"})
    assert "Pain rose from 0 to 3 of 10" in words(answer)
    assert client.get(place).status_code == 409
    assert list_hand_ins(desk.store)[0].state == "stopped"


def test_a_stop_closes_the_way_for_a_clip_that_was_under_way(desk: Desk, client: TestClient) -> None:
    place = to_the_clip(client, desk.link())
    token = token_of(client.get(place))
    raise_caution(desk.store, "L-014", "Numb fingers; a private word of the coach.", stops=True)
    answer = client.post(place, content=DATA, headers={"x-csrf-token": token})
    assert answer.status_code == 409
    assert "has to look first" in words(answer)
    assert client.get(place.replace("/clip", "/set")).status_code == 409
    assert list_jobs(desk.store) == []


def test_a_coachs_own_words_stay_inside(desk: Desk, client: TestClient) -> None:
    raise_caution(desk.store, "L-014", "Told me about the divorce.", stops=True)
    said = words(client.get(desk.link()))
    assert "divorce" not in said
    assert "licensed clinician" in said


def test_the_link_opens_again_once_the_stop_is_lifted(desk: Desk, client: TestClient) -> None:
    link = desk.link()
    post(client, link, BEFORE | {"flag-slips": "yes", "sudden": "no"})
    for caution in standing(desk.store, "L-014").stops:
        lift_caution(desk.store, "L-014", caution.id, by="coach", why="cleared by a clinician")
    assert "A few things that a clinician" in words(client.get(link))


def test_without_consent_nothing_is_taken(desk: Desk, client: TestClient) -> None:
    answer = post(client, desk.link(), BEFORE | {"film": "no"})
    assert "Nothing will be filmed" in words(answer)
    assert show_lifter(desk.store, "L-014").consent_film is False
    assert list_hand_ins(desk.store)[0].state == "stopped"


# -- forms -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(BEFORE))
def test_no_answer_is_never_a_no(desk: Desk, client: TestClient, name: str) -> None:
    fields = {key: value for key, value in BEFORE.items() if key != name}
    answer = post(client, desk.link(), fields)
    assert answer.status_code == 422
    assert 'role="alert"' in answer.text
    assert f'href="#{name}"' in answer.text
    assert f'id="{name}"' in answer.text
    assert list_hand_ins(desk.store) == []


def test_what_was_typed_is_still_there_after_a_fault(desk: Desk, client: TestClient) -> None:
    link = desk.link()
    answer = post(client, link, BEFORE | {"pain": "4", "provokes": "<b>wide</b> grip", "side": ""})
    assert re.search(r'name="pain" value="4" checked', answer.text)
    assert "&lt;b&gt;wide&lt;/b&gt; grip" in answer.text


def test_an_earlier_intake_is_carried_on() -> None:
    from asymscreen.record.shapes import IntakeEntry

    earlier = IntakeEntry(
        taken_at=now(), taken_by="coach", one_rep_max_kg=100, stalled_weeks=9, grip="ring", usual_cues="in",
        pain_now=5, pain_side="left", provokes="dips", red_flags=["slips"], sudden=True, notes="private",
    )  # fmt: skip
    known = read_before(BEFORE, earlier).known
    assert (known["one_rep_max_kg"], known["grip"]) == (100, "ring")
    assert (known["pain_now"], known["red_flags"], known["provokes"]) == (0, [], "")
    assert "notes" not in known


@pytest.mark.parametrize(
    ("name", "value", "fault"),
    [("load", "heavy", True), ("load", "601", True), ("load", "-1", True), ("load", "nan", True),
     ("load", "", False), ("load", "82,5", False), ("height", "2", True), ("height", "200", False),
     ("distance", "900", True),
     ("view", "from the moon", True), ("view", "unsure", False), ("mirrored", "", True), ("pain", "11", True),
     ("words", "x" * 4001, True), ("side", "", True)],
)  # fmt: skip
def test_the_sheet_is_checked(name: str, value: str, fault: bool) -> None:
    assert (name in read_set(THE_SET | {name: value}).faults) is fault


def test_a_comma_is_a_point_and_centimetres_become_metres() -> None:
    sheet = read_set(THE_SET | {"load": "82,5", "height": "195.5"}).known["sheet"]
    assert sheet["load_kg"] == 82.5
    assert sheet["camera_height_m"] == pytest.approx(1.955)


def test_what_was_begun_can_be_gone_on_with(desk: Desk, client: TestClient) -> None:
    link = desk.link()
    assert "Go on from there" not in words(client.get(link))
    name = str(post(client, link, BEFORE).headers["location"]).split("/")[3]
    assert f'href="{link}/{name}">Go on from there' in client.get(link).text
    assert client.get(f"{link}/{name}").headers["location"] == f"{link}/{name}/film"
    post(client, f"{link}/{name}/set", THE_SET)
    assert client.get(f"{link}/{name}").headers["location"] == f"{link}/{name}/clip"
    # filmed anew: what was said of the phone is still there, what was felt is asked again
    page = client.get(f"{link}/{name}/set").text
    assert 'name="height" inputmode="decimal" autocomplete="off" maxlength="8" value="200"' in page
    assert re.search(r'name="view" value="foot-end" checked', page)
    assert not re.search(r'name="pain" value="\d+" checked', page)
    send(client, f"{link}/{name}/clip", DATA)
    assert "Go on from there" not in words(client.get(link))


# -- a link opens nothing else -----------------------------------------------------------------------------


def test_nothing_else_is_reachable_with_a_link(desk: Desk, client: TestClient) -> None:
    link = desk.link()
    to_the_clip(client, link)
    for place in ("/", "/lifters/L-014/links", "/log", "/lifters/L-014", "/clip", "/settings", "/guide"):
        assert client.get(place).status_code == 401, place
    token = token_of(client.get(link))
    for place in ("/lifters/L-014/links", "/links/x/take-back", "/clip"):
        assert client.post(place, data={"csrf": token}).status_code == 401, place


@pytest.mark.parametrize(
    "tail",
    ["/..", "/../../lifters", "/%2e%2e/%2e%2e/", "/..%2f..%2frecord.sqlite3", "/x/../../../etc/passwd",
     "//log", "/%00", "/state", "/" + "a" * 5000],
)  # fmt: skip
def test_path_tricks_lead_nowhere(desk: Desk, client: TestClient, tail: str) -> None:
    answer = client.get(desk.link() + tail)
    assert answer.status_code in (401, 404)
    assert "SQLite" not in answer.text
    assert "root:" not in answer.text


def test_a_link_that_was_changed_opens_nothing(desk: Desk, client: TestClient) -> None:
    link = desk.link()
    name, end, mac = link.removeprefix("/hand-in/").split(".")
    later = links.sign(b"k" * 32, name, now() + timedelta(days=300)).split(".")
    for token in (f"{name}.{later[1]}.{mac}", ".".join(later), f"{name}.{end}.{mac[:-2]}xx", f"{name}.{end}"):
        answer = client.get(f"/hand-in/{token}")
        assert answer.status_code == 404
        assert "does not work" in words(answer)
        assert "L-014" not in answer.text


def test_a_link_ends(desk: Desk, client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    link = desk.link(days=3)
    place = to_the_clip(client, link)
    token = token_of(client.get(place))
    monkeypatch.setattr(handin, "now", lambda: now() + timedelta(days=3, seconds=1))
    for answer in (client.get(link), client.get(place), client.get(place.replace("clip", "state")),
                   client.post(place, content=DATA, headers={"x-csrf-token": token})):  # fmt: skip
        assert answer.status_code == 410
    assert "has ended" in words(client.get(link))
    assert list_jobs(desk.store) == []


def test_a_link_that_was_taken_back_ends_at_once(desk: Desk, client: TestClient) -> None:
    link = desk.link()
    place = to_the_clip(client, link)
    token = token_of(client.get(place))
    revoke_link(desk.store, list_links(desk.store)[0].id)
    assert client.get(link).status_code == 410
    assert client.post(place, content=DATA, headers={"x-csrf-token": token}).status_code == 410


def test_a_link_of_an_erased_lifter_ends(desk: Desk, client: TestClient) -> None:
    link = desk.link()
    to_the_clip(client, link)
    receipt = erase_lifter(desk.store, "L-014")
    assert receipt.rows["hand_in"] == receipt.rows["hand_in_link"] == 1
    assert client.get(link).status_code == 410
    assert "L-014" not in client.get(link).text


def test_one_client_never_reaches_another_ones_hand_in(desk: Desk, client: TestClient) -> None:
    mine, theirs = desk.link("L-014"), desk.link("L-021")
    name = to_the_clip(client, theirs).split("/")[3]
    stranger = desk.visitor(STUDIO)
    token = token_of(stranger.get(mine))
    for step in ("", "/state", "/film", "/set", "/clip"):
        answer = stranger.get(f"{mine}/{name}{step}")
        assert answer.status_code == 404, step
        assert "L-021" not in answer.text
    headers = {"x-csrf-token": token}
    assert stranger.post(f"{mine}/{name}/clip", content=DATA, headers=headers).status_code == 404
    assert stranger.post(f"{mine}/{name}/set", data=THE_SET, headers=headers).status_code == 404
    # the same lifter through another link of theirs: not that one's either
    assert stranger.get(f"{desk.link('L-021')}/{name}").status_code == 404


def test_a_form_without_its_token_is_not_taken(desk: Desk, client: TestClient) -> None:
    link = desk.link()
    client.get(link)
    assert client.post(link, data=BEFORE).status_code == 403
    place = to_the_clip(client, link)
    assert client.post(place, content=DATA).status_code == 403
    assert client.post(place, content=DATA, headers={"x-csrf-token": "x" * 43}).status_code == 403


def test_trying_links_is_stopped(desk: Desk, client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    good = desk.link()
    for _ in range(handin.BAD_LINKS):
        assert client.get("/hand-in/guess").status_code == 404
    assert client.get("/hand-in/guess").status_code == 429
    assert client.get(good).status_code == 429


# -- how many and how large --------------------------------------------------------------------------------


def test_a_link_takes_only_so_many_clips(desk: Desk, client: TestClient) -> None:
    link = desk.link(most_clips=1)
    first, second = to_the_clip(client, link), to_the_clip(client, link)
    token = token_of(client.get(second))
    assert send(client, first, DATA).status_code == 201
    answer = client.post(second, content=DATA + b"1", headers={"x-csrf-token": token})
    assert (answer.status_code, answer.json()["error"]) == (403, handin_take.ALL_USED)
    assert "All clips that this link was made for" in words(client.get(link))


def test_a_link_takes_only_so_many_clips_a_day(
    desk: Desk, client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(handin_take, "CLIPS_A_DAY", 1)
    link = desk.link()
    assert send(client, to_the_clip(client, link), DATA).status_code == 201
    answer = send(client, to_the_clip(client, link), DATA + b"1")
    assert (answer.status_code, answer.json()["error"]) == (429, handin_take.ENOUGH_TODAY)


def test_a_link_takes_only_so_many_tries(
    desk: Desk, client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = to_the_clip(client, desk.link())
    codes = [send(client, place, b"text " * 100).status_code for _ in range(handin_take.TRIES_AN_HOUR + 1)]
    assert codes == [415] * handin_take.TRIES_AN_HOUR + [429]


def test_only_so_many_clips_come_in_at_a_time(
    desk: Desk, client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = to_the_clip(client, desk.link())
    full = Slots(per_sender=0)
    monkeypatch.setattr(Slots, "hold", lambda _, sender, hold=Slots.hold: hold(full, sender))
    assert send(client, place, DATA).status_code == 429
    assert list_jobs(desk.store) == []


def test_the_same_clip_is_not_taken_twice(desk: Desk, client: TestClient) -> None:
    link = desk.link()
    assert send(client, to_the_clip(client, link), DATA).status_code == 201
    answer = send(client, to_the_clip(client, link), DATA)
    assert (answer.status_code, answer.json()["error"]) == (409, handin_take.AGAIN_SAME)
    assert len(list_jobs(desk.store)) == 1


def test_a_clip_is_taken_once_for_each_sheet(desk: Desk, client: TestClient) -> None:
    place = to_the_clip(client, desk.link())
    token = token_of(client.get(place))
    assert send(client, place, DATA).status_code == 201
    assert client.post(place, content=DATA + b"1", headers={"x-csrf-token": token}).status_code == 409


def test_a_clip_without_its_sheet_is_not_taken(desk: Desk, client: TestClient) -> None:
    place = str(post(client, desk.link(), BEFORE).headers["location"]).replace("/film", "/clip")
    assert client.get(place).headers["location"].endswith("/set")
    token = token_of(client.get(place.replace("/clip", "/set")))
    answer = client.post(place, content=DATA, headers={"x-csrf-token": token})
    assert (answer.status_code, answer.json()["error"]) == (409, handin_take.NO_SHEET)


def test_no_name_of_the_sender_reaches_the_disk(desk: Desk, client: TestClient) -> None:
    place = to_the_clip(client, desk.link())
    named = {"content-disposition": 'attachment; filename="../../evil.mp4"', "x-file-name": "/etc/evil.mp4"}
    assert send(client, place, DATA, **named).status_code == 201
    files = [str(f.relative_to(desk.store.home)) for f in desk.store.home.rglob("*") if f.is_file()]
    assert not any("evil" in file for file in files)
    assert any(re.fullmatch(r"waiting/\d{8}-[a-z0-9]{8}\.mp4", file) for file in files)
    assert re.fullmatch(r"handed-in-\d{4}-\d\d-\d\d\.mp4", list_jobs(desk.store)[0].clip_name)


def test_an_old_hand_in_is_not_gone_on_with(
    desk: Desk, client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = to_the_clip(client, desk.link())
    monkeypatch.setattr(handin, "now", lambda: now() + timedelta(hours=25))
    assert client.get(place).status_code == 409


# -- the coach's side --------------------------------------------------------------------------------------


@pytest.fixture
def client_store(tmp_path: Path) -> Iterator[Store]:
    """Another, empty record."""
    with open_store(tmp_path / "other") as opened:
        yield opened


@pytest.fixture
def home_desk(tmp_path: Path) -> Iterator[Desk]:
    made = desk_at(tmp_path / "home")
    yield made
    made.store.close()


def test_a_link_is_made_shown_and_taken_back_at_the_desk(home_desk: Desk) -> None:
    coach = home_desk.visitor()
    assert "No link yet" in words(coach.get("/lifters/L-014/links"))
    assert post(coach, "/lifters/L-014/links", {"days": "5", "clips": "2"}).status_code == 303
    page = coach.get("/lifters/L-014/links")
    address = re.search(rf"<code>({LOCAL}/hand-in/[^<]+)</code>", page.text)
    assert address is not None
    assert home_desk.visitor().get(address[1].removeprefix(LOCAL)).status_code == 200
    entry = list_links(home_desk.store)[0]
    assert (entry.ends_at - entry.made_at, entry.most_clips) == (timedelta(days=5), 2)
    assert post(coach, "/lifters/L-014/links", {}, f"/links/{entry.id}/take-back").status_code == 303
    assert home_desk.visitor().get(address[1].removeprefix(LOCAL)).status_code == 410
    assert "Taken back" in words(coach.get("/lifters/L-014/links"))
    assert address[1] not in coach.get("/lifters/L-014/links").text


OUT = [{"days": "0"}, {"days": "91"}, {"clips": "51"}, {"days": "soon"}, {"clips": ""}]


@pytest.mark.parametrize("fields", OUT)
def test_links_are_made_within_bounds(home_desk: Desk, fields: dict[str, str]) -> None:
    answer = post(home_desk.visitor(), "/lifters/L-014/links", {"days": "5", "clips": "2"} | fields)
    assert answer.status_code == 400
    assert list_links(home_desk.store) == []


def test_what_came_in_is_shown_to_the_coach(home_desk: Desk) -> None:
    client, coach = home_desk.visitor(), home_desk.visitor()
    place = to_the_clip(client, home_desk.link())
    send(client, place, DATA)
    said = words(coach.get("/lifters/L-014/links"))
    assert "Clip is being checked" in said
    assert "0, 1" in said
    assert "left works harder" in said
    assert "L-014" not in words(coach.get("/lifters/L-021/links"))


def test_states_are_those_that_pages_know() -> None:
    text = (Path(handin.__file__).parent / "templates" / "handin_links.html").read_text(encoding="utf-8")
    for state in (rows.TOLD, rows.STOPPED, rows.DESCRIBED, rows.CHECKING, rows.TAKEN, rows.AGAIN):
        assert f'"{state}":' in text


def test_a_coachs_clip_is_judged_by_its_content_too(home_desk: Desk, real_look: bool) -> None:
    coach = home_desk.visitor()
    token = token_of(coach.get("/lifters/L-014/clip"))
    fields, page_at = {"csrf": token, "view": "foot-end"}, "/lifters/L-014/clip"
    for content, said in (
        (b"\x89PNG\r\n\x1a\n" + bytes(900), "not a video clip"),
        (DATA[: len(DATA) // 3], "damaged"),
    ):
        answer = coach.post(page_at, data=fields, files={"clip": ("set.mp4", content)})
        assert (answer.status_code, list_jobs(home_desk.store)) == (400, [])
        assert said in answer.text
    tricky = {"clip": ("../../evil.mp4/../x.sh", DATA)}
    assert coach.post(page_at, data=fields, files=tricky).status_code == 303
    files = [str(f.relative_to(home_desk.store.home)) for f in home_desk.store.home.rglob("*") if f.is_file()]
    assert any(re.fullmatch(r"waiting/\d{8}-[a-z0-9]{8}\.mp4", file) for file in files)
    assert not any("evil" in file or ".sh" in file for file in files)


# -- with the record ---------------------------------------------------------------------------------------


def test_hand_ins_go_with_the_lifter_and_links_and_accounts_stay(
    home_desk: Desk, client_store: Store, tmp_path: Path
) -> None:
    make_account(home_desk.store, "coach", PASSWORD)
    client = home_desk.visitor()
    send(client, to_the_clip(client, home_desk.link()), DATA)
    told = [(h.lifter, h.told, h.sheet, h.felt) for h in list_hand_ins(home_desk.store)]
    export_record(home_desk.store, tmp_path / "export")
    import_record(client_store, tmp_path / "export")
    assert [(h.lifter, h.told, h.sheet, h.felt) for h in list_hand_ins(client_store)] == told
    assert (list_links(client_store), list_accounts(client_store)) == ([], [])
    backup(home_desk.store, tmp_path / "backup.zip")
    with zipfile.ZipFile(tmp_path / "backup.zip") as bundle:
        database = next(name for name in bundle.namelist() if name.endswith(".sqlite3"))
        content = bundle.read(database)
    assert b"$argon2id$" not in content
    place = tmp_path / "looked.sqlite3"
    place.write_bytes(content)
    rows_of = sqlite3.connect(place)
    counts = {t: rows_of.execute(f"SELECT COUNT(*) FROM {t}").fetchone()[0] for t in
              ("account", "login", "hand_in_link", "audit_line", "hand_in")}  # fmt: skip
    rows_of.close()
    assert counts == {"account": 0, "login": 0, "hand_in_link": 0, "audit_line": 0, "hand_in": 1}


def test_a_restored_backup_opens_no_link_that_was_taken_back(home_desk: Desk, tmp_path: Path) -> None:
    link = home_desk.link()
    backup(home_desk.store, tmp_path / "backup.zip")
    revoke_link(home_desk.store, list_links(home_desk.store)[0].id)
    restore(home_desk.store, tmp_path / "backup.zip", replace=True)
    assert home_desk.visitor().get(link).status_code == 410
