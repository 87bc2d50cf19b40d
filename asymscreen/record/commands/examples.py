"""An example of every command of the record, in the order of one story; shown below its help."""

from __future__ import annotations

FIRST, AGAIN, LATER = "20260309-k7m2qp", "20260309-h3d8vn", "20260406-x4w9bd"
"""Ids of three screens, as the record gives them."""

EXAMPLES: dict[str, tuple[str, ...]] = {
    "lifter add": ("lifter add L-014 --consent-film --no-consent-keep",),
    "lifter list": ("lifter list --json",),
    "lifter intake": (
        'lifter intake L-014 --one-rep-max 100 --stalled-weeks 8 --grip "ring finger on ring" \\\n'
        '      --pain 2 --pain-side left --injury "left:strained shoulder:2025-12"',
    ),
    "lifter consent": ("lifter consent L-014 --keep",),
    "lifter show": ("lifter show L-014",),
    "visit start": ("visit start L-014 --reps 3",),
    "visit step": (
        'visit step 1 look --words "left end drops late"',
        f"visit step 1 working-set --screen {FIRST}",
        'visit step 1 felt-before --pain 2 --words "left works harder"',
        'visit step 1 drill --drill offset-breathing --side left --dose "20 slow breaths"',
        f"visit step 1 re-test --screen {AGAIN}",
        "visit step 1 felt-after --pain 1",
        "visit step 1 comparison",
    ),
    "visit show": ("visit show 1",),
    "visit list": ("visit list L-014",),
    "visit stop": ('visit stop 2 --why "the bench is taken"',),
    "suggest": (f"suggest {FIRST}",),
    "drill list": ("drill list",),
    "drill edit": ("drill edit",),
    "drill add": (
        'drill add wall-slide --name "Wall slide" --how "Back to the wall, slide both arms up." \\\n'
        '      --dose "2 sets of 8" --sided',
    ),
    "block add": (
        'block add L-014 --drill "pinned-reach:left:2 sets of 8" --start 2026-03-11 --end 2026-04-03 \\\n'
        "      --days mon,wed,fri",
    ),
    "block log": (
        "block log 1 --on 2026-03-11",
        'block log 1 --on 2026-03-13 --missed --notes "travelling"',
    ),
    "block list": ("block list L-014",),
    "block end": ("block end 1 --on 2026-03-27",),
    "due": ("due",),
    "screens": ("screens L-014", f"screens L-014 --remove {AGAIN} --yes"),
    "report": (f"report {FIRST} --out report.pdf --blur",),
    "joints": (f"joints {FIRST} --out joints.c3d",),
    "compare": (
        f"compare {FIRST} {LATER} --out comparison.html",
        "compare before/screen.json after/screen.json --json",
    ),
    "trend": ("trend L-014 tuck_bottom",),
    "lifter caution": (
        'lifter caution L-014 --add "Sore left wrist." --by "coach K"',
        'lifter caution L-014 --lift 1 --by "coach K" --why "no pain for four weeks"',
    ),
    "lifter page": ("lifter page L-014 --out L-014.pdf",),
    "lifter summary": ("lifter summary L-014 --out L-014-summary.html",),
    "export": ("export everything", "export L-014-data --lifter L-014 --blur"),
    "import": ("import everything --home another-home",),
    "backup": ("backup record-2026-04-06.zip",),
    "restore": ("restore record-2026-04-06.zip --replace",),
    "lifter erase": ("lifter erase L-014 --yes",),
    "tidy": ("tidy",),
}
"""By command: the lines, without the program's name."""


def example(command: str) -> str:
    """The text below a command's help; `\\b` keeps click from wrapping it."""
    return "\b\nFor example:\n" + "\n".join(f"  asymscreen {line}" for line in EXAMPLES[command])
