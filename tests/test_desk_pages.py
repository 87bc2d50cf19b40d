"""The coach's pages without a browser: answers, faults in one sentence, files, the command that serves."""

from __future__ import annotations

import re
import signal
import socket
import ssl
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from click.testing import CliRunner
from desk_runner import CLIP, DATA, LONG, fill, pages_of, real_screen
from desk_visits import LOCAL, post, token_of
from starlette.testclient import TestClient

from asymscreen.capture.clip import probe, times
from asymscreen.cli import cli
from asymscreen.desk.app import create_app
from asymscreen.desk.figures import SHOWN, guide_figures, guide_of
from asymscreen.desk.options import DeskSettings
from asymscreen.desk.proxy import make_proxy, playable
from asymscreen.errors import ClipError
from asymscreen.record.blocks import list_blocks
from asymscreen.record.clips import discard_clip, view_path
from asymscreen.record.lifters import add_lifter, list_lifters, show_lifter
from asymscreen.record.overview import all_lifters
from asymscreen.record.store import Store, open_store
from asymscreen.scoring.noise import load_error_model

PAGE_BYTES = 300_000
"""A page's weight without plotly and video."""


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "home") as opened:
        yield opened


@pytest.fixture
def client(store: Store) -> TestClient:
    app = create_app(DeskSettings(store.home), store=store)
    return TestClient(app, base_url=LOCAL, follow_redirects=False)


def test_ready(client: TestClient) -> None:
    answer = client.get("/health")
    assert (answer.status_code, answer.text) == (200, "ready\n")


def test_every_page_of_a_full_record_answers(client: TestClient, store: Store) -> None:
    pages = pages_of(fill(store))
    for name, place in pages.items():
        answer = client.get(place)
        assert answer.status_code == (404 if name == "not-found" else 200), name
        assert answer.text.count("<h1") == 1, name
        assert "no-store" in answer.headers["cache-control"]
    assert LONG in client.get("/").text
    assert "No screen until this is lifted" in client.get("/lifters/L-030").text


def test_every_page_is_light_but_for_plotly_and_video(client: TestClient, store: Store) -> None:
    weights = {name: weight(client, place) for name, place in pages_of(fill(store)).items()}
    assert {name: size for name, size in weights.items() if size > PAGE_BYTES} == {}
    assert weights["screen-without-clip"] > 150_000  # numbers and pictures are counted


def weight(client: TestClient, place: str) -> int:
    """Bytes of a page with its styles, scripts, pictures and numbers."""
    text = client.get(place).text
    parts = set(re.findall(r'(?:src|href|data-source)="(/(?:static|screens|compare)/[^"]+)"', text))
    parts = {
        p for p in parts if re.search(r"/static/|\.json$|/pictures/", p) and not p.endswith("result.json")
    }
    for numbers in [p for p in parts if p.endswith("/data.json")]:
        told = client.get(numbers).json()  # without a clip one picture is shown, that of the moment
        parts |= {frame["url"] for frame in told["frames"][: 0 if told["video"] else 1]}
    return len(text.encode()) + sum(len(client.get(part).content) for part in parts)


def test_an_empty_desk_says_what_to_do_next(client: TestClient) -> None:
    assert "Add the first lifter with a code such as L-014" in client.get("/").text
    assert "Add the lifter" in client.get("/clip").text


@pytest.mark.parametrize(
    ("place", "status", "said"),
    [
        ("/nowhere", 404, "There is no such page."),
        ("/lifters/L-404", 404, "expected a code in the record, got an unknown one"),
        ("/screens/20260101-nobody", 404, "expected the id of a screen in the record"),
        ("/jobs/20260101-nobodyxx", 404, "expected the id of a job in the record"),
        ("/visits/99", 404, "expected the number of a visit in the record"),
        ("/compare?earlier=a&later=b", 404, "expected the id of a screen in the record"),
        ("/clip/../../etc/passwd", 404, "There is no such page."),
        ("/static/..%2fapp.py", 404, "There is no such page."),
    ],
)
def test_what_is_not_there_is_said_in_one_sentence(
    client: TestClient, place: str, status: int, said: str
) -> None:
    answer = client.get(place)
    assert answer.status_code == status
    assert said in answer.text
    assert "Traceback" not in answer.text


def test_data_addresses_say_it_in_json(client: TestClient) -> None:
    answer = client.get("/screens/20260101-nobody/data.json", headers={"accept": "application/json"})
    assert answer.status_code == 404
    assert "expected the id of a screen" in answer.json()["error"]


