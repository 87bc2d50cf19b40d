"""The desk in a real browser: a whole visit, the video tied to its curves, corrections, and its looks."""

from __future__ import annotations

import re
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from desk_runner import (
    AXE,
    CLIP,
    DATA,
    PHONE,
    WIDE,
    Running,
    chromium,
    fill,
    looked_at,
    pages_of,
    real_screen,
    refused_screen,
    running,
    settled,
)
from test_desk_corrections import quick

from asymscreen.desk import corrections
from asymscreen.document import read_document
from asymscreen.record.corrections import list_corrections, read_untouched
from asymscreen.record.lifters import add_lifter, show_lifter
from asymscreen.record.screens import list_screens, read_screen, screen_entry
from asymscreen.record.visit import show_visit
from asymscreen.screen import Screen

FIRST_PAGE_S = 0.2
SHIFT = 0.02
"""Layout shift that nobody sees; 0.1 is called good (web.dev/articles/cls)."""

EXPECTED = ("404 (Not Found)", "400 (Bad Request)", "willReadFrequently")
"""What a console says of answers that a test asks for, and of pixels that a test reads."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as found:
        yield found


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Running, dict[str, str]]]:
    with running(tmp_path_factory.mktemp("desk")) as desk:
        yield desk, fill(desk.store)


@pytest.fixture
def page(browser: Any) -> Iterator[Any]:
    """A wide page; whatever its console says is an error of the test."""
    with watched(browser, WIDE, "light") as made:
        yield made


class watched:  # noqa: N801
    """A page of which no script error, console error or refused resource passes unnoticed."""

    def __init__(self, browser: Any, size: tuple[int, int], scheme: str) -> None:
        self.context = looked_at(browser, size, scheme)
        self.page = self.context.new_page()
        self.page.set_default_timeout(30_000)
        self.said: list[str] = []
        self.page.on(
            "console", lambda m: self.said.append(m.text) if m.type in ("error", "warning") else None
        )
        self.page.on("pageerror", lambda error: self.said.append(str(error)))

    def __enter__(self) -> Any:
        return self.page

    def __exit__(self, kind: Any, *_: Any) -> None:
        self.context.close()
        if kind is None:
            assert [text for text in self.said if not any(words in text for words in EXPECTED)] == []


def until(page: Any, true: str) -> None:
    """Wait until an expression is true. Playwright's own way needs eval, which the page's policy forbids."""
    end = time.monotonic() + 30
    while not page.evaluate(true):
        assert time.monotonic() < end, f"waited in vain until {true}"
        page.wait_for_timeout(30)


def number(text: str) -> float:
    return float(text.replace("\u2212", "-"))


# ---- the whole visit


def hand_in(page: Any, desk: Running, code: str, load: str = "80") -> str:
    """Hand the demo clip in and wait for its screen; the screen's id."""
    page.goto(f"{desk.base}/lifters/{code}/clip")
    page.set_input_files("#clip", str(CLIP))
    assert "demo.mp4" in page.inner_text("#drop-words")
    page.check("input[name=view][value=foot-end]")
    page.fill("input[name=load_kg]", load)
    page.fill("input[name=camera_height_m]", "2,05")
    page.click("#send")
    page.wait_for_url(re.compile(r"/screens/"))
    return str(page.url.rsplit("/", 1)[1])


def next_step(page: Any, title: str) -> None:
    page.get_by_role("heading", name=title, exact=True).wait_for()


