"""The hand-in page in a real browser on a phone's screen: the whole way, by touch and by keyboard, its looks.

Outside sources: Debian's Chromium, which reports what the content security policy refuses; axe-core (WCAG 2.2
AA); the console, which has to stay silent.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from desk_runner import AXE, CLIP, PHONE, WIDE, Running, chromium, looked_at, running
from desk_visits import BEFORE, THE_SET, client_pages

from asymscreen.desk.links import issue
from asymscreen.record import hand_ins as rows
from asymscreen.record.lifters import add_lifter, show_lifter
from asymscreen.record.screens import list_screens

PAGE_BYTES = 300_000
EXPECTED = ("(Unprocessable", "(Unsupported", "(Not Found)", "(Gone)", "(Bad Request)")
"""What a console says of answers that a test asks for."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as found:
        yield found


@contextmanager
def phone(browser: Any, scheme: str = "light", size: tuple[int, int] = PHONE) -> Iterator[Any]:
    """A page of which no script error and no refused resource passes unnoticed."""
    context = looked_at(browser, size, scheme)
    page = context.new_page()
    page.set_default_timeout(20_000)
    said: list[str] = []
    page.on("console", lambda m: said.append(m.text) if m.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: said.append(str(error)))
    try:
        yield page
    finally:
        context.close()
    assert [text for text in said if not any(words in text for words in EXPECTED)] == []


@contextmanager
def desk_with_link(home: Path, how: str = "done") -> Iterator[tuple[Running, str]]:
    """A desk whose clips end as `how` says, and the address of a link for L-014."""
    with running(home, how) as desk:
        add_lifter(desk.store, "L-014")
        yield desk, desk.base + issue(desk.store, "L-014")[1]


def choose(page: Any, fields: dict[str, str]) -> None:
    """Touch the choices; they are drawn as large areas over the real controls."""
    for name, value in fields.items():
        if page.locator(f'input[type=radio][name="{name}"]').count():
            page.locator(f'label:has(input[name="{name}"][value="{value}"])').tap()
        else:
            page.fill(f'[name="{name}"]', value)


def to_the_clip(page: Any, link: str) -> None:
    page.goto(link)
    choose(page, BEFORE)
    page.get_by_role("button", name="Go on").tap()
    page.get_by_role("link", name="I have filmed my set").tap()
    page.get_by_role("heading", name="About your set").wait_for()
    choose(page, THE_SET)
    page.get_by_role("button", name="Go on to the clip").tap()
    page.get_by_role("heading", name="Send the clip").wait_for()


def test_a_client_hands_a_clip_in_on_a_phone(browser: Any, tmp_path: Path) -> None:
    with desk_with_link(tmp_path / "home") as (desk, link), phone(browser) as page:
        to_the_clip(page, link)
        page.set_input_files("#file", str(CLIP))
        page.get_by_role("button", name="Send the clip").tap()
        page.get_by_role("heading", name="Thank you, your clip is fine").wait_for()
        entry = rows.list_hand_ins(desk.store)[0]
        assert entry.state == "taken"
        assert [screen.id for screen in list_screens(desk.store, "L-014")] == [entry.screen_id]
        page.goto(link)
        assert "Fine, your coach has it" in page.inner_text("main")


def test_a_client_is_told_to_film_again_and_why(browser: Any, tmp_path: Path) -> None:
    with desk_with_link(tmp_path / "home", "unusable") as (desk, link), phone(browser) as page:
        to_the_clip(page, link)
        page.set_input_files("#file", str(CLIP))
        page.get_by_role("button", name="Send the clip").tap()
        page.get_by_role("heading", name="Please film it again").wait_for()
        entry = rows.list_hand_ins(desk.store)[0]
        assert entry.reasons
        said = page.inner_text("main")
        assert all(line in said for line in [*entry.reasons, *entry.advice])
        page.get_by_role("link", name="I have filmed it anew").tap()
        page.get_by_role("heading", name="About your set").wait_for()
        assert page.input_value("[name=height]") == "200"


def test_the_check_is_followed_while_it_runs(browser: Any, tmp_path: Path) -> None:
    with desk_with_link(tmp_path / "home", "slow") as (_, link), phone(browser) as page:
        to_the_clip(page, link)
        page.set_input_files("#file", str(CLIP))
        page.get_by_role("button", name="Send the clip").tap()
        page.get_by_role("heading", name="Your clip has arrived").wait_for()
        page.get_by_text("Looking for the lifter").wait_for()


def test_what_is_no_clip_is_said_on_the_page(browser: Any, tmp_path: Path) -> None:
    with desk_with_link(tmp_path / "home") as (desk, link), phone(browser) as page:
        to_the_clip(page, link)
        page.get_by_role("button", name="Send the clip").tap()
        page.get_by_text("Choose the clip first.").wait_for()
        picture = tmp_path / "photo.mp4"
        picture.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(3000))
        page.set_input_files("#file", str(picture))
        page.get_by_role("button", name="Send the clip").tap()
        page.get_by_text("This file is not a video clip").wait_for()
        assert page.get_by_role("button", name="Send the clip").is_enabled()
        assert rows.list_hand_ins(desk.store)[0].sent_at is None