def test_a_name_with_markup_stays_text(client: TestClient, store: Store) -> None:
    add_lifter(store, "L-014", film=True)
    fields = {"notes": "<script>alert(1)</script>", "grip": "<b>wide</b>", "pain_now": "3"}
    assert post(client, "/lifters/L-014/intake", fields).status_code == 303
    text = client.get("/lifters/L-014").text
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in text


def test_the_forms_of_a_lifter(client: TestClient, store: Store) -> None:
    page = "/lifters/L-014"
    assert post(client, "/", {"code": "L-014", "film": "yes", "keep": "no"}, "/lifters").status_code == 303
    entry = list_lifters(store)[0]
    assert (entry.code, entry.consent_film, entry.consent_keep) == ("L-014", True, False)
    answer = post(client, "/", {"code": "not a code"}, "/lifters")
    assert (answer.status_code, "expected 1 to 64 letters" in answer.text) == (400, True)
    post(client, page, {"text": "Sore from travel.", "stops": "yes"}, f"{page}/cautions")
    assert all_lifters(store)[0].stops == 1
    (caution,) = show_lifter(store, "L-014").cautions
    answer = post(client, page, {"by": "coach K"}, f"{page}/cautions/{caution.id}")
    assert "expected why it is lifted" in answer.text
    post(client, page, {"by": "coach K", "why": "seen by a clinician"}, f"{page}/cautions/{caution.id}")
    assert show_lifter(store, "L-014").cautions[0].lifted_by == "coach K"
    days = {"starts_on": "2026-03-11", "ends_on": "2026-04-07", "weekdays": "mon"}
    post(client, page, days | {"drill1": "pinned-reach", "side1": "left"}, f"{page}/blocks")
    (block,) = list_blocks(store, "L-014")
    assert [(d.drill, d.side) for d in block.drills] == [("pinned-reach", "left")]
    post(client, page, {"on": "2026-03-16", "done": "yes"}, f"{page}/blocks/{block.id}")
    assert list_blocks(store, "L-014")[0].done == 1
    assert "nothing was erased" in post(client, page, {"again": "L-041"}, f"{page}/erase").text
    assert "were removed" in post(client, page, {"again": "L-014"}, f"{page}/erase").text
    assert list_lifters(store) == []


def test_self_contained_pages_bring_the_policy_that_lets_their_own_scripts_run(
    client: TestClient, store: Store
) -> None:
    ids = fill(store)
    places = [f"/screens/{ids['after']}/report", f"/screens/{ids['after']}/untouched",
              f"/compare/{ids['before']}/{ids['after']}/sheet", "/lifters/L-014/summary"]  # fmt: skip
    for place in places:
        answer = client.get(place)
        policy = answer.headers["content-security-policy"]
        assert policy.startswith("default-src 'none'"), place
        assert len(re.findall(r"'sha256-[A-Za-z0-9+/=]{44}'", policy)) == 2, place


def test_the_trend_comes_with_its_numbers(client: TestClient, store: Store) -> None:
    fill(store)
    found = client.get("/lifters/L-014/trend/bar_tilt_bottom").json()
    assert found["config"]["displaylogo"] is False
    assert found["config"]["showSendToCloud"] is False
    assert [row["value"] for row in found["rows"]] == ["+2.4", "+2.2", "+1.1", "+0.2"]
    assert client.get("/lifters/L-014/trend/nonsense").status_code == 400


def test_a_clip_is_sent_in_parts(client: TestClient, store: Store) -> None:
    add_lifter(store, "L-014", film=True, keep=True)
    number = real_screen(store, "L-014")
    whole = CLIP.read_bytes()
    answer = client.get(f"/screens/{number}/clip", headers={"range": "bytes=100-199"})
    assert answer.status_code == 206
    assert len(answer.content) == 100
    assert client.get(f"/screens/{number}/clip").headers["accept-ranges"] == "bytes"
    assert abs(len(client.get(f"/screens/{number}/clip").content) - len(whole)) < 0.2 * len(whole)
    (picture, *_) = sorted(file.name for file in DATA.glob("*.jpg"))
    assert client.get(f"/screens/{number}/pictures/{picture}").content == (DATA / picture).read_bytes()
    assert client.get(f"/screens/{number}/pictures/..%2f..%2fdesk.key").status_code == 404


