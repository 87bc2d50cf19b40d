"""The log of who saw or changed what: a line for each page and change, none for the rest, nobody left in it.

Outside source: the bytes of the database's files are searched for what was erased.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
import report_samples as samples
from desk_visits import BEFORE, LOCAL, PASSWORD, Desk, desk_at, post
from record_makers import DAY

from asymscreen.desk import handin_desk
from asymscreen.desk.accounts import make_account
from asymscreen.record.access import AUDIT_DAYS, clear_old_audit, note, read_audit
from asymscreen.record.erase import erase_lifter
from asymscreen.record.screens import add_screen
from asymscreen.record.store import Store

pytest_plugins = ["record_fixtures"]


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    made = desk_at(tmp_path / "home")
    yield made
    made.store.close()


def lines(desk: Desk) -> list[tuple[str, str, str, str]]:
    """Oldest first."""
    return [(line.who, line.did, line.lifter, line.about) for line in reversed(read_audit(desk.store))]


def test_a_page_that_was_seen_has_a_line_with_its_lifter(desk: Desk) -> None:
    screen = add_screen(desk.store, "L-014", samples.crossed()).id
    coach = desk.visitor()
    coach.get("/")
    coach.get("/lifters/L-014")
    coach.get(f"/screens/{screen}")
    assert lines(desk) == [
        ("this desk", "saw /", "", ""),
        ("this desk", "saw /lifters/{code}", "L-014", ""),
        ("this desk", "saw /screens/{screen}", "L-014", screen),
    ]


def test_a_change_has_a_line(desk: Desk) -> None:
    post(desk.visitor(), "/lifters/L-014/links", {"days": "3", "clips": "1"})
    assert lines(desk)[-1] == ("this desk", "changed /lifters/{code}/links", "L-014", "")


def test_a_new_lifter_is_named_by_where_the_page_leads(desk: Desk) -> None:
    answer = post(desk.visitor(), "/", {"code": "L-030"}, "/lifters")
    assert answer.status_code == 303
    assert lines(desk)[-1] == ("this desk", "changed /lifters", "L-030", "")


def test_pictures_scripts_refusals_and_progress_have_none(desk: Desk) -> None:
    jpeg = {"rep-1-bottom.jpg": b"\xff\xd8\xff"}
    screen = add_screen(desk.store, "L-014", samples.crossed(), images=jpeg).id
    coach = desk.visitor()
    for place in ("/health", "/static/desk.css", "/nowhere", "/lifters/L-999", "/hand-in/x", "/login"):
        coach.get(place)
    assert coach.get(f"/screens/{screen}/pictures/rep-1-bottom.jpg").status_code == 200
    assert coach.post("/lifters/L-014/links", data={"days": "3", "clips": "1"}).status_code == 403
    assert lines(desk) == []


def test_a_client_is_named_by_the_link(desk: Desk) -> None:
    link = desk.link()
    post(desk.visitor(), link, BEFORE)
    who = f"link {link.removeprefix('/hand-in/').split('.')[0]}"
    assert lines(desk) == [
        (who, "saw /hand-in/{token}", "L-014", ""), (who, "changed /hand-in/{token}", "L-014", "")
    ]  # fmt: skip
    assert link not in str(lines(desk))


def test_the_log_names_who_logged_in_and_from_where(tmp_path: Path) -> None:
    made = desk_at(tmp_path / "home", names=("desk.example",))
    make_account(made.store, "coach", PASSWORD)
    client = made.visitor("https://desk.example", client=("10.1.2.3", 4000))
    post(client, "/login", {"name": "coach", "password": "wrong"})
    post(client, "/login", {"name": "coach", "password": PASSWORD})
    client.get("/lifters/L-014")
    found = [(line.who, line.did, line.address) for line in reversed(read_audit(made.store))]
    assert found == [
        ("coach", "login refused: wrong password", "10.1.2.3"), ("coach", "logged in", "10.1.2.3"),
        ("coach", "saw /lifters/{code}", "10.1.2.3"),
    ]  # fmt: skip
    made.store.close()


def test_the_log_page_shows_one_lifter_or_all(desk: Desk) -> None:
    coach = desk.visitor()
    coach.get("/lifters/L-014")
    coach.get("/lifters/L-021")
    assert "L-021" in coach.get("/log").text
    one = coach.get("/log?lifter=L-014").text
    assert "L-014" in one
    assert "L-021" not in one


def test_an_erased_lifter_leaves_lines_without_a_name(desk: Desk) -> None:
    screen = add_screen(desk.store, "L-014", samples.crossed()).id
    coach = desk.visitor()
    coach.get("/lifters/L-014")
    coach.get(f"/screens/{screen}")
    coach.get("/lifters/L-021")
    post(coach, desk.link("L-014").removeprefix(LOCAL), BEFORE)
    erase_lifter(desk.store, "L-014")
    found = lines(desk)
    assert [lifter for _, _, lifter, _ in found if lifter] == ["L-021"]
    assert len(found) == 5
    assert screen not in str(found)
    for file in desk.store.home.rglob("*"):
        if file.is_file():
            assert b"L-014" not in file.read_bytes(), file.name


def test_old_lines_are_cleared(store: Store) -> None:
    note(store, "coach", "old", at=DAY)
    note(store, "coach", "young", at=DAY + timedelta(days=2))
    assert clear_old_audit(store, at=DAY + timedelta(days=AUDIT_DAYS + 1)) == 1
    assert [line.did for line in read_audit(store)] == ["young"]


def test_every_address_that_the_log_words_exists(desk: Desk) -> None:
    there = {getattr(route, "path", "") for route in desk.app.routes}
    assert set(handin_desk.PLACES) - there == set()
    assert handin_desk.plainly("saw /lifters/{code}") == "saw the lifter's page"
    assert handin_desk.plainly("logged in") == "logged in"
