"""The rule table: what it suggests for findings, that a coach can edit it, and that faults are named.

Outside source: the crossed pattern and where its work goes is common practice, as agreed for this project:
the low side's shoulder girdle.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
import report_samples as samples
from hypothesis import given, settings
from hypothesis import strategies as st

from asymscreen.document import ScreenDocument
from asymscreen.errors import SettingsError
from asymscreen.record.considerations import FILE, Drill, add_drill, consider, copy_rules, load_rules

HEAD = 'schema = "asymscreen.considerations/1"\n'
OURS = load_rules()


def swapped(document: ScreenDocument) -> ScreenDocument:
    """The same findings on the other sides."""
    raw = document.model_dump(by_alias=True)
    for measure in raw["measures"].values():
        measure["call"] = {"left": "right", "right": "left"}.get(measure["call"], measure["call"])
        if "value" in measure:
            low, high = measure["low"], measure["high"]
            measure["value"], measure["low"], measure["high"] = -measure["value"], -high, -low
    return ScreenDocument.model_validate(raw)


def test_crossed_sends_the_work_to_the_low_sides_shoulder_girdle() -> None:
    first = consider(samples.crossed(), OURS)[0]
    assert first.rule == "crossed"
    assert first.side == "left"
    assert first.because == ["bar_tilt_bottom", "tuck_bottom"]
    assert "left shoulder girdle" in first.look
    assert first.grounds == "common practice, no source"
    assert {d.side for d in first.drills} == {"left"}
    assert all(d.dose and d.how for d in first.drills)


def test_the_other_way_round_it_is_the_other_side() -> None:
    ours, theirs = consider(samples.crossed(), OURS), consider(swapped(samples.crossed()), OURS)
    mirror = {"left": "right", "right": "left", "both": "both", "none": "none"}
    assert [c.rule for c in ours] == [c.rule for c in theirs]
    assert [c.side for c in ours] == [mirror[c.side] for c in theirs]


def test_what_the_pattern_stands_on_is_not_said_twice() -> None:
    rules = [c.rule for c in consider(samples.crossed(), OURS)]
    assert "bar-low-at-the-bottom" not in rules
    assert "more-tucked" not in rules
    assert "bar-low-on-the-way-up" in rules


def test_without_the_pattern_each_measure_speaks() -> None:
    rules = {c.rule: c for c in consider(samples.crossed().model_copy(update={"patterns": []}), OURS)}
    assert rules["bar-low-at-the-bottom"].side == "left"
    assert rules["more-tucked"].side == "left"
    assert "right elbow" in rules["more-tucked"].look


def test_nothing_for_an_even_an_unusable_or_an_unmeasured_clip() -> None:
    assert consider(samples.even(), OURS) == []
    assert consider(samples.unusable(), OURS) == []


def test_it_never_diagnoses_and_always_says_so() -> None:
    forbidden = ("injured", "torn", "impinge", "syndrome", "weak ", "dysfunction", "patholog", "diagnosed")
    for rule in OURS.rules.values():
        assert not any(word in rule.look.lower() for word in forbidden), rule.id
    for found in consider(samples.crossed(), OURS):
        assert found.cautions[-1].startswith("Suggestions, not a diagnosis.")
        assert "licensed clinician" in found.cautions[-1]
        assert found.grounds


def test_an_injury_on_the_working_side_is_a_caution() -> None:
    calm = consider(samples.crossed(), OURS, injured=["right"])[0]
    hurt = consider(samples.crossed(), OURS, injured=["left"])[0]
    assert not any("on record" in text for text in calm.cautions)
    assert any("on record for the left side" in text for text in hurt.cautions)


def test_every_rule_names_measures_that_a_screen_has() -> None:
    known = set(samples.crossed().measures)
    assert {rule.measure for rule in OURS.rules.values() if rule.measure} <= known


def test_the_breathing_drill_is_dosed_as_20_slow_breaths() -> None:
    assert OURS.drills["offset-breathing"].dose == "20 slow breaths, straight through or in fives"


def test_the_editable_copy_is_the_packages_own_and_is_not_overwritten(tmp_path: Path) -> None:
    place = copy_rules(tmp_path)
    assert load_rules(tmp_path) == OURS
    place.write_text(place.read_text().replace("Breathing with one arm reaching", "Reach and breathe"))
    assert load_rules(tmp_path).drills["offset-breathing"].name == "Reach and breathe"
    with pytest.raises(SettingsError, match="expected no copy yet"):
        copy_rules(tmp_path)


def test_a_row_of_the_home_folder_replaces_adds_and_switches_off(tmp_path: Path) -> None:
    (tmp_path / FILE).write_text(
        HEAD
        + '[[rule]]\nid = "crossed"\noff = true\n'
        + '[[drill]]\nid = "set-and-hold"\noff = true\n'
        + '[[drill]]\nid = "band"\nname = "Band"\nhow = "Pull it."\ndose = "2 x 10"\n'
        + '[[rule]]\nid = "mine"\nmeasure = "tuck_bottom"\nside = "called"\nlook = "Look {side}."\n'
        + 'drills = ["band"]\ngrounds = "ours"\n'
    )
    table = load_rules(tmp_path)
    assert "crossed" not in table.rules
    assert "set-and-hold" not in table.drills
    found = {c.rule: c for c in consider(samples.crossed(), table)}
    assert found["mine"].look == "Look right."
    assert [d.name for d in found["mine"].drills] == ["Band"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("schema = ", "expected TOML"),
        ('schema = "other/1"', "schema_"),
        (HEAD + "nonsense = 1", "nonsense"),
        (HEAD + '[[rule]]\nid = "x"\nside = "low"\nlook = "l"\ngrounds = "g"', "a pattern or a measure"),
        (HEAD + '[[rule]]\nid = "x"\npattern = "p"\nside = "up"\nlook = "l"\ngrounds = "g"', "side"),
        (HEAD + '[[rule]]\nid = "x"\npattern = "p"\nside = "low"\nlook = "{oops}"\ngrounds = "g"', "oops"),
        (HEAD + '[[rule]]\nid = "x"\npattern = "p"\nside = "low"\nlook = "l"', "grounds"),
        (HEAD + '[[rule]]\nid = "x"\npattern = "p"\nside = "low"\nlook = "l"\ngrounds = "g"\ndrills = ["no"]',
         "rule x: expected drills that exist, got no"),
        (HEAD + '[[drill]]\nid = "Band!"\nname = "n"\nhow = "h"\ndose = "d"', "drill"),
        (HEAD + ('[[drill]]\nid = "a"\nname = "n"\nhow = "h"\ndose = "d"\n' * 2), "each id once, got a"),
    ],
)  # fmt: skip
def test_a_fault_in_the_table_is_named_with_its_place(tmp_path: Path, text: str, said: str) -> None:
    (tmp_path / FILE).write_text(text)
    with pytest.raises(SettingsError, match=said):
        load_rules(tmp_path)


def test_a_table_that_is_no_text_is_named(tmp_path: Path) -> None:
    (tmp_path / FILE).write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SettingsError, match="expected a readable UTF-8 file"):
        load_rules(tmp_path)


def test_a_coach_adds_a_drill_and_it_stays(tmp_path: Path) -> None:
    drill = Drill(
        id="wall-press", name='Wall "press"', how="Push.\nWait.", dose="3 x 5", sided=True, cautions=["Slow."]
    )
    place = add_drill(tmp_path, drill)
    assert load_rules(tmp_path).drills["wall-press"] == drill
    assert tomllib.loads(place.read_text())["drill"][0]["name"] == 'Wall "press"'
    with pytest.raises(SettingsError, match="expected a new id"):
        add_drill(tmp_path, drill)
    add_drill(tmp_path, drill.model_copy(update={"id": "second"}))
    assert {"wall-press", "second", "offset-breathing"} <= set(load_rules(tmp_path).drills)


@settings(max_examples=40)
@given(st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=40).filter(lambda t: t.strip()))
def test_any_words_survive_the_file(tmp_path_factory: pytest.TempPathFactory, words: str) -> None:
    home = tmp_path_factory.mktemp("home")
    drill = Drill(id="any", name=words, how=words, dose=words, cautions=[words])
    add_drill(home, drill)
    assert load_rules(home).drills["any"] == drill
