"""The tidy track file: nothing is lost on the way, and every fault of a file is said in one sentence."""

from __future__ import annotations

import builtins
import gzip
import time
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from set_maker import Beat, SetPlan, film

from asymscreen.errors import TracksError
from asymscreen.landmarks.skeleton import BLAZEPOSE, EDGE_POINTS, KNOWN, REFINED
from asymscreen.motion.clean import clean
from asymscreen.motion.reps import find_reps
from asymscreen.motion.tidy import COLUMNS, LEAST_FRAMES, as_written, read_tracks, write_tracks
from asymscreen.motion.tracks import Tracks

SIZE = (1280, 720)


def walk(frames: int = 30, names: tuple[str, ...] = BLAZEPOSE + EDGE_POINTS, seed: int = 0) -> Tracks:
    """Landmarks that wander, some unseen; in one frame nothing is seen at all."""
    rng = np.random.default_rng(seed)
    xy = 400 + np.cumsum(rng.normal(0, 3, (frames, len(names), 2)), axis=0)
    xy[rng.random((frames, len(names))) < 0.1] = np.nan
    xy[frames // 2] = np.nan
    seen = np.where(np.isnan(xy[..., 0]), 0.0, rng.random((frames, len(names))))
    stamps = np.cumsum(rng.uniform(0.02, 0.05, frames))
    return Tracks(stamps - stamps[0], names, xy, seen, SIZE)


def table(frames: int = 12) -> pd.DataFrame:
    """A small faultless file of two landmarks."""
    rows = [
        (k, round(k / 30, 6), name, 100.0 + k, 200.0 - k, 0.9)
        for k in range(frames)
        for name in ("left_wrist", "right_wrist")
    ]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def said(tmp_path: Path, frame: pd.DataFrame) -> str:
    """What is said about a file that holds `frame`: one line."""
    frame.to_csv(tmp_path / "bad.csv", index=False)
    with pytest.raises(TracksError) as caught:
        read_tracks(tmp_path / "bad.csv", SIZE)
    (line,) = str(caught.value).splitlines()
    return line


@pytest.mark.parametrize("name", ["t.csv", "t.csv.gz", "t.parquet"])
def test_round_trip_keeps_everything(tmp_path: Path, name: str) -> None:
    tracks = walk()
    found = read_tracks(write_tracks(tracks, tmp_path / name), SIZE)
    assert found.names == tracks.names
    assert found.image_size == SIZE
    np.testing.assert_allclose(found.time_s, tracks.time_s, atol=1e-6)
    np.testing.assert_allclose(found.xy_px, tracks.xy_px, atol=1e-3, equal_nan=True)
    np.testing.assert_allclose(found.visibility, tracks.visibility, atol=1e-3)
    assert np.isnan(found.xy_px[15]).all()


def test_a_second_round_trip_changes_nothing(tmp_path: Path) -> None:
    first = read_tracks(write_tracks(walk(seed=4), tmp_path / "a.csv"), SIZE)
    second = read_tracks(write_tracks(first, tmp_path / "b.csv.gz"), SIZE)
    np.testing.assert_array_equal(second.time_s, first.time_s)
    np.testing.assert_array_equal(second.xy_px, first.xy_px)
    np.testing.assert_array_equal(second.visibility, first.visibility)


def test_as_written_is_what_comes_back(tmp_path: Path) -> None:
    tracks = walk(seed=2)
    found, expected = read_tracks(write_tracks(tracks, tmp_path / "t.csv"), SIZE), as_written(tracks)
    np.testing.assert_array_equal(found.time_s, expected.time_s)
    np.testing.assert_array_equal(found.xy_px, expected.xy_px)
    np.testing.assert_array_equal(found.visibility, expected.visibility)


def test_reps_of_a_written_set_are_the_same(tmp_path: Path) -> None:
    tracks, _ = film(SetPlan((Beat(), Beat(pause=0.0))), "foot end 45", noise_px=3.0)
    tracks = as_written(tracks)
    found = read_tracks(write_tracks(tracks, tmp_path / "t.csv.gz"), SIZE)
    assert find_reps(clean(found)) == find_reps(clean(tracks))


def test_the_file_is_the_contracts(tmp_path: Path) -> None:
    text = write_tracks(walk(12, ("nose",)), tmp_path / "t.csv").read_text().splitlines()
    assert text[0] == "frame,time_s,landmark,x_px,y_px,visibility"
    assert len(text) == 13
    assert text[7].startswith("6,")
    assert text[7].endswith(",nose,,,0.0")  # nothing seen: the row stays


def test_the_same_tracks_give_the_same_bytes(tmp_path: Path) -> None:
    first = write_tracks(walk(), tmp_path / "t.csv.gz").read_bytes()
    time.sleep(1.1)  # gzip notes whole seconds
    assert write_tracks(walk(), tmp_path / "t.csv.gz").read_bytes() == first


def test_a_landmark_that_some_frames_lack_is_unseen_there(tmp_path: Path) -> None:
    rows = table()
    rows[~((rows.frame == 3) & (rows.landmark == "left_wrist"))].to_csv(tmp_path / "t.csv", index=False)
    found = read_tracks(tmp_path / "t.csv", SIZE)
    assert np.isnan(found.points("left_wrist")[3]).all()
    assert found.seen("left_wrist")[3, 0] == 0
    np.testing.assert_array_equal(found.points("right_wrist")[3, 0], [103, 197])


def test_half_a_place_is_no_place(tmp_path: Path) -> None:
    rows = table()
    rows.loc[4, "y_px"] = np.nan
    rows.to_csv(tmp_path / "t.csv", index=False)
    assert np.isnan(read_tracks(tmp_path / "t.csv", SIZE).points("left_wrist")[2]).all()


def test_rows_may_come_in_any_order_and_columns_may_be_more(tmp_path: Path) -> None:
    rows = table()
    mixed = rows.sample(frac=1, random_state=1)[list(COLUMNS)[::-1]].assign(note="x")
    mixed.to_csv(tmp_path / "mixed.csv", index=False)
    rows.to_csv(tmp_path / "plain.csv", index=False)
    found, plain = read_tracks(tmp_path / "mixed.csv", SIZE), read_tracks(tmp_path / "plain.csv", SIZE)
    np.testing.assert_array_equal(found.xy_px, plain.xy_px)
    np.testing.assert_array_equal(found.time_s, plain.time_s)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.sampled_from(KNOWN), min_size=1, max_size=8, unique=True), st.integers(0, 10_000))
