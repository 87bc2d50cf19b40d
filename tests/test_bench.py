"""What a process took, and the yardstick beside it. How fast a screen is, is measured and not tested."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import pytest
from click.testing import CliRunner
from clips import corners, write_clip

from asymscreen import bench as bench_module
from asymscreen.bench import Run, measured, medians
from asymscreen.capture.clip import probe
from asymscreen.cli import DEMO, cli
from asymscreen.console import TIMINGS_VARIABLE, Stopwatch
from asymscreen.errors import ClipError, UsageError


def python(code: str) -> list[str]:
    return [sys.executable, "-c", code]


def measured_apart(code: str, folder: Path) -> Run:
    """`measured` in a small process of its own: a system counts the caller's memory as its child's first."""
    ask = (
        "import json, pathlib, sys\nfrom asymscreen.bench import measured\n"
        "run = measured([sys.executable, '-c', sys.argv[1]], pathlib.Path(sys.argv[2]))\n"
        "print(json.dumps([run.wall_s, run.cpu_s, run.peak_mb, run.stages]))"
    )
    said = subprocess.run(
        [sys.executable, "-c", ask, code, str(folder)], check=True, capture_output=True, text=True
    ).stdout
    wall_s, cpu_s, peak_mb, stages = json.loads(said)
    return Run(wall_s, cpu_s, peak_mb, tuple(stages))


def test_wall_processor_time_and_memory_of_a_process(tmp_path: Path) -> None:
    idle = measured_apart("import time; time.sleep(0.6)", tmp_path)
    assert idle.wall_s >= 0.6
    assert idle.cpu_s < 0.5
    code = "import time\nx = bytearray(200_000_000)\nwhile time.process_time() < 0.6: pass"
    busy = measured_apart(code, tmp_path)
    assert 0.6 <= busy.cpu_s <= busy.wall_s + 0.1
    # 200 MB were filled with zeros beside what a bare Python takes, some 10 MB
    assert 200 < busy.peak_mb < 220
    assert busy.stages == ()


def test_a_childs_memory_and_time_count_too(tmp_path: Path) -> None:
    inner = "import time; x = bytearray(150_000_000)\nwhile time.process_time() < 0.4: pass"
    run = measured(
        python(f"import subprocess, sys; subprocess.run([sys.executable, '-c', {inner!r}])"), tmp_path
    )
    assert run.cpu_s >= 0.4
    assert run.peak_mb > 150


def test_a_process_that_fails_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="got exit code 1: ValueError: no"):
        measured(python("raise ValueError('no')"), tmp_path)
    assert measured(python("raise SystemExit(3)"), tmp_path).wall_s > 0  # nothing to screen


def test_stages_add_up_to_the_whole(tmp_path: Path) -> None:
    code = (
        "import time\nfrom asymscreen.console import Stopwatch\nwatch = Stopwatch(lambda *_: None)\n"
        "watch('one', 0.0); time.sleep(0.3); watch('one', 0.5); watch('two', 0.0)\n"
        "t = time.process_time()\nwhile time.process_time() < t + 0.2: pass\nwatch('Done', 1.0)\n"
        "watch.write(); time.sleep(0.2)"
    )
    run = measured(python(code), tmp_path)
    assert [name for name, _, _ in run.stages] == ["start", "one", "two", "write"]
    took = {name: (wall, cpu) for name, wall, cpu in run.stages}
    assert took["one"][0] >= 0.3
    assert took["one"][1] < 0.2
    assert took["two"][1] == pytest.approx(0.2, abs=0.05)
    assert took["write"][0] >= 0.2
    assert sum(wall for wall, _ in took.values()) == pytest.approx(run.wall_s, abs=0.02)
    assert sum(cpu for _, cpu in took.values()) == pytest.approx(run.cpu_s, abs=0.001)


def test_the_stopwatch_passes_on_and_writes_only_where_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[tuple[str, float]] = []
    watch = Stopwatch(lambda stage, share: told.append((stage, share)))
    watch("a", 0.1)
    watch("a", 0.2)
    watch.write()
    monkeypatch.setenv(TIMINGS_VARIABLE, str(tmp_path / "t.json"))
    watch.write()
    assert told == [("a", 0.1), ("a", 0.2)]
    assert [line[0] for line in json.loads((tmp_path / "t.json").read_text("utf-8"))] == ["a"]
    assert bench_module.TIMINGS_VARIABLE == TIMINGS_VARIABLE


def test_medians_are_over_pairs_and_shares_over_each_pair() -> None:
    # worked out by head: shares 1/2, 2/2 and 9/10; their median is 0.9, of the walls 2 and 2
    pairs = [
        {"screen": Run(s, 1.0, 10.0, (("one", s, 0.5),)), "yardstick": Run(y, 3.0, 20.0)}
        for s, y in ((1.0, 2.0), (2.0, 2.0), (9.0, 10.0))
    ]
    found = medians(pairs, duration_s=4.0)
    assert found["screen"] == {"wall_s": 2.0, "cpu_s": 1.0, "peak_mb": 10.0, "stages": [["one", 2.0, 0.5]]}
    assert found["yardstick"]["wall_s"] == 2.0
    assert found["share_of_yardstick"] == 0.9
    assert found["share_of_playing"] == 0.5


@pytest.fixture
def commands(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """The commands that bench would run, in order; none is run."""
    ran: list[list[str]] = []

    def note(command: Sequence[str], folder: Path) -> Run:
        ran.append(list(command))
        return Run(float(len(ran)), 1.0, 1.0)

    monkeypatch.setattr(bench_module, "measured", note)
    return ran


def kind(command: list[str]) -> str:
    return "yardstick" if "asymscreen.yardstick" in command else "screen"


def test_pairs_change_their_order(commands: list[list[str]]) -> None:
    result = CliRunner().invoke(cli, ["bench", "--runs", "3"])
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    assert [kind(c) for c in commands] == [
        "screen",
        "yardstick",
        "yardstick",
        "screen",
        "screen",
        "yardstick",
    ]
    assert all(str(DEMO / "demo.mp4") in c for c in commands)
    assert [pair["screen"]["wall_s"] for pair in found["pairs"]] == [1.0, 4.0, 5.0]
    assert (found["clip"]["frames"], found["clip"]["width"]) == (probe(DEMO / "demo.mp4").frames, 1280)
    assert found["software"]["opencv-contrib-python"]
    assert found["machine"]["cores"] >= 1


def test_without_the_yardstick(commands: list[list[str]], tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "a.mp4", [corners()] * 20)
    found = json.loads(CliRunner().invoke(cli, ["bench", str(clip), "--runs", "1", "--no-yardstick"]).stdout)
    assert [kind(c) for c in commands] == ["screen"]
    assert "share_of_yardstick" not in found["medians"]


def test_wrong_usage(commands: list[list[str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(UsageError, match="runs: expected 1 or more, got 0"):
        bench_module.bench(DEMO / "demo.mp4", runs=0)
    with pytest.raises(ClipError, match="found no such file"):
        bench_module.bench(tmp_path / "gone.mp4")
    monkeypatch.delattr("os.wait4")
    with pytest.raises(UsageError, match="wait4"):
        bench_module.bench(DEMO / "demo.mp4")
    assert commands == []


def test_the_yardstick_goes_through_every_frame(tmp_path: Path) -> None:
    # as many as OpenCV, an outside reader, counts; and the person on the picture is found in each
    image = cv2.cvtColor(cv2.imread(str(Path(__file__).parent / "data" / "standing.jpg")), cv2.COLOR_BGR2RGB)
    image = image[: image.shape[0] // 2 * 2, : image.shape[1] // 2 * 2]
    clip = write_clip(tmp_path / "a.mp4", [image] * 12)
    command = [sys.executable, "-m", "asymscreen.yardstick", str(clip)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    found: dict[str, Any] = json.loads(done.stdout)
    assert found == {"frames": 12, "with_a_person": 12}
    assert cv2.VideoCapture(str(clip)).get(cv2.CAP_PROP_FRAME_COUNT) == 12
