"""The record's commands; `COMMANDS` lists what the command line mounts. Heavy imports happen inside."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from asymscreen.errors import RecordError
from asymscreen.record import lifters as people
from asymscreen.record.commands.examples import example
from asymscreen.record.commands.kept import compare, joints, report, screens, trend
from asymscreen.record.commands.printing import opened, shared, show, show_file
from asymscreen.record.commands.whole import backup, export, import_, restore, tidy
from asymscreen.record.commands.work import block, drill, due, suggest, visit
from asymscreen.record.erase import erase_lifter
from asymscreen.record.intake import RED_FLAGS, read_intake
from asymscreen.record.shapes import CautionEntry, LifterCard, LifterEntry, Standing
from asymscreen.report.wording import counted

SIDES = click.Choice(("left", "right", "both", "none"))


@click.group()
def lifter() -> None:
    """The lifters: their codes, what they told, and pages about them."""


@lifter.command("add", epilog=example("lifter add"))
@click.argument("code")
@click.option("--consent-film/--no-consent-film", default=None, help="The lifter agreed to be filmed.")
@click.option("--consent-keep/--no-consent-keep", default=None, help="The lifter agreed that clips are kept.")
@shared
def lifter_add(
    code: str, consent_film: bool | None, consent_keep: bool | None, home: str | None, as_json: bool
) -> None:
    """Add a lifter by a code, never by a name."""
    with opened(home) as store:
        entry = people.add_lifter(store, code, film=consent_film, keep=consent_keep)
    show(entry, as_json, [f"Added lifter {entry.code}. {_consent(entry)}"])


@lifter.command("list", epilog=example("lifter list"))
@shared
def lifter_list(home: str | None, as_json: bool) -> None:
    """List all lifters."""
    with opened(home) as store:
        found = people.list_lifters(store)
    show(found, as_json, [f"{e.code}  added {e.added_at:%Y-%m-%d}" for e in found] or ["No lifter yet."])


@lifter.command("show", epilog=example("lifter show"))
@click.argument("code")
@shared
def lifter_show(code: str, home: str | None, as_json: bool) -> None:
    """Show what is known of a lifter."""
    with opened(home) as store:
        card = people.show_lifter(store, code)
    show(card, as_json, _card(card))


@lifter.command("erase", epilog=example("lifter erase"))
@click.argument("code")
@click.option("--yes", is_flag=True, help="Yes, erase all of it; there is no way back.")
@shared
def lifter_erase(code: str, yes: bool, home: str | None, as_json: bool) -> None:
    """Erase a lifter with all screens, clips and notes; prints a receipt."""
    with opened(home) as store:
        people.show_lifter(store, code)
        if not yes:
            raise RecordError(
                f"lifter {code}: expected --yes to erase all of it, got none; there is no way back"
            )
        receipt = erase_lifter(store, code)
    lines = [f"Erased lifter {code}: {sum(receipt.rows.values())} rows, {receipt.files} clips."]
    lines += [f"Receipt {receipt.receipt}", *receipt.notes, *receipt.backups, *receipt.files_left]
    show(receipt, as_json, lines)


@lifter.command("intake", epilog=example("lifter intake"))
@click.argument("code")
@click.option("--one-rep-max", "one_rep_max_kg", type=float, metavar="KG", help="One-rep maximum.")
@click.option("--stalled-weeks", type=int, metavar="N", help="Weeks that it has stood still.")
@click.option("--grip", default="", help="Where the hands are.")
@click.option("--usual-cues", default="", help="Cues that the lifter is used to.")
@click.option("--pain", "pain_now", type=int, metavar="N", help="Pain now, 0 to 10.")
@click.option("--pain-side", type=SIDES, default="none", help="Where it hurts.")
@click.option("--provokes", default="", help="What provokes it.")
@click.option(
    "--injury", "injuries", multiple=True, metavar="SIDE:KIND[:DATE]", help="An injury; repeatable."
)
@click.option(
    "--red-flag",
    "red_flags",
    multiple=True,
    type=click.Choice(tuple(RED_FLAGS)),
    help="A red flag answered with yes; repeatable.",
)
@click.option("--sudden", is_flag=True, help="The red flags came suddenly.")
@click.option("--consent-film/--no-consent-film", default=None, help="The lifter agreed to be filmed.")
@click.option("--consent-keep/--no-consent-keep", default=None, help="The lifter agreed that clips are kept.")
@click.option("--notes", default="", help="Anything else.")
@click.option("--by", default="coach", help="Who took it.")
@shared
def lifter_intake(code: str, by: str, home: str | None, as_json: bool, **told: Any) -> None:  # fmt: skip
    """Take a lifter's intake. Red flags stop every screen until they are lifted."""
    told["injuries"] = [_injury(text) for text in told["injuries"]]
    told["red_flags"] = list(told["red_flags"])
    with opened(home) as store:
        found = people.take_intake(store, code, read_intake(told), by=by)
    show(found, as_json, [f"Took the intake of {code}.", *_standing(found)])