def test_any_known_landmarks_survive(tmp_path_factory: Any, names: list[str], seed: int) -> None:
    tracks = walk(LEAST_FRAMES, tuple(names), seed)
    path = write_tracks(tracks, tmp_path_factory.mktemp("tidy") / "t.csv")
    found = read_tracks(path, SIZE)
    np.testing.assert_allclose(found.points(*names), tracks.xy_px, atol=1e-3, equal_nan=True)


def break_time(rows: pd.DataFrame) -> pd.DataFrame:
    rows.loc[rows.frame == 5, "time_s"] = 0.01
    return rows


def repeat(rows: pd.DataFrame) -> pd.DataFrame:
    return pd.concat([rows, rows.tail(1)])


def two_times(rows: pd.DataFrame) -> pd.DataFrame:
    rows.loc[8, "time_s"] += 0.005
    return rows


def other(rows: pd.DataFrame, column: str, value: Any) -> pd.DataFrame:
    """`value` in every row of frame 3."""
    rows[column] = rows[column].astype(object).where(rows.frame != 3, value)
    return rows


@pytest.mark.parametrize(
    ("spoil", "phrase"),
    [
        (lambda r: r.drop(columns=["x_px", "visibility"]), "column x_px, visibility missing"),
        (lambda r: other(r, "x_px", "left"), "x_px has entries that are no numbers"),
        (lambda r: other(r, "time_s", np.nan), "time_s has entries that are no numbers"),
        (lambda r: other(r, "y_px", 3e9), "y_px has entries beyond 100000"),
        (lambda r: other(r, "y_px", -np.inf), "y_px has entries beyond 100000"),
        (lambda r: other(r, "x_px", "9" * 400), "x_px has entries beyond 100000"),
        (lambda r: other(r, "visibility", 1.5), "visibility has entries outside 0 to 1"),
        (lambda r: other(r, "landmark", "port_wrist"), "unknown landmark port_wrist"),
        (lambda r: other(r, "landmark", np.nan), "unknown landmark nan"),
        (repeat, "a frame has a landmark twice"),
        (break_time, "time_s does not rise"),
        (two_times, "a frame has two times"),
        (lambda r: r[r.frame < 9], "9 frames, at least 10 needed"),
        (lambda r: r.head(0), "0 frames, at least 10 needed"),
    ],
)
def test_every_fault_has_its_words(tmp_path: Path, spoil: Any, phrase: str) -> None:
    line = said(tmp_path, spoil(table()))
    assert phrase in line
    assert "bad.csv" in line
    assert "correct the file" in line