def test_corrections_that_do_not_fit_are_refused(client: TestClient, store: Store) -> None:
    add_lifter(store, "L-014", film=True)
    number = real_screen(store, "L-014", clip=None)
    page = f"/screens/{number}"
    for fields, said in (
        ({"kind": "level", "x1": "1", "y1": "1", "x2": "2"}, "mark: expected a number, got none"),
        ({"kind": "level", "x1": "1", "y1": "1", "x2": "2", "y2": "1"}, "two points that lie further apart"),
        (
            {"kind": "landmark", "name": "left_elbow", "time_s": "1", "x": "one", "y": "1"},
            "got &#39;one&#39;",
        ),
        ({"kind": "person", "x": "1", "y": "1"}, "expected its kept clip"),
        ({"kind": "sideways"}, "expected one of level"),
    ):
        answer = post(client, page, fields, f"{page}/corrections")
        assert answer.status_code == 400
        assert said in answer.text


# ---- copies for browsers


def hevc(path: Path, frames: int = 24) -> Path:
    """A small HEVC clip with uneven frame times."""
    with av.open(str(path), mode="w") as written:
        stream = written.add_stream("libx265", rate=30, options={"x265-params": "log-level=none"})
        stream.width, stream.height, stream.pix_fmt = 1280, 720, "yuv420p"
        stream.codec_context.time_base = Fraction(1, 1000)
        for k in range(frames):
            picture = np.full((720, 1280, 3), 10 * k, np.uint8)
            frame = av.VideoFrame.from_ndarray(picture, format="rgb24").reformat(format="yuv420p")
            frame.pts, frame.time_base = 40 * k + (7 if k % 2 else 0), Fraction(1, 1000)
            written.mux(stream.encode(frame))
        written.mux(stream.encode(None))
    return path


def test_a_clip_that_browsers_do_not_play_gets_a_copy_with_the_same_moments(tmp_path: Path) -> None:
    source = hevc(tmp_path / "clip.mp4")
    assert not playable(source)
    assert playable(CLIP)
    copy = make_proxy(source, tmp_path / "copy.mp4")
    found = probe(copy)
    assert (found.codec, found.width, found.height) == ("h264", 960, 540)
    np.testing.assert_allclose(times(copy), times(source), atol=0.002)
    assert [file.name for file in sorted(tmp_path.iterdir())] == ["clip.mp4", "copy.mp4"]


def test_a_copy_of_no_clip_is_refused_and_leaves_nothing(tmp_path: Path) -> None:
    (tmp_path / "clip.mp4").write_bytes(b"no clip")
    with pytest.raises(ClipError):
        make_proxy(tmp_path / "clip.mp4", tmp_path / "copy.mp4")
    assert not (tmp_path / "copy.mp4").exists()


def test_the_page_makes_the_copy_at_the_first_look_and_it_goes_with_its_clip(
    client: TestClient, store: Store, tmp_path: Path
) -> None:
    from asymscreen.document import read_document
    from asymscreen.record.screens import add_screen, clip_file_of

    add_lifter(store, "L-014", film=True, keep=True)
    clip = hevc(tmp_path / "clip.mp4")
    number = add_screen(store, "L-014", read_document(DATA / "screen.json"), clip=clip).id
    assert client.get(f"/screens/{number}/data.json").json()["copying"] is True
    answer = client.get(f"/screens/{number}/clip")
    assert client.get(f"/screens/{number}/data.json").json()["copying"] is False
    assert answer.headers["content-type"] == "video/mp4"
    assert answer.content == view_path(store, number).read_bytes()
    discard_clip(store, clip_file_of(store, number))
    assert list(store.clips.iterdir()) == []


# ---- the guide's figures


def test_the_guides_figures_are_of_the_error_model_that_is_shipped() -> None:
    # else: asymscreen validate fixtures/validation --out DIR; python -m asymscreen.desk.figures DIR/...json
    found = guide_figures()
    assert found["error_model"] == load_error_model().version
    assert set(found["views"][0]["errors"]) == set(SHOWN)
    assert all(row["errors"][name]["mean"] < row["errors"][name]["p95"]
               for row in found["elevations"] for name in row["errors"])  # fmt: skip


def test_few_screens_are_no_figure() -> None:
    measures = {name: {"mean_absolute_error": 2.0, "p95": 5.0, "measurable": 58} for name in SHOWN}
    one = {"error": 0.7, "p95": 0.7, "measurable": 1, "of": 19}
    steep = {"from": 70, "to": 90, "screens": 19, "measures": {SHOWN[0]: one}}
    views = {"foot-end": {"screens": 60, "measures": measures}, "side": {"screens": 2, "measures": {}}}
    raw: dict[str, Any] = {
        "views": views, "sensitivity": {"elevation_deg": [steep]}, "even": {"named": 0, "of": 9},
        "command": "c", "written": "d", "error_model": "1", "screens": 62,
    }  # fmt: skip
    assert [row["view"] for row in guide_of(raw)["views"]] == ["foot-end"]
    assert set(guide_of(raw)["views"][0]["errors"]) == set(SHOWN)
    assert guide_of(raw)["elevations"] == []