def test_the_whole_visit(page: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(corrections, "screen_again", quick)
    with running(tmp_path / "home") as desk:
        page.goto(desk.base)
        assert "Nobody is here yet." in page.inner_text("main")
        page.get_by_label("Code", exact=True).fill("L-014")
        for consent in ("film", "keep"):
            page.check(f"input[name={consent}][value=yes]")
        page.get_by_role("button", name="Add").click()
        page.get_by_role("heading", name="Intake").wait_for()
        page.get_by_label("One-rep maximum, kg").fill("100")
        page.get_by_label("Now, 0 to 10").fill("2")
        page.get_by_label("Where").select_option("left")
        page.get_by_role("button", name="Save the intake").click()
        page.get_by_role("heading", name="L-014").wait_for()
        assert "No screen yet." in page.inner_text("main")
        assert "Pain before the set: 2 of 10" in page.inner_text("main")
        page.get_by_role("button", name="Start").click()
        next_step(page, "Look at the empty bar")
        visit = page.url
        page.get_by_label("In words").fill("left end drops late")
        page.get_by_role("button", name="Done, next step").click()
        next_step(page, "Film the working set")
        before = hand_in(page, desk, "L-014")
        correct_by_hand(page, desk, before)
        page.goto(visit)
        page.get_by_role("button", name="Take this set").click()
        next_step(page, "What was felt")
        page.get_by_label("Pain, 0 to 10").fill("2")
        page.get_by_role("button", name="Done, next step").click()
        next_step(page, "Do one drill")
        page.select_option("select[name=drill]", "offset-breathing")
        page.select_option("select[name=side]", "left")
        page.get_by_role("button", name="Done, next step").click()
        next_step(page, "Film the same set again")
        after = hand_in(page, desk, "L-014")
        page.goto(f"{desk.base}/screens/{after}")
        assert "holds these findings back" in page.inner_text("main")
        page.goto(visit)
        page.get_by_role("button", name="Take this set").click()
        next_step(page, "What is felt now")
        page.get_by_label("Pain, 0 to 10").fill("1")
        page.get_by_role("button", name="Done, next step").click()
        next_step(page, "Compare")
        page.get_by_role("button", name="End the visit").click()
        page.get_by_role("link", name="Before against after the drill").click()
        page.get_by_role("heading", name="Measures", exact=True).wait_for()
        page.locator("#tuck-before .main-svg").first.wait_for()
        assert show_visit(desk.store, 1).next_step == ""
        assert [s.id for s in list_screens(desk.store, "L-014")] == [after, before]
        with page.context.expect_page():
            page.evaluate(f"window.open('/screens/{after}/sheet')")
        sheet = page.context.pages[-1]
        sheet.wait_for_load_state()
        assert sheet.locator("h1").count() == 1


def correct_by_hand(page: Any, desk: Running, screen: str) -> None:
    """Left and right swapped and taken back; both stay on the page with who did it."""
    page.goto(f"{desk.base}/screens/{screen}")
    settled(page)
    page.get_by_label("Corrected by").fill("coach K")
    page.get_by_text("Left and right are swapped", exact=True).click()
    page.get_by_role("button", name="Swap left and right").click()
    page.get_by_role("link", name="The result as the program made it").wait_for()
    assert read_screen(desk.store, screen).clip.mirrored
    assert not read_untouched(desk.store, screen).clip.mirrored
    page.get_by_role("button", name="Take back").click()
    page.get_by_text("taken back").first.wait_for()
    assert not read_screen(desk.store, screen).clip.mirrored
    (made,) = list_corrections(desk.store, screen)
    assert made.made_by == made.taken_back_by == "coach K"


# ---- the screen's page


@pytest.fixture
def shown(page: Any, filled: tuple[Running, dict[str, str]]) -> Any:
    """The page of the real screen, ready."""
    desk, ids = filled
    page.goto(f"{desk.base}/screens/{ids['real']}")
    settled(page)
    until(page, "document.getElementById('video').readyState >= 2")
    return page


def at(page: Any) -> float:
    return number(page.inner_text("#now-time").split()[0])


def film(page: Any) -> float:
    until(page, "!document.getElementById('video').seeking")
    return float(page.evaluate("document.getElementById('video').currentTime"))


def test_a_curve_moves_the_video_and_the_readings(shown: Any) -> None:
    reps = read_reps(shown)
    assert at(shown) == pytest.approx(reps[0]["bottom_s"], abs=0.006)
    curve = shown.locator("[data-curve=tuck] svg")
    curve.scroll_into_view_if_needed()
    box = curve.bounding_box()
    shown.mouse.click(box["x"] + 0.25 * box["width"], box["y"] + 20)
    wanted = reps[0]["start_s"] + 0.25 * (reps[0]["end_s"] - reps[0]["start_s"])
    assert at(shown) == pytest.approx(wanted, abs=0.03)
    assert film(shown) == pytest.approx(wanted, abs=0.03)
    told = shown.evaluate("fetch(document.getElementById('work').dataset.source).then(a => a.json())")
    line = next(c for c in told["curves"] if c["name"] == "tuck")["lines"]["left"][0]
    assert f"L {line[25]:.1f}"[:5] in shown.inner_text("#read-tuck")[:8]


def read_reps(page: Any) -> list[dict[str, float]]:
    told = page.evaluate("fetch(document.getElementById('work').dataset.source).then(a => a.json())")
    return list(told["reps"])


def test_the_video_moves_the_curves(shown: Any) -> None:
    before = shown.get_attribute("[data-curve=tuck] .here", "d")
    shown.click("#play")
    until(shown, f"document.getElementById('video').currentTime > {read_reps(shown)[0]['bottom_s'] + 0.3}")
    shown.click("#play")
    until(shown, "document.getElementById('video').paused")
    assert at(shown) == pytest.approx(film(shown), abs=0.05)
    assert shown.get_attribute("[data-curve=tuck] .here", "d") != before


def test_keys_go_by_frame_rep_and_bottom(shown: Any) -> None:
    reps = read_reps(shown)
    step = shown.evaluate("Number(document.getElementById('when').step)")
    shown.focus("#frame-after")
    start = at(shown)
    shown.keyboard.press(".")
    shown.keyboard.press(".")
    assert at(shown) == pytest.approx(start + 2 * step, abs=0.012)
    shown.keyboard.press(",")
    assert at(shown) == pytest.approx(start + step, abs=0.012)
    shown.keyboard.press("]")
    assert "rep 2 of 2" in shown.inner_text("#now-rep")
    shown.keyboard.press("b")
    assert at(shown) == pytest.approx(reps[1]["bottom_s"], abs=0.006)
    assert film(shown) == pytest.approx(reps[1]["bottom_s"], abs=0.02)
    shown.keyboard.press("[")
    assert "rep 1 of 2" in shown.inner_text("#now-rep")


def test_keys_outside_the_set_do_nothing(shown: Any) -> None:
    start = at(shown)
    shown.focus("main")
    for key in (".", "]", "b"):
        shown.keyboard.press(key)
    assert at(shown) == start


def test_the_arms_are_drawn_where_the_tracks_say(shown: Any) -> None:
    # the left elbow's place on the canvas has the left colour near it, the right elbow's the right one
    found = shown.evaluate("""async () => {
      const told = await (await fetch(document.getElementById('work').dataset.source)).json();
      const canvas = document.getElementById('drawn');
      const pen = canvas.getContext('2d');
      const scale = canvas.width / told.size[0];
      const now = Number(document.getElementById('when').value);
      const away = (j) => Math.abs(told.times[j] - now);
      const k = told.times.reduce((best, t, j) => away(j) < away(best) ? j : best, 0);
      return ['left_elbow', 'right_elbow'].map((name) => {
        const n = told.names.indexOf(name);
        const [x, y] = [told.points[k][2 * n] * scale, told.points[k][2 * n + 1] * scale];
        const part = pen.getImageData(x - 8, y - 8, 16, 16).data;
        let [blue, red] = [0, 0];
        for (let j = 0; j < part.length; j += 4) {
          if (part[j + 3] > 200 && part[j + 2] > part[j] + 60) blue += 1;
          if (part[j + 3] > 200 && part[j] > part[j + 2] + 60) red += 1;
        }
        return [blue, red];
      });
    }""")
    (left_blue, left_red), (right_blue, right_red) = found
    assert left_blue > 20 > left_red
    assert right_red > 20 > right_blue


def test_both_arms_stand_side_by_side_at_the_same_moment(shown: Any) -> None:
    reads = [shown.inner_text(f"#{side}-read") for side in ("left", "right")]
    assert all("elbow flexion" in text and "tuck" in text for text in reads)
    flexion = shown.inner_text("#read-elbow_flexion")
    for side, text in zip("LR", reads, strict=True):
        value = re.search(r"elbow flexion ([\d.]+)", text)
        assert value is not None
        assert f"{side} {value[1]}" in flexion
    painted = shown.evaluate(
        "['left-arm', 'right-arm'].map((id) => new Set(document.getElementById(id).getContext('2d')"
        ".getImageData(0, 0, 360, 300).data).size)"
    )
    assert min(painted) > 50


def test_marks_in_the_picture_fill_the_form(shown: Any) -> None:
    shown.get_by_text("Mark something level", exact=True).click()
    shown.click("[data-tool=level] [data-mark]")
    box = shown.locator("#drawn").bounding_box()
    for x, y in ((0.2, 0.5), (0.8, 0.52)):
        shown.mouse.click(box["x"] + x * box["width"], box["y"] + y * box["height"])
    width, height = (int(shown.get_attribute("#stage", name)) for name in ("data-w", "data-h"))
    values = [number(shown.input_value(f"[data-tool=level] [name={n}]")) for n in ("x1", "y1", "x2", "y2")]
    wanted = [0.2 * width, 0.5 * height, 0.8 * width, 0.52 * height]
    assert values == pytest.approx(wanted, abs=3)


def test_a_joint_is_dragged_in_the_picture(shown: Any) -> None:
    shown.get_by_text("Move a joint", exact=True).click()
    shown.select_option("#joint", "left_elbow")
    shown.click("[data-tool=landmark] [data-mark]")
    form = "[data-tool=landmark] [name={}]"
    start = [number(shown.input_value(form.format(axis))) for axis in ("x", "y")]
    box = shown.locator("#drawn").bounding_box()
    scale = box["width"] / int(shown.get_attribute("#stage", "data-w"))
    place = [box["x"] + start[0] * scale, box["y"] + start[1] * scale]
    shown.mouse.move(*place)
    shown.mouse.down()
    shown.mouse.move(place[0] + 20, place[1] - 10, steps=3)
    shown.mouse.up()
    after = [number(shown.input_value(form.format(axis))) for axis in ("x", "y")]
    assert after == pytest.approx([start[0] + 20 / scale, start[1] - 10 / scale], abs=3)
    assert number(shown.input_value(form.format("time_s"))) == pytest.approx(at(shown), abs=0.01)


def test_a_bottom_is_moved_by_keyboard_alone(
    page: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(corrections, "screen_again", quick)
    with running(tmp_path / "home") as desk:
        add_lifter(desk.store, "L-014", film=True, keep=True)
        screen = real_screen(desk.store, "L-014", clip=None)
        page.goto(f"{desk.base}/screens/{screen}")
        settled(page)
        bottom = read_screen(desk.store, screen).reps[0].bottom_s
        page.focus("#frame-after")
        for _ in range(3):
            page.keyboard.press(".")
        page.locator("[data-tool=bottom] summary").focus()
        page.keyboard.press("Enter")
        page.locator("[data-tool=bottom] [data-mark]").focus()
        page.keyboard.press("Enter")
        page.get_by_role("button", name="Move the bottom").focus()
        page.keyboard.press("Enter")
        page.get_by_role("link", name="The result as the program made it").wait_for()
        assert bottom + 0.05 < read_screen(desk.store, screen).reps[0].bottom_s < bottom + 0.2


# ---- clips under way


def test_progress_can_be_left_come_back_to_and_stopped(page: Any, tmp_path: Path) -> None:
    with running(tmp_path / "home", "once") as desk:
        add_lifter(desk.store, "L-014", film=True)
        page.goto(f"{desk.base}/lifters/L-014/clip")
        page.set_input_files("#clip", str(CLIP))
        page.click("#send")
        page.wait_for_url(re.compile("/jobs/"))
        page.wait_for_selector("[data-stage='Looking for the lifter'][aria-current=step]")
        job = page.url
        page.goto(desk.base)
        page.get_by_role("link", name="L-014: demo.mp4").click()
        assert page.url == job
        until(page, "document.querySelector('[aria-current=step] progress').value === 0.5")
        page.get_by_role("button", name="Stop").click()
        page.get_by_role("button", name="Try again").click()
        page.wait_for_url(re.compile("/screens/"))
        settled(page)
        assert page.locator("h1").count() == 1


def test_a_clip_that_cannot_be_screened_says_how_to_film_it(page: Any, tmp_path: Path) -> None:
    with running(tmp_path / "home", "unusable") as desk:
        add_lifter(desk.store, "L-014", film=True)
        page.goto(f"{desk.base}/lifters/L-014/clip")
        page.set_input_files("#clip", str(CLIP))
        page.click("#send")
        page.get_by_text("No press was found: film a whole set.").wait_for()
        page.get_by_role("link", name="How to film it again").click()
        assert page.inner_text("h1") == "How to film a set"


def test_what_does_not_fit_is_said_on_the_page(page: Any, filled: tuple[Running, dict[str, str]]) -> None:
    desk, _ = filled
    before = show_lifter(desk.store, "L-021").screens
    page.goto(f"{desk.base}/lifters/L-021/clip")
    page.set_input_files("#clip", str(CLIP))
    page.fill("input[name=load_kg]", "8000")
    with page.expect_response(re.compile("/lifters/L-021/clip")) as answer:
        page.click("#send")
    assert answer.value.status == 400
    page.wait_for_selector("#refused:not([hidden])")
    assert "load_kg: expected 0 to 600, got 8000" in page.inner_text("#refused")
    assert page.is_enabled("#send")
    assert show_lifter(desk.store, "L-021").screens == before


# ---- clips that need help


def test_a_clip_that_the_browser_does_not_play_is_shown_as_its_copy(
    page: Any, tmp_path: Path, filled: tuple[Running, dict[str, str]]
) -> None:
    desk, _ = filled
    clip = tmp_path / "clip.mp4"
    make = ["ffmpeg", "-v", "error", "-i", str(CLIP), "-c:v", "libx265", "-preset", "ultrafast", "-an",
            "-x265-params", "log-level=error", str(clip)]  # fmt: skip
    subprocess.run(make, check=True)
    number = real_screen(desk.store, "L-021", clip=clip)
    page.goto(f"{desk.base}/screens/{number}")
    settled(page)
    until(page, "document.getElementById('video').readyState >= 2")
    size = page.evaluate(
        "[document.getElementById('video').videoWidth, document.getElementById('video').videoHeight]"
    )
    assert size == [960, 540]
    assert page.evaluate("document.getElementById('video').error") is None
    page.focus("#when")
    page.keyboard.press("b")
    bottom = read_screen(desk.store, number).reps[0].bottom_s
    until(
        page, "!document.getElementById('video').seeking && document.getElementById('video').readyState >= 2"
    )
    assert page.evaluate("document.getElementById('video').currentTime") == pytest.approx(bottom, abs=0.02)
    # pictures are really decoded: the left arm's box shows more than the ground it is drawn on
    shades = page.evaluate(
        "(() => { const c = document.getElementById('left-arm'); const d = c.getContext('2d')"
        ".getImageData(0, 0, c.width, c.height).data; const s = new Set();"
        " for (let k = 0; k < d.length; k += 4) s.add(d[k] << 16 | d[k + 1] << 8 | d[k + 2]);"
        " return s.size; })()"
    )
    assert shades > 500


def test_the_lifter_is_chosen_in_a_refused_clip(
    page: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    solved = read_document(DATA / "screen.json")
    monkeypatch.setattr(corrections, "screen_again", lambda _, tracks, *__: Screen(solved, tracks))
    with running(tmp_path / "home") as desk:
        add_lifter(desk.store, "L-014", film=True, keep=True)
        number = refused_screen(desk.store, "L-014")
        page.goto(f"{desk.base}/lifters/L-014")
        assert "Refused" in page.inner_text("table")
        page.goto(f"{desk.base}/screens/{number}")
        page.wait_for_selector("#pick[data-ready]")
        until(page, "document.getElementById('pick-video').readyState >= 2")
        marks = page.locator("#pick-marks")
        box = marks.bounding_box()
        marks.click(position={"x": box["width"] / 2, "y": box["height"] / 4})
        document = read_screen(desk.store, number)
        assert number_in(page, "x") == pytest.approx(document.clip.width / 2, abs=2)
        assert number_in(page, "y") == pytest.approx(document.clip.height / 4, abs=2)
        page.fill("input[name=by]", "coach K")
        page.get_by_role("button", name="Screen with this person").click()
        page.get_by_text("Another person chosen as the lifter").first.wait_for()
        (made,) = list_corrections(desk.store, number)
        assert (made.kind, made.made_by) == ("person", "coach K")
        assert screen_entry(desk.store, number).usable
        page.get_by_role("button", name="Take back").click()
        page.wait_for_selector("#pick[data-ready]")
        assert read_screen(desk.store, number) == document


def number_in(page: Any, name: str) -> float:
    return float(page.input_value(f"#pick input[name={name}]"))


# ---- how it looks and how heavy it is


@pytest.mark.parametrize(("size", "scheme"), [(WIDE, "light"), (PHONE, "dark")], ids=["wide", "phone"])
def test_every_page_is_accessible_fits_and_does_not_jump(
    browser: Any, filled: tuple[Running, dict[str, str]], size: tuple[int, int], scheme: str
) -> None:
    # WCAG 2.2 A and AA as far as axe-core checks it
    desk, ids = filled
    axe = AXE.read_text(encoding="utf-8")
    faults = []
    asked: set[str] = set()
    with watched(browser, size, scheme) as page:
        page.on("request", lambda request: asked.add(request.url.split("/")[2]))
        page.add_init_script(
            "window.shift = 0; new PerformanceObserver((list) => list.getEntries().forEach((entry) => {"
            " if (!entry.hadRecentInput) window.shift += entry.value; }))"
            ".observe({ type: 'layout-shift', buffered: true });"
        )
        for name, place in pages_of(ids).items():
            page.goto(desk.base + place)
            settled(page)
            width = page.evaluate("document.documentElement.scrollWidth")
            if width > size[0]:
                faults.append(f"{name}: {width} px wide")
            if page.evaluate("window.shift") > SHIFT:
                faults.append(f"{name}: jumps by {page.evaluate('window.shift'):.3f}")
            page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
            page.evaluate(axe)
            found = page.evaluate(
                "axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa',"
                " 'best-practice'] })"
            )
            faults += [
                f"{name}: {v['id']}: {v['help']}: {v['nodes'][0]['html'][:160]} ({len(v['nodes'])})"
                for v in found["violations"]
            ]
    assert not faults, "\n".join(faults)
    assert asked == {desk.base.split("/")[2]}, "nothing is fetched from outside"


def test_pages_to_hand_out_are_accessible_and_fit_a_phone(
    browser: Any, filled: tuple[Running, dict[str, str]]
) -> None:
    desk, ids = filled
    pair = f"{ids['before']}/{ids['after']}"
    places = (f"/screens/{ids['after']}/sheet", f"/compare/{pair}/sheet", "/lifters/L-014/summary")
    faults = []
    with watched(browser, PHONE, "dark") as page:
        for place in places:
            page.goto(desk.base + place)
            page.wait_for_load_state("networkidle")
            if (width := page.evaluate("document.documentElement.scrollWidth")) > PHONE[0]:
                faults.append(f"{place}: {width} px wide")
            for table in page.locator("div.wide").all():
                if table.evaluate("(place) => place.scrollWidth > place.clientWidth"):
                    faults.append(f"{place}: a table is cut off")
            page.evaluate(AXE.read_text(encoding="utf-8"))
            found = page.evaluate(
                "axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21aa', 'wcag22aa'] })"
            )
            faults += [f"{place}: {v['id']}: {v['nodes'][0]['html'][:160]}" for v in found["violations"]]
    assert not faults, "\n".join(faults)


def test_the_first_page_is_there_at_once(page: Any, filled: tuple[Running, dict[str, str]]) -> None:
    desk, _ = filled
    took = []
    for _ in range(5):
        start = time.monotonic()
        page.request.get(desk.base + "/")
        took.append(time.monotonic() - start)
    assert min(took) < FIRST_PAGE_S


def test_the_keyboard_reaches_the_content_at_once(page: Any, filled: tuple[Running, dict[str, str]]) -> None:
    desk, _ = filled
    page.goto(desk.base)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "To the content"
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    assert page.evaluate("document.getElementById('main').contains(document.activeElement)")
