"""Everything that is no press clip, through the command line: one sentence, the right exit code.

2 = it cannot be read as a clip; 3 = it can, but holds nothing to screen: then the document is written all the
same. Landmarks come from the real network; pictures of lifters are rendered.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import av
import numpy as np
import pytest
from click.testing import CliRunner, Result
from clips import corners, write_clip, write_sound
from numpy.typing import NDArray
from set_maker import Beat, SetPlan, film

from asymscreen.cli import cli
from asymscreen.document import read_document
from asymscreen.motion.tidy import write_tracks

Image = NDArray[np.uint8]
DATA = Path(__file__).parent / "data"


def run(*arguments: object) -> Result:
    result = CliRunner().invoke(cli, ["screen", *map(str, arguments)])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert "Traceback" not in result.output
    return result


def picture(name: str) -> Image:
    with av.open(str(DATA / name)) as container:
        return np.asarray(next(container.decode(video=0)).to_ndarray(format="rgb24"))


def even(image: Image) -> Image:
    """Sizes that the encoder takes."""
    return np.ascontiguousarray(image[: image.shape[0] // 2 * 2, : image.shape[1] // 2 * 2])


def still(path: Path, image: Image, count: int = 16) -> Path:
    """A clip of one picture with a little sensor noise."""
    rng = np.random.default_rng(7)
    noise = rng.normal(0, 3, (count, *image.shape))
    return write_clip(path, [np.clip(image + n, 0, 255).astype(np.uint8) for n in noise], rate=10)


# ---------------------------------------------------------------- 2: no clip


def no_file(folder: Path) -> Path:
    return folder / "gone.mp4"


def a_folder(folder: Path) -> Path:
    return folder


def zero_bytes(folder: Path) -> Path:
    (folder / "empty.mp4").touch()
    return folder / "empty.mp4"


def truncated(folder: Path) -> Path:
    whole = write_clip(folder / "whole.mp4", [corners()] * 60, faststart=True, options={"g": "10"})
    data = whole.read_bytes()
    (folder / "cut.mp4").write_bytes(data[: len(data) * 6 // 10])
    return folder / "cut.mp4"


def truncated_before_its_index(folder: Path) -> Path:
    data = write_clip(folder / "whole.mp4", [corners()] * 60).read_bytes()
    (folder / "cut.mp4").write_bytes(data[: len(data) // 2])
    return folder / "cut.mp4"


def audio_only(folder: Path) -> Path:
    return write_sound(folder / "sound.mp4")


def a_picture(folder: Path) -> Path:
    (folder / "picture.mp4").write_bytes((DATA / "standing.jpg").read_bytes())
    return folder / "picture.mp4"


def a_text(folder: Path) -> Path:
    (folder / "notes.mp4").write_text("three reps, felt heavy on the left\n" * 20, encoding="utf-8")
    return folder / "notes.mp4"


def one_frame(folder: Path) -> Path:
    return write_clip(folder / "one.mp4", [corners()])


def ten_minutes(folder: Path) -> Path:
    return write_clip(folder / "long.mp4", [corners()] * 600, rate=1)


UNREADABLE: list[tuple[Callable[[Path], Path], str]] = [
    (no_file, "found no such file; check the name"),
    (a_folder, "got a folder; name one file in it"),
    (zero_bytes, r"got an empty file \(0 bytes\); copy it again"),
    (truncated, "could be read; copy it again from the phone"),
    (truncated_before_its_index, "got a file that is damaged, cut short or of another kind"),
    (audio_only, "got sound without video"),
    (a_picture, r"got a picture \(JPEG\)"),
    (a_text, "got a text file"),
    (one_frame, "got 1 frame; film a whole rep"),
    (ten_minutes, "10 min|600 s|minutes"),
]


@pytest.mark.parametrize(("make", "sentence"), UNREADABLE, ids=[make.__name__ for make, _ in UNREADABLE])
def test_what_cannot_be_read_as_a_clip(make: Callable[[Path], Path], sentence: str, tmp_path: Path) -> None:
    result = run(make(tmp_path), "--json", tmp_path / "screen.json", "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert result.stdout == ""
    (line,) = result.stderr.splitlines()
    assert line.startswith("asymscreen: ")
    assert re.search(sentence, line)
    assert not (tmp_path / "screen.json").exists()


# ---------------------------------------------------------------- 3: nothing to screen


def empty_gym(folder: Path) -> Path:
    return still(folder / "gym.mp4", corners(640, 480))


def standing(folder: Path) -> Path:
    return still(folder / "standing.mp4", even(picture("standing.jpg")))


def lying_still(folder: Path) -> Path:
    return still(folder / "still.mp4", even(picture("press-foot.jpg")))


def two_lifters(folder: Path) -> Path:
    down, up = picture("lifter-bottom.jpg"), picture("lifter-lockout.jpg")
    low, high = (np.concatenate([one, one], axis=1) for one in (down, up))
    return write_clip(folder / "two.mp4", [low, low, high, high] * 9, rate=10)


def cut_off(folder: Path) -> Path:
    return still(folder / "cut.mp4", even(picture("lifter-bottom.jpg")[:, 200:]))


def nearly_black(folder: Path) -> Path:
    return still(folder / "dark.mp4", (even(picture("press-foot.jpg")) * 0.02).astype(np.uint8))


NOTHING: list[tuple[Callable[[Path], Path], str]] = [
    (empty_gym, "No person was found in the clip"),
    (standing, "Nobody in the picture holds a bar over the chest"),
    (lying_still, "No press was found"),
    (two_lifters, "Two people in the picture could be the lifter"),
    (cut_off, "The picture cuts off the lifter's"),
    (nearly_black, "in enough light"),
]


def refused(result: Result, document: Path, sentence: str) -> None:
    assert result.exit_code == 3, result.output
    assert result.stdout == ""
    (line,) = result.stderr.splitlines()
    assert "nothing to screen" in line
    assert sentence in line
    found = read_document(document)
    assert found.capture.usable is False
    assert found.capture.reasons
    assert all(reason in line for reason in found.capture.reasons)
    assert found.measures == {}


@pytest.mark.parametrize(("make", "sentence"), NOTHING, ids=[make.__name__ for make, _ in NOTHING])
def test_what_can_be_read_but_not_screened(
    make: Callable[[Path], Path], sentence: str, tmp_path: Path
) -> None:
    document = tmp_path / "screen.json"
    result = run(make(tmp_path), "--json", document, "--out", tmp_path / "out", "--quiet")
    refused(result, document, sentence)
    assert (tmp_path / "out" / "report.html").exists()


# a set seen from the side: nobody can compare the arms there
@pytest.mark.parametrize("stated", [(), ("--view", "side")], ids=["as seen", "as stated"])
def test_a_side_view(stated: tuple[str, ...], tmp_path: Path) -> None:
    tracks, _ = film(SetPlan((Beat(), Beat())), "side", noise_px=1.0)
    file = write_tracks(tracks, tmp_path / "side.csv.gz")
    document = tmp_path / "screen.json"
    result = run("--tracks", file, "--image-size", "1280x720", "--json", document, *stated)
    refused(result, document, "side")


def test_the_document_of_a_refusal_goes_to_standard_output_too(tmp_path: Path) -> None:
    result = run(still(tmp_path / "gym.mp4", corners(320, 240)), "--json", "-")
    assert result.exit_code == 3
    assert json.loads(result.stdout)["capture"]["usable"] is False


# ---------------------------------------------------------------- 2: tracks that are none


@pytest.mark.parametrize(
    ("content", "sentence"),
    [("", "t.csv"), ("frame,time_s\n0,0\n", "t.csv"), ("not a table at all", "t.csv")],
    ids=["empty", "columns missing", "text"],
)
def test_tracks_that_cannot_be_read(content: str, sentence: str, tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text(content, encoding="utf-8")
    result = run("--tracks", tmp_path / "t.csv", "--image-size", "1280x720")
    assert result.exit_code == 2
    assert sentence in result.stderr
    assert len(result.stderr.splitlines()) == 1