def test_all_faults_are_said_together(tmp_path: Path) -> None:
    rows = repeat(break_time(table(9)))
    rows["landmark"] = rows.landmark.str.replace("right", "starboard")
    rows["visibility"] = rows.visibility.astype(object).where(rows.frame != 2, "well")
    line = said(tmp_path, rows)
    for phrase in ("no numbers", "unknown landmark", "twice", "does not rise", "9 frames"):
        assert phrase in line


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("none.csv", None),
        ("empty.csv", b""),
        ("picture.csv", b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR\x00\xff\xfe"),
        ("plain.csv.gz", b"frame,time_s\n0,0\n"),
        ("cut.csv.gz", gzip.compress(table(400).to_csv(index=False).encode())[:-900]),
        ("ragged.csv", b"frame,time_s\n0,0,1,2,3\n0\n"),
        ("quote.csv", b'frame,time_s\n"0,0\n'),
        ("junk.parquet", b"PAR1 not really PAR1"),
    ],
)
def test_what_is_no_table_is_said_in_one_line(tmp_path: Path, name: str, data: bytes | None) -> None:
    path = tmp_path / name
    if data is not None:
        path.write_bytes(data)
    with pytest.raises(TracksError) as caught:
        read_tracks(path, SIZE)
    (line,) = str(caught.value).splitlines()
    assert name in line


def test_damaged_bytes_never_end_in_anything_but_a_tracks_error(tmp_path: Path) -> None:
    whole = gzip.compress(table(40).to_csv(index=False).encode())
    rng = np.random.default_rng(0)
    outcomes = set()
    for _ in range(60):
        data = bytearray(whole)
        data[int(rng.integers(10, len(data)))] ^= 1 << int(rng.integers(8))
        (tmp_path / "bad.csv.gz").write_bytes(data)
        try:
            read_tracks(tmp_path / "bad.csv.gz", SIZE)
            outcomes.add("read")
        except TracksError:
            outcomes.add("refused")
    assert "refused" in outcomes


def test_a_folder_is_no_track_file(tmp_path: Path) -> None:
    with pytest.raises(TracksError, match="could not read it"):
        read_tracks(tmp_path, SIZE)


def test_a_picture_size_of_nothing_is_refused(tmp_path: Path) -> None:
    table().to_csv(tmp_path / "t.csv", index=False)
    with pytest.raises(TracksError, match="picture size"):
        read_tracks(tmp_path / "t.csv", (0, 720))


def test_writing_where_nothing_can_be_written_is_said(tmp_path: Path) -> None:
    with pytest.raises(TracksError, match="expected a place to write"):
        write_tracks(walk(), tmp_path / "no" / "such" / "t.csv")


@pytest.mark.parametrize("verb", ["read", "write"])
def test_parquet_without_its_extra_names_the_extra(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, verb: str
) -> None:
    path = write_tracks(walk(), tmp_path / "t.parquet")
    real = builtins.__import__

    def without(name: str, *args: Any, **kwargs: Any) -> Any:
        if name.split(".")[0] in ("pyarrow", "fastparquet"):
            raise ImportError(name)
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(TracksError, match=r"asymscreen\[export\]"):
        read_tracks(path, SIZE) if verb == "read" else write_tracks(walk(), tmp_path / "u.parquet")


def test_a_minute_of_landmarks_is_read_fast(tmp_path: Path) -> None:
    tracks = walk(1800, BLAZEPOSE + REFINED + EDGE_POINTS)
    path = write_tracks(tracks, tmp_path / "t.csv.gz")
    start = time.process_time()
    read_tracks(path, SIZE)
    assert time.process_time() - start < 1.5