@lifter.command("consent", epilog=example("lifter consent"))
@click.argument("code")
@click.option("--film/--no-film", default=None, help="The lifter agreed to be filmed, or takes it back.")
@click.option(
    "--keep/--no-keep", default=None, help="The lifter agreed that clips are kept, or takes it back."
)
@shared
def lifter_consent(code: str, film: bool | None, keep: bool | None, home: str | None, as_json: bool) -> None:
    """Note a consent that was given or taken back; what is kept already stays until it is erased."""
    with opened(home) as store:
        entry = people.set_consent(store, code, film=film, keep=keep)
    show(entry, as_json, [f"Lifter {entry.code}. {_consent(entry)}"])


@lifter.command("caution", epilog=example("lifter caution"))
@click.argument("code")
@click.option("--add", "words", metavar="TEXT", help="Raise a caution; it goes on every report until lifted.")
@click.option("--stops", is_flag=True, help="With --add: no screen until it is lifted.")
@click.option("--lift", "number", type=int, metavar="N", help="Lift the caution of this number.")
@click.option("--why", default="", help="With --lift: why.")
@click.option("--by", default="", help="Who raises or lifts it.")
@shared
def lifter_caution(
    code: str, words: str | None, stops: bool, number: int | None, why: str, by: str, home: str | None,
    as_json: bool,
) -> None:  # fmt: skip
    """Show the open cautions of a lifter, raise one, or lift one."""
    with opened(home) as store:
        if words is not None:
            people.raise_caution(store, code, words, stops=stops, by=by or "coach")
        if number is not None:
            people.lift_caution(store, code, number, by=by, why=why)
        found = people.standing(store, code)
    show(found, as_json, _standing(found) or [f"No open caution of {code}."])


@lifter.command("page", epilog=example("lifter page"))
@click.argument("code")
@click.option("--screen", "screen_id", metavar="ID", help="About this screen; by default the newest.")
@click.option(
    "--out",
    metavar="FILE",
    default="lifter.pdf",
    show_default=True,
    help="A .pdf (needs Chromium, else HTML is written) or .html file.",
)
@click.option("--show-face", is_flag=True, help="Do not blur the face.")
@shared
def lifter_page(
    code: str, screen_id: str | None, out: str, show_face: bool, home: str | None, as_json: bool
) -> None:
    """Write one sheet for the lifter in plain words."""
    from asymscreen.record.pages import lifter_page as page
    from asymscreen.record.pdf import write_page

    with opened(home) as store:
        written = write_page(page(store, code, screen_id, blur=not show_face), Path(out))
    show_file(written, as_json)


@lifter.command("summary", epilog=example("lifter summary"))
@click.argument("code")
@click.option(
    "--out", metavar="FILE", default="summary.html", show_default=True, help="A .html or .pdf file."
)
@shared
def lifter_summary(code: str, out: str, home: str | None, as_json: bool) -> None:
    """Write the coach's summary of a lifter over all visits."""
    from asymscreen.record.pdf import write_page
    from asymscreen.record.summary import coach_summary

    with opened(home) as store:
        written = write_page(coach_summary(store, code), Path(out))
    show_file(written, as_json)


def _injury(text: str) -> dict[str, str]:
    side, _, rest = text.partition(":")
    kind, _, day = rest.partition(":")
    return {"side": side, "kind": kind, "on_date": day}


def _consent(entry: LifterEntry) -> str:
    given = {True: "given", False: "refused", None: "not asked yet"}
    return f"Consent to film: {given[entry.consent_film]}; to keep clips: {given[entry.consent_keep]}."


def _caution(entry: CautionEntry) -> str:
    kind = "stops screens" if entry.stops else "caution"
    return f"  {entry.id} ({kind}, {entry.raised_at:%Y-%m-%d}, {entry.raised_by}): {entry.text}"


def _standing(found: Standing) -> list[str]:
    return [_caution(c) for c in (*found.stops, *found.cautions)]


def _card(card: LifterCard) -> list[str]:
    lines = [f"Lifter {card.code}, added {card.added_at:%Y-%m-%d}. {_consent(card)}"]
    if card.intakes:
        told = card.intakes[-1]
        best = "" if told.one_rep_max_kg is None else f" One-rep maximum {told.one_rep_max_kg:g} kg."
        pain = "" if told.pain_now is None else f" Pain {told.pain_now} of 10."
        lines.append(f"Intake {told.taken_at:%Y-%m-%d}.{best}{pain}")
    lines += [f"  injury: {i.side}, {i.kind} {i.on_date}".rstrip() for i in card.injuries]
    lines += [_caution(c) for c in card.cautions if c.lifted_at is None]
    kept = ((card.screens, "screen"), (card.visits, "visit"), (card.blocks, "block"))
    return [*lines, ", ".join(counted(number, word) for number, word in kept).capitalize() + "."]


COMMANDS: list[click.Command] = [
    lifter, screens, report, joints, compare, trend, suggest, drill, visit, block, due,
    export, import_, backup, restore, tidy,
]  # fmt: skip
"""Every command of the record, in the order in which a person meets them."""