def test_a_red_flag_stops_and_shows_what_to_do(browser: Any, tmp_path: Path) -> None:
    with desk_with_link(tmp_path / "home") as (desk, link), phone(browser) as page:
        page.goto(link)
        assert not page.locator("#sudden").is_visible()
        choose(page, BEFORE | {"flag-numb-or-weak": "yes"})
        assert page.locator("#sudden").is_visible()
        choose(page, {"sudden": "yes"})
        page.get_by_role("button", name="Go on").tap()
        page.get_by_role("heading", name="Please wait with pressing and filming").wait_for()
        assert "licensed clinician look at it today" in page.inner_text("main")
        assert page.locator("form, input, button").count() == 0
        assert [c.stops for c in show_lifter(desk.store, "L-014").cautions] == [True]
        page.goto(link)
        page.get_by_role("heading", name="Please wait with pressing and filming").wait_for()


def test_missing_answers_are_named_and_reached_by_a_touch(browser: Any, tmp_path: Path) -> None:
    with desk_with_link(tmp_path / "home") as (_, link), phone(browser) as page:
        page.goto(link)
        choose(page, {name: value for name, value in BEFORE.items() if name != "keep"})
        page.get_by_role("button", name="Go on").tap()
        page.get_by_role("link", name="Whether the clip may be kept").tap()
        assert page.evaluate("document.activeElement.id") == "keep"
        choose(page, {"keep": "no"})
        page.get_by_role("button", name="Go on").tap()
        page.get_by_role("heading", name="How to film").wait_for()


def test_the_questions_can_be_answered_by_keyboard(browser: Any, tmp_path: Path) -> None:
    with desk_with_link(tmp_path / "home") as (desk, link), phone(browser, size=WIDE) as page:
        page.goto(link)
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.className") == "skip"
        page.keyboard.press("Tab")
        page.keyboard.press("Space")  # pain: 0
        for _ in range(7):
            page.keyboard.press("Tab")
            page.keyboard.press("Space")  # no
        for _ in range(2):
            page.keyboard.press("Tab")
            page.keyboard.press("Space")
            page.keyboard.press("ArrowRight")  # yes
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        page.get_by_role("heading", name="How to film").wait_for()
        told = rows.list_hand_ins(desk.store)[0].told
        assert (told["pain_now"], told["red_flags"], told["consent_film"], told["consent_keep"]) == (
            0, [], True, True
        )  # fmt: skip


def faults_of(page: Any, name: str, width: int) -> list[str]:
    """What is wrong with the looks of the page that is shown."""
    wide = page.evaluate("document.documentElement.scrollWidth")
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate(
        "axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa',"
        " 'best-practice'] })"
    )
    faults = [f"{name}: {v['id']}: {v['nodes'][0]['html'][:120]}" for v in found["violations"]]
    return faults + ([f"{name}: {wide} px wide"] if wide > width else [])


@pytest.mark.parametrize(("scheme", "size"), [("light", PHONE), ("dark", PHONE), ("light", (320, 600))])
def test_every_page_is_accessible_light_and_fits(
    browser: Any, tmp_path: Path, scheme: str, size: tuple[int, int]
) -> None:
    faults: list[str] = []
    with desk_with_link(tmp_path / "home", "slow") as (desk, link), phone(browser, scheme, size) as page:
        weight: list[int] = []
        page.on("response", lambda answer: weight.append(int(answer.headers.get("content-length", 0))))
        for name, place in (client_pages(desk.store, "L-014") | {"login": "/login?to=/"}).items():
            weight.clear()
            page.set_extra_http_headers({"x-forwarded-for": "10.0.0.1"} if name == "login" else {})
            page.goto(desk.base + place)
            assert 0 < sum(weight) < PAGE_BYTES, name
            faults += faults_of(page, name, size[0])
        page.set_extra_http_headers({})
        to_the_clip(page, link)
        page.set_input_files("#file", str(CLIP))
        page.get_by_role("button", name="Send the clip").tap()
        page.get_by_text("Looking for the lifter").wait_for()
        faults += faults_of(page, "checking", size[0])
        page.goto(link)
        page.get_by_role("button", name="Go on").tap()
        page.get_by_text("10 answers need another look").wait_for()
        faults += faults_of(page, "missing answers", size[0])
        choose(page, BEFORE | {"flag-slips": "yes", "sudden": "no"})
        page.get_by_role("button", name="Go on").tap()
        page.get_by_role("heading", name="Please wait with pressing and filming").wait_for()
        faults += faults_of(page, "stop", size[0])
    assert faults == []


def test_an_injected_script_does_not_run(browser: Any, tmp_path: Path) -> None:
    with desk_with_link(tmp_path / "home") as (_, link):
        context = looked_at(browser, PHONE)
        page = context.new_page()
        said: list[str] = []
        page.on("console", lambda m: said.append(m.text))
        page.goto(link)
        page.evaluate(
            "() => { const s = document.createElement('script'); s.textContent = 'window.ran = 1';"
            " document.body.append(s); const i = document.createElement('img');"
            " i.src = 'https://evil.example/x.png'; document.body.append(i); }"
        )
        page.wait_for_timeout(300)
        assert page.evaluate("window.ran") is None
        assert len([text for text in said if re.search("Content.Security.Policy", text)]) == 2
        context.close()