# ---- the command


def desk_command(home: Path, port: int, *options: str) -> subprocess.Popen[str]:
    command = [
        sys.executable,
        "-m",
        "asymscreen",
        "desk",
        "--no-open",
        "--home",
        str(home),
        "--port",
        str(port),
        *options,
    ]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def test_the_command_serves_until_it_is_stopped(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
    process = desk_command(tmp_path / "home", port)
    try:
        assert process.stdout is not None
        assert f"The desk is at http://127.0.0.1:{port}/" in process.stdout.readline()
        wait_until_ready(port)
        second = desk_command(tmp_path / "other", port)
        assert second.wait(30) == 2
        assert second.stderr is not None
        assert f"expected to serve on 127.0.0.1 port {port}" in second.stderr.read()
        process.send_signal(signal.SIGINT)
        assert process.wait(20) in (0, 130)
    finally:
        process.kill()
        process.communicate()
        second.communicate()


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A certificate for 127.0.0.1 that signs itself, and its key, made by OpenSSL."""
    place = tmp_path_factory.mktemp("tls")
    cert, key = place / "cert.pem", place / "key.pem"
    make = [
        "openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
        "-keyout", str(key), "-out", str(cert), "-days", "2", "-subj", "/CN=desk",
        "-addext", "subjectAltName=IP:127.0.0.1",
    ]  # fmt: skip
    subprocess.run(make, check=True, capture_output=True)
    return cert, key


def test_with_a_certificate_the_desk_speaks_https_and_its_cookies_are_secure(
    tmp_path: Path, certificate: tuple[Path, Path]
) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
    cert, key = certificate
    process = desk_command(tmp_path / "home", port, "--tls-cert", str(cert), "--tls-key", str(key))
    try:
        assert process.stdout is not None
        assert f"The desk is at https://127.0.0.1:{port}/" in process.stdout.readline()
        trusting = ssl.create_default_context(cafile=str(cert))
        wait_until_ready(port, trusting)
        with urllib.request.urlopen(f"https://127.0.0.1:{port}/", timeout=5, context=trusting) as answer:
            cookie = answer.headers["set-cookie"]
            assert {"Secure", "HttpOnly"} <= set(cookie.split("; "))
            assert answer.headers["strict-transport-security"]
            assert b"Nobody is here yet." in answer.read()
        with pytest.raises((urllib.error.URLError, ConnectionError)):  # plain http finds nobody who speaks it
            urllib.request.urlopen(f"http://127.0.0.1:{port}/health", timeout=5)
    finally:
        process.kill()
        process.communicate()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--tls-cert", "{cert}"], "expected --tls-cert and --tls-key together"),
        (["--tls-cert", "gone.pem", "--tls-key", "{key}"], "No such file"),
        (["--tls-cert", "{key}", "--tls-key", "{cert}"], "they do not fit"),
    ],
    ids=["alone", "missing", "swapped"],
)
def test_a_certificate_that_cannot_serve_is_one_sentence(
    tmp_path: Path, certificate: tuple[Path, Path], words: list[str], said: str
) -> None:
    cert, key = certificate
    options = [word.format(cert=cert, key=key) for word in words]
    found = CliRunner().invoke(cli, ["desk", "--no-open", "--home", str(tmp_path), *options])
    assert found.exit_code == 2
    (line,) = found.stderr.splitlines()
    assert said in line


def wait_until_ready(port: int, trusting: ssl.SSLContext | None = None) -> None:
    end = time.monotonic() + 30
    while True:
        try:
            address = f"{'https' if trusting else 'http'}://127.0.0.1:{port}/health"
            with urllib.request.urlopen(address, timeout=5, context=trusting) as answer:
                assert answer.status == 200
            return
        except OSError:
            assert time.monotonic() < end, "never ready"
            time.sleep(0.1)


def test_tokens_are_on_every_form(client: TestClient, store: Store) -> None:
    for place in pages_of(fill(store)).values():
        text = client.get(place).text
        posts = re.findall(r'<form[^>]*method="post".*?</form>', text, re.DOTALL)
        assert all('name="csrf" value="' in form for form in posts), place
    assert token_of(client.get("/"))
